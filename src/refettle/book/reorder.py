"""When to order again: the reorder point of each part, by hand or from its use, and why.

Parts are taken in takes: one line of the ledger for a job or into a kit. How many takes may come in a lead time is told
by `ordering.demand`, from the part's own history and that of like parts together; the point is that many takes, times
the pieces of a usual take. Use is what went into jobs and kits, less what came back and what was put right.

A few parts are told at once, from their own lines and from what like parts had in common when that was last worked out
(`reorder_fits`); all parts together take longer, and work it out.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime
from math import ceil
from threading import Lock
from typing import Literal

from django.db.models import Q, QuerySet
from django.utils import timezone

from refettle.book import reorder_fits
from refettle.book.models_stores import Part
from refettle.book.reorder_fits import Fits, days_of
from refettle.book.stores_facts import Use, on_order, uses
from refettle.language import several, tr
from refettle.ordering.demand import Common, Reorder, Used, point_of

SERVICE = 0.95
"""Wanted chance that a part does not run out while it is on its way; a choice."""
FILL_DAYS = 90
"""An order brings use of so long above the point; a choice."""


@dataclass(frozen=True)
class Level:
    """The reorder point of a part.

    `at`: order when on hand and free, with what is on order, falls to this; None where nothing tells. `by`: set by
    hand, from its use, none, never again, or not worked out yet. `takes` in `days`, each of `size` pieces; `mean` takes
    expected in the lead time.
    """

    part: int
    at: int | None
    by: Literal["hand", "use", "none", "not again", "not yet"]
    available: int
    coming: int = 0
    used: int = 0
    takes: int = 0
    days: int = 0
    size: int = 1
    mean: float = 0.0
    lead_days: int = 0
    service: float = SERVICE
    fitted: datetime | None = None
    """When it was worked out what like parts have in common."""

    @property
    def low(self) -> bool:
        """True where it is time to order."""
        return self.at is not None and self.available <= self.at

    @property
    def order(self) -> int:
        """Pieces that lift it above the point by the use of `FILL_DAYS`; 0 where it is not low."""
        if not self.low or self.at is None:
            return 0
        use = self.mean * self.size * FILL_DAYS / self.lead_days if self.lead_days else 0.0
        return self.at - self.available + max(1, ceil(use))

    @property
    def why(self) -> str:
        """The point in words."""
        if self.by == "not again":
            return tr("Not ordered again.")
        if self.by == "not yet":
            return tr("{used} used so far. What like parts have in common was not worked out yet.", used=self.used)
        if self.by == "hand":
            return tr("Set by hand: order at {at}.", at=self.at)
        if self.by == "none":
            return tr("No use seen yet, so nothing tells when to order. Set a point by hand if it must not run out.")
        months = max(1, round(self.days / 30.4))
        mean = self.used / self.takes
        takes = several("{n} take", "{n} takes", self.takes)
        if self.size > 1 and mean < self.size:
            takes = tr("{takes} of {mean:.3g}, counted as {size}", takes=takes, mean=mean, size=self.size)
        elif self.size > 1:
            takes = tr("{takes} of {mean:.3g}", takes=takes, mean=mean)
        return (
            several(
                "{used} used in {n} month, in {takes}.",
                "{used} used in {n} months, in {takes}.",
                months,
                used=self.used,
                takes=takes,
            )
            + " "
            + tr(
                "Delivery takes {days} days, in which {mean:.2g} takes are to be expected. Ordered when {at} are left, "
                "it lasts with a chance of {chance:.0f} % or more.",
                days=self.lead_days,
                mean=self.mean,
                at=self.at,
                chance=100 * self.service,
            )
        )


# ---------------------------------------------------------------- of the book


def levels(today: date, parts: Iterable[int] | None = None, service: float = SERVICE) -> dict[int, Level]:
    """The level of each part: of these, at once; or of all that have one, set by hand or with a history, which may
    take seconds after the ledger has changed."""
    if parts is not None:
        asked = set(parts)
        history = uses(reorder_fits.begin(today), asked)
        found = _points(history, _leads(history), today, service, reorder_fits.kept())
        return _levels(Part.objects.filter(pk__in=asked), history, found, on_order(asked), today, service)
    whole = _whole(today, service)
    among = Part.objects.filter(Q(pk__in=whole.used) | Q(reorder_at__isnull=False))
    if len(whole.used) > MOST_ASKED:  # more than a database takes in one question
        among = Part.objects.all()
    made = _levels(among, whole.history, whole.points, on_order(), today, service)
    return {pk: level for pk, level in made.items() if level.at is not None or pk in whole.used}


def level_of(part: Part, today: date, service: float = SERVICE) -> Level:
    """The level of one part."""
    return levels(today, [part.pk], service)[part.pk]


def low(today: date) -> list[Level]:
    """What is to be ordered: the barest first."""
    found = [each for each in levels(today).values() if each.low]
    return sorted(found, key=lambda each: ((each.available + 1) / ((each.at or 0) + 1), each.part))


def is_worked_out(today: date) -> bool:
    """True where all parts together can be told at once: nothing has changed since."""
    return _kept_whole is not None and _kept_whole.of == (today, SERVICE, reorder_fits.stamp())


def work_out(today: date) -> None:
    """Work it out for all parts, so that pages tell it at once."""
    _whole(today, SERVICE)


MOST_ASKED = 900


@dataclass(frozen=True)
class _Whole:
    """Use and points of every part."""

    of: tuple[object, ...]
    history: dict[int, Use]
    points: dict[int, Reorder]
    used: frozenset[int]
    """Parts that were taken at all."""


_kept_whole: _Whole | None = None
_guard = Lock()


def _whole(today: date, service: float) -> _Whole:
    """Worked out anew when the ledger or a part has changed; by one at a time."""
    global _kept_whole
    with _guard:
        of = today, service, reorder_fits.stamp()
        if _kept_whole is None or _kept_whole.of != of:
            history = uses(reorder_fits.begin(today))
            fits = reorder_fits.work_out(today, history)
            points = _points(history, _leads(history), today, service, fits)
            _kept_whole = _Whole(of, history, points, frozenset(pk for pk, use in history.items() if use.takes))
        return _kept_whole


def _leads(history: dict[int, Use]) -> dict[int, tuple[str, int]]:
    """Kind and days of delivery of the parts that were taken."""
    taken = [pk for pk, use in history.items() if use.takes]
    among = Part.objects.filter(pk__in=taken) if len(taken) <= MOST_ASKED else Part.objects.all()
    return {pk: (kind, lead) for pk, kind, lead in among.values_list("pk", "kind", "lead_days")}


def _points(
    history: dict[int, Use], leads: dict[int, tuple[str, int]], today: date, service: float, fits: Fits | None
) -> dict[int, Reorder]:
    """What demand tells of the parts that were taken; nothing where it is not known what like parts have in common."""
    made: dict[int, Reorder] = {}
    zone = timezone.get_current_timezone()
    for pk, (kind, lead) in leads.items():
        use = history.get(pk)
        shared: Common | None = fits.of(kind) if fits is not None else None
        if use is not None and use.takes and shared is not None:
            made[pk] = point_of(Used(str(pk), use.takes, days_of(use, today, zone)), float(lead), shared, service)
    return made


def _levels(
    among: QuerySet[Part],
    history: dict[int, Use],
    points: dict[int, Reorder],
    coming: dict[int, int],
    today: date,
    service: float,
) -> dict[int, Level]:
    fields = ("pk", "on_hand", "reserved", "lead_days", "reorder_at", "no_reorder")
    fits, zone = reorder_fits.kept() if points else None, timezone.get_current_timezone()
    made = {}
    for pk, on_hand, reserved, lead, by_hand, never in among.values_list(*fields):
        arriving = coming.get(pk, 0)
        available = on_hand - reserved + arriving
        use, found = history.get(pk), points.get(pk)
        if never:
            made[pk] = Level(pk, None, "not again", available, arriving)
        elif use is None or not use.used:
            made[pk] = Level(pk, by_hand, "none" if by_hand is None else "hand", available, arriving, lead_days=lead)
        else:
            size, days = max(1, ceil(use.used / max(use.takes, 1) - 1e-9)), days_of(use, today, zone)
            by_use = None if found is None else size * found.point
            made[pk] = Level(
                pk,
                by_use if by_hand is None else by_hand,
                "hand" if by_hand is not None else "use" if found is not None else "not yet",
                available,
                arriving,
                use.used,
                use.takes,
                round(days),
                size,
                use.takes * lead / days if found is None else found.mean,
                lead,
                service,
                fits.made if fits is not None and found is not None else None,
            )
    return made
