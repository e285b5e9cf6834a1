"""Whitening over all jobs: what is due at the tubs, what earlier batches did, one bath with several units in it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.core.cache import cache
from django.db.models import Max

from refettle.book import store
from refettle.book.log import LogError, effective
from refettle.book.models import Entry, Job
from refettle.book.whitening import Due, Whitening, terms_apart, terms_of, whitening
from refettle.whitening.kinetics import EarlierBatch

KEPT_S = 24 * 3600


@dataclass(frozen=True)
class BenchDue:
    """Something due at a job's tub. `late` [min], below 0 while there is time."""

    number: int
    name: str
    due: Due
    late: float


def _jobs(open_only: bool = False) -> list[Job]:
    """Jobs in which something went into a batch."""
    with_batch = Entry.objects.filter(kind__in=["bath-in", "correction"]).values("job")
    jobs = store.all_jobs().filter(pk__in=with_batch)
    return list(jobs.filter(closed=None) if open_only else jobs)


def _states(jobs: Sequence[Job]) -> dict[int, Whitening]:
    """Of each job by its number; a log that cannot be read has none."""
    found = {}
    for number, entries in store.entries_of(jobs).items():
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
    last = Entry.objects.aggregate(last=Max("pk"))["last"] or 0
    key = f"earlier-batches-{last}"
    known: list[tuple[str, EarlierBatch]] | None = cache.get(key)
    if known is None:
        known = [each for state in _states(_jobs()).values() for each in state.finished()]
        cache.set(key, known, KEPT_S)
    return tuple(batch for name, batch in known if name != but)


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
                told = f"batch: '{content['batch']}' is in job {number} as well: {apart}, or a name of its own"
                raise LogError(told, field="batch")
