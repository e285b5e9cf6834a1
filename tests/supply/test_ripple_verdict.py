"""Verdicts and worth of ripple readings: bad is proved, good only as far as it goes, nothing is near 1 to 1."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from refettle.parts.capacitor import Rated
from refettle.supply.ripple import read_ripple
from refettle.supply.ripple_result import Posterior, RippleReading
from refettle.supply.ripple_verdict import diode_likelihood, grades, judge_ripple, ripple_likelihood
from refettle.supply.ripple_wave import RippleError, converter_step, flat_top
from tests.supply.ripple_made import STEP, rail, supply

NOMINAL = Rated("aluminium", 4700e-6, volt=25.0)
"""Limit of ESR 60 mohm at 120 Hz."""


def read(farad: float, esr: float, **more: object) -> RippleReading:
    known: dict[str, object] = {"mains_hz": 50.0, "load_amps": 0.6, **more}
    return read_ripple(STEP, rail(supply(farad, esr)), **known)  # type: ignore[arg-type]


def seen(ln_c: float, tau: float, spread_c: float, spread_tau: float, scaled: bool = True) -> RippleReading:
    """A reading with a given spread."""
    cov = np.diag([spread_c**2, spread_tau**2])
    return replace(AGED, posterior=Posterior(np.array([ln_c, tau]), cov, scaled))


AGED = read(2200e-6, 0.8)


@pytest.mark.parametrize(
    ("farad", "esr", "says"),
    [(2200e-6, 0.8, "bad"), (4700e-6, 0.3, "bad"), (2000e-6, 0.05, "bad"), (4700e-6, 0.03, "good")],
)
def test_verdicts(farad: float, esr: float, says: str) -> None:
    verdict = judge_ripple(read(farad, esr), NOMINAL)
    assert verdict.says == says
    worth = ripple_likelihood(read(farad, esr), NOMINAL)
    assert max(worth, key=lambda name: worth[name]) == says
    assert verdict.esr_limit == pytest.approx(0.0604, rel=0.01)


def test_a_good_part_badly_followed_is_not_called_good() -> None:
    reading = replace(read(4700e-6, 0.03), misfit=0.01)
    assert judge_ripple(reading, NOMINAL).says == "not telling"
    assert ripple_likelihood(reading, NOMINAL)["bad"] >= 1.0 / 3.0


def test_a_top_cut_off_before_the_converter_clears_no_part() -> None:
    whole = rail(supply(4700e-6, 0.3))
    cut = np.minimum(whole, np.quantile(whole, 0.75)) + np.random.default_rng(2).normal(0.0, 0.01, len(whole))
    step = converter_step(whole)
    found = read_ripple(STEP, np.round(cut / step) * step, mains_hz=50.0, load_amps=0.6)
    assert found.flat_top
    assert "the top is flat" in " ".join(found.doubts)
    assert judge_ripple(found, NOMINAL).says != "good"
    assert ripple_likelihood(found, NOMINAL)["bad"] >= 1.0 / 3.0


@pytest.mark.parametrize(("farad", "esr"), [(4700e-6, 0.03), (1000e-6, 0.02), (15e-3, 0.02)])
@pytest.mark.parametrize("phase", [0.0, 1.57, 3.14, 4.71])
def test_a_mains_with_flat_tops_is_not_taken_for_cut_off(farad: float, esr: float, phase: float) -> None:
    whole = rail(supply(farad, esr, ohm=0.15, harmonics=((3, 0.03, phase), (5, 0.04, phase))))
    assert not flat_top(whole, converter_step(whole))


def test_between_new_and_end_of_life_is_worn() -> None:
    assert judge_ripple(seen(np.log(0.75 * 4700e-6), 1e-4, 0.005, 1e-5), NOMINAL).says == "worn"


def test_the_load_not_known_clears_no_part_and_still_proves_a_dry_one() -> None:
    good, dry = read(4700e-6, 0.03, load_amps=None), read(2200e-6, 0.8, load_amps=None)
    assert judge_ripple(good, NOMINAL).says == "not telling"
    assert ripple_likelihood(good, NOMINAL)["bad"] >= 1.0 / 3.0
    assert judge_ripple(dry, NOMINAL).says == "bad"
    assert ripple_likelihood(dry, NOMINAL)["good"] < 0.1


@settings(max_examples=60, deadline=None)
@given(
    ln_c=st.floats(-3.0, 0.4),
    tau=st.floats(0.0, 5e-3),
    spread_c=st.floats(0.01, 1.0),
    spread_tau=st.floats(3e-5, 3e-3),
    scaled=st.booleans(),
)
def test_likelihoods_stay_within_bounds(
    ln_c: float, tau: float, spread_c: float, spread_tau: float, scaled: bool
) -> None:
    reading = seen(ln_c + np.log(4700e-6), tau, spread_c, spread_tau, scaled)
    worth = ripple_likelihood(reading, NOMINAL, ("good", "worn", "dead", "no volts"))
    assert max(worth.values()) == 1.0
    for bad in ("worn", "dead", "no volts"):
        assert 1.0 / 50.0 - 1e-9 <= worth["good"] / worth[bad] <= 20.0 + 1e-9
    verdict = judge_ripple(reading, NOMINAL)
    odds = worth["good"] / worth["no volts"]
    if verdict.says == "good":
        assert odds > 1.0
    if verdict.says == "bad":
        assert odds < 1.0


def test_a_capture_that_does_not_tell_is_near_one_to_one() -> None:
    assert set(ripple_likelihood(replace(AGED, posterior=None), NOMINAL).values()) == {1.0}
    worth = grades(seen(np.log(4700e-6), 3e-3, 3.0, 1.0), NOMINAL)
    assert worth["good"] / worth["bad"] == pytest.approx(1.0, abs=0.35)


def test_wider_spread_never_says_more() -> None:
    odds = [
        np.log(worth["good"] / worth["bad"])
        for spread in (1e-4, 4e-4, 2e-3, 2e-2)
        for worth in [grades(seen(np.log(4700e-6), 2e-3, 0.03, spread), NOMINAL)]
    ]
    assert odds[0] < 0.0
    assert np.abs(odds[-1]) < np.abs(odds[0])


def test_hardly_any_capacitance_is_dead() -> None:
    worth = grades(seen(np.log(50e-6), 2e-5, 0.1, 5e-5), NOMINAL)
    assert max(worth, key=lambda name: worth[name]) == "dead"


def test_needs_of_the_unit() -> None:
    short = judge_ripple(AGED, NOMINAL, AGED.valley + 0.5)  # type: ignore[operator]
    assert short.headroom == pytest.approx(-0.5)
    assert any("below the" in each for each in short.reasons)
    low = judge_ripple(AGED, NOMINAL, AGED.valley - 0.5)  # type: ignore[operator]
    assert any("at 90 % mains the valley falls" in each for each in low.reasons)
    blind = judge_ripple(replace(AGED, valley=None), NOMINAL, 7.0)
    assert any("the valley is not known" in each for each in blind.reasons)


def test_without_a_rated_voltage_the_widest_limit_proves_and_the_narrowest_clears() -> None:
    bare = Rated("aluminium", 4700e-6)
    limit = 0.154 / (2.0 * np.pi * 120.0 * 4700e-6)  # the narrowest, tan d 0.08 and 0.074 for the size
    reading = seen(np.log(4700e-6), 2.6 * limit * 4700e-6, 0.01, 1e-6)
    assert judge_ripple(reading, bare).says not in ("good", "bad")
    assert judge_ripple(AGED, bare).says == "bad"


def test_diodes() -> None:
    assert diode_likelihood(AGED) == {"good": 1.0, "dead": 1.0 / 20.0}
    dead = replace(AGED, wave="half", diode="dead")
    assert diode_likelihood(dead, ("good", "half wave")) == {"good": 1.0 / 50.0, "half wave": 1.0}
    assert set(diode_likelihood(replace(AGED, diode="either")).values()) == {1.0}


def test_refused() -> None:
    with pytest.raises(RippleError, match="part of kind 'film' found"):
        judge_ripple(AGED, Rated("film", 1e-6))
    with pytest.raises(RippleError, match="needed volts"):
        judge_ripple(AGED, NOMINAL, -1.0)
    with pytest.raises(RippleError, match="outcomes"):
        ripple_likelihood(AGED, NOMINAL, ("good",))
    with pytest.raises(RippleError, match="outcomes"):
        diode_likelihood(AGED, ("good", "good"))


def test_far_more_than_is_printed_is_a_wrong_setting_and_not_a_good_part() -> None:
    low = read(4700e-6, 0.3, load_amps=4.0)
    verdict = judge_ripple(low, NOMINAL)
    assert verdict.says == "not telling"
    assert "look at the probe's factor" in " ".join(verdict.reasons)
    assert set(ripple_likelihood(low, NOMINAL).values()) == {1.0}
