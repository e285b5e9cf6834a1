"""Soaks: begun and ended by two entries, so that they run on while the program does not. Pure."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Literal

from refettle.book.log import LogEntry

SPOILING = ("repair", "part-in", "off")
"""What ends a soak without a result: it was of the unit as it was before."""
OVERDUE_AFTER = timedelta(minutes=15)
"""A soak that nobody ended so long after its time is overdue: an estimate."""


@dataclass(frozen=True)
class RunningSoak:
    """A soak that was begun and not ended: its entry, and how long it shall last."""

    row: str
    condition: str
    n: int
    started: datetime
    minutes: float

    @property
    def due(self) -> datetime:
        """When it will have lasted as long as it shall."""
        return self.started + timedelta(minutes=self.minutes)

    def standing(self, now: datetime) -> Literal["running", "due", "overdue"]:
        """Whether its time is not over, over, or long over."""
        if now < self.due:
            return "running"
        return "due" if now < self.due + OVERDUE_AFTER else "overdue"

    def lasted(self, until: datetime) -> float:
        """Minutes from its start, not below 0."""
        return max(0.0, (until - self.started).total_seconds() / 60.0)


def begun(entry: LogEntry) -> RunningSoak:
    """The soak that an entry `started` begins."""
    data = entry.data
    return RunningSoak(data["row"], data["condition"], entry.n, entry.at, float(data["minutes"]))


def running_soaks(entries: Iterable[LogEntry]) -> list[RunningSoak]:
    """The soaks that run after these entries, the first begun first."""
    found: dict[tuple[str, str], RunningSoak] = {}
    for entry in entries:
        if entry.void:
            continue
        if entry.kind in SPOILING:
            found.clear()
        if entry.kind != "soak":
            continue
        cell = entry.data["row"], entry.data["condition"]
        if entry.data["what"] == "started":
            found.setdefault(cell, begun(entry))
        else:
            found.pop(cell, None)
    return list(found.values())
