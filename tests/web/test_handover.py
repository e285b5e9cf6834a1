"""The handover report as pages and PDF: what is shown, what is not, hostile and empty logs, and handing over."""

from __future__ import annotations

import io
import re
from pathlib import Path
from typing import Any

import pytest
from django.conf import settings
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from PIL import Image

from refettle.book import store
from refettle.book.models import Job
from refettle.book.photos import store_photo
from refettle.web import print_pdf
from refettle.web.handing_over import Asked, html_file, report_of
from refettle.web.views.common import get_job
from tests.web.pages import CONSOLE, HOME_COMPUTER, a_job, get, logged, text_of

pytestmark = pytest.mark.django_db


def address(job: Job, more: str = "") -> str:
    return f"/jobs/{job.number}/handover/{more}"


def add_photo(job: Job, caption: str, shade: int = 100) -> str:
    out = io.BytesIO()
    Image.new("RGB", (640, 480), (shade, 80, 60)).save(out, "JPEG")
    taken = store_photo(SimpleUploadedFile("p.jpg", out.getvalue(), "image/jpeg"), settings.REFETTLE_PHOTOS)
    store.append(job, {"kind": "photo", "photo": taken.sha256, "caption": caption}, "Ada Quill")
    return taken.sha256


def test_an_empty_job_has_both_pages(client: Client) -> None:
    job = a_job(CONSOLE)
    page = text_of(get(client, address(job)))
    assert "Not finished: the job stands at “take-in”" in page
    assert "Nothing was tried, so nothing is claimed." in page
    assert "Still open, so not claimed:" in page
    full = text_of(get(client, address(job, "full/")))
    assert "No photo is in the log" in full
    assert "The log is empty." in full
    assert "Handover" in get(client, f"/jobs/{job.number}/proving/")
    assert client.get("/jobs/99/handover/").status_code == 404


def test_the_adapters_five_facts_and_the_cautions_are_for_the_owner(client: Client) -> None:
    page = text_of(get(client, address(a_job(CONSOLE))))
    for fact in ("9 V", "at least 1.2 A", "not polarised", "5.5 x 2.5 mm barrel", "AC"):
        assert fact in page.replace("\u202f", " ")
    mains = text_of(get(client, address(a_job(HOME_COMPUTER, owner="A Customer"))))
    assert "Mains voltage kills" in mains
    assert "it is not ready" in mains


def test_handing_over_from_the_report(client: Client) -> None:
    job = a_job(CONSOLE)
    refused = client.post(address(job), {"why": ""})
    assert refused.status_code == 422
    assert "proving not done" in refused.content.decode()
    assert client.post(address(job), {"why": "the owner proves it at home"}).status_code == 302
    page = text_of(get(client, address(job)))
    assert "Handed over, and not all is proven" in page
    assert "Reason written: the owner proves it at home" in page
    assert logged(job)[-1]["stage"] == "handed over"
    mains = a_job(HOME_COMPUTER, owner="A Customer")
    assert client.post(address(mains), {"why": "in a hurry"}).status_code == 422


def test_hostile_text_stays_text_and_wraps(client: Client) -> None:
    job = a_job(CONSOLE)
    for text in ("<script>alert(1)</script><img src=//x>", "\u202eevil\u202c عربي", "x" * 2000):
        store.append(job, {"kind": "note", "text": text}, "<b>Ada</b>")
    html = get(client, address(job, "full/"))
    assert "<script>alert" not in html
    assert "&lt;script&gt;alert(1)" in html
    assert "<b>Ada</b>" not in html
    assert "عربي" in html
    pdf = client.get(address(job, "report.pdf?full=1"))
    assert pdf.status_code == 200
    assert pdf.content.startswith(b"%PDF")


def test_a_type_that_no_longer_loads(client: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    from refettle.knowledge.errors import KnowledgeError, Mistake

    job = a_job(CONSOLE, entries=[{"kind": "note", "text": "opened it"}])

    def broken(version: Any) -> Any:
        raise KnowledgeError([Mistake("old.yaml", 3, "blocks", "'x'", "less")])

    monkeypatch.setattr(store, "compiled_type", broken)
    for more in ("", "full/"):
        page = text_of(get(client, address(job, more)))
        assert "This is the plain record; it claims nothing." in page
        assert "blocks: found 'x'" in page
    assert "opened it" in text_of(get(client, address(job, "full/")))
    assert client.get(address(job, "report.pdf")).content.startswith(b"%PDF")


def test_before_and_after_stand_side_by_side(client: Client) -> None:
    job = a_job(CONSOLE, entries=[{"kind": "check", "check": "picture", "outcome": "no picture"}])
    from datetime import timedelta

    from django.utils import timezone

    first, last = add_photo(job, "Top, as it came"), None
    repair = {"kind": "repair", "repair": "clean-seats"}
    known = [r.id for r in store.job_state(job).compiled.model.repairs]
    store.append(job, repair | {"repair": known[0]}, "Ada", timezone.now() + timedelta(seconds=5))
    out = io.BytesIO()
    Image.new("RGB", (640, 480), (10, 200, 60)).save(out, "JPEG")
    taken = store_photo(SimpleUploadedFile("p.jpg", out.getvalue(), "image/jpeg"), settings.REFETTLE_PHOTOS)
    last = taken.sha256
    entry = {"kind": "photo", "photo": last, "caption": "top, after"}
    store.append(job, entry, "Ada", timezone.now() + timedelta(seconds=60))
    html = get(client, address(job))
    assert html.index(first) < html.index(last)
    assert "Before and after" in html
    assert "Nobody compared the pictures." in get(client, address(job, "full/"))


def test_a_photo_whose_file_is_missing_is_said_to_be(client: Client) -> None:
    job = a_job(CONSOLE)
    sha = add_photo(job, "Underside")
    for path in Path(settings.REFETTLE_PHOTOS).glob(f"*/{sha}*"):
        path.unlink()
    assert "The file of this photo is missing." in get(client, address(job, "full/"))
    assert client.get(address(job, "report.pdf?full=1")).content.startswith(b"%PDF")


def test_what_is_to_be_published_names_nobody(client: Client) -> None:
    job = a_job(CONSOLE, owner="Ines Aldane")
    store.append(job, {"kind": "take-in", "said": "Ines Aldane says it hums. <i>INES</i>"}, "Ada Quill")
    answer = {"kind": "answer", "to": "parting out", "answer": "declines", "words": "her sister rang"}
    store.append(job, answer, "Ada Quill")
    label, top = add_photo(job, "Label of Ines's console"), add_photo(job, "Top", 10)
    for more in ("?publishable=1", "full/?publishable=1"):
        html = get(client, address(job, more))
        report = html[html.index('<article class="handover') : html.index("</article>")]
        assert not re.search("(?i)ines|aldane|quill|sister", report)
    assert "Look at each, and leave out those that do." in html
    assert label in report
    left = get(client, address(job, "full/?publishable=1&leave=3"))
    report = left[left.index('<article class="handover') : left.index("</article>")]
    assert label not in report
    assert top in report
    view, asked = get_job(job.number), Asked(full=True, public=True)
    file = html_file(view, report_of(view, asked), asked)
    assert not re.search("(?i)ines|aldane|quill", re.sub("base64,[A-Za-z0-9+/=]+", "", file[file.index("<body") :]))


def test_prices_only_where_asked(client: Client) -> None:
    job = a_job(CONSOLE)
    assert "at the bench." not in text_of(get(client, address(job)))
    assert "No quote is recorded." in text_of(get(client, address(job, "?price=1")))
    assert "No quote is recorded." not in text_of(get(client, address(job, "?price=1&publishable=1")))


def test_an_ordinary_job_fits_one_page_and_the_record_takes_what_it_needs(client: Client) -> None:
    from refettle.book.demo_proving import proven
    from refettle.knowledge.loading import load_shipped_type

    grid = [dict(what) for _, _, what in proven(load_shipped_type(HOME_COMPUTER).unit_type)]
    job = a_job(HOME_COMPUTER, owner="Ines Aldane", entries=grid)
    for size in ("a4", "letter"):
        one = client.get(address(job, f"report.pdf?size={size}")).content
        assert pages(one) == 1, size
    for n in range(300):
        store.append(job, {"kind": "note", "text": f"Note {n}"}, "Ada")
    assert pages(client.get(address(job, "report.pdf?full=1")).content) > 5


def pages(pdf: bytes) -> int:
    import zlib

    # Page trees may lie in compressed object streams.
    whole = pdf
    for each in re.finditer(rb"stream\r?\n(.*?)\r?\nendstream", pdf, re.S):
        try:
            whole += zlib.decompress(each.group(1))
        except zlib.error:
            continue
    return len(re.findall(rb"/Type\s*/Page\b(?!s)", whole))


def test_nothing_is_fetched_from_outside() -> None:
    fetch = print_pdf._fetcher(settings.REFETTLE_PHOTOS)
    for url in ("http://elsewhere.example/x", "file:///etc/passwd", "data:text/plain,x", "photo:x", "photo:../x/20"):
        with pytest.raises(ValueError, match=r"nothing is fetched|photo:"):
            fetch.fetch(url)


def test_without_the_package_the_page_says_what_to_install(client: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    import sys

    monkeypatch.setitem(sys.modules, "weasyprint", None)
    job = a_job(CONSOLE)
    assert "refettle[pdf]" in get(client, address(job))
    refused = client.get(address(job, "report.pdf"))
    assert refused.status_code == 501
    assert "refettle[pdf]" in refused.content.decode()
