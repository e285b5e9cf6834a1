"""How many kits the parts make, against trying everything out; what a scale can tell."""

from __future__ import annotations

import random
from itertools import product
from math import sqrt

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from refettle.parts.kits import (
    KitError,
    Need,
    Scale,
    Weighed,
    buildable,
    error_allowed,
    perfect_rate,
    plan,
    weighing,
)

PARTS = "abcd"


def can_make(needs: list[Need], free: dict[str, int], count: int) -> bool:
    """By trying every way to share the kits out among each line's parts."""

    def ways(n: int, among: int) -> list[tuple[int, ...]]:
        return [w for w in product(range(n + 1), repeat=among) if sum(w) == n]

    for chosen in product(*(ways(count, len(need.parts)) for need in needs)):
        used: dict[str, int] = {}
        for need, kits in zip(needs, chosen, strict=True):
            for part, k in zip(need.parts, kits, strict=True):
                used[part] = used.get(part, 0) + k * need.quantity
        if all(n <= free.get(part, 0) for part, n in used.items()):
            return True
    return False


lines = st.lists(
    st.tuples(st.integers(1, 3), st.lists(st.sampled_from(PARTS), min_size=1, max_size=2, unique=True)),
    min_size=1,
    max_size=3,
).map(lambda found: [Need(f"line {n}", q, tuple(p)) for n, (q, p) in enumerate(found, start=1)])
stocks = st.fixed_dictionaries({part: st.integers(0, 6) for part in PARTS})


@settings(max_examples=60, deadline=None)
@given(lines, stocks)
def test_buildable_is_the_most_that_any_sharing_out_makes(needs: list[Need], free: dict[str, int]) -> None:
    made = buildable(needs, free)
    assert can_make(needs, free, made.count)
    assert not can_make(needs, free, made.count + 1)
    assert made.limits


@settings(max_examples=60, deadline=None)
@given(lines, stocks, st.integers(0, 4))
def test_a_plan_fits_into_what_is_free_and_what_it_asks_for(needs: list[Need], free: dict[str, int], n: int) -> None:
    made = plan(needs, free, n)
    used = dict.fromkeys(PARTS, 0)
    for need, fill in zip(needs, made.fills, strict=True):
        assert sum(fill.values()) == n
        for part, kits in fill.items():
            assert part in need.parts
            used[part] += kits * need.quantity
    for part in PARTS:
        assert used[part] <= free[part] + made.missing.get(part, 0)
    # with what it asks for, that many can be made; with one part fewer of any, not
    for part in [None, *made.missing]:
        got = {p: free[p] + made.missing.get(p, 0) - (p == part) for p in PARTS}
        assert can_make(needs, got, n) is (part is None)


def test_the_limiting_line_is_named_and_what_more_would_need() -> None:
    needs = [Need("C1 C4", 2, ("e100", "e100b")), Need("C7", 1, ("e10",)), Need("C9", 3, ("f1",))]
    free = {"e100": 9, "e100b": 3, "e10": 8, "f1": 100}
    found = buildable(needs, free)
    assert (found.count, found.limits) == (5, ("C1 C4",))
    assert plan(needs, free, 10).missing == {"e100": 9, "e10": 2}  # 4 + 1 kits are there; one of e100 is left over


def test_two_lines_of_one_part_share_it() -> None:
    needs = [Need("C1", 1, ("a",)), Need("C2", 2, ("a",))]
    assert buildable(needs, {"a": 8}).count == 2


def test_refusals_name_what_was_found() -> None:
    with pytest.raises(KitError, match=r"C1: quantity 0 found; allowed: 1 or more"):
        Need("C1", 0, ("a",))
    with pytest.raises(KitError, match=r"each once"):
        Need("C1", 1, ("a", "a"))
    with pytest.raises(KitError, match=r"lines: none found"):
        buildable([], {})


@pytest.mark.parametrize(
    ("e", "k", "percent"),
    [(0.005, 8, 96.1), (0.005, 15, 92.8), (0.005, 25, 88.2), (0.005, 40, 81.8), (0.001, 25, 97.5)],
)
def test_kit_perfect_rates(e: float, k: int, percent: float) -> None:
    """Table of kit assembly: common practice, no source."""
    assert 100 * perfect_rate(e, k) == pytest.approx(percent, abs=0.06)


def test_error_allowed_is_the_way_back() -> None:
    """0.02 % a line for 99.5 % at 25 lines: common practice, no source."""
    assert error_allowed(0.995, 25) == pytest.approx(0.0002, abs=1e-6)
    assert perfect_rate(error_allowed(0.97, 12), 12) == pytest.approx(0.97)


def test_noise_of_a_weight_by_drawing() -> None:
    """The sum of squares against a drawn bench: display steps, spread of scale, parts and lots."""
    kit = [Weighed("C1", 1.2, 4), Weighed("C7", 0.4, 2)]
    scale = Scale(0.05, 0.02, 0.03, 0.02)
    found = weighing(kit, scale)
    rng = random.Random(5)

    def shown(load: float) -> float:
        return round((load + rng.gauss(0, scale.spread)) / scale.resolution) * scale.resolution

    drawn = []
    for _ in range(20_000):
        bags = rng.uniform(1, 2)
        load = bags
        for line in kit:
            lot = rng.gauss(1, scale.lot_spread)
            load += sum(line.gram * (lot + rng.gauss(0, scale.part_spread)) for _ in range(line.quantity))
        drawn.append(shown(load) - shown(bags))
    mean = sum(drawn) / len(drawn)
    assert mean == pytest.approx(found.expected, abs=0.005)
    assert sqrt(sum((x - mean) ** 2 for x in drawn) / len(drawn)) == pytest.approx(found.noise, rel=0.03)


def test_a_scale_too_coarse_proves_nothing() -> None:
    kit = [Weighed("470u", 1.9, 2), Weighed("1u", 0.25, 1)]
    fine, coarse = weighing(kit, Scale(0.01, 0.005, 0.01, 0.005), 2.0), weighing(kit, Scale(0.1, 0.05), 2.0)
    assert fine.proves
    assert not coarse.proves
    assert fine.lightest == "1u"
    assert fine.good(6.05 + 0.12)
    assert not fine.good(6.05 - 0.25)
    assert fine.missed < 0.002 < 0.05 < coarse.missed


def test_parts_that_weigh_alike_are_named() -> None:
    kit = [Weighed("10u", 0.50, 1), Weighed("22u", 0.52, 2), Weighed("1000u", 3.1, 1)]
    assert weighing(kit, Scale(0.01, 0.005)).alike == (("10u", "22u"),)
