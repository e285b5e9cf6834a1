"""Lot sizes, reorder points and pooled rates against published examples."""

from __future__ import annotations

from itertools import combinations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from refettle.ordering.demand import Used, poisson_point, pooled_points
from refettle.ordering.lots import LotError, economic_lot, known_lots


def test_quantity_discount_of_the_textbook() -> None:
    """Krajewski and Ritzman, Operations Management, quantity discounts: demand, order cost and holding as course texts
    repeat them; prices and breaks from memory. The costs of the other two quantities are computed."""
    breaks = [(1, 60.0), (300, 58.8), (500, 57.0)]
    best = economic_lot(936, 45.0, 0.25, breaks)
    assert best.quantity == 500
    assert best.cost == pytest.approx(56_998.74, abs=0.005)
    assert economic_lot(936, 45.0, 0.25, breaks[:1]).quantity == 75
    assert economic_lot(936, 45.0, 0.25, breaks[:1]).cost == pytest.approx(57_284.10, abs=0.005)
    assert economic_lot(936, 45.0, 0.25, breaks[1:2]).cost == pytest.approx(57_382.20, abs=0.005)


def test_a_published_exercise_with_five_prices() -> None:
    """A solved exercise of a course on inventory: 800 a year, 60 an order, 30 % holding. Optimum 200, cost 40,080."""
    breaks = [(1, 53.0), (50, 51.5), (100, 49.5), (200, 48.0), (500, 47.0)]
    best = economic_lot(800, 60.0, 0.3, breaks)
    assert (best.quantity, best.price) == (200, 48.0)
    assert best.cost == pytest.approx(40_080.0)
    assert economic_lot(800, 60.0, 0.3, breaks[2:3]).cost == pytest.approx(40_822.5)
    assert economic_lot(800, 60.0, 0.3, breaks[4:]).cost == pytest.approx(41_221.0)


def test_a_published_exercise_inside_the_last_break() -> None:
    """A solved exercise: 15,000 a year, 110 an order, 20 % holding; the root 812.4 lies in the last break."""
    breaks = [(1, 30.0), (251, 28.0), (501, 26.0), (751, 25.0)]
    best = economic_lot(15_000, 110.0, 0.2, breaks, whole=False)
    assert best.quantity == pytest.approx(812.4, abs=0.01)
    assert best.cost == pytest.approx(379_062, abs=0.5)
    assert economic_lot(15_000, 110.0, 0.2, breaks).quantity == 812


def test_the_twelve_months_of_wagner_and_whitin() -> None:
    """Wagner and Whitin 1958, table 1: demand, set-up costs and the total of 864 from memory; the rest computed."""
    demand = [69, 29, 36, 61, 61, 26, 34, 67, 45, 67, 79, 56]
    setup = [85, 102, 102, 101, 98, 114, 105, 86, 119, 110, 98, 114]
    found = known_lots(demand, setup, 1.0)
    assert found.cost == 864.0
    assert found.upto == (85, 114, 186, 277, 348, 400, 469, 555, 600, 710, 789, 864)
    assert sum(pieces for _, pieces in found.orders) == sum(demand)


@given(
    st.lists(st.integers(0, 9), min_size=1, max_size=7).filter(any),
    st.lists(st.integers(1, 20), min_size=7, max_size=7),
    st.integers(0, 5),
)
@settings(max_examples=60, deadline=None)
def test_lots_against_every_set_of_periods(demand: list[int], setup: list[int], holding: int) -> None:
    def cost(periods: tuple[int, ...]) -> int:
        total = sum(setup[p] for p in periods)
        for n, pieces in enumerate(demand):
            if pieces:
                total += holding * pieces * (n - max(p for p in periods if p <= n))
        return total

    first = next(n for n, pieces in enumerate(demand) if pieces)
    every = [c for k in range(1, len(demand) + 1) for c in combinations(range(len(demand)), k) if c[0] <= first]
    found = known_lots(demand, setup[: len(demand)], float(holding))
    assert found.cost == min(cost(c) for c in every)
    assert cost(tuple(p for p, _ in found.orders)) == found.cost


@pytest.mark.parametrize(
    ("mean", "points"),
    [(0.5, (1, 2, 2)), (1, (2, 3, 3)), (2, (4, 5, 5)), (3, (5, 6, 7)), (5, (8, 9, 10)), (8, (12, 13, 14)),
     (12, (17, 18, 20)), (20, (26, 28, 30))],
)  # fmt: skip
def test_reorder_points_of_the_poisson_table(mean: float, points: tuple[int, int, int]) -> None:
    """Smallest s with P(D <= s) >= 90, 95, 98 %: by the terms of the series, summed exactly elsewhere (common
    practice, no source for the table itself)."""
    assert tuple(poisson_point(mean, target) for target in (0.9, 0.95, 0.98)) == points


PUMPS = {"1": (5, 94.32), "2": (1, 15.72), "3": (5, 62.88), "4": (14, 125.76), "5": (3, 5.24), "6": (19, 31.44),
         "7": (1, 1.048), "8": (1, 1.048), "9": (4, 2.096), "10": (22, 10.48)}  # fmt: skip


def test_pooled_rates_of_the_ten_pumps() -> None:
    """Gaver and O'Muircheartaigh 1987, pumps (data from memory): shape .82227, rate 1.25895 by maximum likelihood,
    and the posterior rates, computed once with another optimiser."""
    found = pooled_points([Used(p, y, t) for p, (y, t) in PUMPS.items()], dict.fromkeys(PUMPS, 1.0))
    rates = [each.mean for each in found]
    expected = [0.0609, 0.1073, 0.0908, 0.1167, 0.5881, 0.6062, 0.7899, 0.7899, 1.4374, 1.9441]
    assert rates == pytest.approx(expected, abs=2e-4)
    assert all(each.way == "pooled" for each in found)


def test_a_part_nobody_used_leans_on_the_others_and_one_with_much_history_on_itself() -> None:
    history = [Used(f"p{n}", 3 + n % 3, 365.0) for n in range(12)] + [Used("much", 4_000, 36_500.0)]
    new, much = pooled_points(history, {"new": 30.0, "much": 30.0}, 0.95)
    assert new.point >= 1
    assert much.mean == pytest.approx(4_000 / 36_500 * 30, rel=0.01)
    assert much.point in (poisson_point(much.mean, 0.95), poisson_point(much.mean, 0.95) + 1)
    assert new.held >= 0.95


def test_what_is_refused() -> None:
    with pytest.raises(LotError, match="breaks: found 5, 5; allowed: rising"):
        economic_lot(10, 1, 0.1, [(5, 2.0), (5, 1.0)])
    with pytest.raises(LotError, match="demand of period 2: found nan"):
        known_lots([1, float("nan")], 1.0, 1.0)
    with pytest.raises(LotError, match="most: found 3; allowed: at least 5"):
        economic_lot(10, 1, 0.1, [(5, 2.0)], most=3)
