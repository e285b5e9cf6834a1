"""What the advice really costs: the policy 'do what `rank` puts first', followed through every branch.

Nothing is simulated: each outcome of each check and repair is followed with its weight. With one fault and
eight checks there are thousands of branches, so they are opened widest first, and those still closed are
charged between their exact optimum and the dearest course possible; the policy's cost is then known to lie
between two figures, as close as wanted.
"""

from __future__ import annotations

import heapq
from collections.abc import Callable
from dataclasses import dataclass, field
from random import Random

import numpy as np
import numpy.typing as npt

from refettle.faults import (
    Check,
    Hypotheses,
    Mode,
    Model,
    Options,
    Repair,
    Suspicions,
    enumerate_sets,
    error_matrix,
    rank,
)
from tests.faults.optimal import ManyFaults, OneFault

Array = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Prices:
    """Cheapest and dearest check, and what giving up costs [min].

    Repairs are spread evenly from 5 to 100 minutes, or evenly in their logarithm (most of them short, so that
    giving up at once is not the answer).
    """

    cheapest: float
    dearest: float
    give_up: float = 1e4
    mostly_short: bool = False


PRICES = {
    "0.5 to 5": Prices(0.5, 5.0),
    "2 to 20": Prices(2.0, 20.0),
    "5 to 50": Prices(5.0, 50.0),
    "2 to 20, giving up 60": Prices(2.0, 20.0, 60.0, mostly_short=True),
}


def one_fault(seed: int, prices: Prices, size: int = 8) -> OneFault:
    """A random model: as many faults as checks, each check showing about half the faults, with false alarms
    and misses of .02 to .2. The same seed gives the same faults and repairs at any price of checks. Uses
    nothing but `Random.random`, which is the same in every version of Python.
    """
    rng = Random(seed)

    def uniform(low: float, high: float, *shape: int) -> Array:
        count = int(np.prod(shape))
        return low + (high - low) * np.array([rng.random() for _ in range(count)]).reshape(shape)

    prior = -np.log(1.0 - uniform(0.0, 1.0, size))
    repair = uniform(5.0, 100.0, size)
    if prices.mostly_short:
        repair = 5.0 * 20.0 ** ((repair - 5.0) / 95.0)
    shows = uniform(0.0, 1.0, size, size) < 0.5
    false_alarm, miss = uniform(0.02, 0.2, size, 1), uniform(0.02, 0.2, size, 1)
    check = uniform(prices.cheapest, prices.dearest, size)
    return OneFault(prior / prior.sum(), repair, check, np.where(shows, 1.0 - miss, false_alarm), prices.give_up)


def as_model(problem: OneFault) -> Model:
    """The same as a fault model."""
    return Model(
        tuple(Mode(f"f{i}", f"f{i}", f"b{i}", float(p)) for i, p in enumerate(problem.prior)),
        tuple(
            Check(f"k{i}", f"k{i}", ("good", "bad"), np.column_stack([1.0 - bad, bad]), np.eye(2), float(minutes))
            for i, (bad, minutes) in enumerate(zip(problem.bad, problem.check, strict=True))
        ),
        tuple(Repair(f"r{i}", f"r{i}", {f"f{i}": 1.0}, float(minutes)) for i, minutes in enumerate(problem.repair)),
        single=True,
        give_up=problem.give_up,
    )


def believing(model: Model, weights: Array) -> Suspicions:
    """Suspicions with these chances of the single faults, as after any log that leads to them."""
    keys = np.arange(1, len(weights) + 1, dtype=np.uint64)
    return Suspicions(model, Hypotheses(np.eye(len(weights), dtype=bool), weights / weights.sum(), 0.0, keys, keys))


@dataclass(frozen=True)
class State:
    """Faults not ruled out by a repair, and what each check read (0 not made, 1 good, 2 bad)."""

    left: tuple[int, ...]
    seen: tuple[int, ...]

    @property
    def index(self) -> tuple[int, int]:
        """Where the state stands in a `Table`."""
        return sum(1 << f for f in self.left), sum(d * 3**k for k, d in enumerate(self.seen))

    def skip(self) -> list[str]:
        """Steps that are used up."""
        done = [f"r{f}" for f in range(len(self.seen)) if f not in self.left]
        return done + [f"k{k}" for k, d in enumerate(self.seen) if d]


Policy = Callable[[Model, State, Array], tuple[str, int]]


def advised(depth: int) -> Policy:
    """What `rank` puts first, everything considered."""

    def policy(model: Model, state: State, weights: Array) -> tuple[str, int]:
        options = Options(depth=depth, first=16, second=16, skip=state.skip())
        first = rank(believing(model, weights), options)[0]
        return first.kind, int(first.id[1:]) if first.kind != "give up" else -1

    return policy


@dataclass
class Followed:
    """The policy's cost lies between `at_least` and `at_most`, in minutes; `asked` times it was asked."""

    at_least: float
    at_most: float
    asked: int = 0
    steps: dict[State, tuple[str, int]] = field(default_factory=dict)


def follow(problem: OneFault, table: Array, policy: Policy, within: float) -> Followed:
    """Follow a policy until its cost is known within this share of the optimum.

    `table` is (states, readings): the least cost from each state, see `optimal.Table`.
    """
    model = as_model(problem)
    faults, checks = len(problem.prior), len(problem.check)
    optimum = float(table[-1, 0])
    result = Followed(0.0, 0.0)
    closed: list[tuple[float, int, State, Array, float, float]] = []

    def reach(state: State, weights: Array) -> None:
        if not state.left:
            return
        low = float(table[state.index])
        # At the very worst, every step still possible is made.
        steps = problem.repair[list(state.left)].sum() + problem.check[[not d for d in state.seen]].sum()
        high = float(weights.sum() * (steps + (problem.give_up if problem.give_up < steps else 0.0)))
        result.at_least += low
        result.at_most += high
        heapq.heappush(closed, (low - high, len(result.steps), state, weights, low, high))

    reach(State(tuple(range(faults)), (0,) * checks), problem.prior)
    while closed and result.at_most - result.at_least > within * optimum:
        _, _, state, weights, low, high = heapq.heappop(closed)
        kind, number = policy(model, state, weights)
        result.asked += 1
        result.steps[state] = kind, number
        total = float(weights.sum())
        cost = total * problem.give_up
        if kind == "repair":
            cost = total * float(problem.repair[number])
            rest = weights.copy()
            rest[number] = 0.0
            reach(State(tuple(f for f in state.left if f != number), state.seen), rest)
        elif kind == "check":
            cost = total * float(problem.check[number])
            for read, chance in ((1, 1.0 - problem.bad[number]), (2, problem.bad[number])):
                seen = (*state.seen[:number], read, *state.seen[number + 1 :])
                reach(State(state.left, seen), weights * chance)
        result.at_least += cost - low
        result.at_most += cost - high
    return result


# ---------------------------------------------------------------- several faults


def many_faults(seed: int, faults: int = 4, checks: int = 3) -> tuple[ManyFaults, Model]:
    """A random model with several independent faults, and the same as a fault model.

    Repairs succeed with .6 to .95, and one in two may bring in another fault; giving up costs 200 minutes.
    """
    rng = Random(seed)

    def between(low: float, high: float) -> float:
        return low + (high - low) * rng.random()

    names = [f"f{i}" for i in range(faults)]
    modes = tuple(Mode(name, name, name, between(0.05, 0.35)) for name in names)
    repairs = []
    for i in range(faults):
        fixes = {names[i]: between(0.6, 0.95)}
        if rng.random() < 0.3:
            fixes[names[(i + 1) % faults]] = between(0.3, 0.9)
        harm = between(0.02, 0.15)
        rest = [name for name in names if name not in fixes]  # what it treats anyway is part of its success
        causes = rest[int(rng.random() * len(rest))] if rng.random() < 0.5 else None
        repairs.append(
            Repair(
                f"r{i}", f"r{i}", fixes, between(5.0, 60.0), harm=harm, harm_minutes=between(10.0, 60.0), causes=causes
            )
        )
    looks = []
    for k in range(checks):
        shown = [between(0.5, 1.0) if rng.random() < 0.5 else 0.0 for _ in names]
        shows = np.column_stack([1.0 - np.array(shown), shown])
        error = error_matrix(2, between(0.02, 0.2), between(0.02, 0.2), 0.0)
        looks.append(Check(f"k{k}", f"k{k}", ("good", "bad"), shows, error, between(2.0, 20.0)))
    model = Model(modes, tuple(looks), tuple(repairs), retest=5.0, give_up=200.0)

    sets = [[f for f in range(faults) if s >> f & 1] for s in range(2**faults)]
    prior = np.array([np.prod([m.prior if f in s else 1 - m.prior for f, m in enumerate(modes)]) for s in sets])
    prior[0] = 0.0
    bad = []
    for check in looks:
        level = np.array([1.0 - np.prod([1.0 - check.shows[f, 1] for f in s]) for s in sets])
        bad.append(level * check.error[1, 1] + (1.0 - level) * check.error[0, 1])
    problem = ManyFaults(
        prior / prior.sum(),
        np.array([r.minutes + 5.0 + r.harm * r.harm_minutes for r in repairs]),
        np.array([c.minutes for c in looks]),
        np.array([[r.fixes.get(name, 0.0) for name in names] for r in repairs]),
        np.array([r.harm if r.causes else 0.0 for r in repairs]),
        np.array([names.index(r.causes) if r.causes else 0 for r in repairs]),
        np.array(bad),
        200.0,
    )
    return problem, model


def follow_many(problem: ManyFaults, model: Model, depth: int = 2) -> tuple[float, int]:
    """Exact cost of doing what `rank` puts first, and how often it was asked."""
    sets = enumerate_sets(model, left_out=1e-12)
    order = (sets.member @ (1 << np.arange(sets.member.shape[1]))).astype(int)
    checks = len(problem.check)
    asked = 0

    def cost(weights: Array, used: frozenset[str]) -> float:
        nonlocal asked
        total = float(weights.sum())
        if total < 1e-12:
            return 0.0
        belief = Hypotheses(sets.member, weights[order] / total, 0.0, sets.key, sets.mode_key)
        options = Options(depth=depth, first=16, second=16, skip=used)
        first = rank(Suspicions(model, belief), options)[0]
        asked += 1
        if first.kind == "give up":
            return total * problem.give_up
        minutes, ways = problem.branches(int(first.id[1:]) + (checks if first.kind == "repair" else 0))
        return total * minutes + sum(cost(weights @ way, used | {first.id}) for way in ways)

    return cost(problem.prior, frozenset()), asked
