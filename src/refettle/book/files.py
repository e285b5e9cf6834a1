"""Board layouts, parts lists, netlists, captures, recordings: taken in under a limit, kept as they are by their hash.

`<folder>/<first two digits>/<sha256>` holds the file's bytes, unchanged.
"""

from __future__ import annotations

import hashlib
import os
import re
import tempfile
from pathlib import Path
from typing import IO, Protocol

from refettle.book.whole import settle, write_whole
from refettle.language import tr
from refettle.parts.board_text import MAX_BYTES


class FileError(ValueError):
    """The file cannot be kept or is not there; says what was found and what is allowed."""


def _allowed() -> str:
    return tr("a file of 1 byte to {max_bytes:.0f} MB", max_bytes=MAX_BYTES / 1e6)


class Readable(Protocol):
    """An open file or an upload."""

    def read(self, size: int = ..., /) -> bytes: ...


def read_upload(file: Readable, name: str = "file") -> bytes:
    """The bytes of a file from where it stands.

    Raises
    ------
    FileError
        Empty, or over `parts.board_text.MAX_BYTES`.
    """
    data = file.read(MAX_BYTES + 1)
    if len(data) > MAX_BYTES:
        raise FileError(
            tr(
                "{name}: more than {max_bytes:.0f} MB found; allowed: {allowed}",
                name=name,
                max_bytes=MAX_BYTES / 1e6,
                allowed=_allowed(),
            )
        )
    if not data:
        raise FileError(tr("{name}: an empty file found; allowed: {allowed}", name=name, allowed=_allowed()))
    return data


def keep(data: bytes, folder: Path) -> str:
    """Keep these bytes; gives their sha256. They are there whole or not at all, also after a power cut.

    Raises
    ------
    FileError
        Empty, or over the limit.
    OSError
        The folder cannot be written.
    """
    if not 0 < len(data) <= MAX_BYTES:
        raise FileError(tr("file: {data:.0f} MB found; allowed: {allowed}", data=len(data) / 1e6, allowed=_allowed()))
    sha256 = hashlib.sha256(data).hexdigest()
    path = path_of(folder, sha256)
    write_whole(path, data)
    return sha256


def keep_stream(file: Readable, folder: Path, most: int) -> str:
    """Keep a file too large for memory, from where it stands; gives its sha256. There whole or not at all.

    Raises
    ------
    FileError
        Empty, or over `most` bytes.
    OSError
        The folder cannot be written.
    """
    folder.mkdir(parents=True, exist_ok=True)
    digest, size = hashlib.sha256(), 0
    with tempfile.NamedTemporaryFile(dir=folder, prefix=".new-", delete=False) as part:
        try:
            while block := file.read(1 << 20):
                size += len(block)
                if size > most:
                    raise FileError(tr("file: more than {most:.0f} MB found; allowed: at most that", most=most / 1e6))
                digest.update(block)
                part.write(block)
            if not size:
                raise FileError(tr("file: an empty file found; allowed: a file with something in it"))
            part.flush()
            os.fsync(part.fileno())
        except BaseException:
            Path(part.name).unlink(missing_ok=True)
            raise
    path = path_of(folder, digest.hexdigest())
    path.parent.mkdir(parents=True, exist_ok=True)
    settle(Path(part.name), path)
    return digest.hexdigest()


def open_kept(sha256: str, folder: Path) -> IO[bytes]:
    """The file kept under a hash, open for reading. Raises FileError."""
    path = path_of(folder, sha256)
    try:
        return path.open("rb")
    except OSError as error:
        raise _not_there(sha256, folder, error) from None


def fetch(sha256: str, folder: Path) -> bytes:
    """The bytes kept under a hash.

    Raises
    ------
    FileError
        Not there, cannot be read, or no longer what was kept.
    """
    path = path_of(folder, sha256)
    try:
        data = path.read_bytes()
    except OSError as error:
        raise _not_there(sha256, folder, error) from None
    if hashlib.sha256(data).hexdigest() != sha256:
        raise FileError(
            tr(
                "The file {sha256}… in {folder} is no longer what was kept: upload it again.",
                sha256=sha256[:12],
                folder=folder,
            )
        )
    return data


def _not_there(sha256: str, folder: Path, error: OSError) -> FileError:
    reason = (error.strerror or str(error)).lower()
    return FileError(
        tr(
            "The file {sha256}… is in the log, but cannot be read in {folder}: {reason}. Put it back "
            "there, or upload it again.",
            sha256=sha256[:12],
            folder=folder,
            reason=reason,
        )
    )


def path_of(folder: Path, sha256: str) -> Path:
    """Where a file lies. ValueError for what is no sha256."""
    if not re.fullmatch("[0-9a-f]{64}", sha256):
        raise ValueError(tr("{sha256!r} found; allowed: a sha256 of 64 hexadecimal digits", sha256=sha256))
    return folder / sha256[:2] / sha256
