"""A disk that is full while people write: it is said so, nothing is half-written, and it goes on when there is room."""

from __future__ import annotations

import errno
import os
import random
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from django.db import OperationalError
from django.http import HttpRequest, HttpResponse
from django.test import Client
from django.urls import path

from refettle.book.whole import is_full
from refettle.web.views.errors import server_error
from tests.support.load.browser import Browser, a_photo
from tests.support.load.kept import Kept
from tests.support.load.program import answers, environment, free_port
from tests.web.board_lists import parts_list

SAYS = b"The disk that the bench book is kept on is full. What you sent was not written, and nothing half-done."


def fails(request: HttpRequest) -> HttpResponse:
    if request.GET["how"] == "sqlite":
        raise OperationalError("database or disk is full")
    if request.GET["how"] == "file":
        raise OSError(errno.ENOSPC, "No space left on device")
    raise LookupError("of our own")


urlpatterns = [path("fails", fails)]
handler500 = server_error


def test_it_is_said_wherever_it_comes_from(db: None, settings: Any, client: Client) -> None:
    settings.ROOT_URLCONF = __name__
    client.raise_request_exception = False
    for how in ("sqlite", "file"):
        for response in (client.get(f"/fails?how={how}"), client.post(f"/fails?how={how}")):
            assert response.status_code == 507
            assert SAYS in response.content
    assert client.post("/fails?how=else").status_code == 500


def test_what_counts_as_full() -> None:
    class DiskFull(Exception):  # noqa: N818 - psycopg's name, in psycopg.errors
        sqlstate = "53100"

    told = OperationalError("could not extend file")
    told.__cause__ = DiskFull()
    assert is_full(told)
    assert is_full(OSError(errno.EDQUOT, "Disk quota exceeded"))
    assert not is_full(OSError(errno.EACCES, "Permission denied"))
    assert not is_full(OperationalError("database is locked"))
    assert not is_full(None)
    looped = ValueError()
    looped.__context__ = looped
    assert not is_full(looped)


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """One of 12 MB."""
    disk = tmp_path / "disk"
    disk.mkdir()
    words = ["mount", "-t", "tmpfs", "-o", "size=12m", "none", str(disk)]
    if subprocess.run(words, check=False, capture_output=True).returncode:
        pytest.skip("no small disk can be made here")
    yield disk
    subprocess.run(["umount", "-l", str(disk)], check=False)


def fill(disk: Path, leave: int) -> None:
    """Write a file so large that so many bytes are left."""
    free = os.statvfs(disk).f_bavail * os.statvfs(disk).f_frsize
    with (disk / "films").open("ab") as file:
        file.write(bytes(max(0, free - leave)))


@pytest.mark.slow
def test_a_served_book_on_a_full_disk(small_disk: Path, tmp_path: Path) -> None:
    variables = {"REFETTLE_HOME": str(small_disk / "home")}

    def refettle(*words: str) -> subprocess.CompletedProcess[str]:
        run = [sys.executable, "-m", "refettle.cli.main", *words]
        return subprocess.run(run, env=environment(variables), capture_output=True, text=True, timeout=300, check=False)

    assert refettle("job", "new", "corrigan-duo", "--label", "full").returncode == 0
    port, kept, marks = free_port(), Kept(variables), []
    said = (tmp_path / "said").open("w+")
    browser = Browser(port)
    server = subprocess.Popen(
        [sys.executable, "-m", "refettle.cli.main", "serve", "--no-browser", "--port", str(port)],
        env=environment(variables), stdout=said, stderr=said,
    )  # fmt: skip
    try:
        answers(port, lambda: server.poll() is not None and Path(said.name).read_text())
        chance = random.Random(5)

        def note(n: int) -> int:
            form = {"action": "note", "text": f"load-note-{n}", "token": str(n)}
            status, _, content = browser.post("/jobs/1/", form)
            if status == 302:
                marks.append(f"load-note-{n}")
            assert status in (302, 507), content
            assert status == 302 or SAYS in content
            return status

        assert note(0) == 302
        time.sleep(1)  # what the server does beside, at its start
        fill(small_disk, 60_000)
        photo = a_photo(chance, 1600, 1200)
        assert len(photo) > 60_000
        status, _, content = browser.post("/jobs/1/", {"action": "photo", "caption": "x"}, {"photo": ("x.jpg", photo)})
        assert status == 507, content[:500]
        assert SAYS in content
        board = parts_list(4000)
        assert len(board) > 60_000
        status, _, content = browser.post("/jobs/1/board/", {"action": "file"}, {"file": ("y.csv", board)})
        assert status == 507, content[:500]
        fill(small_disk, 0)
        refused = next(n for n in range(1, 2000) if note(n) == 507)
        status, _, content = browser.post("/take-in/corrigan-duo/", {"label": "load-z", "owner-kind": "own"})
        assert status == 507, content[:500]
        assert browser.get("/jobs/1/")[0] == 200  # reading goes on
        run = refettle("job", "log", "1", "note", "text=load-by-command")
        assert run.returncode in (1, 2)  # 2: already the data folder could not be written in
        assert run.stderr.count("\n") == 1, run.stderr
        assert "the disk is full. Nothing half-done" in run.stderr or "no space left on device" in run.stderr
        assert kept.wrong(marks) == []
        assert kept.unfinished() == 0
        (small_disk / "films").unlink()
        for n in range(refused + 1, refused + 4):
            assert note(n) == 302
        status, _, _ = browser.post("/jobs/1/", {"action": "photo", "caption": "load-p"}, {"photo": ("x.jpg", photo)})
        assert status == 302
        assert kept.wrong([*marks, "load-p"]) == []
        told = refettle("doctor", "--json").stdout
        assert '"area": "disk"' in told  # less than 1 GB: the only thing it finds
        assert told.count('"do"') == 1, told
    finally:
        server.send_signal(signal.SIGTERM)
        server.wait(30)
        said.close()
        browser.close()
