"""Simulated units, to measure how good advice is: a world with known faults, and two ways of working.

The world draws faults from the model's own priors, so the comparison says what following the advice saves if the
weights are right; it does not say that they are. Randomness comes in as a generator.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from refettle.faults.evidence import Done, Event, Reading
from refettle.faults.hypotheses import Hypotheses
from refettle.faults.model import GOOD, Array, Check, Model
from refettle.faults.planning import Options, rank
from refettle.faults.posterior import Suspicions


class World:
    """A unit with known faults, on a bench with known gear.

    Parameters
    ----------
    model : Model
    points : sequence of str
        Checks that look at the outputs: the unit works if all of them show good.
    rng : numpy Generator
    """

    def __init__(self, model: Model, points: Sequence[str], rng: np.random.Generator) -> None:
        self.model, self.rng = model, rng
        self.points = [model.checks[model.check_index[p]] for p in points]
        self.dormant = {
            i: model.mode_index[m.dormant_of] for i, m in enumerate(model.modes) if m.dormant_of is not None
        }
        self.other = next((i for i, m in enumerate(model.modes) if m.other), None)
        prior = np.array([m.prior for m in model.modes])
        while True:
            self.present = set(np.flatnonzero(rng.random(len(prior)) < prior).tolist())
            self._other_level: dict[str, int] = {}
            self.stuck = {g.id: self._draw_stuck(g.fault_unproven) for g in model.gear if not g.per_check}
            self.stuck_at: dict[str, str] = {}
            if not self.works():
                break
        self.minutes = 0.0
        self.parts = 0.0
        self.level = 0

    def _draw_stuck(self, fault: float) -> str:
        draw = self.rng.random()
        return "good" if draw < fault / 2 else "bad" if draw < fault else ""

    # ------------------------------------------------------------ looking

    def true_level(self, check: Check) -> int:
        """The level that a check would show without error, in this run."""
        level = 0
        for m in self.present:
            if m == self.other:
                if check.id not in self._other_level:
                    self._other_level[check.id] = int(self.rng.choice(len(check.outcomes), p=check.shows[m]))
                level = max(level, self._other_level[check.id])
                continue
            chances = check.shows[m]
            sure = int(chances.argmax())
            drawn = sure if chances[sure] > 1 - 1e-9 else int(self.rng.choice(len(chances), p=chances))
            level = max(level, drawn)
        return level

    def works(self) -> bool:
        """True if every output shows good in this run."""
        return all(self.true_level(p) == 0 for p in self.points)

    def look(self, check: Check) -> str:
        """Make a check: what is read, errors included. Its minutes are counted."""
        self.minutes += check.minutes + self.model.setup_cost(self.level, check.level)
        self.level = max(self.level, check.level)
        gear = self.model.gear[self.model.gear_index[check.gear]]
        if gear.per_check and check.id not in self.stuck_at:
            self.stuck_at[check.id] = self._draw_stuck(gear.fault_unproven)
        stuck = self.stuck_at[check.id] if gear.per_check else self.stuck[gear.id]
        if stuck == "good":
            return GOOD
        if stuck == "bad":
            return check.outcomes[int(self.rng.integers(1, len(check.outcomes)))]
        return check.outcomes[int(self.rng.choice(len(check.outcomes), p=check.error[self.true_level(check)]))]

    # ------------------------------------------------------------ repairing

    def repair(self, r: int) -> bool:
        """Make a repair and the function test after it; True if the unit works then."""
        repair = self.model.repairs[r]
        self.minutes += repair.minutes + self.model.retest + self.model.setup_cost(self.level, repair.level)
        self.parts += repair.parts
        self.level = max(self.level, repair.level)
        for mode, chance in repair.fixes.items():
            if self.rng.random() < chance:
                self.present.discard(self.model.mode_index[mode])
        if self.rng.random() < repair.harm:
            self.minutes += repair.harm_minutes
            if repair.causes is not None:
                self.present.add(self.model.mode_index[repair.causes])
        self._new_run()
        return self.works()

    def _new_run(self) -> None:
        for dormant, acting in self.dormant.items():
            here = self.present & {dormant, acting}
            if here:
                self.present -= here
                a, d = self.model.modes[acting].prior, self.model.modes[dormant].prior
                self.present.add(acting if self.rng.random() < a / (a + d) else dormant)

    def complaint(self) -> tuple[Check, str]:
        """The first output seen to fail, and how."""
        for point in self.points:
            level = self.true_level(point)
            if level:
                return point, point.outcomes[level]
        raise AssertionError("the unit works")


@dataclass(frozen=True)
class Outcome:
    """What one simulated job took."""

    minutes: float
    parts: float
    steps: int
    works: bool


def follow_advice(
    world: World, hypotheses: Hypotheses, options: Options, limit: int = 60, log: list[Event] | None = None
) -> Outcome:
    """Do what `rank` puts first until the unit works, at most `limit` steps. What happened is added to `log`."""
    suspicions = Suspicions(world.model, hypotheses)

    def add(event: Event) -> None:
        suspicions.add(event)
        if log is not None:
            log.append(event)

    point, outcome = world.complaint()
    add(Reading(point.id, {outcome: 1}))
    done: set[str] = set()
    for step in range(1, limit + 1):
        here = Options(
            level=world.level,
            depth=options.depth,
            support=options.support,
            first=options.first,
            second=options.second,
            skip=frozenset(done) | frozenset(options.skip),
        )
        best = next(r for r in rank(suspicions, here) if r.kind != "give up")
        if best.kind == "check":
            check = world.model.checks[world.model.check_index[best.id]]
            add(Reading(check.id, {world.look(check): 1}))
            done.add(check.id)
            continue
        works = world.repair(world.model.repair_index[best.id])
        add(Done(best.id))
        if works:
            for each in world.points:
                add(Reading(each.id, {GOOD: 1}))
            return Outcome(world.minutes, world.parts, step, True)
        point, outcome = world.complaint()
        add(Reading(point.id, {outcome: 1}))
        done = set()
    return Outcome(world.minutes, world.parts, limit, False)


def fixed_order(world: World, hypotheses: Hypotheses, visual: str | None, first: Sequence[int]) -> Outcome:
    """The order most people use: look the board over and repair what that shows, then the repairs in `first`
    (replace all capacitors), then swap block after block, testing after each.

    A good worker, not a strawman: blocks go in the order of chance-per-minute given the complaint, each by its most
    thorough repair; two rounds, then the unit is put aside at no further cost.
    """
    model = world.model
    suspicions = Suspicions(model, hypotheses)
    point, outcome = world.complaint()
    suspicions.add(Reading(point.id, {outcome: 1}))
    suspected = suspicions.suspicion()

    def by_gain(weights: Array) -> list[int]:
        order: list[int] = np.argsort(-(model.success @ weights) / model.repair_cost, kind="stable").tolist()
        return order

    steps = 0
    queue: list[int] = []
    if visual is not None:
        steps += 1
        check = model.checks[model.check_index[visual]]
        seen = world.look(check)
        if seen != GOOD:
            queue += by_gain(check.shows[:, check.outcomes.index(seen)] * suspected)[:1]
    queue += [r for r in first if r not in queue]
    thorough: dict[str, int] = {}
    for r, repair in enumerate(model.repairs):
        held = thorough.get(repair.block)
        if repair.block and (held is None or model.success[r] @ suspected > model.success[held] @ suspected):
            thorough[repair.block] = r
    queue += [r for r in by_gain(suspected) if r in thorough.values() and r not in queue]
    for _ in range(2):
        for r in queue:
            steps += 1
            if world.repair(r):
                return Outcome(world.minutes, world.parts, steps, True)
    return Outcome(world.minutes, world.parts, steps, False)


__all__ = ["Outcome", "World", "fixed_order", "follow_advice"]
