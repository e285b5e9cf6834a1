"""The sequential test: what it says, and that the enumeration keeps its chances."""

from __future__ import annotations

import itertools

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from refettle.proving.counts import Counts, ProvingError
from refettle.proving.sequential import boundaries, characteristics, decide, fixed_plan, follow, sequential_test


def test_decisions() -> None:
    test = sequential_test(0.02, 0.2, 0.05, 0.1)
    assert test.longest == 45
    start = decide(test, Counts(0, 0))
    assert (start.says, start.good_to_pass, start.bad_to_fail) == ("go on", 12, 2)
    assert (
        start.text
        == "go on: nothing tried yet; 12 good in a row would pass, 2 bad in a row would fail, 45 trials at most"
    )
    assert decide(test, Counts(0, 12)).says == "pass"
    assert decide(test, Counts(2, 2)).says == "fail"
    middle = decide(test, Counts(1, 10))
    assert (middle.says, middle.good_to_pass, middle.bad_to_fail) == ("go on", 14, 2)
    ended = decide(test, Counts(3, 45))
    assert ended.says == "no decision"
    assert ended.text.startswith("no decision after 45 trials: 3 bad of 45; failure rate below ")
    assert ended.limit > 3 / 45


def test_the_first_line_crossed_stands() -> None:
    test = sequential_test(0.02, 0.2, 0.05, 0.1)
    found = follow(test, [False] * 12 + [True] * 5)
    assert (found.says, found.counts) == ("pass", Counts(0, 12))
    assert follow(test, [True, True, False]).counts == Counts(2, 2)
    assert follow(test, []).says == "go on"


RATES = st.tuples(st.floats(0.01, 0.3), st.floats(2.0, 8.0)).map(lambda t: (t[0], min(0.9, t[0] * t[1])))


@settings(max_examples=25, deadline=None)
@given(RATES, st.floats(0.0, 1.0), st.sampled_from([0.05, 0.1, 0.2]))
def test_chances_add_up_and_fall_with_the_rate(rates: tuple[float, float], rate: float, error: float) -> None:
    test = sequential_test(*rates, error, error)
    found = characteristics(test, rate)
    assert found.passes + found.fails + found.undecided == pytest.approx(1.0)
    assert 0 < found.trials <= test.longest
    worse = characteristics(test, min(1.0, rate + 0.05))
    assert worse.passes <= found.passes + 1e-8
    assert worse.fails >= found.fails - 1e-8
    # Wald's bound: neither error is above the wanted one over 1 less the other.
    assert characteristics(test, rates[0]).fails <= error / (1 - error) + 1e-12
    assert characteristics(test, rates[1]).passes <= error / (1 - error) + 1e-12


def test_enumeration_against_every_order_of_trials() -> None:
    rate, longest = 0.25, 12
    test = sequential_test(0.05, 0.4, 0.1, 0.1, longest)
    sums = {"pass": 0.0, "fail": 0.0, "no decision": 0.0}
    trials = 0.0
    for order in itertools.product((False, True), repeat=longest):
        chance = rate ** sum(order) * (1 - rate) ** (longest - sum(order))
        found = follow(test, order)
        sums[found.says] += chance
        trials += chance * found.counts.tries
    exact = characteristics(test, rate)
    assert (exact.passes, exact.fails, exact.undecided) == pytest.approx(tuple(sums.values()))
    assert exact.trials == pytest.approx(trials)


@settings(max_examples=25, deadline=None)
@given(RATES, st.integers(0, 40), st.integers(0, 40))
def test_what_is_still_needed_is_enough_and_no_more(rates: tuple[float, float], bad: int, good: int) -> None:
    test = sequential_test(*rates, 0.1, 0.1)
    counts = Counts(bad, bad + good)
    found = decide(test, counts)
    if found.good_to_pass is not None:
        assert decide(test, counts + Counts(0, found.good_to_pass)).says == "pass"
        assert decide(test, counts + Counts(0, found.good_to_pass - 1)).says == "go on"
    if found.bad_to_fail is not None:
        assert decide(test, counts + Counts(found.bad_to_fail, found.bad_to_fail)).says == "fail"
    most, fewest = boundaries(test, counts.tries)
    assert (found.says == "pass") == (counts.tries > 0 and most is not None and bad <= most)
    assert (found.says == "fail") == (counts.tries > 0 and bad >= fewest)


def test_the_fixed_plan_beside_it_keeps_both_chances_and_costs_more() -> None:
    plan, test = fixed_plan(0.02, 0.2), sequential_test(0.02, 0.2)
    assert (plan.trials, plan.allowed) == (18, 1)
    assert plan.alpha <= 0.05
    assert plan.beta <= 0.1
    assert characteristics(test, 0.02).trials < plan.trials


def test_mistakes_are_named() -> None:
    with pytest.raises(ProvingError, match=r"^p0: 0.2 with p1 0.1 found; allowed: p0 below p1$"):
        sequential_test(0.2, 0.1)
    with pytest.raises(ProvingError, match=r"^alpha: 0.6 found; allowed: 0.001 to 0.4$"):
        sequential_test(0.1, 0.2, 0.6)
