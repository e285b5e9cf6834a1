"""Orders: made from a plan, sent, changed, cancelled.

What is still to come of a line is what was ordered, less what came and what will not come. A line's `received` and
`gone` are the sums of its receipts, brought up to date in the same transaction.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from datetime import date, datetime, timedelta
from decimal import Decimal
from typing import Any

from django.db import IntegrityError, transaction
from django.db.models import F, Max, Sum
from django.utils import timezone

from refettle.book.models_orders import Order, OrderLine, OrderPlan, Receipt
from refettle.book.models_prices import Offer, Supplier
from refettle.book.models_stores import Movement
from refettle.book.orders_plan import moved_since
from refettle.book.store import StoreError
from refettle.book.stores_csv import safe_cell
from refettle.book.stores_moves import said
from refettle.book.stores_parts import find_part
from refettle.language import tr

FOUR = Decimal("0.0001")


def find_order(number: int) -> Order:
    """An order by its number. Raises StoreError."""
    found = Order.objects.filter(number=number).select_related("supplier", "plan").first()
    if found is None:
        newest = Order.objects.values_list("number", flat=True)[:20]
        raise StoreError(
            tr(
                "order: {n} found; allowed: one of {allowed}",
                n=number,
                allowed=", ".join(map(str, newest)) or tr("none yet"),
            ),
            "order",
        )
    return found


def find_line(order: Order, pk: int) -> OrderLine:
    """A line of an order. Raises StoreError."""
    line = order.lines.filter(pk=pk).select_related("part", "offer").first()
    if line is None:
        raise StoreError(tr("line: {pk} found; allowed: a line of order {number}", pk=pk, number=order.number), "line")
    return line


def state_of(order: Order, lines: list[OrderLine] | None = None) -> str:
    """not sent, sent, partly here, all here, closed (some will not come) or cancelled."""
    rows = list(order.lines.all()) if lines is None else lines
    if order.cancelled is not None:
        return "cancelled"
    if order.sent is None:
        return "not sent"
    if order.closed is not None:
        return "closed" if any(x.gone for x in rows) else "all here"
    return "partly here" if any(x.received for x in rows) else "sent"


def goods_of(lines: list[OrderLine], sent: Mapping[int, int] | None = None) -> Decimal:
    """[supplier's currency] What the lines cost, with all their pieces or with those that were `sent` for."""
    return sum(((line.pieces if sent is None else sent[line.pk]) * line.price for line in lines), Decimal(0))


def sent_for(order: Order, lines: list[OrderLine]) -> dict[int, int]:
    """Line -> pieces that the supplier is asked for: without what was cancelled before the order went out."""
    found = Receipt.objects.filter(line__order=order).exclude(gone=0)
    if order.sent is not None:
        found = found.filter(at__lt=order.sent)
    gone = dict(found.values("line").annotate(n=Sum("gone")).values_list("line", "n").order_by())
    return {line.pk: line.pieces - gone.get(line.pk, 0) for line in lines}


# ---------------------------------------------------------------- from a plan


def make_orders(plan: OrderPlan, *, who: str, despite: bool = False) -> list[Order]:
    """One order for each supplier of a plan, not yet sent.

    Raises
    ------
    StoreError
        Orders were made from it already; or things moved since, and `despite` was not said.
    """
    who = said(who, "who", 200, 1)
    bought = plan.answer["purchases"]
    if not bought:
        raise StoreError(
            tr("plan {n}: nothing is to be bought by it; allowed: a plan that buys something", n=plan.pk), "plan"
        )
    with transaction.atomic():
        OrderPlan.objects.select_for_update().get(pk=plan.pk)
        there = list(plan.orders.filter(cancelled=None).values_list("number", flat=True))
        if there:
            numbers = ", ".join(map(str, sorted(there)))
            raise StoreError(
                tr(
                    "plan {n}: order {numbers} was made from it; allowed: cancel that first, or plan anew",
                    n=plan.pk,
                    numbers=numbers,
                ),
                "plan",
            )
        moved = moved_since(plan)
        if moved and not despite:
            raise StoreError(
                tr(
                    "plan {n}: since it was made, {things} things moved: {first}",
                    n=plan.pk,
                    things=len(moved),
                    first=moved[0],
                ),
                "despite",
            )
        number = (Order.objects.aggregate(last=Max("number"))["last"] or 0) + 1
        parcels = plan.answer["parcels"]
        try:
            return [_make(plan, parcel, number + n, who) for n, parcel in enumerate(parcels)]
        except IntegrityError:
            raise StoreError(tr("another order was made at the same moment; allowed: the same again"), "plan") from None


def _make(plan: OrderPlan, parcel: Mapping[str, Any], number: int, who: str) -> Order:
    supplier = Supplier.objects.filter(name=parcel["supplier"]).first()
    terms = next(s for s in plan.asked["suppliers"] if s["name"] == parcel["supplier"])
    if supplier is None or supplier.currency != terms["currency"]:
        raise StoreError(
            tr("supplier: {supplier} is called otherwise now; allowed: plan anew", supplier=parcel["supplier"]), "plan"
        )
    order = Order.objects.create(
        plan=plan,
        supplier=supplier,
        number=number,
        currency=terms["currency"],
        shipping=Decimal(0) if parcel["free_shipping"] else Decimal(terms["shipping"]),
        due=date.fromisoformat(parcel["arrives"]),
        who=who,
    )
    keys = {row["line"]: row["key"] for row in plan.asked["needs"]}
    for bought in plan.answer["purchases"]:
        if bought["supplier"] != supplier.name:
            continue
        offers = Offer.objects.filter(supplier=supplier, sku=bought["sku"]).order_by("-current", "-pk")
        OrderLine.objects.create(
            order=order,
            offer=offers.first(),
            part=find_part(bought["part"]),
            sku=bought["sku"],
            pieces=bought["pieces"],
            price=Decimal(bought["price_each"]).quantize(FOUR),
            due=date.fromisoformat(bought["arrives"]),
            serves=[
                [keys[s["line"]], s["quantity"]]
                for s in plan.answer["servings"]
                if (s["supplier"], s["sku"]) == (supplier.name, bought["sku"])
            ],
        )
    return order


# ---------------------------------------------------------------- changing


@contextmanager
def holding_order(order: Order) -> Iterator[Order]:
    """A transaction in which nobody else changes this order; the caller's object is brought up to date."""
    with transaction.atomic():
        Order.objects.select_for_update().get(pk=order.pk)
        order.refresh_from_db()
        yield order
        settle(order)


def settle(order: Order) -> None:
    """Close an order of which nothing is to come, open one of which something is."""
    lines = list(OrderLine.objects.filter(order=order))
    coming, came = any(x.open for x in lines), any(x.received for x in lines)
    now = timezone.now()
    cancelled, closed = order.cancelled, order.closed
    if coming:
        cancelled = closed = None
    elif came:
        cancelled, closed = None, closed or now
    else:
        cancelled, closed = cancelled or now, None
    if (cancelled, closed) != (order.cancelled, order.closed):
        Order.objects.filter(pk=order.pk).update(cancelled=cancelled, closed=closed)
        order.cancelled, order.closed = cancelled, closed


def write_receipt(
    line: OrderLine,
    *,
    who: str,
    pieces: int = 0,
    gone: int = 0,
    movement: Movement | None = None,
    instead: bool = False,
    delivery: str = "",
    note: str = "",
    at: datetime | None = None,
) -> Receipt:
    """One row of what became of a line, and the line's sums by it. To be called while holding the order."""
    made = Receipt.objects.create(
        line=line, movement=movement, pieces=pieces, gone=gone, instead=instead, delivery=delivery[:40],
        note=said(note, "note", 500), who=said(who, "who", 200, 1), at=at or timezone.now(),
    )  # fmt: skip
    OrderLine.objects.filter(pk=line.pk).update(received=F("received") + pieces, gone=F("gone") + gone)
    line.refresh_from_db(fields=["received", "gone"])
    return made


def send(order: Order, *, day: date | None = None, due: date | None = None) -> Order:
    """Mark an order as sent. What is due moves by as many days as it goes out later than planned, unless `due` is said.

    Raises
    ------
    StoreError
        It was sent or cancelled before; a day to come; due before it is sent.
    """
    today = timezone.localdate()
    on = day or today
    if on > today:
        raise StoreError(tr("sent: {on} found; allowed: today, {today}, or before", on=on, today=today), "day")
    with holding_order(order):
        if order.sent is not None or order.cancelled is not None:
            raise StoreError(
                tr("order {n}: {state} already; allowed: one not sent yet", n=order.number, state=tr(state_of(order))),
                "order",
            )
        if due is None and order.due is not None:
            planned = date.fromisoformat(order.plan.asked["day"]) if order.plan else timezone.localdate(order.created)
            due = _later(order.due, on, planned)
            for line in order.lines.exclude(due=None):
                OrderLine.objects.filter(pk=line.pk).update(due=_later(line.due, on, planned))
        else:
            order.lines.update(due=None)
        if due is not None and due < on:
            raise StoreError(tr("due: {due} found; allowed: {on}, when it was sent, or later", due=due, on=on), "due")
        at = timezone.now() if on == today else timezone.make_aware(datetime(on.year, on.month, on.day, 12))
        Order.objects.filter(pk=order.pk).update(sent=at, due=due)
        order.sent, order.due = at, due
    return order


def _later(due: date | None, on: date, planned: date) -> date | None:
    """A planned day, moved by as many days as it goes out late."""
    return None if due is None else due + timedelta(days=max(0, (on - planned).days))


def set_due(order: Order, due: date | None) -> None:
    """Another day by which it is to come, as the supplier says."""
    with holding_order(order):
        if order.cancelled is not None or order.closed is not None:
            raise StoreError(
                tr(
                    "order {n}: {state}; allowed: one of which something comes",
                    n=order.number,
                    state=tr(state_of(order)),
                ),
                "order",
            )
        if due is not None and order.sent is not None and due < timezone.localdate(order.sent):
            raise StoreError(tr("due: {due} found; allowed: the day it was sent or later", due=due), "due")
        Order.objects.filter(pk=order.pk).update(due=due)
        order.lines.update(due=None)
        order.due = due


def will_not_come(line: OrderLine, *, who: str, why: str, count: int | None = None, delivery: str = "") -> int:
    """Pieces of a line are cancelled or sold out: all that are to come, or so many; says how many."""
    why = said(why, "why", 500, 3)
    with holding_order(line.order):
        line.refresh_from_db()
        number = line.open if count is None else count
        if not 1 <= number <= line.open:
            allowed = tr("1 to {n}, as are to come", n=line.open) if line.open else tr("none: nothing of it is to come")
            raise StoreError(tr("count: {n} found; allowed: {allowed}", n=number, allowed=allowed), "count")
        write_receipt(line, who=who, gone=number, note=why, delivery=delivery)
    return number


def wait_after_all(line: OrderLine, *, who: str, why: str = "it comes after all") -> int:
    """Pieces that were given up are waited for again. How many. Raises StoreError."""
    why = said(why, "why", 500, 3)
    with holding_order(line.order):
        line.refresh_from_db()
        number = min(line.gone, line.pieces - line.received)
        if number < 1:
            raise StoreError(
                tr("line {sku}: nothing of it was given up; allowed: a line that was", sku=line.sku), "line"
            )
        write_receipt(line, who=who, gone=-number, note=why)
    return number


def cancel(order: Order, *, who: str, why: str) -> int:
    """Cancel what has not come. How many pieces. Raises StoreError."""
    why = said(why, "why", 500, 3)
    with holding_order(order):
        left = [line for line in order.lines.all() if line.open]
        if not left:
            raise StoreError(
                tr(
                    "order {n}: {state}; allowed: one of which something comes",
                    n=order.number,
                    state=tr(state_of(order)),
                ),
                "order",
            )
        number = sum(line.open for line in left)
        for line in left:
            write_receipt(line, who=who, gone=line.open, note=why)
    return number


# ---------------------------------------------------------------- for the supplier

HEADS = ("Order", "Your number", "What", "Packs", "Pieces in a pack", "Pieces", "Price each", "Sum", "Currency")


def packs_of(line: OrderLine, pieces: int) -> tuple[int, int]:
    """Packs of so many pieces of a line, and pieces in each."""
    pack = line.offer.pack if line.offer is not None else 1
    return (pieces // pack, pack) if pieces % pack == 0 else (pieces, 1)


def name_of(line: OrderLine) -> str:
    """What a line is called: as the supplier does, or the stores."""
    return line.offer.name if line.offer is not None and line.offer.name else line.part.name


def order_csv(order: Order) -> str:
    """The order for the supplier: nobody's names, nothing a spreadsheet takes for a formula."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(HEADS)
    lines = list(order.lines.select_related("part", "offer"))
    asked = sent_for(order, lines)
    for line in lines:
        pieces = asked[line.pk]
        if not pieces:
            continue
        packs, pack = packs_of(line, pieces)
        cells = [order.number, line.sku, name_of(line), packs, pack, pieces, f"{line.price.normalize():f}",
                 f"{pieces * line.price:.2f}", order.currency]  # fmt: skip
        writer.writerow([safe_cell(cell) for cell in cells])
    return out.getvalue()
