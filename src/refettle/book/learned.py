"""Experience in a job's log: the weights it was opened with. Pure: no database and no framework."""

from __future__ import annotations

from collections.abc import Iterable

from refettle.book.log import LogEntry, LogError
from refettle.knowledge.compile import CompiledType, weighted


def with_experience(compiled: CompiledType, entries: Iterable[LogEntry]) -> CompiledType:
    """The type with the weights of the last `experience` entry that counts; as it is where there is none.

    Raises
    ------
    LogError
        A factor of a block that the type does not have.
    """
    taken = [entry for entry in entries if entry.kind == "experience" and not entry.void]
    if not taken:
        return compiled
    factors = taken[-1].data["factors"]
    try:
        return weighted(compiled, tuple(sorted((str(block), float(by)) for block, by in factors.items())))
    except ValueError as error:
        raise LogError(f"entry {taken[-1].n}: {error}", field="factors") from None
