"""One thing that reads what others wrote: valid examples of it, how they are changed, how it is read and may refuse."""

from __future__ import annotations

import atexit
import json
import re
import shutil
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from random import Random
from typing import Any

from tests.support.hostile import changing
from tests.support.hostile.changing import TEXT, Change


@dataclass(frozen=True)
class Reader:
    """`examples` gives valid input, `read` reads one or raises one of `refusals`; `plain` and `inside` say how
    examples are changed."""

    name: str
    examples: Callable[[], Sequence[bytes]]
    read: Callable[[bytes], object]
    refusals: Callable[[], tuple[type[BaseException], ...]]
    plain: tuple[Change, ...] = TEXT
    inside: tuple[Change, ...] = ()
    book: bool = False
    """Whether it needs a bench book."""

    @property
    def valid(self) -> Sequence[bytes]:
        if self.name not in _VALID:
            _VALID[self.name] = tuple(self.examples())
        return _VALID[self.name]

    def make(self, seed: int, number: int) -> bytes:
        """The input of that number: always the same of the same seed."""
        rng = Random(f"{seed} {self.name} {number}")
        return changing.hostile(rng, self.valid, self.plain, self.inside)


READERS: dict[str, Reader] = {}
_VALID: dict[str, Sequence[bytes]] = {}


def reader(name: str, **more: Any) -> Callable[[Callable[[bytes], object]], Callable[[bytes], object]]:
    def put(read: Callable[[bytes], object]) -> Callable[[bytes], object]:
        READERS[name] = Reader(name, read=read, **more)
        return read

    return put


def as_typed(data: bytes) -> str:
    """As an argument of a command comes: bytes that are no UTF-8 are kept as lone surrogates."""
    return data.decode("utf-8", "surrogateescape")


def as_text(data: bytes) -> str:
    """As the text of a file comes; what is no UTF-8 is refused before."""
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise NoTextError("no UTF-8") from None


def new_folder() -> Path:
    """An empty folder, in memory where the system has such a place: the disk is not what is tried."""
    memory = Path("/dev/shm")
    folder = Path(tempfile.mkdtemp(prefix="hostile-", dir=memory if memory.is_dir() else None))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    return folder


class NoTextError(Exception):
    """Refused by whoever opened the file."""


def keepable(value: object, nul: bool = False) -> None:
    """PostgreSQL has neither U+0000 nor half a surrogate pair in text, nor numbers without end in JSON.

    `nul`: U+0000 may be there, as in the JSON of log entries (see `book.fields`).
    """
    text = json.dumps(value, ensure_ascii=False, allow_nan=False, default=str)
    text.encode()
    assert nul or re.search(r"(?<!\\)(?:\\\\)*\\u0000", text) is None
