"""The bench: one row for each open job."""

from __future__ import annotations

import pytest
from django.test import Client

from refettle.book import store
from tests.web.pages import CONSOLE, a_job, get, text_of

pytestmark = pytest.mark.django_db


def test_it_works(client: Client) -> None:
    job = a_job(owner="Ines Vale", entries=[{"kind": "complaint", "point": "picture", "outcome": "no picture"}])
    page = text_of(get(client, "/"))
    assert "Corrigan Duo" in page
    assert "Ines Vale" in page
    assert "fault finding" in page
    assert f"/jobs/{job.number}/next/" in get(client, "/")


def test_an_empty_bench_says_what_to_do(client: Client) -> None:
    page = get(client, "/")
    assert "Nothing is on the bench" in page
    assert "/take-in/" in page


def test_the_next_step_comes_by_itself_and_is_kept(client: Client) -> None:
    job = a_job()
    cell = get(client, f"/jobs/{job.number}/next/")
    assert "min" in cell
    assert "/faults/" in cell
    assert f"/jobs/{job.number}/next/" not in get(client, "/")
    store.append(job, {"kind": "note", "text": "something new"}, "Ada")
    assert f"/jobs/{job.number}/next/" in get(client, "/")


def test_closed_jobs_are_behind_a_link(client: Client) -> None:
    job = a_job(entries=[{"kind": "stage", "stage": "handed over", "why": "goes back as it came"}])
    page = text_of(get(client, "/"))
    assert "1 closed job" in page
    assert job.unit.type_version.name not in page
    assert "Corrigan Duo" in get(client, "/closed/")


def test_long_lists_come_in_pages(client: Client) -> None:
    for _ in range(51):
        a_job(CONSOLE)
    assert get(client, "/").count("<tr>") == 51  # the head and fifty jobs
    assert get(client, "/?page=2").count("<tr>") == 2
    assert get(client, "/?page=nonsense").count("<tr>") == 51


def test_jobs_are_found_by_a_word(client: Client) -> None:
    a_job(owner="Ines Vale")
    a_job(owner="Tom Marsh")
    page = text_of(get(client, "/?q=marsh"))
    assert "Tom Marsh" in page
    assert "Ines Vale" not in page
    assert "No job here matches “<i>”" in text_of(get(client, "/?q=<i>"))
    assert "Ines Vale" in get(client, "/?q=1")
