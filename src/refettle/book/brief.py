"""Jobs in brief, for lists: where each stands, from the few kinds of its entries that say so, without any suspicion."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from refettle.book.kept import of_logs
from refettle.book.ledger import LEDGER_KINDS, ledger
from refettle.book.log import LogError, effective
from refettle.book.models import Job
from refettle.book.money import MONEY_KINDS, Money, Run, money_of
from refettle.book.soaks import RunningSoak, running_soaks

EVIDENCE = ("check", "reading", "repair", "complaint")
BRIEF_KINDS = (*LEDGER_KINDS, *EVIDENCE, *sorted(MONEY_KINDS), "soak")


@dataclass(frozen=True)
class Brief:
    """Where a job stands. `out`: designators of parts that are out; `off`: pieces still off; `running`: its timer, if
    it runs; `unread`: its log cannot be read."""

    stage: str = "take-in"
    waits_for: str = ""
    out: tuple[str, ...] = ()
    off: int = 0
    running: Run | None = None
    soaks: tuple[RunningSoak, ...] = ()
    money: Money | None = None
    unread: bool = False


def briefs(jobs: Sequence[Job], closed: bool = False) -> dict[int, Brief]:
    """Of each job by its number; some queries for all of them. `closed`: of closed jobs, which is how they ended."""
    return of_logs("ended", jobs, ("stage",), ended) if closed else of_logs("brief", jobs, BRIEF_KINDS, brief)


def ended(entries: Iterable[dict[str, Any]]) -> Brief:
    """Of a closed job's stages: of other entries, those that were corrected are among them, which say nothing alone."""
    try:
        stages = [e for e in effective(entries) if e.kind == "stage" and not e.void]
    except LogError:
        return Brief(unread=True)
    return Brief(str(stages[-1].data["stage"]) if stages else "take-in")


def brief(entries: Iterable[dict[str, Any]]) -> Brief:
    """Of a log, or of as much of it as BRIEF_KINDS says."""
    try:
        counting = [e for e in effective(entries) if not e.void]
    except LogError:
        return Brief(unread=True)
    stage, waits, moved = "take-in", "", False
    for entry in counting:
        if entry.kind == "stage":
            stage, waits = str(entry.data["stage"]), str(entry.data.get("waits_for", ""))
        decides = entry.kind != "reading" or entry.data.get("decides")
        moved = moved or bool(entry.kind in EVIDENCE and decides)
    stage = "fault finding" if stage == "take-in" and moved else stage
    try:
        money: Money | None = money_of(counting)
    except LogError:
        money = None
    running = money.running if money is not None else None
    book = ledger(counting)
    out, off = tuple(place.ref for place in book.out_now), sum(line.missing for line in book.open_lines)
    return Brief(stage, waits, out, off, running, tuple(running_soaks(counting)), money)
