"""Proving and pooling against published figures.

Each figure names where it was read. 'From memory' means that the source was not read again; 'recomputed' that the
figure was worked out here a second way, or agrees with a public program.
"""

from __future__ import annotations

import random

import pytest

from refettle.proving.compare import compare, power
from refettle.proving.counts import Counts, interval
from refettle.proving.fits import fit_beta, fit_gamma
from refettle.proving.sequential import characteristics, sequential_test
from refettle.proving.trials import chance_of_run, good_needed, needed

# ---------------------------------------------------------------- limits and trials needed


def test_limits_of_the_nist_handbook() -> None:
    """NIST/SEMATECH e-Handbook of Statistical Methods, 7.2.4.2: 4 bad of 20, 90 % two-sided.

    The example and both equations were read there; its limits 0.071354 and 0.401029 are from memory, recomputed.
    """
    found = interval(Counts(4, 20), 0.9)
    assert (found.low, found.high) == pytest.approx((0.071354, 0.401029), abs=1.5e-6)


def test_limits_of_scipy() -> None:
    """SciPy reference, scipy.stats BinomTestResult.proportion_ci, example: 7 of 50, 95 %."""
    found = interval(Counts(7, 50), 0.95)
    assert (found.low, found.high) == pytest.approx((0.05819170033997342, 0.26739600249700846), rel=1e-10)


@pytest.mark.parametrize(
    ("bad", "tries", "low", "high"),
    [(0, 10, 0, 0.3085), (1, 10, 0.0025, 0.4450), (2, 10, 0.0252, 0.5561), (5, 10, 0.1871, 0.8129), (0, 30, 0, 0.1157)],
)
def test_limits_by_clopper_and_pearson(bad: int, tries: int, low: float, high: float) -> None:
    """Clopper & Pearson 1934, Biometrika 26, their form; values recomputed, 95 % two-sided."""
    found = interval(Counts(bad, tries), 0.95)
    assert (found.low, found.high) == pytest.approx((low, high), abs=5e-5)


@pytest.mark.parametrize(
    ("confidence", "needs"),
    [
        (0.80, [8, 16, 32, 53, 80, 161, 1609]),
        (0.90, [11, 22, 45, 76, 114, 230, 2302]),
        (0.95, [14, 29, 59, 99, 149, 299, 2995]),
        (0.99, [21, 44, 90, 152, 228, 459, 4603]),
    ],
)
def test_good_trials_in_a_row(confidence: float, needs: list[int]) -> None:
    """The success-run formula of reliability texts, n = ln(1 - C) / ln(1 - p); grid recomputed."""
    rates = (0.20, 0.10, 0.05, 0.03, 0.02, 0.01, 0.001)
    assert [good_needed(rate, confidence) for rate in rates] == needs


def test_trials_with_failures_allowed() -> None:
    """Grid recomputed from the binomial distribution, 0 to 3 failures allowed."""
    assert [good_needed(0.1, 0.9, f) for f in range(4)] == [22, 38, 52, 65]
    assert [good_needed(0.05, 0.95, f) for f in range(4)] == [59, 93, 124, 153]


def test_after_a_count() -> None:
    """Rate taken at its one-sided 90 % limit, then 95 %; recomputed."""
    assert [needed(Counts(*c)).trials for c in ((2, 10), (3, 10), (5, 10), (3, 20))] == [54, 25, 10, 52]


@pytest.mark.parametrize(
    ("rate", "run", "chances"),
    [(0.1, 29, [0.047, 0.18, 0.31, 0.50, 0.78]), (0.2, 14, [0.044, 0.17, 0.28, 0.46, 0.73])],
)
def test_starting_the_count_again(rate: float, run: int, chances: list[float]) -> None:
    """Chance that a unit not repaired passes when the count is started again; recomputed by recursion."""
    found = [chance_of_run(rate, run, run * times) for times in (1, 2, 3, 5, 10)]
    assert found == pytest.approx(chances, abs=6e-3)


# ---------------------------------------------------------------- sequential test


def test_the_lines_of_the_nist_handbook() -> None:
    """NIST/SEMATECH e-Handbook, 6.2.6: p0 .01, p1 .10, a .05, b .10. Lines from memory, recomputed."""
    test = sequential_test(0.01, 0.10, 0.05, 0.10)
    assert (test.pass_at, test.fail_at, test.slope) == pytest.approx((0.939, 1.205, 0.0397), abs=1e-3)
    assert test.says(0, 23) == "go on"
    assert test.says(0, 24) == "pass"
    assert [test.says(bad, 2) for bad in (1, 2)] == ["go on", "fail"]


@pytest.mark.parametrize(
    ("plan", "lines", "first_pass", "exact"),
    [
        ((0.01, 0.10, 0.05, 0.10), (0.9389, 1.2054, 0.03975), 24, (0.0220, 0.0996, 30.2, 22.4)),
        ((0.02, 0.20, 0.05, 0.10), (0.8985, 1.1536, 0.08100), 12, (0.0220, 0.0871, 15.0, 11.1)),
        ((0.02, 0.20, 0.05, 0.05), (1.1752, 1.1752, 0.08100), 15, (0.0229, 0.0471, 18.9, 11.9)),
        ((0.05, 0.30, 0.05, 0.05), (1.4040, 1.4040, 0.14562), 10, (0.0286, 0.0448, 14.4, 10.2)),
    ],
)
def test_sequential_plans(
    plan: tuple[float, float, float, float],
    lines: tuple[float, float, float],
    first_pass: int,
    exact: tuple[float, float, float, float],
) -> None:
    """Wald 1947, Sequential Analysis: his formulas for the lines; exact chances recomputed elsewhere to n = 400."""
    test = sequential_test(*plan, longest=400)
    assert (test.pass_at, test.fail_at, test.slope) == pytest.approx(lines, abs=6e-5)
    assert next(n for n in range(1, 100) if test.says(0, n) == "pass") == first_pass
    good, bad = characteristics(test, plan[0]), characteristics(test, plan[1])
    assert (good.fails, bad.passes) == pytest.approx(exact[:2], abs=6e-5)
    assert (good.trials, bad.trials) == pytest.approx(exact[2:], abs=0.06)


def test_the_case_worked_by_wald() -> None:
    """Wald 1947, the lot of p0 .10, p1 .30, a .02, b .03: lines from memory, recomputed."""
    test = sequential_test(0.10, 0.30, 0.02, 0.03)
    assert (test.pass_at, test.fail_at, test.slope) == pytest.approx((2.5826, 2.8754, 0.18617), abs=6e-5)
    assert next(n for n in range(1, 100) if test.says(0, n) == "pass") == 14


# ---------------------------------------------------------------- two counts


def test_fishers_tea() -> None:
    """R reference, fisher.test, after Agresti: 3 and 1 against 1 and 3, one-sided 17/70."""
    assert compare(Counts(1, 4), Counts(3, 4)).fisher == pytest.approx(17 / 70)


def test_barnard_of_scipy() -> None:
    """SciPy reference, barnard_exact, [[7, 12], [8, 3]], 'less': .03408 (from memory). Its columns are the groups."""
    assert compare(Counts(7, 15), Counts(12, 15)).barnard == pytest.approx(0.03408, abs=4e-5)


def test_boschloo_of_scipy() -> None:
    """SciPy reference, boschloo_exact, example [[74, 31], [43, 32]], 'greater': .03556, Fisher .04831 (from memory)."""
    found = compare(Counts(31, 63), Counts(74, 117))
    assert found.boschloo == pytest.approx(0.03556, abs=1e-5)
    assert found.fisher == pytest.approx(0.04831, abs=1e-5)


def test_both_against_scipy() -> None:
    """scipy.stats.boschloo_exact and barnard_exact on tables drawn at random, 'less', groups in columns."""
    from scipy.stats import barnard_exact, boschloo_exact

    chance = random.Random(1)
    for _ in range(12):
        n1, n2 = chance.randint(3, 25), chance.randint(3, 25)
        x, y = chance.randint(0, n1), chance.randint(0, n2)
        found, table = compare(Counts(x, n1), Counts(y, n2)), [[x, y], [n1 - x, n2 - y]]
        assert found.boschloo == pytest.approx(boschloo_exact(table, alternative="less", n=64).pvalue, abs=1e-6)
        if 0 < x + y < n1 + n2:
            assert found.barnard == pytest.approx(barnard_exact(table, alternative="less", n=64).pvalue, abs=1e-6)


def test_power_with_twenty_and_thirty_each() -> None:
    """The first never fails, the second at rate p: chances recomputed with SciPy, to two places."""
    for each, rate, fisher, boschloo in ((20, 0.2, 0.37, 0.59), (20, 0.3, 0.76, 0.89), (30, 0.1, 0.18, 0.35)):
        assert power(each, each, 0.0, rate, test="fisher") == pytest.approx(fisher, abs=0.006)
        assert power(each, each, 0.0, rate) == pytest.approx(boschloo, abs=0.006)


# ---------------------------------------------------------------- pooling

TUMOURS = (
    "0/20 0/20 0/20 0/20 0/20 0/20 0/20 0/19 0/19 0/19 0/19 0/18 0/18 0/17 1/20 1/20 1/20 1/20 1/19 1/19 1/18 1/18 "
    "2/25 2/24 2/23 2/20 2/20 2/20 2/20 2/20 2/20 1/10 5/49 2/19 5/46 3/27 2/17 7/49 7/47 3/20 3/20 2/13 9/48 10/50 "
    "4/20 4/20 4/20 4/20 4/20 4/20 4/20 10/48 4/19 4/19 4/19 5/22 11/46 12/49 5/20 5/20 6/23 5/19 6/22 6/20 6/20 6/20 "
    "16/52 15/46 15/47 9/24"
)


def tumours() -> tuple[list[int], list[int]]:
    pairs = [each.split("/") for each in TUMOURS.split()]
    return [int(y) for y, _ in pairs], [int(n) for _, n in pairs]


def test_rat_tumours() -> None:
    """Tarone 1982, Biometrics 38, in Gelman et al., Bayesian Data Analysis, ch. 5: 70 groups, 263 of 1725.

    Counts from memory, their sums checked; fit 2.304768 and 14.079707 in the vignette of the CRAN package BayesGOF.
    With the present group of 4 of 14, recomputed: 2.3416 and 14.1148.
    """
    y, n = tumours()
    assert (len(y), sum(y), sum(n)) == (70, 263, 1725)
    found = fit_beta(y, n)
    assert (found.a, found.b) == pytest.approx((2.304768, 14.079707), rel=2e-5)
    more = fit_beta([*y, 4], [*n, 14])
    assert (more.a, more.b) == pytest.approx((2.3416, 14.1148), abs=1e-4)


def test_pumps() -> None:
    """Gaver & O'Muircheartaigh 1987, Technometrics 29: ten pumps; data from memory, gamma-Poisson fit recomputed."""
    x = [5, 1, 5, 14, 3, 19, 1, 1, 4, 22]
    t = [94.32, 15.72, 62.88, 125.76, 5.24, 31.44, 1.048, 1.048, 2.096, 10.48]
    found = fit_gamma(x, t)
    assert (found.shape, found.rate) == pytest.approx((0.82227, 1.25895), abs=1e-5)
    rates = [(a + found.shape) / (b + found.rate) for a, b in zip(x, t, strict=True)]
    expected = [0.0609, 0.1073, 0.0908, 0.1167, 0.5881, 0.6062, 0.7899, 0.7899, 1.4374, 1.9441]
    assert rates == pytest.approx(expected, abs=6e-5)


def test_batting() -> None:
    """Efron & Morris 1975, JASA 70: 18 players, 45 at bats; data from memory, beta-binomial fit recomputed."""
    hits = [18, 17, 16, 15, 14, 14, 13, 12, 11, 11, 10, 10, 10, 10, 10, 9, 8, 7]
    found = fit_beta(hits, [45] * 18)
    assert (found.a, found.b) == pytest.approx((210.5, 582.7), abs=0.1)
    shrunk = [(h + found.a) / (45 + found.worth) for h in (18, 7)]
    assert shrunk == pytest.approx([0.2727, 0.2595], abs=6e-5)
