"""The curve that a plot of a batch shows: what the readings say of the fall, between and a little beyond them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from refettle.whitening.kinetics import LEAST_READINGS, Floats, fit, rate_prior
from refettle.whitening.progress import BEYOND, Progress, Setup, axis
from refettle.whitening.stopping import YellowReading

POINTS = 61


@dataclass(frozen=True, slots=True)
class Curve:
    """`x` [`unit`: h or J/cm2] from the first reading; `low`, `middle`, `high` [YI], 90 % of what fits the readings."""

    unit: str
    x: Floats
    low: Floats
    middle: Floats
    high: Floats


def fall_curve(
    readings: Sequence[YellowReading], reference: float, found: Progress, setup: Setup | None = None
) -> Curve | None:
    """The fall fitted to `readings` as `progress` fits it; None before three different times.

    Parameters
    ----------
    readings : sequence of YellowReading
    reference : float
        [YI] of the unexposed plastic.
    found : Progress
        What `progress` said of them.
    setup : Setup or None
        As given to it.
    """
    setup = setup or Setup()
    x, unit, grid = axis(readings, setup)
    if len(np.unique(x)) < LEAST_READINGS:
        return None
    prior = rate_prior(setup.earlier, setup.method, setup.lamp, setup.percent, unit)
    y = np.array([each.yi for each in readings])
    fitted = fit(x, y, found.sd, reference=reference, grid=grid, prior=prior, seed=setup.seed)
    span = float(x[-1])
    end = span
    if found.forecast is not None:
        told = found.forecast.at_most or found.forecast.at_least
        end = min(BEYOND * span, max(1.2 * span, 1.1 * told))
    at = np.linspace(0.0, end, POINTS)
    lines = fitted.floor[:, None] + fitted.fall[:, None] * np.exp(-np.outer(fitted.rate, at))
    low, middle, high = np.percentile(lines, [5.0, 50.0, 95.0], axis=0)
    return Curve(unit, at, low, middle, high)
