"""Where an owner's words stand in the book: entries, labels, kits sold, notes; and photos of the owner's jobs."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Container, Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from django.db import connection, models

from refettle.book import moving
from refettle.book.kept_texts import label
from refettle.book.models import Entry, Job, Owner, Photo, Unit
from refettle.book.models_experience import Lesson
from refettle.book.models_kits import Kit, KitStep, KitVersion
from refettle.book.models_orders import Order, Receipt
from refettle.book.models_prices import Supplier
from refettle.book.models_privacy import ErasedPhoto
from refettle.book.models_stores import Lot, Movement, Part
from refettle.book.personal import PersonalWords
from refettle.book.privacy_words import OwnersWords, Scrubber, differences

ERASED: dict[type[models.Model], tuple[str, ...]] = {
    Unit: ("label",),
    Kit: ("sold_to", "note"),
    KitVersion: ("note",),
    KitStep: ("data",),
    Lesson: ("trouble",),
    Lot: ("source",),
    Movement: ("note",),
    Order: ("note",),
    Part: ("note",),
    Receipt: ("note",),
    Supplier: ("note",),
}
"""Columns, beside those of entries, that people write freely: the words go from there."""
HASH = re.compile("[0-9a-f]{64}")
PASSED_OVER = frozenset(
    {"book_owner", "book_ownerbefore", "book_entry", "book_erasure", "book_erasedtext", "book_erasedphoto",
     "book_person", "django_session", "django_migrations", "django_content_type", "auth_permission"}
)  # fmt: skip
"""Tables where no word remains, or whose words are another's."""


@dataclass(frozen=True)
class Shown:
    """One text of a row before and after."""

    field: str
    before: str
    after: str


@dataclass(frozen=True)
class Change:
    """One column of one row that would be altered: `before` and `after` as the database holds them."""

    table: str
    row: int
    column: str
    where: str
    before: str
    after: str
    shown: tuple[Shown, ...]
    job: int | None = None
    n: int | None = None
    is_json: bool = False

    @property
    def said(self) -> str:
        """`where` in the current language."""
        return label(self.where)


@dataclass(frozen=True)
class PhotoUse:
    """A photo of one of the owner's jobs. `others`: who else has it, in words; then its file is never removed."""

    sha256: str
    job: int
    n: int
    caption: str
    others: str = ""
    there: bool = True


@dataclass(frozen=True)
class Remains:
    """A text with one of the words that is not erased, for somebody to look at."""

    where: str
    text: str


# ---------------------------------------------------------------- entries


def changes_of(
    owner: Owner,
    words: OwnersWords,
    namesakes: Iterable[Owner],
    instead: str,
    after: int = 0,
    told: Callable[[int], None] | None = None,
) -> Iterator[Change]:
    """Every text that would be altered. Jobs of `namesakes`, other owners with the same words, are left alone.

    `after`: of entries those with a larger id only. `told` is called with how many entries were read.
    """
    own = set(Job.objects.filter(unit__owner=owner).values_list("pk", flat=True))
    theirs = set(Job.objects.filter(unit__owner__in=list(namesakes)).values_list("pk", flat=True))
    yield from _entries(own, theirs, words, after, told)
    units = set(Unit.objects.filter(owner=owner).values_list("pk", flat=True))
    their_units = set(Unit.objects.filter(owner__in=list(namesakes)).values_list("pk", flat=True))
    for model, columns in ERASED.items():
        # A kit has a job too, but what is written on it is of whoever it was sold to.
        by = "pk" if model is Unit else "job_id" if model in (Movement, Lesson) else ""
        rows = model._base_manager.order_by("pk").values_list("pk", by or "pk", *columns)
        for pk, key, *texts in rows.iterator():
            if by and key in (their_units if model is Unit else theirs):
                continue
            mine = bool(by) and key in (units if model is Unit else own)
            for column, value in zip(columns, texts, strict=True):
                made = _without(words.own if mine else words.elsewhere, value)
                if made == value:
                    continue
                if column == "sold_to":
                    made = instead
                yield _row_change(model, pk, column, value, made)


def _entries(
    own: set[int], theirs: set[int], words: OwnersWords, after: int, told: Callable[[int], None] | None
) -> Iterator[Change]:
    numbers = dict(Job.objects.values_list("pk", "number"))
    as_text = "data::text" if connection.vendor == "postgresql" else "data"
    writers: dict[str, str] = {}
    with connection.chunked_cursor() as cursor:
        cursor.execute(
            f"SELECT id, job_id, n, kind, who, {as_text} FROM book_entry WHERE id > %s ORDER BY job_id, n",  # noqa: S608
            [after],
        )
        scrubber, of_job, read = Scrubber(words.elsewhere), None, 0
        while rows := cursor.fetchmany(500):
            read += len(rows)
            if told is not None:
                told(read)
            for pk, job, n, kind, who, text in rows:
                if job in theirs:
                    continue
                if who not in writers:
                    writers[who] = words.elsewhere.scrub(who)
                if job not in own and writers[who] == who and not words.elsewhere.may_be_in(text):
                    continue  # nearly all of a large book
                if job != of_job:
                    scrubber, of_job = Scrubber(words.own if job in own else words.elsewhere), job
                where = f"job {numbers[job]}, entry {n} ({kind})"
                data = json.loads(text)
                made = scrubber.entry(kind, data)
                if made != data:
                    shown = tuple(Shown(*each) for each in differences(data, made))
                    yield Change(
                        "book_entry", pk, "data", where, text, json.dumps(made), shown, numbers[job], n, is_json=True
                    )
                if writers[who] != who:
                    shown = (Shown("who", who, writers[who]),)
                    yield Change("book_entry", pk, "who", where, who, writers[who], shown, numbers[job], n)


def _without(words: PersonalWords, value: Any) -> Any:
    return words.scrub_all(value)


def _row_change(model: type[models.Model], pk: int, column: str, before: Any, after: Any) -> Change:
    is_json = not isinstance(before, str)
    raw_before, raw_after = (json.dumps(before), json.dumps(after)) if is_json else (before, after)
    where = f"{model._meta.verbose_name} {pk}, {column.replace('_', ' ')}"
    if model is Unit:
        where = f"unit {pk}, {column}"
    elif model is Kit:
        where = f"kit {Kit.objects.values_list('code', flat=True).get(pk=pk)}, {column.replace('_', ' ')}"
    shown = tuple(Shown(*each) for each in differences(before, after)) if is_json else (Shown(column, before, after),)
    return Change(model._meta.db_table, pk, column, where, raw_before, raw_after, shown, is_json=is_json)


def remains_of(words: OwnersWords) -> Iterator[Remains]:
    """Texts with one of the words in columns that are not written freely, and so are left alone."""
    known: dict[str, bool] = {}

    def holds(value: Any) -> bool:
        """A ledger says the same few texts a million times."""
        if not value or not words.elsewhere.may_be_in(value if isinstance(value, str) else json.dumps(value)):
            return False
        if not isinstance(value, str) or len(value) > 200:
            return bool(_without(words.elsewhere, value) != value)
        if value not in known:
            if len(known) > 100_000:
                known.clear()
            known[value] = words.elsewhere.scrub(value) != value
        return known[value]

    for model in moving.tables():
        if model._meta.db_table in PASSED_OVER:
            continue
        columns = [
            str(f.column)
            for f in model._meta.concrete_fields
            if isinstance(f, models.CharField | models.TextField | models.JSONField)
            and not f.choices
            and f.column not in ERASED.get(model, ())
        ]
        if not columns:
            continue
        for pk, *texts in model._base_manager.order_by("pk").values_list("pk", *columns).iterator():
            for column, value in zip(columns, texts, strict=True):
                if holds(value):
                    said = value if isinstance(value, str) else json.dumps(value, ensure_ascii=False)
                    yield Remains(f"{model._meta.verbose_name} {pk}, {column.replace('_', ' ')}", said[:400])


# ---------------------------------------------------------------- photos


def photos_named(data: Any) -> Iterator[str]:
    """The hashes of photos that an entry names, also one that a correction puts in place."""
    value = data.get("photo")
    if isinstance(value, str):
        yield value
    if isinstance(data.get("photos"), dict):
        yield from (each for each in data["photos"].values() if isinstance(each, str))
    if isinstance(data.get("with"), dict):
        yield from photos_named(data["with"])


def photo_uses(owner: Owner) -> Iterator[PhotoUse]:
    """Every photo of the owner's jobs once, where it was first named."""
    first: dict[str, tuple[int, int, str]] = {}
    rows = Entry.objects.filter(job__unit__owner=owner).order_by("job__number", "n")
    for number, n, data in rows.values_list("job__number", "n", "data").iterator():
        for sha in photos_named(data):
            first.setdefault(sha, (number, n, str(data.get("caption", ""))))
    others: dict[str, set[int]] = {}
    for number, data in _naming(owner, first) if first else ():
        for sha in photos_named(data):
            others.setdefault(sha, set()).add(number)
    there = set(Photo.objects.filter(sha256__in=first).values_list("sha256", flat=True)) - erased_photos()
    for sha, (number, n, caption) in first.items():
        shared = sorted(others.get(sha, ()))
        yield PhotoUse(sha, number, n, caption, ", ".join(f"job {each}" for each in shared), sha in there)


def _naming(owner: Owner, hashes: Container[str]) -> Iterator[tuple[int, Any]]:
    """Number of the job and fields of every entry of another owner's job in which one of these hashes stands."""
    of_job = dict(Job.objects.exclude(unit__owner=owner).values_list("pk", "number"))
    as_text = "data::text" if connection.vendor == "postgresql" else "data"
    with connection.chunked_cursor() as cursor:
        cursor.execute(f"SELECT job_id, {as_text} FROM book_entry WHERE {as_text} LIKE %s", ['%"photo%'])  # noqa: S608
        while rows := cursor.fetchmany(500):
            for job, text in rows:
                if job in of_job and any(sha in hashes for sha in HASH.findall(text)):
                    yield of_job[job], json.loads(text)


def erased_photos() -> set[str]:
    """Hashes of photos whose files were removed on request."""
    return set(ErasedPhoto.objects.values_list("sha256", flat=True))


def kits_sold_to(words: OwnersWords) -> Sequence[Kit]:
    """Kits that were sold to this name."""
    sold = Kit.objects.exclude(sold_to="").select_related("batch__version").order_by("pk")
    return [kit for kit in sold.iterator() if words.elsewhere.scrub(kit.sold_to) != kit.sold_to]
