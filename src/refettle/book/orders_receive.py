"""What comes against an order: counted, by lot, over or short, another part in its place, at another price.

Each delivery is written whole or not at all; a form that is sent twice counts once. What was received wrongly is undone
by a correcting line of the ledger alone, and the order follows.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Any

from refettle.book import stores
from refettle.book.kept_texts import kept
from refettle.book.models_orders import Order, OrderLine, Receipt
from refettle.book.models_stores import Movement, Part
from refettle.book.orders import FOUR, find_line, holding_order, state_of, write_receipt
from refettle.book.store import StoreError
from refettle.book.stores_lots import Came, price_of
from refettle.book.stores_moves import quantity
from refettle.book.stores_parts import find_part
from refettle.language import local, mark, tr


@dataclass(frozen=True)
class Arrived:
    """What came of one line in one lot.

    Attributes
    ----------
    line : int
        The order line.
    pieces : int
        Counted; 0 where none came and `rest_gone` says that none will.
    lot : str
        Lot or date code as printed.
    made : date, optional
        By its date code.
    price : optional
        Paid for one, in the order's currency; by default as ordered.
    instead : str
        Code of the part that was sent in its place.
    back : bool
        That other part goes back: nothing goes into the stores, and the line waits on.
    rest_gone : bool
        What is still missing after this will not come.
    quarantine : bool
        Into quarantine until shown good.
    note : str
    """

    line: int
    pieces: int
    lot: str = ""
    made: date | None = None
    price: Any = None
    instead: str = ""
    back: bool = False
    rest_gone: bool = False
    quarantine: bool = False
    note: str = ""


class TooManyError(StoreError):
    """More came than is to come; to be said once more that it is so."""


@dataclass(frozen=True)
class Received:
    """What was written. `again`: this very delivery was written before, and nothing was written now."""

    movements: tuple[Movement, ...] = ()
    remarks: tuple[str, ...] = ()
    again: bool = False


def receive(order: Order, arrived: Sequence[Arrived], *, who: str, delivery: str = "", over: bool = False) -> Received:
    """Write a delivery: for each lot one line of the ledger and one receipt, all or nothing.

    Parameters
    ----------
    order : Order
    arrived : sequence of Arrived
    who : str
    delivery : str
        What tells this delivery from others, such as the form's token: a second one of the same is not written.
    over : bool
        Take in more than is to come.

    Raises
    ------
    TooManyError
        More came than is to come, and `over` was not said.
    StoreError
        Naming the line, what was found, what is allowed; nothing is written.
    """
    with holding_order(order):
        if delivery and Receipt.objects.filter(line__order=order, delivery=delivery[:40]).exists():
            return Received(again=True)
        if order.sent is None:
            raise StoreError(
                tr("order {n}: {state}; allowed: one that was sent", n=order.number, state=tr(state_of(order))), "order"
            )
        if not arrived:
            raise StoreError(tr("pieces: none found in any line; allowed: what came, for one line or more"), "pieces")
        lines = {each.line: find_line(order, each.line) for each in arrived}
        moves: list[Movement] = []
        remarks: list[str] = []
        # Always in the order of the parts: two deliveries do not wait for each other in a ring.
        parts = [(each, lines[each.line], _part(each, lines[each.line])) for each in arrived]
        for each, line, part in sorted(parts, key=lambda x: x[2].pk):
            moves += _one(order, each, line, part, who, delivery, over, remarks)
        for each in arrived:
            line = lines[each.line]
            if each.rest_gone and line.open:
                remarks.append(tr("{sku}: {n} will not come.", sku=line.sku, n=line.open))
                write_receipt(line, who=who, gone=line.open, delivery=delivery, note=each.note or "will not come")
        return Received(tuple(moves), tuple(remarks))


def _part(each: Arrived, line: OrderLine) -> Part:
    if not each.instead:
        return line.part
    part = find_part(each.instead)
    if part.pk == line.part_id:
        raise StoreError(
            tr(
                "{sku}: {code} found as another part; allowed: nothing, as it is the one ordered",
                sku=line.sku,
                code=part.code,
            ),
            f"instead-{line.pk}",
        )
    return part


def _one(
    order: Order,
    each: Arrived,
    line: OrderLine,
    part: Part,
    who: str,
    delivery: str,
    over: bool,
    remarks: list[str],
) -> list[Movement]:
    pieces = quantity(each.pieces, f"{line.sku}, pieces", 0)
    if each.back and not each.instead:
        raise StoreError(tr("{sku}: sent back, and no other part named; allowed: which part it was", sku=line.sku),
                         f"instead-{line.pk}")  # fmt: skip
    if not pieces:
        if each.rest_gone:
            return []
        raise StoreError(
            tr("{sku}: 0 pieces found; allowed: 1 or more, or that it will not come", sku=line.sku), f"came-{line.pk}"
        )
    if each.back:
        note = f"{pieces} of {part.code} came in its place and went back{'. ' if each.note else ''}{each.note}"
        write_receipt(line, who=who, instead=True, delivery=delivery, note=note)
        remarks.append(f"{line.sku}: {kept(note)}.")
        return []
    line.refresh_from_db(fields=["received", "gone"])
    excess = pieces - line.open
    if excess > 0 and not over:
        raise TooManyError(
            tr(
                "{sku}: {pieces} came, and {expected} are to come; say so once more if {excess} more are kept",
                sku=line.sku,
                pieces=pieces,
                expected=line.open,
                excess=excess,
            ),
            f"came-{line.pk}",
        )
    price = price_of(each.price, f"{line.sku}, price")
    if price is not None and price.quantize(FOUR) != line.price:
        remarks.append(_paid_otherwise(line, price, pieces, order.currency))
    came = Came(
        each.lot, each.made, source=order.supplier.name, price=line.price if price is None else price,
        currency=order.currency,
    )  # fmt: skip
    note = f"order {order.number}" + (f", in place of {line.part.code}" if each.instead else "")
    made = stores.receive(
        part,
        pieces,
        who=who,
        came=came,
        quarantine=each.quarantine,
        note=f"{note}{'; ' if each.note else ''}{each.note}"[:500],
    )
    after_all = max(0, min(line.gone, excess))
    if excess > 0:
        remarks.append(tr("{sku}: {excess} more than were to come.", sku=line.sku, excess=excess))
    if each.instead:
        remarks.append(
            tr(
                "{sku}: {pieces} of {code} kept in place of {ordered}.",
                sku=line.sku,
                pieces=pieces,
                code=part.code,
                ordered=line.part.code,
            )
        )
    write_receipt(line, who=who, pieces=pieces, gone=-after_all, movement=made, instead=bool(each.instead),
                  delivery=delivery, note=each.note)  # fmt: skip
    return [made]


def _paid_otherwise(line: OrderLine, price: Decimal, pieces: int, currency: str) -> str:
    more = pieces * (price - line.price)
    text = (
        mark("{sku}: {paid} {currency} paid for one, {ordered} as ordered: {sum} more {currency} for {pieces}.")
        if more > 0
        else mark("{sku}: {paid} {currency} paid for one, {ordered} as ordered: {sum} less {currency} for {pieces}.")
    )
    paid, ordered = local(f"{price:f}"), local(f"{line.price.normalize():f}")
    return tr(
        text, sku=line.sku, paid=paid, ordered=ordered, sum=local(f"{abs(more):.2f}"), currency=currency, pieces=pieces
    )


# ---------------------------------------------------------------- put right


@contextmanager
def following(movement: Movement, who: str, why: str) -> Iterator[list[Movement]]:
    """Orders follow a line of the ledger that is put right: hold its order, then write what the further line changes.

    To be filled with the further line.
    """
    receipt = Receipt.objects.filter(movement=movement).select_related("line__order").first()
    made: list[Movement] = []
    with ExitStack() as stack:
        if receipt is not None:
            stack.enter_context(holding_order(receipt.line.order))
        yield made
        for line in made if receipt is not None else ():
            assert receipt is not None
            write_receipt(receipt.line, who=who, pieces=line.on_hand + line.quarantined, movement=line,
                          instead=receipt.instead, note=why)  # fmt: skip
