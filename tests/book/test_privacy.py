"""An owner erased on request: no word of theirs is left, what the log says by replay stays, the guards let nothing else
through."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Iterable, Iterator
from datetime import date, timedelta
from io import BytesIO
from pathlib import Path
from typing import Any

import pytest
from django.db import DatabaseError, connection, models, transaction
from django.utils import timezone
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from PIL import Image

from refettle.book import doctor, experience, guards, moving, privacy, store, stores
from refettle.book.kits_trace import sell
from refettle.book.models import Entry, Job, Kit, Lesson, Movement, Owner
from refettle.book.models_privacy import ErasedText, Erasure, OwnerBefore
from refettle.book.photos import original_path, store_photo
from refettle.book.privacy_check import altered, altered_entries, not_as_erased, plain_state
from refettle.book.privacy_words import Scrubber, owners_words
from refettle.knowledge.loading import load_shipped_type
from tests.book.kits_bench import kit_of_three, make, part

NAME, CONTACT = "Ines Aldane", "Lindenweg 4, Tarnau\nines@aldane.example\n+49 761 5550143"
LOG: list[dict[str, Any]] = [
    {"kind": "take-in", "said": "Ines says: hums. Ring Aldane, 0761 555 0143.", "condition": {"Aldane's lid": "worn"}},
    {"kind": "complaint", "point": "picture", "outcome": "hum bars"},
    {"kind": "note", "text": "asked Mrs Aldane; her son answers at ines@aldane.example"},
    {"kind": "time", "minutes": 12, "what": "talked with Ines"},
    {"kind": "off", "item": "Ines's screws", "what": "screw", "count": 3},
    {"kind": "off", "item": "Aldane's screws", "what": "screw", "count": 2},
    {"kind": "back", "item": "Ines's screws", "count": 3},
    {"kind": "back", "item": "Aldane's screws", "count": 2},
    {"kind": "quote", "p50": "60.00", "p90": "80.00", "ceiling": "90.00", "currency": "EUR",
     "scope": {"make work": "as Ines wants"}, "valid_until": "2031-01-01"},
    {"kind": "answer", "answer": "accepts", "words": "Ines Aldane: yes", "quote": 9},
    {"kind": "correction", "corrects": 3, "with": {"kind": "note", "text": "asked Ines; her son is Piet"}, "why": "so"},
]  # fmt: skip


@pytest.fixture
def owner(db: None) -> Owner:
    return store.get_or_create_owner(NAME, CONTACT)


def a_job(owner: Owner, log: Iterable[dict[str, Any]] = LOG, close: bool = True) -> Job:
    job = store.open_job(load_shipped_type("larkmere-48"), owner=owner, serial="L48-0731", label="Ines's grey one")
    for entry in log:
        store.append(job, entry, "Bo Tarn")
    if close:
        yes = {"kind": "answer", "to": "parting out", "answer": "accepts", "words": "Aldane: keep the parts"}
        store.append(job, yes, "Bo Tarn")
        store.append(job, {"kind": "stage", "stage": "parted out", "why": "not worth it to Ines"}, "Bo Tarn")
    return job


def erase(owner: Owner, **more: Any) -> privacy.Erased:
    shown = privacy.plan(owner, more.get("extra", ()))
    return privacy.erase(
        owner, **{"who": "Bo Tarn", "why": "asked by letter", "confirm": owner.name, "digest": shown.digest, **more}
    )


def every_text() -> Iterator[tuple[str, str]]:
    """Every text column of every table, JSON as its texts."""
    for model in moving.tables():
        columns = [
            f.column
            for f in model._meta.concrete_fields
            if isinstance(f, models.CharField | models.TextField | models.JSONField)
        ]
        for row in model._base_manager.values_list(*columns) if columns else ():
            for column, value in zip(columns, row, strict=True):
                text = value if isinstance(value, str) else json.dumps(value, ensure_ascii=False)
                yield f"{model._meta.db_table}.{column}", text


# ---------------------------------------------------------------- erasing


def test_no_word_is_left_and_the_log_says_the_same(owner: Owner) -> None:
    job = a_job(owner)
    experience.keep(job)
    lesson = Lesson.objects.get(job=job).data
    before = store.job_state(job)
    experience_before = experience.experience()
    made = erase(owner, why="letter of Ines Aldane of 3 March", extra=["Piet"])
    words = owners_words([(NAME, CONTACT)], ["Piet"]).own
    assert [(where, text) for where, text in every_text() if words.scrub(text) != text] == []
    after = store.job_state(Job.objects.get(pk=job.pk))
    assert plain_state(after) == plain_state(before)
    assert [s.chance for s in after.suspects()] == [s.chance for s in before.suspects()]
    assert (after.minutes, after.parts, after.money.part_out_agreed) == (before.minutes, before.parts, True)
    assert [q.ceiling for q in after.money.quotes] == [q.ceiling for q in before.money.quotes] != []
    assert [line.missing for line in after.ledger.open_lines] == []
    experience.keep(job)
    assert Lesson.objects.get(job=job).data == lesson
    assert experience.experience() == experience_before
    owner.refresh_from_db()
    assert (owner.name, owner.contact) == (f"erased owner {owner.pk}", "")
    job.unit.refresh_from_db()
    assert (job.unit.serial, job.unit.label) == ("L48-0731", "the owner's grey one")
    assert Erasure.objects.get().why == "letter of the owner of 3 March"
    assert made.entries == altered(job) == altered_entries() == len(set(ErasedText.objects.values_list("n")))
    assert not_as_erased() == []
    said = {e["n"]: e for e in store.entries(job)}
    assert said[2] == {**said[2], "kind": "complaint", "point": "picture", "outcome": "hum bars", "who": "Bo Tarn"}
    # Two names that tie entries together stay two.
    assert (said[5]["item"], said[6]["item"]) == ("the owner's screws", "the owner's screws (2)")
    assert (said[7]["item"], said[8]["item"]) == ("the owner's screws", "the owner's screws (2)")
    assert said[11]["with"]["text"] == "asked the owner; her son is [name left out]"


def test_what_is_shown_is_what_goes(owner: Owner) -> None:
    job = a_job(owner)
    shown = privacy.plan(owner)
    texts = {(c.n, s.field): (s.before, s.after) for c in shown.changes for s in c.shown if c.n}
    assert texts[3, "text"] == (LOG[2]["text"], "asked the owner; her son answers at [contact left out]")
    assert texts[11, "with.text"][0] == "asked Ines; her son is Piet"
    assert shown.jobs == [job.number]
    assert not Erasure.objects.exists()
    with pytest.raises(privacy.ErasureError, match="allowed: the owner's name"):
        erase(owner, confirm="yes")
    with pytest.raises(privacy.ErasureError, match="has changed since"):
        erase(owner, extra=["Piet"], digest=shown.digest)
    with pytest.raises(privacy.ErasureError, match="why: 0 letters"):
        erase(owner, why=" ")
    assert NAME in {text for _, text in every_text()}
    erase(owner)
    assert Entry.objects.get(job=job, n=3).data == {"text": texts[3, "text"][1]}
    assert Entry.objects.get(job=job, n=11).data["with"]["text"] == texts[11, "with.text"][1]


def test_refused_while_something_runs(owner: Owner, settings: Any) -> None:
    job = a_job(owner, close=False)
    with pytest.raises(privacy.ErasureError, match=f"Job {job.number} is open"):
        erase(owner)
    store.append(job, {"kind": "warranty", "days": 90, "covers": "the supply"}, "Bo Tarn")
    yes = {"kind": "answer", "to": "parting out", "answer": "accepts", "words": "yes, all of it"}
    store.append_all(job, [{**e, "who": "Bo Tarn", "at": timezone.now()} for e in (
        yes, {"kind": "stage", "stage": "parted out"})])  # fmt: skip
    job.refresh_from_db()
    ends = timezone.localdate() + timedelta(days=90)
    assert [r.until for r in privacy.refusals(owner, timezone.localdate())] == [ends]
    assert privacy.refusals(owner, ends + timedelta(days=1)) == []
    settings.REFETTLE_KEEP_YEARS = 10
    (kept,) = privacy.refusals(owner, ends + timedelta(days=1))
    assert "REFETTLE_KEEP_YEARS" in kept.says
    assert kept.until is not None
    assert kept.until.year == timezone.localdate(job.closed).year + 10
    assert privacy.refusals(owner, kept.until) == []
    assert "own stock" in privacy.refusals(store.get_or_create_owner(), date(2031, 1, 1))[0].says


def test_once_only_and_nothing_for_another_of_the_same_name(owner: Owner) -> None:
    a_job(owner)
    other = store.get_or_create_owner(NAME, "elsewhere")
    theirs = a_job(other)
    shown = privacy.plan(owner)
    assert shown.namesakes == (other,)
    before = store.entries(theirs)
    erase(owner)
    assert store.entries(theirs) == before
    owner.refresh_from_db()
    with pytest.raises(privacy.ErasureError, match="Erased already"):
        erase(owner)


def test_words_in_jobs_of_others_and_earlier_contacts(owner: Owner) -> None:
    own, other = a_job(owner), a_job(store.get_or_create_owner("Ruth Kappel"), [], close=False)
    store.append(other, {"kind": "note", "text": "hums like Ines Aldane's; Ines the apprentice agrees"}, "Ines Holm")
    mail = "parts from stock@tarn.example; reply to office@ines-aldane.example"
    store.append(other, {"kind": "note", "text": mail.replace("ines-aldane", "ines.aldane")}, "Ines Holm")
    assert privacy.put_right(owner, NAME, "0761 999 8877")
    assert not privacy.put_right(owner, NAME, "0761 999 8877")
    assert OwnerBefore.objects.get().contact == CONTACT
    erase(owner)
    said = store.entries(other)[0]
    assert said["text"] == "hums like the owner's; Ines the apprentice agrees"
    assert said["who"] == "Ines Holm"
    assert store.entries(other)[1]["text"] == "parts from stock@tarn.example; reply to the owner"
    assert not [t for _, t in every_text() if "aldane.example" in t or "5550143" in t]
    assert not OwnerBefore.objects.exists()
    assert altered(own)


def test_kits_sold_by_name_and_notes_in_the_ledger(owner: Owner) -> None:
    a_job(owner, [])
    first, second = make(kit_of_three(), 2)
    sell(first, to="ines  aldane", note="Aldane rang; Ines Aldane fetches it")
    sell(second, to="Ines Holm")
    stores.receive(part("X1"), 5, who="Bo", came=stores.Came(), note="for Ines Aldane")
    shown = privacy.plan(owner)
    assert {c.where for c in shown.changes} >= {f"kit {first.code}, sold to", f"kit {first.code}, note"}
    erase(owner)
    first.refresh_from_db()
    assert (first.sold_to, first.note) == (f"erased owner {owner.pk}", "Aldane rang; the owner fetches it")
    assert Kit.objects.get(pk=second.pk).sold_to == "Ines Holm"
    assert Movement.objects.filter(note="for the owner").count() == 1
    assert not [text for _, text in every_text() if "for Ines Aldane" in text]


def test_the_database_file_holds_no_word_any_more(db: None, tmp_path: Path) -> None:
    if connection.vendor != "sqlite":
        pytest.skip("of SQLite's file")
    script = (
        "import os, sys; from pathlib import Path; from refettle.cli.common import open_book; open_book()\n"
        "from tests.book.test_privacy import a_job, erase, NAME, CONTACT\n"
        "from refettle.book import store\n"
        "owner = store.get_or_create_owner(NAME, CONTACT); a_job(owner)\n"
        "held = lambda: sum(b'Aldane' in p.read_bytes() for p in Path(os.environ['REFETTLE_HOME']).glob('book*'))\n"
        "assert held(); erase(owner); print('held', held())\n"
    )
    ran = subprocess.run(
        [sys.executable, "-c", script],
        env={**{k: v for k, v in os.environ.items() if not k.startswith(("REFETTLE_", "DJANGO_"))},
             "REFETTLE_HOME": str(tmp_path / "home"), "PYTHONPATH": str(Path(__file__).parents[2])},
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert ran.returncode == 0, ran.stderr
    assert "held 0" in ran.stdout


LETTERS = st.text("abcdefghijklmnop", min_size=4, max_size=9).map(str.capitalize)
WORDS = st.sampled_from(["hums", "asked", "about", "again", "the lid", "of", "rang"])


@st.composite
def logs(draw: st.DrawFn) -> tuple[str, str, str, list[tuple[str, dict[str, Any]]]]:
    first, last = (f"Q{draw(LETTERS)}" for _ in range(2))
    phone = draw(st.from_regex(r"07[0-9]{9}", fullmatch=True))
    piece = st.sampled_from([first, last, f"{first} {last}", phone, last.upper(), f"{phone[:4]} {phone[4:]}"])
    text = st.lists(WORDS | piece, min_size=1, max_size=6).map(" ".join)
    entry = st.one_of(
        text.map(lambda t: ("note", {"text": t})),
        text.map(lambda t: ("time", {"minutes": 3.0, "what": t})),
        text.map(lambda t: ("off", {"item": t[:200], "what": "screw"})),
        text.map(lambda t: ("check", {"check": "look-picture", "outcome": "good", "note": t})),
        text.map(lambda t: ("take-in", {"said": t, "condition": {t[:200]: "worn"}})),
        text.map(lambda t: ("correction", {"corrects": 1, "with": {"kind": "note", "text": t}, "why": t})),
        text.map(lambda t: ("safety", {"what": "referred", "by": f"by {t}"})),
    )
    return first, last, phone, draw(st.lists(entry, min_size=1, max_size=8))


@st.composite
def stories(draw: st.DrawFn) -> tuple[str, str, str, list[dict[str, Any]]]:
    first, last, phone, log = draw(logs())
    points = ("hum bars", "no picture", "good")
    told = [{"kind": kind, **data} for kind, data in log if kind not in ("check", "correction")]
    told += [{"kind": "complaint", "point": "picture", "outcome": draw(st.sampled_from(points))}]
    told += [{"kind": "note", "text": f"{first} rang"}, {"kind": "time", "minutes": draw(st.integers(1, 90))}]
    n = draw(st.integers(1, len(told)))
    told += [{"kind": "correction", "corrects": n, "with": {"kind": "note", "text": f"not {last}"}, "why": first}]
    return first, last, phone, told


@given(stories())
@settings(
    max_examples=12,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.function_scoped_fixture],
)
def test_any_owner_is_gone_from_every_table_and_any_log_says_the_same(
    db: None, made: tuple[str, str, str, list[dict[str, Any]]]
) -> None:
    first, last, phone, log = made
    with transaction.atomic():
        owner = store.get_or_create_owner(f"{first} {last}", phone)
        job = store.open_job(load_shipped_type("larkmere-48"), owner=owner, label=f"{last}'s")
        other = store.open_job(load_shipped_type("larkmere-48"))
        store.append_all(job, [{**e, "who": "Bo Tarn", "at": timezone.now()} for e in log])
        store.append(other, {"kind": "note", "text": f"as with {first} {last}, {phone}"}, "Bo Tarn")
        close = {"kind": "answer", "to": "parting out", "answer": "accepts", "words": f"{first}: yes"}
        store.append(job, close, "Bo Tarn")
        Job.objects.filter(pk=job.pk).update(closed=timezone.now() + timedelta(days=1))
        before = store.job_state(job)
        erase(owner)
        words = owners_words([(f"{first} {last}", phone)]).own
        left = [
            (where, text)
            for where, text in every_text()
            if first.lower() in text.lower() or last.lower() in text.lower() or phone in text
        ]
        assert left == [], words
        after = store.job_state(job)
        assert plain_state(after) == plain_state(before)
        assert [s.chance for s in after.suspects()] == [s.chance for s in before.suspects()]
        assert not_as_erased() == []
        transaction.set_rollback(True)


# ---------------------------------------------------------------- guards


def refused(statement: str, *values: object) -> None:
    with pytest.raises(DatabaseError, match="append-only"), transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(statement, values)


def test_every_column_of_an_erasable_table_is_named(db: None) -> None:
    with connection.cursor() as cursor:
        for table, (may, never) in guards.ERASABLE.items():
            there = {column.name for column in connection.introspection.get_table_description(cursor, table)}
            assert there == {*may, *never}, table


def test_only_what_an_erasure_says_goes_through(owner: Owner) -> None:
    job = a_job(owner)
    entry = Entry.objects.get(job=job, n=3)
    other = Entry.objects.get(job=job, n=4)
    refused("UPDATE book_entry SET who = who")
    made = Erasure.objects.create(owner=owner, who="Bo", why="test")

    def say(column: str, text: str, row: int = entry.pk) -> None:
        ErasedText.objects.create(
            erasure=made if not ErasedText.objects.exists() else Erasure.objects.create(owner=owner, who="B", why="t"),
            of_table="book_entry", of_row=row, of_column=column, text=text, before="0" * 64, after="1" * 64,
        )  # fmt: skip

    cast = "%s::json" if connection.vendor == "postgresql" else "%s"
    say("data", '{"text": "first"}')
    refused(f"UPDATE book_entry SET data = {cast} WHERE id = %s", '{"text": "else"}', entry.pk)
    refused(f"UPDATE book_entry SET data = {cast} WHERE id = %s", '{"text": "first"}', other.pk)
    refused(f"UPDATE book_entry SET data = {cast}, n = 77 WHERE id = %s", '{"text": "first"}', entry.pk)
    refused(f"UPDATE book_entry SET data = {cast}, kind = 'time' WHERE id = %s", '{"text": "first"}', entry.pk)
    refused(
        f"UPDATE book_entry SET data = {cast}, at = '2001-01-01 00:00:00' WHERE id = %s", '{"text": "first"}', entry.pk
    )
    refused("UPDATE book_entry SET who = 'Eve' WHERE id = %s", entry.pk)
    refused("DELETE FROM book_entry WHERE id = %s", entry.pk)
    with connection.cursor() as cursor:
        cursor.execute(f"UPDATE book_entry SET data = {cast} WHERE id = %s", ['{"text": "first"}', entry.pk])
    entry.refresh_from_db()
    assert entry.data == {"text": "first"}
    say("data", '{"text": "second"}')
    assert not_as_erased()
    with connection.cursor() as cursor:
        cursor.execute(f"UPDATE book_entry SET data = {cast} WHERE id = %s", ['{"text": "second"}', entry.pk])
    refused(f"UPDATE book_entry SET data = {cast} WHERE id = %s", '{"text": "first"}', entry.pk)
    assert not_as_erased() == []
    refused("UPDATE book_erasedtext SET text = 'x'")
    if connection.vendor == "sqlite":  # which would delete the old row without asking the guard of deletions
        same = "erasure_id, of_table, of_row, of_column, text, before, after"
        refused(f"INSERT OR REPLACE INTO book_erasedtext ({same}) SELECT {same} FROM book_erasedtext")
    refused("DELETE FROM book_erasedtext")
    refused("UPDATE book_erasure SET why = 'x'")
    refused("DELETE FROM book_erasure")
    refused("UPDATE book_typeversion SET text = 'x'")


# ---------------------------------------------------------------- photos


def photo_file(colour: str) -> BytesIO:
    out = BytesIO()
    Image.new("RGB", (80, 60), colour).save(out, "JPEG")
    out.seek(0)
    return out


def test_photos_go_unless_another_job_has_them(
    owner: Owner, own_folders: Path, django_capture_on_commit_callbacks: Any
) -> None:
    mine, shared, left = (store_photo(photo_file(c), own_folders / "photos") for c in ("red", "green", "blue"))
    a_job(owner, [{"kind": "photo", "photo": p.sha256, "caption": "Ines"} for p in (mine, shared, left)])
    a_job(store.get_or_create_owner(), [{"kind": "photo", "photo": shared.sha256}], close=False)
    uses = {use.sha256: use for use in privacy.plan(owner).photos}
    assert [bool(uses[p.sha256].others) for p in (mine, shared, left)] == [False, True, False]
    with pytest.raises(privacy.ErasureError, match="allowed: photos of this owner's jobs"):
        erase(owner, without=["a" * 64])
    with django_capture_on_commit_callbacks(execute=True):
        made = erase(owner, without=[mine.sha256, shared.sha256])
    assert made.photos == 1
    assert len(made.photos_kept) == 1
    there = [original_path(own_folders / "photos", p.sha256, "JPEG").exists() for p in (mine, shared, left)]
    assert there == [False, True, True]
    assert not list((own_folders / "photos").rglob(f"{mine.sha256}*"))
    looked = doctor._photos(whole=True)
    assert looked.findings == ()
    assert looked.says == "2 of 2 are as kept, 1 removed on request"


# ---------------------------------------------------------------- scrubbing, any log


@given(logs())
@settings(max_examples=80, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@example(("Qaaa", "Qbbb", "07123456789", [("note", {"text": "Qaaa " * 3000})]))
def test_any_entry_loses_the_words_and_keeps_its_build(
    made: tuple[str, str, str, list[tuple[str, dict[str, Any]]]],
) -> None:
    first, last, phone, log = made
    words = owners_words([(f"{first} {last}", phone)])
    scrubber = Scrubber(words.own)
    items: dict[str, str] = {}
    for kind, data in log:
        after = scrubber.entry(kind, data)
        said = json.dumps(after, ensure_ascii=False)
        assert first.lower() not in said.lower() or first.lower() in "the owner"
        assert last.lower() not in said.lower()
        assert phone not in "".join(c for c in said if c.isdigit()) or phone[-7:] not in said
        assert list(after) == list(data) or kind == "take-in"
        assert after.get("minutes") == data.get("minutes")
        assert after.get("outcome") == data.get("outcome")
        assert scrubber.entry(kind, data) == after
        if kind == "off":
            items[data["item"]] = after["item"]
    assert len(set(items.values())) == len(items)
