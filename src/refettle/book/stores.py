"""The stores: what came, what went where, what was counted. Each is a line of the ledger and its sums, all or nothing.

What a job takes is written in its log first, and the stock follows from there: see `wants`.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from django.utils import timezone

from refettle.book.models import Job
from refettle.book.models_kits import KitBatch
from refettle.book.models_stores import Lot, Movement, Part, Reservation
from refettle.book.store import StoreError
from refettle.book.stores_counting import correct, count, looked_at
from refettle.book.stores_lots import Came, new_lot
from refettle.book.stores_moves import (
    Line,
    cut_into,
    holding,
    move,
    own_reservations,
    quantity,
    refuse_count,
    said,
    spread,
    use_up,
)
from refettle.book.stores_parts import add_part, edit_part, find_lot, find_part
from refettle.language import tr

__all__ = [
    "Came",
    "add_part",
    "correct",
    "count",
    "edit_part",
    "find_lot",
    "find_part",
    "from_donor",
    "give_back",
    "looked_at",
    "quarantine",
    "receive",
    "release",
    "scrap",
    "take",
    "take_into_kit",
]

Kind = Movement.Kind


# ---------------------------------------------------------------- in


def receive(
    part: Part,
    count: int,
    *,
    who: str,
    came: Came | None = None,
    lot: Lot | None = None,
    quarantine: bool = False,
    note: str = "",
    at: datetime | None = None,
) -> Movement:
    """Parts that came in, as a lot of their own, or with `lot` as more of one that is there.

    Parameters
    ----------
    part : Part
    count : int
    who : str
    came : Came, optional
        What is known of the lot.
    lot : Lot, optional
        The lot that they belong to; not together with `came`.
    quarantine : bool
        Of unknown source: kept apart until shown good.
    note : str
    at : datetime, optional
        When; by default now.

    Raises
    ------
    StoreError
        Naming the field, what was found, what is allowed.
    """
    count = quantity(count)
    if came is not None and lot is not None:
        raise StoreError(tr("lot: a lot and what is known of a new one found; allowed: one of them"), "lot")
    with holding(part):
        into = lot or new_lot(part, came or Came(), at, proven=not quarantine)
        line = Line(Kind.RECEIVED, who, at, note=note)
        return move(part, into, line, **{"quarantined" if quarantine else "on_hand": count})


def from_donor(
    part: Part,
    count: int,
    *,
    who: str,
    job: Job | None = None,
    unit: str = "",
    came: Came | None = None,
    note: str = "",
    at: datetime | None = None,
) -> Movement:
    """Parts taken out of a donor unit: named by its job, or in words. They lie in quarantine until shown good."""
    count = quantity(count)
    unit = said(unit, "unit", 150)
    if job is None and len(unit) < 3:
        raise StoreError(
            tr("unit: no donor found; allowed: the job of the unit it came out of, or the unit in words"), "unit"
        )
    named = f"job {job.number}: {job.unit.type_version.name}, {job.unit}" if job is not None else ""
    source = f"donor {named}{'; ' if named and unit else ''}{unit}"[:200]
    with holding(part):
        given = came or Came()
        lot = new_lot(
            part, Came(given.code, given.made, given.since, source, given.price, given.currency), at, proven=False
        )
        return move(part, lot, Line(Kind.DONOR, who, at, job=job, note=note), quarantined=count)


def give_back(
    lot: Lot,
    count: int,
    *,
    who: str,
    job: Job | None = None,
    entry: int | None = None,
    quarantine: bool = False,
    note: str = "",
    at: datetime | None = None,
) -> Movement:
    """Parts that come back unused from a kit into their lot; from a job by its log, see `wants.give_back_from_job`."""
    count = quantity(count)
    part = lot.part
    with holding(part):
        line = Line(Kind.RETURNED, who, at, job=job, entry=entry, note=note)
        return move(part, lot, line, **{"quarantined" if quarantine else "on_hand": count})


# ---------------------------------------------------------------- out


def take(
    part: Part,
    count: int,
    kind: str,
    *,
    who: str,
    job: Job | None = None,
    batch: KitBatch | None = None,
    want: int | None = None,
    entry: int | None = None,
    lot: Lot | None = None,
    note: str = "",
    at: datetime | None = None,
) -> list[Movement]:
    """Take parts out for a job or a batch of kits: what was promised to it first, then what is free.

    The oldest lot goes first unless one is chosen; each lot gives a line of its own.
    """
    count = quantity(count)
    with holding(part):
        mine = own_reservations(part, job, batch, want)
        own = sum(r.quantity for r in mine)
        if count > part.free + own:
            raise refuse_count(part, count, part.free + own, own)
        plan = spread(part, count, lot)
        at = at or timezone.now()  # the lines of one taking have one time
        promised = use_up(mine, min(count, own))
        made = []
        for each, number in plan:
            gone = min(promised, number)
            promised -= gone
            line = Line(kind, who, at, job=job, entry=entry, note=note)
            made.append(move(part, each, line, on_hand=-number, from_reserved=gone))
        return made


def take_into_kit(
    part: Part,
    count: int,
    batch: KitBatch,
    *,
    who: str,
    lot: Lot | None = None,
    note: str = "",
    at: datetime | None = None,
) -> list[Movement]:
    """Take parts into a batch of kits; one line for each lot, for the trace from kit to lot."""
    return take(part, count, Kind.KIT, who=who, batch=batch, lot=lot, note=note or f"kit batch {batch.pk}", at=at)


def scrap(
    part: Part,
    count: int,
    *,
    who: str,
    why: str,
    lot: Lot | None = None,
    from_quarantine: bool = False,
    let_go: Sequence[Reservation] = (),
    at: datetime | None = None,
) -> list[Movement]:
    """Parts thrown away, and why; `let_go` names reservations that may suffer."""
    return _away(Kind.SCRAPPED, part, count, who, why, lot, from_quarantine, let_go, at)


def quarantine(
    part: Part,
    count: int,
    *,
    who: str,
    why: str,
    lot: Lot | None = None,
    let_go: Sequence[Reservation] = (),
    at: datetime | None = None,
) -> list[Movement]:
    """Parts put aside until shown good, and why; the oldest lot first unless one is chosen."""
    return _away(Kind.QUARANTINED, part, count, who, why, lot, False, let_go, at)


def _away(
    kind: str,
    part: Part,
    count: int,
    who: str,
    why: str,
    lot: Lot | None,
    from_quarantine: bool,
    let_go: Sequence[Reservation],
    at: datetime | None,
) -> list[Movement]:
    count = quantity(count)
    line = Line(kind, who, at, note=said(why, "why", 500, 3))
    with holding(part):
        if from_quarantine:
            return [move(part, each, line, quarantined=-number) for each, number in _from_quarantine(part, count, lot)]
        if count > part.on_hand:
            raise refuse_count(part, count, part.free)
        over = max(0, count - part.free)
        cut_into(part, over, let_go, "count", count)
        made, left = [], over
        for each, number in spread(part, count, lot):
            gone = min(left, number)
            left -= gone
            aside = number if kind == Kind.QUARANTINED else 0
            made.append(move(part, each, line, on_hand=-number, quarantined=aside, from_reserved=gone))
        return made


def _from_quarantine(part: Part, count: int, lot: Lot | None) -> list[tuple[Lot, int]]:
    lots = [lot] if lot is not None else list(Lot.objects.filter(part=part, quarantined__gt=0).order_by("id"))
    plan, left = [], count
    for each in lots:
        each.refresh_from_db(fields=["on_hand", "quarantined"])
        number = min(left, each.quarantined)
        left -= number
        if number:
            plan.append((each, number))
    if left:
        raise StoreError(
            tr("count: {count} found; allowed: at most {most} in quarantine", count=count, most=count - left), "count"
        )
    return plan


def release(
    part: Part,
    count: int,
    *,
    who: str,
    how: str,
    lot: Lot | None = None,
    at: datetime | None = None,
) -> list[Movement]:
    """Parts taken out of quarantine, and how they were shown good; their lot then counts as proven."""
    count = quantity(count)
    line = Line(Kind.RELEASED, who, at, note=said(how, "how", 500, 3))
    with holding(part):
        made = []
        for each, number in _from_quarantine(part, count, lot):
            made.append(move(part, each, line, on_hand=number, quarantined=-number))
            Lot.objects.filter(pk=each.pk).update(proven=True)
            each.proven = True
        return made
