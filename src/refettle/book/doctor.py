"""Looking the whole book over: the database, its guards, photos and files, logs, sums of the stores, room on the disk.

Nothing is changed. `examine` reads everything; `glance` only what is quick enough for every start of the server.
"""

from __future__ import annotations

import hashlib
import shutil
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from django.conf import settings
from django.db import DatabaseError, connection

from refettle.book import files, guards, orders_check, photos, store, stores_check
from refettle.book.databases import SqliteFile
from refettle.book.log import LogError
from refettle.book.models import Entry, Job, Photo, TypeVersion
from refettle.book.models_prices import PriceList
from refettle.book.models_privacy import ErasedPhoto
from refettle.book.moving import table_digest, tables
from refettle.book.privacy_check import altered_entries, not_as_erased
from refettle.book.serving import served_by
from refettle.faults import ModelError
from refettle.knowledge.errors import KnowledgeError

LEAST_FREE = 1_000_000_000
"""[byte] A day of photos and recordings, and room for a copy of the database before a migration."""
SHOWN = 20
"""Of one kind of finding; the rest is counted."""
SAFE = ("fsync", "full_page_writes", "synchronous_commit")
"""Settings of a PostgreSQL server that keep an acknowledged entry over a power cut."""
RESTORE = "Stop the bench book and restore a backup of the database; keep the damaged one."


@dataclass(frozen=True)
class Finding:
    """Something that is wrong: of what, what was found, what to do."""

    area: str
    says: str
    do: str


@dataclass(frozen=True)
class Looked:
    """One part of the look: what was looked at, in words, and what was found wrong there."""

    area: str
    says: str
    findings: tuple[Finding, ...] = ()


def examine(tell: Callable[[str], None] = lambda line: None) -> list[Looked]:
    """Everything, by part. Told beforehand what is looked at."""
    try:
        connection.ensure_connection()
    except DatabaseError:
        return [_safely("disk", _disk), _server()]  # why it does not open is said where it was opened
    looks: list[Looked] = []
    for area, look in (
        ("database", lambda: _database(whole=True)),
        ("guards", _guards),
        ("photos", lambda: _photos(whole=True)),
        ("files", _files),
        ("unit types", _types),
        ("logs", _logs),
        ("stores", _stores),
        ("disk", _disk),
        ("server", _server),
    ):
        tell(area)
        looks.append(_safely(area, look))
    return looks


def glance() -> list[Finding]:
    """What can be seen in a moment: a damaged database, photos that are gone, a full disk."""
    looks = {
        "database": lambda: _database(whole=False),
        "photos": lambda: _photos(whole=False),
        "disk": _disk,
    }
    return [finding for area, look in looks.items() for finding in _safely(area, look).findings]


def _safely(area: str, look: Callable[[], Looked]) -> Looked:
    """A look that a damaged database cannot stop the others by."""
    try:
        return look()
    except DatabaseError as error:
        said = next(iter(str(error).splitlines()), "no answer")
        return Looked(area, "could not be read", (Finding(area, f"the database cannot be read: {said}", RESTORE),))


def _few(findings: list[Finding]) -> tuple[Finding, ...]:
    if len(findings) <= SHOWN:
        return tuple(findings)
    more = Finding(findings[0].area, f"and {len(findings) - SHOWN} more of this kind", findings[0].do)
    return (*findings[:SHOWN], more)


# ---------------------------------------------------------------- database


def _database(whole: bool) -> Looked:
    check = _check_sqlite if connection.vendor == "sqlite" else _check_server
    findings = [Finding("database", said, do) for said, do in check(whole)]
    if findings or not whole:
        return Looked("database", str(settings.REFETTLE_DATABASE), _few(findings))
    counted = [table_digest(model, "default").rows for model in tables()]
    return Looked("database", f"{settings.REFETTLE_DATABASE}: {sum(counted)} rows in {len(counted)} tables can be read")


def _check_sqlite(whole: bool) -> Iterator[tuple[str, str]]:
    # SQLite's documentation, "PRAGMA integrity_check": quick_check leaves out that indexes match their tables.
    with connection.cursor() as cursor:
        cursor.execute("PRAGMA integrity_check" if whole else "PRAGMA quick_check")
        for (said,) in cursor.fetchall():
            if said != "ok":
                yield f"damaged: {said}", RESTORE
        if not whole:
            return
        cursor.execute("PRAGMA foreign_key_check")
        for table, row, parent, _ in cursor.fetchall():
            yield f"{table}, row {row}, belongs to a row of {parent} that is not there", RESTORE


def _check_server(whole: bool) -> Iterator[tuple[str, str]]:
    with connection.cursor() as cursor:
        for name in SAFE:
            cursor.execute("SELECT current_setting(%s)", [name])
            (value,) = cursor.fetchone()
            if value == "off":
                yield (
                    f"the server's setting {name} is off: an entry that was acknowledged may be lost in a power cut",
                    f"Turn {name} on in postgresql.conf.",
                )
        cursor.execute(
            "SELECT conrelid::regclass::text, conname FROM pg_constraint "
            "WHERE NOT convalidated AND connamespace = current_schema()::regnamespace"
        )
        for table, name in cursor.fetchall():
            yield f"the rule {name} of {table} was switched off once and never checked since", RESTORE


def _guards() -> Looked:
    lost = guards.missing(connection)
    wanted = len(guards.statements(connection.vendor))
    findings = [
        Finding("guards", f"the append-only guard {name} is missing: another program changed the database", RESTORE)
        for name in lost
    ]
    findings += [Finding("guards", said, RESTORE) for said in not_as_erased()]
    says = f"{wanted - len(lost)} of {wanted} are in place"
    altered = altered_entries()
    says += f"; {altered} entr{'ies' if altered > 1 else 'y'} altered by erasures on request" if altered else ""
    return Looked("guards", says, _few(findings))


# ---------------------------------------------------------------- photos and files


def _altered(path: Path, sha256: str, whole: bool) -> str:
    """What is wrong with a kept file; '' for nothing."""
    try:
        if not whole:
            return "" if path.is_file() else "is missing"
        with path.open("rb") as file:
            found = hashlib.file_digest(file, "sha256").hexdigest()
    except FileNotFoundError:
        return "is missing"
    except OSError as error:
        return f"cannot be read ({(error.strerror or str(error)).lower()})"
    return "" if found == sha256 else "is no longer what was kept"


def named_in_logs(keys: tuple[str, ...]) -> dict[str, str]:
    """Hashes that the logs name under these fields -> where first."""
    named: dict[str, str] = {}
    rows = Entry.objects.order_by("job__number", "n").values_list("job__number", "n", "data")
    for number, n, data in rows.iterator():
        for key in keys:
            value: Any = data.get(key)
            for each in value.values() if isinstance(value, dict) else [value]:
                if isinstance(each, str) and len(each) == 64:
                    named.setdefault(each, f"job {number}, entry {n}")
    return named


def _photos(whole: bool) -> Looked:
    folder: Path = settings.REFETTLE_PHOTOS
    findings: list[Finding] = []
    erased = set(ErasedPhoto.objects.values_list("sha256", flat=True))
    photos_ = Photo.objects.exclude(sha256__in=erased).order_by("pk")
    known = dict(photos_.values_list("sha256", "format"))
    named = named_in_logs(("photo", "photos")) if whole else {}
    for sha256, file_format in known.items():
        path = photos.original_path(folder, sha256, file_format)
        if wrong := _altered(path, sha256, whole):
            where = f" ({named[sha256]})" if sha256 in named else ""
            do = "Put it back from a backup of the photos folder."
            findings.append(Finding("photos", f"{path}{where} {wrong}", do))
    says = f"{len(known) - len(findings)} of {len(known)} are as kept"
    says += f", {len(erased)} removed on request" if erased else ""
    for sha256 in sorted(set(named) - set(known) - erased):
        said = f"the photo {sha256[:12]}… that {named[sha256]} names was never kept in this book"
        findings.append(Finding("photos", said, "Add the photo to the job: the same file gets the same name."))
    return Looked("photos", says, _few(findings))


def _files() -> Looked:
    folder: Path = settings.REFETTLE_FILES
    named = named_in_logs(("file", "netlist"))
    for sha256, name in PriceList.objects.order_by("pk").values_list("sha256", "name"):
        named.setdefault(sha256, f"price list '{name}'")
    do = "Put it back from a backup of the files folder, or upload it again."
    findings = [
        Finding("files", f"{path} ({where}) {wrong}", do)
        for sha256, where in named.items()
        if (wrong := _altered(path := files.path_of(folder, sha256), sha256, whole=True))
    ]
    return Looked("files", f"{len(named) - len(findings)} of {len(named)} are as kept", _few(findings))


# ---------------------------------------------------------------- what follows


def _types() -> Looked:
    versions = TypeVersion.objects.order_by("pk").iterator(chunk_size=10)
    good, findings = 0, []
    for version in versions:
        if version.digest() == version.sha256:
            good += 1
        else:
            findings.append(
                Finding("unit types", f"{version.name}, as jobs keep it, is no longer what was kept", RESTORE)
            )
    return Looked("unit types", f"{good} of {good + len(findings)} are as kept", _few(findings))


def _logs() -> Looked:
    findings: list[Finding] = []
    numbers = list(Job.objects.order_by("number").values_list("number", flat=True))
    for number in numbers:
        try:
            store.job_state(store.find_job(number))
        except (LogError, KnowledgeError, ModelError) as error:
            says = f"job {number} no longer replays: {error}"
            findings.append(Finding("logs", says, "Put the entry that it names right by a correction."))
    return Looked("logs", f"{len(numbers) - len(findings)} of {len(numbers)} jobs replay", _few(findings))


def _stores() -> Looked:
    do = "Count that part, lot by lot: a count writes a line of the ledger that puts it right."
    ordered = "Restore a backup, or say what came anew on the order's page; its receipts are what was written."
    findings = [Finding("stores", str(each), do) for each in stores_check.verify()]
    findings += [Finding("stores", str(each), ordered) for each in orders_check.verify()]
    says = f"{len(findings)} sums do not add up" if findings else "all sums add up"
    return Looked("stores", says, _few(findings))


def _disk() -> Looked:
    database = settings.REFETTLE_DATABASE
    folders = {Path(settings.REFETTLE_HOME)}
    if isinstance(database, SqliteFile):
        folders.add(database.path.parent)
    free = {folder: shutil.disk_usage(folder).free for folder in sorted(folders)}
    findings = [
        Finding("disk", f"{folder}: {left / 1e9:.2f} GB free", "Make room: from 1 GB on nothing is at risk.")
        for folder, left in free.items()
        if left < LEAST_FREE
    ]
    says = ", ".join(f"{left / 1e9:.1f} GB free in {folder}" for folder, left in free.items())
    return Looked("disk", says, _few(findings))


def _server() -> Looked:
    """Whether the book is in use now: then it cannot be restored or moved. Never wrong."""
    by = served_by(Path(settings.REFETTLE_HOME), settings.REFETTLE_DATABASE)
    return Looked("server", f"the book is being served {by}" if by else "the book is not being served")
