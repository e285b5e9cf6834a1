"""Exact optima by dynamic programming, against which the planning policy is measured.

Nothing here uses the planning code. Costs are linear in unnormalised weights, so the recursions run on
`weight of the branch * minutes` and never divide.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


# ---------------------------------------------------------------- one fault, perfect repairs


@dataclass(frozen=True, eq=False)
class OneFault:
    """Exactly one of F faults; repair f cures fault f for certain; K two-outcome checks, each usable once.

    Attributes
    ----------
    prior : (F,) array
        Sums to 1.
    repair : (F,) array
        Minutes of each repair, function test included [min].
    check : (K,) array
        Minutes of each check [min].
    bad : (K, F) array
        Chance that check k reads bad under fault f.
    give_up : float
        What giving up costs [min].
    """

    prior: Array
    repair: Array
    check: Array
    bad: Array
    give_up: float = 1e4


@dataclass(frozen=True, eq=False)
class Table:
    """Least expected minutes from every state of several models of the same size.

    A state is a set of faults not yet ruled out by a repair (bit f of an integer) and what each check
    read (base-3 digit k: 0 not made, 1 good, 2 bad). `cost[state, seen, i]` is the least expected minutes
    of model i from there, times the chance of getting there.
    """

    cost: Array


def _seen_layers(k: int) -> list[tuple[Ints, Ints]]:
    """By number of checks still to be made, from 0 up: the states, and the place value of each such check."""
    power = 3 ** np.arange(k)
    digits = np.arange(3**k)[:, None] // power % 3
    unused = (digits == 0).sum(axis=1)
    layers = []
    for n in range(k + 1):
        states = np.flatnonzero(unused == n)
        layers.append((states, np.nonzero(digits[states] == 0)[1].reshape(len(states), n)))
    return layers


def solve(models: Sequence[OneFault]) -> Table:
    """The exact optimum of each model from every state.

    Working through the sets of remaining faults from the empty one up, and within each from all checks
    made to none made, every state is reached after those it leads to. Models run side by side along the
    last axis, so that each gather moves whole rows.
    """
    faults, checks, count = len(models[0].prior), len(models[0].check), len(models)
    power = 3 ** np.arange(checks)
    digits = np.arange(3**checks)[:, None] // power % 3
    weight = np.empty((faults, 3**checks, count))
    for i, model in enumerate(models):
        chance = np.stack([np.ones_like(model.bad), 1.0 - model.bad, model.bad])  # (3, K, F)
        seen = np.ones((3**checks, faults))
        for k in range(checks):
            seen *= chance[digits[:, k], k]
        weight[:, :, i] = (seen * model.prior).T
    repair = np.stack([m.repair for m in models], axis=1)
    check = np.stack([m.check for m in models], axis=1)
    give_up = np.array([m.give_up for m in models])
    layers = _seen_layers(checks)
    cost = np.zeros((2**faults, 3**checks, count))
    for size in range(1, faults + 1):
        for members in combinations(range(faults), size):
            state = sum(1 << f for f in members)
            total = weight[list(members)].sum(axis=0)
            best = total * give_up
            for f in members:
                np.minimum(best, total * repair[f] + cost[state ^ (1 << f)], out=best)
            for states, open_checks in layers[1:]:
                for slot in range(open_checks.shape[1]):
                    k = open_checks[:, slot]
                    look = total[states] * check[k] + best[states + power[k]] + best[states + 2 * power[k]]
                    best[states] = np.minimum(best[states], look)
            cost[state] = best
    return Table(cost)


# ---------------------------------------------------------------- several faults, repairs that may fail and harm


@dataclass(frozen=True, eq=False)
class ManyFaults:
    """Any set of F faults, at least one; each check and each repair usable once; the unit is tested, without
    error, after each repair.

    Attributes
    ----------
    prior : (2**F,) array
        Chance of each set (bit f of the index: fault f is there); 0 for the empty set; sums to 1.
    repair, check : (R,), (K,) arrays
        Minutes of each, with the function test and expected harm [min].
    success : (R, F) array
        Chance that the repair removes the fault.
    harm : (R,) array
        Chance that the repair then brings in fault `causes[r]`; 0 if it brings in none.
    causes : (R,) int array
    bad : (K, 2**F) array
        Chance that the check reads bad under the set.
    give_up : float
        What giving up costs [min].
    """

    prior: Array
    repair: Array
    check: Array
    success: Array
    harm: Array
    causes: Ints
    bad: Array
    give_up: float

    def after(self, r: int) -> Array:
        """(2**F, 2**F): chance that a repair makes one set (row) another (column)."""
        count, faults = len(self.prior), self.success.shape[1]
        sets = np.arange(count)
        change = np.eye(count)
        for f in range(faults):
            here = sets[sets >> f & 1 == 1]
            step = np.eye(count)
            step[here, here] -= self.success[r, f]
            step[here, here ^ (1 << f)] += self.success[r, f]
            change = change @ step
        absent = sets[sets >> self.causes[r] & 1 == 0]
        step = np.eye(count)
        step[absent, absent] -= self.harm[r]
        step[absent, absent | (1 << self.causes[r])] += self.harm[r]
        return np.asarray(change @ step)

    def branches(self, action: int) -> tuple[float, list[Array]]:
        """Minutes of an action (checks first, then repairs), and what each way it may go does to the weights of
        the sets, as matrices; a unit that works is done with."""
        checks = len(self.check)
        if action < checks:
            bad = self.bad[action]
            return float(self.check[action]), [np.diag(1.0 - bad), np.diag(bad)]
        change = self.after(action - checks)
        change[:, 0] = 0.0
        return float(self.repair[action - checks]), [change]


def least_cost(problem: ManyFaults) -> float:
    """The exact optimum: every order of actions, every way each may go.

    Histories are kept by which actions they used, as rows of unnormalised weights, so that all histories with
    the same actions left are worked on together.
    """
    count = len(problem.check) + len(problem.repair)
    actions = [problem.branches(a) for a in range(count)]
    rows: list[list[Array]] = [[] for _ in range(2**count)]
    rows[0] = [problem.prior[None, :]]
    starts: dict[tuple[int, int, int], int] = {}
    weights: list[Array] = []
    for used in range(2**count):  # an action only ever sets a bit, so this is a forward order
        here = np.vstack(rows[used])
        weights.append(here)
        for a in range(count):
            if not used >> a & 1:
                then = used | 1 << a
                for way, matrix in enumerate(actions[a][1]):
                    starts[used, a, way] = sum(map(len, rows[then]))
                    rows[then].append(here @ matrix)
    cost: list[Array] = [np.zeros(0)] * 2**count
    for used in reversed(range(2**count)):
        total = weights[used].sum(axis=1)
        best = total * problem.give_up
        for a, (minutes, ways) in enumerate(actions):
            if not used >> a & 1:
                value = total * minutes
                for way in range(len(ways)):
                    start = starts[used, a, way]
                    value = value + cost[used | 1 << a][start : start + len(total)]
                best = np.minimum(best, value)
        cost[used] = best
    return float(cost[0][0])
