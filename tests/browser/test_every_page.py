"""Every page of the book, in every look: nothing sticks out, nothing is hidden, nothing bars anyone."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable, Iterator
from typing import Any
from urllib.parse import urlsplit

import pytest

from tests.browser.conftest import Book, clean_environment, served
from tests.browser.hands import advised
from tests.browser.looks import looked_at, prepare
from tests.browser.walk import ALL, AT_THE_BENCH, EMPTY, GIVEN, JOBS, NO_PAGE, SIGNED_IN, STOCK, TOOLS, Stop, names

MORE = """
from refettle.web.start import start
start()
from django.utils import timezone
from refettle.book.store import append_all, get_or_create_owner, open_job
from refettle.knowledge.loading import load_shipped_type
own, now = get_or_create_owner(), timezone.now()
long = open_job(load_shipped_type("corrigan-duo"), owner=own, label="Console with a long log", serial="")
append_all(long, [{"kind": "note", "text": f"Look number {n}", "who": "Ada", "at": now} for n in range(1, 81)])
board = open_job(load_shipped_type("larkmere-48"), owner=own, label="Board on the bench", serial="")
append_all(board, [
    {"kind": "caution", "caution": "charged-capacitor", "who": "Ada", "at": now},
    {"kind": "caution", "caution": "mains", "who": "Ada", "at": now},
    {"kind": "capacitor", "ref": "C1", "value": "2200u 25V 85C", "minus": "left", "who": "Ada", "at": now},
    {"kind": "capacitor", "ref": "C2", "value": "100u 16V 85C", "minus": "up", "who": "Ada", "at": now},
])
"""
"""A job with a log that goes over a page, and one with capacitors to be replaced."""


def test_every_address_is_walked() -> None:
    from django.urls import resolve

    from refettle.web import urls

    known = set(names(urls.urlpatterns))
    walked = {each.at for each in (*ALL, *SIGNED_IN) if each.at}
    walked |= {
        resolve(each.address.split("?")[0]).url_name or "" for each in (*ALL, *SIGNED_IN) if each.address != "/nothing/"
    }
    assert known - walked - set(NO_PAGE) == set(), "neither in walk.py nor among its reasons"
    assert set(NO_PAGE) & walked == set(), "walked, so it has a page"
    assert set(NO_PAGE) - known == set(), "no longer in urls.py"


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Book]:
    """The demo book, and two jobs more."""
    home = tmp_path_factory.mktemp("demo") / "book"
    environment = clean_environment(home)
    with served(environment, "demo", "--keep", str(home)) as made:
        subprocess.run([sys.executable, "-c", MORE], env=environment, check=True, capture_output=True)
        made.run("job", "pack", "3", str(home.parent / "job.zip"))
        GIVEN["packed"] = (home.parent / "job.zip").read_bytes()
        yield made


@pytest.fixture(scope="module")
def empty(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Book]:
    with served(clean_environment(tmp_path_factory.mktemp("empty"))) as made:
        yield made


def walk(page: Any, stops: tuple[Stop, ...]) -> list[str]:
    from django.urls import Resolver404, resolve

    found: list[str] = []
    titles: dict[str, tuple[Any, ...]] = {}
    for stop in stops:
        page.goto(stop.address)
        advised(page)
        if stop.do:
            stop.do(page)
            advised(page)
        where = stop.address + (f" ({stop.do.__doc__})" if stop.do and stop.do.__doc__ else "")
        path = urlsplit(page.url).path
        try:
            match = resolve(path)
        except Resolver404:
            match = resolve("/help/")
        if stop.at and match.url_name != stop.at:
            found.append(f"{where}: leads to {path}, not to {stop.at}")
        which = (match.url_name, *(value for key, value in match.kwargs.items() if key != "token"))
        other = titles.setdefault(page.title(), which)
        if other != which and page.title() != "Not found – Refettle":
            found.append(f"{where}: has the title of {other}: {page.title()}")
        found.extend(f"{where}: {each}" for each in looked_at(page))
    return found


@pytest.mark.browser
@pytest.mark.slow
@pytest.mark.parametrize("stops", [AT_THE_BENCH, JOBS, TOOLS, STOCK], ids=["bench", "jobs", "tools", "stock"])
def test_every_page(demo: Book, open_page: Callable[..., Any], stops: tuple[Stop, ...]) -> None:
    page = open_page(base_url=demo.address)
    prepare(page)
    assert walk(page, stops) == []


@pytest.mark.browser
@pytest.mark.slow
def test_every_page_of_an_empty_book(empty: Book, open_page: Callable[..., Any]) -> None:
    page = open_page(base_url=empty.address)
    prepare(page)
    assert walk(page, EMPTY) == []
