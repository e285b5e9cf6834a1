"""The backup once a day: when it is made, when not, and what the bench page says."""

from __future__ import annotations

import ast
import inspect
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest
from django.test import Client

from refettle.book import backup, backup_store, moving
from refettle.book.backup_store import BackupError, Store
from refettle.book.kept_texts import backup_trouble
from refettle.language import speaking
from refettle.web import backing_up
from refettle.web.environment import EnvironmentVariableError, read_options

NOW = datetime(2031, 3, 10, 12, 0, tzinfo=UTC)


@pytest.fixture(autouse=True)
def _no_standing() -> Iterator[None]:
    backing_up._standing = None
    yield
    backing_up._standing = None


@pytest.fixture
def made(monkeypatch: pytest.MonkeyPatch) -> list[Path]:
    """What was asked for, instead of making it."""
    asked: list[Path] = []

    def back_up(folder: Path, **more: Any) -> None:
        assert more == {"begin": False}
        asked.append(folder)

    monkeypatch.setattr(backing_up, "back_up", back_up)
    return asked


def begun(folder: Path, *ages: timedelta) -> Path:
    kept = Store(folder)
    kept.begin()
    for age in ages:
        kept.write(
            {
                "format": "refettle backup", "version": 1, "made": (NOW - age).isoformat(), "trouble": [],
                "refettle": "0.1.0", "book": "bench", "home": "/somewhere", "settings": {}, "jobs": {}, "sums": [],
                "database": {"sha256": "0" * 64, "bytes": 1, "tables": {}}, "files": [],
            }
        )  # fmt: skip
    return folder


@pytest.mark.parametrize(
    ("ages", "wanted"),
    [((), 1), ((timedelta(hours=23),), 0), ((timedelta(hours=25),), 1), ((timedelta(days=9), timedelta(hours=2)), 0),
     ((timedelta(days=-3),), 1)],
)  # fmt: skip
def test_once_a_day(ages: tuple[timedelta, ...], wanted: int, tmp_path: Path, made: list[Path]) -> None:
    folder = begun(tmp_path / "backups", *ages)
    backing_up.look(folder, NOW)
    assert made == [folder] * wanted


def test_a_disk_that_is_not_put_in_is_said_and_not_written_to(tmp_path: Path, made: list[Path]) -> None:
    place = tmp_path / "disk"
    place.mkdir()  # where the disk would be
    for folder in (place, place / "backups"):
        backing_up.look(folder, NOW)
        assert "The backup failed" in backing_up.notice(NOW)
    assert not made
    assert list(place.iterdir()) == []


def test_after_a_failure_it_waits_an_hour(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = begun(tmp_path / "backups", timedelta(days=2))
    asked = []

    def back_up(folder: Path, **more: Any) -> None:
        asked.append(folder)
        raise BackupError("the disk is full")

    monkeypatch.setattr(backing_up, "back_up", back_up)
    for minutes in (0, 10, 50, 61):
        backing_up.look(folder, NOW + timedelta(minutes=minutes))
        assert "The backup failed: the disk is full; the last one is of 2031-03-08" in backing_up.notice(NOW)
    assert len(asked) == 2


def raised(module: ModuleType, name: str) -> list[str]:
    """What a module may say with an error of this name, each placeholder filled with its own name."""
    found = []
    for node in ast.walk(ast.parse(inspect.getsource(module))):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == name:
            text = node.args[0]
            parts = text.values if isinstance(text, ast.JoinedStr) else [text]
            found.append("".join(str(p.value) if isinstance(p, ast.Constant) else "Xy" for p in parts))
    return found


NEVER_SHOWN = {
    "keep: Xy found; allowed: 1 or more",  # asked for on the command line alone
    "path 'Xy' found; allowed: a file in Xy",  # of a restore
    "'Xy' found; allowed: a sha256 of 64 hexadecimal digits",
    "Xy holds no backups yet",
    "Xy: Xy: Xy; no other can be used",
    "--which Xy: Xy found; allowed: one of Xy",
    "Xy: Xy",
    "Xy: Xy. No backup was made",
    "Xy: XyXy. No backup was made",  # what the system said; known below
}


def test_whatever_bars_a_backup_is_said_in_german_too() -> None:
    texts = {
        *raised(backup, "BackupError"), *raised(backup_store, "BackupError"), *raised(moving, "MoveError"),
        "a fault of the bench book; the lines where it was started say why",
    }  # fmt: skip
    assert len(texts) > 25
    with speaking("de"):
        for text in texts - NEVER_SHOWN:
            assert backup_trouble(text) != text, text
        told = backup_trouble("server x: job 3: its log says something else in the copy. No backup was made")
        assert told.startswith("server x: Auftrag 3: ")
        assert told.endswith("Es wurde keine Datensicherung gemacht")
        assert backup_trouble("/b: permission denied. No backup was made").startswith("/b: permission denied. Es")
    assert backup_trouble("/b is not there; put the disk in, or name the folder of the backups").startswith("/b is not")


@pytest.mark.django_db
def test_why_no_backup_was_made_is_said_in_the_language_of_the_page(tmp_path: Path, made: list[Path]) -> None:
    backing_up.look(tmp_path / "backups", NOW)
    assert "gibt es nicht; den Datenträger einlegen" in Client(HTTP_ACCEPT_LANGUAGE="de").get("/").content.decode()
    assert "is not there; put the disk in" in Client().get("/").content.decode()


@pytest.mark.django_db
def test_the_bench_page_says_what_is_wrong_and_else_nothing(client: Client, tmp_path: Path) -> None:
    def said() -> str:
        return client.get("/").content.decode()

    assert "backup" not in said()
    folder = tmp_path
    backing_up._standing = backing_up.Standing(folder, last=datetime.now(UTC) - timedelta(days=2))
    assert "backup" not in said()
    backing_up._standing = backing_up.Standing(folder, last=datetime.now(UTC) - timedelta(days=4, minutes=1))
    assert "The last backup is 4 days old." in said()
    backing_up._standing = backing_up.Standing(folder, last=datetime.now(UTC), lacking=2)
    assert 'The last backup is without 2 files; <code lang="en">refettle doctor</code> says which.' in said()
    backing_up._standing = backing_up.Standing(folder, failed="the disk <b> is full.")
    assert "The backup failed: the disk &lt;b&gt; is full; there is none yet." in said()


def test_the_folder_is_not_in_the_data_folder(tmp_path: Path) -> None:
    assert read_options({"HOME": "/home/ada"}).backup is None
    both = {"REFETTLE_HOME": str(tmp_path / "home"), "REFETTLE_BACKUP": str(tmp_path / "disk" / "backups")}
    assert read_options(both).backup == tmp_path / "disk" / "backups"
    with pytest.raises(EnvironmentVariableError, match="not in the data folder"):
        read_options({**both, "REFETTLE_BACKUP": str(tmp_path / "home" / "backups")})
