"""What jobs wait for: on hand first, then what is on order, the rest not ordered; and in a few queries for all."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from refettle.book import orders, reservations, stores, waiting, wants
from refettle.book.models import Job
from refettle.book.models_orders import OrderLine
from refettle.book.orders_receive import Arrived, receive
from refettle.book.store import append, open_job
from refettle.knowledge.loading import LoadedType
from tests.book.orders_made import WHO, part, plan, sells, sent, supplier, wanted

pytestmark = pytest.mark.django_db
MOST_QUERIES = 10


def words(number: int = 1) -> str:
    return waiting.waiting()[number].words(timezone.localdate())


def test_on_hand_on_order_not_ordered(job: Job, loaded: LoadedType) -> None:
    fuse = part("FUSE")
    stores.receive(fuse, 5, who=WHO)
    sells(supplier(), FUSE="Fuse;1;0.20;0.15")
    n = wanted(job, "FUSE", 12)
    reservations.reserve(fuse, 2, who=WHO, job=job, want=n)
    assert words() == "waits for 7 parts, not ordered"
    (order,) = orders.make_orders(plan(), who=WHO)
    assert [(o.pieces, o.sent) for o in waiting.waiting()[1].wants[0].ordered] == [(7, False)]
    orders.send(order)
    due = timezone.localdate() + timedelta(days=4)
    assert words() == f"waits for 7 parts, due {due}"
    (want,) = waiting.waiting()[1].wants
    assert (want.reserved, want.on_hand, want.coming, want.missing, want.due) == (2, 3, 7, 0, due)
    assert waiting.waiting()[1].words(due + timedelta(days=1)) == f"waits for 7 parts, overdue since {due}"
    wanted(job, "FUSE", 1)
    assert words() == "waits for 8 parts, 1 not ordered"


def test_what_is_there_goes_to_who_wants_it_first(job: Job, loaded: LoadedType) -> None:
    stores.receive(part("FUSE"), 3, who=WHO)
    today = timezone.localdate()
    wanted(job, "FUSE", 2)
    other = open_job(loaded)
    wanted(other, "FUSE", 2, today + timedelta(days=3))
    assert (words(1), words(2)) == ("waits for 1 part, not ordered", "2 parts for it on hand")
    append(other, {"kind": "stage", "stage": "parted out"}, WHO)
    assert set(waiting.waiting()) == {1}
    assert words(1) == "2 parts for it on hand"


def test_a_part_to_be_looked_at_first_is_said_so(job: Job) -> None:
    stores.receive(part("R-47K", "47k"), 3, who=WHO)
    wants.want(job, "47k", 2, who=WHO)
    (want,) = waiting.waiting()[1].wants
    assert want.here == (waiting.Here("R-47K", 2, check_first=True),)


def test_a_part_that_is_changed_serves_otherwise_at_once(job: Job) -> None:
    made = part("R-47K", "47k")
    stores.receive(made, 3, who=WHO)
    wants.want(job, "47k", 2, who=WHO)
    assert waiting.waiting()[1].on_hand == 2
    stores.edit_part(made, who=WHO, value="4k7")
    assert waiting.waiting()[1].on_hand == 0


def test_after_receiving_it_is_said_who_can_go_on(job: Job, loaded: LoadedType) -> None:
    part("FUSE")
    part("LAMP")
    sells(supplier(), FUSE="Fuse;1;0.20;0.15", LAMP="Lamp;1;1;1")
    wanted(job, "FUSE", 3)
    other = open_job(loaded)
    wanted(other, "FUSE", 2)
    wanted(other, "LAMP", 1)
    (order,) = sent(plan())
    line = OrderLine.objects.get(part__code="FUSE")
    receive(order, [Arrived(line.pk, 5)], who=WHO)
    assert [(x.job, x.code, x.pieces, x.whole) for x in waiting.can_go_on(order)] == [
        (1, "FUSE", 3, True),
        (2, "FUSE", 2, False),
    ]


def test_a_few_queries_for_all_jobs(client: Client, loaded: LoadedType, django_assert_max_num_queries: Any) -> None:
    for n in range(4):
        stores.receive(part(f"P{n}", f"{n + 1}k"), 1, who=WHO)

    def more(count: int) -> None:
        for n in range(count):
            job = open_job(loaded)
            wanted(job, f"P{n % 4}", 2)
            wants.want(job, f"{n % 4 + 1}k", 1, who=WHO)

    def on_the_bench() -> int:
        with CaptureQueriesContext(
            connection,
        ) as told:
            client.get("/")
        return len(told)

    more(2)
    waiting.waiting()  # which parts would do is kept until the stores' parts change
    few = on_the_bench()
    more(20)
    waiting.waiting()
    assert on_the_bench() == few
    with django_assert_max_num_queries(MOST_QUERIES):
        assert len(waiting.waiting()) == 22
