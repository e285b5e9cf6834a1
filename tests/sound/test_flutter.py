"""Tape speed, wow and flutter of tapes made by arithmetic."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from refettle.sound import ArraySource, SoundError, Stopped
from refettle.sound.flutter import Flutter, read_flutter
from tests.sound.signals import Array, noise, tape, times

RATE = 44_100


def flutter_of(samples: Array, nominal: float = 3150.0, rate: int = RATE) -> Flutter:
    found = read_flutter(ArraySource(samples, rate), nominal)
    assert isinstance(found, Flutter), found
    return found


@settings(max_examples=12, deadline=None)
@given(
    speed=st.floats(-6.0, 6.0),
    hertz=st.floats(0.5, 40.0),
    peak=st.floats(0.02, 0.8),
    noise_db=st.floats(35.0, 60.0),
)
def test_speed_and_a_line_of_flutter(speed: float, hertz: float, peak: float, noise_db: float) -> None:
    found = flutter_of(tape(12.0, RATE, [(hertz, peak)], speed, noise_db=noise_db))
    assert found.speed.value == pytest.approx(speed, abs=0.02)
    assert found.unweighted.value == pytest.approx(0.9969 * peak, rel=0.05, abs=0.015)
    assert found.lines[0].hertz == pytest.approx(hertz, abs=0.05)
    assert found.lines[0].peak == pytest.approx(peak, rel=0.08, abs=0.002)


def test_several_lines_point_to_their_parts() -> None:
    found = flutter_of(tape(30.0, RATE, [(0.5, 0.1), (6.2, 0.1), (40.0, 0.2)], noise_db=50.0))
    assert {round(each.hertz, 1) for each in found.lines} == {0.5, 6.2, 40.0}
    parts = {round(each.hertz, 1): each.may for each in found.lines}
    assert "reel" in parts[0.5]
    assert "capstan" in parts[6.2]
    assert "motor" in parts[40.0]


def test_dropouts_are_bridged() -> None:
    sound = tape(30.0, RATE, [(4.0, 0.1)], noise_db=60.0)
    whole = flutter_of(sound).weighted.value
    for k in range(10):
        at = int((2 + 2.7 * k) * RATE)
        sound[at : at + int(0.02 * RATE)] *= 0.01
    found = flutter_of(sound)
    assert found.weighted.value == pytest.approx(whole, abs=0.002)
    assert found.masked == pytest.approx(0.4, abs=0.1)
    assert any("dropouts bridged" in note for note in found.notes)


def test_drift_is_told_apart() -> None:
    found = flutter_of(tape(30.0, RATE, drift=0.5))
    assert found.drift.value == pytest.approx(0.5 * 28 / 30, abs=0.01)
    assert (found.weighted.value or 1.0) < 0.005
    assert (found.unweighted.value or 1.0) < 0.02


def test_hum_and_clipping_do_not_matter() -> None:
    time = times(10.0, RATE)
    sound = np.clip(4.0 * tape(10.0, RATE, [(4.0, 0.1)], 1.3), -1, 1) + 0.2 * np.sin(2 * np.pi * 50 * time)
    found = flutter_of(sound)
    assert found.weighted.value == pytest.approx(0.0997, abs=0.002)
    assert found.speed.value == pytest.approx(1.3, abs=0.005)


def test_a_tape_of_the_other_tone_is_suspected() -> None:
    found = flutter_of(tape(8.0, RATE, hertz=3000.0))
    assert found.speed.value == pytest.approx(-4.762, abs=0.01)
    assert "is it a 3000 Hz tape" in found.notes[0]


@pytest.mark.parametrize(
    ("samples", "words"),
    [
        (noise(-20, times(10.0, RATE)), "no steady tone near 3150 Hz"),
        (tape(5.0, RATE), "record 7 s"),
        (np.zeros(10 * RATE), "no steady tone"),
    ],
)
def test_refused(samples: Array, words: str) -> None:
    found = read_flutter(ArraySource(samples, RATE), 3150.0)
    assert isinstance(found, str)
    assert words in found


def test_bad_wishes() -> None:
    source = ArraySource(tape(8.0, RATE), RATE)
    with pytest.raises(SoundError, match="tape tone: 50 Hz found"):
        read_flutter(source, 50.0)
    with pytest.raises(Stopped):
        read_flutter(source, 3150.0, stop=lambda: True)
    slow = read_flutter(ArraySource(np.zeros(80_000), 8000), 3500.0)
    assert isinstance(slow, str)
    assert "cannot hold a tone" in slow
