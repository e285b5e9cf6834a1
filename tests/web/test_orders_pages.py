"""The pages of orders: what is needed, the plan worked out and kept, orders made, sent, received, and who can go on."""

from __future__ import annotations

import re
from datetime import timedelta
from threading import Event
from time import sleep
from typing import Any

import pytest
from django.test import Client
from django.utils import timezone

from refettle import ordering
from refettle.book import orders, orders_plan, stores, wants
from refettle.book.models import Job
from refettle.book.models_orders import Order, OrderLine, OrderPlan, Receipt
from refettle.book.models_stores import Part, Reservation
from refettle.web import longwork
from tests.book.orders_made import WHO, part, plan, sells, sent, supplier, wanted
from tests.web.pages import a_job, get, text_of

pytestmark = pytest.mark.django_db


def post(client: Client, address: str, status: int = 302, **form: Any) -> str:
    answer = client.post(address, {name.replace("__", "-"): value for name, value in form.items()})
    said = answer.content.decode()
    assert answer.status_code == status, text_of(said)[:1500]
    return said


@pytest.fixture
def job() -> Job:
    return a_job(owner="Ines Aldane")


@pytest.fixture
def fuse() -> Part:
    made = part("FUSE", place="Drawer 3")
    sells(supplier(free_from="50"), FUSE="Fuse 1 A;10;0.20;0.15")
    return made


@pytest.fixture
def line(job: Job, fuse: Part) -> OrderLine:
    wanted(job, "FUSE", 20)
    return sent(plan())[0].lines.get()


def test_empty_pages_say_what_to_do_first(client: Client) -> None:
    assert "Nothing has been ordered yet" in text_of(get(client, "/orders/"))
    assert "Nothing is needed" in text_of(get(client, "/orders/plan/"))
    get(client, "/orders/7/", 404)
    get(client, "/orders/plan/7/", 404)


def test_from_what_is_needed_to_the_order(client: Client, job: Job, fuse: Part) -> None:
    n = wanted(job, "FUSE", 12)
    belt = wants.want(job, "belt of the drawer", 1, who=WHO).n
    page = get(client, "/orders/plan/")
    assert f'value="job:{job.number}:{n}" checked' in page
    assert "no part yet" in page
    keys = [f"job:{job.number}:{n}", f"job:{job.number}:{belt}"]
    first = client.post("/orders/plan/", {"shown": keys, "need": keys, "seconds": "10", "token": "t1"})
    assert first.status_code == 302
    again = client.get(first["Location"])
    assert again["Location"] == client.get(first["Location"])["Location"]
    assert OrderPlan.objects.count() == 1
    page = text_of(get(client, again["Location"]))
    for words in (
        "Proven cheapest", "2 of 10", "8 spare: sold in packs of 10", "shipping 4.90", "Free shipping from 50.00 EUR",
        "All from one supplier", "belt of the drawer: 1 short", "No part of the stores is this yet", "Make the order",
        "Second best, with other suppliers",
    ):  # fmt: skip
        assert words in page
    post(client, again["Location"], token="t2")
    order = Order.objects.get()
    assert "not sent" in text_of(get(client, f"/orders/{order.number}/"))
    assert "counted here as on its way" in text_of(get(client, "/orders/plan/"))
    post(client, f"/orders/{order.number}/", do="send", token="t3")
    assert "20 of 20 pieces still to come" in text_of(get(client, f"/orders/{order.number}/"))


def test_bad_words_are_said_and_what_was_typed_stays(client: Client, job: Job, fuse: Part) -> None:
    n = wanted(job, "FUSE", 12)
    key = f"job:{job.number}:{n}"
    said = client.post("/orders/plan/", {"shown": [key], "need": [key], "at_most": "none", f"by-{key}": "2031-01-02"})
    assert said.status_code == 422
    assert "suppliers: &#x27;none&#x27; found" in said.content.decode()
    assert 'value="none"' in said.content.decode()
    assert 'value="2031-01-02"' in said.content.decode()
    said = client.post("/orders/plan/", {"shown": [key]})
    assert "tick at least one need" in said.content.decode()


def test_a_plan_says_what_moved_before_anything_is_sent(client: Client, job: Job, fuse: Part) -> None:
    wanted(job, "FUSE", 12)
    made = plan()
    stores.receive(fuse, 5, who=WHO)
    address = f"/orders/plan/{made.pk}/"
    assert "FUSE: 5 free now, 0 then" in text_of(get(client, address))
    post(client, address, 422, token="t1")
    post(client, address, token="t2", despite="1")
    assert "FUSE: 5 free now" in text_of(get(client, f"/orders/{Order.objects.get().number}/"))


def test_what_nobody_sells_leads_to_the_price_lists(client: Client, job: Job) -> None:
    part("LAMP")
    wanted(job, "LAMP", 1)
    page = get(client, f"/orders/plan/{plan().pk}/")
    assert "Nobody offers LAMP" in text_of(page)
    assert 'href="/suppliers/"' in page


def test_the_sheet_names_no_customer(client: Client, line: OrderLine) -> None:
    page = get(client, f"/orders/{line.order.number}/")
    assert "Ines" not in page
    columns = re.sub(r'<td[^>]*class="[^"]*no-print.*?</td>', "", page, flags=re.S)
    assert "job" not in text_of(columns.split("or-lines")[1].split("</table>")[0])
    told = client.get(f"/orders/{line.order.number}/order.csv")
    assert told["Content-Disposition"] == 'attachment; filename="order-1.csv"'
    assert "T-FUSE,Fuse 1 A,2,10,20,0.2,4.00,EUR" in told.content.decode()


def test_received_in_part_and_the_job_can_go_on(client: Client, job: Job, line: OrderLine) -> None:
    receive, order = "/orders/1/receive/", "/orders/1/"
    assert "20 of 20 to come" in text_of(get(client, receive))
    form = {f"came-{line.pk}": "12", f"lot-{line.pk}": "3114", f"price-{line.pk}": "0.25", "token": "one"}
    assert client.post(receive, form).status_code == 302
    client.post(receive, form)  # the same form once more
    page = text_of(get(client, order))
    for words in ("8 of 20 pieces still to come", "12 came, lot 3114, at 0.25", "counts once", "0.60 more EUR"):
        assert words in page
    assert "12 of FUSE for FUSE" in page
    n = wants.open_wants()[0].entry
    post(client, order, do="reserve", job=job.number, entry=n, code="FUSE", pieces=12, token="two")
    assert Reservation.objects.get().quantity == 12
    client.post(receive, {f"came-{line.pk}": "8", "token": "three"})
    assert f"Job {job.number} can go on: 8 of FUSE" in text_of(get(client, order))
    assert "all here" in text_of(get(client, "/orders/?show=here"))


def test_more_than_ordered_is_asked_and_what_was_typed_stays(client: Client, line: OrderLine) -> None:
    form = {f"came-{line.pk}": "25", f"lot-{line.pk}": "77", "token": "one"}
    asked = client.post("/orders/1/receive/", form)
    assert asked.status_code == 422
    assert "25 came, and 20 are to come" in asked.content.decode()
    assert 'value="77"' in asked.content.decode()
    assert 'name="over"' in asked.content.decode()
    assert client.post("/orders/1/receive/", form | {"over": "1"}).status_code == 302
    line.refresh_from_db()
    assert line.received == 25


def test_put_right_given_up_and_waited_for_again(client: Client, line: OrderLine) -> None:
    client.post("/orders/1/receive/", {f"came-{line.pk}": "12", f"gone-{line.pk}": "1", "token": "one"})
    moved = Receipt.objects.get(pieces=12).movement
    assert moved is not None
    post(client, "/orders/1/", do="right", movement=moved.pk, count="10", why="miscounted", token="two")
    post(client, "/orders/1/", do="again", line=line.pk, token="three")
    line.refresh_from_db()
    assert (line.received, line.gone, line.open) == (10, 0, 10)
    post(client, "/orders/1/", do="due", due=(timezone.localdate() + timedelta(days=9)).isoformat(), token="four")
    post(client, "/orders/1/", 422, do="gone", line=line.pk, why="", token="five")
    post(client, "/orders/1/", do="cancel", why="dearer than thought", token="six")
    assert orders.state_of(Order.objects.get()) == "closed"


def test_a_job_says_what_it_wants_and_waits_for(client: Client, job: Job, fuse: Part) -> None:
    address = f"/jobs/{job.number}/"
    assert "None now" in text_of(get(client, address))
    client.post(address, {"action": "want", "part": "fuse", "refs": "F1, F2", "token": "one"})
    (want,) = wants.open_wants()
    assert (want.part, want.count, want.refs) == ("FUSE", 2, ("F1", "F2"))
    page = text_of(get(client, address))
    assert "2 pieces not ordered" in page
    assert "waits for 2 parts, not ordered" in text_of(get(client, "/"))
    (order,) = sent(plan())
    page = text_of(get(client, address))
    assert f"It can go on {order.due}" in page
    assert "2 in order 1" in page
    assert f"waits for 2 parts, due {order.due}" in text_of(get(client, "/"))
    wrong = client.post(address, {"action": "want", "part": "NONE", "count": "7", "token": "two"})
    assert wrong.status_code == 422
    assert 'value="NONE"' in wrong.content.decode()
    post(client, address, action="let-go", wanted=want.entry, why="sound after all", token="three")
    assert wants.open_wants() == []


def test_stopped_it_keeps_the_best_so_far(
    client: Client, job: Job, fuse: Part, monkeypatch: pytest.MonkeyPatch
) -> None:
    n = wanted(job, "FUSE", 12)
    began = Event()

    def slow(asked: Any, note: Any, stopped: Any) -> Any:
        note(0.4, "looking for the cheapest order")
        began.set()
        while not stopped():
            sleep(0.01)
        return orders_plan.plain(ordering.order(orders_plan.problem_of(asked), note, lambda: True))

    monkeypatch.setattr(longwork, "AT_ONCE_S", 0.05)
    monkeypatch.setattr(orders_plan, "work_out", slow)
    key = f"job:{job.number}:{n}"
    at = client.post("/orders/plan/", {"shown": [key], "need": [key], "token": "t1"})["Location"]
    assert began.wait(60)
    page = get(client, at)
    assert "looking for the cheapest order" in page
    stop = re.search(r"/tools/[^\"]*stop[^\"]*", page)
    assert stop is not None
    client.post(stop.group(), {"back": at})
    found = longwork.find(at.partition("work=")[2])
    assert found is not None
    assert found.wait(60)
    page = text_of(get(client, client.get(at)["Location"]))
    assert "Stopped: the best order so far" in page
    assert "2 of 10" in page


def test_what_is_free_is_promised_from_the_plan(client: Client, job: Job, fuse: Part) -> None:
    stores.receive(fuse, 5, who=WHO)
    wanted(job, "FUSE", 12)
    made = plan()
    address = f"/orders/plan/{made.pk}/"
    assert "5 of FUSE" in text_of(get(client, address))
    post(client, address, do="promise", token="one")
    assert [(r.job_id, r.quantity) for r in Reservation.objects.all()] == [(job.pk, 5)]
    page = text_of(get(client, address))
    assert "Promised: 5 of FUSE" in page
    assert "Since it was worked out" not in page
    post(client, address, do="promise", token="two")
    assert "at most" in text_of(get(client, address))
    assert Reservation.objects.count() == 1
