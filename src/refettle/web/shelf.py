"""Files sent for a look: kept in the data folder without a name until the book is closed, oldest out first.

A file looked at on a tool page belongs to no job; what belongs to one is kept by its hash (`book.files`).
"""

from __future__ import annotations

import atexit
import secrets
import tempfile
from collections import OrderedDict
from collections.abc import Iterable, Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass, field
from pathlib import PurePath
from threading import Lock
from typing import IO, Protocol

from django.conf import settings

from refettle.language import tr

MOST_FILES = 16
MOST_BYTES = 1_500_000_000
"""All together."""


class ShelfError(ValueError):
    """The file cannot be taken; names the field, what was found and what is allowed."""


class Sent(Protocol):
    """An upload."""

    @property
    def name(self) -> str | None: ...

    @property
    def size(self) -> int | None: ...

    def chunks(self, chunk_size: int | None = ...) -> Iterable[bytes]: ...


class Held(Protocol):
    """A file that can be read again and again: one of the shelf, or one of the book."""

    @property
    def token(self) -> str: ...

    @property
    def name(self) -> str: ...

    def reading(self) -> AbstractContextManager[IO[bytes]]: ...

    def data(self) -> bytes: ...


@dataclass
class Kept:
    """A file on the shelf."""

    token: str
    name: str
    size: int
    file: IO[bytes]
    lock: Lock = field(default_factory=Lock)
    dropped: bool = False

    @contextmanager
    def reading(self) -> Iterator[IO[bytes]]:
        """The open file from its start, for one reader at a time. Raises ShelfError if it had to make room."""
        with self.lock:
            if self.file.closed:
                raise ShelfError(tr("{name}: no longer here; allowed: send it again", name=self.name))
            try:
                self.file.seek(0)
                yield self.file
            finally:
                if self.dropped:
                    self.file.close()

    def data(self) -> bytes:
        """All of it. Raises ShelfError."""
        with self.reading() as file:
            return file.read()

    def drop(self) -> None:
        """Let go of it: now, or when who reads it has done."""
        self.dropped = True
        if self.lock.acquire(blocking=False):
            self.file.close()
            self.lock.release()


_kept: OrderedDict[str, Kept] = OrderedDict()
_guard = Lock()


def put(sent: Sent, name: str, most: int) -> Kept:
    """Take an upload.

    Parameters
    ----------
    name : str
        The field, for the message.
    most : int
        [byte] The largest file allowed.

    Raises
    ------
    ShelfError
        Empty, or too large.
    """
    allowed = tr("a file of 1 byte to {most:.0f} MB", most=most / 1e6)
    size = sent.size or 0
    if size > most:
        raise ShelfError(
            tr("{name}: {size:.0f} MB found; allowed: {allowed}", name=name, size=size / 1e6, allowed=allowed)
        )
    if not size:
        raise ShelfError(tr("{name}: an empty file found; allowed: {allowed}", name=name, allowed=allowed))
    file = tempfile.TemporaryFile(dir=settings.REFETTLE_HOME)  # noqa: SIM115 - open as long as it is on the shelf
    for chunk in sent.chunks():
        file.write(chunk)
    return _shelved(Kept(secrets.token_urlsafe(12), PurePath(sent.name or "file").name[:200], size, file))


def _shelved(kept: Kept) -> Kept:
    with _guard:
        _kept[kept.token] = kept
        while len(_kept) > MOST_FILES or sum(k.size for k in _kept.values()) > MOST_BYTES:
            _, oldest = _kept.popitem(last=False)
            if oldest is kept:  # alone over the limit: it stays, for its own page
                _kept[kept.token] = kept
                break
            oldest.drop()
    return kept


def put_again(file: IO[bytes], name: str) -> Kept:
    """Take a copy of an open file that was taken before, to look at it anew."""
    copy = tempfile.TemporaryFile(dir=settings.REFETTLE_HOME)  # noqa: SIM115 - open as long as it is on the shelf
    size = 0
    while block := file.read(1 << 20):
        size += copy.write(block)
    return _shelved(Kept(secrets.token_urlsafe(12), name, size, copy))


def find(token: str) -> Kept | None:
    """The file, if it is still there."""
    with _guard:
        kept = _kept.get(token)
        if kept is not None:
            _kept.move_to_end(token)
        return kept


@atexit.register
def clear() -> None:
    """Let go of all."""
    with _guard:
        for kept in _kept.values():
            kept.drop()
        _kept.clear()
