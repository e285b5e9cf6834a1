"""Starting: the data folder, the database, the address."""

from __future__ import annotations

import os
import shutil
import signal
import socket
import sqlite3
import subprocess
import sys
import urllib.error
import urllib.request
from collections.abc import Iterator
from pathlib import Path

import pytest

from refettle.web.serve import PORT, bind, check_host
from refettle.web.start import StartError

CLEAN = {k: v for k, v in os.environ.items() if not k.startswith(("REFETTLE_", "DJANGO_"))}


def refettle(home: Path, *words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "refettle.cli.main", *words],
        env={**CLEAN, "REFETTLE_HOME": str(home)},
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    home = tmp_path_factory.mktemp("made") / "home"
    run = refettle(home, "job", "list")
    assert run.returncode == 0, run.stderr
    assert "Making a new bench book" in run.stderr
    return home


@pytest.fixture
def home(made: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(made, tmp_path / "home"))


@pytest.fixture
def server(home: Path) -> Iterator[tuple[subprocess.Popen[str], str]]:
    with socket.socket() as sock:
        sock.bind(("127.0.0.1", 0))
        port = sock.getsockname()[1]
    process = subprocess.Popen(
        [sys.executable, "-m", "refettle.cli.main", "--no-browser", "--port", str(port)],
        env={**CLEAN, "REFETTLE_HOME": str(home)},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        # Tests started in the background ignore Ctrl-C, and what they start would as well.
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
    )
    assert process.stdout is not None
    assert process.stderr is not None
    line = process.stdout.readline()
    assert line == f"The bench book is open at http://127.0.0.1:{port}/\n"
    yield process, f"http://127.0.0.1:{port}/"
    if process.poll() is None:
        process.kill()
        process.wait()
    process.stdout.close()
    process.stderr.close()


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_serving_and_a_clean_stop(server: tuple[subprocess.Popen[str], str], number: int) -> None:
    process, address = server
    request = urllib.request.Request(address + "photos/none")
    with pytest.raises(urllib.error.HTTPError) as caught:
        urllib.request.urlopen(request, timeout=10)
    assert caught.value.code == 404
    caught.value.close()
    process.send_signal(number)
    out, err = process.communicate(timeout=60)
    assert process.returncode == 0
    assert out.endswith("Stopped.\n")
    assert err == ""


def test_a_second_start_says_nothing(home: Path) -> None:
    assert refettle(home, "job", "list").stderr == ""


def test_a_folder_that_cannot_be_written(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    run = refettle(tmp_path / "file" / "home", "serve", "--no-browser")
    assert run.returncode == 2
    assert run.stderr.startswith("refettle: The data folder ")
    assert run.stderr.count("\n") == 1


def test_a_wrong_variable_is_one_line(tmp_path: Path) -> None:
    run = subprocess.run(
        [sys.executable, "-m", "refettle.cli.main", "job", "list"],
        env={**CLEAN, "REFETTLE_HOME": str(tmp_path), "REFETTLE_RATE": "thirty"},
        capture_output=True,
        text=True,
        check=False,
    )
    assert (run.returncode, run.stderr.count("\n")) == (2, 1)
    assert "REFETTLE_RATE: found 'thirty'" in run.stderr


def test_where_it_may_listen() -> None:
    for host in ("127.0.0.1", "::1", "127.0.0.9", "0.0.0.0", "192.168.1.20"):
        assert check_host(host) == host
    assert check_host("localhost") == "127.0.0.1"
    for host in ("bench.local", "", "192.168.1", "127.0.0.1:80"):
        with pytest.raises(StartError, match="an address of this machine"):
            check_host(host)


@pytest.mark.parametrize(
    ("host", "variables", "owner", "said"),
    [
        ("0.0.0.0", {}, False, "--host 0.0.0.0 without sign-in found"),
        ("192.168.1.20", {}, True, "refettle people add NAME --role owner, then start it with REFETTLE_SIGN_IN=yes"),
        ("::", {}, True, "--host :: without sign-in found"),
        ("0.0.0.0", {"REFETTLE_SIGN_IN": "yes"}, False, "no owner of the book may sign in. Add one:"),
        ("127.0.0.1", {"REFETTLE_SIGN_IN": "yes"}, False, "no owner of the book may sign in. Add one:"),
        ("0.0.0.0", {"REFETTLE_SIGN_IN": "yes"}, True, "Set REFETTLE_HOSTS to its names or addresses"),
        ("127.0.0.1", {"REFETTLE_HOSTS": "bench.example"}, True, "allowed: with REFETTLE_SIGN_IN=yes"),
        ("127.0.0.1", {"REFETTLE_PROXY": "127.0.0.1"}, True, "allowed: with REFETTLE_SIGN_IN=yes"),
    ],
)
def test_no_network_without_sign_in(home: Path, host: str, variables: dict[str, str], owner: bool, said: str) -> None:
    def run(*words: str, typed: str = "", **more: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [sys.executable, "-m", "refettle.cli.main", *words],
            env={**CLEAN, "REFETTLE_HOME": str(home), **more},
            input=typed,
            capture_output=True,
            text=True,
            check=False,
            timeout=60,
        )

    # Somebody who is no owner, or who is barred, is not enough.
    assert run("people", "add", "Bo", typed="a quiet bench 44\n").returncode == 0
    if owner:
        assert run("people", "add", "Ada", "--role", "owner", typed="a quiet bench 44\n").returncode == 0
    refused = run("serve", "--no-browser", "--host", host, "--port", "8699", **variables)
    assert (refused.returncode, refused.stdout, refused.stderr.count("\n")) == (2, "", 1)
    assert said in refused.stderr


def test_the_next_free_port() -> None:
    with bind("127.0.0.1", None) as first, bind("127.0.0.1", None) as second:
        assert PORT <= first.getsockname()[1] < second.getsockname()[1]
        with pytest.raises(StartError, match="Choose another with --port"):
            bind("127.0.0.1", first.getsockname()[1])


def test_a_book_of_a_later_version_is_left_alone(home: Path) -> None:
    database = sqlite3.connect(home / "book.sqlite3")
    with database:
        database.execute(
            "INSERT INTO django_migrations (app, name, applied) VALUES ('book', '0999_later', '2031-01-01')"
        )
    database.close()
    run = refettle(home, "job", "list")
    assert run.returncode == 2
    assert "later version of Refettle (0999_later)" in run.stderr


def test_missing_guards_are_noticed(home: Path) -> None:
    database = sqlite3.connect(home / "book.sqlite3")
    database.execute("DROP TRIGGER book_entry_no_delete")
    database.close()
    run = refettle(home, "job", "list")
    assert run.returncode == 2
    assert "lacks 1 of its append-only guards (book_entry_no_delete)" in run.stderr


def test_a_file_that_is_no_database(home: Path) -> None:
    (home / "book.sqlite3").write_text("not a database at all, though long enough to look at" * 30)
    run = refettle(home, "job", "list")
    assert run.returncode == 2
    assert "cannot be opened: file is not a database" in run.stderr


def test_an_older_book_is_copied_before_it_is_changed(home: Path) -> None:
    # A book in which sessions were never set up: one migration is outstanding.
    database = sqlite3.connect(home / "book.sqlite3")
    with database:
        database.execute("DELETE FROM django_migrations WHERE app = 'sessions'")
        database.execute("DROP TABLE django_session")
    database.close()
    run = refettle(home, "job", "list")
    assert run.returncode == 0, run.stderr
    assert "the old one is kept as" in run.stderr
    assert (home / "book-before-0001_initial.sqlite3").exists()


def test_how_the_database_is_kept(home: Path) -> None:
    code = (
        "from refettle.web.start import start; start()\n"
        "from django.db import connection\n"
        "c = connection.cursor()\n"
        "print([c.execute('PRAGMA ' + n).fetchone()[0] for n in ('journal_mode', 'foreign_keys', 'synchronous')])\n"
    )
    env = {**CLEAN, "REFETTLE_HOME": str(home)}
    run = subprocess.run([sys.executable, "-c", code], env=env, capture_output=True, text=True, check=True)
    assert run.stdout.strip() == "['wal', 1, 2]"  # synchronous 2 is FULL
