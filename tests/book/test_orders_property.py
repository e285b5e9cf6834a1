"""Orders in any order of events: what is to come is always ordered less what came and what will not."""

from __future__ import annotations

from contextlib import suppress
from decimal import Decimal

import pytest
from django.db import transaction
from django.db.models import Sum
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from refettle.book import orders, stores
from refettle.book.models_orders import Order, OrderLine, Receipt
from refettle.book.models_prices import Supplier
from refettle.book.models_stores import Part
from refettle.book.orders_receive import Arrived, receive
from refettle.book.store import StoreError
from refettle.book.stores_check import verify
from refettle.book.stores_facts import on_order
from tests.book.orders_made import WHO, part

pytestmark = pytest.mark.django_db
WAYS = ("come", "come over", "come instead", "gone", "again", "cancel", "right", "send back", "short")
EVENTS = st.lists(st.tuples(st.sampled_from(WAYS), st.integers(0, 1), st.integers(1, 12)), max_size=14)


class _UndoneError(Exception):
    """Ends an example's transaction."""


def an_order() -> Order:
    supplier = Supplier.objects.create(name="Tarn", currency="EUR")
    order = Order.objects.create(supplier=supplier, number=1, currency="EUR", who=WHO)
    for n, pieces in enumerate((10, 3)):
        OrderLine.objects.create(order=order, part=part(f"P{n}"), sku=f"T{n}", pieces=pieces, price=Decimal("0.1"))
    part("OTHER")
    return orders.send(order)


def happen(order: Order, way: str, line: OrderLine, number: int) -> None:
    if way in ("come", "come over", "short"):
        receive(order, [Arrived(line.pk, number, rest_gone=way == "short")], who=WHO, over=way == "come over")
    elif way in ("come instead", "send back"):
        receive(order, [Arrived(line.pk, number, instead="OTHER", back=way == "send back")], who=WHO)
    elif way == "gone":
        orders.will_not_come(line, who=WHO, why="sold out", count=number)
    elif way == "again":
        orders.wait_after_all(line, who=WHO)
    elif way == "cancel":
        orders.cancel(order, who=WHO, why="found some")
    else:
        came = Receipt.objects.filter(line=line, pieces__gt=0).last()
        if came is not None and came.movement is not None:
            stores.correct(came.movement, who=WHO, why="miscounted", count=number - 1)


def check(order: Order) -> None:
    order.refresh_from_db()
    coming = {}
    for line in order.lines.all():
        sums = Receipt.objects.filter(line=line).aggregate(came=Sum("pieces"), gone=Sum("gone"))
        assert (line.received, line.gone) == (sums["came"] or 0, sums["gone"] or 0)
        assert 0 <= line.gone <= line.pieces
        open_ = max(line.pieces - line.received - line.gone, 0)
        assert line.open == open_
        if open_:
            coming[line.part_id] = open_
    assert on_order() == coming
    assert bool(coming) == (orders.state_of(order) in ("sent", "partly here"))
    in_stores = Part.objects.aggregate(n=Sum("on_hand"))["n"]
    assert in_stores == sum(line.received for line in order.lines.all())
    assert verify() == []


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(events=EVENTS)
def test_on_order_is_ordered_less_received_less_gone(events: list[tuple[str, int, int]]) -> None:
    with suppress(_UndoneError), transaction.atomic():
        order = an_order()
        for way, which, number in events:
            line = order.lines.order_by("pk")[which]
            with suppress(StoreError), transaction.atomic():
                happen(order, way, line, number)
            check(order)
        raise _UndoneError
