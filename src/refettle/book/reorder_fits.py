"""What like parts have in common of their use: worked out for all parts at once, and kept for the pages of single ones.

It takes seconds where there are many parts and changes little from day to day, so it is worked out beside the serving
(`web.warm`) and when all parts are asked for; a page of one part takes what is kept, with its age.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta, tzinfo

from django.utils import timezone

from refettle.book.models_stores import Movement, Part, PartChange
from refettle.book.stores_facts import Use, uses
from refettle.ordering.demand import LEAST_PARTS, Common, Used, common_rate

WINDOW_DAYS = 730
"""Use is looked at over two years; a choice."""
LEAST_DAYS = 30
"""A part known for a shorter time counts as known so long, so that one early take is no habit."""
FITTED_PARTS = 4000
"""Of more parts, so many, evenly chosen, tell what they have in common; it is then known to about 2 %: a choice."""
OFTEN_MINUTES = 10
"""Worked out anew so often, where the ledger goes on; a choice."""

Stamp = tuple[object, ...]


@dataclass(frozen=True)
class Fits:
    """What parts of each kind have in common, and what all have."""

    stamp: Stamp
    last: tuple[int, datetime] | None
    """Number and time of the last line of the ledger that was looked at."""
    made: datetime
    kinds: dict[str, Common]
    every: Common | None

    def of(self, kind: str) -> Common | None:
        """Of parts of this kind, or of all where there are too few."""
        return self.kinds.get(kind, self.every)


_kept: Fits | None = None


def begin(today: date) -> datetime:
    """From when on use is looked at."""
    return timezone.make_aware(datetime.combine(today - timedelta(days=WINDOW_DAYS), time()))


def days_of(use: Use, today: date, zone: tzinfo | None = None) -> float:
    """How long a part is known [day], in this time zone or the bench's; to look that up again each time takes long."""
    since = use.since.astimezone(zone or timezone.get_current_timezone()).date()
    return float(max((today - since).days, LEAST_DAYS))


def stamp() -> Stamp:
    """Another one after any line of the ledger and any change of a part: neither is ever changed or deleted."""
    return last_line(), of_parts()


def of_parts() -> Stamp:
    """Another one after a part is added or changed."""
    newest = Part.objects.order_by("-pk").values_list("pk", "created").first()
    return newest, PartChange.objects.order_by("-pk").values_list("pk", "at").first()


def last_line() -> tuple[int, datetime] | None:
    """Number and time of the newest line of the ledger."""
    return Movement.objects.order_by("-pk").values_list("pk", "at").first()


def kept() -> Fits | None:
    """What was worked out last; None where it was not, or for another book."""
    found = _kept
    if found is None or found.last is None:
        return None
    number, at = found.last
    return found if Movement.objects.filter(pk=number, at=at).exists() else None


def is_due(now: datetime) -> bool:
    """True where it should be worked out anew."""
    found = kept()
    return found is None or (now - found.made >= timedelta(minutes=OFTEN_MINUTES) and found.stamp != stamp())


def work_out(today: date, history: dict[int, Use] | None = None) -> Fits:
    """Work it out from the use of all parts, and keep it."""
    global _kept
    of, last = stamp(), last_line()
    history = uses(begin(today)) if history is None else history
    kinds: dict[str, list[Used]] = defaultdict(list)
    zone = timezone.get_current_timezone()
    for pk, kind in Part.objects.order_by("pk").values_list("pk", "kind"):
        if (use := history.get(pk)) is not None:
            kinds[kind].append(Used(str(pk), use.takes, days_of(use, today, zone)))
    every = [used for group in kinds.values() for used in group]
    _kept = Fits(
        of,
        last,
        timezone.now(),
        {kind: common_rate(_evenly(group)) for kind, group in kinds.items() if len(group) >= LEAST_PARTS},
        common_rate(_evenly(every)) if every else None,
    )
    return _kept


def _evenly(group: list[Used]) -> list[Used]:
    """At most `FITTED_PARTS` of them, the same ones each time."""
    many = len(group)
    return group if many <= FITTED_PARTS else [group[n * many // FITTED_PARTS] for n in range(FITTED_PARTS)]
