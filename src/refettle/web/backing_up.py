"""A backup once a day while the bench book is served, and what the bench page says when there is none."""

from __future__ import annotations

import logging
import os
import threading
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from django.db import connections
from django.utils import timezone

from refettle.book.backup import back_up
from refettle.book.backup_store import BackupError, Store
from refettle.book.kept_texts import backup_trouble
from refettle.language import several, tr
from refettle.web.environment import read_options

EVERY = timedelta(days=1)
AGAIN = timedelta(hours=1)
"""After a backup that failed."""
OLD = timedelta(days=3)
"""From then on the bench page says so: choices, all three."""
FIRST_S, LOOK_S = 30.0, 600.0
"""[s] After the start, and between two looks."""

log = logging.getLogger("refettle.backup")


@dataclass(frozen=True)
class Standing:
    """How the backups stand. `last`: when the newest that can be used was made; `lacking`: files it is without."""

    folder: Path
    last: datetime | None = None
    failed: str = ""
    lacking: int = 0
    tried: datetime | None = None


_standing: Standing | None = None
_one = threading.Lock()


def standing() -> Standing | None:
    """As last looked at by the thread; None where no backups are made here."""
    return _standing


def start_backing_up() -> threading.Thread | None:
    """Do it beside serving, if REFETTLE_BACKUP names a folder."""
    folder = read_options(os.environ).backup
    if folder is None:
        return None
    thread = threading.Thread(target=_run, args=(folder,), name="backup", daemon=True)
    thread.start()
    return thread


def _run(folder: Path) -> None:
    wait, never = FIRST_S, threading.Event()
    while not never.wait(wait):
        wait = LOOK_S
        try:
            look(folder, datetime.now(UTC))
        except Exception:
            log.exception("backup failed")
            _say(Standing(folder, failed="a fault of the bench book; the lines where it was started say why"))
        finally:
            connections.close_all()


def look(folder: Path, now: datetime) -> Standing:
    """See how the backups stand, and make one if it is time. Only into a folder that backups were begun in: a disk
    that is not put in leaves an empty folder in its place."""
    global _standing
    with _one:
        before = _standing
        kept = Store(folder)
        try:
            kept.need()
        except (BackupError, OSError) as error:
            return _say(Standing(folder, before.last if before else None, str(error), 0, now))
        found = _as_listed(kept, folder)
        due = found.last is None or now - found.last >= EVERY or found.last - now > AGAIN  # a clock set back
        waits = before is not None and before.failed and before.tried is not None and now - before.tried < AGAIN
        if not due:
            return _say(found)
        if waits and before is not None:
            return _say(Standing(folder, found.last, before.failed, found.lacking, before.tried))
        try:
            back_up(folder, begin=False)
        except BackupError as error:
            log.warning("backup failed: %s", error)
            return _say(Standing(folder, found.last, str(error), found.lacking, now))
        return _say(_as_listed(kept, folder))


def _say(found: Standing) -> Standing:
    global _standing
    _standing = found
    return found


def _as_listed(kept: Store, folder: Path) -> Standing:
    for name in reversed(kept.names()):
        listed = kept.read(name)
        if listed.body is not None:
            return Standing(folder, listed.made, lacking=len(listed.body["trouble"]))
    return Standing(folder)


def notice(now: datetime) -> str:
    """What the bench page says of the backups; '' while all is well."""
    found = _standing
    if found is None:
        return ""
    age = None if found.last is None else now - found.last
    last = None if found.last is None else f"{timezone.localtime(found.last):%Y-%m-%d %H:%M}"
    made = tr("there is none yet") if last is None else tr("the last one is of {last}", last=last)
    if found.failed:
        return tr("The backup failed: {reason}; {made}.", reason=backup_trouble(found.failed).rstrip("."), made=made)
    if age is not None and age > OLD:
        return several("The last backup is {n} day old.", "The last backup is {n} days old.", age.days)
    if found.lacking:
        return several(
            "The last backup is without {n} file; refettle doctor says which.",
            "The last backup is without {n} files; refettle doctor says which.",
            found.lacking,
        )
    return ""
