"""What was found, and how sure: of each block the chance that it was at fault when the unit came, by the whole log,
and the best evidence for it. Pure: no database and no framework.

Best evidence, in this order: a known-good one in its place put it right (proven by swap); a check of the block itself
with an instrument (measured) or by eye or ear (seen) came out bad; else it was inferred from what the outputs showed.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from refettle import faults
from refettle.book.elsewhere import kept, work_out
from refettle.book.handover_model import Found, How, chance_words, headed
from refettle.book.lesson import CAP
from refettle.book.log import LogEntry
from refettle.book.state import Evidence, JobState
from refettle.faults.hindsight import Hindsight, hindsight
from refettle.knowledge.compile import DORMANT, CompiledType
from refettle.language import spoken, tr

LEAST_BLOCK, LEAST_MODE, MOST = 0.1, 0.05, 8
"""Blocks and failure modes below these chances are not listed, and at most so many blocks."""
BORNE_OUT = 0.5
"""A swap that put it right proves a block only where the whole log makes it at least so likely."""
SENSES = ("eye", "ear", "owner")


def found_of(state: JobState) -> tuple[tuple[Found, ...], str]:
    """What was found, most likely first; and what must be said of it all."""
    if not _was_looked_for(state):
        return (), tr("No output was said or seen to fail, so no fault was looked for.")
    try:
        seen = _hindsight(state.compiled, _Log(tuple(state.events)))
    except faults.ModelError as error:
        return (), tr("What was found cannot be worked out: {error}", error=error)
    blocks = sorted(seen.blocks.items(), key=lambda item: (-round(item[1], 6), item[0]))
    listed = [(b, chance) for b, chance in blocks if chance >= LEAST_BLOCK or _evidence_of(state, b)][:MOST]
    found = tuple(_found(state, seen, block, chance) for block, chance in listed)
    note = tr(
        "Chances are the fault model's, with every check in the log; its weights are estimates, "
        "and trials of proving are not in them. Blocks not named stay below {least:.0f}\u202f% each.",
        least=100 * LEAST_BLOCK,
    )
    if not found:
        note = tr(
            "The log points at nothing in particular: no block comes to {least:.0f}\u202f%.", least=100 * LEAST_BLOCK
        )
    return found, note


def _was_looked_for(state: JobState) -> bool:
    return bool(state.failing or state.failed_before or state.repairs_done)


def is_found(state: JobState) -> bool:
    """True where `found_of` does not take long: what it looks back on was worked out, or there is nothing."""
    return not _was_looked_for(state) or _hindsight.holds(state.compiled, _Log(tuple(state.events)))


def verified_of(state: JobState) -> tuple[str, ...]:
    """What the function test after the last repair showed at each output that failed, in words."""
    if not state.repairs_done and not state.failed_before:
        return tuple(tr("{point}: fails", point=_point(state, point)) for point in sorted(state.failing))
    said = []
    for point in sorted(state.failed_before | state.failing):
        if point in state.failing:
            said.append(tr("{point}: still fails after the last repair", point=_point(state, point)))
        elif point in state.done_since:
            last = next((e for e in reversed(state.evidence) if e.step == point and e.kind == "check"), None)
            where = tr(" (entry {n})", n=last.n) if last else ""
            said.append(
                tr(
                    "{point}: good in the function test after the last repair{where}",
                    point=_point(state, point),
                    where=where,
                )
            )
        else:
            said.append(tr("{point}: not looked at after the last repair", point=_point(state, point)))
    return tuple(said)


def _point(state: JobState, point: str) -> str:
    step = state.compiled.steps.get(point)
    return headed(step.name.removeprefix("Look: ") if step else point)


@lru_cache(maxsize=16)
def _sets(compiled: CompiledType) -> faults.Hypotheses:
    return faults.enumerate_sets(compiled.model, cap=CAP)


@dataclass(frozen=True, eq=False)
class _Log:
    """Lets the same log be looked back on once."""

    events: tuple[faults.Event, ...]

    def __hash__(self) -> int:
        return hash(repr(self.events))

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Log) and repr(self.events) == repr(other.events)


@kept(512)
def _hindsight(compiled: CompiledType, log: _Log) -> Hindsight:
    return work_out(_looked_back, compiled, log.events)


def _looked_back(compiled: CompiledType, events: tuple[faults.Event, ...]) -> Hindsight:
    return hindsight(compiled.model, events, _sets(compiled))


def _found(state: JobState, seen: Hindsight, block: str, chance: float) -> Found:
    compiled = state.compiled
    resolved = compiled.loaded.blocks.get(block)
    modes = [
        (mode.name, seen.modes.get(mode.id, 0.0))
        for mode in compiled.model.modes
        if mode.block == block and not mode.id.endswith(DORMANT) and seen.modes.get(mode.id, 0.0) >= LEAST_MODE
    ]
    how, by = _how(state, block, chance)
    return Found(
        block=spoken(resolved.name) if resolved else tr("Something not modelled"),
        chance=chance,
        modes=tuple(sorted(modes, key=lambda item: -item[1])),
        how=how,
        by=by,
        bench=bool(resolved and resolved.bench_gear),
        repaired=_repaired(state, seen, block),
    )


def _how(state: JobState, block: str, chance: float) -> tuple[How, str]:
    best = _evidence_of(state, block)
    order: tuple[How, ...] = ("proven by swap", "measured", "seen")
    for how in order:
        if how in best:
            borne_out = how != "proven by swap" or chance >= BORNE_OUT
            return how if borne_out else "pointed to by a swap", best[how]
    if any(e.kind == "check" for e in state.evidence):
        return "inferred", tr("from what the outputs and other checks showed")
    return "said by the owner", tr("nothing was looked at on the bench")


def _evidence_of(state: JobState, block: str) -> dict[How, str]:
    """The first direct evidence of each sort that this block was at fault."""
    entries = {entry.n: entry for entry in state.entries}
    best: dict[How, str] = {}
    for item in state.evidence:
        info = state.compiled.steps.get(item.step)
        if item.kind != "check" or info is None or info.is_point or info.block != block:
            continue
        good = _was_good(entries.get(item.n), item)
        if good is None:
            continue
        by = tr("{name}: {result} (entry {n})", name=spoken(info.name), result=item.said, n=item.n)
        if info.swap and good:
            best.setdefault("proven by swap", by)
        elif not info.swap and not good:
            sensed = info.gear in SENSES
            proof = "" if sensed or item.gear_proven else tr("; the instrument was not proven that day")
            best.setdefault("seen" if sensed else "measured", by + proof)
    return best


def _was_good(entry: LogEntry | None, item: Evidence) -> bool | None:
    """Whether a check came out good; None where it was mixed or told nothing."""
    if entry is None:
        return None
    data: Mapping[str, Any] = entry.data
    if entry.kind not in ("check", "reading"):
        return True  # the gate of the first power-on counts as these checks made, with nothing found
    if entry.kind == "reading":
        grades = data.get("decides", {}).get(item.step, {})
    else:
        grades = data.get("likelihood") or data.get("counts") or {str(data.get("outcome", "")): 1}
    grades = {outcome: float(value) for outcome, value in grades.items() if float(value) > 0}
    if not grades:
        return None
    if entry.kind == "check" and data.get("counts"):
        return set(grades) == {faults.GOOD}
    strongest: str = max(grades, key=lambda outcome: grades[outcome])
    return strongest == faults.GOOD


def _repaired(state: JobState, seen: Hindsight, block: str) -> str:
    """What was done for this block, and whether it was what cured, in words."""
    own = {mode.id for mode in state.compiled.model.modes if mode.block == block}
    said = []
    for cure in seen.cures:
        info = state.compiled.steps.get(cure.repair)
        if info is None or not own & set(info.fixes):
            continue
        said.append(
            tr(
                "{name} (entry {n}): chance that it cured something {chance}",
                name=spoken(info.name),
                n=cure.ref,
                chance=chance_words(cure.cured),
            )
        )
    return "; ".join(said)
