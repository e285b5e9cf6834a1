"""How lines are printed where the server was started: one event, one line, whatever a visitor put into it."""

from __future__ import annotations

import logging
import re

SECRET = re.compile(r"(/join/)[A-Za-z0-9_-]{8,}")
"""The address of a link that signs a phone in."""


class OneLine(logging.Formatter):
    """Line breaks and other control characters of a message are written out, so that nobody forges a line; the lines of
    a traceback are set in. A link's secret is left out."""

    def formatMessage(self, record: logging.LogRecord) -> str:  # noqa: N802 - logging's name
        record.message = SECRET.sub(r"\1...", "".join(c if c.isprintable() else ascii(c)[1:-1] for c in record.message))
        return super().formatMessage(record)

    def formatException(self, ei: object) -> str:  # noqa: N802 - logging's name
        text = SECRET.sub(r"\1...", super().formatException(ei))  # type: ignore[arg-type]
        return "\n".join(
            "    " + "".join(c if c.isprintable() else ascii(c)[1:-1] for c in line) for line in text.split("\n")
        )


class Odd(logging.Filter):
    """Of the requests that were refused lets those through that no page of ours sends: by a method or a person that may
    not. An address that is not there is told to who asked, and to nobody else."""

    def filter(self, record: logging.LogRecord) -> bool:
        return record.levelno >= logging.ERROR or getattr(record, "status_code", 0) in (403, 405)
