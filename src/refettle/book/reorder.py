"""When to order again: the reorder point of each part, by hand or from its use, and why.

Parts are taken in takes: one line of the ledger for a job or into a kit. How many takes may come in a lead time is told
by `ordering.demand`, from the part's own history and that of like parts together; the point is that many takes, times
the pieces of a usual take. Use is what went into jobs and kits, less what came back and what was put right.
"""

from __future__ import annotations

import hashlib
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from math import ceil
from typing import Literal

from django.core.cache import cache
from django.db.models import Count, Max, Min, Q, Sum
from django.utils import timezone

from refettle.book.models_stores import Movement, Part, PartChange
from refettle.book.stores_facts import Use, on_order, uses
from refettle.ordering.demand import LEAST_PARTS, MOST_PARTS, Reorder, Used, pooled_points

SERVICE = 0.95
"""Wanted chance that a part does not run out while it is on its way; a choice."""
WINDOW_DAYS = 730
"""Use is looked at over two years; a choice."""
LEAST_DAYS = 30
"""A part known for a shorter time counts as known so long, so that one early take is no habit."""
KEPT_S = 24 * 3600
FILL_DAYS = 90
"""An order brings use of so long above the point; a choice."""


@dataclass(frozen=True)
class Level:
    """The reorder point of a part.

    `at`: order when on hand and free, with what is on order, falls to this; None where nothing tells. `by`: set by
    hand, from its use, or none. `takes` in `days`, each of `size` pieces; `mean` takes expected in the lead time.
    """

    part: int
    at: int | None
    by: Literal["hand", "use", "none", "not again"]
    available: int
    coming: int = 0
    used: int = 0
    takes: int = 0
    days: int = 0
    size: int = 1
    mean: float = 0.0
    lead_days: int = 0
    service: float = SERVICE

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
            return "Not ordered again."
        if self.by == "hand":
            return f"Set by hand: order at {self.at}."
        if self.by == "none":
            return "No use seen yet, so nothing tells when to order. Set a point by hand if it must not run out."
        months = max(1, round(self.days / 30.4))
        mean = self.used / self.takes
        rounded = f", counted as {self.size}" if mean < self.size else ""
        each = f" of {mean:.3g}{rounded}" if self.size > 1 else ""
        takes = f"{self.takes} take{'s' * (self.takes > 1)}{each}"
        return (
            f"{self.used} used in {months} month{'s' * (months > 1)}, in {takes}. "
            f"Delivery takes {self.lead_days} days, in which {self.mean:.2g} takes are to be expected. "
            f"Ordered when {self.at} are left, it lasts with a chance of {100 * self.service:.0f} % or more."
        )


# ---------------------------------------------------------------- of the book


def levels(today: date, parts: Iterable[int] | None = None, service: float = SERVICE) -> dict[int, Level]:
    """The level of each part, of these or of all that have one: set by hand, or with a history."""
    asked = None if parts is None else set(parts)
    history, told = _use_and_points(today, service)
    coming = on_order(asked)
    among = (
        Part.objects.filter(pk__in=asked)
        if asked is not None
        else Part.objects.filter(Q(pk__in=_used(history)) | Q(reorder_at__isnull=False))
    )
    fields = ("pk", "on_hand", "reserved", "lead_days", "reorder_at", "no_reorder")
    made = {}
    for pk, on_hand, reserved, lead, by_hand, never in among.values_list(*fields):
        arriving = coming.get(pk, 0)
        available = on_hand - reserved + arriving
        use, found = history.get(pk), told.get(pk)
        if never:
            made[pk] = Level(pk, None, "not again", available, arriving)
        elif use is None or found is None or not use.used:
            made[pk] = Level(pk, by_hand, "none" if by_hand is None else "hand", available, arriving, lead_days=lead)
        else:
            size = max(1, ceil(use.used / use.takes - 1e-9))
            made[pk] = Level(
                pk,
                size * found.point if by_hand is None else by_hand,
                "use" if by_hand is None else "hand",
                available,
                arriving,
                use.used,
                use.takes,
                round(_days(use, today)),
                size,
                found.mean,
                lead,
                service,
            )
    return made


def level_of(part: Part, today: date, service: float = SERVICE) -> Level:
    """The level of one part."""
    return levels(today, [part.pk], service)[part.pk]


def low(today: date) -> list[Level]:
    """What is to be ordered: the barest first."""
    found = [each for each in levels(today).values() if each.low]
    return sorted(found, key=lambda each: ((each.available + 1) / ((each.at or 0) + 1), each.part))


def _used(history: dict[int, Use]) -> list[int]:
    return [pk for pk, use in history.items() if use.takes]


def _days(use: Use, today: date) -> float:
    return float(max((today - timezone.localdate(use.since)).days, LEAST_DAYS))


Points = tuple[dict[int, Use], dict[int, Reorder]]


def _use_and_points(today: date, service: float) -> Points:
    """Use of every part and what demand tells of it; worked out anew when the ledger or a part has changed."""
    ledger = Movement.objects.aggregate(Max("pk"), Count("pk"), Sum("on_hand"), Min("at"), Max("at"))
    parts = Part.objects.aggregate(Max("pk"), Count("pk"), Sum("lead_days"))
    stamp = (today, service, *ledger.values(), *parts.values(), PartChange.objects.aggregate(Max("pk"))["pk__max"])
    key = "reorder-" + hashlib.sha256(repr(stamp).encode()).hexdigest()
    kept: Points | None = cache.get(key)
    if kept is None:
        began = timezone.make_aware(datetime.combine(today - timedelta(days=WINDOW_DAYS), time()))
        history = uses(began)
        kept = history, _told(history, today, service)
        cache.set(key, kept, KEPT_S)
    return kept


def _told(history: dict[int, Use], today: date, service: float) -> dict[int, Reorder]:
    """What demand tells of parts with takes: beside parts of their kind where there are enough, else beside all."""
    rows = Part.objects.filter(pk__in=_some(history)).values_list("pk", "kind", "lead_days")
    of_kind: dict[str, list[Used]] = defaultdict(list)
    leads: dict[str, dict[str, float]] = defaultdict(dict)
    for pk, kind, lead in rows:
        of_kind[kind].append(Used(str(pk), history[pk].takes, _days(history[pk], today)))
        if history[pk].takes:
            leads[kind][str(pk)] = float(lead)
    every = [used for group in of_kind.values() for used in group]
    made: dict[int, Reorder] = {}
    for kind, asked in leads.items():
        beside = of_kind[kind] if len(of_kind[kind]) >= LEAST_PARTS else every
        made |= {int(found.part): found for found in pooled_points(beside, asked, service)}
    return made


def _some(history: dict[int, Use]) -> list[int]:
    """Parts with a history, no more than demand takes; those that were used are never left out."""
    used = sorted(history, key=lambda pk: (-history[pk].takes, pk))
    return used[:MOST_PARTS]
