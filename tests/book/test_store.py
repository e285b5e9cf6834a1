"""Jobs and entries."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from functools import lru_cache
from types import SimpleNamespace
from typing import Any

import pytest
from django.db import IntegrityError, transaction

from refettle.book import state, store
from refettle.book.log import LogError, read_jsonl, write_jsonl
from refettle.book.models import Entry, Job, Owner, TypeVersion, Unit
from refettle.book.written import entries_of
from refettle.knowledge.loading import LoadedType

NOTE = {"kind": "note", "text": "fuse holder is loose"}


def test_it_works(job: Job) -> None:
    at = datetime(2031, 3, 2, 9, 15, tzinfo=UTC)
    entry = store.append(job, NOTE, "Ada", at)
    assert entry.n == 1
    assert store.entries(job) == [
        {"n": 1, "at": "2031-03-02T09:15:00+00:00", "who": "Ada", "kind": "note", "text": "fuse holder is loose"}
    ]


def test_entries_go_through_a_log_file_unchanged(job: Job) -> None:
    store.append(job, NOTE, "Ada")
    store.append(job, {"kind": "check", "check": "picture", "outcome": "no picture", "minutes": 2.5}, "Bo")
    store.append(job, {"kind": "correction", "corrects": 1, "with": {"kind": "note", "text": "it was tight"}}, "Ada")
    assert read_jsonl(write_jsonl(store.entries(job))) == store.entries(job)


@pytest.mark.parametrize(
    ("data", "who", "message"),
    [
        ({"kind": "nonsense"}, "Ada", "kind 'nonsense' found; allowed: take-in"),
        ({"kind": "note", "text": ""}, "Ada", "note text"),
        ({"kind": "check", "check": "no-such", "outcome": "good"}, "Ada", "a check of this unit type"),
        ({"kind": "check", "check": "picture", "outcome": "purple"}, "Ada", "an outcome of this check"),
        ({"kind": "correction", "corrects": 7}, "Ada", "corrects: 7 found"),
        ({"kind": "time", "minutes": "inf"}, "Ada", "minutes|finite"),
        ({"kind": "time", "minutes": float("nan")}, "Ada", "minutes|finite"),
        (NOTE, "   ", "who: "),
        (NOTE, "x" * 201, "who: "),
    ],
)
def test_what_cannot_be_is_refused_and_not_written(job: Job, data: dict[str, Any], who: str, message: str) -> None:
    with pytest.raises(LogError, match=message):
        store.append(job, data, who)
    assert store.entries(job) == []


@pytest.mark.parametrize(
    ("content", "field"),
    [
        ({"kind": "note", "text": "a\0b"}, "text"),
        ({"kind": "check", "check": "picture", "counts": {"good\0": 1}}, "counts"),
        ({"kind": "correction", "corrects": 1, "with": {"kind": "note", "text": "\0"}}, "with"),
    ],
)
def test_a_nul_is_no_longer_written_and_still_read(job: Job, content: dict[str, Any], field: str) -> None:
    store.append(job, NOTE, "Ada")
    with pytest.raises(LogError, match="U\\+0000 found") as raised:
        store.append(job, content, "Ada")
    assert raised.value.field == field
    with pytest.raises(LogError, match="who"):
        store.append(job, NOTE, "Ada\0")
    line = json.dumps({"n": 2, "at": "2031-03-02T09:15:00+00:00", "who": "Ada", **content})
    first = write_jsonl(store.entries(job))
    assert read_jsonl(first + line)[1][field] == content[field]


def test_several_entries_all_or_none(job: Job) -> None:
    at = "2031-03-02T10:00:00+00:00"
    good = {"at": at, "who": "Ada", **NOTE}
    with pytest.raises(LogError, match=r"^line 2: .*kind"):
        store.append_all(job, [good, {"at": at, "who": "Ada", "kind": "nonsense"}])
    assert store.entries(job) == []
    assert [e.n for e in store.append_all(job, [good, good])] == [1, 2]
    assert store.append_all(job, []) == []


def test_corrections_follow_their_entries_to_new_numbers(job: Job) -> None:
    store.append(job, NOTE, "Ada")
    text = (
        '{"n": 1, "who": "Bo", "at": "2031-03-02T10:00:00Z", "kind": "note", "text": "one"}\n'
        '{"n": 5, "who": "Bo", "at": "2031-03-02T10:01:00Z", "kind": "note", "text": "two"}\n'
        '{"n": 6, "who": "Bo", "at": "2031-03-02T10:02:00Z", "kind": "correction", "corrects": 5}\n'
    )
    store.append_all(job, read_jsonl(text))
    log = store.entries(job)
    assert [e["n"] for e in log] == [1, 2, 3, 4]
    assert log[3]["corrects"] == 3


def test_a_correction_of_a_correction_is_refused(job: Job) -> None:
    store.append(job, NOTE, "Ada")
    store.append(job, {"kind": "correction", "corrects": 1}, "Ada")
    with pytest.raises(LogError, match="which is a correction"):
        store.append(job, {"kind": "correction", "corrects": 2}, "Ada")


def test_a_log_that_no_longer_fits_can_still_be_put_right(job: Job) -> None:
    stranger = {"check": "gone", "outcome": "good"}
    Entry.objects.create(job=job, n=1, at=job.opened, who="Ada", kind="check", data=stranger)
    with pytest.raises(LogError):
        store.job_state(job)
    store.append(job, {"kind": "correction", "corrects": 1}, "Ada")
    assert store.job_state(job).evidence == []


def test_handing_over_closes_the_job_and_a_correction_opens_it_again(job: Job) -> None:
    store.append(job, {"kind": "stage", "stage": "handed over", "why": "goes back as it came"}, "Ada")
    job.refresh_from_db()
    assert job.closed is not None
    assert store.bench() == []
    store.append(job, {"kind": "correction", "corrects": 1}, "Ada")
    job.refresh_from_db()
    assert job.closed is None
    assert store.bench() == [job]


def test_a_unit_has_one_open_job(job: Job, loaded: LoadedType) -> None:
    with pytest.raises(store.StoreError, match="has the open job 1"):
        store.open_job(loaded, unit=job.unit)
    store.append(job, {"kind": "stage", "stage": "handed over", "why": "goes back as it came"}, "Ada")
    again = store.open_job(loaded, unit=job.unit)
    assert (again.number, again.unit) == (2, job.unit)
    with pytest.raises(LogError, match="another open job"):
        store.append(job, {"kind": "correction", "corrects": 1}, "Ada")


def test_the_same_text_is_kept_once(job: Job, loaded: LoadedType) -> None:
    other = store.open_job(loaded)
    assert other.number == 2
    assert TypeVersion.objects.count() == 1
    assert other.unit.type_version.text == loaded.text
    assert store.loaded_type(other.unit.type_version).sha256 == loaded.sha256


def test_owners(db: None) -> None:
    ada = store.get_or_create_owner("Ada Quill", "bell twice")
    assert ada.kind == Owner.Kind.CUSTOMER
    assert store.get_or_create_owner("Ada Quill", "bell twice") == ada
    assert store.get_or_create_owner("Ada Quill", "another") != ada
    assert store.get_or_create_owner().kind == Owner.Kind.OWN_STOCK
    with pytest.raises(store.StoreError, match="at most 120"):
        store.get_or_create_owner("x" * 121)


def test_unknown_jobs_are_named(db: None, loaded: LoadedType) -> None:
    with pytest.raises(store.StoreError, match="open one first"):
        store.find_job(3)
    store.open_job(loaded)
    with pytest.raises(store.StoreError, match=r"allowed: 1$"):
        store.find_job(3)
    assert store.find_job(1).unit.owner.name == store.OWN_STOCK


def test_queries_stay_few(db: None, loaded: LoadedType, django_assert_num_queries: Any) -> None:
    for _ in range(5):
        store.append(store.open_job(loaded), NOTE, "Ada")
    with django_assert_num_queries(2):
        jobs = store.bench()
        assert [(j.unit.type_version.name, j.unit.owner.name, j.entry_count) for j in jobs]  # type: ignore[attr-defined]
        assert all(len(log) == 1 for log in entries_of(jobs).values())


def test_names_are_checked_by_the_database(job: Job) -> None:
    with pytest.raises(IntegrityError), transaction.atomic():
        Owner.objects.create(name="")
    with pytest.raises(IntegrityError), transaction.atomic():
        Entry.objects.create(job=job, n=1, at=job.opened, who="", kind="note", data={})
    with pytest.raises(IntegrityError), transaction.atomic():
        Job.objects.create(number=2, unit=job.unit)
    assert Unit.objects.count() == 1


@pytest.mark.parametrize("explained", [True, False])
def test_suspicions_are_worked_out_before_the_book_is_locked(
    job: Job, monkeypatch: pytest.MonkeyPatch, explained: bool
) -> None:
    """They can take seconds, and nobody else could write meanwhile. Where one failure mode explains what was read, who
    writes does not wait for them either."""
    done: list[str] = []
    work_out, lock = state.suspicions_of.__wrapped__, store._retrying

    @lru_cache
    def noted(*args: Any) -> Any:
        done.append("worked out")
        return work_out(*args)

    def locked(make: Any) -> Any:
        done.append("locked")
        return lock(make)

    state._findings.forget()
    monkeypatch.setattr(state, "suspicions_of", noted)
    if not explained:
        monkeypatch.setattr(state.faults, "one_explains", lambda model, events: False)
    monkeypatch.setattr(store, "_retrying", locked)
    monkeypatch.setattr(store, "connection", SimpleNamespace(in_atomic_block=False))
    store.append(job, {"kind": "check", "check": "picture", "outcome": "no picture"}, "Ada")
    assert done == (["locked"] if explained else ["worked out", "locked"])
