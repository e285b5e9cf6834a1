"""The test tones: made, passed through units made by arithmetic, found again and read."""

from __future__ import annotations

import numpy as np
import pytest

from refettle.sound import ArraySource, SoundError, SoundReading, make_tones, read_sound
from refettle.sound.tones import find_tones, planned
from tests.sound.signals import Array, noise, sine, times

RATE = 44_100
TONES = make_tones(RATE)


def through(
    late: float = 2.4, gain: tuple[float, float] = (0.5, 0.5), crosstalk: float = 0.0, floor: float = -75.0
) -> Array:
    """The tones after a unit: `late` [s], gains of left and right, crosstalk, noise [dBFS]."""
    before = round(late * RATE)
    time = times((before + len(TONES)) / RATE, RATE)
    out = np.zeros((len(time), 2))
    out[before : before + len(TONES)] = TONES
    out = (out + crosstalk * out[:, ::-1]) * np.array(gain)
    return np.asarray(out + np.stack([noise(floor, time, 1), noise(floor, time, 2)], axis=1))


def read(samples: Array) -> SoundReading:
    return read_sound(samples, RATE, tones=True)


def test_all_at_once() -> None:
    sound = through(gain=(0.5, 0.4), crosstalk=0.01)
    sound[:, 0] += 0.02 * sound[:, 0] ** 2 + sine(-60, 100.02, times(len(sound) / RATE, RATE))
    reading = read(sound)
    assert reading.tones is not None
    assert reading.tones.start == pytest.approx(3.4, abs=0.01)
    assert reading.tones.pace == pytest.approx(1.0, abs=2e-4)
    stereo = reading.stereo
    assert stereo.balance.value == pytest.approx(20 * np.log10(0.8), abs=0.03)
    assert (stereo.swap, stereo.inverted, stereo.dead) == ("right way", False, ())
    assert stereo.crosstalk_left.value == pytest.approx(-40 - 1.94, abs=0.3)
    assert stereo.crosstalk_right.value == pytest.approx(-40 + 1.94, abs=0.3)
    left, right = reading.channels
    assert left.tone is not None
    assert left.tone.level.value == pytest.approx(-10 - 6.02, abs=0.1)
    assert dict(left.tone.harmonics)[2] == pytest.approx(20 * np.log10(0.01 * 0.5 * 10**-0.5), abs=0.5)
    assert [line.multiple for line in left.hum.lines] == [2]
    assert right.hum.lines == ()
    assert right.noise.plain.value == pytest.approx(-75.4, abs=0.3)
    assert right.snr.value == pytest.approx(-10 - 7.96 - (right.noise.a_weighted.value or 0), abs=0.1)
    assert reading.flutter is not None
    assert (reading.flutter.weighted.value or 1.0) < 0.005
    assert all(abs(level) < 0.3 for _, level in left.response)


def test_exchanged_opposite_and_joined() -> None:
    assert read(through()[:, ::-1]).stereo.swap == "exchanged"
    sound = through()
    assert read(sound * np.array([1.0, -1.0])).stereo.inverted
    assert read(np.repeat(sound.mean(axis=1, keepdims=True), 2, axis=1)).stereo.swap == "joined"
    lost = sound.copy()
    lost[:, 0] = noise(-80, times(len(lost) / RATE, RATE))
    stereo = read(lost).stereo
    assert stereo.dead == ("left",)
    assert "cannot be told" in stereo.swap_why


def test_crosstalk_lost_in_the_noise_has_a_bound() -> None:
    crosstalk = read(through(floor=-50.0)).stereo.crosstalk_left
    assert crosstalk.value is None
    assert "lost in the noise" in crosstalk.why


@pytest.mark.parametrize("speed", [0.95, 1.03])
def test_tones_from_a_tape_at_the_wrong_speed(speed: float) -> None:
    sound = through()
    at = np.arange(int(len(sound) / speed)) * speed
    slow = np.stack([np.interp(at, np.arange(len(sound)), sound[:, k]) for k in (0, 1)], axis=1)
    reading = read(slow)
    assert reading.tones is not None
    assert reading.tones.pace == pytest.approx(speed, abs=3e-4)
    assert reading.flutter is not None
    assert reading.flutter.speed.value == pytest.approx(100 * (speed - 1), abs=0.02)
    tone = reading.channels[0].tone
    assert tone is not None
    assert tone.hertz.value == pytest.approx(997 * speed, abs=0.2)
    assert any("test tones came back" in note for note in reading.notes)


def test_one_channel_of_them() -> None:
    reading = read_sound(through()[:, 0], RATE, tones=True)
    assert "one channel was recorded" in reading.stereo.swap_why
    assert reading.channels[0].tone is not None


def test_not_there_or_not_whole() -> None:
    assert find_tones(ArraySource(noise(-20, times(30.0, RATE)), RATE)) is None
    assert find_tones(ArraySource(through()[: 40 * RATE], RATE)) is None
    time = times(60.0, RATE)
    other = np.where(np.sin(2 * np.pi * 3 * time) > 0, sine(-10, 700, time), sine(-10, 2100, time))
    assert find_tones(ArraySource(other, RATE)) is None


def test_made_as_planned() -> None:
    assert np.abs(TONES).max() == pytest.approx(10**-0.5, abs=1e-6)
    left = planned()["left"]
    middle = TONES[int((1.0 + left[0] + 1.0) * RATE) :][:RATE]
    assert np.abs(middle[:, 1]).max() == 0.0
    assert np.sqrt(2 * np.mean(middle[:, 0] ** 2)) == pytest.approx(10**-0.5, rel=1e-3)
    with pytest.raises(SoundError, match="sample rate: 22050 Hz found"):
        make_tones(22_050)
