"""What the commands share: refusing, printing, opening the book."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from refettle.web.home import Home

DONE, DOES_NOT_HOLD, BAD_INPUT = 0, 1, 2


class Refused(Exception):  # noqa: N818 - reads as what it is
    """What was asked cannot be done; the message is for the person who asked."""

    def __init__(self, message: str, status: int = BAD_INPUT) -> None:
        super().__init__(message)
        self.status = status


def file_bytes(name: str, most: int) -> bytes:
    """The bytes of a file, or of standard input for '-': one more than `most` where it is longer. Raises Refused."""
    try:
        if name == "-":
            return sys.stdin.buffer.read(most + 1)
        with Path(name).open("rb") as file:
            return file.read(most + 1)
    except OSError as error:
        raise Refused(f"{name}: {(error.strerror or str(error)).lower()}") from None


def print_json(value: Any) -> None:
    """Print a value as JSON, readable; times and decimals as text."""
    print(json.dumps(value, ensure_ascii=False, indent=2, default=str))


def quantity_option(option: str, text: str | None, unit: str) -> float | None:
    """A quantity as typed after an option, in SI; None where it was not given. Raises Refused naming the option."""
    from refettle.quantities import QuantityError, parse

    if text is None:
        return None
    try:
        return parse(text, unit)
    except QuantityError as error:
        raise Refused(f"{option}: {error}") from None


@contextmanager
def refusing() -> Iterator[None]:
    """Turn the errors that say what was wrong with the input into a refusal."""
    from refettle.book.log import LogError
    from refettle.book.typefiles import NoSuchTypeError
    from refettle.knowledge.errors import KnowledgeError

    try:
        yield
    except (LogError, NoSuchTypeError, KnowledgeError) as error:
        raise Refused(str(error)) from None


def open_book() -> Home:
    """Make the bench book ready for use; what is made or changed is told on stderr."""
    import sys

    from refettle.web.start import StartError, start

    try:
        return start(lambda line: print(line, file=sys.stderr))
    except StartError as error:
        raise Refused(str(error)) from None


def read_log_text(option: str, name: str) -> str:
    """The text of a log file, or of standard input for '-'. Raises Refused, naming the option it came by."""
    import sys
    from pathlib import Path

    try:
        raw = sys.stdin.buffer.read() if name == "-" else Path(name).read_bytes()
        return raw.decode("utf-8-sig")
    except OSError as error:
        raise Refused(f"{option} {name}: {(error.strerror or str(error)).lower()}") from None
    except UnicodeDecodeError as error:
        line = error.object[: error.start].count(b"\n") + 1
        raise Refused(f"{option} {name}: line {line}: bytes that are no UTF-8; allowed: text in UTF-8") from None


def table(rows: list[list[str]]) -> str:
    """Rows as aligned columns, the first row being the heads; long cells are kept whole."""
    widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))]
    lines = ["  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in rows]
    return "\n".join(lines)
