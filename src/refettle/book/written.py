"""Reading logs from the database: entries as in a log file, of one job or of many, whole or of some kinds only."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import datetime, tzinfo
from typing import Any

from django.db.models import OuterRef, QuerySet, Subquery
from django.db.models.expressions import Combinable
from django.db.models.functions import Coalesce
from django.utils import timezone

from refettle.book.models import Entry, Job


def plain(entry: Entry) -> dict[str, Any]:
    """An entry as in a log file."""
    return _written(entry.n, entry.at, entry.who, entry.kind, entry.data, timezone.get_current_timezone())


def _written(n: int, at: datetime, who: str, kind: str, data: Mapping[str, Any], zone: tzinfo) -> dict[str, Any]:
    # In the bench's time zone: a day at the bench is what a gear self-check holds for.
    return {"n": n, "at": at.astimezone(zone).isoformat(), "who": who, "kind": kind, **data}


def entries(job: Job) -> list[dict[str, Any]]:
    """The job's log in order, as in a log file."""
    zone, rows = timezone.get_current_timezone(), Entry.objects.filter(job=job).order_by("n")
    return [_written(*row, zone) for row in rows.values_list("n", "at", "who", "kind", "data")]


def entries_of(jobs: Iterable[Job], kinds: Iterable[str] | None = None) -> dict[int, list[dict[str, Any]]]:
    """The logs of several jobs, by job number, with one query, or with two where only some kinds are asked for: those,
    all corrections, and what corrections were made of."""
    numbers = {job.pk: job.number for job in jobs}
    rows = Entry.objects.filter(job__in=numbers)
    wanted = list(_in_order(rows if kinds is None else rows.filter(kind__in=[*kinds, "correction"])))
    if kinds is not None:
        have = {(job, n) for job, n, *_ in wanted}
        corrected = {(job, data["corrects"]) for job, _, _, _, kind, data in wanted if kind == "correction"} - have
        if corrected:
            jobs_of, places = {job for job, _ in corrected}, {n for _, n in corrected}
            more = _in_order(Entry.objects.filter(job__in=jobs_of, n__in=places))
            wanted = sorted([*wanted, *(row for row in more if row[:2] in corrected)], key=lambda row: row[:2])
    zone = timezone.get_current_timezone()
    logs: dict[int, list[dict[str, Any]]] = {number: [] for number in numbers.values()}
    for job, n, at, who, kind, data in wanted:
        logs[numbers[job]].append(_written(n, at, who, kind, data, zone))
    return logs


def last_n() -> Combinable:
    """For jobs: the number of the last entry, which is how many there are, looked up in the index for each job shown;
    to count the entries of all jobs, shown or not, would be to read them all."""
    return Coalesce(Subquery(_last().values("n")[:1]), 0)


def last_at() -> Combinable:
    """For jobs: the time of the last entry."""
    return Subquery(_last().values("at")[:1])


def _last() -> QuerySet[Entry]:
    return Entry.objects.filter(job=OuterRef("pk")).order_by("-n")


def _in_order(rows: QuerySet[Entry]) -> QuerySet[Entry, Any]:
    return rows.order_by("job", "n").values_list("job_id", "n", "at", "who", "kind", "data")
