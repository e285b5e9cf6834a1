"""Levels, clipping, clicks, dropouts, and left against right."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from refettle.sound import SoundReading, read_sound
from refettle.sound.evidence import grades
from tests.sound.signals import Array, music, noise, sine, times

RATE = 48_000
TIME = times(4.0, RATE)


def stereo(left: Array, right: Array) -> Array:
    return np.stack([left, right], axis=1)


def read(left: Array, right: Array | None = None) -> SoundReading:
    return read_sound(left if right is None else stereo(left, right), RATE)


def signs(reading: SoundReading) -> set[tuple[str, str]]:
    return {(finding.sign, finding.channel) for finding in reading.findings}


@settings(max_examples=10, deadline=None)
@given(level=st.floats(-50.0, -0.5), hertz=st.floats(50.0, 5000.0), offset=st.floats(-0.05, 0.05))
def test_a_sine_reads_its_level(level: float, hertz: float, offset: float) -> None:
    size = min(level, -0.5)
    found = read(sine(size, hertz, TIME) + offset).channels[0]
    assert found.level.value == pytest.approx(size, abs=0.02)
    assert found.dc.value == pytest.approx(100 * offset, abs=0.05)
    assert found.peak.value == pytest.approx(20 * np.log10(10 ** (size / 20) + abs(offset)), abs=0.1)
    assert found.clicks.count == 0


def test_a_square_wave_at_full_scale_is_3_decibel_above_a_sine() -> None:
    assert read(np.sign(sine(0, 100, TIME))).channels[0].level.value == pytest.approx(3.01, abs=0.01)


def test_flat_tops_below_full_scale_are_the_unit_s() -> None:
    reading = read(np.clip(sine(-6, 400, TIME), -0.3, 0.3) + noise(-75, TIME))
    assert reading.channels[0].clipped.value == pytest.approx(100, abs=1)
    assert not reading.channels[0].full_scale
    assert ("garbled", "mono") in signs(reading)


def test_flat_tops_at_full_scale_are_the_recorder_s() -> None:
    reading = read(np.clip(2.0 * sine(-3, 400, TIME), -1.0, 1.0))
    assert reading.channels[0].full_scale
    assert "recorder's input" in reading.findings[0].points_to[0]
    assert ("garbled", "mono") not in signs(reading)


@pytest.mark.parametrize("hertz", [50.0, 1000.0, 6000.0, 8000.0, 12_000.0])
def test_a_clean_sine_has_no_flat_tops(hertz: float) -> None:
    assert read(sine(-1, hertz, TIME, 0.7)).channels[0].clipped.value == 0.0


def test_clicks_are_counted_in_noise_and_tone() -> None:
    time = times(10.0, RATE)
    left, right = noise(-50, time) + sine(-30, 50, time), sine(-20, 997, time) + noise(-80, time)
    for k in range(30):
        left[5000 + 15_000 * k] += 0.05
        right[9000 + 15_000 * k : 9003 + 15_000 * k] += 0.03
    reading = read(left, right)
    assert [each.clicks.count for each in reading.channels] == [30, 30]
    assert reading.channels[0].clicks.times[1] == pytest.approx(20_000 / RATE, abs=0.001)
    assert reading.channels[0].clicks.per_minute.value == pytest.approx(180, rel=0.01)
    assert ("noise", "left") in signs(reading) or ("noise", "") in signs(reading)


def test_dropouts_of_a_tone() -> None:
    time = times(20.0, RATE)
    sound = sine(-20, 997, time) + noise(-80, time)
    for at, seconds in ((4.0, 0.03), (9.0, 0.3), (15.0, 0.1)):
        begin = int(at * RATE)
        sound[begin : begin + int(seconds * RATE)] *= 0.01
    found = read(sound).channels[0].dropouts
    assert found.count == 3
    assert found.times == pytest.approx((4.0, 9.0, 15.0), abs=0.03)
    assert found.seconds == pytest.approx((0.03, 0.3, 0.1), abs=0.03)


def test_pauses_of_music_are_no_dropouts() -> None:
    time = times(20.0, RATE)
    rng = np.random.default_rng(3)
    notes = np.repeat(10 ** (rng.uniform(-40, 0, 100) / 20), RATE // 5)
    found = read(sine(-10, 440, time) * notes + noise(-80, time)).channels[0].dropouts
    assert found.count == 0
    assert found.per_minute.value is None or found.per_minute.value == 0


def test_a_dead_channel() -> None:
    reading = read(sine(-20, 400, TIME) + noise(-70, TIME), noise(-75, TIME, 2))
    assert reading.stereo.dead == ("right",)
    assert reading.stereo.balance.value is None
    assert ("part", "right") in signs(reading)


def test_nothing_at_all() -> None:
    reading = read(np.zeros(len(TIME)), np.zeros(len(TIME)))
    assert reading.stereo.dead == ("left", "right")
    assert reading.findings[0].sign == "dead"
    assert "digital silence" in reading.channels[0].noise.plain.why


def test_weak_and_opposite() -> None:
    sound = sine(-20, 400, TIME) + noise(-30, TIME)
    reading = read(sound, -0.3 * sound)
    assert reading.stereo.weak == ("right",)
    assert reading.stereo.inverted
    assert reading.stereo.balance.value == pytest.approx(-10.5, abs=0.1)
    unlike = read(noise(-20, TIME, 1), noise(-20, TIME, 2))
    assert unlike.stereo.inverted is None


def test_one_channel_says_nothing_of_two() -> None:
    reading = read(sine(-20, 400, TIME))
    assert "one channel was recorded" in reading.stereo.balance.why
    assert "one channel was recorded" in reading.stereo.crosstalk_left.why
    assert any(note.startswith("one channel") for note in reading.notes)


def test_noise_and_hum_are_read_from_the_pause() -> None:
    time = times(12.0, RATE)
    sound = noise(-70, time) + sine(-55, 100.02, time)
    sound[: 6 * RATE] += noise(-15, time[: 6 * RATE], 4)
    reading = read(sound)
    assert reading.pause
    assert reading.noise_from.start >= 6.0
    assert reading.channels[0].noise.plain.value == pytest.approx(-54.9, abs=0.3)
    assert reading.channels[0].hum.lines[0].level.value == pytest.approx(-55, abs=0.3)
    assert reading.reference.value == pytest.approx(-15, abs=0.3)


def test_a_tone_all_the_way_is_no_noise() -> None:
    found = read(sine(-20, 3150, TIME) + noise(-70, TIME)).channels[0]
    assert found.noise.plain.value is None
    assert "a tone at 3150 Hz" in found.noise.plain.why


def test_digital_silence_is_passed_over() -> None:
    time = times(10.0, RATE)
    sound = noise(-60, time)
    sound[3 * RATE : 6 * RATE] = 0.0
    reading = read(sound)
    assert reading.noise_from.start >= 5.9 or reading.noise_from.end <= 3.1
    assert reading.channels[0].noise.plain.value == pytest.approx(-60.8, abs=0.3)


@pytest.mark.parametrize("seed", range(4))
def test_music_is_neither_crackle_nor_hum(seed: int) -> None:
    time = times(15.0, RATE)
    reading = read(music(15.0, RATE, seed) + noise(-75, time, seed))
    odds = {each.sign: each.odds for each in grades(reading)}
    assert odds["noise"] < 2
    assert odds["hum"] <= 1
    assert "hum" not in {finding.sign for finding in reading.findings}
    assert not reading.channels[0].hum.lines


def test_hum_under_music() -> None:
    time = times(15.0, RATE)
    sound = music(15.0, RATE) + noise(-75, time) + sine(-40, 100.04, time) + sine(-50, 200.08, time)
    hum = read(sound).channels[0].hum
    assert hum.mains.value == pytest.approx(50.02, abs=0.01)
    assert hum.lines[0].level.value == pytest.approx(-40, abs=0.5)
