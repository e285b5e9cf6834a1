"""Whitening over all jobs: what is due at the tubs, what earlier batches did, one bath with several units in it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.core.cache import cache
from django.db.models import Count, Exists, Max, OuterRef, Q

from refettle.book import store
from refettle.book.log import LogError, effective
from refettle.book.models import Entry, Job
from refettle.book.whitening import WHITENING_KINDS, Due, Whitening, terms_apart, terms_of, whitening
from refettle.book.written import entries_of
from refettle.language import tr
from refettle.whitening.kinetics import EarlierBatch

EARLIER, KEPT_S = "earlier-batches", 24 * 3600
WENT_IN = Q(kind="bath-in") | Q(kind="correction", data__with__kind="bath-in")


@dataclass(frozen=True)
class BenchDue:
    """Something due at a job's tub. `late` [min], below 0 while there is time."""

    number: int
    name: str
    due: Due
    late: float


def _jobs(open_only: bool = False) -> list[Job]:
    """Jobs in which something went into a batch."""
    jobs = store.all_jobs()
    if open_only:
        return list(jobs.filter(Exists(Entry.objects.filter(WENT_IN, job=OuterRef("pk"))), closed=None))
    return list(jobs.filter(pk__in=Entry.objects.filter(WENT_IN).values("job")))


def _states(jobs: Sequence[Job]) -> dict[int, Whitening]:
    """Of each job by its number; a log that cannot be read has none."""
    found = {}
    for number, entries in entries_of(jobs, WHITENING_KINDS).items():
        try:
            found[number] = whitening(effective(entries))
        except LogError:
            continue
    return found


def due(now: datetime, ahead_minutes: float = 24 * 60.0) -> list[BenchDue]:
    """What is due at the tubs of the open jobs, overdue first, up to so many minutes ahead."""
    jobs = {job.number: job for job in _jobs(open_only=True)}
    found = []
    for number, state in _states(list(jobs.values())).items():
        unit = jobs[number].unit
        name = f"{unit.type_version.name}, {unit.label}" if unit.label else unit.type_version.name
        for each in state.due():
            late = (now - each.at).total_seconds() / 60.0
            if late >= -ahead_minutes:
                found.append(BenchDue(number, name, each, late))
    return sorted(found, key=lambda each: -each.late)


def earlier_batches(but: str = "") -> tuple[EarlierBatch, ...]:
    """What finished batches of this bench did, but for the one named `but`. Worked out once for the same book."""
    relevant = Entry.objects.filter(kind__in=[*WHITENING_KINDS, "correction"])
    stamp = relevant.aggregate(n=Count("pk"), last=Max("pk"))
    kept: tuple[Any, list[tuple[str, EarlierBatch]]] | None = cache.get(EARLIER)
    if kept is None or kept[0] != stamp:
        kept = stamp, [each for state in _states(_jobs()).values() for each in state.finished()]
        cache.set(EARLIER, kept, KEPT_S)
    return tuple(batch for name, batch in kept[1] if name != but)


def others_in(batch: str, but: int) -> list[Job]:
    """Other open jobs with parts in this batch now."""
    jobs = {job.number: job for job in _jobs(open_only=True) if job.number != but}
    states = _states(list(jobs.values()))
    return [jobs[n] for n, state in states.items() if batch in state.batches and state.batches[batch].inside]


def batches_open() -> dict[str, Mapping[str, Any]]:
    """Batches that are under way in any open job, with their terms: another unit may go in."""
    found: dict[str, Mapping[str, Any]] = {}
    for state in _states(_jobs(open_only=True)).values():
        found |= {b.name: b.terms for b in state.batches.values() if not b.over}
    return found


def refuse_other_terms(job: Job, made: Sequence[Mapping[str, Any]]) -> None:
    """Refuse parts into a batch that is another one in another job's log. Raises LogError."""
    contents = [dict(e["with"]) if e["kind"] == "correction" and e.get("with") else dict(e) for e in made]
    wanted = [each for each in contents if each["kind"] == "bath-in"]
    if not wanted:
        return
    others = _states([each for each in _jobs() if each.pk != job.pk])
    for content in wanted:
        for number, state in others.items():
            there = state.batches.get(content["batch"])
            if there is not None and (apart := terms_apart(terms_of(content), there.terms)):
                told = tr(
                    "batch: '{batch}' is in job {job} as well: {terms}, or a name of its own",
                    batch=content["batch"],
                    job=number,
                    terms=apart,
                )
                raise LogError(told, field="batch")
