"""Experience in the book: lessons of finished jobs, kept as a cache, put together, and given to new jobs.

A lesson takes about half a second to work out and is kept until its job's log grows; the cache may be emptied at any
time. What is put together is kept in memory until a lesson or another bench's experience comes or goes.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from django.db.models import Count, Exists, Max, OuterRef, QuerySet
from django.utils import timezone

from refettle.book import store
from refettle.book.elsewhere import work_out
from refettle.book.gathered import Experience, gather
from refettle.book.lesson import RULES, lesson_or_trouble
from refettle.book.models import Entry, Job
from refettle.book.models_experience import Lesson, OtherBench, OtherLesson
from refettle.knowledge.errors import KnowledgeError
from refettle.knowledge.loading import Library, load_library

AT_ONCE = 1
"""Lessons worked out while somebody waits for a page; the others wait for the command."""


@dataclass(frozen=True)
class Trouble:
    """A finished job that teaches nothing, and why."""

    job: int
    why: str


def waiting() -> QuerySet[Job]:
    """Finished jobs whose lesson is not kept, or whose log has grown since."""
    grown = Entry.objects.filter(job=OuterRef("job"), n__gt=OuterRef("entries"))
    fresh = Lesson.objects.filter(~Exists(grown), job=OuterRef("pk"), rules=RULES)
    return Job.objects.filter(~Exists(fresh), closed__isnull=False).order_by("number")


def refresh(most: int | None = None, told: Callable[[int, int], None] | None = None) -> int:
    """Work out lessons that are not kept, at most so many. Returns how many are still to be worked out.

    `told` is called with how many are done, of how many.
    """
    stood = _standing()
    if _SETTLED.get("at") == stood:
        return 0
    jobs = list(waiting().select_related("unit__type_version"))
    if not jobs:
        _SETTLED["at"] = stood
    now = jobs if most is None else jobs[:most]
    for done, job in enumerate(now, start=1):
        keep(job)
        if told:
            told(done, len(now))
    return len(jobs) - len(now)


_SETTLED: dict[str, tuple[Any, ...]] = {}
"""How the book stood when no lesson was waiting: nothing was written since, nothing waits."""


def _standing() -> tuple[Any, ...]:
    kept = Lesson.objects.aggregate(Count("id"), Max("id"), Max("created"))
    closed = Job.objects.filter(closed__isnull=False).count()
    return (Entry.objects.aggregate(last=Max("id"))["last"], closed, *kept.values())


def keep(job: Job) -> Lesson:
    """Work out a finished job's lesson and keep it in place of an older one."""
    entries = store.entries(job)
    try:
        data, trouble = work_out(lesson_or_trouble, store.compiled_type(job.unit.type_version), entries)
    except KnowledgeError as error:
        data, trouble = {}, str(error)
    last = max((entry["n"] for entry in entries), default=0)
    kept = {"entries": last, "rules": RULES, "data": data, "trouble": trouble, "created": timezone.now()}
    return Lesson.objects.update_or_create(job=job, defaults=kept)[0]


def forget() -> int:
    """Empty the cache; everything in it can be worked out again. How many lessons it held."""
    count = Lesson.objects.count()
    Lesson.objects.all().delete()
    return count


def troubles() -> list[Trouble]:
    """Finished jobs that teach nothing, with the reason."""
    rows = Lesson.objects.exclude(trouble="").order_by("job__number").values_list("job__number", "trouble")
    return [Trouble(number, why) for number, why in rows]


def own_lessons() -> QuerySet[Lesson]:
    """The lessons that count: of jobs that are finished still, and were not when they came over from another bench.

    What was finished there is that bench's lesson, and comes with its experience.
    """
    came = Entry.objects.filter(job=OuterRef("job"), kind="came-over", at__gte=OuterRef("job__closed"))
    return Lesson.objects.filter(~Exists(came), job__closed__isnull=False, trouble="", rules=RULES)


def experience() -> Experience:
    """All that was learned, from the lessons kept; kept in memory until one comes or goes."""
    return _gathered(_stamp())


def _stamp() -> tuple[Any, ...]:
    """Changes when a lesson or another bench's experience comes, goes or is taken out."""
    own = own_lessons().aggregate(Count("id"), Max("id"), Max("created"))
    benches = OtherBench.objects.filter(used=True).aggregate(Count("id"), Max("changed"))
    others = OtherLesson.objects.filter(bench__used=True).aggregate(Count("id"), Max("id"))
    return (*own.values(), *benches.values(), *others.values())


@lru_cache(maxsize=2)
def _gathered(stamp: tuple[Any, ...]) -> Experience:
    own: Iterable[dict[str, Any]] = own_lessons().order_by("id").values_list("data", flat=True).iterator()
    others = OtherLesson.objects.filter(bench__used=True).order_by("bench", "job").values_list("data", flat=True)
    return gather(own, others.iterator(), _shipped_minutes(load_library()))


def _shipped_minutes(library: Library) -> dict[tuple[str, str], float]:
    return {(k, r): repair.minutes for k, kind in library.kinds.items() for r, repair in kind.repairs.items()}


def weigh(job: Job, who: str) -> Entry | None:
    """Give a job that was just opened the weights learned so far, as its first entry; None where nothing moves.

    Whatever is learned later, the job keeps them.
    """
    refresh(AT_ONCE)
    learned = experience()
    factors = learned.factors(store.loaded_type(job.unit.type_version))
    if not factors:
        return None
    return store.append(job, {"kind": "experience", "factors": factors, "jobs": learned.jobs}, who)


__all__ = ["Experience", "experience", "forget", "keep", "own_lessons", "refresh", "troubles", "waiting", "weigh"]
