"""Whether a server runs on a book: a lock that ends with the process, and what is refused while it is held."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from contextlib import ExitStack
from pathlib import Path

import pytest

from refettle.book import serving
from refettle.book.databases import SqliteFile
from refettle.book.serving import ServedError, alone, places, served_by
from refettle.book.whole import LONG_AGO_S, clear_unfinished, write_whole
from tests.support.load.program import answers, environment, free_port

ADDRESS = "http://127.0.0.1:8765/"


@pytest.fixture
def home(tmp_path: Path) -> Path:
    (tmp_path / "home").mkdir()
    return tmp_path / "home"


def held(home: Path, database: SqliteFile | None = None) -> ExitStack:
    stack = ExitStack()
    stack.enter_context(serving.serving(home, database or SqliteFile(home / "book.sqlite3"), ADDRESS))
    return stack


def test_it_says_who_serves_and_for_how_long(home: Path) -> None:
    assert served_by(home) == ""
    assert not list(home.iterdir())  # looking makes nothing
    with held(home):
        assert served_by(home) == f"at {ADDRESS} by process {os.getpid()}"
        with pytest.raises(ServedError, match=f"is being served at {ADDRESS} by process {os.getpid()}; stop that"):
            alone(home).__enter__()
        with held(home):  # a second server may
            assert served_by(home).count(ADDRESS) == 2
        assert served_by(home)
    assert served_by(home) == ""
    with alone(home):
        pass


def test_no_server_starts_meanwhile(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(serving, "TRIES", 2)
    (home / "photos").mkdir()
    with alone(home), pytest.raises(ServedError, match="being restored or moved"):
        held(home)
    held(home).close()


def test_an_empty_folder_stays_empty(home: Path) -> None:
    with alone(home):
        assert not list(home.iterdir())


def test_a_book_elsewhere_is_known_by_any_data_folder(home: Path, tmp_path: Path) -> None:
    elsewhere = SqliteFile(tmp_path / "bench.sqlite3")
    other = tmp_path / "other"
    other.mkdir()
    assert len(places(home, elsewhere)) == 2
    assert places(home, SqliteFile(home / "book.sqlite3")) == [home / "serving.lock"]
    with held(home, elsewhere):
        assert served_by(other, elsewhere)
        assert not served_by(other)
        with pytest.raises(ServedError):
            alone(other, elsewhere).__enter__()


def test_what_an_ended_server_left_means_nothing(home: Path) -> None:
    (home / serving.NAME).write_text(f"{os.getpid()} {ADDRESS}\n", encoding="utf-8")
    assert served_by(home) == ""
    with held(home):
        assert (home / serving.NAME).read_text(encoding="utf-8") == f"{os.getpid()} {ADDRESS}\n"


def test_unfinished_files_go_when_they_are_old(home: Path) -> None:
    write_whole(home / "ab" / "kept", b"kept")
    old, new = home / "ab" / ".new-old", home / "ab" / ".new-new"
    for path in (old, new):
        path.write_bytes(b"half")
    then = time.time() - LONG_AGO_S - 60
    for path in (old, home / "ab" / "kept"):
        os.utime(path, (then, then))
    clear_unfinished([home, home / "nowhere"])
    assert sorted(p.name for p in (home / "ab").iterdir()) == [".new-new", "kept"]


def refettle(variables: dict[str, str], *words: str) -> subprocess.CompletedProcess[str]:
    words_ = [sys.executable, "-m", "refettle.cli.main", *words]
    return subprocess.run(words_, env=environment(variables), capture_output=True, text=True, timeout=300, check=False)


@pytest.mark.slow
def test_a_served_book_is_neither_restored_nor_moved(home: Path, tmp_path: Path) -> None:
    """With the real server, and until it was killed."""
    here, folder = {"REFETTLE_HOME": str(home)}, str(tmp_path / "backups")
    assert refettle(here, "job", "new", "corrigan-duo").returncode == 0
    assert refettle(here, "backup", folder).returncode == 0
    port = free_port()
    said = (tmp_path / "said").open("w+")
    server = subprocess.Popen(
        [sys.executable, "-m", "refettle.cli.main", "serve", "--no-browser", "--port", str(port)],
        env=environment(here), stdout=said, stderr=said,
    )  # fmt: skip
    try:
        answers(port, lambda: server.poll() is not None and Path(said.name).read_text())
        by = f"at http://127.0.0.1:{port}/ by process {server.pid}"
        until = time.monotonic() + 60
        while served_by(home) != by and time.monotonic() < until:
            time.sleep(0.05)
        before = {p.relative_to(tmp_path) for p in tmp_path.rglob("*") if "book.sqlite3-" not in p.name}
        for words in (
            ("restore", folder, "--replace"),
            ("book", "move", "--to", str(tmp_path / "new.sqlite3")),
        ):
            run = refettle(here, *words)
            assert run.returncode == 1, run.stdout + run.stderr
            assert f"{home} is being served {by}; stop that first" in run.stderr
            assert run.stderr.count("\n") == 1
        dry = refettle(here, "restore", folder, "--replace", "--dry-run")
        assert dry.returncode == 1
        assert f"It is being served {by}: until that is stopped this is refused." in dry.stdout
        doctor = refettle(here, "doctor", "--json")
        assert doctor.returncode == 0
        assert json.loads(doctor.stdout)["looked"][-1]["says"] == f"the book is being served {by}"
        assert {p.relative_to(tmp_path) for p in tmp_path.rglob("*") if "book.sqlite3-" not in p.name} == before
        assert refettle(here, "restore", folder, "--to", str(tmp_path / "elsewhere")).returncode == 0
    finally:
        server.send_signal(signal.SIGKILL)
        server.wait()
        said.close()
    assert "the book is not being served" in refettle(here, "doctor").stdout
    assert refettle(here, "restore", folder, "--replace").returncode == 0
    assert refettle(here, "book", "move", "--to", str(tmp_path / "new.sqlite3")).returncode == 0
