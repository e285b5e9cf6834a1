"""A database file looked at by SQLite alone, whatever version of Refettle wrote it. No framework."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path


def tables(file: Path) -> dict[str, int]:
    """Rows of every table of an SQLite file, by SQLite alone."""
    with closing(sqlite3.connect(f"file:{_quoted(file)}?mode=ro", uri=True)) as database:
        names = [n for (n,) in database.execute("SELECT name FROM sqlite_master WHERE type = 'table' ORDER BY name")]
        return {n: int(database.execute(f'SELECT count(*) FROM "{n}"').fetchone()[0]) for n in names}  # noqa: S608


def schema(file: Path) -> list[str]:
    """The book's migrations that an SQLite file has had."""
    with closing(sqlite3.connect(f"file:{_quoted(file)}?mode=ro", uri=True)) as database:
        rows = database.execute("SELECT name FROM django_migrations WHERE app = 'book' ORDER BY name")
        return [name for (name,) in rows]


def damage(file: Path) -> str:
    """What SQLite finds wrong with a file; '' for nothing."""
    try:
        with closing(sqlite3.connect(f"file:{_quoted(file)}?mode=ro", uri=True)) as database:
            (said,) = database.execute("PRAGMA integrity_check(1)").fetchone()
            if said != "ok":
                return str(said)
            broken = database.execute("PRAGMA foreign_key_check").fetchone()
            return "" if broken is None else f"{broken[0]}, row {broken[1]}, belongs to a row that is not there"
    except sqlite3.DatabaseError as error:
        return str(error)


def _quoted(file: Path) -> str:
    return str(file).replace("%", "%25").replace("?", "%3f").replace("#", "%23")
