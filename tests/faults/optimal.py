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
