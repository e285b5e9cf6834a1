"""Graded likelihoods that fit the library's checks, and before against after."""

from __future__ import annotations

import numpy as np
import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st

from refettle.knowledge import schema
from refettle.knowledge.compile import compile_type
from refettle.knowledge.loading import load_library, load_shipped_type
from refettle.sound import SoundError, SoundReading, read_sound
from refettle.sound.compare import Change, compare
from refettle.sound.evidence import (
    MOST_BAD,
    MOST_GOOD,
    SIGNS,
    SOUND_OUTCOMES,
    SPEED_OUTCOMES,
    grade,
    grades,
    likelihood,
    speed_likelihood,
)
from refettle.sound.words import figures
from tests.sound.signals import noise, sine, tape, times

RATE = 44_100
TIME = times(8.0, RATE)


def reading(hum: float = -90.0, hiss: float = -80.0, usual: float | None = -20.0, level: float = -20.0) -> SoundReading:
    """Four seconds of a tone, then four of what lies under it: hum and hiss [dBFS]."""
    sound = sine(hum, 100.02, TIME) + noise(hiss, TIME)
    fade = np.clip((4.0 - TIME) / 0.05, 0.0, 1.0)  # a tone cut off at once would be a click
    sound += fade * sine(level, 997, TIME)
    return read_sound(np.stack([sound, sound], axis=1), RATE, usual_dbfs=usual)


def best(odds: dict[str, float]) -> str:
    return max(odds, key=lambda each: odds[each])


def test_the_names_are_those_of_the_library() -> None:
    library = load_library()
    assert dict(SOUND_OUTCOMES) == {name: tuple(signs) for name, signs in library.points["sound"].outcomes.items()}
    assert set(SIGNS) == set(schema.SIGNS)
    check = library.kinds["tape-mechanism"].checks["speed-tone"]
    assert tuple(check.outcomes) == SPEED_OUTCOMES
    compiled = compile_type(load_shipped_type("wexcombe-table")).model
    found = likelihood(reading())
    assert set(found) == set(next(each for each in compiled.checks if each.id == "sound").outcomes)
    assert yaml.safe_load("good: 1") == {"good": 1}


@pytest.mark.parametrize(
    ("given", "outcome"),
    [
        ({}, "good"),
        ({"hum": -30.0}, "hum"),
        ({"hiss": -40.0}, "crackle or hiss"),
        ({"level": -45.0}, "quiet"),
        ({"level": -5.0}, "too loud"),
        ({"level": -90.0}, "no sound"),
    ],
)
def test_what_a_recording_says(given: dict[str, float], outcome: str) -> None:
    found = likelihood(reading(**given))
    assert best(found) == outcome
    assert max(found.values()) == 1.0
    assert min(found.values()) > 0.0


def test_one_side() -> None:
    sound = sine(-20, 997, TIME) + noise(-80, TIME)
    found = read_sound(np.stack([sound, noise(-80, TIME, 2)], axis=1), RATE)
    assert best(likelihood(found)) == "one channel missing"
    assert best(likelihood(found, {"no sound": ["dead"], "weak": ["low"]}, "left")) == "good"
    assert best(likelihood(found, {"no sound": ["dead"], "weak": ["low"]}, "right")) == "no sound"


def test_what_was_not_measured_says_nothing() -> None:
    odds = {each.sign: each.odds for each in grades(reading(usual=None))}
    assert odds["low"] == odds["high"] == odds["slow"] == 1.0
    silent = read_sound(noise(-70, TIME), RATE)
    quiet = {each.sign: each.odds for each in grades(silent, played=False)}
    assert quiet["dead"] == 1.0
    assert quiet["hum"] == 1.0  # no level to set it against
    assert {each.sign: each.odds for each in grades(silent)}["dead"] > 20


def test_hum_is_no_hiss() -> None:
    odds = {each.sign: each.odds for each in grades(reading(hum=-25.0))}
    assert odds["hum"] > 10
    assert odds["noise"] <= 1.0


@given(value=st.floats(-100, 100), middle=st.floats(-50, 50), half=st.floats(0.5, 10), plus_minus=st.floats(0, 50))
def test_unsure_figures_say_less(value: float, middle: float, half: float, plus_minus: float) -> None:
    sure, unsure = grade(value, middle, half), grade(value, middle, half, plus_minus)
    assert 1 / MOST_GOOD <= unsure <= MOST_BAD
    assert abs(np.log(unsure)) <= abs(np.log(sure)) + 1e-9
    assert (unsure - 1) * (sure - 1) >= 0


@pytest.mark.parametrize(
    ("speed", "wavers", "outcome"),
    [(0.3, 0.08, "good"), (3.0, 0.08, SPEED_OUTCOMES[0]), (0.2, 0.6, SPEED_OUTCOMES[1])],
)
def test_speed(speed: float, wavers: float, outcome: str) -> None:
    found = read_sound(tape(10.0, RATE, [(4.0, wavers)], speed, noise_db=50.0), RATE, tape_hz=3150)
    assert best(speed_likelihood(found)) == outcome
    assert ("slow" in {finding.sign for finding in found.findings}) == (outcome != "good")


def test_a_tape_of_the_other_tone_is_not_held_against_the_deck() -> None:
    found = read_sound(tape(10.0, RATE, [(4.0, 0.08)], noise_db=50.0, hertz=3000.0), RATE, tape_hz=3150)
    odds = speed_likelihood(found)
    assert odds[SPEED_OUTCOMES[0]] == odds["good"]
    says = next(each for each in found.findings if each.sign == "slow")
    assert "right if it is 3000 Hz" in says.says
    assert says.points_to[0].startswith("a 3000 Hz tape")


def test_a_tape_tone_with_flutter_is_no_noise() -> None:
    found = read_sound(tape(10.0, RATE, [(6.0, 0.3)], noise_db=50.0, hertz=3000.0), RATE)
    assert "noise" not in {each.sign for each in found.findings}
    assert found.channels[0].noise.plain.why.startswith("a tone at 3")
    assert likelihood(found)["crackle or hiss"] <= likelihood(found)["good"]


def test_refused() -> None:
    found = reading()
    with pytest.raises(SoundError, match="no tape tone named"):
        speed_likelihood(found)
    with pytest.raises(SoundError, match="signs: dirty found; allowed: dead"):
        likelihood(found, {"dirty": ["dirty"]})
    with pytest.raises(SoundError, match="outcomes"):
        likelihood(found, {"good": ["hum"]})
    with pytest.raises(SoundError, match="channel: 'mono' found; allowed: left, right"):
        grades(found, "mono")


def of(changes: tuple[Change, ...], what: str) -> Change:
    return next(each for each in changes if each.what == what)


def test_before_and_after() -> None:
    changes = compare(reading(hum=-40.0), reading(hum=-62.0)).changes
    hum = of(changes, "hum, 2 times the mains")
    assert hum.difference is not None
    assert hum.difference.value == pytest.approx(-22, abs=0.3)
    assert hum.says == "better"
    assert of(changes, "noise, A-weighted").says in ("the same", "better")
    assert of(changes, "tone").says == "the same"
    assert of(compare(reading(hum=-62.0), reading(hum=-40.0)).changes, "hum").says == "worse"


def test_a_hum_that_went_is_better_and_one_that_came_is_worse() -> None:
    humming, clean = reading(hum=-40.0), reading(hum=-140.0)
    gone, came = (of(compare(*pair).changes, "hum") for pair in ((humming, clean), (clean, humming)))
    assert (gone.says, gone.beyond, came.says) == ("better", True, "worse")
    assert gone.difference is None
    assert "after: no line of the mains found" in gone.why
    assert "dB less" in gone.why
    faint = reading(hum=-140.0, hiss=-45.0)
    assert of(compare(reading(hum=-80.0), faint).changes, "hum").says == "cannot be compared"


def test_another_setting_does_not_matter_beside_a_tone() -> None:
    changes = compare(reading(hum=-50.0, hiss=-70.0), reading(hum=-60.0, hiss=-80.0, level=-30.0)).changes
    assert of(changes, "hum").says == "the same"
    assert of(changes, "noise, A-weighted").says == "the same"
    assert of(changes, "tone").says == "changed"


def test_the_same_recording_twice_is_the_same() -> None:
    one = reading(hum=-50.0)
    assert {each.says for each in compare(one, one).changes} <= {"the same", "cannot be compared"}
    mono = read_sound(noise(-40, TIME), RATE)
    with pytest.raises(SoundError, match="channels: 2 before and 1 after"):
        compare(one, mono)


def test_in_words() -> None:
    told = figures(reading(hum=-50.0))
    assert told["hum, 2 x mains, left"].startswith("100.02 Hz, −50.0 ±")
    assert not any("withheld" in value for value in told.values())
