"""The turning points of a job: the check that decided, the wrong track, the repair that put it right. Pure.

The log is gone through once more and the suspicion of each block noted after every reading. Between two repairs,
with the block that the next repair was for,

- the check that decided raised its log odds most, to `DECIDED` or more;
- the check that cleared a wrong track brought another block, suspected with `TRACK` or more, below `CLEARED`.

A repair put it right where all that failed before was seen good before the next one; it did not where something was
seen to fail again. The thresholds are choices.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from math import log

from refettle import faults
from refettle.book.log import LogEntry
from refettle.book.state import JobState
from refettle.knowledge.compile import OWNER
from refettle.language import spoken, tr

DECIDED, TRACK, CLEARED = 0.4, 0.5, 0.15
EDGE = 0.005
"""Chances nearer to 0 or 1 are taken as this near."""


@dataclass
class _Stretch:
    """What was read between two repairs: entry -> suspicion of each block after it, in order; and how it began."""

    start: dict[str, float]
    after: list[tuple[int, dict[str, float]]] = field(default_factory=list)
    repair: tuple[int, str] | None = None
    """The repair that ended it: entry and id."""


def turning_points(state: JobState) -> dict[int, str]:
    """By entry, what turned there, in words; empty where the log tells nothing of the kind."""
    try:
        stretches = _stretches(state)
    except faults.ModelError:
        return {}
    found: dict[int, list[str]] = {}
    for stretch in stretches:
        for n, words in _of_stretch(state, stretch):
            found.setdefault(n, []).append(words)
    for n, words in _repairs(state):
        found.setdefault(n, []).append(words)
    return {n: " ".join(words) for n, words in sorted(found.items())}


def _stretches(state: JobState) -> list[_Stretch]:
    suspicions = faults.Suspicions(state.compiled.model, state.compiled.hypotheses())
    made = [_Stretch(faults.block_suspicion(suspicions))]
    for event in state.events:
        suspicions.add(event)
        if isinstance(event, faults.Done):
            made[-1].repair = int(event.ref or 0), event.repair
            made.append(_Stretch(faults.block_suspicion(suspicions)))
        elif isinstance(event, faults.Reading) and event.ref:
            n, now = int(event.ref), faults.block_suspicion(suspicions)
            if made[-1].after and made[-1].after[-1][0] == n:  # one entry may decide several checks
                made[-1].after.pop()
            made[-1].after.append((n, now))
    return made


def _of_stretch(state: JobState, stretch: _Stretch) -> Iterable[tuple[int, str]]:
    if not stretch.after:
        return
    last = stretch.after[-1][1]
    blocks = [block for block in last if block != "other"]
    if stretch.repair is not None:
        info = state.compiled.steps.get(stretch.repair[1])
        fixed = {mode.split(".")[0] for mode in info.fixes} if info else set()
        blocks = [block for block in blocks if block in fixed]
    block = max(blocks, key=lambda b: last[b], default="")
    complaints = {entry.n for entry in state.entries if entry.kind == "complaint"}
    if block and last[block] >= DECIDED:
        before, best = stretch.start, (log(2.0), 0, 0.0, 0.0)
        for n, now in stretch.after:
            rise = _odds(now[block]) - _odds(before[block])
            if n not in complaints and now[block] >= DECIDED and rise > best[0]:
                best = rise, n, before[block], now[block]
            before = now
        if best[1]:
            yield (
                best[1],
                tr(
                    "This decided: suspicion of {block} rose from {before} to {after}.",
                    block=_name(state, block),
                    before=_percent(best[2]),
                    after=_percent(best[3]),
                ),
            )
    for other in last:
        if other in (block, "other"):
            continue
        before, top = stretch.start, stretch.start[other]
        for n, now in stretch.after:
            top = max(top, before[other])
            if top >= TRACK and now[other] < CLEARED:
                yield (
                    n,
                    tr(
                        "This cleared {block}, suspected with {chance} before.",
                        block=_name(state, other),
                        chance=_percent(top),
                    ),
                )
                break
            before = now


def _repairs(state: JobState) -> Iterable[tuple[int, str]]:
    """Of each repair, whether what failed before it was good after it."""
    points = {step.id for step in state.compiled.steps.values() if step.is_point}
    failed: set[str] = set()
    good: set[str] = set()
    bad: set[str] = set()
    repair = 0
    for entry in [*state.entries, None]:
        if entry is None or (entry.kind == "repair" and not entry.void):
            if repair and failed:
                if bad & failed:
                    yield repair, tr("It still failed after this.")
                elif failed <= good:
                    yield repair, tr("All that failed was seen good after this.")
                    failed = set()
            if entry is not None:
                failed, good, bad, repair = failed | bad, set(), set(), entry.n
            continue
        if entry.void or entry.kind not in ("check", "complaint"):
            continue
        point, shown = _seen(entry)
        if point in points and shown is not None:
            (good.discard if shown else good.add)(point)
            (bad.add if shown else bad.discard)(point)


def _seen(entry: LogEntry) -> tuple[str, bool | None]:
    """Where was looked, and whether it failed there; None where nothing tells."""
    data: Mapping[str, object] = entry.data
    point = str(data.get("point") or data.get("check") or "").removeprefix(OWNER)
    counts = data.get("counts")
    if isinstance(counts, Mapping):
        return point, any(n for outcome, n in counts.items() if outcome != faults.GOOD)
    return point, None if data.get("outcome") is None else data["outcome"] != faults.GOOD


def _name(state: JobState, block: str) -> str:
    return spoken(state.compiled.block_name(block))


def _odds(chance: float) -> float:
    held = min(1.0 - EDGE, max(EDGE, chance))
    return log(held / (1.0 - held))


def _percent(chance: float) -> str:
    return "below 1 %" if chance < 0.01 else "above 99 %" if chance > 0.99 else f"{100 * chance:.0f} %"
