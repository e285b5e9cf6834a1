"""What comes from outside: words with scripts in them, files, addresses, fields that no form has."""

from __future__ import annotations

import io
import re
import zipfile
from datetime import date
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest
from django.apps import apps
from django.conf import settings as current
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import DatabaseError, models, transaction
from django.db.models import F, Value
from django.db.models.functions import Concat
from django.test import Client

from refettle.book import prices, store, story
from refettle.book.demo import fill
from refettle.book.log import LogError
from refettle.book.models import Entry, Job
from refettle.book.models_prices import Supplier
from refettle.book.stores_csv import safe_cell
from refettle.ordering import pricelist_writing
from refettle.ordering.pricelist import PriceListError, open_list
from refettle.web import longwork
from tests.book.test_archive import picture
from tests.web.pages import a_job, get, text_of, walked

pytestmark = pytest.mark.django_db
MARK = "\"'><script>alert(1)</script><img src=x onerror=alert(2)>{{ 7|add:7 }}{% now 'Y' %}"

# ---------------------------------------------------------------- scripts in words

FREE = {"said", "smell", "note", "text", "caption", "why", "waits_for", "words", "covers", "instrument", "lamp", "tray",
        "drive", "consent", "without", "not_read", "limiter", "by"}  # fmt: skip
"""Fields of entries that hold words as somebody typed them."""
KEPT_AS_IT_IS = re.compile("sha256|key|kind|state|role|format|text|library|^file$|unit|mount|data|slug|code|password"
                           "|method|status|currency|fingerprint|digest|of_|sku")  # fmt: skip
"""Columns that are not typed freely."""


def poison(monkeypatch: pytest.MonkeyPatch) -> None:
    """From now on every free word of an entry carries the mark."""
    plain = store.check_entry

    def check(content: dict[str, Any]) -> Any:
        spoilt = {k: f"{v}{MARK}" if k in FREE and isinstance(v, str) else v for k, v in content.items()}
        try:
            return plain(spoilt)
        except LogError:
            return plain(content)

    monkeypatch.setattr(store, "check_entry", check)


def poison_tables() -> list[str]:
    """The same for the words of all tables, as far as the book's guards let one."""
    done = []
    for model in apps.get_app_config("book").get_models():
        for field in model._meta.concrete_fields:
            typed = isinstance(field, models.CharField | models.TextField)
            if not typed or field.max_length == 64 or field.unique or field.choices or KEPT_AS_IT_IS.search(field.name):
                continue
            try:
                with transaction.atomic():
                    model._default_manager.exclude(**{field.name: ""}).update(
                        **{field.name: Concat(F(field.name), Value(MARK), output_field=models.TextField())}
                    )
                done.append(f"{model.__name__}.{field.name}")
            except DatabaseError:
                continue
    return done


class Page(HTMLParser):
    """Finds what would run."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.runs: list[str] = []
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        told = dict(attrs)
        inline = tag == "script" and not (told.get("src") or "").startswith("/static/")
        odd = [k for k in told if k.startswith("on") or "script:" in (told[k] or "").lower()]
        if inline or odd or (tag == "img" and told.get("src") == "x"):
            self.runs.append(self.get_starttag_text() or tag)


@pytest.mark.slow
def test_no_word_that_was_kept_runs_on_any_page(monkeypatch: pytest.MonkeyPatch, client: Client) -> None:
    """The demo book with a script in every word; every page that leads from one to the next."""
    poison(monkeypatch)
    fill()
    tables = poison_tables()
    assert {
        "Owner.name",
        "Owner.contact",
        "Unit.label",
        "Unit.serial",
        "Part.name",
        "Part.note",
        "Supplier.address",
    } <= {*tables}
    marked = sum("<script>alert(1)" in str(each.data) for each in Entry.objects.all())
    assert marked > 30
    shown, pages, names = 0, 0, set()
    for name, address, response in walked(client, most_of_a_kind=5, allowed=(200, 302, 404, 422)):
        pages += 1
        names.add(name)
        html = response.content.decode()
        assert Page(html).runs == [], address
        assert "14{%" not in html, address  # no template was made of it
        shown += html.count("&lt;script&gt;alert(1)")
    assert pages > 100
    assert len(names) > 40, sorted(names)
    assert shown > 300


def test_words_come_back_as_they_were_typed(client: Client) -> None:
    job = a_job()
    for n, words in enumerate(("ねこ O'Hara <b>&amp;</b>", "Ø 3 mm µF Ω 🐎", "a\u202eb \u200b", MARK), start=1):
        client.post(f"/jobs/{job.number}/", {"action": "note", "text": words})
        assert store.entries(job)[n - 1]["text"] == words
        assert " ".join(words.split()) in text_of(get(client, f"/jobs/{job.number}/"))


@pytest.mark.parametrize(
    "address",
    [
        "/mark/?q=",
        "/stores/?q=",
        "/owners/?q=",
        "/capacitor/discharge/?c=",
        "/kits/?q=",
        "/tools/sun/?place=",
        "/nowhere/",
    ],
)
def test_words_in_an_address_do_not_run(client: Client, address: str) -> None:
    response = client.get(address + "%22%27%3E%3Cscript%3Ealert(1)%3C/script%3E%3Cimg%20src=x%20onerror=alert(2)%3E")
    assert response.status_code in (200, 404, 422)
    assert Page(response.content.decode()).runs == []


@pytest.mark.parametrize(
    "words", ["' OR 1=1 --", "'; DROP TABLE book_part; --", "%", "_", "\\", '"', "1) UNION SELECT password"]
)
def test_words_are_no_commands_to_the_database(client: Client, words: str) -> None:
    a_job(owner="Ingrid Mossbank")
    for address in ("/owners/", "/stores/", "/kits/"):
        told = client.get(address, {"q": words})
        assert told.status_code == 200
        assert "Mossbank" not in text_of(told.content.decode()).replace(words, "")
    assert Job.objects.count() == 1


@pytest.mark.parametrize("start", ["=", "+", "-", "@", "\t", "\r", "\n"])
def test_no_cell_that_is_sent_out_is_a_formula(start: str) -> None:
    """OWASP, CSV injection: a cell that begins so may be worked out by a spreadsheet."""
    word = f"{start}cmd|'/C calc'!A0"
    for cell in (safe_cell, story._cell, pricelist_writing.safe):
        assert cell(word) == f"'{word}", cell
        assert cell("470 µF") == "470 µF"


# ---------------------------------------------------------------- addresses and fields

HOSTILE_NAMES = [
    "../../../etc/passwd", "..\\..\\x.jpg", "/etc/passwd", "x\x00.jpg", "con", "a" * 300 + ".jpg", "$(touch x)", "|id",
    "`id`.jpg", "x.jpg;.html", '"><script>alert(1)</script>.jpg', "file:///etc/passwd", "http://127.0.0.1:9/x",
]  # fmt: skip


@pytest.mark.parametrize("name", HOSTILE_NAMES)
def test_what_a_file_is_called_leads_nowhere(client: Client, name: str) -> None:
    job = a_job()
    sent = SimpleUploadedFile("x", picture(), "text/html")
    sent._name = name  # as a browser of one's own may send it
    client.post(f"/jobs/{job.number}/", {"action": "photo", "photo": sent, "caption": "x"})
    there = sorted(p.relative_to(current.REFETTLE_HOME) for p in current.REFETTLE_HOME.rglob("*") if p.is_file())
    assert all(
        re.fullmatch(r"photos/[a-z]*/?[0-9a-f]{2}/[0-9a-f]+(-[a-z]+)?\.jpg|photos/.*[0-9a-f]{64}.*", str(p))
        for p in there
    ), there
    assert not (Path.cwd() / "x").exists()
    page = get(client, f"/jobs/{job.number}/")
    assert Page(page).runs == []


@pytest.mark.parametrize(
    "data",
    [
        b"<html><script>alert(1)</script>",
        b"<svg xmlns='http://www.w3.org/2000/svg' onload='alert(1)'/>",
        b"GIF89a<script>alert(1)</script>",
        b"%PDF-1.7",
        b"MZ\x90",
        b"#!/bin/sh\n",
    ],
)
def test_what_is_no_photo_is_not_kept_as_one(client: Client, data: bytes) -> None:
    job = a_job()
    response = client.post(
        f"/jobs/{job.number}/",
        {"action": "photo", "photo": SimpleUploadedFile("x.jpg", data, "image/jpeg"), "caption": ""},
    )
    assert response.status_code in (413, 422)
    assert not [p for p in Path(current.REFETTLE_PHOTOS).rglob("*") if p.is_file()]


def test_a_script_behind_a_picture_is_served_as_a_picture_alone(client: Client) -> None:
    job = a_job()
    both = SimpleUploadedFile("x.html", picture() + b"<script>alert(1)</script>", "text/html")
    client.post(f"/jobs/{job.number}/", {"action": "photo", "photo": both, "caption": "x"})
    (entry,) = store.entries(job)
    response = client.get(f"/photos/{entry['photo']}/original")
    assert (response["Content-Type"], response["X-Content-Type-Options"]) == ("image/jpeg", "nosniff")
    assert "sandbox" in response["Content-Security-Policy"]
    assert b"<script" not in b"".join(response)  # type: ignore[call-overload]


def test_a_list_comes_back_as_a_file_and_not_as_a_page(client: Client) -> None:
    supplier = Supplier.objects.create(name="Tarn", currency="EUR")
    data = b"Part no;Description;Price\nA-1;<script>alert(1)</script>;0,25\nA-2;Belt;0,30\n"
    there = client.post(
        f"/suppliers/{supplier.pk}/import/",
        {"action": "upload", "file": SimpleUploadedFile('x".html\r\nX-Evil: 1', data, "text/html")},
    )
    assert there.status_code == 302
    page = client.get(there["Location"])
    assert Page(page.content.decode()).runs == []
    day = date(2031, 3, 2)
    kept = prices.take_in(supplier, data, '../x".html\r\nX-Evil: 1', "Ada", valid_from=day, today=day)
    answer = client.get(f"/suppliers/{supplier.pk}/lists/{kept.list.pk}/file/")
    assert answer["Content-Type"] == "application/octet-stream"
    assert re.fullmatch(r'attachment; filename="[A-Za-z0-9._-]+"', answer["Content-Disposition"])
    assert "X-Evil" not in answer
    assert answer.content == data


def test_what_is_sent_as_a_file_is_named_by_the_book(client: Client) -> None:
    """Every file for saving: as an attachment, under a name made of the book's own numbers and names."""
    job = a_job()
    for address in (
        f"/jobs/{job.number}/log.jsonl?x=.bat",
        "/types/larkmere-48/file/?filename=x.bat",
        "/experience/export.json?f=x.bat",
    ):
        response = client.get(address)
        assert re.fullmatch(r'attachment; filename="[a-z0-9.-]+\.(jsonl|yaml|json)"', response["Content-Disposition"])
        assert "html" not in response["Content-Type"]


@pytest.mark.parametrize(
    "address", ["//elsewhere.example/", "https://elsewhere.example/", "/\\elsewhere.example", "javascript:alert(1)"]
)
def test_no_address_leads_elsewhere(client: Client, address: str) -> None:
    work = longwork.work("x", ("security", address), lambda work: 1)
    stopped = client.post(f"/tools/stop/{work.token}/", {"back": address})
    assert stopped["Location"] == "/tools/"
    chosen = client.post("/language/", {"language": "de", "next": address})
    assert chosen.status_code in (302, 404)
    assert "elsewhere" not in chosen.get("Location", "")


def test_a_field_twice_is_read_once(client: Client) -> None:
    job = a_job()
    client.post(
        f"/jobs/{job.number}/?action=stage&stage=parted+out", {"action": ["stage", "note"], "text": ["one", "two"]}
    )
    (entry,) = store.entries(job)
    assert (entry["kind"], entry["text"]) == ("note", "two")  # the last, of the form alone


def test_fields_that_a_form_has_not_change_nothing(client: Client) -> None:
    job = a_job()
    form = {
        "action": "note",
        "text": "x",
        "who": "Somebody",
        "at": "1999-01-01T00:00:00Z",
        "n": "77",
        "kind": "stage",
        "id": "5",
    }
    client.post(f"/jobs/{job.number}/", form)
    (entry,) = store.entries(job)
    assert (entry["n"], entry["who"], entry["kind"]) == (1, current.REFETTLE_WHO, "note")
    assert not entry["at"].startswith("1999")


# ---------------------------------------------------------------- workbooks


def workbook(sheet: str) -> bytes:
    """An XLSX file with this text as its first sheet."""
    import openpyxl

    out, made = io.BytesIO(), io.BytesIO()
    book = openpyxl.Workbook()
    book.active.append(["Part no", "Price"])  # type: ignore[union-attr]
    book.save(made)
    with zipfile.ZipFile(made) as source, zipfile.ZipFile(out, "w") as target:
        for name in source.namelist():
            target.writestr(name, sheet if name.endswith("sheet1.xml") else source.read(name))
    return out.getvalue()


NS = 'xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"'


@pytest.mark.parametrize(
    ("before", "word"),
    [
        ('<!DOCTYPE x [<!ENTITY e SYSTEM "file:///etc/passwd">]>', "&e;"),
        ('<!DOCTYPE x [<!ENTITY e SYSTEM "http://127.0.0.1:9/x">]>', "&e;"),
        ("<!DOCTYPE x [<!ENTITY a \"aaaaaaaaaa\">" + "".join(
            f'<!ENTITY {chr(98 + n)} "{f"&{chr(97 + n)};" * 10}">' for n in range(9)) + "]>", "&j;"),
    ],
)  # fmt: skip
def test_a_workbook_reads_nothing_else_in(before: str, word: str) -> None:
    """Entities that name files or addresses, and those that grow without end (CWE-611, CWE-776)."""
    cell = f'<c r="A1" t="inlineStr"><is><t>{word}</t></is></c><c r="B1" t="inlineStr"><is><t>Price</t></is></c>'
    data = workbook(
        f'<?xml version="1.0"?>{before}<worksheet {NS}><sheetData><row r="1">{cell}</row></sheetData></worksheet>'
    )
    try:
        read = open_list(data)
    except PriceListError:
        return
    assert "root:" not in str(read)
    assert len(str(read)) < 10_000
