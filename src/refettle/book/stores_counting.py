"""Lines that bring the ledger in step with the drawer: counted, looked at, put right."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from django.db.models import Sum
from django.utils import timezone

from refettle.book.models import Job
from refettle.book.models_stores import Lot, Movement, Part, Reservation
from refettle.book.store import StoreError
from refettle.book.stores_lots import Came, new_lot
from refettle.book.stores_moves import Line, cut_into, holding, move, quantity, refuse_count, said, spread
from refettle.language import tr

Kind = Movement.Kind
STOCKTAKE = "found when counted"


def count(
    part: Part,
    found: int,
    *,
    who: str,
    lot: Lot | None = None,
    let_go: Sequence[Reservation] = (),
    note: str = "",
    at: datetime | None = None,
) -> list[Movement]:
    """Set what is on hand to what was counted, of the part or of one lot; the difference is the line.

    What is missing goes from the oldest lots, what is over to the youngest. Below what is reserved it is refused,
    unless `let_go` names the reservations that may suffer.
    """
    found = quantity(found, "counted", 0)
    with holding(part):
        if lot is not None:
            lot.refresh_from_db(fields=["on_hand", "quarantined"])
        lots = list(Lot.objects.filter(part=part).order_by("id"))
        had = part.on_hand if lot is None else lot.on_hand
        change = found - had
        over = max(0, -change - part.free)
        cut_into(part, over, let_go, "counted", found)
        line = Line(Kind.COUNTED, who, at, note=note)
        if change >= 0:
            into = lot or next((x for x in reversed(lots) if x.on_hand), lots[-1] if lots else None)
            return [move(part, into or new_lot(part, Came(source=STOCKTAKE), at, proven=True), line, on_hand=change)]
        made = []
        for each, number in spread(part, -change, lot):
            gone = min(over, number)
            over -= gone
            made.append(move(part, each, line, on_hand=-number, from_reserved=gone))
        return made


def looked_at(lot: Lot, *, who: str, what: str, at: datetime | None = None) -> Movement:
    """A lot looked at or re-formed: its time in store begins anew. The line moves nothing."""
    note = said(what, "what", 500, 3)
    with holding(lot.part):
        made = move(lot.part, lot, Line(Kind.COUNTED, who, at, note=note))
        lot.since = timezone.localdate(made.at)
        Lot.objects.filter(pk=lot.pk).update(since=lot.since)
        return made


def correct(movement: Movement, *, who: str, why: str, count: int = 0, at: datetime | None = None) -> Movement:
    """Put a line right: it should have moved `count`, by default nothing. The further line names it.

    A line that a job's log says as well is put right there, and the stock follows.
    """
    if movement.job is not None and movement.entry is not None:
        raise StoreError(
            tr(
                "line {n}: it says the same as entry {entry} of job {job}; allowed: correct that entry "
                "in the job's log, and the stock follows",
                n=movement.pk,
                entry=movement.entry,
                job=movement.job.number,
            ),
            "line",
        )
    filled = movement.kit_steps.first()
    if filled is not None:
        raise StoreError(
            tr(
                "line {n}: it belongs to kit batch {batch}, whose trace rests on it; allowed: make fewer "
                "kits of the batch, give it up or take a kit apart, and the parts go back",
                n=movement.pk,
                batch=filled.batch_id,
            ),
            "line",
        )
    return put_right(movement, who=who, why=why, count=count, at=at)


def put_right(
    movement: Movement,
    *,
    who: str,
    why: str,
    count: int = 0,
    job: Job | None = None,
    entry: int | None = None,
    at: datetime | None = None,
) -> Movement:
    """What `correct` does, without asking whether a job's log says it as well."""
    count = quantity(count, least=0)
    if movement.corrects_id is not None:
        raise StoreError(
            tr(
                "line {n}: a correction found; allowed: line {corrected}, which it puts right",
                n=movement.pk,
                corrected=movement.corrects_id,
            ),
            "line",
        )
    size = max(abs(movement.on_hand), abs(movement.quarantined))
    if not size:
        raise StoreError(tr("line {n}: it moved nothing; allowed: a line that did", n=movement.pk), "line")
    if movement.kind == Kind.COUNTED and count:
        raise StoreError(tr("count: allowed for a line that counted: 0, which undoes it; or count again"), "count")
    from refettle.book.orders_receive import following  # which receives by way of this module

    part = movement.part
    with following(movement, who, why) as told, holding(part):
        before = Movement.objects.filter(corrects=movement).aggregate(a=Sum("on_hand"), b=Sum("quarantined"))
        now = (movement.on_hand + (before["a"] or 0), movement.quarantined + (before["b"] or 0))
        want = tuple((x > 0) * count - (x < 0) * count for x in (movement.on_hand, movement.quarantined))
        if now == want:
            raise StoreError(
                tr("line {n}: it stands at {count} already; allowed: another count", n=movement.pk, count=count),
                "count",
            )
        on_hand, quarantined = want[0] - now[0], want[1] - now[1]
        if -on_hand > part.free:
            raise refuse_count(part, -on_hand, part.free)
        line = Line(Kind.CORRECTED, who, at, job, entry, movement, said(why, "why", 500, 3))
        told.append(move(part, movement.lot, line, on_hand=on_hand, quarantined=quarantined))
        if movement.kind == Kind.RELEASED and not movement.lot.on_hand:
            Lot.objects.filter(pk=movement.lot_id).update(proven=False)  # it was not shown good after all
        return told[0]
