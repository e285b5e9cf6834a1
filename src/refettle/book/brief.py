"""Jobs in brief, for lists: where each stands, from the few kinds of its entries that say so, without any suspicion.

What was worked out of a log is kept under the number of its last entry, so that an entry, by whoever written, makes it
anew; and under the last erasure, which alters texts where they stand.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from django.core.cache import cache
from django.db import connection
from django.db.models import Max

from refettle.book.ledger import LEDGER_KINDS, Ledger, ledger
from refettle.book.log import LogError, effective
from refettle.book.models import Job
from refettle.book.models_privacy import Erasure
from refettle.book.money import MONEY_KINDS, Money, Run, money_of
from refettle.book.soaks import RunningSoak, running_soaks
from refettle.book.written import entries_of, last_n

EVIDENCE = ("check", "repair", "complaint")
BRIEF_KINDS = (*LEDGER_KINDS, *EVIDENCE, *sorted(MONEY_KINDS), "soak")
KEPT_S = 7 * 24 * 3600


@dataclass(frozen=True)
class Brief:
    """Where a job stands. `left_over`: what is out or off; `running`: its timer, if it runs; `trouble`: why its log
    cannot be read."""

    stage: str = "take-in"
    waits_for: str = ""
    left_over: str = ""
    running: Run | None = None
    soaks: tuple[RunningSoak, ...] = ()
    money: Money | None = None
    trouble: str = ""


def briefs(jobs: Sequence[Job]) -> dict[int, Brief]:
    """Of each job by its number; some queries for all of them."""
    if not jobs:
        return {}
    erased = Erasure.objects.aggregate(last=Max("pk"))["last"] or 0
    last = dict(Job.objects.filter(pk__in=[job.pk for job in jobs]).values_list("pk", last_n()))
    keys = {job.number: f"brief-{job.pk}-{last[job.pk]}-{erased}" for job in jobs}
    kept: dict[str, Brief] = cache.get_many(keys.values())
    missing = [job for job in jobs if keys[job.number] not in kept]
    made = {number: brief(log) for number, log in entries_of(missing, BRIEF_KINDS).items()} if missing else {}
    # Within a transaction that may yet be undone the next entry of that number can be another.
    if made and not connection.in_atomic_block:
        cache.set_many({keys[number]: each for number, each in made.items()}, KEPT_S)
    return {number: made[number] if number in made else kept[key] for number, key in keys.items()}


def brief(entries: Iterable[dict[str, Any]]) -> Brief:
    """Of a log, or of as much of it as BRIEF_KINDS says."""
    try:
        counting = [e for e in effective(entries) if not e.void]
    except LogError as error:
        return Brief("log cannot be read", trouble=str(error))
    stage, waits, moved = "take-in", "", False
    for entry in counting:
        if entry.kind == "stage":
            stage, waits = str(entry.data["stage"]), str(entry.data.get("waits_for", ""))
        moved = moved or entry.kind in EVIDENCE
    stage = "fault finding" if stage == "take-in" and moved else stage
    try:
        money: Money | None = money_of(counting)
    except LogError:
        money = None
    running = money.running if money is not None else None
    return Brief(stage, waits, _left_over(ledger(counting)), running, tuple(running_soaks(counting)), money)


def _left_over(book: Ledger) -> str:
    """In a word or two: `C9 is out, 13 pieces still off`."""
    refs = [place.ref for place in book.out_now]
    said = [f"{', '.join(refs)} {'is' if len(refs) == 1 else 'are'} out"] if refs else []
    pieces = sum(line.missing for line in book.open_lines)
    if pieces:
        said.append(f"{pieces} piece{'s' if pieces > 1 else ''} still off")
    return ", ".join(said)
