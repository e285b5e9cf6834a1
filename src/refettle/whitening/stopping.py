"""Readings of a part in a batch: whether they can be, when to look next, when to stop, what comes back in the dark."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import groupby
from math import sqrt

from refettle.language import tr
from refettle.quantities import MINUS, number
from refettle.whitening.values import WhiteningError, within

REPEATS = 1.96 * sqrt(2.0)
"""Times the sd of a reading: two readings of the same thing differ by less, 19 times in 20 (repeatability limit)."""
LIGHTER = 1.0
"""[L*] from which a part counts as lighter than before: estimate."""
NEVER = 0.9
"""Chance from which the target is said never to be reached: choice."""
DARK_DAYS = 14
COMES_BACK = (1.0, 2.0)
"""[b*] in two weeks of dark after weathering (PC and SAN, Pickett 2004, abstract): for ABS an inference."""
FIRST_LOOK, TURN, SHORTEST = 1.0, 2.0, 0.5
"""[h] The first look, the longest and the shortest between turns: common practice (1 to 2 h)."""


@dataclass(frozen=True, slots=True)
class YellowReading:
    """One reading of a part: `hours` [h] in the light so far, `yi` [YI], and where known `dose` [J/cm2], `lightness`
    [L*] and `spread` [YI] over the part (p95 less p5)."""

    hours: float
    yi: float
    dose: float | None = None
    lightness: float | None = None
    spread: float | None = None


@dataclass(frozen=True, slots=True)
class Stop:
    """A reason to stop. `id`: reached, no-change, over-bleached, spreading, never."""

    id: str
    says: str


@dataclass(frozen=True, slots=True)
class Rebound:
    """What came back in the dark: `change` [YI], `share` of what was taken off, None where nothing was."""

    days: float
    change: float
    share: float | None
    final: bool
    says: str


def check_readings(readings: Sequence[YellowReading]) -> None:
    """WhiteningError for the first reading that cannot be, by its number."""
    if not readings:
        raise WhiteningError(tr("readings: none found; allowed: one or more"))
    hours, dose = 0.0, 0.0
    for n, each in enumerate(readings, 1):
        within(tr("reading {n}: hours", n=n), each.hours, 0.0, 10_000.0, "h")
        within(tr("reading {n}: yi", n=n), each.yi, -50.0, 200.0, "YI")
        if each.hours < hours:
            raise WhiteningError(
                tr(
                    "reading {n}: {hours:g} h after {hours_before:g} h found; allowed: hours that do not go back",
                    n=n,
                    hours=each.hours,
                    hours_before=hours,
                )
            )
        if each.dose is not None:
            dose = within(tr("reading {n}: dose", n=n), each.dose, dose, 1e6, "J/cm2")
        if each.lightness is not None:
            within(tr("reading {n}: lightness", n=n), each.lightness, 0.0, 110.0, "L*")
        if each.spread is not None:
            within(tr("reading {n}: spread", n=n), each.spread, 0.0, 200.0, "YI")
        hours = each.hours


def looks(readings: Sequence[YellowReading]) -> list[YellowReading]:
    """One for each time: readings repeated at the same hours are averaged."""

    def mean(values: list[float | None]) -> float | None:
        known = [each for each in values if each is not None]
        return sum(known) / len(known) if known else None

    found = []
    for hours, group in groupby(readings, key=lambda each: each.hours):
        same = list(group)
        yi = sum(each.yi for each in same) / len(same)
        lightness, spread = mean([each.lightness for each in same]), mean([each.spread for each in same])
        found.append(YellowReading(hours, yi, same[-1].dose, lightness, spread))
    return found


def repeat_sd(readings: Sequence[YellowReading]) -> float | None:
    """[YI] sd of readings repeated at the same hours, pooled; None without repeats."""
    means = {each.hours: each.yi for each in looks(readings)}
    freedom = len(readings) - len(means)
    return sqrt(sum((each.yi - means[each.hours]) ** 2 for each in readings) / freedom) if freedom else None


def stops(
    readings: Sequence[YellowReading], reference: float, target: float, sd: float, never: float = 0.0
) -> tuple[Stop, ...]:
    """The reasons to stop that hold now. `sd` [YI] of a reading; `never` chance that the target is not reached."""
    found: list[Stop] = []
    seen = looks(readings)
    last, limit = seen[-1], REPEATS * sd
    lights = [each.lightness for each in seen[:-1] if each.lightness is not None]
    lighter = last.lightness is not None and bool(lights) and last.lightness > min(lights) + LIGHTER
    if last.yi <= reference and lighter:
        found.append(
            Stop(
                "over-bleached",
                tr(
                    "lighter than before (L* {lightness}) and no yellower than the unexposed plastic: stop, "
                    "rinse, dry; it cannot be undone",
                    lightness=number(last.lightness or 0.0),
                ),
            )
        )
    elif last.yi <= target:
        past = tr(", and past the unexposed plastic") if last.yi < reference else ""
        found.append(
            Stop("reached", tr("the target is reached{past}: stop, rinse, dry, and read again dry", past=past))
        )
    if len(seen) > 2:
        values = [each.yi for each in seen[-3:]]
        if max(values) - min(values) < limit:
            found.append(
                Stop(
                    "no-change",
                    tr(
                        "two looks in a row changed less than a reading repeats, {limit} YI: it has stopped, or "
                        "the looks are too close",
                        limit=number(limit),
                    ),
                )
            )
    spreads = [each.spread for each in seen[:-1] if each.spread is not None]
    if last.spread is not None and spreads and last.spread > min(spreads) + limit / 2.0:
        found.append(
            Stop(
                "spreading",
                tr(
                    "the part grows uneven, {spreads} to {spread} YI across: streaks or blotches; take it out, "
                    "rinse, look",
                    spreads=number(min(spreads)),
                    spread=number(last.spread),
                ),
            )
        )
    if never >= NEVER:
        found.append(
            Stop(
                "never", tr("it levels off above the target (chance {never:.0%}): more time does not help", never=never)
            )
        )
    return tuple(found)


def next_look(readings: Sequence[YellowReading], at_least: float | None) -> float:
    """[h] from the start: when to look and turn next. Within the first hour, then half the way to `at_least` [h]."""
    now = readings[-1].hours
    if now < FIRST_LOOK:
        return FIRST_LOOK
    if at_least is None:
        return now + FIRST_LOOK
    return now + min(TURN, max(SHORTEST, (at_least - (now - readings[0].hours)) / 2.0))


def light_varies(readings: Sequence[YellowReading]) -> bool:
    """Whether dose per hour differs by more than a third between the looks."""
    seen = [each for each in looks(readings) if each.dose is not None]
    rates = [
        ((two.dose or 0.0) - (one.dose or 0.0)) / (two.hours - one.hours)
        for one, two in zip(seen[:-1], seen[1:], strict=True)  # noqa: RUF007 - both ends are named
    ]
    return bool(rates) and min(rates) < 0.67 * max(rates)


def dark_check(ended: date) -> date:
    """The day of the reading that counts: 14 days in the dark after `ended`."""
    return ended + timedelta(days=DARK_DAYS)


def rebound(first: float, ended: float, dark: float, days: float, sd: float) -> Rebound:
    """Compare a reading after `days` [d] of dark with the last of the batch.

    `first`, `ended`, `dark` [YI] before, at the end, after the dark; `sd` [YI] of a reading. WhiteningError for figures
    that cannot be.
    """
    for name, each in (("first", first), ("ended", ended), ("dark", dark)):
        within(name, each, -50.0, 200.0, "YI")
    within("days", days, 0.0, 10_000.0, "days")
    within("sd", sd, 0.0, 50.0, "YI", above=True)
    change, gone, limit = dark - ended, first - ended, REPEATS * sd
    says = f"{change:+.1f} YI in {number(days)} days of dark".replace("-", MINUS)
    if abs(change) < limit:
        says += tr(", less than a reading repeats ({limit} YI)", limit=number(limit))
    else:
        says += tr(": it yellows again") if change > 0 else tr(": lighter, which no dark does; look at how it was read")
    final = days >= DARK_DAYS
    if not final:
        says += tr("; too early, the verdict is after {dark_days} days", dark_days=DARK_DAYS)
    return Rebound(days, change, change / gone if gone > 0 else None, final, says)
