"""Erasing an owner on request: what would go, word for word; what stands against it; doing it.

Name and contact go, and the owner's words in texts wherever they stand. What was found, measured, done and agreed
stays, with who at the bench wrote it. A text of an append-only table is altered by the one exception that its guard
makes (see `guards`): to what an `ErasedText` written before says. Whatever the job's log gives by replay must be the
same afterwards but for texts, or nothing is erased.
"""

from __future__ import annotations

import hashlib
import hmac
import json
import secrets
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path
from typing import Any

from django.conf import settings
from django.db import connection, transaction
from django.db.models import Count, Exists, Max, OuterRef, Q, QuerySet, Subquery
from django.db.models.expressions import Combinable
from django.db.models.functions import Coalesce
from django.utils import timezone

from refettle.book import guards, photos
from refettle.book.models import Entry, Job, Owner, Photo, Unit
from refettle.book.models_privacy import ErasedPhoto, ErasedText, Erasure
from refettle.book.privacy_check import standing
from refettle.book.privacy_find import Change, PhotoUse, Remains, changes_of, erased_photos, photo_uses, remains_of
from refettle.book.privacy_words import ExtraWordsError, OwnersWords, owners_words
from refettle.book.store import StoreError
from refettle.language import several, tr


class ErasureError(StoreError):
    """An owner cannot be erased, now or at all; says why and what to do."""


@dataclass(frozen=True)
class Refusal:
    """Something that stands against erasing, and until when, if that is known."""

    says: str
    until: date | None = None


@dataclass(frozen=True)
class ErasePlan:
    """What erasing an owner would do. `digest` is of all of it: what is confirmed is what was shown.

    `last`: the last entry, and the last erasure, before the book was read for it.
    """

    owner: Owner
    words: tuple[str, ...]
    changes: tuple[Change, ...]
    photos: tuple[PhotoUse, ...]
    remains: tuple[Remains, ...]
    namesakes: tuple[Owner, ...]
    refused: tuple[Refusal, ...]
    digest: str
    last: tuple[int, int] = (0, 0)

    @property
    def jobs(self) -> list[int]:
        """Numbers of the jobs whose entries would be altered."""
        return sorted({change.job for change in self.changes if change.job is not None and change.n is not None})

    @property
    def entries(self) -> int:
        """How many entries would be altered."""
        return len({(change.job, change.n) for change in self.changes if change.n is not None})


@dataclass(frozen=True)
class Erased:
    """What was done. `key` is kept nowhere: with it and a backup made before, `before` can be proved."""

    erasure: Erasure
    key: str
    entries: int
    texts: int
    photos: int
    photos_kept: tuple[str, ...]


MARGIN = 2000
"""Entries read once more: they get their numbers before they are written, and not always in that order."""


def erased_name(owner: Owner) -> str:
    """What stands in place of the name."""
    return f"erased owner {owner.pk}"


# ---------------------------------------------------------------- before


def known_as(owner: Owner) -> list[tuple[str, str]]:
    """Name and contact, now and earlier."""
    return [(owner.name, owner.contact), *owner.before.values_list("name", "contact")]


def words_of_owner(owner: Owner, extra: Iterable[str] = ()) -> OwnersWords:
    """The words that are looked for. Raises ErasureError."""
    try:
        return owners_words(known_as(owner), extra)
    except ExtraWordsError as error:
        raise ErasureError(str(error), field="extra") from None


def plan(
    owner: Owner,
    extra: Iterable[str] = (),
    today: date | None = None,
    seen: ErasePlan | None = None,
    told: Callable[[int], None] | None = None,
) -> ErasePlan:
    """What erasing this owner would do; nothing is changed. Raises ErasureError for further words that cannot be.

    `seen`: a plan made before: of the entries, which are only ever added to, those that came since are read. `told` is
    called with how many entries were read.
    """
    words = words_of_owner(owner, extra)
    last = Entry.objects.aggregate(last=Max("pk"))["last"] or 0, Erasure.objects.aggregate(last=Max("pk"))["last"] or 0
    refused = refusals(owner, today or timezone.localdate())
    namesakes = [
        other
        for other in Owner.objects.exclude(pk=owner.pk).filter(kind=Owner.Kind.CUSTOMER)
        if _touched(words, other.name) or _touched(words, other.contact)
    ]
    if owner.kind != Owner.Kind.CUSTOMER or owner.erasures.exists():
        return ErasePlan(owner, (), (), (), (), (), tuple(refused), "")
    shown = tuple(dict.fromkeys(word.text for word in words.own.words))
    goes_on = seen is not None and (seen.words, list(seen.namesakes), seen.last[1]) == (shown, namesakes, last[1])
    since = max(0, seen.last[0] - MARGIN) if seen is not None and goes_on else 0
    before = [c for c in seen.changes if c.table == "book_entry" and c.row <= since] if seen is not None else []
    found_now = changes_of(owner, words, namesakes, erased_name(owner), since, told)
    changes = tuple(sorted([*before, *found_now], key=lambda c: (c.job is None, c.job or 0, c.n or 0)))
    found = tuple(photo_uses(owner))
    # What would stay is told, and nothing hangs on it: not looked for again while others wait.
    remains = seen.remains if seen is not None and goes_on else tuple(remains_of(words))
    texts = [[c.table, c.row, c.column, c.before, c.after] for c in changes] + [[p.sha256, p.n] for p in found]
    digest = hashlib.sha256(json.dumps([owner.name, owner.contact, texts]).encode("ascii")).hexdigest()
    return ErasePlan(owner, shown, changes, found, remains, tuple(namesakes), tuple(refused), digest, last)


def _touched(words: OwnersWords, text: str) -> bool:
    return words.elsewhere.scrub(text) != text


def refusals(owner: Owner, today: date) -> list[Refusal]:
    """What stands against erasing this owner today."""
    from refettle.book.store import job_state

    if owner.kind != Owner.Kind.CUSTOMER:
        return [Refusal(tr("This is the bench's own stock, and nobody to be erased."))]
    if (before := owner.erasures.first()) is not None:
        return [Refusal(tr("Erased already, on {day:%Y-%m-%d}.", day=timezone.localtime(before.at)))]
    found: list[Refusal] = []
    years = int(settings.REFETTLE_KEEP_YEARS)
    for job in Job.objects.with_unit().filter(unit__owner=owner).order_by("number"):
        if job.closed is None:
            found.append(Refusal(tr("Job {n} is open: hand it over, or close it, first.", n=job.number)))
            continue
        try:
            warranty = job_state(job).money.warranty
        except ValueError:
            warranty = None
        if warranty is not None and warranty.ends >= today:
            says = tr(
                "The warranty of job {n} runs until {day}. A customer who gives it up says so in writing: correct the "
                "entry then.",
                n=job.number,
                day=warranty.ends,
            )
            found.append(Refusal(says, warranty.ends))
        if years and (ends := _years_on(timezone.localdate(job.closed), years)) > today:
            says = several(
                "Records are kept for {n} year here (REFETTLE_KEEP_YEARS): of job {job} until {day}.",
                "Records are kept for {n} years here (REFETTLE_KEEP_YEARS): of job {job} until {day}.",
                years,
                job=job.number,
                day=ends,
            )
            found.append(Refusal(says, ends))
    return found


def _years_on(day: date, years: int) -> date:
    try:
        return day.replace(year=day.year + years)
    except ValueError:  # 29 February, or past the calendar's end
        return (
            date.max if day.year + years > date.max.year else day.replace(year=day.year + years, day=28) + timedelta(1)
        )


# ---------------------------------------------------------------- doing it


def erase(
    owner: Owner,
    *,
    who: str,
    why: str,
    confirm: str,
    digest: str,
    extra: Iterable[str] = (),
    without: Iterable[str] = (),
    seen: ErasePlan | None = None,
) -> Erased:
    """Erase an owner.

    Parameters
    ----------
    owner : Owner
    who, why : str
        Who does it, and on what request; the owner's words are taken out of `why`.
    confirm : str
        The owner's name, typed.
    digest : str
        Of the plan that was shown.
    extra : iterable of str
        Further words that are looked for.
    without : iterable of str
        sha256 of photos whose files are to be removed. One that another owner's job uses is kept.
    seen : ErasePlan, optional
        The plan that was shown, where it is at hand: not all of a large book need be read again.

    Raises
    ------
    ErasureError
        Nothing is erased.
    """
    extra, without = list(extra), frozenset(without)
    if not 3 <= len(why.strip()) <= 2000:
        raise ErasureError(
            tr("why: {n} letters found; allowed: on what request, 3 to 2000 letters", n=len(why.strip())), "why"
        )
    _hold_deleted_pages_blank()
    seen = plan(owner, extra, seen=seen)  # may read the whole book: while others write in it
    with transaction.atomic():
        locked = Owner.objects.select_for_update().get(pk=owner.pk)
        list(Job.objects.select_for_update().filter(unit__owner=locked).order_by("number"))
        shown = plan(locked, extra, seen=seen)
        if shown.refused:
            raise ErasureError(" ".join(each.says for each in shown.refused))
        if " ".join(confirm.split()) != " ".join(locked.name.split()):
            raise ErasureError(
                tr("confirm: '{confirm}' found; allowed: the owner's name as it stands here", confirm=confirm[:60]),
                "confirm",
            )
        if digest != shown.digest:
            raise ErasureError(
                tr("What would go has changed since it was shown. Look at it again, then confirm."), "digest"
            )
        strange = without - {use.sha256 for use in shown.photos}
        if strange:
            raise ErasureError(
                tr("photo: {photo} found; allowed: photos of this owner's jobs", photo=min(strange)[:12]), "photo"
            )
        made = _do(locked, shown, who, words_of_owner(locked, extra).own.scrub(why.strip()), without)
        transaction.on_commit(_wipe)
    return made


def _do(owner: Owner, shown: ErasePlan, who: str, why: str, without: frozenset[str]) -> Erased:
    altered = {change.job for change in shown.changes if change.n is not None and change.job is not None}
    jobs = list(Job.objects.with_unit().filter(number__in=altered))
    before = {job.number: standing(job) for job in jobs}
    erasure = Erasure.objects.create(owner=owner, who=who, why=why)
    key = secrets.token_hex(32)
    pks = {job.number: job.pk for job in jobs}
    ErasedText.objects.bulk_create(
        [
            ErasedText(
                erasure=erasure,
                of_table=change.table,
                of_row=change.row,
                of_column=change.column,
                job_id=pks.get(change.job) if change.n is not None and change.job is not None else None,
                n=change.n,
                text=change.after,
                before=hmac.new(bytes.fromhex(key), change.before.encode("utf-8"), "sha256").hexdigest(),
                after=hashlib.sha256(change.after.encode("utf-8")).hexdigest(),
            )
            for change in shown.changes
            if change.table in guards.ERASABLE
        ],
        batch_size=500,
    )
    for change in shown.changes:
        _write(change)
    Owner.objects.filter(pk=owner.pk).update(name=erased_name(owner), contact="")
    owner.before.all().delete()
    for job in jobs:
        if standing(job) != before[job.number]:
            raise ErasureError(
                tr("Job {n} would no longer say the same without these words. Nothing was erased.", n=job.number)
            )
    kept, gone = _part_photos(shown.photos, without)
    fresh = sorted(gone - erased_photos())
    ErasedPhoto.objects.bulk_create([ErasedPhoto(erasure=erasure, sha256=sha) for sha in fresh])
    transaction.on_commit(lambda: _remove_files(gone))
    return Erased(erasure, key, shown.entries, len(shown.changes), len(gone), kept)


def _write(change: Change) -> None:
    """Alter one text; in an append-only table the guard compares it with what was written to be."""
    quote = connection.ops.quote_name
    json_there = change.is_json and connection.vendor == "postgresql"
    value = "%s::json" if json_there else "%s"
    with connection.cursor() as cursor:
        cursor.execute(
            f"UPDATE {quote(change.table)} SET {quote(change.column)} = {value} WHERE id = %s",  # noqa: S608 - ours
            [change.after, change.row],
        )
        if cursor.rowcount != 1:
            raise ErasureError(tr("{where} is gone meanwhile. Nothing was erased.", where=change.where))


def _part_photos(found: Sequence[PhotoUse], without: frozenset[str]) -> tuple[tuple[str, ...], set[str]]:
    """What is said of photos that are kept, and the hashes of those that go."""
    kept = [
        tr("the photo of job {job}, entry {n}: {others} has it as well", job=use.job, n=use.n, others=use.others)
        for use in found
        if use.sha256 in without and use.others
    ]
    gone = {use.sha256 for use in found if use.sha256 in without and not use.others}
    return tuple(kept), gone


def _remove_files(gone: Iterable[str]) -> None:
    folder = Path(settings.REFETTLE_PHOTOS)
    for photo in Photo.objects.filter(sha256__in=list(gone)):
        photos.original_path(folder, photo.sha256, photo.format).unlink(missing_ok=True)
        for size in photos.SIZES:
            photos.copy_path(folder, photo.sha256, size).unlink(missing_ok=True)


# ---------------------------------------------------------------- what a database keeps of what it deleted


def _hold_deleted_pages_blank() -> None:
    # SQLite's documentation, "PRAGMA secure_delete": deleted content is overwritten with zeros.
    if connection.vendor == "sqlite":
        with connection.cursor() as cursor:
            cursor.execute("PRAGMA secure_delete = ON")


def _wipe() -> None:
    """Have the database let go of the old rows: they would lie in its files for a while."""
    if connection.in_atomic_block:
        return
    with connection.cursor() as cursor:
        if connection.vendor == "sqlite":
            cursor.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        else:
            # PostgreSQL's manual, "Routine Vacuuming": an old version of a row stays until then.
            for table in ("book_owner", "book_ownerbefore", "book_unit", "book_kit", *guards.ERASABLE):
                cursor.execute(f"VACUUM {table}")


# ---------------------------------------------------------------- name and contact put right


def put_right(owner: Owner, name: str, contact: str) -> bool:
    """Put an owner's name and contact right; the earlier ones are kept to be found when the owner is erased.

    Returns False where nothing is different.

    Raises
    ------
    ErasureError
        Naming the field.
    """
    from refettle.book.models_privacy import OwnerBefore

    name, contact = " ".join(name.split()), contact.replace("\r\n", "\n").strip()
    if owner.kind != Owner.Kind.CUSTOMER:
        raise ErasureError(tr("name: the bench's own stock found; allowed: a customer"), "name")
    if not 1 <= len(name) <= 120:
        raise ErasureError(tr("name: {n} letters found; allowed: 1 to 120", n=len(name)), "name")
    if len(contact) > 1000:
        raise ErasureError(tr("contact: {n} letters found; allowed: at most 1000", n=len(contact)), "contact")
    for field, text in (("name", name), ("contact", contact)):
        if any(not (c.isprintable() or c == "\n") for c in text):
            raise ErasureError(tr("{field}: a character that cannot be shown found; allowed: text", field=field), field)
    with transaction.atomic():
        locked = Owner.objects.select_for_update().get(pk=owner.pk)
        if locked.erasures.exists():
            raise ErasureError(
                tr("name: an erased owner found; allowed: take the unit in anew under a new owner"), "name"
            )
        if (locked.name, locked.contact) == (name, contact):
            return False
        OwnerBefore.objects.create(owner=locked, name=locked.name, contact=locked.contact)
        Owner.objects.filter(pk=locked.pk).update(name=name, contact=contact)
    owner.name, owner.contact = name, contact
    return True


def found_owners(asked: str = "") -> QuerySet[Owner]:
    """Owners by name, found by name, contact, or a serial or label of a unit; `unit_count`, `job_count`, `open_count`
    and `erased` are set on each."""
    # Counted for each owner shown: joined and grouped, all units and jobs of the book would be counted for one page.
    units = Unit.objects.filter(owner=OuterRef("pk")).order_by().values("owner")
    jobs = Job.objects.filter(unit__owner=OuterRef("pk")).order_by().values("unit__owner")
    found = Owner.objects.annotate(
        unit_count=_counted(units),
        job_count=_counted(jobs),
        open_count=_counted(jobs.filter(closed=None)),
        erased=Exists(Erasure.objects.filter(owner=OuterRef("pk"))),
    ).order_by("name", "pk")
    asked = asked.strip().replace("\0", "")
    if asked:
        # Not EXISTS: PostgreSQL would ask it for each owner.
        of_unit = Unit.objects.filter(Q(serial__icontains=asked) | Q(label__icontains=asked)).values("owner")
        found = found.filter(Q(name__icontains=asked) | Q(contact__icontains=asked) | Q(pk__in=of_unit))
    return found


def _counted(rows: QuerySet[Any, Any]) -> Combinable:
    return Coalesce(Subquery(rows.annotate(n=Count("pk")).values("n")), 0)


def units_of(owner: Owner) -> QuerySet[Unit]:
    """The owner's units with their jobs, in order."""
    units = Unit.objects.filter(owner=owner).select_related("type_version")
    return units.defer("type_version__text", "type_version__library").prefetch_related("jobs").order_by("pk")
