"""Books and backups of earlier versions: brought up to date, and every job says what it said."""

from __future__ import annotations

import json
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from refettle.book.backup_facts import log_digest
from refettle.book.backup_sqlite import schema, tables
from refettle.book.backup_store import Store
from refettle.book.log import read_jsonl, write_jsonl
from refettle.book.replay import replay
from refettle.knowledge.compile import compile_type
from refettle.knowledge.loading import load_shipped_type
from tests.book.test_backup import HERE, begin, refettle, shown

MIGRATIONS = Path(__file__).parents[2] / "src" / "refettle" / "book" / "migrations"
OLD = ("0001_initial", "0002_experience")
AT = "2031-03-02 10:15:0"
ENTRIES: list[dict[str, Any]] = [
    {"kind": "take-in", "said": "It hums, then nothing — «gar nichts»"},
    {"kind": "complaint", "point": "picture", "outcome": "no picture"},
    {"kind": "note", "text": "wrnog"},
    {"kind": "correction", "corrects": 3, "with": {"kind": "note", "text": "wrong \u0000 end"}, "why": "typed"},
    {"kind": "time", "minutes": 12.5},
    {"kind": "stage", "stage": "fault finding"},
]


@pytest.fixture
def log(tmp_path: Path) -> Path:
    lines = [{"n": n, "at": f"{AT}{n}", "who": "Ada Quill", **each} for n, each in enumerate(ENTRIES, start=1)]
    file = tmp_path / "log.jsonl"
    file.write_text(write_jsonl(lines), encoding="utf-8")
    return file


def old_book(home: Path, migration: str, log: Path) -> dict[str, str]:
    variables = {"REFETTLE_HOME": str(home), "REFETTLE_TZ": "UTC"}
    run = begin(variables, str(HERE / "make_old.py"), migration, str(log))
    _, err = run.communicate(timeout=120)
    assert run.returncode == 0, err
    assert schema(home / "book.sqlite3") == list(OLD[: OLD.index(migration) + 1])
    return variables


def newest() -> str:
    return max(path.stem for path in MIGRATIONS.glob("0*.py"))


@pytest.mark.slow
@pytest.mark.parametrize("migration", OLD)
def test_an_old_book_replays_as_its_log_says(migration: str, log: Path, tmp_path: Path) -> None:
    home = tmp_path / "home"
    variables = old_book(home, migration, log)
    before = tables(home / "book.sqlite3")
    said, written = shown(variables, 1)
    assert schema(home / "book.sqlite3")[-1] == newest()
    after = tables(home / "book.sqlite3")
    grown = {"django_migrations", "django_content_type", "sqlite_sequence"}
    assert {t: n for t, n in before.items() if t not in grown and n != after.get(t)} == {}
    entries = read_jsonl(log.read_text(encoding="utf-8"))
    assert read_jsonl(written) == entries
    state = replay(compile_type(load_shipped_type("larkmere-48"), 30.0), entries)
    facts = json.loads(said)
    assert (facts["stage"], facts["minutes"], facts["parts"]) == (state.stage, 12.5, 0)
    assert facts["owner"] == "Ingrid Mossbank"
    leading = state.suspects()[0]
    assert facts["suspects"][0]["block"] == leading.block
    with closing(sqlite3.connect(home / "book.sqlite3")) as database:
        for change in ("UPDATE book_entry SET who = 'x'", "DELETE FROM book_typeversion"):
            with pytest.raises(sqlite3.IntegrityError, match="append-only"):
                database.execute(change)
    assert list(home.glob("book-before-*.sqlite3"))  # and the old one is kept


@pytest.mark.slow
@pytest.mark.parametrize("migration", OLD)
def test_a_backup_of_an_old_book_holds_and_is_restored(migration: str, log: Path, tmp_path: Path) -> None:
    """As an earlier version would have left it: its database at that migration, its list by that version."""
    home = tmp_path / "home"
    variables = old_book(home, migration, log)
    kept = Store(tmp_path / "backups")
    kept.begin()
    with closing(sqlite3.connect(home / "book.sqlite3")) as database:
        database.execute("PRAGMA journal_mode=DELETE")
    sha256, size = kept.add(home / "book.sqlite3")
    entries = read_jsonl(log.read_text(encoding="utf-8"))
    facts = {"entries": len(entries), "log": log_digest(entries), "type": load_shipped_type("larkmere-48").sha256}
    kept.write(
        {
            "format": "refettle backup", "version": 1, "made": "2031-03-03T03:15:00+00:00", "refettle": "0.0.1",
            "book": "5f0c7a19d2e4b836", "home": str(home), "kept_in": str(home / "book.sqlite3"),
            "settings": {"REFETTLE_TZ": "UTC"},
            "database": {"sha256": sha256, "bytes": size, "schema": schema(home / "book.sqlite3"),
                         "tables": tables(home / "book.sqlite3")},
            "jobs": {"1": {**facts, "stage": "what that version thought"}}, "sums": [], "files": [], "trouble": [],
        }
    )  # fmt: skip
    run = refettle({}, "backup", "verify", str(kept.folder))
    assert run.returncode == 0, run.stdout + run.stderr
    assert "holds: 1 jobs replay" in run.stdout
    restored = tmp_path / "restored"
    assert refettle({}, "restore", str(kept.folder), "--to", str(restored)).returncode == 0
    assert schema(restored / "book.sqlite3")[-1] == migration
    assert shown({**variables, "REFETTLE_HOME": str(restored)}, 1) == shown(variables, 1)


@pytest.mark.slow
def test_a_backup_of_a_later_version_is_left_to_that_version(log: Path, tmp_path: Path) -> None:
    home = tmp_path / "home"
    variables = old_book(home, OLD[0], log)
    assert refettle(variables, "backup", str(tmp_path / "backups")).returncode == 0
    kept = Store(tmp_path / "backups")
    body: Any = kept.every()[0].body
    later = tmp_path / "later.sqlite3"
    later.write_bytes(kept.path_of(body["database"]["sha256"]).read_bytes())
    with closing(sqlite3.connect(later)) as database, database:
        database.execute(
            "INSERT INTO django_migrations (app, name, applied) VALUES ('book', '0999_later', '2031-01-01')"
        )
    sha256, size = kept.add(later)
    body["database"] |= {"sha256": sha256, "bytes": size, "tables": tables(later)}
    (kept.folder / f"{kept.names()[0]}.json").unlink()
    kept.write(body)
    run = refettle({}, "backup", "verify", str(kept.folder))
    assert run.returncode == 1
    assert "later version of Refettle (0999_later)" in run.stdout
