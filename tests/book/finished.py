"""Simulated finished jobs, with what was really wrong with each: logs as somebody would write them."""

from __future__ import annotations

from typing import Any

import numpy as np

from refettle import faults
from refettle.faults.planning import rank
from refettle.faults.simulate import World
from refettle.knowledge.compile import OWNER, CompiledType
from tests.book.logs import Entry, entry


def finished_log(compiled: CompiledType, seed: int, steps: int = 40) -> tuple[list[Entry], set[str]]:
    """The log of a unit repaired by the advice, one step ahead, and the blocks that were at fault."""
    model = compiled.model
    points = [step.id for step in compiled.steps.values() if step.is_point]
    world = World(model, points, np.random.default_rng(seed))
    at_fault = {model.modes[i].block for i in world.present}
    sets = faults.enumerate_sets(model, cap=600)
    suspicions = faults.Suspicions(model, sets)
    log: list[Entry] = []

    def write(kind: str, **fields: Any) -> None:
        log.append(entry(len(log) + 1, kind, len(log) / 60, **fields))

    def seen(check: str, outcome: str, kind: str = "check") -> None:
        suspicions.add(faults.Reading(check, {outcome: 1}))
        if kind == "complaint":
            write(kind, point=check.removeprefix(OWNER), outcome=outcome)
        else:
            write(kind, check=check, outcome=outcome)

    first, outcome = world.complaint()
    seen(OWNER + first.id, outcome, "complaint")
    done = {c.id for c in model.checks if c.id.startswith(OWNER)}
    for _ in range(steps):
        options = faults.Options(depth=1, level=world.level, skip=frozenset(done), support=60, first=6)
        best = next(r for r in rank(suspicions, options) if r.kind != "give up")
        if best.kind == "check":
            seen(best.id, world.look(model.checks[model.check_index[best.id]]))
            done.add(best.id)
            continue
        works = world.repair(model.repair_index[best.id])
        suspicions.add(faults.Done(best.id))
        write("repair", repair=best.id, minutes=20.0, parts=4.0)
        done = {c.id for c in model.checks if c.id.startswith(OWNER)}
        if works:
            for point in points:
                seen(point, faults.GOOD)
            write("stage", stage="handed over", why="proven on another sheet")
            return log, at_fault
        point, outcome = world.complaint()
        seen(point.id, outcome)
    write("stage", stage="parted out", why="not found")
    return log, at_fault
