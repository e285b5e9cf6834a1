"""Locks on open files, gone with the process that holds them, however it ends."""

from __future__ import annotations

import errno
import os

NO_LOCKS = (errno.ENOLCK, errno.ENOSYS, errno.EOPNOTSUPP, errno.EROFS, errno.EACCES, errno.EPERM)
"""Where the disk, or the leave to write there, knows none."""
FAR = 1 << 30
"""Where Windows locks its one byte: behind what is written, since there nobody can read what is locked."""


def lock(handle: int, *, shared: bool = False) -> None:
    """Lock an open file without waiting. Windows knows no shared ones here: the first holds it alone.

    Raises
    ------
    OSError
        Somebody else has it (`is_held`), or there are no locks (NO_LOCKS).
    """
    if os.name == "posix":
        import fcntl

        fcntl.flock(handle, (fcntl.LOCK_SH if shared else fcntl.LOCK_EX) | fcntl.LOCK_NB)
        return
    import msvcrt

    os.lseek(handle, FAR, os.SEEK_SET)
    msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined]


def is_held(error: OSError) -> bool:
    """True for a lock that somebody else has: said as EACCES or EAGAIN."""
    return error.errno == errno.EAGAIN or (error.errno == errno.EACCES and error.filename is None)
