"""The proving page: a tap for each trial, what may be said, soaks on page and bench, what bars handing over."""

from __future__ import annotations

import re
from datetime import timedelta
from typing import Any

import pytest
from django.test import Client
from django.utils import timezone

from refettle.book import store
from refettle.book.models import Job
from tests.web.pages import HOME_COMPUTER, a_job, get, logged, text_of

pytestmark = pytest.mark.django_db
STARTS, COLD = "Cartridge starts", "front seat cold"
BEFORE: dict[str, Any] = {"kind": "check", "check": "picture", "counts": {"good": 7, "starts over and over": 3}}
REPAIR: dict[str, Any] = {"kind": "repair", "repair": "clean-both-seats"}


def address(job: Job, at: str = "") -> str:
    return f"/jobs/{job.number}/proving/" + (f"?at={at}" if at else "")


def tap(client: Client, job: Job, action: str, at: str = "1-1", status: int = 302, **more: str) -> str:
    response = client.post(address(job), {"action": action, "at": at, **more})
    html = response.content.decode()
    assert response.status_code == status, text_of(html)[:1500]
    return html


def test_a_new_job_says_that_nothing_may_be_said(client: Client) -> None:
    page = text_of(get(client, address(a_job())))
    assert "Of 22: 22 still open" in page
    assert "Nothing was tried yet" in page
    assert "An open cell is never a pass" in page
    assert "Counted before" not in page


def test_one_tap_is_one_trial_and_can_be_taken_back(client: Client) -> None:
    job = a_job(entries=[BEFORE])
    page = text_of(get(client, address(job)))
    assert "Counted before any repair: 3 bad of 10" in page
    assert "After the repair 25 good trials in a row" in page
    store.append(job, REPAIR, "Ada")
    for _ in range(2):
        tap(client, job, "good")
    assert logged(job)[-1] == {"kind": "trial", "row": STARTS, "condition": COLD, "good": 1}
    page = text_of(get(client, address(job, "1-1")))
    assert "2 good of 25 wanted: 23 more" in page
    assert "Why 25: 25 good trials in a row show a failure rate below 11.6 %" in page
    assert "Sequential test of 1.2 % against 11.6 %: go on: 0 bad of 2; 19 more good in a row would pass" in page
    tap(client, job, "void", n=str(len(logged(job))))
    assert "1 good of 25 wanted" in text_of(get(client, address(job, "1-1")))
    tap(client, job, "bad")
    page = text_of(get(client, address(job, "1-1")))
    assert "It fails" in page
    assert "The count is not started again without a repair" in page


def test_arrows_and_keys_have_their_places(client: Client) -> None:
    html = get(client, address(a_job(), "1-2"))
    assert re.search(r'href="\?at=1-1" data-before', html)
    assert re.search(r'href="\?at=1-3" data-after', html)
    assert re.findall(r'value="(good|bad)" data-key="(\d)"', html) == [("good", "1"), ("bad", "2")]


def test_what_is_said_in_place_of_trials(client: Client) -> None:
    job = a_job()
    html = tap(client, job, "say", "3-2", 422, said="not tested")
    assert "the reason it was not tested" in text_of(html)
    why = "no aerial display here; “ask the owner”"
    tap(client, job, "say", "3-2", said="not tested", why=why)
    assert f"not tested: {why}" in text_of(get(client, address(job)))


def test_trials_asked_for_by_hand_keep_what_was_typed(client: Client) -> None:
    job = a_job(entries=[REPAIR])
    html = tap(client, job, "want", "1-1", 422, trials="29", condition="lid pressed", why="")
    assert 'value="lid pressed"' in html
    tap(client, job, "want", "1-1", trials="29", condition="lid pressed", why="It failed so.")
    assert "lid pressed open 0 of 29" in text_of(get(client, address(job)))


def test_a_soak_on_its_page_and_on_the_bench(client: Client) -> None:
    job = a_job()
    soak = "9-1"
    tap(client, job, "soak-start", soak, minutes="60")
    html = get(client, address(job, soak))
    assert "Soak running" in text_of(html)
    assert re.search(r'data-due="\d+" data-now="\d+"', html)
    assert "soak until" in text_of(get(client, "/"))
    tap(client, job, "soak-good", soak)
    assert "ran 0 min of 60 min wanted" in text_of(get(client, address(job, soak)))
    started = {"kind": "soak", "row": "Runs without a fault", "condition": "at the bench", "what": "started"}
    store.append(job, {**started, "minutes": 60}, "Ada", timezone.now() - timedelta(minutes=62))
    assert "soak due" in text_of(get(client, "/"))
    assert "Soak due" in text_of(get(client, address(job)))
    tap(client, job, "soak-good", soak)
    assert "ran 62 min without a fault" in text_of(get(client, address(job)))


def test_two_cells_are_compared_and_it_says_why(client: Client) -> None:
    told = [{"kind": "trial", "row": STARTS, "condition": c, "good": g, "bad": 20 - g} for c, g in
            ((COLD, 20), ("rear seat cold", 16))]  # fmt: skip
    job = a_job(entries=[REPAIR, *told])
    page = text_of(get(client, f"{address(job)}?first=1-1&second=1-3"))
    assert "0 bad of 20 fails less than 4 bad of 20" in page
    assert "Boschloo's test: exact" in page
    assert "the same cell twice" in text_of(get(client, f"{address(job)}?first=1-1&second=1-1"))


def test_a_customers_mains_unit(client: Client) -> None:
    job = a_job(HOME_COMPUTER, owner="Mr Thole")
    page = text_of(get(client, address(job)))
    assert "First: read “Mains" in page
    assert 'value="good"' not in get(client, address(job))
    assert "without a passed test or a referral it cannot be handed over" in page
    handed = {"action": "stage", "stage": "handed over", "why": "he waits at the door"}
    response = client.post(f"/jobs/{job.number}/", handed)
    assert response.status_code == 422
    assert "no reason stands in for it" in text_of(response.content.decode())
    html = tap(
        client, job, "tested", status=422, by="Wren Ostler", instrument="tester", measured="all fine", result="passed"
    )
    assert "measured, line 1: 'all fine' found; allowed: name: value" in text_of(html)
    assert 'value="Wren Ostler"' in html
    tap(client, job, "tested", by="Wren Ostler", instrument="tester", measured="insulation: 200 MΩ", result="passed")
    assert "Passed : insulation 200 MΩ; by Wren Ostler with tester" in text_of(get(client, address(job)))
    assert client.post(f"/jobs/{job.number}/", handed).status_code == 302


def test_a_place_there_is_not(client: Client) -> None:
    job = a_job()
    assert "at: '99-9' found; allowed: 1-1 to 11-1" in text_of(get(client, address(job, "99-9"), 422))
    assert "allowed: good, bad" in text_of(tap(client, job, "dance", status=422))
