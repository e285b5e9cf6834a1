"""What goes wrong between the bench and the book."""

from __future__ import annotations


class InstrumentError(ValueError):
    """An instrument that does not answer, answers nonsense, or cannot be reached; the message says what to look at."""


class InstrumentStopped(InstrumentError):  # noqa: N818 - reads as what it is
    """Reading was stopped on request."""
