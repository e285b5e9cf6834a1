"""Headless Chromium against a real server process on a book of its own."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from tests.support.postgres import new_database

CHROMIUM = Path(os.environ.get("CHROMIUM_FOR_TESTS", "/usr/bin/chromium"))
"""Set by scripts/test.py, which sees to it that there is one."""
ARGUMENTS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
START_S = 180.0
"""[s] At most, until a server answers; the demo book is filled first."""
PHONE, DESK = {"width": 390, "height": 844}, {"width": 1280, "height": 900}

pytest.importorskip("playwright.sync_api")


class Book:
    """A running bench book: its address, and the command line on the same folder."""

    def __init__(self, address: str, environment: dict[str, str]) -> None:
        self.address, self.environment = address, environment

    def run(self, *words: str) -> str:
        """Run `refettle` with these words."""
        done = subprocess.run(
            [sys.executable, "-m", "refettle.cli.main", *words],
            env=self.environment,
            capture_output=True,
            text=True,
            check=True,
        )
        return done.stdout

    def job(self, slug: str, *entries: str) -> int:
        """Open a job with entries, each as the words after `refettle job log N`."""
        number = int(self.run("job", "new", slug).split()[1])
        for entry in entries:
            self.run("job", "log", str(number), *entry.split("|"))
        return number


def _free_port() -> int:
    with socket.socket() as sock:
        sock.bind(("127.0.0.1", 0))
        return int(sock.getsockname()[1])


@contextmanager
def served(environment: dict[str, str], *words: str) -> Iterator[Book]:
    """A bench book, served by a process of its own; `words` may say another command than `serve`."""
    port = _free_port()
    process = subprocess.Popen(
        [sys.executable, "-m", "refettle.cli.main", *(words or ("serve",)), "--no-browser", "--port", str(port)],
        env=environment,
        stdout=subprocess.DEVNULL,
    )
    address = f"http://127.0.0.1:{port}"
    try:
        until = time.monotonic() + START_S
        while True:
            try:
                urllib.request.urlopen(address + "/help/", timeout=2).close()
                break
            except OSError:
                assert process.poll() is None, "the server stopped"
                assert time.monotonic() < until, "the server does not answer"
                time.sleep(0.1)
        yield Book(address, environment)
    finally:
        process.terminate()
        process.wait(timeout=20)


def clean_environment(home: Path) -> dict[str, str]:
    """For a process that works on the book in this folder."""
    environment = {k: v for k, v in os.environ.items() if not k.startswith(("REFETTLE_", "DJANGO_"))}
    return environment | {"REFETTLE_HOME": str(home), "REFETTLE_WHO": "Ada"}


@pytest.fixture(scope="session")
def book(
    request: pytest.FixtureRequest, on_postgresql: bool, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Book]:
    """The server, for all browser tests; its book on PostgreSQL if the option says so."""
    environment = clean_environment(tmp_path_factory.mktemp("book"))
    if on_postgresql:
        environment["REFETTLE_DATABASE"] = new_database(request.getfixturevalue("postgres_url"))
    with served(environment) as made:
        yield made


# Not for the whole session: while it runs, an event loop does, and Django's tests would refuse to use the database.
@pytest.fixture(scope="module")
def chromium() -> Iterator[Any]:
    """The browser."""
    from playwright.sync_api import sync_playwright

    if not CHROMIUM.exists():
        if "CHROMIUM_FOR_TESTS" in os.environ:
            pytest.fail(f"CHROMIUM_FOR_TESTS is {CHROMIUM}, and there is none")
        pytest.skip(f"no {CHROMIUM} here")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=str(CHROMIUM), args=ARGUMENTS)
        yield browser
        browser.close()


@pytest.fixture
def open_page(chromium: Any, book: Book) -> Iterator[Callable[..., Any]]:
    """Open a page of the book; at the end nothing may have been complained of in the console."""
    contexts: list[Any] = []
    complaints: list[str] = []

    def make(size: dict[str, int] = DESK, **options: Any) -> Any:
        context = chromium.new_context(**{"viewport": size, "base_url": book.address, **options})
        contexts.append(context)
        page = context.new_page()
        page.set_default_timeout(60_000)
        page.on("console", lambda m: complaints.append(m.text) if m.type in ("error", "warning") else None)
        page.on("pageerror", lambda e: complaints.append(str(e)))
        page.on(
            "request",
            lambda r: (
                None if r.url.startswith((options.get("base_url", book.address), "data:")) else complaints.append(r.url)
            ),
        )
        return page

    yield make
    for context in contexts:
        context.close()
    allowed = [c for c in complaints if not any(f"status of {code}" in c for code in (403, 404, 422))]
    assert allowed == []
