"""Keeping jobs and their entries in the database.

Entries are plain dicts here, as in a log file: `n`, `at`, `who`, `kind` and the fields of the kind.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import datetime
from functools import lru_cache, partial
from pathlib import Path
from typing import Any, TypeVar

from django.conf import settings
from django.db import IntegrityError, connection, transaction
from django.db.models import Max, QuerySet
from django.utils import timezone

from refettle.book.log import FOR_GOOD, LogError, check_correction, check_entry, effective, holds_nul, parse_time
from refettle.book.models import Entry, Job, Owner, TypeVersion, Unit
from refettle.book.replay import WEIGHED, check_new, replay
from refettle.book.state import JobState
from refettle.book.stores_jobs import STORES_KINDS
from refettle.book.written import entries as entries  # also for who asks for store.entries
from refettle.book.written import last_at, last_n, plain
from refettle.knowledge.compile import CompiledType, compile_type
from refettle.knowledge.errors import KnowledgeError
from refettle.knowledge.loading import LoadedType, library_from_text, parse_unit_type
from refettle.language import tr

T = TypeVar("T")
ATTEMPTS = 5
BEFOREHAND = 3
"""So often what an entry does to the suspicions is worked out anew while others write, before they must wait for it."""
OWN_STOCK = "Own stock"
ENDS = ("handed over", "parted out")
"""The stages that close a job."""


class _WrittenMeanwhile(Exception):  # noqa: N818 - reads as what it is
    """What was worked out beforehand is of a log that has gone on."""


class StoreError(ValueError):
    """What was asked of the book cannot be; names the field where there is one, what was found, what is allowed."""

    def __init__(self, message: str, field: str = "") -> None:
        self.field = field
        super().__init__(message)


def _retrying(make: Callable[[], T]) -> T:
    """Run `make` in a transaction; again when another writer took the same number."""
    for attempt in range(1, ATTEMPTS + 1):
        try:
            with transaction.atomic():
                return make()
        except IntegrityError:
            if attempt == ATTEMPTS:
                raise
    raise AssertionError("unreachable")


# ---------------------------------------------------------------- unit types


def get_or_create_type_version(loaded: LoadedType) -> TypeVersion:
    """The stored version of this very text, stored now if it is new."""

    def make() -> TypeVersion:
        stored = TypeVersion.objects.filter(sha256=loaded.sha256).first()
        return stored or TypeVersion.objects.create(
            name=loaded.name,
            slug=Path(loaded.file).stem[:120],
            sha256=loaded.sha256,
            text=loaded.text,
            library=loaded.library_text,
            file=loaded.file[-500:],
        )

    return _retrying(make)


@dataclass(frozen=True)
class _Kept:
    """What names a stored version; its texts are read only where they are parsed."""

    sha256: str
    file: str
    version: TypeVersion = field(compare=False)


@lru_cache(maxsize=128)
def _loaded(kept: _Kept) -> LoadedType:
    return parse_unit_type(kept.version.text, kept.file, library_from_text(kept.version.library))


def loaded_type(version: TypeVersion) -> LoadedType:
    """The unit type of a stored version, ready for replay, with the block kinds as they were.

    Raises
    ------
    KnowledgeError
        The text no longer fits the schema of this version of Refettle.
    """
    return _loaded(_Kept(version.sha256, version.file, version))


def compiled_type(version: TypeVersion) -> CompiledType:
    """The fault model of a stored version at the bench's rate; kept in memory. Raises KnowledgeError."""
    return compile_type(loaded_type(version), float(settings.REFETTLE_RATE))


# ---------------------------------------------------------------- jobs


def get_or_create_owner(name: str = "", contact: str = "") -> Owner:
    """The owner of this name and contact; without a name, the bench's own stock."""
    kind = Owner.Kind.CUSTOMER if name.strip() else Owner.Kind.OWN_STOCK
    name = name.strip() or OWN_STOCK
    if len(name) > 120:
        raise StoreError(tr("owner: {n} characters found; allowed: at most 120", n=len(name)))

    def make() -> Owner:
        wanted = {"name": name, "contact": contact.strip(), "kind": kind}
        return Owner.objects.filter(**wanted).first() or Owner.objects.create(**wanted)

    return _retrying(make)


def open_job(
    loaded: LoadedType,
    *,
    owner: Owner | None = None,
    serial: str = "",
    label: str = "",
    unit: Unit | None = None,
    opened: datetime | None = None,
) -> Job:
    """Open a job for a new unit, or for one that was here before.

    Parameters
    ----------
    loaded : LoadedType
        The unit type as its file is now; kept as it is for a new unit.
    owner : Owner, optional
        By default the bench's own stock.
    serial, label : str
        As printed on the unit, and a name for the bench to call it by.
    unit : Unit, optional
        A unit that came back: the other details are then taken from it.
    opened : datetime, optional
        By default now.

    Raises
    ------
    StoreError
        The unit has an open job already, or a text is too long.
    """
    for name, text in (("serial", serial), ("label", label)):
        if len(text) > 120:
            raise StoreError(tr("{field}: {n} characters found; allowed: at most 120", field=name, n=len(text)))

    def make() -> Job:
        taken = unit
        if taken is None:
            taken = Unit.objects.create(
                type_version=get_or_create_type_version(loaded),
                serial=serial.strip(),
                label=label.strip(),
                owner=owner or get_or_create_owner(),
            )
        elif (running := Job.objects.filter(unit=taken, closed=None).first()) is not None:
            raise StoreError(
                tr("unit '{unit}' has the open job {job}; allowed: one at a time", unit=taken, job=running.number)
            )
        highest = Job.objects.aggregate(highest=Max("number"))["highest"] or 0
        return Job.objects.create(number=highest + 1, unit=taken, opened=opened or timezone.now())

    return _retrying(make)


def find_job(number: int) -> Job:
    """The job of this number, with its unit, type and owner. Raises StoreError when there is none."""
    job = Job.objects.with_unit().filter(number=number).first()
    if job is None:
        raise StoreError(tr("job {number}: no such job; allowed: {allowed}", number=number, allowed=_numbers()))
    return job


def _numbers() -> str:
    highest = Job.objects.aggregate(highest=Max("number"))["highest"]
    return tr("open one first") if highest is None else "1" if highest == 1 else tr("1 to {last}", last=highest)


def bench() -> list[Job]:
    """The open jobs in order, with unit, type and owner; `entry_count` and `last_at` are set on each."""
    return list(all_jobs().filter(closed=None))


def all_jobs() -> QuerySet[Job]:
    """All jobs in order, with what `bench` gives."""
    return Job.objects.with_unit().annotate(entry_count=last_n(), last_at=last_at()).order_by("number")


# ---------------------------------------------------------------- entries


def _check_who(who: str) -> str:
    who = who.strip()
    if not who or len(who) > 200 or "\0" in who:
        raise LogError(tr("who: {found!r} found; allowed: a name of 1 to 200 characters", found=who[:40]), field="who")
    return who


def _storable(content: dict[str, Any]) -> dict[str, Any]:
    try:
        json.dumps(content, allow_nan=False)
    except ValueError:
        raise LogError(tr("a number without end found; allowed: finite numbers")) from None
    if name := next((key for key, value in content.items() if holds_nul(value)), ""):
        raise LogError(
            tr("{kind} {field}: the character U+0000 found; allowed: text", kind=content["kind"], field=name),
            field=name,
        )
    return content


def append(job: Job, data: Mapping[str, Any], who: str, at: datetime | None = None) -> Entry:
    """Add one entry to a job's log; when this returns outside a transaction, it is on the disk.

    Parameters
    ----------
    job : Job
    data : mapping
        `kind` and the fields of the kind, without n, at, who.
    who : str
        Who writes it.
    at : datetime, optional
        When it happened; by default now, in whole seconds.

    Raises
    ------
    LogError
        The entry cannot be; nothing is written.
    """
    return append_all(job, [{**data, "who": who, "at": at or timezone.now().replace(microsecond=0)}])[0]


def append_all(job: Job, new: Sequence[Mapping[str, Any]]) -> list[Entry]:
    """Add several entries, all or none. Each has `at`, `who`, `kind` and its fields.

    An `n` in an entry is the number by which later corrections among `new` call it. The job gives it
    the next free number, and the corrections follow.

    Raises
    ------
    LogError
        Naming the entry by its place among `new` where there are several.
    """
    checked: list[tuple[int | None, datetime, str, dict[str, Any]]] = []
    for place, each in enumerate(new, start=1):
        content = {k: v for k, v in each.items() if k not in ("n", "at", "who")}
        try:
            at, who = parse_time(each["at"]), _check_who(str(each["who"]))
            if each.get("kind") in FOR_GOOD:
                raise LogError(
                    tr("kind {kind!r} found; allowed: what may be written by hand", kind=each["kind"]), field="kind"
                )
            checked.append((each.get("n"), at, who, _storable(check_entry(content))))
        except LogError as error:
            raise _placed(error, place, len(new)) from None

    def numbered() -> list[Entry]:
        last = Entry.objects.filter(job=job).aggregate(last=Max("n"))["last"] or 0
        moved = {n: last + i for i, (n, *_) in enumerate(checked, start=1) if n is not None}
        made: list[Entry] = []
        for place, (_, at, who, content) in enumerate(checked, start=1):
            if content["kind"] == "correction":
                try:
                    content = _placed_correction(job, content, moved, made)
                except LogError as error:
                    raise _placed(error, place, len(new)) from None
            rest = {k: v for k, v in content.items() if k != "kind"}
            made.append(Entry(job=job, n=last + place, at=at, who=who, kind=content["kind"], data=rest))
        return made

    def last_weighed() -> int:
        return Entry.objects.filter(job=job, kind__in=WEIGHED).aggregate(last=Max("n"))["last"] or 0

    def make(worked_out_for: int | None = None) -> list[Entry]:
        locked = Job.objects.with_unit().select_for_update(of=("self",)).get(pk=job.pk)
        if worked_out_for is not None and last_weighed() != worked_out_for:
            raise _WrittenMeanwhile
        made = numbered()
        _check_fits(locked, made)
        Entry.objects.bulk_create(made, batch_size=500)
        if any(e.kind in ("stage", "correction") for e in made):
            settle_closed(locked)
            job.closed = locked.closed
        _settle_stores(locked, made)
        return made

    if not connection.in_atomic_block and any(content["kind"] in WEIGHED for *_, content in checked):
        # What the suspicions become can take seconds: worked out, and kept, before anybody else has to wait for it.
        for _ in range(BEFOREHAND):
            last = last_weighed()
            with suppress(LogError):
                _check_fits(job, numbered())
            with suppress(_WrittenMeanwhile):
                return _retrying(partial(make, last))
    return _retrying(make)


def _check_fits(job: Job, made: Sequence[Entry]) -> None:
    """Refuse what the job's unit type cannot have: once written it could not be taken back."""
    before = entries(job)
    try:
        compiled = compiled_type(job.unit.type_version)
        check_new(compiled, before, [plain(e) for e in made], job.unit.owner.kind == Owner.Kind.CUSTOMER)
        _check_batches(job, made)
    except KnowledgeError:
        return  # the type no longer fits its block kinds: writing goes on
    except LogError:
        try:
            replay(compiled, before)
        except LogError:
            return  # it was unreadable before; a correction must still get in
        raise


def _settle_stores(job: Job, made: Sequence[Entry]) -> None:
    """Bring the stores in step with the log: what entries took, gave back and let go, and corrections of them."""
    if any(e.kind in (*STORES_KINDS, "stage", "correction") for e in made):
        from refettle.book.wants_settle import settle  # it asks this module in turn

        settle(job, made)
    if any(e.kind in ("kit-used", "correction") for e in made):
        from refettle.book.kits_settle import settle_kits

        settle_kits(job)


def _check_batches(job: Job, made: Sequence[Entry]) -> None:
    """Refuse parts into a batch that is said to be another one in another job."""
    if any(e.kind in ("bath-in", "correction") for e in made):
        from refettle.book.batches import refuse_other_terms  # it asks this module in turn

        refuse_other_terms(job, [plain(e) for e in made])


def _placed(error: LogError, place: int, count: int) -> LogError:
    return error if count == 1 else LogError(str(error), place, error.field)


def _placed_correction(
    job: Job, content: dict[str, Any], moved: Mapping[int, int], made: Sequence[Entry]
) -> dict[str, Any]:
    """A correction whose target is numbered as in this job, and is there."""
    target = moved.get(content["corrects"], content["corrects"])
    content = {**content, "corrects": target}
    earlier = {e.n: e.kind for e in made if e.n == target}
    earlier.update(Entry.objects.filter(job=job, n=target).values_list("n", "kind"))
    check_correction(content, earlier)
    return content


def settle_closed(job: Job) -> None:
    """Set when the job was closed, from the last stage that counts in its log."""
    relevant = Entry.objects.filter(job=job, kind__in=["stage", "correction"]).order_by("n")
    # A correction may make a stage of what was none, so its target is needed as well.
    targets = [e.data["corrects"] for e in relevant if e.kind == "correction"]
    rows = {e.n: e for e in [*relevant, *Entry.objects.filter(job=job, n__in=targets)]}
    stages = [e for e in effective(plain(rows[n]) for n in sorted(rows)) if e.kind == "stage" and not e.void]
    ended = stages[-1].at if stages and stages[-1].data.get("stage") in ENDS else None
    closed = max(ended, job.opened) if ended else None
    if closed == job.closed:
        return
    if closed is None and Job.objects.filter(unit=job.unit_id, closed=None).exclude(pk=job.pk).exists():
        raise LogError(tr("stage: the unit has another open job; allowed: one at a time"), field="stage")
    Job.objects.filter(pk=job.pk).update(closed=closed)
    job.closed = closed


def job_state(job: Job) -> JobState:
    """The job's state now. Raises KnowledgeError or LogError when type and log no longer fit."""
    return replay(compiled_type(job.unit.type_version), entries(job))
