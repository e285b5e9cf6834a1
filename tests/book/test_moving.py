"""Moving a book between databases: every row, number and guard arrives; what could not be is refused whole."""

from __future__ import annotations

import os
import shutil
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path
from typing import Any

import psycopg
import pytest

HERE = Path(__file__).parent
CLEAN = {k: v for k, v in os.environ.items() if not k.startswith(("REFETTLE_", "DJANGO_"))}
Ran = subprocess.CompletedProcess[str]


def go(home: Path, *words: str, database: str | None = None) -> Ran:
    more = {} if database is None else {"REFETTLE_DATABASE": database}
    return subprocess.run(
        [sys.executable, *words],
        env={**CLEAN, "REFETTLE_HOME": str(home), **more},
        capture_output=True,
        text=True,
        check=False,
        timeout=300,
    )


def refettle(home: Path, *words: str, database: str | None = None) -> Ran:
    return go(home, "-m", "refettle.cli.main", *words, database=database)


def everything(file: Path) -> dict[str, list[Any]]:
    """All rows of all tables of an SQLite file, its triggers and its counters too, read by SQLite alone."""
    with closing(sqlite3.connect(file)) as database:
        names = [n for (n,) in database.execute("SELECT name FROM sqlite_master WHERE type = 'table' ORDER BY name")]
        found: dict[str, list[Any]] = {
            name: sorted(database.execute(f'SELECT * FROM "{name}"').fetchall(), key=repr) for name in names
        }
        found["triggers"] = sorted(database.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'"))
    # That no number was given yet is said by a 0 or by no row.
    found["sqlite_sequence"] = [row for row in found["sqlite_sequence"] if row[1]]
    return found


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    home = tmp_path_factory.mktemp("whole")
    run = go(home, str(HERE / "fill_whole.py"))
    assert run.returncode == 0, run.stderr
    return home


@pytest.mark.slow
def test_there_and_back_is_equal_row_by_row(whole: Path, tmp_path: Path, postgres_database: str) -> None:
    before = everything(whole / "book.sqlite3")
    there = refettle(whole, "book", "move", "--to", postgres_database)
    assert there.returncode == 0, there.stderr
    assert "equal on both sides" in there.stdout
    assert everything(whole / "book.sqlite3") == before  # the source is as it was
    lists = [refettle(whole, "job", "list", "--json", database=d).stdout for d in (None, postgres_database)]
    assert lists[0] == lists[1] != ""
    # The next owner gets the number after that of one who was deleted; then it is taken back.
    (last,) = (seq for name, seq in before["sqlite_sequence"] if name == "book_owner")
    with psycopg.connect(postgres_database) as server:
        row = server.execute(
            "INSERT INTO book_owner (name, contact, kind, created) VALUES ('x', '', 'customer', now()) RETURNING id"
        ).fetchone()
        server.rollback()
        server.execute("SELECT setval(pg_get_serial_sequence('book_owner', 'id'), %s)", [last])
    assert row == (last + 1,)
    back = tmp_path / "back.sqlite3"
    again = refettle(whole, "book", "move", "--to", str(back), database=postgres_database)
    assert again.returncode == 0, again.stderr
    after = everything(back)
    assert len(before["book_entry"]) > 100
    assert len(before["book_movement"]) >= 2
    assert list(after) == list(before)
    for table, rows in before.items():
        assert after[table] == rows, table


def copied(whole: Path, folder: Path) -> Path:
    with closing(sqlite3.connect(whole / "book.sqlite3")) as source, closing(sqlite3.connect(folder / "b")) as target:
        source.backup(target)
    home = folder / "home"
    home.mkdir()
    shutil.move(folder / "b", home / "book.sqlite3")
    return home


@pytest.mark.slow
def test_a_row_the_server_cannot_hold_is_named_and_nothing_is_kept(
    whole: Path, tmp_path: Path, postgres_database: str
) -> None:
    home = copied(whole, tmp_path)
    with closing(sqlite3.connect(home / "book.sqlite3")) as database, database:
        database.execute("UPDATE book_owner SET name = ? WHERE id = 2", ["x" * 200])  # SQLite keeps no lengths
    run = refettle(home, "book", "move", "--to", postgres_database)
    assert run.returncode == 1
    assert "book_owner, id 2: the target refused it: value too long" in run.stderr
    assert f"Nothing was kept in {postgres_database.split(':')[0]}" in run.stderr
    with psycopg.connect(postgres_database) as server:
        assert server.execute("SELECT count(*) FROM book_owner").fetchone() == (0,)
        assert server.execute("SELECT count(*) FROM book_entry").fetchone() == (0,)
    # What is in order goes there afterwards: the tables are there, and empty.
    assert refettle(whole, "book", "move", "--to", postgres_database).returncode == 0


@pytest.mark.slow
def test_a_target_that_is_not_empty_is_refused(whole: Path, tmp_path: Path, postgres_database: str) -> None:
    assert refettle(tmp_path / "other", "job", "new", "larkmere-48").returncode == 0
    other = tmp_path / "other" / "book.sqlite3"
    before = everything(other)
    run = refettle(whole, "book", "move", "--to", str(other))
    assert (run.returncode, run.stderr.count("\n")) == (2, 1)
    assert "rows in 'book_" in run.stderr
    assert everything(other) == before
    with psycopg.connect(postgres_database) as server:
        server.execute("CREATE TABLE ledger (id int)")
    run = refettle(whole, "book", "move", "--to", postgres_database)
    assert run.returncode == 2
    assert "holds the table 'ledger' of another program; allowed: an empty database" in run.stderr
    run = refettle(whole, "book", "move", "--to", str(whole / "book.sqlite3"))
    assert run.returncode == 2
    assert "where the book is now" in run.stderr


@pytest.mark.slow
def test_a_copy_that_differs_is_not_kept(whole: Path, tmp_path: Path) -> None:
    target = tmp_path / "copy.sqlite3"
    run = go(whole, str(HERE / "spoil_move.py"), str(target))
    assert run.returncode == 1
    assert "book_unit, id 2: differs in the copy in label. Nothing was kept" in run.stderr
    assert list(tmp_path.iterdir()) == []
