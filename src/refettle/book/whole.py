"""Writing a file whole or not at all."""

from __future__ import annotations

import errno
import os
import tempfile
import time
from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path

FULL = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)
FULL_ON_SERVER = "53100"
"""What PostgreSQL calls it (its manual, "PostgreSQL Error Codes": disk_full)."""
UNFINISHED = ".new-"
LONG_AGO_S = 3600.0
"""[s] Nobody writes at one file for so long."""


def write_whole(path: Path, content: bytes) -> None:
    """Write a file so that it is there whole or not at all, also after a power cut."""
    if path.exists() and path.stat().st_size == len(content):
        return
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, name = tempfile.mkstemp(prefix=UNFINISHED, dir=path.parent)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        settle(Path(name), path)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise


def settle(written: Path, path: Path) -> None:
    """Put a file that is wholly written and synced in its place, so that it stays there after a power cut."""
    os.replace(written, path)
    if os.name == "posix":  # the folder's own entry
        for folder in (path.parent, path.parent.parent):
            descriptor = os.open(folder, os.O_RDONLY)
            try:
                os.fsync(descriptor)
            finally:
                os.close(descriptor)


def clear_unfinished(folders: Iterable[Path]) -> None:
    """Take away what a program that was killed had begun to write. Nothing names it; what is being written stays."""
    for folder in folders:
        for path in folder.rglob(f"{UNFINISHED}*"):
            with suppress(OSError):
                if path.is_file() and time.time() - path.stat().st_mtime > LONG_AGO_S:
                    path.unlink()


def is_full(error: BaseException | None) -> bool:
    """True if what went wrong is a disk without room: a file's, SQLite's (SQLITE_FULL) or a PostgreSQL server's."""
    seen: set[int] = set()
    while error is not None and id(error) not in seen:
        seen.add(id(error))
        if isinstance(error, OSError) and error.errno in FULL:
            return True
        if getattr(error, "sqlstate", "") == FULL_ON_SERVER or str(error) == "database or disk is full":
            return True
        error = error.__cause__ or error.__context__
    return False
