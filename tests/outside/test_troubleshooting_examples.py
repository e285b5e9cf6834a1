"""Small troubleshooting problems whose answers can be worked out by hand or by trying every order.

Where a problem statement was read in a public text, the text is named beside it; no text that could be
read prints a full problem together with its optimum, so the answers were computed here, by enumeration or
an exact recursion apart from the code under test, and are marked 'computed'.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import combinations

import numpy as np
import numpy.typing as npt
import pytest

from refettle.faults import (
    Check,
    Done,
    GearItem,
    Mode,
    Model,
    Options,
    Ranked,
    Reading,
    Repair,
    Suspicions,
    enumerate_sets,
    error_matrix,
    rank,
)

Array = npt.NDArray[np.float64]


def shows_bad(chances: Sequence[float]) -> Array:
    """Level chances of a good/bad check from each mode's chance of showing bad."""
    bad = np.array(chances, dtype=float)
    return np.column_stack([1.0 - bad, bad])


def one_fault(
    priors: Sequence[float],
    costs: Sequence[float],
    checks: Sequence[tuple[float, Sequence[float]]] = (),
    fixes: Sequence[Mapping[int, float]] | None = None,
    give_up: float = 1e4,
) -> Model:
    """Exactly one of the faults; repair i cures fault i unless `fixes` says otherwise; checks without error."""
    fixes = fixes if fixes is not None else [{i: 1.0} for i in range(len(priors))]
    return Model(
        tuple(Mode(f"f{i}", f"f{i}", f"b{i}", p) for i, p in enumerate(priors)),
        tuple(
            Check(f"k{i}", f"k{i}", ("good", "bad"), shows_bad(bad), np.eye(2), cost)
            for i, (cost, bad) in enumerate(checks)
        ),
        tuple(
            Repair(f"r{i}", f"r{i}", {f"f{f}": chance for f, chance in cured.items()}, cost)
            for i, (cured, cost) in enumerate(zip(fixes, costs, strict=True))
        ),
        single=True,
        give_up=give_up,
    )


def expected(ranked: Sequence[Ranked]) -> dict[str, float]:
    return {step.id: step.expected for step in ranked}


def repairs_in_turn(model: Model) -> list[str]:
    """What is put first, done without success, until nothing is left."""
    suspicions, done = Suspicions(model), []
    while len(done) < len(model.repairs):
        ranked = rank(suspicions, Options(skip=done))
        if not ranked:
            break  # nothing can be wrong any more
        step = ranked[0]
        if step.kind != "repair":
            return [*done, step.id]
        done.append(step.id)
        suspicions.add(Done(step.id))
    return done


# ---------------------------------------------------------------- repairs only


def test_repairs_that_overlap_and_a_certain_last_resort() -> None:
    # A textbook exercise on a computer that misbehaves, read on a page that does not name its book
    # (Jensen & Nielsen 2007, chapter 9, from memory): restarting cures a hung program, a cleaning tool
    # cures .95 of infections, reinstalling cures both at .99, a new machine cures all.
    # Answer computed: all orders enumerated.
    model = one_fault(
        (0.8, 0.15, 0.05),
        (1, 2, 25, 500),
        fixes=[{0: 1.0}, {1: 0.95}, {0: 0.99, 1: 0.99}, {0: 1.0, 1: 1.0, 2: 1.0}],
    )
    ranked = rank(Suspicions(model))
    assert ranked[0].id == "r0"
    assert ranked[0].expected == pytest.approx(27.875, abs=1e-6)
    assert (ranked[1].id, ranked[1].expected) == ("r1", pytest.approx(29.3325, abs=1e-6))
    assert repairs_in_turn(model) == ["r0", "r1", "r2", "r3"]


PRIORS, COSTS = (0.5, 0.3, 0.2), (50, 10, 5)


def test_one_fault_in_order_of_chance_per_cost() -> None:
    # Rule: Mitten 1960, Kadane & Simon 1977 (from memory). Computed: all six orders,
    # 3,2,1 38.0; 2,3,1 38.5; 2,1,3 46; 3,1,2 48; 1,3,2 55.5; 1,2,3 56 (counted from 1).
    model = one_fault(PRIORS, COSTS)
    figures = expected(rank(Suspicions(model)))
    assert figures["r2"] == pytest.approx(38.0, abs=1e-6)
    assert figures["r1"] == pytest.approx(38.5, abs=1e-6)
    assert figures["r0"] == pytest.approx(55.5, abs=1e-6)
    assert repairs_in_turn(model) == ["r2", "r1", "r0"]


def test_repairs_that_share_faults_are_not_taken_by_chance_per_cost() -> None:
    # Problem class: troubleshooting with dependent actions (Vomlelova & Vomlel; Ottosen & Jensen).
    # Computed: greedy 1.50, the best order (third, first) 1.45.
    model = one_fault(
        (0.20, 0.25, 0.40, 0.15), (1, 1, 1, 1), fixes=[{0: 1.0, 1: 1.0}, {1: 1.0, 2: 1.0}, {2: 1.0, 3: 1.0}, {0: 1.0}]
    )
    first = rank(Suspicions(model))[0]
    assert first.id == "r2"
    assert first.expected == pytest.approx(1.45, abs=1e-6)
    assert repairs_in_turn(model) == ["r2", "r0"]


# ---------------------------------------------------------------- checks and giving up

K1 = (2.0, (0.9, 0.1, 0.1))
K2 = (3.0, (0.05, 0.95, 0.05))


def test_a_noisy_check_worth_its_minutes() -> None:
    # Computed by exact recursion and by hand: the check reads bad with chance .5; the rest then costs
    # 51.1 (bad) or 16.4 (good), 33.75 on average, so 35.75 with the check's own 2, against 38 without.
    model = one_fault(PRIORS, COSTS, [K1])
    ranked = rank(Suspicions(model))
    assert (ranked[0].kind, ranked[0].id) == ("check", "k0")
    assert ranked[0].expected == pytest.approx(35.75, abs=1e-6)
    for outcome, posterior, rest in (("bad", (0.9, 0.06, 0.04), 51.1), ("good", (0.1, 0.54, 0.36), 16.4)):
        suspicions = Suspicions(model)
        suspicions.add(Reading("k0", {outcome: 1}))
        assert suspicions.suspicion() == pytest.approx(posterior, abs=1e-12)
        assert rank(suspicions, Options(skip=["k0"]))[0].expected == pytest.approx(rest, abs=1e-6)


def test_giving_up_changes_the_plan() -> None:
    # Computed: without the check, two repairs and then giving up; with it, bad means giving up at once
    # (40) and good is worth 15.4, starting with the third repair.
    plain = one_fault(PRIORS, COSTS, give_up=40.0)
    first = rank(Suspicions(plain))[0]
    assert (first.id, first.expected) == ("r2", pytest.approx(33.0, abs=1e-6))
    assert repairs_in_turn(plain) == ["r2", "r1", "give up"]

    model = one_fault(PRIORS, COSTS, [K1], give_up=40.0)
    first = rank(Suspicions(model))[0]
    assert (first.id, first.expected) == ("k0", pytest.approx(29.7, abs=1e-6))
    after_bad, after_good = Suspicions(model), Suspicions(model)
    after_bad.add(Reading("k0", {"bad": 1}))
    after_good.add(Reading("k0", {"good": 1}))
    assert rank(after_bad, Options(skip=["k0"]))[0].kind == "give up"
    then = rank(after_good, Options(skip=["k0"]))[0]
    assert (then.id, then.expected) == ("r2", pytest.approx(15.4, abs=1e-6))


def test_of_two_checks_the_better_goes_first() -> None:
    # Computed by exact recursion: 35.6475, with the dearer check first.
    ranked = rank(Suspicions(one_fault(PRIORS, COSTS, [K1, K2])))
    assert ranked[0].id == "k1"
    assert ranked[0].expected == pytest.approx(35.6475, abs=1e-6)


def test_checks_that_only_pay_together() -> None:
    # By hand: four equally likely faults are two bits; one repair cures the equal pairs, the other the
    # unequal ones; each check reads one bit. Alone, neither check tells which repair; both together do.
    model = one_fault(
        (0.25,) * 4,
        (100, 100),
        [(1.0, (0, 0, 1, 1)), (1.0, (0, 1, 0, 1))],
        fixes=[{0: 1.0, 3: 1.0}, {1: 1.0, 2: 1.0}],
    )
    shallow = rank(Suspicions(model), Options(depth=1))
    assert shallow[0].kind == "repair"
    assert shallow[0].expected == pytest.approx(150.0, abs=1e-6)
    ranked = rank(Suspicions(model))
    assert ranked[0].kind == "check"
    assert ranked[0].expected == pytest.approx(102.0, abs=1e-6)


# ---------------------------------------------------------------- posteriors


def noisy(prior: float, false_alarm: float, miss: float, gear_fault: float = 0.0, active: float = 1.0) -> Model:
    """One mode, present or not, and one check of it."""
    return Model(
        (Mode("fault", "fault", "block", prior),),
        (
            Check(
                "look",
                "look",
                ("good", "bad"),
                shows_bad([active]),
                error_matrix(2, false_alarm, miss, 0.0),
                1.0,
                gear="meter",
            ),
        ),
        (),
        (GearItem("meter", gear_fault, gear_fault),),
    )


def test_one_noisy_check() -> None:
    # Inputs: the tutorial of OpenMarkov (prevalence .08, sensitivity .75, specificity .96).
    # Predictive values computed.
    model = noisy(0.08, false_alarm=0.04, miss=0.25)
    sets = enumerate_sets(model, left_out=1e-12)
    positive, negative = Suspicions(model, sets), Suspicions(model, sets)
    positive.add(Reading("look", {"bad": 1}))
    negative.add(Reading("look", {"good": 1}))
    assert positive.suspicion()[0] == pytest.approx(0.619835, abs=1e-6)
    assert negative.nothing_wrong() == pytest.approx(0.977857, abs=1e-6)


def test_polybox() -> None:
    # Circuit: three multipliers and two adders, de Kleer & Williams 1987 (from memory). Two conflicts:
    # one of A1, M1, M2 is at fault, and one of A1, A2, M1, M3. Prior .01 each. Answer computed.
    names = ("M1", "M2", "M3", "A1", "A2")
    conflicts = ({"A1", "M1", "M2"}, {"A1", "A2", "M1", "M3"})
    model = Model(
        tuple(Mode(n, n, n, 0.01) for n in names),
        tuple(
            Check(f"k{i}", f"k{i}", ("good", "bad"), shows_bad([float(n in c) for n in names]), np.eye(2), 1.0)
            for i, c in enumerate(conflicts)
        ),
        (),
    )
    suspicions = Suspicions(model, enumerate_sets(model, left_out=1e-12))
    for check in model.checks:
        suspicions.add(Reading(check.id, {"bad": 1}))
    found = {
        frozenset(n for n, here in zip(names, row, strict=True) if here): weight
        for row, weight in zip(suspicions.member, suspicions.weights, strict=True)
        if weight > 1e-20
    }
    consistent = {
        frozenset(s)
        for size in range(6)
        for s in combinations(names, size)
        if all(conflict & set(s) for conflict in conflicts)
    }
    assert len(consistent) == 27
    assert set(found) == consistent
    for s, weight in found.items():
        ratio = 0.01 ** (len(s) - 1) / 0.99 ** (len(s) - 1)
        assert weight == pytest.approx(found[frozenset({"M1"})] * ratio, rel=1e-9)
    assert found[frozenset({"M1"})] == pytest.approx(0.478026, abs=1e-6)
    assert found[frozenset({"A1"})] == pytest.approx(0.478026, abs=1e-6)
    assert found[frozenset({"M2", "A2"})] == pytest.approx(0.004829, abs=1e-6)
    marginals = dict(zip(names, suspicions.suspicion(), strict=True))
    assert marginals == pytest.approx(
        {"M1": 0.497635, "A1": 0.497635, "M2": 0.019609, "M3": 0.014780, "A2": 0.014780}, abs=1e-6
    )


@pytest.mark.parametrize(
    ("active", "left"),
    [(0.2, {1: 0.255, 3: 0.180, 5: 0.123, 10: 0.044}), (0.5, {1: 0.176, 3: 0.051, 5: 0.013, 10: 0.0004})],
)
def test_clean_runs_acquit_an_intermittent_fault_slowly(active: float, left: dict[int, float]) -> None:
    # Computed by hand: .3 q^n / (.3 q^n + .7) with q = 1 - active; rounded figures as first worked out.
    model = noisy(0.3, 0.0, 0.0, active=active)
    for runs, rounded in left.items():
        suspicions = Suspicions(model, enumerate_sets(model, left_out=1e-12))
        suspicions.add(Reading("look", {"good": runs}))
        share = 0.3 * (1.0 - active) ** runs
        assert suspicions.suspicion()[0] == pytest.approx(share / (share + 0.7), abs=1e-12)
        assert suspicions.suspicion()[0] == pytest.approx(rounded, abs=5e-4)


def test_repeats_with_one_instrument_are_not_independent() -> None:
    # Computed by hand: prior .3, false alarm .05, miss .1, and an instrument stuck with chance .05.
    def bad_readings(gear_fault: float, count: int) -> float:
        model = noisy(0.3, 0.05, 0.1, gear_fault)
        suspicions = Suspicions(model, enumerate_sets(model, left_out=1e-12))
        for _ in range(count):
            suspicions.add(Reading("look", {"bad": 1}))
        return float(suspicions.suspicion()[0])

    assert [bad_readings(0.05, n) for n in (1, 2, 3)] == pytest.approx([0.839, 0.926, 0.924], abs=5e-4)
    assert [bad_readings(0.0, n) for n in (1, 2, 3)] == pytest.approx([0.885, 0.993, 0.9996], abs=5e-4)
    for n in (1, 2, 3):
        with_fault = 0.3 * (0.95 * 0.9**n + 0.025)
        without = 0.7 * (0.95 * 0.05**n + 0.025)
        assert bad_readings(0.05, n) == pytest.approx(with_fault / (with_fault + without), abs=1e-12)
