"""refettle doctor: finds what is damaged, missing or altered, says what to do, changes nothing."""

from __future__ import annotations

import json
import re
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from tests.book.test_moving import HERE, go, refettle

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    home = tmp_path_factory.mktemp("whole") / "home"
    run = go(home, str(HERE / "fill_whole.py"))
    assert run.returncode == 0, run.stderr
    return home


@pytest.fixture
def home(whole: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(whole, tmp_path / "home"))


def looked(home: Path) -> tuple[int, dict[str, list[dict[str, Any]]]]:
    run = refettle(home, "doctor", "--json")
    told = json.loads(run.stdout)
    assert told["well"] == (run.returncode == 0)
    return run.returncode, {look["area"]: look["findings"] for look in told["looked"]}


def statement(home: Path, *words: Any) -> list[Any]:
    with closing(sqlite3.connect(home / "book.sqlite3")) as database, database:
        return database.execute(*words).fetchall()


def test_a_book_in_order_and_what_is_altered_missing_or_wrong(home: Path) -> None:
    # The stores of this book were filled past the ledger's own door: the sums of one part and one lot do not add up.
    code, found = looked(home)
    assert code == 1
    assert {area for area, findings in found.items() if findings} == {"stores"}
    assert len(found["stores"]) == 2
    statement(home, "UPDATE book_part SET on_hand = 27 WHERE code = 'Ä-47'")
    statement(home, "UPDATE book_lot SET on_hand = 27 WHERE code = '9912'")
    assert looked(home) == (0, {area: [] for area in found})
    before = {path: path.read_bytes() for path in home.rglob("*") if path.is_file()}
    assert refettle(home, "doctor").stdout.endswith("All is well.\n")
    assert {path: path.read_bytes() for path in home.rglob("*") if path.is_file()} == before

    first, second, *_ = sorted(p for p in (home / "photos").rglob("*.jpg") if len(p.name) == 64 + len(".jpg"))
    first.write_bytes(first.read_bytes()[:-1] + b"x")
    second.unlink()
    file = next(p for p in (home / "files").rglob("*") if p.is_file())
    file.write_bytes(b"something else")
    statement(home, "UPDATE book_part SET on_hand = 30 WHERE code = 'Ä-47'")
    # A log that no longer replays: a check that the unit type does not have.
    statement(
        home,
        "INSERT INTO book_entry (job_id, n, at, who, kind, data) VALUES (1, 999, '2031-01-01', 'x', 'check', ?)",
        ['{"check": "no-such-check", "outcome": "good"}'],
    )
    ((guard,),) = statement(home, "SELECT sql FROM sqlite_master WHERE name = 'book_typeversion_no_update'")
    statement(home, "DROP TRIGGER book_typeversion_no_update")
    statement(home, "UPDATE book_typeversion SET text = text || ' ' WHERE id = 1")
    statement(home, guard)
    code, found = looked(home)
    assert code == 1
    (altered,) = found["unit types"]
    assert "is no longer what was kept" in altered["says"]
    assert found["guards"] == []
    assert len(found["photos"]) == 2
    assert any(str(first) in f["says"] and "no longer what was kept" in f["says"] for f in found["photos"])
    assert any(str(second) in f["says"] and "is missing" in f["says"] for f in found["photos"])
    assert [str(file) in f["says"] for f in found["files"]] == [True]
    assert re.search(r"\((job \d+, entry \d+|price list '.*')\)", found["files"][0]["says"])
    assert "job 1 no longer replays" in found["logs"][0]["says"]
    assert any("on hand 30 kept, 27 by the ledger" in f["says"] for f in found["stores"])
    assert all(f["do"] for findings in found.values() for f in findings)


def test_a_lost_guard_is_found_though_the_book_does_not_open(home: Path) -> None:
    statement(home, "DROP TRIGGER book_entry_no_update")
    run = refettle(home, "doctor")
    assert run.returncode == 1
    assert "The bench book does not open: " in run.stdout
    assert "the append-only guard book_entry_no_update is missing" in run.stdout
    assert "7 of 7 are as kept" in run.stdout


def test_a_damaged_database(home: Path) -> None:
    with closing(sqlite3.connect(home / "book.sqlite3")) as database:
        database.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        (page,) = database.execute("SELECT rootpage FROM sqlite_master WHERE name = 'book_entry'").fetchone()
        (size,) = database.execute("PRAGMA page_size").fetchone()
    with (home / "book.sqlite3").open("r+b") as file:
        file.seek((page - 1) * size)
        file.write(b"\x00" * size)
    run = refettle(home, "doctor")
    assert run.returncode == 1
    assert "damaged" in run.stdout or "malformed" in run.stdout
    assert "restore a backup" in run.stdout
    (home / "book.sqlite3").write_bytes(b"not a database at all" * 500)
    run = refettle(home, "doctor")
    assert run.returncode == 1
    assert "file is not a database" in run.stdout


def test_a_wrong_variable_is_bad_input(tmp_path: Path) -> None:
    run = refettle(tmp_path / "home", "doctor", database="mysql://x/y")
    assert (run.returncode, run.stdout) == (2, "")
