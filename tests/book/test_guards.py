"""The database itself refuses to change or delete what was recorded."""

from __future__ import annotations

import pytest
from django.db import DatabaseError, IntegrityError, connection, transaction

from refettle.book import guards
from refettle.book.models import Entry, Job, Photo, TypeVersion
from refettle.book.store import append, entries


@pytest.fixture
def entry(job: Job) -> Entry:
    return append(job, {"kind": "note", "text": "smells of smoke"}, "Ada")


def refused(statement: str, *values: object) -> None:
    with (
        pytest.raises(DatabaseError, match="append-only"),
        transaction.atomic(),
        connection.cursor() as cursor,
    ):
        cursor.execute(statement, values)


def test_all_guards_are_there_after_migrating(db: None) -> None:
    assert guards.missing(connection) == []


def test_no_update_of_an_entry(entry: Entry) -> None:
    refused("UPDATE book_entry SET who = 'someone else' WHERE id = %s", entry.pk)
    refused("UPDATE book_entry SET data = '{}'")
    entry.who = "someone else"
    with pytest.raises(IntegrityError), transaction.atomic():
        entry.save()
    assert entries(entry.job)[0]["who"] == "Ada"


def test_no_delete_of_an_entry(entry: Entry) -> None:
    refused("DELETE FROM book_entry")
    with pytest.raises(IntegrityError), transaction.atomic():
        entry.delete()
    assert len(entries(entry.job)) == 1


def test_no_replacing_of_an_entry(entry: Entry) -> None:
    row = (entry.job_id, "2031-01-01 00:00:00", "someone else", "note", "{}")
    columns = "(job_id, n, at, who, kind, data)"
    if connection.vendor == "sqlite":
        refused(f"INSERT OR REPLACE INTO book_entry {columns} VALUES (%s, 1, %s, %s, %s, %s)", *row)
    else:
        refused("SET CONSTRAINTS ALL IMMEDIATE; TRUNCATE book_entry CASCADE")
    refused(
        f"INSERT INTO book_entry {columns} VALUES (%s, 1, %s, %s, %s, %s) "
        "ON CONFLICT (job_id, n) DO UPDATE SET who = 'x'",
        *row,
    )
    assert entries(entry.job)[0]["who"] == "Ada"


def test_no_change_of_a_type_version(job: Job) -> None:
    refused("UPDATE book_typeversion SET text = ''")
    refused("DELETE FROM book_typeversion")
    assert TypeVersion.objects.count() == 1


def test_no_delete_of_jobs_units_photos(job: Job) -> None:
    Photo.objects.create(sha256="a" * 64, format="JPEG", width=10, height=10, bytes=100)
    for table in ("book_job", "book_unit", "book_photo"):
        refused(f"DELETE FROM {table}")


def test_the_same_number_twice_is_refused(entry: Entry) -> None:
    twin = Entry(job=entry.job, n=entry.n, at=entry.at, who="Bo", kind="note", data={})
    with pytest.raises(IntegrityError), transaction.atomic():
        twin.save()


def test_a_guard_switched_off_counts_as_missing(db: None) -> None:
    if connection.vendor != "postgresql":
        pytest.skip("SQLite cannot switch a trigger off")
    with connection.cursor() as cursor:
        cursor.execute("ALTER TABLE book_entry DISABLE TRIGGER book_entry_append_only")
    assert guards.missing(connection) == ["book_entry_append_only"]


def test_statements_for_both_databases() -> None:
    for vendor in ("sqlite", "postgresql"):
        text = "\n".join(guards.statements(vendor).values())
        assert "book_entry" in text
        assert "DELETE" in text
        assert "UPDATE" in text
    with pytest.raises(NotImplementedError, match="sqlite, postgresql"):
        guards.statements("oracle")


def test_backwards_and_forwards(db: None) -> None:
    class Editor:
        pass

    editor = Editor()
    editor.connection = connection  # type: ignore[attr-defined]
    guards.remove(None, editor)
    assert len(guards.missing(connection)) == len(guards.statements(connection.vendor))
    guards.install(None, editor)
    guards.install(None, editor)
    assert guards.missing(connection) == []
