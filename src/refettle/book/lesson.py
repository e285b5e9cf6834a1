"""What one finished job teaches, worked out from its unit type and its log. Pure: no database and no framework.

A lesson is plain values that can be kept, and sent to another bench: a unit type's name, ids of its blocks, kinds,
failure modes and repairs, and numbers. No serial, owner, name of a person, photo, date or text of the log is in it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from functools import lru_cache
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from refettle import faults
from refettle.book.log import LogError
from refettle.book.replay import replay
from refettle.book.state import JobState
from refettle.faults.hindsight import expected_found, hindsight, predictions
from refettle.knowledge.compile import DORMANT, OWNER, CompiledType
from refettle.language import tr

RULES = 1
"""Raised when lessons are worked out in another way; those kept are then made anew."""
CAP = 3000
"""Sets of failure modes enumerated; hindsight adds those that the log asks for."""
SMALL = 0.02
"""Modes found with less than this chance are not listed."""
WHOLE_UNIT = "whole unit"
"""Stands for the kind of repairs that belong to a unit type and not to one block."""

_Share = Annotated[float, Field(ge=0, le=1)]
_Id = Annotated[str, Field(min_length=1, max_length=120, pattern=r"^[^\x00-\x1f<>]+$")]
_Minutes = Annotated[float, Field(ge=0, le=100_000)]


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class BlockFound(_Part):
    """A block: how often it was expected at fault by the shipped weights, and the chance that it was, in the end."""

    kind: _Id
    expected: _Share
    found: _Share


class CureTried(_Part):
    """A repair made: chance that something was there for it, that it went, what was said of it, and what was noted."""

    repair: _Id
    kind: _Id
    said: _Share
    tried: _Share
    cured: _Share
    minutes: _Minutes | None = None
    parts: Annotated[float, Field(ge=0, le=1e6)] | None = None


class LessonData(_Part):
    """A finished job's lesson. `checks` are of each check with one outcome: the chance said of anything but good,
    whether that came, and the chance said of what came."""

    type: Annotated[str, Field(min_length=1, max_length=200, pattern=r"^[^\x00-\x1f<>]+$")]
    end: Literal["handed over", "parted out"]
    failed: bool
    works: bool
    blocks: Annotated[dict[_Id, BlockFound], Field(max_length=300)]
    modes: Annotated[dict[_Id, _Share], Field(max_length=1000)]
    cures: Annotated[list[CureTried], Field(max_length=1000)]
    checks: Annotated[list[tuple[_Share, bool, _Share]], Field(max_length=5000)]
    minutes: _Minutes
    replace_all: Annotated[float, Field(ge=0, le=1e7)]


def read_lesson(data: Any) -> dict[str, Any]:
    """A lesson from elsewhere, checked, in plain form. Raises ValueError naming the field."""
    try:
        return LessonData.model_validate(data).model_dump(mode="json", exclude_none=True)
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        where = ".".join(str(p) for p in first["loc"])
        raise ValueError(
            tr(
                "{where}: {found!r} found; allowed: {allowed}",
                where=where or "job",
                found=str(first.get("input"))[:60],
                allowed=first["msg"],
            )
        ) from None


def lesson(compiled: CompiledType, entries: Iterable[Mapping[str, Any]]) -> dict[str, Any]:
    """What a finished job teaches.

    Parameters
    ----------
    compiled : CompiledType
        With the shipped weights: what was found is not to be seen through what was learned before.
    entries : iterable of mappings
        The whole log.

    Raises
    ------
    LogError
        Type and log do not fit, or the job is not finished.
    """
    log = list(entries)
    state = replay(compiled, log)
    if state.stage not in ("handed over", "parted out"):
        raise LogError(
            tr("stage: '{stage}' found; allowed: a job handed over or parted out", stage=state.stage), field="stage"
        )
    try:
        return _lesson(compiled, state)
    except faults.ModelError as error:
        raise LogError(str(error)) from None


def _lesson(compiled: CompiledType, state: JobState) -> dict[str, Any]:
    sets = _sets(compiled)
    seen = hindsight(compiled.model, state.events, sets)
    said = seen.predictions
    if state.compiled is not compiled:  # the advice was given with weights of its own
        said = predictions(state.compiled.model, state.events, _sets(state.compiled))
    expected = _expected(compiled)
    blocks = {
        block: {
            "kind": each.kind,
            "expected": round(expected.get(block, 0.0), 5),
            "found": round(seen.blocks[block], 4),
        }
        for block, each in compiled.loaded.blocks.items()
    }
    out: dict[str, Any] = {
        "type": compiled.loaded.name,
        "end": state.stage,
        "failed": _failed(state),
        "works": _works(state),
        "blocks": blocks,
        "modes": {mode: round(chance, 4) for mode, chance in seen.modes.items() if chance >= SMALL},
        "cures": _cures(compiled, state, seen.cures),
        "checks": [
            [round(p.bad, 4), p.came_bad, round(p.of_outcome, 6)] for p in said if not p.check.startswith(OWNER)
        ],
        "minutes": round(state.minutes, 1),
        "replace_all": round(_replace_all(compiled, state), 1),
    }
    return read_lesson(out)


@lru_cache(maxsize=16)
def _sets(compiled: CompiledType) -> faults.Hypotheses:
    return faults.enumerate_sets(compiled.model, cap=CAP)


@lru_cache(maxsize=64)
def _expected(compiled: CompiledType) -> dict[str, float]:
    points = [step.id for step in compiled.steps.values() if step.is_point]
    return expected_found(compiled.model, _sets(compiled), points)


def _failed(state: JobState) -> bool:
    """Whether the unit was ever said or seen to fail: a unit that came for care alone tells nothing of weights."""
    return bool(state.failing or state.failed_before or state.repairs_done)


def _works(state: JobState) -> bool:
    """Whether every output that failed was seen good at the last look."""
    return bool(state.done_since) and not state.failing and state.failed_before <= state.done_since


def _cures(compiled: CompiledType, state: JobState, judged: Sequence[Any]) -> list[dict[str, Any]]:
    logged = {str(entry.n): entry.data for entry in state.entries if entry.kind == "repair" and not entry.void}
    out = []
    for cure in judged:
        step, data = compiled.steps[cure.repair], logged.get(cure.ref, {})
        block = compiled.loaded.blocks.get(step.block)
        chances = [chance for mode, chance in step.fixes.items() if not mode.endswith(DORMANT)]
        each: dict[str, Any] = {
            "repair": cure.repair.removeprefix(f"{step.block}."),
            "kind": block.kind if block else WHOLE_UNIT,
            "said": round(max(chances, default=0.0), 4),
            "tried": round(cure.tried, 4),
            "cured": round(cure.cured, 4),
        }
        each |= {field: float(data[field]) for field in ("minutes", "parts") if data.get(field) is not None}
        out.append(each)
    return out


def _replace_all(compiled: CompiledType, state: JobState) -> float:
    """[min] of replacing everything without looking, as far as was known when the unit came."""
    told = []
    for event in state.events:
        if not (isinstance(event, faults.Reading) and event.check.startswith(OWNER)):
            break
        told.append(event)
    return faults.replace_all_minutes(faults.replay(compiled.model, told, _sets(compiled)))


def lesson_or_trouble(compiled: CompiledType, entries: Iterable[Mapping[str, Any]]) -> tuple[dict[str, Any], str]:
    """The lesson, or nothing and why."""
    try:
        return lesson(compiled, entries), ""
    except LogError as error:
        return {}, str(error)
