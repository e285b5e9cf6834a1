"""Backups of the whole bench book, made while it is in use: the database as it is at one moment, photos, files, the
bench's own unit types and block kinds, and its settings without anything secret.

An SQLite book is copied by SQLite's own backup (its documentation, "SQLite Backup API"), in one step: writers go on
meanwhile, and the copy holds all of an entry or nothing of it. A book on a server is read in one REPEATABLE READ
transaction (PostgreSQL's manual, "Transaction Isolation") and written as an SQLite file, row by row, proved equal as in
`moving`. Photos and files are put on the disk before any row names them, so what is copied afterwards has all that the
database names.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from django.conf import settings
from django.db import connections

from refettle import __version__
from refettle.book import doctor, exchange, files, moving, photos
from refettle.book.backup_facts import book_facts
from refettle.book.backup_sqlite import damage, schema, tables
from refettle.book.backup_store import FORMAT, VERSION, BackupError, Store, safe_path
from refettle.book.databases import PostgresqlServer, SqliteFile
from refettle.book.models import Photo
from refettle.book.models_kits import KitVersion
from refettle.book.models_prices import PriceList
from refettle.book.models_privacy import ErasedPhoto
from refettle.book.whole import FULL

KEEP = 14
"""Backups kept, by default: two weeks of one a day. A choice."""
SPARE = 20_000_000
"""[byte] Left free beside what a backup needs. A choice."""
ALIAS = "backup"
Say = Callable[[str], None]


def _quiet(line: str) -> None:
    return


@dataclass(frozen=True)
class Made:
    """A backup that was made. `trouble`: what the book names and could not be copied; `removed`: old backups."""

    name: str
    folder: str
    jobs: int
    entries: int
    files: int
    bytes: int
    new_bytes: int
    trouble: tuple[str, ...]
    removed: tuple[str, ...]
    same_disk: bool


@dataclass(frozen=True)
class _Copied(SqliteFile):
    """The copy of the database: read, and left as it is."""

    def settings(self) -> dict[str, Any]:
        command = "PRAGMA query_only=ON; PRAGMA foreign_keys=ON;"
        return {**super().settings(), "OPTIONS": {"init_command": command}}


def back_up(folder: Path, keep: int = KEEP, say: Say = _quiet, *, begin: bool = True) -> Made:
    """Make one backup of the book that is open, and take away old ones.

    Parameters
    ----------
    folder : path
        A folder for backups of this book alone, not in its data folder.
    keep : int
        So many are kept, and the newest that is whole in any case.
    say : callable
        Told what is being done.
    begin : bool
        False: only into a folder that has backups already.

    Raises
    ------
    BackupError
        No backup was made; what the run wrote is taken away again.
    """
    if keep < 1:
        raise BackupError(f"keep: {keep} found; allowed: 1 or more", 2)
    home = Path(settings.REFETTLE_HOME).resolve()
    folder = folder.expanduser().absolute()
    if folder.resolve() == home or home in folder.resolve().parents:
        raise BackupError(f"{folder} is in the data folder; allowed: a folder outside of it, best on another disk", 2)
    kept = Store(folder)
    try:
        if begin:
            kept.begin()
        kept.need()
        with kept.alone():
            kept.clear_unfinished()
            try:
                name, body = _run(kept, home, say)
            except BaseException:
                with suppress(OSError):
                    kept.take_back()
                    kept.clear_unfinished()
                raise
            try:
                removed = kept.thin_out(keep)
            except OSError as error:
                said = (error.strerror or str(error)).lower()
                raise BackupError(f"Backup {name} was made, but old ones could not be taken away: {said}") from None
            return _told(kept, name, body, removed, home)
    except (OSError, sqlite3.Error) as error:
        raise _plain(error, folder) from None


def _plain(error: OSError | sqlite3.Error, folder: Path) -> BackupError:
    full = isinstance(error, OSError) and error.errno in FULL
    if full or "disk is full" in str(error):
        return BackupError(f"{folder}: the disk is full. No backup was made; make room, or keep fewer with --keep")
    said = (error.strerror or str(error)).lower() if isinstance(error, OSError) else str(error)
    where = f" ({error.filename})" if isinstance(error, OSError) and error.filename else ""
    return BackupError(f"{folder}: {said}{where}. No backup was made")


def _run(kept: Store, home: Path, say: Say) -> tuple[str, dict[str, Any]]:
    bench = exchange.identity().bench
    earlier = [each.body for each in kept.every() if each.body is not None]
    strange = next((body for body in earlier if body["book"] != bench), None)
    if strange is not None:
        raise BackupError(f"{kept.folder} holds backups of another book ({strange['home']}); allowed: a folder each", 2)
    _room(kept, home)
    part = kept.temporary()
    try:
        made = datetime.now(UTC).replace(microsecond=0)
        say("Copying the database.")
        _copy_database(part, say)
        if wrong := damage(part):
            raise BackupError(
                f"the book's database is damaged: {wrong}. No backup was made; look with: refettle doctor"
            )
        say("Replaying every job.")
        with _opened(part):
            facts = book_facts(earlier[-1] if earlier else None)
            named = _named()
        database = _settle_database(kept, part)
    finally:
        for ending in ("", "-wal", "-shm", "-journal"):
            part.with_name(part.name + ending).unlink(missing_ok=True)
    say("Copying photos and files.")
    listed, trouble = _copy_files(kept, home, named)
    body: dict[str, Any] = {
        "format": FORMAT, "version": VERSION, "made": made.isoformat(), "refettle": __version__,
        "book": bench, "home": str(home), "kept_in": str(settings.REFETTLE_DATABASE),
        "settings": {
            "REFETTLE_TZ": str(settings.TIME_ZONE), "REFETTLE_CURRENCY": str(settings.REFETTLE_CURRENCY),
            "REFETTLE_RATE": str(settings.REFETTLE_RATE), "REFETTLE_WHO": str(settings.REFETTLE_WHO),
        },
        "database": database, **facts, "files": listed, "trouble": trouble,
    }  # fmt: skip
    new = sum(path.stat().st_size for path in kept.made)
    name = kept.write(body)
    return name, {**body, "new_bytes": new}


def _told(kept: Store, name: str, body: dict[str, Any], removed: list[str], home: Path) -> Made:
    return Made(
        name=name,
        folder=str(kept.folder),
        jobs=len(body["jobs"]),
        entries=sum(each["entries"] for each in body["jobs"].values()),
        files=len(body["files"]),
        bytes=body["database"]["bytes"] + sum(each["bytes"] for each in body["files"]),
        new_bytes=body["new_bytes"],
        trouble=tuple(body["trouble"]),
        removed=tuple(removed),
        same_disk=kept.folder.stat().st_dev == home.stat().st_dev,
    )


def _room(kept: Store, home: Path) -> None:
    """See beforehand that there is room for what is new."""
    database = settings.REFETTLE_DATABASE
    needs = SPARE
    if isinstance(database, SqliteFile):
        needs += database.path.stat().st_size
    for _, path, sha256 in _by_hash():
        size = path.stat().st_size
        needs += 0 if kept.size(sha256) == size else size
    free = shutil.disk_usage(kept.folder).free
    if free < needs:
        raise BackupError(
            f"{kept.folder}: the disk is full: {free / 1e6:.0f} MB free, {needs / 1e6:.0f} MB needed. No backup was "
            "made; make room, or keep fewer with --keep"
        )


# ---------------------------------------------------------------- the database


def _copy_database(part: Path, say: Say) -> None:
    database = settings.REFETTLE_DATABASE
    if isinstance(database, SqliteFile):
        source = sqlite3.connect(database.path, timeout=60)
        with closing(source), closing(sqlite3.connect(part)) as target:
            source.backup(target)  # in one step: all pages under one lock for reading
    else:
        _copy_server(database, part, say)
    with closing(sqlite3.connect(part)) as target:
        target.execute("PRAGMA journal_mode=DELETE")  # one file, nothing beside it


def _copy_server(server: PostgresqlServer, part: Path, say: Say) -> None:
    from django.core.management import call_command

    with _known(SqliteFile(part)):
        call_command("migrate", database=ALIAS, verbosity=0, interactive=False)
        try:
            moving.move(target=ALIAS, say=say, lock=False)
        except moving.MoveError as error:
            raise BackupError(f"{server}: {error}. No backup was made") from None


@contextmanager
def _known(database: SqliteFile) -> Iterator[None]:
    """A database file that Django knows beside the book's own."""
    moving.connect(database, ALIAS)
    try:
        yield
    finally:
        connections[ALIAS].close()
        del connections[ALIAS]
        connections.settings.pop(ALIAS, None)


@contextmanager
def _opened(part: Path) -> Iterator[None]:
    """What asks for the book inside gets it from the copy."""
    with _known(_Copied(part)), moving.reading(ALIAS):
        yield


def _settle_database(kept: Store, part: Path) -> dict[str, Any]:
    with part.open("rb") as file:
        sha256 = hashlib.file_digest(file, "sha256").hexdigest()
        size = os.fstat(file.fileno()).st_size
        os.fsync(file.fileno())
    facts = {"sha256": sha256, "bytes": size, "schema": schema(part), "tables": tables(part)}
    kept.settle(part, sha256, size)
    return facts


# ---------------------------------------------------------------- photos, files, unit types, block kinds


def _by_hash() -> Iterator[tuple[str, Path, str]]:
    """Photos and files on the disk: path in a backup, path here, hash by its name. Smaller copies are made again."""
    endings = {f".{ending}" for ending in photos.ENDINGS.values()}
    for folder, name in ((settings.REFETTLE_PHOTOS, "photos"), (settings.REFETTLE_FILES, "files")):
        for path in sorted(Path(folder).glob("??/*")):
            sha256 = path.stem if name == "photos" else path.name
            fits = (path.suffix in endings) if name == "photos" else True
            if fits and len(sha256) == 64 and set(sha256) <= set("0123456789abcdef") and path.is_file():
                yield f"{name}/{sha256[:2]}/{path.name}", path, sha256


def _own() -> Iterator[tuple[str, Path]]:
    for folder, name in ((settings.REFETTLE_TYPES, "types"), (settings.REFETTLE_KINDS, "kinds")):
        for path in sorted(Path(folder).rglob("*")):
            if path.is_file() and not path.name.startswith("."):
                yield f"{name}/{path.relative_to(folder).as_posix()}", path


def _named() -> dict[str, str]:
    """Path in a backup -> where it is named, of all photos and files that the copied database names."""
    where = doctor.named_in_logs(("photo", "photos"))
    found = {
        photos.original_path(Path("photos"), sha256, file_format).as_posix(): where.get(sha256, "a photo of the book")
        for sha256, file_format in Photo.objects.exclude(sha256__in=ErasedPhoto.objects.values("sha256"))
        .order_by("pk")
        .values_list("sha256", "format")
    }
    kept = doctor.named_in_logs(("file", "netlist"))
    for sha256, name in PriceList.objects.order_by("pk").values_list("sha256", "name"):
        kept.setdefault(sha256, f"price list '{name}'")
    for sha256, name in KitVersion.objects.exclude(board="").values_list("board", "name"):
        kept.setdefault(sha256, f"kit '{name}'")
    return found | {files.path_of(Path("files"), sha256).as_posix(): said for sha256, said in kept.items()}


def _copy_files(kept: Store, home: Path, named: dict[str, str]) -> tuple[list[dict[str, Any]], list[str]]:
    """Copy what is not there yet; gives the list, and what is lacking."""
    listed: dict[str, dict[str, Any]] = {}
    trouble: list[str] = []
    for where, path, sha256 in _by_hash():
        size = path.stat().st_size
        if size == 0 or kept.size(sha256) != size:
            had = kept.size(sha256)
            try:
                found, size = _add(kept, path, sha256)
            except OSError as error:
                if error.errno in FULL:
                    raise
                found = (error.strerror or str(error)).lower()
            if found != sha256:
                if had is None and where not in named:
                    trouble.append(f"{where} is no longer what was kept, and is named nowhere")
                continue
        listed[where] = {"path": where, "sha256": sha256, "bytes": size}
    for where, path in _own():
        try:
            safe_path(where)
            sha256, size = kept.add(path)
        except BackupError as error:
            trouble.append(f"{error}; not copied")
            continue
        except OSError as error:
            if error.errno in FULL:
                raise
            trouble.append(f"{where} cannot be read: {(error.strerror or str(error)).lower()}")
            continue
        listed[where] = {"path": where, "sha256": sha256, "bytes": size}
    for where, said in named.items():
        if where in listed:
            continue
        sha256 = Path(where).name.partition(".")[0]
        had = kept.size(sha256)
        if had is not None:
            listed[where] = {"path": where, "sha256": sha256, "bytes": had}
            trouble.append(f"{where} ({said}) is missing or altered in the book; taken over from an earlier backup")
        else:
            trouble.append(f"{where} ({said}) is missing or altered, and in no earlier backup")
    return [listed[where] for where in sorted(listed)], trouble


def _add(kept: Store, path: Path, sha256: str) -> tuple[str, int]:
    """Copy a file in only if it is what its name says."""
    with path.open("rb") as file:
        found = hashlib.file_digest(file, "sha256").hexdigest()
    return kept.add(path) if found == sha256 else (found, 0)


__all__ = ["KEEP", "BackupError", "Made", "back_up"]
