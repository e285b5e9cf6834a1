"""Experience in a job's log: the weights it was opened with. Pure: no database and no framework."""

from __future__ import annotations

from collections.abc import Iterable

from refettle.book.log import LogEntry, LogError
from refettle.knowledge.compile import CompiledType, weighted
from refettle.language import tr


def with_experience(compiled: CompiledType, entries: Iterable[LogEntry]) -> CompiledType:
    """The type with the weights of the last `experience` entry that counts; as it is where there is none.

    Raises
    ------
    LogError
        A factor of a block that the type does not have.
    """
    taken = experience_entry(entries)
    if taken is None:
        return compiled
    factors = taken.data["factors"]
    try:
        return weighted(compiled, tuple(sorted((str(block), float(by)) for block, by in factors.items())))
    except ValueError as error:
        raise LogError(tr("entry {n}: {error}", n=taken.n, error=error), field="factors") from None


def experience_entry(entries: Iterable[LogEntry]) -> LogEntry | None:
    """The `experience` entry whose weights the job has; None where it has those of the unit type's file."""
    return next((entry for entry in reversed(list(entries)) if entry.kind == "experience" and not entry.void), None)
