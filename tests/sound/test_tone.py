"""THD+N, harmonics and levels of test tones made by arithmetic."""

from __future__ import annotations

from math import log10

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from refettle.sound.tone import Tone, read_tone
from tests.sound.signals import noise, sine, tape, times

TIME = times(3.0, 48_000)


def tone_of(samples: np.ndarray, rate: int = 48_000, near: float | None = None) -> Tone:
    found = read_tone(samples, rate, near)
    assert isinstance(found, Tone), found
    return found


@settings(max_examples=25, deadline=None)
@given(
    hertz=st.floats(260.0, 4000.0),
    level=st.floats(-30.0, -1.0),
    second=st.floats(-90.0, -25.0),
    third=st.floats(-90.0, -25.0),
    floor=st.floats(-85.0, -40.0),
)
def test_thd_n_within_half_a_decibel(hertz: float, level: float, second: float, third: float, floor: float) -> None:
    sound = sine(level, hertz, TIME) + noise(level + floor, TIME) + 0.01
    sound = sound + sine(level + second, 2 * hertz, TIME, 1.0) + sine(level + third, 3 * hertz, TIME, 2.0)
    rest = 10 ** (second / 10) + 10 ** (third / 10) + 10 ** (floor / 10) * (20_000 - 20) / 24_000
    expected = 10 * log10(rest / (1.0 + rest))
    found = tone_of(sound)
    assert found.thd_n_db.value == pytest.approx(expected, abs=0.5)
    assert abs((found.thd_n_db.value or 0) - expected) <= 1.5 * (found.thd_n_db.plus_minus or 0)
    assert found.level.value == pytest.approx(level, abs=0.02)
    assert found.hertz.value == pytest.approx(hertz, rel=1e-5)
    for multiple, put_in in ((2, second), (3, third)):
        if put_in > floor:
            assert dict(found.harmonics)[multiple] == pytest.approx(put_in, abs=0.5)


def test_a_wavering_tone_is_read_by_notch() -> None:
    rate = 48_000
    sound = tape(5.0, rate, [(4.0, 0.2), (9.0, 0.1)], 1.0, hertz=1000.0)
    second = 0.01 * tape(5.0, rate, [(4.0, 0.2), (9.0, 0.1)], 1.0, hertz=2000.0)
    found = tone_of(sound + second, rate, 1000.0)
    assert found.notched
    assert "flutter sidebands" in found.thd_n.why
    assert found.thd_n_db.value == pytest.approx(-40.0, abs=0.5)
    assert found.level.value == pytest.approx(20 * log10(0.3), abs=0.1)


@pytest.mark.parametrize(
    ("near", "words"),
    [(None, "no steady tone"), (2000.0, "no steady tone near 2000 Hz"), (23_000.0, "cannot be in a recording")],
)
def test_no_tone(near: float | None, words: str) -> None:
    found = read_tone(noise(-20, TIME), 48_000, near)
    assert isinstance(found, str)
    assert words in found


def test_a_tone_beside_strong_hum_is_found_when_named() -> None:
    sound = sine(-30, 997, TIME) + sine(-10, 50, TIME) + noise(-70, TIME)
    assert isinstance(read_tone(sound, 48_000), str)
    assert tone_of(sound, near=1000.0).level.value == pytest.approx(-30, abs=0.02)
