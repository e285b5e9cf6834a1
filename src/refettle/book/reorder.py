"""When to order again: the reorder point of each part, by hand or from its use, and why.

Parts are taken in takes: one line of the ledger for a job or into a kit. Takes of a part come by chance, at a rate that
its own history and that of the other parts tell together: with takes n in T years, and rates of all parts spread as a
gamma distribution of shape a and rate b [years], the rate of one part is gamma (a + n, b + T) (Gelman et al.,
Bayesian Data Analysis, 3rd ed. 2013, section 2.6, from memory), and the number of takes in a lead time of L years is
negative binomial; with much history that is the Poisson distribution. The reorder point is the smallest s with
P(takes in L <= s) of at least the wanted service, times the pieces of a usual take.

Below a few pieces in a lead time a normal distribution would be wrong; it is not used.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from math import ceil
from typing import Literal

from django.db.models import Q
from django.utils import timezone

from refettle.book.models_stores import Part
from refettle.book.stores_facts import DAYS_PER_YEAR, Use, on_order, uses

SERVICE = 0.95
"""Wanted chance that a part does not run out while it is on its way; a choice."""
WINDOW_DAYS = 730
"""Use is looked at over two years; a choice."""
LEAST_DAYS = 30
"""A part known for a shorter time counts as known so long, so that one early take is no habit."""
FEWEST_TO_POOL = 5
"""Parts of a kind with a history from which their spread is told; else all parts are taken together."""
ENOUGH_YEARS, FEWEST_YEARS = 5.0, 0.05
"""The history of the other parts weighs no more than so many years of the part's own, and no less."""
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


# ---------------------------------------------------------------- the rule


def point(mean: float, service: float, shape: float | None = None) -> int:
    """The smallest s with P(D <= s) >= service.

    Parameters
    ----------
    mean : float
        Expected demand in the lead time; 0 or above.
    service : float
        Above 0 and below 1.
    shape : float, optional
        Of the gamma distribution of the rate; None: the rate is known, and D is Poisson.
    """
    if not 0 < service < 1 or mean < 0:
        raise ValueError(f"mean {mean:g} and service {service:g} found; allowed: from 0, and above 0 to below 1")
    if mean == 0:
        return 0
    import numpy as np
    from scipy import special

    most = ceil(mean + 20 * (mean + (mean**2 / shape if shape else 0.0)) ** 0.5 + 20)
    k = np.arange(most + 1)
    # negative binomial: P(D <= k) = I_p(shape, k + 1), p = shape / (shape + mean)
    below = special.pdtr(k, mean) if shape is None else special.betainc(shape, k + 1, shape / (shape + mean))
    return int(np.searchsorted(below, service * (1 - 1e-12)))


@dataclass(frozen=True)
class Spread:
    """How rates of takes are spread over the parts: gamma of shape `a` and rate `b` [years]."""

    a: float
    b: float


ALONE = Spread(0.5, 0.0)
"""Where too few parts have a history: the part's own alone (Jeffreys' prior for a Poisson rate)."""


def spread_of(seen: Iterable[tuple[int, float]]) -> Spread:
    """The spread by moments, from takes and years of each part: E n = T m and E n(n - 1) = T² (m² + v)."""
    rows = [(n, years) for n, years in seen if years > 0]
    total = sum(n for n, _ in rows)
    if len(rows) < FEWEST_TO_POOL or not total:
        return ALONE
    m = total / sum(years for _, years in rows)
    v = sum(n * (n - 1) for n, _ in rows) / sum(years**2 for _, years in rows) - m * m
    b = min(max(m / v, FEWEST_YEARS), ENOUGH_YEARS) if v > 0 else ENOUGH_YEARS
    return Spread(m * b, b)


# ---------------------------------------------------------------- of the book


def levels(today: date, parts: Iterable[int] | None = None, service: float = SERVICE) -> dict[int, Level]:
    """The level of each part, of these or of all that have one: set by hand, or with a history."""
    asked = None if parts is None else set(parts)
    began = timezone.make_aware(datetime.combine(today - timedelta(days=WINDOW_DAYS), time()))
    history = uses(began)
    coming = on_order(asked)
    among = (
        Part.objects.filter(Q(pk__in=asked))
        if asked is not None
        else Part.objects.filter(Q(pk__in=_used(history)) | Q(reorder_at__isnull=False))
    )
    fields = ("pk", "kind", "on_hand", "reserved", "lead_days", "reorder_at", "no_reorder")
    rows = list(among.values_list(*fields))
    spreads = _spreads(history, today) if any(row[0] in history for row in rows) else {}
    made = {}
    for pk, kind, on_hand, reserved, lead, by_hand, never in rows:
        available = on_hand - reserved + coming.get(pk, 0)
        use = history.get(pk)
        if never:
            made[pk] = Level(pk, None, "not again", available, coming.get(pk, 0))
        elif use is None or not use.takes or not use.used:
            made[pk] = Level(
                pk, by_hand, "none" if by_hand is None else "hand", available, coming.get(pk, 0), lead_days=lead
            )
        else:
            made[pk] = _level(pk, use, spreads, kind, by_hand, available, coming.get(pk, 0), lead, today, service)
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


def _years(use: Use, today: date) -> float:
    return max((today - timezone.localdate(use.since)).days, LEAST_DAYS) / DAYS_PER_YEAR


def _spreads(history: dict[int, Use], today: date) -> dict[str, Spread]:
    """Of each kind with enough parts, and under "" of all."""
    seen: dict[str, list[tuple[int, float]]] = defaultdict(list)
    kinds = dict(Part.objects.filter(movements__isnull=False).values_list("pk", "kind").distinct())
    for pk, use in history.items():
        for kind in {"", kinds.get(pk, "")}:
            seen[kind].append((use.takes, _years(use, today)))
    return {kind: spread_of(rows) for kind, rows in seen.items()}


def _level(
    pk: int,
    use: Use,
    spreads: dict[str, Spread],
    kind: str,
    by_hand: int | None,
    available: int,
    coming: int,
    lead: int,
    today: date,
    service: float,
) -> Level:
    spread = spreads.get(kind, ALONE)
    if spread == ALONE:
        spread = spreads.get("", ALONE)
    years = _years(use, today)
    shape = spread.a + use.takes
    mean = shape / (spread.b + years) * lead / DAYS_PER_YEAR
    size = max(1, ceil(use.used / use.takes - 1e-9))
    at = size * point(mean, service, shape) if by_hand is None else by_hand
    days = round(years * DAYS_PER_YEAR)
    how: Literal["hand", "use"] = "use" if by_hand is None else "hand"
    return Level(pk, at, how, available, coming, use.used, use.takes, days, size, mean, lead, service)
