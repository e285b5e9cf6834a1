"""A large shop: lists ask for what they show, whatever the book holds, and show what was written just now."""

from __future__ import annotations

import subprocess
import sys
from types import SimpleNamespace
from typing import Any

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from refettle.book import batches, experience, kept, store, wants
from refettle.book.brief import briefs
from refettle.book.models import Entry, Job
from refettle.knowledge.loading import load_shipped_type


def jobs(count: int, entries: int) -> list[Job]:
    made = []
    for n in range(count):
        job = store.open_job(load_shipped_type("piper-pocket"), owner=store.get_or_create_owner(f"Owner {n}"))
        told: list[dict[str, Any]] = [{"kind": "complaint", "point": "panel", "outcome": "blank"}]
        told += [{"kind": "note", "text": f"note {n}"} for n in range(entries)]
        now = timezone.now()
        store.append_all(job, [{"at": now, "who": "Mara", **each} for each in told])
        made.append(job)
    return made


def asked(client: Client, page: str) -> tuple[int, int]:
    """How many queries a page makes, and how many rows of logs they read."""
    with CaptureQueriesContext(connection) as queries:
        assert client.get(page).status_code == 200
    return len(queries), sum("book_entry" in q["sql"] for q in queries.captured_queries)


@pytest.mark.django_db
@pytest.mark.parametrize("page", ["/", "/closed/", "/owners/", "/owners/{own}/"])
def test_no_more_is_asked_for_more_jobs(client: Client, page: str) -> None:
    page = page.format(own=store.get_or_create_owner().pk)
    jobs(2, 1)
    few = asked(client, page)
    jobs(9, 3)
    assert asked(client, page) == few


@pytest.mark.django_db
def test_what_is_kept_of_a_log_is_made_anew_by_another_program(monkeypatch: pytest.MonkeyPatch) -> None:
    (job,) = jobs(1, 3)
    monkeypatch.setattr(kept, "connection", SimpleNamespace(in_atomic_block=False))  # as in a page that only reads
    assert briefs([job])[job.number].stage == "fault finding"
    with monkeypatch.context() as patched:
        patched.setattr(kept, "entries_of", None)  # nothing is read a second time
        assert briefs([job])[job.number].stage == "fault finding"
    # As another process would: past everything that this one keeps.
    data = {"stage": "waiting", "waits_for": "C9"}
    Entry(job=job, n=5, at=timezone.now(), who="Jonas", kind="stage", data=data).save()
    assert (briefs([job])[job.number].stage, briefs([job])[job.number].waits_for) == ("waiting", "C9")


@pytest.mark.django_db
def test_of_a_closed_job_it_is_told_how_it_ended_whatever_was_corrected_in_it() -> None:
    job = store.open_job(load_shipped_type("piper-pocket"))
    anew = {"kind": "correction", "why": "typed wrong"}
    for entry in (
        {"kind": "note", "text": "x"},
        {**anew, "corrects": 1, "with": {"kind": "note", "text": "y"}},
        {"kind": "stage", "stage": "waiting", "waits_for": "C9"},
        {"kind": "stage", "stage": "handed over", "why": "as it is"},
        {**anew, "corrects": 4, "with": {"kind": "stage", "stage": "parted out"}},
    ):
        store.append(job, entry, "Mara")
    at = briefs([job], closed=True)[job.number]
    assert (at.stage, at.waits_for, at.unread) == ("parted out", "", False)


@pytest.mark.django_db
def test_nothing_is_kept_of_what_was_undone() -> None:
    from django.db import transaction

    (job,) = jobs(1, 0)
    with transaction.atomic():
        store.append(job, {"kind": "part-wanted", "what": "belt 70 mm"}, "Mara")
        assert [held.want.what for held in wants.held_wants()] == ["belt 70 mm"]
        transaction.set_rollback(True)
    assert wants.held_wants() == []
    store.append(job, {"kind": "part-wanted", "what": "belt 72 mm"}, "Mara")
    assert [held.want.what for held in wants.held_wants()] == ["belt 72 mm"]


@pytest.mark.django_db
def test_entries_of_a_kind_are_found_by_an_index() -> None:
    if connection.vendor != "sqlite":
        pytest.skip("PostgreSQL reads a small table whole, whatever indexes there are")
    baths = Entry.objects.filter(batches.WENT_IN).values("job")
    looked_for = (Job.objects.filter(closed=None), Job.objects.filter(pk__in=baths), experience.own_lessons())
    for rows, index in zip(looked_for, ("job_open", "entry_by_kind", "entry_by_kind"), strict=True):
        assert index in rows.order_by("number" if rows.model is Job else "pk").explain(), rows.query


def test_the_package_of_the_process_needs_no_framework() -> None:
    """It is started for every served book: without Django it is there sooner, and holds less."""
    code = "import sys, refettle.book.reckoner; sys.exit('django' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
