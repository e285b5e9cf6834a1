"""Money and time on the page: the timer on every job page, quote to answer, decision, warranty and return."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

import pytest
from django.test import Client
from django.utils import timezone

from refettle.book import store
from refettle.book.models import Job
from refettle.book.records import import_records
from tests.book.test_base_rates import csv_file
from tests.web.pages import a_job, get, logged, text_of

pytestmark = pytest.mark.django_db
SEEN = {"kind": "check", "check": "picture", "outcome": "no picture"}


def address(job: Job) -> str:
    return f"/jobs/{job.number}/money/"


def post(client: Client, job: Job, status: int = 302, **form: Any) -> str:
    answer = client.post(address(job), form)
    text = answer.content.decode()
    assert answer.status_code == status, text_of(text)[:1500]
    return text


def test_the_timer_from_any_page_and_back(client: Client) -> None:
    job = a_job(entries=[SEEN])
    strip_down = f"/jobs/{job.number}/strip-down/"
    assert "Start the timer" in get(client, strip_down)
    answer = client.post(address(job), {"action": "timer", "do": "start", "back": strip_down})
    assert answer.headers["Location"] == strip_down
    assert "Stop the timer" in get(client, f"/jobs/{job.number}/")
    assert "timer runs since" in text_of(get(client, "/"))
    elsewhere = client.post(address(job), {"action": "timer", "do": "stop", "back": "https://elsewhere.example/"})
    assert elsewhere.headers["Location"] == address(job)
    assert [e["do"] for e in logged(job) if e["kind"] == "timer"] == ["start", "stop"]
    assert "timer runs" not in text_of(get(client, "/"))


def test_a_forgotten_timer_is_asked_about(client: Client) -> None:
    job = a_job(entries=[SEEN])
    yesterday: datetime = timezone.now() - timedelta(days=1, hours=2)
    store.append(job, {"kind": "timer", "do": "start"}, "Ada", yesterday)
    assert "How long was it really?" in get(client, address(job))
    said = post(client, job, 422, action="timer", do="stop", back=address(job))
    assert "over midnight" in said
    post(client, job, action="timer", do="stop", minutes="35")
    assert store.job_state(job).money.runs[0].minutes == 35


def test_from_quote_to_answer(client: Client) -> None:
    job = a_job(owner="A Customer", entries=[SEEN])
    page = text_of(get(client, address(job)))
    assert "What to quote" in page
    assert "Stop and ask at" in page
    more = text_of(get(client, address(job) + "?work=1&scope-0=1&scope-1=1&scope-2=1&minutes-2=600&parts-2=5"))
    assert float(whole(more)) > float(whole(page)) + 250
    form = {"p50": "60", "p90": "90,5", "ceiling": "80", "valid_until": "2031-04-01", "scope-1": "1", "note": "slot"}
    said = post(client, job, 422, action="quote", **form)
    assert "p90 at most the ceiling" in said
    assert 'value="90,5"' in said
    post(client, job, action="quote", **form | {"ceiling": "95"}, options="D: return as it is, 20.00")
    n = len(logged(job))
    assert logged(job)[-1]["p90"] == "90.50"
    sheet = text_of(get(client, address(job) + f"quote/{n}/"))
    assert "work stops and you are asked 95.00" in sheet
    assert "return as it is, 20.00" in sheet
    assert client.get(address(job) + "quote/1/").status_code == 404
    post(client, job, action="answer", quote=str(n), answer="accepts", words="by telephone, 2 March", agreed="20")
    assert "Stop and ask the owner." in text_of(get(client, address(job)))
    assert "Stop and ask the owner." in text_of(get(client, f"/jobs/{job.number}/faults/"))


def whole(page: str) -> str:
    return page.split(" for the whole job")[0].split(" to ")[-1].split(" ")[0]


def test_own_stock_is_weighed(client: Client) -> None:
    job = a_job(entries=[SEEN])
    assert "Missing: working, as is, for parts" in text_of(get(client, address(job)))
    assert "at least one amount" in post(client, job, 422, action="values")
    post(client, job, action="values", working="900", as_is="25", for_parts="40", bought="20", fee_percent="12")
    page = text_of(get(client, address(job)))
    assert "Finish it" in page
    assert "is left out" in page
    assert "an hour" in page
    post(client, job, action="values", working="30")
    page = text_of(get(client, address(job)))
    assert "Sell it as it is" in page
    assert "What would change it" in page


def test_outgoings_and_time(client: Client) -> None:
    job = a_job(entries=[SEEN])
    post(client, job, action="outgoing", what="Post", amount="9,5", sort="post")
    assert "allowed: an amount such as 12.50" in post(client, job, 422, action="outgoing", what="Post", amount="x")
    post(client, job, action="time", minutes="15", what="ordering")
    page = text_of(get(client, address(job)))
    assert "9.50 EUR" in page
    assert "allowed: timer, time" in post(client, job, 422, action="steal")


def test_a_customers_unit_is_parted_out_only_by_consent(client: Client) -> None:
    job = a_job(owner="A Customer", entries=[SEEN])
    stage = {"action": "stage", "stage": "parted out"}
    answer = client.post(f"/jobs/{job.number}/", stage)
    assert answer.status_code == 422
    post(client, job, action="part-out", answer="accepts", words="by letter of 2 March")
    assert client.post(f"/jobs/{job.number}/", stage).status_code == 302


def test_warranty_and_the_way_back(client: Client) -> None:
    job = a_job(owner="A Customer", entries=[SEEN])
    post(client, job, action="warranty", days="90", covers="the work done", note="other aged parts")
    assert "came back" not in get(client, address(job))
    store.append(job, {"kind": "stage", "stage": "handed over", "why": "proven by the owner"}, "Ada")
    assert "Start the timer" not in get(client, address(job))
    post(client, job, action="returned", why="It restarts again.")
    again = store.find_job(job.number + 1)
    assert again.unit_id == job.unit_id
    assert "within the warranty" in text_of(get(client, address(job)))
    assert "allowed: one at a time" in post(client, job, 422, action="returned", why="And again.")


def test_base_rates_stand_beside_the_chance_by_the_log(client: Client) -> None:
    job = a_job(owner="A Customer", entries=[SEEN])
    assert "published repair records" not in text_of(get(client, address(job))).casefold()
    import_records(csv_file(), "<b>events</b>.csv")
    raw = get(client, address(job))
    page = text_of(raw)
    assert "By the log alone it works in the end with" in page
    assert "Games console, 20 years and over" in page
    assert "91 of the category" in page
    assert "none yet" in page
    assert "<b>events" not in raw
