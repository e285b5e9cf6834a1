"""Quotes: right where the answer is known, and saying what they rest on."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from refettle.money import Fix, MoneyError, Work, quote
from refettle.money.quote import handy

ONE = np.array([[True]])


def plain(minutes: float, p90: float | None = None, parts: float = 0.0, name: str = "repair") -> Work:
    return Work(name, minutes, p90, parts)


def test_one_sure_repair_is_its_own_lognormal() -> None:
    """P50 and P90 of a single certain repair are those given; the mean is P50 exp(s^2 / 2)."""
    found = quote([1.0], ONE, [Fix(plain(40, 90, 6.0), {0: 1.0})], rate=30, seed=1, after=(), draws=100_000)
    assert found.minutes_p50 == pytest.approx(40, rel=0.02)
    assert found.minutes_p90 == pytest.approx(90, rel=0.02)
    spread = np.log(90 / 40) / 1.2815515655
    assert found.minutes_mean == pytest.approx(40 * np.exp(spread**2 / 2), rel=0.02)
    assert found.p50 == pytest.approx(40 * 0.5 + 6, rel=0.02)
    assert found.chance == 1.0


def test_fixed_minutes_give_exact_sums() -> None:
    """Diagnosis 20, repair 30, refit 10 minutes without spread; opening 5 and function test 4 with it; markup 50 %."""
    found = quote(
        [1.0],
        ONE,
        [Fix(plain(30, 30, 8.0), {0: 1.0}, level=1)],
        rate=60,
        seed=1,
        diagnosis=plain(20, 20, name="finding it"),
        retest=4.0,
        setup=(5.0, 9.0),
        after=(plain(10, 10, name="refit"),),
        markup=0.5,
    )
    assert {n: s for n, s, _ in found.likely} == dict.fromkeys(
        ("finding it", "repair", "function test", "opening it", "refit"), 1.0
    )
    means = {n: m for n, _, m in found.likely}
    spread = means["opening it"] + means["function test"]
    assert spread == pytest.approx(9 * np.exp(0.6**2 / 2), rel=0.05)
    assert found.minutes_mean == pytest.approx(60 + spread)
    assert found.mean == pytest.approx(60 + spread + 12)
    assert found.parts_mean == pytest.approx(12)


def test_repairs_that_fail_are_tried_again_and_then_given_up() -> None:
    found = quote([1.0], ONE, [Fix(plain(10, 10), {0: 0.5})], rate=60, seed=3, after=(), draws=50_000)
    assert found.chance == pytest.approx(1 - 0.5**3, abs=0.01)
    assert found.minutes_mean == pytest.approx(10 * (1 + 0.5 + 0.25), rel=0.02)
    none = quote([1.0], ONE, [], rate=60, seed=3, after=())
    assert none.chance == 0.0


def test_the_next_repair_is_another_one_where_there_is_one() -> None:
    fixes = [Fix(plain(10, 10, name="clean"), {0: 0.5}), Fix(plain(60, 60, name="replace"), {0: 1.0})]
    found = quote([1.0], ONE, fixes, rate=60, seed=3, after=(), draws=50_000)
    assert found.chance == 1.0
    assert found.minutes_mean == pytest.approx(10 + 0.5 * 60, rel=0.02)


def test_sets_count_by_weight_and_the_bench_is_not_charged() -> None:
    member = np.array([[True, False], [False, True], [False, False]])
    fixes = [Fix(plain(100, 100), {0: 1.0}), Fix(plain(50, 50, name="lead"), {1: 1.0})]
    found = quote([2.0, 1.0, 1.0], member, fixes, rate=60, seed=5, after=(), ignore=[1], draws=50_000)
    assert found.minutes_mean == pytest.approx(50, rel=0.02)
    assert found.nothing == pytest.approx(0.5, abs=0.01)


@given(st.floats(5, 300), st.floats(1.0, 3.0), st.floats(0, 50), st.integers(0, 10**6))
@settings(max_examples=30, deadline=None)
def test_ordered_and_repeatable(minutes: float, ratio: float, parts: float, seed: int) -> None:
    fixes = [Fix(plain(minutes, minutes * ratio, parts), {0: 0.9})]
    found = quote([1.0], ONE, fixes, rate=30, seed=seed)
    again = quote([1.0], ONE, fixes, rate=30, seed=seed)
    assert (found.p50, found.p90) == (again.p50, again.p90)
    assert 0 < found.p50 <= found.p90 <= found.ceiling
    assert found.chance_over(found.p90) <= 0.11
    assert handy(found.ceiling) == found.ceiling


def test_bad_input_is_named() -> None:
    with pytest.raises(MoneyError, match="weights: one below 0"):
        quote([0.0], ONE, [], rate=30, seed=1)
    with pytest.raises(MoneyError, match="rate: 0 found; allowed: 0"):
        quote([1.0], ONE, [], rate=0, seed=1)
    with pytest.raises(MoneyError, match="p90: 5 found; allowed: at least the P50 of 10"):
        quote([1.0], ONE, [Fix(plain(10, 5), {0: 1.0})], rate=30, seed=1)
    with pytest.raises(MoneyError, match="one row for each of 2 weights"):
        quote([1.0, 1.0], ONE, [], rate=30, seed=1)
