"""The pages of what was turned away or failed, which no address leads to: looked at like all others.

Each is rendered by what answers in earnest, and given to the browser in place of a page of the book, whose style sheet
it fetches. `tests/web` sees that these are what is answered.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from django.core.exceptions import RequestDataTooBig, SuspiciousOperation, TooManyFieldsSent, TooManyFilesSent
from django.db import OperationalError
from django.http import HttpResponse, HttpResponseBase
from django.test import RequestFactory, override_settings
from django.utils import translation
from django.views.csrf import csrf_failure

from refettle.language import LANGUAGES, speaking
from refettle.web import signing
from refettle.web.middleware import POLICY, AtomicWrites, UploadLimit
from refettle.web.views import errors
from tests.browser.conftest import Book
from tests.browser.looks import looked_at, prepare, unmarked

ASKED = RequestFactory()


def _failed(error: Exception) -> HttpResponse:
    """What is answered while this is being handled."""
    try:
        raise error
    except type(error):
        return errors.server_error(ASKED.get("/"))


class _Elsewhere:
    """A connection to a database server."""

    vendor = "postgresql"


def _gone(monkeypatch: pytest.MonkeyPatch) -> HttpResponse:
    with monkeypatch.context() as patched:
        patched.setattr(errors, "connection", _Elsewhere())
        return _failed(OperationalError("the connection is closed"))


def _too_large() -> HttpResponseBase:
    with override_settings(REFETTLE_MAX_REQUEST_BYTES=1_000_000):
        request = ASKED.post("/take-in/", CONTENT_LENGTH="2000000")
        return UploadLimit(lambda asked: HttpResponse("taken"))(request)


def _locked() -> HttpResponseBase | None:
    middleware = AtomicWrites(lambda asked: HttpResponse("written"))
    return middleware.process_exception(ASKED.post("/"), OperationalError("database is locked"))


def refusals(monkeypatch: pytest.MonkeyPatch) -> dict[str, tuple[int, HttpResponseBase | None]]:
    """Every answer outside the frame of the pages, with the status it is to have."""
    asked = ASKED.post("/take-in/")
    return {
        "a fault": (500, _failed(RuntimeError("as planted"))),
        "a full disk": (507, _failed(OperationalError("database or disk is full"))),
        "no database server": (503, _gone(monkeypatch)),
        "a book that is held": (503, _locked()),
        "too large": (413, _too_large()),
        "too much text": (413, errors.bad_request(asked, RequestDataTooBig())),
        "too many files": (413, errors.bad_request(asked, TooManyFilesSent())),
        "too many fields": (413, errors.bad_request(asked, TooManyFieldsSent())),
        "not to be read": (400, errors.bad_request(asked, SuspiciousOperation())),
        "another site's form": (403, csrf_failure(asked)),
        "signed out meanwhile": (403, signing._ask(asked)),
    }


def _document(answer: HttpResponseBase) -> str:
    assert isinstance(answer, HttpResponse)
    return answer.content.decode()


@pytest.fixture
def documents(monkeypatch: pytest.MonkeyPatch) -> dict[str, str]:
    """Each of them in every language."""
    found: dict[str, str] = {}
    for language in LANGUAGES:
        with translation.override(language), speaking(language):
            for name, (status, answer) in refusals(monkeypatch).items():
                assert answer is not None, name
                assert answer.status_code == status, name
                found[f"{name}, {language}"] = _document(answer)
    return found


def test_every_page_in_the_bare_frame_is_looked_at() -> None:
    """Here, or where people sign in."""
    web = Path(errors.__file__).parents[1]
    makes = {p.name: n for p in web.rglob("*.py") if (n := p.read_text().count('"refettle/bare.html"'))}
    extends = {p.name for p in web.rglob("*.html") if '{% extends "refettle/bare.html" %}' in p.read_text()}
    assert makes == {"errors.py": 5, "signing.py": 1}
    assert extends == {"403_csrf.html", "join.html", "sign_in.html", "sign_in_code.html"}


@pytest.mark.browser
@pytest.mark.slow
def test_what_is_refused_bars_nobody(documents: dict[str, str], book: Book, open_page: Callable[..., Any]) -> None:
    page = open_page()
    prepare(page)
    shown = ""
    page.route(
        re.compile(r"/refused/$"),
        lambda route: route.fulfill(
            body=shown, content_type="text/html; charset=utf-8", headers={"Content-Security-Policy": POLICY}
        ),
    )
    found = []
    for name, shown in documents.items():  # noqa: B007 - shown when the browser asks
        page.goto("/refused/")
        assert page.evaluate("document.documentElement.lang") == name[-2:], name
        assert page.evaluate("getComputedStyle(document.querySelector('main')).maxWidth") != "none", "no style sheet"
        found.extend(f"{name}: {each}" for each in (*looked_at(page), *unmarked(page)))
    assert found == []
