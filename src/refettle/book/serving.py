"""Whether a bench book is being served: the server holds a lock in its data folder as long as it runs.

`serving.lock` names the server's process and address, and is locked; the lock ends with the process, however that ends,
and what is left in the file then means nothing. A book that lies elsewhere than in the data folder has one beside it
as well, so that it is known whichever data folder it is asked by. Servers share the lock; what takes the book away from
under them (restoring, moving) wants it alone. Where a disk knows no locks, nobody is stopped.
"""

from __future__ import annotations

import os
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

from refettle.book.databases import Database, SqliteFile
from refettle.book.locks import NO_LOCKS, is_held, lock

NAME = "serving.lock"
TRIES, AGAIN_S = 20, 0.1
"""A server tries again for so long: somebody may just be looking."""


class ServedError(Exception):
    """A server runs on this book, or must wait; says which, and what to do."""


def places(home: Path, database: Database | None = None) -> list[Path]:
    """Where the locks of a book are."""
    found = [home / NAME]
    if isinstance(database, SqliteFile) and database.path.resolve().parent != home.resolve():
        found.append(database.path.with_name(f"{database.path.name}.{NAME}"))
    return found


@contextmanager
def serving(home: Path, database: Database, address: str) -> Iterator[None]:
    """A server runs inside. Raises ServedError while the book is being restored or moved."""
    with ExitStack() as held:
        for place in places(home, database):
            held.enter_context(_open_to_all(place, address))
        yield


@contextmanager
def _open_to_all(place: Path, address: str) -> Iterator[None]:
    handle = _open(place, make=True)
    if handle is None:
        yield
        return
    try:
        if _got(handle):  # nobody else: what is written there is of servers that ended
            os.truncate(handle, 0)
        for _ in range(TRIES):
            if got := _got(handle, shared=True):
                break
            time.sleep(AGAIN_S)
        if not got and os.name == "posix":
            raise ServedError(f"{place.parent} is being restored or moved now; start again when that is over")
        os.lseek(handle, 0, os.SEEK_END)
        os.write(handle, f"{os.getpid()} {address}\n".encode())
        yield
    finally:
        os.close(handle)


@contextmanager
def alone(home: Path, database: Database | None = None) -> Iterator[None]:
    """No server runs on the book inside, and none starts. Raises ServedError."""
    with ExitStack() as held:
        for place in places(home, database):
            held.enter_context(_closed_to_all(place))
        yield


@contextmanager
def _closed_to_all(place: Path) -> Iterator[None]:
    # In an empty folder no file is made: it is to be taken away.
    there = place.parent.is_dir() and any(place.parent.iterdir())
    handle = _open(place, make=True) if there else None
    if handle is None:
        yield
        return
    try:
        if not _got(handle):
            raise ServedError(f"{place.parent} is being served {_told(place)}; stop that first (Ctrl-C where it runs)")
        yield
    finally:
        os.close(handle)


def served_by(home: Path, database: Database | None = None) -> str:
    """Who serves a book now, in words; '' where nobody does."""
    for place in places(home, database):
        handle = _open(place, make=False)
        if handle is None:
            continue
        try:
            if not _got(handle):
                return _told(place)
        finally:
            os.close(handle)
    return ""


def _told(place: Path) -> str:
    """What the servers that run wrote there."""
    try:
        lines = place.read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError):
        lines = []
    found = [(pid, address) for pid, _, address in (line.partition(" ") for line in lines) if _lives(pid)]
    return " and ".join(f"at {address} by process {pid}" for pid, address in found) or "by another program"


def _lives(pid: str) -> bool:
    if not pid.isdecimal() or len(pid) > 9:
        return False
    if os.name != "posix":  # there a signal would end it
        return True
    try:
        os.kill(int(pid), 0)
    except ProcessLookupError:
        return False
    except PermissionError:
        pass
    return True


def _open(place: Path, *, make: bool) -> int | None:
    """The lock's file, open; None where there is none, or none can be made."""
    try:
        return os.open(place, os.O_RDWR | os.O_APPEND | (os.O_CREAT if make else 0), 0o600)
    except OSError:
        return None


def _got(handle: int, *, shared: bool = False) -> bool:
    """True if the lock is ours now, or there are none here. Shared takes the place of one held alone."""
    try:
        lock(handle, shared=shared)
    except OSError as error:
        if is_held(error) or error.errno not in NO_LOCKS:
            return False
    return True
