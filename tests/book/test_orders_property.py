"""Orders in any order of events: what is to come is always ordered less what came and what will not."""

from __future__ import annotations

from contextlib import suppress
from datetime import timedelta
from decimal import Decimal

import pytest
from django.db import transaction
from django.db.models import Sum
from django.utils import timezone
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from refettle.book import orders, orders_check, orders_plan, stores, wants
from refettle.book.models_orders import Order, OrderLine, Receipt
from refettle.book.models_prices import Supplier
from refettle.book.models_stores import Part
from refettle.book.orders_plan import Asked
from refettle.book.orders_receive import Arrived, receive
from refettle.book.store import StoreError, open_job
from refettle.book.stores_check import verify
from refettle.book.stores_facts import on_order
from refettle.book.stores_parts import add_part
from refettle.knowledge.loading import load_shipped_type
from tests.book.orders_made import WHO, part, sells, supplier, wanted

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
    assert orders_check.verify() == []


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


NEEDS = st.lists(st.tuples(st.integers(0, 3), st.integers(1, 9), st.integers(0, 20)), min_size=1, max_size=6)
SHELF = st.lists(st.tuples(st.integers(0, 6), st.sampled_from((None, 2, 5))), min_size=4, max_size=4)


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(wanted_=NEEDS, shelf=SHELF, packs=st.lists(st.sampled_from((1, 5, 10)), min_size=8, max_size=8))
def test_nothing_is_ordered_twice_for_the_same_needs(
    wanted_: list[tuple[int, int, int]], shelf: list[tuple[int, int | None]], packs: list[int]
) -> None:
    with suppress(_UndoneError), transaction.atomic():
        parts = [add_part(name="elko", code=f"E{n}", value="10u 50V 105C", kind="aluminium", who=WHO) for n in (0, 1)]
        parts += [part(f"F{n}") for n in (0, 1)]
        for each, (pieces, point) in zip(parts, shelf, strict=True):
            if pieces:
                stores.receive(each, pieces, who=WHO)
            if point is not None:
                stores.edit_part(each, who=WHO, reorder_at=point)
        for n, name in enumerate(("Tarn", "Quill")):
            rows = {each.code: f"it;{packs[4 * n + k]};0.{2 + n + k};0.1" for k, each in enumerate(parts)}
            sells(supplier(name, lead_days=str(3 + 4 * n)), **rows)
        job = open_job(load_shipped_type("larkmere-48"))
        for which, pieces, days in wanted_:
            by = timezone.localdate() + timedelta(days=days) if days > 8 else None
            if which < 2:  # either of the two will do
                more = {"by": by.isoformat()} if by else {}
                wants.want(job, "10u 50V aluminium", pieces, who=WHO, **more)
            else:
                wanted(job, parts[which].code, pieces, by)
        asked = orders_plan.gather(Asked())
        if not asked["needs"]:
            raise _UndoneError
        first = orders_plan.keep(asked, orders_plan.work_out(asked, None, lambda: True), WHO)
        assert sum(Decimal(s["total"]) for s in first.answer["shares"]) == Decimal(first.answer["total"])
        assert first.answer["short"] == []
        if first.answer["purchases"]:
            made = orders.make_orders(first, who=WHO)
            drafted = orders_plan.gather(Asked())
            for order in made:
                orders.send(order)
            again = orders_plan.gather(Asked())
            assert again == drafted
            if again["needs"]:
                assert orders_plan.work_out(again | {"terms": again["terms"] | {"seconds": 5.0}})["purchases"] == []
        raise _UndoneError
