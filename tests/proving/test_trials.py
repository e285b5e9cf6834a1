"""Limits, trials needed, and what may be claimed: by enumeration, never by chance."""

from __future__ import annotations

from math import comb

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from refettle.proving.counts import Counts, ProvingError, interval, lower_limit, percent, upper_limit
from refettle.proving.trials import (
    Series,
    any_time_limit,
    chance_of_run,
    claim,
    good_needed,
    more_good,
    needed,
    passes_unrepaired,
)

RATES = st.floats(0.005, 0.995)
CONFIDENCES = st.sampled_from([0.6, 0.8, 0.9, 0.95, 0.99])


def chance(bad: int, tries: int, rate: float) -> float:
    return comb(tries, bad) * rate**bad * (1 - rate) ** (tries - bad)


@settings(max_examples=40, deadline=None)
@given(st.integers(1, 30), RATES, CONFIDENCES)
def test_limits_cover_at_least_what_they_say(tries: int, rate: float, confidence: float) -> None:
    both = upper = lower = 0.0
    for bad in range(tries + 1):
        counts, weight = Counts(bad, tries), chance(bad, tries, rate)
        found = interval(counts, confidence)
        both += weight * (found.low <= rate <= found.high)
        upper += weight * (rate <= upper_limit(counts, confidence))
        lower += weight * (rate >= lower_limit(counts, confidence))
    assert min(both, upper, lower) >= confidence - 1e-9


@settings(deadline=None)
@given(st.integers(0, 200), st.integers(0, 200), CONFIDENCES)
def test_limits_move_the_right_way(bad: int, good: int, confidence: float) -> None:
    counts = Counts(bad, bad + good)
    one_worse, one_better = counts + Counts(1, 1), counts + Counts(0, 1)
    for limit in (upper_limit, lower_limit, any_time_limit):
        assert limit(one_better, confidence) <= limit(counts, confidence) + 1e-9
        assert limit(counts, confidence) <= limit(one_worse, confidence) + 1e-9
    assert lower_limit(counts, confidence) <= counts.rate <= upper_limit(counts, confidence)
    assert any_time_limit(counts, confidence) >= upper_limit(counts, confidence) - 1e-9


@settings(deadline=None)
@given(st.floats(0.002, 0.9), CONFIDENCES, st.integers(0, 5))
def test_trials_needed_are_the_fewest(rate: float, confidence: float, failures: int) -> None:
    n = good_needed(rate, confidence, failures)

    def passes(tries: int) -> float:
        return sum(chance(bad, tries, rate) for bad in range(failures + 1))

    assert passes(n) <= (1 - confidence) * (1 + 1e-6)
    assert n - 1 <= failures or passes(n - 1) > (1 - confidence) * (1 - 1e-6)
    assert upper_limit(Counts(failures, n), confidence) <= rate * (1 + 1e-6)


@pytest.mark.parametrize(("rate", "confidence"), [(0.1, 0.95), (0.3, 0.9), (0.02, 0.8)])
def test_the_any_time_limit_holds_however_one_stops(rate: float, confidence: float) -> None:
    """The chance that it is ever below a true rate, over 250 trials, each looked at: never above 1 - confidence."""
    alive, caught = {0: 1.0}, 0.0
    for tries in range(1, 251):
        after: dict[int, float] = {}
        for bad, mass in alive.items():
            after[bad] = after.get(bad, 0.0) + mass * (1 - rate)
            after[bad + 1] = after.get(bad + 1, 0.0) + mass * rate
        alive = {}
        for bad, mass in after.items():
            if bad < rate * tries and any_time_limit(Counts(bad, tries), confidence) < rate:
                caught += mass
            elif mass > 1e-9:
                alive[bad] = mass
    assert 0.3 * (1 - confidence) < caught <= 1 - confidence


def test_looking_is_free_while_none_was_bad() -> None:
    """A run from the first trial on passes by luck as often as a count fixed in advance."""
    assert chance_of_run(0.1, 29, 29) == pytest.approx(0.9**29)
    assert more_good(Counts(0, 0), 0.1, way="at any time") - more_good(Counts(0, 0), 0.1) <= 4


def test_a_run_of_good_trials_by_enumeration() -> None:
    rate, run, trials = 0.3, 3, 9
    found = 0.0
    for pattern in range(2**trials):
        text = f"{pattern:0{trials}b}"
        if "0" * run in text:
            found += rate ** text.count("1") * (1 - rate) ** text.count("0")
    assert chance_of_run(rate, run, trials) == pytest.approx(found)


def test_needed_after_a_repair() -> None:
    found = needed(Counts(3, 10))
    assert (found.trials, percent(found.rate)) == (25, "11.6 %")
    assert found.text.startswith("25 good trials in a row show a failure rate below 11.6 % (3 bad of 10 before")
    assert needed(Counts(3, 10), failures=1).trials > 25
    with pytest.raises(ProvingError, match="before: 0 bad of 10 found; allowed: at least 1 bad"):
        needed(Counts(0, 10))


@settings(deadline=None)
@given(RATES)
def test_a_repair_that_did_nothing_seldom_passes(rate: float) -> None:
    assert passes_unrepaired(10, rate) < 0.016


def test_a_claim_over_all_series() -> None:
    alone = claim([Series(Counts(0, 29), planned=29)], conditions=["cold"])
    assert alone.text == (
        "29 good of 29, cold: failure rate below 9.9 % at 95 % confidence, under these conditions only"
    )  # fmt: skip
    again = claim([Series(Counts(2, 6), planned=29), Series(Counts(0, 29), planned=29)])
    assert again.counts == Counts(2, 35)
    assert again.way == "at any time"
    assert again.rate > upper_limit(Counts(2, 35))
    second = claim([Series(Counts(2, 6), 29, ended="repair"), Series(Counts(0, 29), 29)])
    assert (second.tried, second.counts) == (2, Counts(0, 29))
    assert second.rate == pytest.approx(upper_limit(Counts(0, 29), 0.975))
    assert second.alone == pytest.approx(alone.rate)
    assert "over the 2 series tried" in second.text
    refit = claim([Series(Counts(0, 29), 29, ended="refit"), Series(Counts(0, 29), 29)])
    assert (refit.tried, refit.rate) == (1, alone.rate)


def test_few_trials_claim_no_rate() -> None:
    assert claim([Series(Counts(0, 0))]).text == "not tried"
    assert claim([Series(Counts(0, 1), 1)]).text == "1 good of 1: too few for a failure rate"
    assert not claim([Series(Counts(5, 5))]).shows


@pytest.mark.parametrize(
    ("value", "towards", "text"),
    [
        (0.0981, "up", "9.9 %"),
        (0.0981, "down", "9.8 %"),
        (0.05, "up", "5 %"),
        (0.0009985, "up", "0.1 %"),
        (0.000321, "near", "0.032 %"),
        (0.0, "up", "0 %"),
        (1.0, "up", "100 %"),
    ],
)
def test_percent_never_claims_more(value: float, towards: str, text: str) -> None:
    assert percent(value, towards) == text  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: Counts(4, 3), "bad: 4 of 3 found; allowed: 0 to 3"),
        (lambda: Counts(0, -1), "tries: -1 found; allowed: 0 to 1e"),
        (lambda: Counts(1.5, 3), "bad: 1.5 found; allowed: a whole number"),  # type: ignore[arg-type]
        (lambda: good_needed(0.0), "rate: 0 found; allowed: above 0 to below 1"),
        (lambda: good_needed(0.1, 1.0), "confidence: 1 found; allowed: 0.5 to 0.9999"),
        (lambda: good_needed(1e-8), "rate: 1e-08 found; allowed: one that 1000000 trials can show"),
        (lambda: claim([]), "series: none found; allowed: at least one"),
    ],
)
def test_mistakes_are_named(make: object, message: str) -> None:
    with pytest.raises(ProvingError) as raised:
        make()  # type: ignore[operator]
    assert str(raised.value).startswith(message)
