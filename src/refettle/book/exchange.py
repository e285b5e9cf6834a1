"""Experience passed between benches as a JSON file, merged without counting a job twice.

Each bench has a random name, and each job a number made from it that says nothing else. A job counts once, by whatever
way and however often it comes: the longest of its log that was seen counts. What other benches gave is passed on under
their own names, so that a chain of benches counts no job twice either.
"""

from __future__ import annotations

import hashlib
import hmac
import json
import secrets
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from django.db import transaction
from django.utils import timezone

from refettle.book.experience import own_lessons
from refettle.book.lesson import read_lesson
from refettle.book.models_experience import BenchIdentity, OtherBench, OtherLesson
from refettle.language import tr

FORMAT = "refettle experience"
VERSION = 1
MOST_BYTES = 200_000_000
MOST_JOBS = 200_000
_HEX = frozenset("0123456789abcdef")


class ExchangeError(ValueError):
    """A file of experience that cannot be; says where, what was found and what is allowed."""


@dataclass(frozen=True)
class Merged:
    """What a file brought: jobs new, replaced by a longer log, had before, and this bench's own come back."""

    bench: str
    new: int = 0
    longer: int = 0
    had: int = 0
    own: int = 0
    differ: int = 0
    """Had before with the same length of log and other content; the ones had before are kept."""


@dataclass(frozen=True)
class Source:
    """A bench that experience came from."""

    bench: str
    name: str
    came_from: str
    used: bool
    jobs: int
    types: tuple[tuple[str, int], ...]


def identity() -> BenchIdentity:
    """This bench's random name, drawn now if it has none yet."""
    with transaction.atomic():
        return BenchIdentity.objects.order_by("id").first() or BenchIdentity.objects.create(
            bench=secrets.token_hex(8), secret=secrets.token_hex(32)
        )


def export(passed_on: bool = True) -> str:
    """The text of a file with this bench's lessons and, if `passed_on`, those that it has from others.

    No serial, owner, person, photo, date or free text is in it: names of unit types, ids of blocks, kinds, failure
    modes and repairs, and numbers.
    """
    me = identity()
    jobs = []
    rows = own_lessons().order_by("job__number").values_list("job__number", "entries", "data")
    for number, entries, data in rows.iterator():
        key = hmac.new(bytes.fromhex(me.secret), str(number).encode(), hashlib.sha256).hexdigest()[:24]
        jobs.append({"bench": me.bench, "job": key, "entries": entries, **data})
    # By their random numbers: the order tells nothing of when they were.
    jobs.sort(key=lambda each: str(each["job"]))
    if passed_on:
        for other in OtherLesson.objects.filter(bench__used=True).select_related("bench").order_by("bench", "job"):
            jobs.append({"bench": other.bench.bench, "job": other.job, "entries": other.entries, **other.data})
    head = json.dumps({"format": FORMAT, "version": VERSION, "bench": me.bench}, ensure_ascii=False)[:-1]
    lines = ",\n".join(json.dumps(job, ensure_ascii=False, separators=(",", ":")) for job in jobs)
    return f'{head}, "jobs": [\n{lines}\n]}}\n'


def merge(text: str, name: str = "") -> Merged:
    """Take in a file of another bench, all or none of it.

    Parameters
    ----------
    text : str
        Of the file.
    name : str
        What the bench that wrote it is called here; never passed on.

    Raises
    ------
    ExchangeError
        Naming the job by its place in the file and the field.
    """
    if len(name.strip()) > 120:
        raise ExchangeError(tr("name: {length} characters found; allowed: at most 120", length=len(name.strip())))
    writer, jobs = _read(text)
    counted: Counter[str] = Counter()
    with transaction.atomic():
        me = identity().bench
        benches = {each.bench: each for each in OtherBench.objects.all()}
        had = {(each.bench.bench, each.job): each for each in OtherLesson.objects.select_related("bench")}
        new: dict[tuple[str, str], OtherLesson] = {}
        for bench, job, entries, data in jobs:
            if bench == me:
                counted["own"] += 1
                continue
            if bench not in benches:
                benches[bench] = OtherBench.objects.create(bench=bench, came_from=writer)
            old = new.get((bench, job)) or had.get((bench, job))
            if old is None:
                new[bench, job] = OtherLesson(bench=benches[bench], job=job, entries=entries, data=data)
                counted["new"] += 1
            elif entries > old.entries:
                old.entries, old.data = entries, data
                if old.pk:
                    old.save()
                counted["longer"] += 1
            else:
                counted["differ" if entries == old.entries and data != old.data else "had"] += 1
        OtherLesson.objects.bulk_create(new.values(), batch_size=500)
        seen = {bench for bench, *_ in jobs} | {writer}
        for each in benches.values():
            if each.bench not in seen:
                continue
            each.changed = timezone.now()
            if each.bench == writer:  # one that was taken out does not come back by way of another
                each.used, each.name = True, name.strip() or each.name
            each.save()
    return Merged(writer, **counted)


def _read(text: str) -> tuple[str, list[tuple[str, str, int, dict[str, Any]]]]:
    if len(text) > MOST_BYTES:
        raise ExchangeError(
            tr("{length:,} characters found; allowed: at most {most:,}", length=len(text), most=MOST_BYTES)
        )
    try:
        data = json.loads(text, parse_constant=_no_constant)
    except (ValueError, RecursionError) as error:
        raise ExchangeError(
            tr("text that is no JSON: {error}; allowed: a file of 'refettle experience export'", error=error)
        ) from None
    if not isinstance(data, dict) or data.get("format") != FORMAT:
        raise ExchangeError(
            tr("format: not found; allowed: {format!r}, a file of 'refettle experience export'", format=FORMAT)
        )
    if data.get("version") != VERSION:
        raise ExchangeError(
            tr("version: {found} found; allowed: {allowed}", found=str(data.get("version"))[:20], allowed=VERSION)
        )
    jobs = data.get("jobs")
    if not isinstance(jobs, list) or len(jobs) > MOST_JOBS:
        raise ExchangeError(tr("jobs: no list of at most {most:,} found; allowed: that", most=MOST_JOBS))
    unknown = set(data) - {"format", "version", "bench", "jobs"}
    if unknown:
        raise ExchangeError(
            tr("{field}: an unknown field found; allowed: format, version, bench, jobs", field=min(unknown)[:40])
        )
    return _hex(data.get("bench"), "bench"), list(_jobs(jobs))


def _jobs(jobs: list[Any]) -> Iterator[tuple[str, str, int, dict[str, Any]]]:
    for place, each in enumerate(jobs, start=1):
        try:
            if not isinstance(each, dict):
                raise ExchangeError(tr("{type} found; allowed: an object", type=type(each).__name__))
            entries = each.get("entries")
            if not isinstance(entries, int) or isinstance(entries, bool) or not 1 <= entries <= 1_000_000:
                raise ExchangeError(tr("entries: {entries} found; allowed: 1 to 1,000,000", entries=str(entries)[:20]))
            lesson = {k: v for k, v in each.items() if k not in ("bench", "job", "entries")}
            yield _hex(each.get("bench"), "bench"), _hex(each.get("job"), "job"), entries, read_lesson(lesson)
        except ValueError as error:
            raise ExchangeError(
                tr("job {place} of {jobs}: {error}", place=place, jobs=len(jobs), error=error)
            ) from None


def _hex(value: Any, field: str) -> str:
    if not isinstance(value, str) or not 16 <= len(value) <= 32 or not set(value) <= _HEX:
        raise ExchangeError(
            tr("{field}: {value!r} found; allowed: 16 to 32 of the digits 0 to f", field=field, value=str(value)[:40])
        )
    return value


def _no_constant(name: str) -> float:
    raise ValueError(tr("{name} is no number here", name=name))


def sources() -> list[Source]:
    """The benches that experience came from, taken out ones as well."""
    out = []
    for bench in OtherBench.objects.all():
        types: Counter[str] = Counter(bench.lessons.values_list("data__type", flat=True))
        jobs = sum(types.values())
        out.append(Source(bench.bench, bench.name, bench.came_from, bench.used, jobs, tuple(sorted(types.items()))))
    return out


def take_out(which: str) -> list[Source]:
    """Let a bench's jobs no longer count: by its random name, the beginning of it, or what it is called here.

    Nothing is deleted; the same file brings them back.

    Raises
    ------
    ExchangeError
        No bench of that name, or more than one.
    """
    return _switch(which, False)


def put_back(which: str) -> list[Source]:
    """Let a bench's jobs count again. Errors as `take_out`."""
    return _switch(which, True)


def _switch(which: str, used: bool) -> list[Source]:
    benches = list(OtherBench.objects.all())
    named = [b for b in benches if which and which in (b.bench, b.name)]
    named = named or [b for b in benches if len(which) >= 4 and b.bench.startswith(which)]
    if len(named) != 1:
        known = ", ".join(b.name or b.bench for b in benches) or tr("none: no experience has been brought in")
        raise ExchangeError(
            tr(
                "bench: '{which}' found, which is {n} benches; allowed: one of {known}",
                which=which[:40],
                n=len(named),
                known=known,
            )
        )
    named[0].used, named[0].changed = used, timezone.now()
    named[0].save()
    return [source for source in sources() if source.bench == named[0].bench]
