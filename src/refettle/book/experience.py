"""Experience in the book: lessons of finished jobs, kept as a cache, put together, and given to new jobs.

A lesson takes about half a second to work out and is kept until its job's log grows; the cache may be emptied at any
time. What is put together is kept in memory until a lesson or another bench's experience comes or goes.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from django.db.models import Count, Exists, Max, OuterRef, QuerySet, Sum, TextField
from django.db.models.functions import Cast
from django.utils import timezone

from refettle.book import elsewhere, reckoner, store
from refettle.book.gathered import Experience, gather, gather_texts
from refettle.book.lesson import RULES, lesson_or_trouble
from refettle.book.models import Entry, Job, JobQuerySet
from refettle.book.models_experience import Lesson, OtherBench, OtherLesson
from refettle.knowledge.errors import KnowledgeError
from refettle.knowledge.loading import Library, load_library

MANY = 500
"""Lessons from which on a served book puts them together beside the pages: a choice."""
AT_ONCE = 1
"""Lessons worked out while somebody waits for a page; the others wait for the command."""


asked = threading.Event()
"""Somebody was shown what is not up to date."""
_LAST: dict[str, tuple[tuple[Any, ...], Experience]] = {}
_one_at_a_time = threading.Lock()


@dataclass(frozen=True)
class Trouble:
    """A finished job that teaches nothing, and why."""

    job: int
    why: str


def waiting() -> JobQuerySet:
    """Finished jobs whose lesson is not kept, or whose log has grown since."""
    grown = Entry.objects.filter(job=OuterRef("job"), n__gt=OuterRef("entries"))
    fresh = Lesson.objects.filter(~Exists(grown), job=OuterRef("pk"), rules=RULES)
    return Job.objects.filter(~Exists(fresh), closed__isnull=False).order_by("number")


def refresh(most: int | None = None, told: Callable[[int, int], None] | None = None) -> int:
    """Work out lessons that are not kept, at most so many. Returns how many are still to be worked out.

    `told` is called with how many are done, of how many. Where a server works them out beside the pages (see
    `catch_up`), a page is only told how many there are.
    """
    stood = _standing()
    if _SETTLED.get("at") == stood:
        return 0
    undone = _undone(stood)
    if elsewhere.is_elsewhere() and most == AT_ONCE:
        found = undone.count()
        if found:
            asked.set()
        return found
    jobs = list(undone.with_unit())
    if not jobs:
        _SETTLED["at"] = stood
    now = jobs if most is None else jobs[:most]
    for done, job in enumerate(now, start=1):
        keep(job)
        if told:
            told(done, len(now))
    return len(jobs) - len(now)


_SETTLED: dict[str, tuple[int, int]] = {}
"""How the book stood when no lesson was waiting: the last entry, and how many lessons were kept."""
MARGIN = 2000
"""Entries looked at once more: they get their numbers before they are written, and not always in that order."""


def _standing() -> tuple[int, int]:
    return Entry.objects.aggregate(last=Max("id"))["last"] or 0, Lesson.objects.count()


def _undone(stood: tuple[int, int]) -> JobQuerySet:
    """`waiting`, looked for only among the jobs that something was written in since no lesson was waiting."""
    before = _SETTLED.get("at")
    if before is None or stood[1] < before[1]:
        return waiting()
    # Not DISTINCT: SQLite would go through the jobs of all entries for it.
    touched = set(Entry.objects.filter(id__gt=before[0] - MARGIN).order_by().values_list("job", flat=True))
    return waiting().filter(pk__in=touched)


def keep(job: Job) -> Lesson:
    """Work out a finished job's lesson and keep it in place of an older one."""
    entries = store.entries(job)
    try:
        data, trouble = elsewhere.work_out(lesson_or_trouble, store.compiled_type(job.unit.type_version), entries)
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


def troubles() -> tuple[Trouble, ...]:
    """Finished jobs that teach nothing, with the reason."""
    return _troubles(_stamp())


@lru_cache(maxsize=2)
def _troubles(stamp: tuple[Any, ...]) -> tuple[Trouble, ...]:
    rows = Lesson.objects.exclude(trouble="").order_by("job__number").values_list("job__number", "trouble")
    return tuple(Trouble(number, why) for number, why in rows)


def own_lessons() -> QuerySet[Lesson]:
    """The lessons that count: of jobs that are finished still, and were not when they came over from another bench.

    What was finished there is that bench's lesson, and comes with its experience.
    """
    came = Entry.objects.filter(job=OuterRef("job"), kind="came-over", at__gte=OuterRef("job__closed"))
    return Lesson.objects.filter(~Exists(came), job__closed__isnull=False, trouble="", rules=RULES)


def experience() -> Experience:
    """All that was learned, from the lessons kept; kept in memory until one comes or goes.

    Where a server works such things out beside the pages, and the lessons are many, pages get what was put together
    last, until the new is there; `behind` says by how much.
    """
    stamp = _stamp()
    last = _LAST.get("made")
    if last is not None and (last[0] == stamp or (elsewhere.is_elsewhere() and last[1].jobs > MANY)):
        if last[0] != stamp:
            asked.set()
        return last[1]
    return _put_together(stamp)


def behind(learned: Experience) -> int:
    """Lessons that are kept and not yet among what was put together."""
    last = _LAST.get("made")
    if last is None or last[1] is not learned or last[0] == _stamp():
        return 0
    return max(1, own_lessons().count() - learned.own)


def catch_up() -> None:
    """Work out the lessons that wait, and put all together anew; for a thread beside the pages."""
    refresh()
    stamp = _stamp()
    last = _LAST.get("made")
    if last is None or last[0] != stamp:
        _put_together(stamp)


def _put_together(stamp: tuple[Any, ...]) -> Experience:
    with _one_at_a_time:
        made = _gathered(stamp)
        _LAST["made"] = stamp, made
    return made


def _stamp() -> tuple[Any, ...]:
    """Changes when a lesson or another bench's experience comes, goes or is taken out."""
    own = Lesson.objects.aggregate(Count("id"), Max("id"), Max("created"))
    closed = Job.objects.filter(closed__isnull=False).aggregate(Count("id"), Sum("id"), Max("closed"))
    came = Entry.objects.filter(kind="came-over").aggregate(Count("id"), Max("id"))
    benches = OtherBench.objects.filter(used=True).aggregate(Count("id"), Max("changed"))
    others = OtherLesson.objects.filter(bench__used=True).aggregate(Count("id"), Max("id"))
    return (*own.values(), *closed.values(), *came.values(), *benches.values(), *others.values())


@lru_cache(maxsize=2)
def _gathered(stamp: tuple[Any, ...]) -> Experience:
    own, others = own_lessons().order_by("id"), OtherLesson.objects.filter(bench__used=True).order_by("bench", "job")
    minutes = _shipped_minutes(load_library())
    if elsewhere.is_elsewhere() and own.count() + others.count() > MANY:
        text = Cast("data", TextField())
        mine, theirs = list(own.values_list(text, flat=True)), list(others.values_list(text, flat=True))
        return reckoner.once(gather_texts, mine, theirs, minutes)
    rows: Iterable[dict[str, Any]] = own.values_list("data", flat=True).iterator()
    return gather(rows, others.values_list("data", flat=True).iterator(), minutes)


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
