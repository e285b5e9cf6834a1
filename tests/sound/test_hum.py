"""Hum lines against levels and frequencies that were put in."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from refettle.sound import SoundError
from refettle.sound.hum import Hum, read_hum
from refettle.sound.meaning import hum_causes
from tests.sound.signals import Array, noise, sine, times

RATE = 44_100
TIME = times(10.0, RATE)
NOISE = noise(-80.0, TIME)


def levels(hum: Hum) -> dict[int, float]:
    return {line.multiple: float(line.level.value or 0.0) for line in hum.lines}


@settings(max_examples=25, deadline=None)
@given(
    base=st.sampled_from([50, 60]),
    off=st.floats(-0.15, 0.15),
    lines=st.dictionaries(st.integers(1, 12), st.floats(-85.0, -30.0), min_size=2, max_size=5),
    seed=st.integers(0, 1000),
)
def test_lines_within_half_a_decibel(base: int, off: float, lines: dict[int, float], seed: int) -> None:
    if all(base * multiple % 300 == 0 for multiple in lines):
        lines = {**lines, 1: -60.0}
    mains = base + off
    sound = noise(-80.0, TIME, seed)  # -123 dB in 1 Hz
    for multiple, level in lines.items():
        sound = sound + sine(level, multiple * mains, TIME, seed + multiple)
    hum = read_hum(sound, RATE)
    assert hum.base == base
    assert hum.mains.value == pytest.approx(mains, abs=0.05)
    assert abs((hum.mains.value or 0.0) - mains) <= (hum.mains.plus_minus or 0.0)
    found = levels(hum)
    assert set(found) == set(lines)
    for multiple, level in lines.items():
        assert found[multiple] == pytest.approx(level, abs=0.5)


def test_a_line_is_not_taken_from_the_other_mains() -> None:
    assert read_hum(NOISE + sine(-50, 120.0, TIME), RATE).base == 60
    asked = read_hum(NOISE + sine(-50, 120.0, TIME) + sine(-60, 60.0, TIME), RATE, 50)
    assert asked.base == 60
    assert "asked for 50 Hz" in asked.problem


def test_shared_lines_alone_do_not_decide() -> None:
    sound = NOISE + sine(-50, 300.0, TIME)
    assert read_hum(sound, RATE).base == 0
    assert "share" in read_hum(sound, RATE).problem
    assert levels(read_hum(sound, RATE, 60)) == {5: pytest.approx(-50, abs=0.1)}


def test_wandering_mains_keeps_the_level() -> None:
    time = times(20.0, RATE)
    phase = 2 * np.pi * np.cumsum(50.02 + 0.02 * np.sin(2 * np.pi * time / 15)) / RATE
    sound = noise(-90, time) + 10 ** (-60 / 20) * np.sin(phase) + 10 ** (-80 / 20) * np.sin(10 * phase)
    assert levels(read_hum(sound, RATE)) == {1: pytest.approx(-60, abs=0.2), 10: pytest.approx(-80, abs=0.5)}


@pytest.mark.parametrize("seed", range(10))
def test_noise_alone_has_no_lines(seed: int) -> None:
    hum = read_hum(noise(-40, times(5.0, RATE), seed), RATE)
    assert hum.lines == ()
    assert hum.level.value is None
    assert "would not be seen" in hum.level.why


def test_too_short_to_tell() -> None:
    hum = read_hum(sine(-40, 50, times(1.0, RATE)), RATE)
    assert hum.base == 0
    assert "too short to tell 50 from 60" in hum.mains.why


def test_mains_of_a_ship() -> None:
    with pytest.raises(SoundError, match=r"mains frequency: 400 Hz found; allowed: 50 or 60"):
        read_hum(NOISE, RATE, 400)


@pytest.mark.parametrize(
    ("lines", "pattern", "first"),
    [
        ({2: -50.0, 4: -65.0, 1: -80.0}, "mainly twice the mains, 100 Hz", "reservoir capacitor dry"),
        ({1: -50.0, 2: -70.0}, "mainly once the mains, 50 Hz", "an earth loop"),
        ({1: -50.0, 3: -62.0, 5: -66.0}, "mainly once the mains, 50 Hz", "the field of a transformer"),
        ({1: -50.0, 2: -51.0}, "once and twice the mains alike", "a diode open"),
        (dict.fromkeys(range(1, 16), -60.0), "a buzz", "rectifier edges"),
    ],
)
def test_what_the_lines_point_to(lines: dict[int, float], pattern: str, first: str) -> None:
    sound: Array = NOISE
    for multiple, level in lines.items():
        sound = sound + sine(level, multiple * 50.01, TIME, multiple)
    words, causes = hum_causes(read_hum(sound, RATE))
    assert words.startswith(pattern)
    assert first in causes[0]


def test_the_picture_s_field_rate() -> None:
    words, causes = hum_causes(read_hum(NOISE + sine(-50, 59.94, TIME) + sine(-60, 119.88, TIME), RATE))
    assert words.startswith("59.94 Hz")
    assert "field rate" in causes[0]


@pytest.mark.parametrize("hertz", [440.0, 997.0, 1000.5, 3150.0])
def test_a_clean_tone_that_was_rounded_has_no_hum(hertz: float) -> None:
    time = times(10.0, RATE)
    rounded = np.round(32767.0 * sine(-10, hertz, time)) / 32768.0
    hum = read_hum(rounded, RATE, tone_hz=hertz, pause=False, bits=16)
    assert hum.lines == ()
    assert "a line below −104 dBFS would not be seen" in hum.level.why
    real = np.round(32767.0 * (sine(-10, hertz, time) + sine(-95, 100, time))) / 32768.0
    assert levels(read_hum(real, RATE, tone_hz=hertz, pause=False, bits=16))[2] == pytest.approx(-95, abs=1.0)
