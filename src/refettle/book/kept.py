"""What is worked out of logs for lists of jobs, kept in memory for as long as the logs are what they were.

It is kept under the number of the log's last entry, so that an entry, by whoever and by whatever program written, makes
it anew; and under the last erasure, which alters texts where they stand.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import Any, TypeVar

from django.core.cache import cache
from django.db import connection
from django.db.models import Max

from refettle.book.models import Job
from refettle.book.models_privacy import Erasure
from refettle.book.written import entries_of, last_n

T = TypeVar("T")
KEPT_S = 7 * 24 * 3600


def of_logs(
    name: str, jobs: Sequence[Job], kinds: Iterable[str], work_out: Callable[[list[dict[str, Any]]], T]
) -> dict[int, T]:
    """Of each job by its number, what `work_out` makes of the entries of these kinds in its log.

    `name` is that of what is worked out: facts, no words, which are another's in another language. Within a
    transaction nothing is kept: what is read there may yet be undone, and another entry get the same number.
    """
    if not jobs:
        return {}
    erased = Erasure.objects.aggregate(last=Max("pk"))["last"] or 0
    last = dict(Job.objects.filter(pk__in=[job.pk for job in jobs]).values_list("pk", last_n()))
    keys = {job.number: f"{name}-{job.pk}-{last[job.pk]}-{erased}" for job in jobs}
    kept: dict[str, T] = {} if connection.in_atomic_block else cache.get_many(keys.values())
    missing = [job for job in jobs if keys[job.number] not in kept]
    made = {number: work_out(log) for number, log in entries_of(missing, kinds).items()} if missing else {}
    if made and not connection.in_atomic_block:
        cache.set_many({keys[number]: each for number, each in made.items()}, KEPT_S)
    return {number: made[number] if number in made else kept[key] for number, key in keys.items()}
