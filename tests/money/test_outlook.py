"""Base rates in the chance to end working: own jobs take over, the model is never raised, and what is blended how."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from refettle.money import Ends, MoneyError, ends_of, outlook
from refettle.money.outlook import MOST_WORTH
from refettle.proving.base_rates import base_rates_of

chances = st.floats(0.0, 1.0)


def ends(chance: float, cases: float, worked: int = 0, jobs: int = 0) -> Ends:
    shares = (0.9 * chance, 0.1, 0.9 * (1 - chance))
    return Ends("Games console", "20 years and over", chance, 0.0, 1.0, cases, *shares, 5, 9, worked, jobs)


@given(chances, st.floats(0.1, 500.0), st.integers(0, 300), st.integers(0, 300))
def test_more_own_jobs_weigh_the_base_rate_down(chance: float, cases: float, worked: int, more: int) -> None:
    few, many = ends(chance, cases, worked, worked + 1), ends(chance, cases, worked + more, worked + more + 2)
    assert ends(chance, cases).weight == 1.0
    assert many.weight < few.weight < 1.0
    own = few.worked / few.jobs
    assert min(chance, own) - 1e-12 <= few.blended <= max(chance, own) + 1e-12


@given(chances, st.floats(0.1, 500.0), chances)
def test_own_jobs_take_over(chance: float, cases: float, share: float) -> None:
    jobs = 100_000
    worked = round(share * jobs)
    assert ends(chance, cases, worked, jobs).blended == pytest.approx(worked / jobs, abs=MOST_WORTH / jobs)


@given(chances, st.floats(0.1, 500.0), st.integers(0, 40), st.integers(0, 40), chances, chances, chances)
def test_the_model_is_lowered_and_never_raised(
    chance: float, cases: float, worked: int, failed: int, one: float, other: float, usual: float
) -> None:
    nothing, by_log = sorted((one, other))
    found = outlook(ends(chance, cases, worked, worked + failed), by_log=by_log, nothing=nothing, usual=usual)
    assert nothing - 1e-12 <= found.low <= found.chance + 1e-9
    assert found.chance - 1e-9 <= found.high <= by_log + 1e-12
    if found.ends.blended >= usual:
        assert found.chance == pytest.approx(by_log)


def test_by_hand() -> None:
    """(10 x 0.6 + 9) / (10 + 10) = 0.75; 0.75 / 0.9375 = 0.8; 0.1 + (0.9 - 0.1) x 0.8 = 0.74."""
    found = outlook(ends(0.6, 80.0, 9, 10), by_log=0.9, nothing=0.1, usual=0.9375)
    assert found.ends.worth == 10
    assert found.ends.blended == pytest.approx(0.75)
    assert found.through == pytest.approx(0.8)
    assert found.chance == pytest.approx(0.74)
    # The incomplete beta is a binomial sum, I_x(15, 5) = P(Bin(19, x) >= 15): Abramowitz and Stegun 1964, 26.5.24, from
    # memory.
    from math import comb

    for x, tail in zip(found.ends.interval, (0.05, 0.95), strict=True):
        assert sum(comb(19, k) * x**k * (1 - x) ** (19 - k) for k in range(15, 20)) == pytest.approx(tail, abs=1e-9)


def test_a_unit_that_is_seen_to_work_is_not_doubted() -> None:
    assert outlook(ends(0.2, 80.0), by_log=1.0, nothing=1.0, usual=0.95).chance == 1.0


def test_unfinished_repairs_are_taken_to_end_as_the_others() -> None:
    """Many records of one category: 600 fixed, 300 repairable, 100 end of life is 6 of 7."""
    rate = base_rates_of({("Lamp", "age not known"): [6000, 3000, 1000], ("Toaster", "age not known"): [5, 1, 4]})
    found = ends_of(rate.of("Lamp"), 2, 3, "a file")
    assert found.chance == pytest.approx(6 / 7, abs=0.005)
    assert found.low < found.chance < found.high < found.low + 0.03
    assert (found.worth, found.records, found.worked, found.jobs, found.source) == (MOST_WORTH, 10_000, 2, 3, "a file")
    few = ends_of(rate.of("Toaster"))
    assert few.high - few.low > 0.1


def test_what_cannot_be() -> None:
    rate = base_rates_of({("Lamp", "age not known"): [6, 3, 1]}).of("Lamp")
    with pytest.raises(MoneyError, match="worked: 4 of 3 jobs found; allowed: 0 to 3"):
        ends_of(rate, 4, 3)
    with pytest.raises(MoneyError, match=r"nothing: 0\.9 found; allowed: 0 to 0\.5"):
        outlook(ends_of(rate), by_log=0.5, nothing=0.9, usual=0.9)
