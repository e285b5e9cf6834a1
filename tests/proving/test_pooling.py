"""Partial pooling: it shrinks the right way, covers, and says what it leans on."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from refettle.proving.counts import ProvingError
from refettle.proving.fits import fit_beta, fit_gamma
from refettle.proving.pooling import FEW_GROUPS_WORTH, Pool, Tally, pool_chances, pool_factors


def many(seed: int, kinds: int, most: int, cases: int) -> tuple[list[Tally], dict[tuple[str, str], float]]:
    """Tallies of a bench whose true chances are known: kinds of worth 8 about 0.3, their types of worth 20."""
    rng = np.random.default_rng(seed)
    tallies, truth = [], {}
    for k in range(kinds):
        kind = rng.beta(0.3 * 8, 0.7 * 8)
        for t in range(int(rng.integers(1, most + 1))):
            chance = rng.beta(kind * 20, (1 - kind) * 20)
            tried = int(rng.integers(0, cases))
            truth[f"kind {k}", f"type {t}"] = chance
            tallies.append(Tally(f"kind {k}", f"type {t}", int(rng.binomial(tried, chance)), tried))
    return tallies, truth


@pytest.mark.parametrize(("kinds", "most", "cases"), [(20, 10, 30), (40, 4, 10), (8, 5, 15)])
def test_intervals_cover_and_pooling_is_nearer_the_truth(kinds: int, most: int, cases: int) -> None:
    inside, error, raw_error = [], 0.0, 0.0
    for seed in range(12):
        tallies, truth = many(seed, kinds, most, cases)
        found = pool_chances(tallies)
        inside += [found.types[name].low <= chance <= found.types[name].high for name, chance in truth.items()]
        overall = sum(t.count for t in tallies) / sum(t.out_of for t in tallies)
        for each in tallies:
            chance = truth[each.kind, each.type]
            raw = each.count / each.out_of if each.out_of else overall
            error += (found.types[each.kind, each.type].mean - chance) ** 2
            raw_error += (raw - chance) ** 2
    assert 0.85 < np.mean(inside) < 0.96
    assert error < 0.7 * raw_error


def test_worths_are_learned() -> None:
    tallies, _ = many(1, 60, 12, 60)
    found = pool_chances(tallies)
    assert 5 < found.kind_worth.value < 13
    assert 13 < found.type_worth.value < 30
    assert found.kind_worth.text.startswith("worth ")
    assert "learned from 60 groups" in found.kind_worth.text


def test_factors_cover() -> None:
    rng = np.random.default_rng(5)
    inside = []
    for _ in range(12):
        tallies, truth = [], {}
        for k in range(20):
            kind = rng.gamma(2.0, 0.5)
            for t in range(8):
                factor, expected = kind * rng.gamma(4.0, 0.25), float(rng.uniform(0.1, 5.0))
                truth[f"{k}", f"{t}"] = factor
                tallies.append(Tally(f"{k}", f"{t}", int(rng.poisson(factor * expected)), expected))
        found = pool_factors(tallies)
        inside += [found.types[name].low <= factor <= found.types[name].high for name, factor in truth.items()]
    assert 0.85 < np.mean(inside) < 0.95


def test_one_with_many_cases_stands_by_them_one_with_few_leans_on_its_kind() -> None:
    tallies = [Tally("lead", f"type {i}", 2 * i, 8 * i) for i in range(1, 8)]
    tallies += [Tally("lead", "often seen", 900, 1000), Tally("lead", "hardly seen", 1, 1)]
    found = pool_chances(tallies)
    assert found.of("lead", "often seen").mean == pytest.approx(0.9, abs=0.02)
    assert found.of("lead", "hardly seen").mean < 0.6
    assert found.of("lead", "hardly seen").prior < found.of("lead", "hardly seen").mean
    assert found.of("lead").mean < 0.5, "one type does not drown the rest"


def test_without_cases_it_says_what_was_shipped() -> None:
    found = pool_chances([], shipped={"re-cap": 0.8})
    assert found.of("re-cap").mean == pytest.approx(0.8)
    assert found.of("re-cap", "Larkmere 48").mean == pytest.approx(0.8)
    assert found.of("re-cap").worth == FEW_GROUPS_WORTH["chances"]
    assert "too few" not in found.kind_worth.text
    assert "an estimate: 0 of the 5 groups" in found.kind_worth.text
    nothing = pool_factors([])
    assert nothing.of("lead", "any").mean == pytest.approx(1.0)
    assert nothing.of("lead").low < 0.5
    assert nothing.of("lead").high > 2.0


def test_a_disputed_cure() -> None:
    """Shipped as near certain; the bench's jobs say otherwise, and the figure moves as far as they weigh."""
    one = pool_chances([Tally("bake the board", "Larkmere 48", 0, 1)], shipped={"bake the board": 0.9})
    ten = pool_chances([Tally("bake the board", "Larkmere 48", 1, 20)], shipped={"bake the board": 0.9})
    assert 0.7 < one.of("bake the board", "Larkmere 48").mean < 0.9
    assert ten.of("bake the board", "Larkmere 48").mean < 0.45
    assert ten.of("bake the board", "Larkmere 48").low < 0.3


TALLIES = st.lists(
    st.tuples(st.sampled_from("abcdef"), st.sampled_from("uvwxyz"), st.integers(0, 30), st.integers(0, 30)), max_size=25
)


def figures(pool: Pool) -> list[float]:
    return [v for each in (pool.kinds, pool.types) for name in sorted(each) for v in (each[name].mean, each[name].low)]  # type: ignore[attr-defined, index, type-var]


@settings(max_examples=40, deadline=None)
@given(TALLIES, st.randoms(use_true_random=False))
def test_any_tallies_in_any_order(rows: list[tuple[str, str, int, int]], random: object) -> None:
    tallies = [Tally(kind, name, bad, bad + good) for kind, name, bad, good in rows]
    for pool in (pool_chances, pool_factors):
        found = pool(tallies)
        for each in [*found.kinds.values(), *found.types.values(), found.unknown]:
            assert 0 <= each.low <= each.mean <= each.high
            assert each.mean <= 1 or found.what == "factors"
        mixed = list(tallies)
        random.shuffle(mixed)  # type: ignore[attr-defined]
        assert figures(pool(mixed)) == pytest.approx(figures(found), rel=1e-6, abs=1e-9)


@settings(max_examples=25, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 20), st.integers(1, 20)), min_size=2, max_size=12))
def test_a_fit_is_no_worse_than_its_neighbours(groups: list[tuple[int, int]]) -> None:
    from refettle.proving.fits import chance_likelihood

    y = np.array([a for a, _ in groups], dtype=float)
    n = np.array([a + b for a, b in groups], dtype=float)
    found = fit_beta(y, n)
    best = chance_likelihood(y, n, found.mean, found.worth)
    for mean in (0.9 * found.mean, 1 - 0.9 * (1 - found.mean)):
        assert chance_likelihood(y, n, mean, found.worth) <= best + 1e-6
    for worth in (0.8 * found.worth, 1.25 * found.worth):
        assert chance_likelihood(y, n, found.mean, worth) <= best + 1e-3


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: pool_chances([Tally("lead", "a", 3, 2)]), "count of lead, a: 3 found; allowed: 0 to 2"),
        (lambda: pool_factors([Tally("lead", "a", -1, 2)]), "count of lead, a: -1 found"),
        (lambda: pool_factors([Tally("lead", "a", 1, 0)]), "count of lead, a: 1 with nothing expected found"),
        (
            lambda: pool_chances([], shipped={"lead": 1.0}),
            "shipped chance of lead: 1 found; allowed: above 0 to below 1",
        ),
        (lambda: fit_beta([1], [2]), "groups: 1 with tries found; allowed: two or more"),
        (lambda: fit_beta([1, 2], [2]), "counts: 2 with 1 to hold them against found"),
        (lambda: fit_gamma([0, 0], [1, 2]), "counts: only 0 found; allowed: at least one above"),
    ],
)
def test_mistakes_are_named(make: object, message: str) -> None:
    with pytest.raises(ProvingError) as raised:
        make()  # type: ignore[operator]
    assert str(raised.value).startswith(message)
