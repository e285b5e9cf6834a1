"""Getting a backup back: what it holds, putting it into a data folder, and proving that it replays as it did.

Everything is checked on the way: the list by its own hash, each content by its own, the database by SQLite. A data
folder is written beside its place under another name, synced, and only then put there; one that is there already is
moved aside, never deleted.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from refettle.book.backup_sqlite import damage, tables
from refettle.book.backup_store import FOLDERS, BackupError, Listed, Store, contents, safe_path
from refettle.book.serving import ServedError, alone, served_by
from refettle.book.whole import FULL, settle

DATABASE = "book.sqlite3"
Say = Callable[[str], None]


def _quiet(line: str) -> None:
    return


@dataclass(frozen=True)
class Plan:
    """What restoring would do. `there`: what the data folder holds now, in words; empty where it holds no book.
    `served`: which server runs on it, in words; nothing is restored while there is one."""

    name: str
    home: str
    jobs: int
    entries: int
    files: int
    bytes: int
    trouble: tuple[str, ...]
    there: tuple[str, ...]
    aside: str
    served: str
    settings: dict[str, str]


def needed(listed: Listed) -> dict[str, Any]:
    """The list of a backup. Raises BackupError where it cannot be used."""
    if listed.body is None:
        raise BackupError(f"{listed.name}: {listed.wrong}")
    return listed.body


def plan(listed: Listed, home: Path) -> Plan:
    """What would be there, and what would have to give way. Nothing is changed. Raises BackupError."""
    body = needed(listed)
    there = tuple(_holds(home))
    return Plan(
        name=listed.name,
        home=str(home),
        jobs=len(body["jobs"]),
        entries=sum(each["entries"] for each in body["jobs"].values()),
        files=len(body["files"]),
        bytes=sum(contents(body).values()),
        trouble=tuple(body["trouble"]),
        there=there,
        aside=str(_aside(home)) if there else "",
        served=served_by(home),
        settings=dict(body["settings"]),
    )


def _holds(home: Path) -> Iterator[str]:
    """What of a bench book is in a folder, in words. Raises BackupError for a folder of something else."""
    if not home.exists() and not home.is_symlink():
        return
    if not home.is_dir() or home.is_symlink():
        raise BackupError(f"{home} is no folder; allowed: a data folder, or a new one", 2)
    names = {path.name for path in home.iterdir()}
    if not names:
        return
    if not names & {DATABASE, "secret.key", *FOLDERS}:
        raise BackupError(f"{home} holds other things than a bench book; allowed: a data folder, or a new one", 2)
    if DATABASE in names:
        try:
            with closing(sqlite3.connect(home / DATABASE, timeout=5)) as database:
                jobs, last = database.execute(
                    "SELECT (SELECT count(*) FROM book_job), (SELECT max(at) FROM book_entry)"
                ).fetchone()
            yield f"a bench book of {jobs} jobs, last entry {last or 'none'}"
        except sqlite3.Error as error:
            yield f"a database that cannot be read ({error})"
    for name in FOLDERS:
        count = sum(1 for path in (home / name).rglob("*") if path.is_file()) if (home / name).is_dir() else 0
        if count:
            yield f"{count} files in {name}"
    if not names & {DATABASE}:
        yield "a data folder"


def _aside(home: Path) -> Path:
    """Where a data folder goes that gives way."""
    now = datetime.now(UTC)
    return home.with_name(f"{home.name}-before-restore-{now:%Y-%m-%dT%H-%M-%SZ}")


def restore(kept: Store, listed: Listed, home: Path, *, replace: bool = False, say: Say = _quiet) -> Plan:
    """Put a backup in as a data folder.

    Parameters
    ----------
    kept : Store
    listed : Listed
        Which backup.
    home : path
        The data folder, new; one that holds something only with `replace`, and then it is moved aside first.

    Returns
    -------
    Plan
        What was done; `aside` is where the old one went.

    Raises
    ------
    BackupError
        Nothing was changed.
    """
    home = home.expanduser().absolute()
    planned = plan(listed, home)
    if planned.there and not replace:
        raise BackupError(
            f"{home} holds {', '.join(planned.there)}; nothing was changed. With --replace it is moved aside to "
            f"{planned.aside}; or name a new folder with --to",
            2,
        )
    if kept.folder.resolve() == home.resolve() or home.resolve() in kept.folder.resolve().parents:
        raise BackupError(f"{kept.folder} is in {home}; allowed: a data folder that the backups are not in", 2)
    try:
        with alone(home):
            _put_in_place(kept, listed, home, planned, say)
    except ServedError as error:
        raise BackupError(f"{error}. Nothing was changed") from None
    return planned


def _put_in_place(kept: Store, listed: Listed, home: Path, planned: Plan, say: Say) -> None:
    new = home.with_name(f".{home.name}-restoring-{os.getpid()}")
    try:
        home.parent.mkdir(parents=True, exist_ok=True)
        fill(kept, needed(listed), new, say)
        if planned.there:
            os.rename(home, planned.aside)
        elif home.exists():
            home.rmdir()  # empty
        try:
            settle(new, home)
        except OSError:
            if planned.there and not home.exists():
                os.rename(planned.aside, home)
            raise
    except OSError as error:
        said = (error.strerror or str(error)).lower()
        said = "the disk is full" if error.errno in FULL else said
        raise BackupError(f"{home}: {said}. Nothing was changed") from None
    finally:
        shutil.rmtree(new, ignore_errors=True)


def fill(kept: Store, body: dict[str, Any], new: Path, say: Say = _quiet, *, whole: bool = True) -> None:
    """Write a backup into a new folder, each content checked; the database alone without `whole`.

    Raises
    ------
    BackupError, OSError
        What was written so far stays.
    """
    free = shutil.disk_usage(new.parent).free
    files = body["files"] if whole else []
    need = body["database"]["bytes"] + sum(each["bytes"] for each in files)
    if free < need:
        raise BackupError(f"{new.parent}: {free / 1e6:.0f} MB free, {need / 1e6:.0f} MB needed; nothing was changed")
    new.mkdir(mode=0o700)
    say("Copying the database.")
    _copy(kept, body["database"], new / DATABASE)
    if wrong := damage(new / DATABASE):
        raise BackupError(f"the database of the backup is damaged: {wrong}")
    if (found := tables(new / DATABASE)) != body["database"]["tables"]:
        wanted = body["database"]["tables"]
        table = next(t for t in sorted({*found, *wanted}) if found.get(t) != wanted.get(t))
        raise BackupError(f"{table}: {found.get(table)} rows found; {wanted.get(table)} were backed up")
    if whole:
        say("Copying photos and files.")
    for each in files:
        path = new / safe_path(each["path"])
        path.parent.mkdir(parents=True, exist_ok=True)
        _copy(kept, each, path)
    for name in FOLDERS:
        (new / name).mkdir(exist_ok=True)
    if os.name == "posix":
        for folder in sorted({path.parent for path in new.rglob("*")}):
            _sync_folder(folder)


def _sync_folder(folder: Path) -> None:
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def _copy(kept: Store, content: dict[str, Any], path: Path) -> None:
    """One content out of the store, checked while it is copied. Raises BackupError when it is not what was kept."""
    sha256 = content["sha256"]
    hashed = hashlib.sha256()
    try:
        source = kept.path_of(sha256).open("rb")
    except FileNotFoundError:
        raise BackupError(f"{kept.path_of(sha256)} is missing") from None
    with source, path.open("xb") as out:
        while block := source.read(1 << 20):
            hashed.update(block)
            out.write(block)
        out.flush()
        os.fsync(out.fileno())
    if hashed.hexdigest() != sha256:
        raise BackupError(f"{kept.path_of(sha256)} is damaged: it is no longer what was kept")


# ---------------------------------------------------------------- proving


def damaged(kept: Store, body: dict[str, Any]) -> list[str]:
    """Contents of a backup that are missing or no longer what was kept. A damaged one is set aside under another name,
    so that the next backup copies it anew."""
    where = {each["sha256"]: str(each.get("path", "the database")) for each in [*body["files"], body["database"]]}
    found = []
    for sha256, said in where.items():
        path = kept.path_of(sha256)
        try:
            with path.open("rb") as file:
                right = hashlib.file_digest(file, "sha256").hexdigest() == sha256
        except FileNotFoundError:
            found.append(f"{said}: {path} is missing")
            continue
        except OSError as error:
            found.append(f"{said}: {path} cannot be read: {(error.strerror or str(error)).lower()}")
            continue
        if not right:
            found.append(f"{said}: {path} is no longer what was kept")
            with suppress(OSError):
                os.replace(path, path.with_name(f"{sha256}.damaged"))
    return found


def differences(body: dict[str, Any]) -> list[str]:
    """Where the book that is open, restored from this backup, is not what was backed up. Every job is replayed.

    Logs must be equal in any version of Refettle. What follows from them may be worked out differently by a later one,
    and is held against what was backed up only by the version that made the backup.
    """
    from django.db import connection

    from refettle import __version__
    from refettle.book import guards
    from refettle.book.backup_facts import book_facts

    found = [f"the append-only guard {name} is missing" for name in guards.missing(connection)]
    facts = book_facts()
    same = body["refettle"] == __version__
    for number in sorted({*facts["jobs"], *body["jobs"]}, key=int):
        ours, theirs = facts["jobs"].get(number), body["jobs"].get(number)
        if ours is None or theirs is None:
            found.append(f"job {number} is {'missing' if ours is None else 'one too many'}")
            continue
        for field in sorted({*ours, *theirs}):
            held = same or field in ("entries", "log", "type") or (field == "said" and "said" not in theirs)
            if held and ours.get(field) != theirs.get(field):
                found.append(f"job {number}: {field} {ours.get(field)} found; {theirs.get(field)} was backed up")
    if facts["sums"] != body["sums"]:
        new = [each for each in facts["sums"] if each not in body["sums"]]
        found.append(f"sums of the stores: {(new or ['others'])[0]}")
    return found
