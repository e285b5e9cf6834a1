"""One line of the ledger, with the sums that follow from it: all of it or nothing, in one transaction.

Every change goes through `move`. It locks the part (PostgreSQL; SQLite lets one writer in at a time), changes the sums
with conditions on what is there, and writes the line. The CHECK constraints of the tables stand behind it.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from django.db import IntegrityError, transaction
from django.db.models import F, Q
from django.utils import timezone

from refettle.book.kept_texts import label
from refettle.book.models import Job
from refettle.book.models_kits import KitBatch
from refettle.book.models_stores import Lot, Movement, Part, Reservation
from refettle.book.store import StoreError
from refettle.language import tr

MOST = 10_000_000
"""In one line."""
MOST_HELD = 1_000_000_000


def quantity(value: Any, field: str = "count", least: int = 1) -> int:
    """A whole number of parts, as typed or counted. Raises StoreError naming the field."""
    try:
        number = int(str(value).strip()) if not isinstance(value, bool) else None
    except ValueError:
        number = None
    if number is None or not least <= number <= MOST:
        raise StoreError(
            tr(
                "{field}: {found!r} found; allowed: a whole number from {least} to {most}",
                field=label(field),
                found=value,
                least=least,
                most=MOST,
            ),
            field,
        )
    return number


def said(value: str, field: str, most: int, least: int = 0) -> str:
    """A text without ends and control characters. Raises StoreError naming the field."""
    text = " ".join("".join(" " if ord(c) < 32 else c for c in str(value)).split())
    if not least <= len(text) <= most:
        allowed = (
            tr("{least} to {most} characters", least=least, most=most)
            if least
            else tr("at most {most} characters", most=most)
        )
        raise StoreError(
            tr("{field}: {n} characters found; allowed: {allowed}", field=label(field), n=len(text), allowed=allowed),
            field,
        )
    return text


@contextmanager
def holding(part: Part) -> Iterator[Part]:
    """A transaction in which nobody else changes this part's sums; the caller's object is brought up to date."""
    with transaction.atomic():
        held = Part.objects.select_for_update().get(pk=part.pk)
        _show(part, held)
        yield part
        _show(part, Part.objects.only("on_hand", "reserved", "quarantined").get(pk=part.pk))


def _show(part: Part, held: Part) -> None:
    part.on_hand, part.reserved, part.quarantined = held.on_hand, held.reserved, held.quarantined


@dataclass(frozen=True)
class Line:
    """What one line of the ledger says, besides part and lot."""

    kind: str
    who: str
    at: datetime | None = None
    job: Job | None = None
    entry: int | None = None
    corrects: Movement | None = None
    note: str = ""


def move(
    part: Part, lot: Lot, line: Line, *, on_hand: int = 0, quarantined: int = 0, from_reserved: int = 0
) -> Movement:
    """Write one line and change the sums by it. To be called while `holding` the part.

    Parameters
    ----------
    part, lot, line
    on_hand, quarantined : int
        The change of each.
    from_reserved : int
        How many of those that go were promised, and are so no longer.

    Raises
    ------
    StoreError
        There are not so many; nothing is written.
    """
    who = said(line.who, "who", 200, 1)
    note = said(line.note, "note", 500)
    if lot.part_id != part.pk:
        raise StoreError(
            tr("lot: {lot} of {part} found; allowed: a lot of {wanted}", lot=lot, part=lot.part, wanted=part), "lot"
        )
    try:
        with transaction.atomic():
            held = Part.objects.filter(
                pk=part.pk,
                on_hand__gte=-on_hand,
                on_hand__lte=MOST_HELD - max(on_hand, 0),
                quarantined__gte=-quarantined,
                quarantined__lte=MOST_HELD - max(quarantined, 0),
                reserved__gte=from_reserved,
                reserved__lte=F("on_hand") + (on_hand + from_reserved),
            ).update(
                on_hand=F("on_hand") + on_hand,
                quarantined=F("quarantined") + quarantined,
                reserved=F("reserved") - from_reserved,
            )
            there = Lot.objects.filter(pk=lot.pk, on_hand__gte=-on_hand, quarantined__gte=-quarantined).update(
                on_hand=F("on_hand") + on_hand, quarantined=F("quarantined") + quarantined
            )
            if not (held and there):
                raise _NotThereError
            made = Movement.objects.create(
                part=part,
                lot=lot,
                at=line.at or timezone.now(),
                who=who,
                kind=line.kind,
                on_hand=on_hand,
                quarantined=quarantined,
                job=line.job,
                entry=line.entry,
                corrects=line.corrects,
                note=note,
            )
    except (_NotThereError, IntegrityError):
        raise _refusal(part, lot, on_hand, quarantined, from_reserved) from None
    lot.refresh_from_db(fields=["on_hand", "quarantined"])
    return made


class _NotThereError(Exception):
    """The conditions of an update did not hold."""


def _refusal(part: Part, lot: Lot, on_hand: int, quarantined: int, from_reserved: int) -> StoreError:
    now, there = Part.objects.get(pk=part.pk), Lot.objects.get(pk=lot.pk)
    _show(part, now)
    if -quarantined > there.quarantined:
        return StoreError(
            tr("count: {n} found; allowed: at most {most} in quarantine", n=-quarantined, most=there.quarantined),
            "count",
        )
    if -on_hand > there.on_hand:
        return StoreError(
            tr(
                "count: {n} found; allowed: at most {most}, as {holder} holds",
                n=-on_hand,
                most=there.on_hand,
                holder=there,
            ),
            "count",
        )
    if now.on_hand + on_hand > MOST_HELD or now.quarantined + quarantined > MOST_HELD:
        return StoreError(tr("count: more than {most} in all; allowed: up to that many", most=MOST_HELD), "count")
    return refuse_count(now, -on_hand, now.free + from_reserved)


# ---------------------------------------------------------------- what is free


def open_reservations(part: Part) -> list[Reservation]:
    """What is promised of a part, oldest first."""
    return list(Reservation.objects.filter(part=part, closed=None).select_related("job", "batch").order_by("id"))


def holders(part: Part) -> str:
    """Who was promised parts, for messages: 'job 4: 2, kit batch 1: 3'."""
    return ", ".join(f"{holder(r)}: {r.quantity}" for r in open_reservations(part))


def holder(reservation: Reservation) -> str:
    """Whom a reservation is for."""
    if reservation.job is not None:
        return tr("job {job}", job=reservation.job.number)
    return tr("kit batch {batch}", batch=reservation.batch_id)


def refuse_count(part: Part, found: int, allowed: int, own: int = 0) -> StoreError:
    """Not so many are free; says how many are, and who holds the others."""
    who = [tr("{n} reserved for {who}", n=r.quantity, who=holder(r)) for r in open_reservations(part)]
    held = ", ".join(
        [
            tr("{n} on hand", n=part.on_hand),
            *who,
            *([tr("{n} in quarantine", n=part.quarantined)] * bool(part.quarantined)),
        ]
    )
    yours = tr(", {n} of them reserved for this", n=own) if own else ""
    return StoreError(
        tr(
            "count: {found} found; allowed: at most {allowed} free{yours} ({held})",
            found=found,
            allowed=max(allowed, 0),
            yours=yours,
            held=held,
        ),
        "count",
    )


def oldest_first(part: Part) -> list[Lot]:
    """Lots with something on hand, in the order in which they are used up: by date code, else by when they came."""
    return sorted(Lot.objects.filter(part=part, on_hand__gt=0), key=lambda lot: (age_key(lot), lot.pk))


def age_key(lot: Lot) -> date:
    """The day by which a lot's turn is told."""
    return lot.made or lot.since or timezone.localdate(lot.created)


def spread(part: Part, count: int, lot: Lot | None, lots: Sequence[Lot] | None = None) -> list[tuple[Lot, int]]:
    """From which lots so many are taken, the oldest first; only from `lot` where one is chosen."""
    if lot is not None:
        lot.refresh_from_db(fields=["on_hand", "quarantined"])
        if lot.part_id != part.pk:
            raise StoreError(
                tr("lot: {lot} of {part} found; allowed: a lot of {part_2}", lot=lot, part=lot.part, part_2=part), "lot"
            )
        if lot.on_hand < count:
            raise StoreError(
                tr(
                    "count: {count} found; allowed: at most {most}, as {lot} holds",
                    count=count,
                    most=lot.on_hand,
                    lot=lot,
                ),
                "count",
            )
        return [(lot, count)]
    plan: list[tuple[Lot, int]] = []
    left = count
    for each in oldest_first(part) if lots is None else lots:
        if not left:
            break
        taken = min(left, each.on_hand)
        plan.append((each, taken))
        left -= taken
    if left:
        raise refuse_count(part, count, part.free)
    return plan


def own_reservations(part: Part, job: Job | None, batch: KitBatch | None, want: int | None = None) -> list[Reservation]:
    """What is promised to this job (for this want and for none, or without one for any) or to this batch."""
    mine = Reservation.objects.filter(part=part, closed=None)
    if job is not None:
        mine = mine.filter(job=job)
        if want is not None:
            mine = mine.filter(Q(want=want) | Q(want=None))
        return sorted(mine, key=lambda r: (r.want != want, r.pk))
    return list(mine.filter(batch=batch).order_by("id")) if batch is not None else []


def use_up(reservations: Sequence[Reservation], count: int) -> int:
    """Take so many off these reservations; how many they gave. The part's own sum is for the caller to change."""
    left = count
    for each in reservations:
        gone = min(left, each.quantity)
        if gone:
            rest = each.quantity - gone
            changed = {"quantity": rest} if rest else {"quantity": 0, "closed": timezone.now()}
            if not Reservation.objects.filter(pk=each.pk, closed=None, quantity=each.quantity).update(**changed):
                raise StoreError(tr("reservation {n}: changed by another writer; allowed: ask again", n=each.pk))
            each.quantity = rest
            left -= gone
    return count - left


def cut_into(part: Part, over: int, let_go: Sequence[Reservation], field: str, found: int) -> None:
    """Take `over` off the named reservations, in their order; refused where they do not cover it."""
    if not over:
        return
    fresh = Reservation.objects.filter(pk__in=[r.pk for r in let_go], part=part, closed=None)
    named = {r.pk: r for r in fresh}
    mine = [named[r.pk] for r in let_go if r.pk in named]
    if sum(r.quantity for r in mine) < over:
        limit = (
            tr("{n} or more", n=found + over) if field == "counted" else tr("at most {n}, which are free", n=part.free)
        )
        raise StoreError(
            tr(
                "{field}: {found} found, which cuts into {over} of the {reserved} reserved ({holders}) of {held} on "
                "hand; allowed: {limit}, or name whose reservation to let go",
                field=label(field),
                found=found,
                over=over,
                reserved=part.reserved,
                holders=holders(part),
                held=part.on_hand,
                limit=limit,
            ),
            field,
        )
    use_up(mine, over)
