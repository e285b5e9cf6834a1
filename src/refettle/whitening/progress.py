"""How a batch gets on: when it will match, or that it never will.

Readings are YI by ASTM E313 of one part, set beside its own unexposed plastic (the reference). A forecast is a 90 %
interval; where the readings do not bear an upper end there is none. Nothing is foretold beyond twice the span observed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from math import isfinite, log
from typing import Literal

import numpy as np

from refettle.language import tr
from refettle.quantities import number
from refettle.whitening.kinetics import GRID, LEAST_READINGS, EarlierBatch, Fall, Floats, RatePrior, fit, rate_prior
from refettle.whitening.reading import TRUST
from refettle.whitening.reading import Taken as Taken
from refettle.whitening.stopping import (
    COMES_BACK,
    DARK_DAYS,
    NEVER,
    Stop,
    YellowReading,
    check_readings,
    light_varies,
    looks,
    next_look,
    repeat_sd,
    stops,
)
from refettle.whitening.values import WhiteningError, within

READING_SD: dict[Taken, float] = {"phone": 2.9, "rig": 2.6, "locked": 0.8}
"""[YI] Error of one photo of a series, as a standard deviation; simulated, not in the field. It lies between what the
same set-up repeats (change in YI of docs/measured.md over 1.96 and the root of 2: 2.9, 1.6, 0.5) and the whole error
against the unexposed plastic (over 1.96: 3.9, 3.8, 1.8), most of which is the same in each photo of a series."""
DEFAULT_REMAINING = 0.15
BEYOND = 2.0
"""Times the observed span up to which an upper end is given."""
EARLY = 2.0
"""Rate times span below which there is no upper end yet."""
ENOUGH_EARLIER = 3
"""Earlier batches from which the rate is known well enough to lift that: choice."""
PROGRESS_CAUTIONS = ("peroxide", "uv", "heat", "bromine-dust")


@dataclass(frozen=True, slots=True)
class Setup:
    """How readings are taken and what is known beforehand.

    `sd` [YI] of a reading, in place of the one for how it was `taken`; `by` hours or dose; `earlier` batches of this
    bench, of which those with the same `method`, `lamp` and `percent` [% w/w] count.
    """

    taken: Taken = "phone"
    sd: float | None = None
    by: Literal["hours", "dose"] = "hours"
    earlier: Sequence[EarlierBatch] = field(default=())
    method: str = ""
    lamp: str = ""
    percent: float = 0.0
    seed: int = 1


@dataclass(frozen=True, slots=True)
class Forecast:
    """When the target is reached, counted from the first reading, in `unit` (h or J/cm2).

    `raw` 5, 50 and 95 % of the samples, None where infinite; `at_least` and `at_most` what may be said, `at_most` None
    where nothing may; `never` chance that the floor is above the target; `rate` and `floor` 5, 50, 95 %.
    """

    unit: str
    raw: tuple[float | None, ...]
    at_least: float
    at_most: float | None
    never: float
    rate: tuple[float, float, float]
    floor: tuple[float, float, float]
    misfit: str
    prior_batches: int
    says: str


@dataclass(frozen=True, slots=True)
class Progress:
    """What the readings say.

    `remaining` fraction of the yellowing, give or take `error`, what photos taken so are good for or what repeats show,
    whichever is more; `sd` [YI] of a reading that was used; `next_look` [h]
    from the start.
    """

    reference: float
    target: float
    remaining: float
    error: float
    sd: float
    forecast: Forecast | None
    stops: tuple[Stop, ...]
    next_look: float
    notes: tuple[str, ...]
    cautions: tuple[str, ...] = PROGRESS_CAUTIONS


def progress(
    readings: Sequence[YellowReading],
    reference: float,
    setup: Setup | None = None,
    *,
    target: float | None = None,
) -> Progress:
    """What the readings so far say.

    Parameters
    ----------
    readings : sequence of YellowReading
        In order of time, the first before the bath; several at the same hours are repeats.
    reference : float
        [YI] of the unexposed plastic, read in the same way.
    setup : Setup or None
        How they were taken; by default with a phone, against hours.
    target : float or None
        [YI] to reach; by default 15 % of the first difference left. Not below the reference: match it, not white.

    Raises
    ------
    WhiteningError
        Readings that cannot be, a first reading no yellower than the reference, a target below it.
    """
    setup = setup or Setup()
    check_readings(readings)
    within("reference", reference, -50.0, 200.0, "YI")
    seen = looks(readings)
    first, last = seen[0].yi, seen[-1].yi
    if first <= reference:
        raise WhiteningError(
            tr(
                "reading 1: {first:g} YI found; allowed: above the reference of {reference:g} YI",
                first=first,
                reference=reference,
            )
        )
    if target is None:
        target = reference + DEFAULT_REMAINING * (first - reference)
    if not reference <= target < first:
        raise WhiteningError(
            tr(
                "target: {target:g} YI found; allowed: from the reference of {reference:g} YI to below "
                "the first reading of {first:g} YI; match the unexposed plastic, not white",
                target=target,
                reference=reference,
                first=first,
            )
        )
    repeated = repeat_sd(readings) or 0.0
    own = READING_SD[setup.taken] if setup.sd is None else within("sd", setup.sd, 0.0, 50.0, "YI", above=True)
    sd = max(own, repeated)
    forecast = _forecast(readings, reference, target, sd, setup)
    never = 0.0 if forecast is None or forecast.misfit else forecast.never
    in_hours = forecast.at_least if forecast is not None and forecast.unit == "h" else None
    return Progress(
        reference=reference,
        target=target,
        remaining=(last - reference) / (first - reference),
        error=max(TRUST[setup.taken].remaining, 2.0 * repeated / (first - reference)),
        sd=sd,
        forecast=forecast,
        stops=stops(readings, reference, target, sd, never),
        next_look=next_look(readings, in_hours),
        notes=_notes(readings, setup),
    )


def axis(readings: Sequence[YellowReading], setup: Setup) -> tuple[Floats, str, tuple[float, float]]:
    """Where the readings lie, in which unit, and which rates are weighed."""
    hours = np.array([each.hours for each in readings])
    if setup.by == "hours":
        return hours - hours[0], "h", GRID
    for n, each in enumerate(readings, 1):
        if each.dose is None:
            raise WhiteningError(tr("reading {n}: no dose found; allowed: a dose with every reading, or by hours", n=n))
    x = np.array([each.dose for each in readings], dtype=float)
    x, span = x - x[0], float(hours[-1] - hours[0])
    if len(x) > 1 and (x[-1] <= 0 or span <= 0):
        raise WhiteningError(tr("dose: no growing dose found; allowed: doses that grow from look to look"))
    per_hour = float(x[-1]) / span if span > 0 else 1.0
    return x, "J/cm2", (GRID[0] / per_hour, GRID[1] / per_hour)


def _forecast(
    readings: Sequence[YellowReading], reference: float, target: float, sd: float, setup: Setup
) -> Forecast | None:
    x, unit, grid = axis(readings, setup)
    prior = rate_prior(setup.earlier, setup.method, setup.lamp, setup.percent, unit)
    if len(np.unique(x)) < LEAST_READINGS:
        return None
    y = np.array([each.yi for each in readings])
    fitted = fit(x, y, sd, reference=reference, grid=grid, prior=prior, seed=setup.seed)
    return foretell(fitted, target, float(x[-1]), unit, prior)


def finished(forecast: Forecast, setup: Setup) -> EarlierBatch:
    """A batch that has ended, as later ones of this bench may count it."""
    low, middle, high = forecast.rate
    spread = log(high / low) / (2.0 * 1.645)
    return EarlierBatch(setup.method, setup.lamp, setup.percent, middle, spread, forecast.unit)


def _quantiles(samples: Floats) -> tuple[float, float, float]:
    ordered = np.sort(samples)
    low, middle, high = (float(ordered[round(q * (len(ordered) - 1))]) for q in (0.05, 0.5, 0.95))
    return low, middle, high


def foretell(fitted: Fall, target: float, span: float, unit: str = "h", prior: RatePrior | None = None) -> Forecast:
    """When `target` [YI] is reached, from a fit over `span` [`unit`] of readings."""
    times = fitted.time_to(target)
    low, middle, high = _quantiles(times)
    rate = _quantiles(fitted.rate)
    count = prior.count if prior else 0
    early = rate[1] * span < EARLY and count < ENOUGH_EARLIER
    bounded = high <= BEYOND * span and not early and not fitted.misfit
    least = min(low, BEYOND * span)
    never = float(np.mean(~np.isfinite(times)))
    says = tr("at least {least} {unit}; no upper bound yet", least=number(least), unit=unit)
    if bounded:
        says = tr(
            "{least} to {high} {unit} in all (90 %), most likely about {middle} {unit}",
            least=number(least),
            high=number(high),
            unit=unit,
            middle=number(middle),
        )
    elif fitted.misfit:
        says += f": {fitted.misfit}"
    elif never >= NEVER:
        says = tr("probably never: it levels off above the target (chance {never:.0%})", never=never)
    return Forecast(
        unit=unit,
        raw=tuple(each if isfinite(each) else None for each in (low, middle, high)),
        at_least=least,
        at_most=high if bounded else None,
        never=never,
        rate=rate,
        floor=_quantiles(fitted.floor),
        misfit=fitted.misfit,
        prior_batches=count,
        says=says,
    )


def _notes(readings: Sequence[YellowReading], setup: Setup) -> tuple[str, ...]:
    notes: list[str] = []
    if len({each.hours for each in readings}) < LEAST_READINGS:
        notes.append(
            tr("no forecast before {least_readings} readings at different times", least_readings=LEAST_READINGS)
        )
    if repeat_sd(readings) is None:
        notes.append(
            tr("no repeats: place and photograph the part anew three times once, to know how a reading repeats")
        )
    if setup.by == "hours" and light_varies(readings):
        notes.append(tr("the light varied: fit against dose"))
    unit = "h" if setup.by == "hours" else "J/cm2"
    if setup.earlier and not rate_prior(setup.earlier, setup.method, setup.lamp, setup.percent, unit):
        notes.append(tr("no earlier batch with the same method, lamp and strength: none counts"))
    low, high = COMES_BACK
    back = tr("{low:g} to {high:g} b* came back in other plastics", low=low, high=high)
    notes.append(
        tr("the verdict is the reading after {dark_days} days in the dark: {back}", dark_days=DARK_DAYS, back=back)
    )
    return tuple(notes)
