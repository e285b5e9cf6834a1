"""The next step: what to look at or repair now, at least expected cost to a working unit.

Costs are minutes at the bench; parts, expected harm and the value lost by giving up are turned into
minutes at the bench rate.

`plan_cost` is the cost-to-go: do repairs in order of chance-per-cost, test the unit after each, stop when
giving up is cheaper. That is a policy anyone could carry out, so its cost is an upper bound of the best (a mode that a
repair may bring in is priced at its cheapest cure, not followed).
For one fault and independent repairs the order is optimal (Kadane & Simon 1977, from memory). `rank`
improves on it by looking ahead: one step for every check and repair, two steps for the most promising.

Costs are linear in unnormalised weights, so branches need no division by their chances.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from refettle.faults.model import Array, Bools, Check, Ints, Model
from refettle.faults.posterior import Suspicions


@dataclass(frozen=True)
class Options:
    """How to look ahead, and what stands in the way.

    Attributes
    ----------
    level : int
        How far the unit is open now: 0 closed, 1 open, 2 board out.
    gates_open : collection of str
        Gates already passed. Steps behind others are ranked, with the gate's minutes, but barred.
    gate_minutes : mapping of str to float
        What passing each gate takes [min].
    depth : int
        1 or 2 steps.
    skip : collection of str
        Steps not to consider.
    support : int
        Sets considered when looking ahead.
    first, second : int
        Steps looked at more closely at the first and second step.
    once_suspicion : float
        Suspicion needed before a step that cannot be undone is offered.
    """

    level: int = 0
    gates_open: Collection[str] = ()
    gate_minutes: Mapping[str, float] = field(default_factory=dict)
    depth: int = 2
    skip: Collection[str] = ()
    support: int = 1200
    second_support: int = 350
    first: int = 8
    second: int = 24
    once_suspicion: float = 0.5


@dataclass(frozen=True)
class Ranked:
    """A step with its figures.

    Attributes
    ----------
    kind : str
        'check', 'repair' or 'give up'.
    expected : float
        Expected minutes to a working unit (or to giving up) if this is done first and the plan followed.
    minutes : float
        What the step itself takes, getting there and open gates included [min].
    """

    kind: str
    id: str
    expected: float
    minutes: float


# ---------------------------------------------------------------- cost-to-go


class Planner:
    """Costs of plans for one model; holds the arrays that every evaluation needs."""

    def __init__(self, model: Model, allowed: Bools | None = None) -> None:
        self.model = model
        self.cost = model.repair_cost + _harm_cost(model)
        self.success = model.success
        self.level = np.array([r.level for r in model.repairs], dtype=np.int64)
        setup = np.zeros((3, 3))
        for a in range(3):
            for b in range(3):
                setup[a, b] = model.setup_cost(a, b)
        self.setup = setup
        self.allowed = np.ones(len(model.repairs), dtype=bool) if allowed is None else allowed

    def plan_cost(
        self,
        weights: Array,
        member: Array,
        level: Ints,
        survival: Array | None = None,
        used: Bools | None = None,
        steps: int | None = None,
    ) -> Array:
        """Expected minutes of repairing in order of chance-per-cost, giving up when that is cheaper.

        Parameters
        ----------
        weights : (B, M) array
            Unnormalised weights of the sets, one row a state of belief.
        member : (M, F) array
            Membership, 0 or 1.
        level : (B,) int array
            Access level.
        survival : (B, F) array, optional
            Chance that each mode is still there (after repairs tried); 1 by default.
        used : (B, R) bool array, optional
            Repairs not to try (again).
        steps : int, optional
            Longest plan; by default every repair once.

        Returns
        -------
        (B,) array of minutes, scaled by each row's total weight. The empty set counts as working.
        """
        b, f = len(weights), member.shape[1]
        # Single precision is plenty for ranking; small models are worked out in full.
        kind = np.float32 if b * member.size > 4e6 else np.float64
        weights, member = weights.astype(kind, copy=False), member.astype(kind, copy=False)
        left: npt.NDArray[Any] = np.ones((b, f), kind) if survival is None else survival.astype(kind)
        success = self.success.astype(kind, copy=False)
        blocked: Bools = np.tile(~self.allowed, (b, 1)) if used is None else used | ~self.allowed
        size = np.maximum(member.sum(axis=1), 1.0)
        credit = (weights / size) @ member
        level = level.copy()
        rows = np.arange(b)

        member_t = np.ascontiguousarray(member.T)
        total = weights.sum(axis=1)

        def unfixed() -> Array:
            fixed = np.log(np.maximum(1.0 - left, 1e-18)) @ member_t
            np.exp(fixed, out=fixed)
            return np.asarray(np.maximum(total - np.einsum("bm,bm->b", weights, fixed), 0.0))

        broken = unfixed()
        give_up = self.model.give_up
        spent = np.zeros(b)
        best = broken * give_up
        for _ in range(steps if steps is not None else len(self.model.repairs)):
            cost = self.cost + self.setup[level[:, None], self.level]
            gain = (credit * left) @ success.T
            score = np.where(blocked, -1.0, gain / cost)
            choice = score.argmax(axis=1)
            useful = score[rows, choice] > 1e-13
            if not useful.any():
                break
            spent += np.where(useful, broken * cost[rows, choice], 0.0)
            left = np.where(useful[:, None], left * (1.0 - success[choice]), left)
            level = np.where(useful, np.maximum(level, self.level[choice]), level)
            blocked[rows, choice] = True
            broken = unfixed()
            best = np.minimum(best, spent + broken * give_up)
            if (spent >= best).all() or broken.max() < 1e-12:
                break
        return best

    def first_repairs(
        self, weights: Array, member: Array, level: int, which: Ints, extra: Array, steps: int | None = None
    ) -> Array:
        """(len(which),) minutes if each repair is made first and the plan followed; see `plan_cost`.
        `weights` is one row (M,); `extra` (R,) minutes are added to a repair made first."""
        n = len(which)
        level_after = np.maximum(level, self.level[which])
        survival = 1.0 - self.success[which]
        used = np.zeros((n, len(self.cost)), dtype=bool)
        used[np.arange(n), which] = True
        rest = self.plan_cost(np.broadcast_to(weights, (n, len(weights))), member, level_after, survival, used, steps)
        broken = float(weights[member.any(axis=1)].sum())
        cost = self.cost[which] + self.setup[level, self.level[which]] + extra[which]
        return np.asarray(broken * cost + rest)


def _harm_cost(model: Model) -> Array:
    """(R,) expected minutes of curing what each repair may bring in, at the cheapest, or of giving up [min]."""
    cost = np.zeros(len(model.repairs))
    for r, repair in enumerate(model.repairs):
        if repair.causes is not None:
            success = model.success[:, model.mode_index[repair.causes]]
            able = success > 0
            cure = float((model.repair_cost[able] / success[able]).min()) if able.any() else model.give_up
            cost[r] = repair.harm * min(cure, model.give_up)
    return cost


# ---------------------------------------------------------------- looking ahead


def _support(weights: Array, size: int) -> tuple[Ints, Array]:
    """At most about `size` sets that stand for all: the heaviest as they are, the rest by systematic
    sampling with even weights, so that totals are kept. Deterministic."""
    positive = np.flatnonzero(weights > 0)
    if len(positive) <= size:
        return positive, weights[positive]
    heavy = size * 2 // 3
    order = np.argpartition(-weights, heavy)
    top = np.sort(order[:heavy])
    tail = np.sort(order[heavy:])
    tail_weights = weights[tail]
    mass = tail_weights.sum()
    count = size - heavy
    at = (np.arange(count) + 0.5) * mass / count
    picked = np.minimum(np.searchsorted(np.cumsum(tail_weights), at), len(tail) - 1)
    unique, times = np.unique(picked, return_counts=True)
    return np.concatenate([top, tail[unique]]), np.concatenate([weights[top], times * mass / count])


@dataclass
class _Branches:
    """Outcome chances of several checks under the support sets, stacked by outcome."""

    chances: Array  # (J, M)
    owner: Ints  # (J,) position in `checks`
    checks: list[int]


def _branches(checks: list[int], chances: list[Array], sets: int) -> _Branches:
    if not checks:
        return _Branches(np.zeros((0, sets)), np.zeros(0, dtype=np.int64), [])
    owner = np.repeat(np.arange(len(checks)), [c.shape[1] for c in chances])
    return _Branches(np.ascontiguousarray(np.hstack(chances).T), owner, checks)


class Lookahead:
    """Ranking of the next steps from one state of belief."""

    def __init__(self, suspicions: Suspicions, options: Options) -> None:
        self.suspicions, self.options = suspicions, options
        self.model = model = suspicions.model
        self.planner = Planner(model, np.array([r.id not in options.skip for r in model.repairs], dtype=bool))
        weights = suspicions.weights.copy()
        # The unit is known not to work; that nothing is wrong is settled by testing it, not by repairs.
        weights[~suspicions.member.any(axis=1)] = 0.0
        total = weights.sum()
        self.certain = not total > 0
        self.rows, self.weights = _support(weights / (total or 1.0), options.support)
        self.weights = self.weights / (self.weights.sum() or 1.0)
        self.member = suspicions.member[self.rows].astype(float)
        self.checks = [i for i, c in enumerate(model.checks) if c.id not in options.skip]
        self.repairs = np.flatnonzero(self.planner.allowed)
        self.check_cost = np.array([self._check_cost(c, options.level) for c in model.checks])
        self.gate_extra = np.array([self._gates(r.gates) for r in model.repairs])

    def _gates(self, gates: Collection[str]) -> float:
        return sum(self.options.gate_minutes.get(g, 0.0) for g in gates if g not in self.options.gates_open)

    def _check_cost(self, check: Check, level: int) -> float:
        return check.minutes + check.extra + self.model.setup_cost(level, check.level) + self._gates(check.gates)

    def run(self) -> list[Ranked]:
        """Every step, cheapest first; ties by id."""
        model, options = self.model, self.options
        if self.certain:
            return []
        branches = _branches(
            self.checks,
            [self.suspicions.outcome_chances(model.checks[i], self.rows) for i in self.checks],
            len(self.rows),
        )
        check_levels = np.array([model.checks[i].level for i in self.checks], dtype=np.int64)
        after = np.maximum(options.level, check_levels[branches.owner]) if self.checks else branches.owner
        values = (
            self.planner.plan_cost(self.weights * branches.chances, self.member, after, steps=self._steps(len(after)))
            if self.checks
            else np.zeros(0)
        )
        one: Array = np.array([self.check_cost[i] for i in self.checks], float)
        one = one + np.bincount(branches.owner, weights=values, minlength=len(self.checks))
        repairs = self.planner.first_repairs(
            self.weights,
            self.member,
            options.level,
            self.repairs,
            self.gate_extra,
            self._steps(len(self.repairs)),
        )
        if options.depth >= 2:
            one, repairs = self._second_step(branches, after, values, one, repairs)
        steps = [
            Ranked("check", model.checks[i].id, float(one[n]), float(self.check_cost[i]))
            for n, i in enumerate(self.checks)
        ]
        for n, r in enumerate(self.repairs):
            repair = model.repairs[r]
            minutes = repair.minutes + model.setup_cost(options.level, repair.level) + self.gate_extra[r]
            steps.append(Ranked("repair", repair.id, float(repairs[n]), float(minutes)))
        steps.append(Ranked("give up", "give up", model.give_up, 0.0))
        return sorted(steps, key=lambda s: (round(s.expected, 9), s.id))

    def _steps(self, rows: int) -> int | None:
        """Longest plan to evaluate for so many rows: all repairs when that is cheap."""
        work = rows * self.member.shape[0] * self.member.shape[1]
        full = len(self.model.repairs)
        return full if work * full < 2e7 else min(full, 14)

    # ------------------------------------------------------------ the second step

    def _second_step(
        self, branches: _Branches, after: Ints, values: Array, one: Array, repairs: Array
    ) -> tuple[Array, Array]:
        options = self.options
        information = self._information(branches)
        # Checks that only pay together show no gain alone (a two-step plan finds them): take the most
        # informative per minute as well as the best so far.
        by_value = np.argsort(one, kind="stable")
        per_minute = information / np.array([max(self.check_cost[i], 1e-9) for i in self.checks] or [1.0])
        by_information = np.argsort(-per_minute, kind="stable")
        first = _interleave(by_value, by_information, options.first)
        second = _interleave(by_value, by_information, options.second)
        keep, scale = _support(self.weights, options.second_support)
        member = self.member[keep]
        small = branches.chances[:, keep]
        one, repairs = one.copy(), repairs.copy()
        for n in first:
            mine = np.flatnonzero(branches.owner == n)
            others = [s for s in second if s != n]
            rows = scale * small[mine]
            level = int(after[mine[0]])
            gain = self._gain_of_second(rows, member, level, small, branches, others, values[mine])
            one[n] = self.check_cost[self.checks[n]] + gain
        best_repairs = [int(n) for n in np.argsort(repairs, kind="stable")[: max(2, options.first // 2)]]
        for n in best_repairs:
            repairs[n] = self._repair_then_best(n, repairs[n], second, keep, scale)
        return one, repairs

    def _information(self, branches: _Branches) -> Array:
        """Mutual information of each check and the set present [nat]."""
        if not self.checks:
            return np.zeros(0)
        chances = np.maximum(branches.chances, 1e-300)
        marginal = branches.chances @ self.weights
        spread = (branches.chances * np.log(chances)) @ self.weights
        per_row = spread - marginal * np.log(np.maximum(marginal, 1e-300))
        return np.asarray(np.bincount(branches.owner, weights=per_row, minlength=len(self.checks)), float)

    def _gain_of_second(
        self,
        rows: Array,
        member: Array,
        level: int,
        small: Array,
        branches: _Branches,
        others: list[int],
        shallow: Array,
    ) -> float:
        """Sum over outcomes of the least of: plan now, one more check first, another repair first."""
        planner = self.planner
        n = len(rows)
        levels = np.full(n, level, dtype=np.int64)
        steps = self._steps(n * max(1, len(others)))
        plan = planner.plan_cost(rows, member, levels, steps=steps)
        best = plan.copy()
        if others:
            picks = np.flatnonzero(np.isin(branches.owner, others))
            owner = np.searchsorted(np.sort(others), branches.owner[picks])
            ordered = np.sort(others)
            check_ids = [self.checks[i] for i in ordered]
            cost = np.array([self._check_cost(self.model.checks[i], level) for i in check_ids])
            deeper = np.array([max(level, self.model.checks[i].level) for i in check_ids], dtype=np.int64)
            stacked = (rows[:, None, :] * small[picks][None, :, :]).reshape(n * len(picks), -1)
            value = planner.plan_cost(stacked, member, np.tile(deeper[owner], n), steps=steps)
            mass = rows.sum(axis=1)
            for i in range(n):
                total = np.bincount(owner, weights=value[i * len(picks) : (i + 1) * len(picks)], minlength=len(ordered))
                best[i] = min(best[i], float((mass[i] * cost + total).min()))
        for i in range(n):
            which = self._likely_repairs(rows[i], member)
            if not len(which):
                continue
            first = planner.first_repairs(rows[i], member, level, which, self.gate_extra, steps)
            best[i] = min(best[i], float(first.min()))
        # The small support stands in for the larger: what a second step saves is taken from it, the level
        # from the larger.
        return float(np.maximum(shallow - np.maximum(plan - best, 0.0), 0.0).sum())

    def _likely_repairs(self, weights: Array, member: Array) -> Ints:
        gain = (weights @ member) @ self.planner.success.T / self.planner.cost
        order = np.argsort(-gain, kind="stable")
        return np.asarray(order[self.planner.allowed[order]][:6])

    def _repair_then_best(self, n: int, shallow: float, second: list[int], keep: Ints, scale: Array) -> float:
        """A repair first; if the unit then still does not work, the least of plan or one more check."""
        repair = int(self.repairs[n])
        member = self.member[keep]
        success = self.planner.success[repair]
        touched = (member * (success > 0)).any(axis=1)
        done = np.where((member > 0) & (success > 0), success, 1.0)[touched].prod(axis=1)
        after = member[touched] * (success == 0)
        sets = np.vstack([member[~touched], after, member[touched]])
        weights = np.concatenate([scale[~touched], scale[touched] * done, scale[touched] * (1.0 - done)])
        weights = np.where(sets.any(axis=1), weights, 0.0)
        used_keep = weights > 1e-12
        sets, weights = sets[used_keep], weights[used_keep]
        if not len(weights):
            return shallow
        level = max(self.options.level, int(self.planner.level[repair]))
        used = np.zeros((1, len(self.planner.cost)), dtype=bool)
        used[0, repair] = True
        steps = self._steps(len(second) * 3)
        plan = float(self.planner.plan_cost(weights[None, :], sets, np.array([level]), used=used, steps=steps)[0])
        if not second:
            return shallow
        checks = [self.checks[i] for i in second]
        fresh = _branches(
            checks,
            [self.suspicions.fresh_outcome_chances(self.model.checks[i], sets) for i in checks],
            len(sets),
        )
        levels = np.array([max(level, self.model.checks[i].level) for i in checks], dtype=np.int64)
        value = self.planner.plan_cost(
            weights * fresh.chances,
            sets,
            levels[fresh.owner],
            used=np.tile(used, (len(fresh.owner), 1)),
            steps=steps,
        )
        cost = np.array([self._check_cost(self.model.checks[i], level) for i in checks])
        total = weights.sum() * cost + np.bincount(fresh.owner, weights=value, minlength=len(checks))
        return shallow - max(0.0, plan - float(total.min()))


def _interleave(a: Ints, b: Ints, count: int) -> list[int]:
    """The first `count` of two rankings, taken in turns, each once."""
    out: list[int] = []
    for pair in zip(a, b, strict=True):
        for each in pair:
            if int(each) not in out and len(out) < count:
                out.append(int(each))
    return out


def rank(suspicions: Suspicions, options: Options | None = None) -> list[Ranked]:
    """Checks, repairs and giving up, by expected minutes to a working unit.

    Barring is not decided here: see `refettle.faults.advice`.
    """
    return Lookahead(suspicions, options or Options()).run()
