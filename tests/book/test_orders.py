"""Orders in the book: needs count once, plans stay, what is to come is ordered less what came and what will not."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal
from typing import Any

import pytest
from django.db import DatabaseError, transaction
from django.utils import timezone

from refettle.book import kits, orders, orders_check, orders_needs, orders_plan, stores, wants
from refettle.book.models import Job
from refettle.book.models_orders import OrderLine, OrderPlan, Receipt
from refettle.book.models_stores import Part
from refettle.book.orders_plan import Asked
from refettle.book.orders_receive import Arrived, TooManyError, receive
from refettle.book.reservations import reserve
from refettle.book.store import StoreError, append, open_job
from refettle.book.stores_check import verify
from refettle.book.stores_facts import on_order
from refettle.knowledge.loading import LoadedType
from tests.book.orders_made import WHO, part, plan, sells, sent, supplier, wanted

pytestmark = pytest.mark.django_db
TODAY = timezone.localdate


@pytest.fixture
def fuse() -> Part:
    made = part("FUSE")
    sells(supplier(), FUSE="Fuse 1 A;10;0.20;0.15")
    return made


def needs_now() -> dict[str, int]:
    return {each.key: each.left for each in orders_needs.needs(TODAY()) if each.left}


# ---------------------------------------------------------------- needs


def test_a_want_is_needed_less_what_is_promised_and_on_its_way(job: Job, fuse: Part) -> None:
    stores.receive(fuse, 3, who=WHO)
    n = wanted(job, "FUSE", 12, TODAY() + timedelta(days=30))
    reserve(fuse, 2, who=WHO, job=job, want=n)
    made = plan()
    assert [(row["key"], row["quantity"]) for row in made.asked["needs"]] == [(f"job:1:{n}", 10)]
    assert made.asked["stock"] == {"FUSE": 1}
    (order,) = sent(made)
    line = order.lines.get()
    assert (line.pieces, line.serves, line.price) == (10, [[f"job:1:{n}", 9]], Decimal("0.2"))
    assert on_order() == {fuse.pk: 10}
    assert needs_now() == {}
    assert order.due == TODAY() + timedelta(days=4)


def test_a_kit_to_make_needs_its_lines_or_their_alternates(fuse: Part) -> None:
    part("FUSE-B")
    version = kits.new_version(
        [kits.LineTyped("FUSE", 2, alternates=("FUSE-B",))], slug="larkmere-48", name="Fuses", who=WHO
    )
    kits.wish(version, 6, who=WHO, by=TODAY() + timedelta(days=20))
    (need,) = orders_needs.needs(TODAY())
    assert (need.key, need.left, need.codes()) == (f"kit:{version.pk}:1", 12, ["FUSE", "FUSE-B"])
    assert need.by == TODAY() + timedelta(days=20)


def test_a_reorder_point_looks_past_what_jobs_are_about_to_take(job: Job, fuse: Part) -> None:
    stores.receive(fuse, 9, who=WHO)
    stores.edit_part(fuse, who=WHO, reorder_at=5)
    assert needs_now() == {}
    n = wanted(job, "FUSE", 6)
    assert needs_now() == {f"job:1:{n}": 6, f"reorder:{fuse.pk}": 6}
    made = plan()
    assert [(p["pieces"], p["spare"]) for p in made.answer["purchases"]] == [(10, 7)]
    sent(made)
    assert f"reorder:{fuse.pk}" not in needs_now()


def test_parts_to_be_looked_at_first_only_on_a_tick(job: Job) -> None:
    part("R-47K", "47k")
    sells(supplier(), **{"R_47K": "47k;1;0.05;0.04"})
    n = wants.want(job, "47k", 2, who=WHO).n
    without = orders_plan.gather(Asked())
    assert without["needs"] == []
    assert "looked at first" in without["unmet"][0]["why"]
    (need,) = orders_plan.gather(Asked(check_first=frozenset({f"job:1:{n}"})))["needs"]
    assert need["parts"][0][0] == "R-47K"
    assert "only the value was compared" in need["parts"][0][1]


def test_what_is_no_part_yet_is_said(job: Job) -> None:
    wants.want(job, "belt of the drawer", 1, who=WHO)
    (unmet,) = orders_plan.gather(Asked())["unmet"]
    assert "No part of the stores is this yet" in unmet["why"]


# ---------------------------------------------------------------- plans


def test_planned_sent_and_planned_again_nothing_is_ordered_twice(job: Job, loaded: LoadedType, fuse: Part) -> None:
    part("LAMP")
    sells(supplier("Quillfen Parts", shipping="2"), FUSE="Fuse;1;0.30;0.30", LAMP="Lamp;5;0.90;0.80")
    wanted(job, "FUSE", 7)
    other = open_job(loaded)
    wanted(other, "LAMP", 3)
    wanted(other, "FUSE", 2)
    first = plan()
    assert sum(Decimal(s["total"]) for s in first.answer["shares"]) == Decimal(first.answer["total"])
    orders.make_orders(first, who=WHO)
    assert needs_now() == {}  # drafts count as well
    for order in first.orders.all():
        orders.send(order)
    assert needs_now() == {}
    n = wanted(job, "LAMP", 4)
    again = plan()
    assert [row["key"] for row in again.asked["needs"]] == [f"job:1:{n}"]
    assert [row["quantity"] for row in again.asked["needs"]] == [2]  # two spare lamps of the pack come anyway


def test_a_plan_is_never_changed_and_makes_its_orders_once(job: Job, fuse: Part) -> None:
    wanted(job, "FUSE", 3)
    made = plan()
    with pytest.raises(DatabaseError, match="append-only"), transaction.atomic():
        OrderPlan.objects.filter(pk=made.pk).update(who="Bo")
    orders.make_orders(made, who=WHO)
    with pytest.raises(StoreError, match="order 1 was made from it"):
        orders.make_orders(made, who=WHO)


def test_what_moved_since_is_said_before_anything_is_ordered(job: Job, fuse: Part) -> None:
    n = wanted(job, "FUSE", 8)
    made = plan()
    assert orders_plan.moved_since(made) == []
    stores.receive(fuse, 2, who=WHO)
    wants.let_go(job, n, "not the fuse", who=WHO)
    m = wanted(job, "FUSE", 4)
    tarn = fuse.sold_as.get().supplier
    sells(tarn, FUSE="Fuse 1 A;10;0.25;0.15")
    told = " ".join(orders_plan.moved_since(made))
    assert "no longer needed" in told
    assert "needed since, 4" in told
    assert "FUSE: 2 free now, 0 then" in told
    assert "another price now" in told
    with pytest.raises(StoreError, match="things moved"):
        orders.make_orders(made, who=WHO)
    (order,) = orders.make_orders(made, who=WHO, despite=True)
    assert order.lines.get().price == Decimal("0.2")
    assert m != n


def test_two_days_later_it_comes_two_days_later(job: Job, fuse: Part) -> None:
    wanted(job, "FUSE", 3)
    made = plan()
    assert "2 days later" in orders_plan.moved_since(made, TODAY() + timedelta(days=2))[0]


def test_a_supplier_in_another_currency_needs_a_rate(job: Job) -> None:
    part("COIL")
    sells(supplier("Fen Radio", currency="GBP"), COIL="Coil;1;2.00;2.00")
    wanted(job, "COIL", 1)
    assert orders_plan.gather(Asked())["left_out"] == [["Fen Radio", "no rate was given for GBP"]]
    made = plan(rates={"GBP": Decimal("1.2")})
    assert made.answer["total"] == "8.280"
    (order,) = orders.make_orders(made, who=WHO)
    assert (order.currency, order.shipping, order.lines.get().price) == ("GBP", Decimal("4.90"), Decimal("2"))


# ---------------------------------------------------------------- orders


@pytest.fixture
def line(job: Job, fuse: Part) -> OrderLine:
    wanted(job, "FUSE", 20)
    return sent(plan())[0].lines.get()


def test_cancelled_wholly_or_by_the_line(line: OrderLine, fuse: Part) -> None:
    orders.will_not_come(line, who=WHO, why="sold out", count=5)
    assert on_order() == {fuse.pk: 15}
    assert orders.cancel(line.order, who=WHO, why="found some in a drawer") == 15
    assert orders.state_of(line.order) == "cancelled"
    assert on_order() == {}
    with pytest.raises(StoreError, match="cancelled"):
        orders.cancel(line.order, who=WHO, why="once more")
    orders.wait_after_all(line, who=WHO)
    assert orders.state_of(line.order) == "sent"
    assert on_order() == {fuse.pk: 20}


def test_sent_once_not_ahead_of_time_and_due_after_that(job: Job, fuse: Part) -> None:
    wanted(job, "FUSE", 1)
    (order,) = orders.make_orders(plan(), who=WHO)
    with pytest.raises(StoreError, match="or before"):
        orders.send(order, day=TODAY() + timedelta(days=1))
    with pytest.raises(StoreError, match="due"):
        orders.send(order, due=TODAY() - timedelta(days=1))
    orders.send(order)
    with pytest.raises(StoreError, match="already"):
        orders.send(order)


def test_what_goes_to_the_supplier_names_nobody_and_is_no_formula(job: Job, fuse: Part) -> None:
    wanted(job, "FUSE", 1)
    tarn = fuse.sold_as.get().supplier
    sells(tarn, FUSE="=HYPERLINK(1)+Fuse;10;0.20;0.15")
    (order,) = orders.make_orders(plan(), who=WHO)
    text = orders.order_csv(order)
    assert text.splitlines()[1] == "1,T-FUSE,'=HYPERLINK(1)+Fuse,1,10,10,0.2,2.00,EUR"
    assert "job" not in text
    assert job.unit.owner.name not in text


# ---------------------------------------------------------------- receiving


def came(line: OrderLine, pieces: int, **more: Any) -> Any:
    over = more.pop("over", False)
    return receive(line.order, [Arrived(line.pk, pieces, **more)], who=WHO, over=over)


def test_partly_by_lots_at_another_price(line: OrderLine, fuse: Part) -> None:
    done = receive(line.order, [Arrived(line.pk, 8, "3114"), Arrived(line.pk, 4, "3120", price="0.22")], who=WHO)
    assert [(m.lot.code, m.on_hand, m.lot.price, m.lot.source) for m in done.movements] == [
        ("3114", 8, Decimal("0.2"), "Tarn Components"),
        ("3120", 4, Decimal("0.22"), "Tarn Components"),
    ]
    assert done.remarks == ("T-FUSE: 0.22 EUR paid for one, 0.2 as ordered: 0.08 more EUR for 4.",)
    assert on_order() == {fuse.pk: 8}
    assert orders.state_of(line.order) == "partly here"
    came(line, 8)
    assert orders.state_of(line.order) == "all here"
    assert verify() == []


def test_more_than_ordered_is_asked_and_short_is_closed(line: OrderLine, fuse: Part) -> None:
    with pytest.raises(TooManyError, match="25 came, and 20 are to come"):
        came(line, 25)
    assert not Receipt.objects.exists()
    came(line, 12, rest_gone=True)
    assert orders.state_of(line.order) == "closed"
    assert on_order() == {}
    came(line, 8, over=True)  # they come after all
    line.refresh_from_db()
    assert (line.received, line.gone, line.open) == (20, 0, 0)
    assert orders.state_of(line.order) == "all here"


def test_another_part_kept_or_sent_back(line: OrderLine, fuse: Part) -> None:
    other = part("FUSE-B")
    came(line, 20, instead="FUSE-B", back=True)
    assert on_order() == {fuse.pk: 20}
    assert Receipt.objects.get().note == "20 of FUSE-B came in its place and went back"
    came(line, 20, instead="FUSE-B", lot="77")
    other.refresh_from_db()
    fuse.refresh_from_db()
    assert (other.on_hand, fuse.on_hand, on_order()) == (20, 0, {})
    with pytest.raises(StoreError, match="is the one ordered"):
        came(line, 1, instead="FUSE")


def test_a_mistake_is_undone_by_a_correcting_line_alone(line: OrderLine, fuse: Part) -> None:
    (moved,) = came(line, 20).movements
    stores.correct(moved, who=WHO, why="miscounted", count=18)
    line.refresh_from_db()
    assert (line.received, on_order()) == (18, {fuse.pk: 2})
    stores.correct(moved, who=WHO, why="another order's")
    line.refresh_from_db()
    line.order.refresh_from_db()
    assert (line.received, orders.state_of(line.order)) == (0, "sent")
    assert [r.pieces for r in Receipt.objects.all()] == [20, -2, -18]
    with pytest.raises(DatabaseError, match="append-only"), transaction.atomic():
        Receipt.objects.all().delete()


def test_one_delivery_is_written_once_and_all_or_nothing(line: OrderLine, fuse: Part) -> None:
    two = [Arrived(line.pk, 5), Arrived(line.pk, 0)]
    with pytest.raises(StoreError, match="0 pieces"):
        receive(line.order, two, who=WHO)
    fuse.refresh_from_db()
    assert fuse.on_hand == 0
    assert not receive(line.order, two[:1], who=WHO, delivery="form1").again
    assert receive(line.order, two[:1], who=WHO, delivery="form1").again
    fuse.refresh_from_db()
    assert fuse.on_hand == 5


def test_sums_that_are_not_those_of_the_receipts_are_found(line: OrderLine) -> None:
    came(line, 5)
    OrderLine.objects.filter(pk=line.pk).update(received=6)
    assert [str(each) for each in orders_check.verify()] == ["order 1, T-FUSE: received 6, by its receipts 5"]


def test_nothing_is_received_of_an_order_not_sent(job: Job, fuse: Part) -> None:
    wanted(job, "FUSE", 3)
    (order,) = orders.make_orders(plan(), who=WHO)
    with pytest.raises(StoreError, match="one that was sent"):
        receive(order, [Arrived(order.lines.get().pk, 1)], who=WHO)


def test_a_job_closed_meanwhile_frees_what_comes(job: Job, line: OrderLine, loaded: LoadedType) -> None:
    append(job, {"kind": "stage", "stage": "parted out"}, WHO)
    other = open_job(loaded)
    wanted(other, "FUSE", 6)
    assert needs_now() == {}
