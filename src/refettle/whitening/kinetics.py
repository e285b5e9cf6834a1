"""How yellowness falls with time or dose: a fall to a floor, fitted on a grid, with honest uncertainty.

    y(x) = floor + fall exp(-k x)

For each of 300 rates k, evenly spaced in the logarithm, floor and fall follow exactly from weighted least squares, with
the floor held near the unexposed plastic (sd 4, which is a guess about the part and not about the chemistry). Each rate
weighs exp(-chi2 / 2) sqrt(det), its marginal likelihood under flat priors; 4000 samples carry rate, floor and fall.

No published rate exists for peroxide on aged ABS. The rate is learnt from this batch, and from earlier ones of the same
bench done the same way; the grid, 0.01 to 3 per hour, is the only other assumption about it.
The model is empirical: where readings fall fast and then slowly, it says that it does not fit.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import log, sqrt

import numpy as np
from numpy.typing import NDArray

from refettle.language import tr
from refettle.whitening.values import WhiteningError, within

Floats = NDArray[np.float64]
GRID = (0.01, 3.0)
"""[1/h]"""
POINTS, SAMPLES = 300, 4000
FLOOR_SD = 4.0
"""[YI] How far the floor may be from the unexposed plastic."""
LEAST_READINGS = 3
UNLIKELY = 2.33
"""[sd] Misfit so large that it comes by chance once in a hundred."""
BETTER = 6.6
"""Fall of chi2 from which fast-then-slow is said to fit better: chance once in a hundred."""
BATCH_SD = 0.5
"""sd of ln k from batch to batch before any two are known: estimate."""
BATCH_WEIGHT = 2.0
"""How many batches that estimate counts for: choice."""


@dataclass(frozen=True, slots=True)
class EarlierBatch:
    """A finished batch: `rate` [per `unit`: h or J/cm2], `spread` sd of its logarithm, `percent` [% w/w]."""

    method: str
    lamp: str
    percent: float
    rate: float
    spread: float = 0.2
    unit: str = "h"


@dataclass(frozen=True, slots=True)
class RatePrior:
    """What earlier batches say of ln k: Student's t about `centre` with `scale` and `freedom`, from `count` batches."""

    count: int
    centre: float
    scale: float
    freedom: float

    def log_density(self, rates: Floats) -> Floats:
        """Of each rate, up to a constant."""
        z = (np.log(rates) - self.centre) / self.scale
        found: Floats = -0.5 * (self.freedom + 1.0) * np.log1p(z * z / self.freedom)
        return found


@dataclass(frozen=True, slots=True)
class Fall:
    """Samples of `rate`, `floor`, `fall`; `residuals` [sd] of the best fit; `misfit` in words or empty."""

    rate: Floats
    floor: Floats
    fall: Floats
    residuals: tuple[float, ...]
    misfit: str

    def time_to(self, target: float) -> Floats:
        """When each sample reaches `target`: 0 if it starts there, infinite if its floor is above."""
        with np.errstate(divide="ignore", invalid="ignore"):
            found = np.log(self.fall / (target - self.floor)) / self.rate
        found = np.where(self.floor >= target, np.inf, found)
        found = np.where(self.floor + self.fall <= target, 0.0, found)
        return np.maximum(found, 0.0)


def rate_prior(
    earlier: Sequence[EarlierBatch], method: str, lamp: str, percent: float, unit: str = "h"
) -> RatePrior | None:
    """What earlier batches with the same method, lamp, strength (within a tenth) and unit say; None without any.

    WhiteningError for a batch whose rate or spread cannot be.
    """
    logs: list[float] = []
    own = 0.0
    for number, each in enumerate(earlier, 1):
        within(tr("earlier batch {number}: rate", number=number), each.rate, 0.0, 1e3, "", above=True)
        within(tr("earlier batch {number}: spread", number=number), each.spread, 0.0, 5.0, "")
        same = (
            each.unit == unit
            and each.method.casefold() == method.casefold()
            and each.lamp.casefold() == lamp.casefold()
        )
        if same and abs(each.percent - percent) <= 0.1 * max(percent, 1e-9):
            logs.append(log(each.rate))
            own += each.spread**2
    if not logs:
        return None
    count = len(logs)
    centre = sum(logs) / count
    freedom = BATCH_WEIGHT + count - 1.0
    between = (BATCH_WEIGHT * BATCH_SD**2 + sum((each - centre) ** 2 for each in logs)) / freedom
    return RatePrior(count, centre, sqrt(between * (1.0 + 1.0 / count) + own / count**2), freedom)


def fit(
    x: Floats,
    y: Floats,
    sd: float,
    *,
    reference: float | None = None,
    grid: tuple[float, float] = GRID,
    prior: RatePrior | None = None,
    seed: int = 1,
) -> Fall:
    """Fit the fall of `y` over `x`.

    Parameters
    ----------
    x, y : array
        [h or J/cm2] and [YI]; three or more, at three different `x` at least.
    sd : float
        [YI] of one reading.
    reference : float or None
        [YI] of the unexposed plastic, near which the floor is held.
    grid : tuple
        [1/h or cm2/J] least and most rate.
    prior : RatePrior or None
        From earlier batches.
    seed : int
        Of the samples.

    Raises
    ------
    WhiteningError
        Too few readings, or a spread that cannot be.
    """
    within("sd", sd, 0.0, 300.0, "YI", above=True)
    if len(np.unique(x)) < LEAST_READINGS:
        raise WhiteningError(
            tr(
                "readings: {count} different times found; allowed: {least} or more",
                count=len(np.unique(x)),
                least=LEAST_READINGS,
            )
        )
    rates = np.geomspace(*grid, POINTS)
    solved = _solve(rates, x, y, sd, reference)
    weight = -0.5 * solved.chi2 - 0.5 * np.log(solved.det)
    if prior is not None:
        weight = weight + prior.log_density(rates)
    share = np.exp(weight - weight.max())
    random = np.random.default_rng(seed)
    chosen = np.searchsorted(np.cumsum(share), random.random(SAMPLES) * share.sum())
    chosen = np.minimum(chosen, POINTS - 1)
    one, other = random.standard_normal((2, SAMPLES))
    floor = solved.floor[chosen] + np.sqrt(solved.s22 / solved.det)[chosen] * one
    tied = (solved.s12 / solved.s22)[chosen] * (floor - solved.floor[chosen])
    fall = solved.fall[chosen] - tied + other / np.sqrt(solved.s22[chosen])
    best = int(np.argmin(solved.chi2))
    left = (y - solved.floor[best] - solved.fall[best] * np.exp(-rates[best] * x)) / sd
    return Fall(rates[chosen], floor, fall, tuple(float(each) for each in left), _misfit(x, y, sd, reference, solved))


@dataclass(frozen=True, slots=True)
class _Solved:
    """For each rate: floor, fall, chi2, and the normal matrix's s12, s22 and determinant."""

    floor: Floats
    fall: Floats
    chi2: Floats
    s12: Floats
    s22: Floats
    det: Floats


def _solve(rates: Floats, x: Floats, y: Floats, sd: float, reference: float | None) -> _Solved:
    """Floor and fall by weighted least squares, for every rate at once."""
    w = 1.0 / (sd * sd)
    e = np.exp(-np.outer(rates, x))
    s11 = np.full(len(rates), w * len(x))
    s12, s22 = w * e.sum(axis=1), w * (e * e).sum(axis=1)
    b1, b2 = np.full(len(rates), w * float(y.sum())), w * (e @ y)
    square = w * float(y @ y)
    if reference is not None:  # one more reading, of the floor itself
        s11, b1 = s11 + FLOOR_SD**-2, b1 + reference * FLOOR_SD**-2
        square += (reference / FLOOR_SD) ** 2
    det = np.maximum(s11 * s22 - s12 * s12, 1e-14 * s11 * s22)
    floor, fall = (s22 * b1 - s12 * b2) / det, (s11 * b2 - s12 * b1) / det
    return _Solved(floor, fall, np.maximum(square - b1 * floor - b2 * fall, 0.0), s12, s22, det)


def _misfit(x: Floats, y: Floats, sd: float, reference: float | None, solved: _Solved) -> str:
    """In words why the model does not hold, or nothing."""
    freedom = len(x) + (reference is not None) - 3
    if freedom < 1:
        return ""
    chi2 = float(solved.chi2.min())
    root = np.sqrt(x - x[0])  # a fall over the root of time is fast at first, then slow
    slow = np.geomspace(0.05, 30.0, POINTS) / max(float(root.max()), 1e-9)
    other = float(_solve(slow, root, y, sd, reference).chi2.min())
    if len(x) > LEAST_READINGS and chi2 - other > BETTER and other < chi2 / 2.0:
        return tr("fast at first, then slower than a fall to a floor: what it foretells is not to be trusted")
    # Wilson and Hilferty: the cube root of chi2 over its freedom is close to normal.
    narrow = 2.0 / (9.0 * freedom)
    if ((chi2 / freedom) ** (1.0 / 3.0) - 1.0 + narrow) / sqrt(narrow) > UNLIKELY:
        return tr("the readings scatter more about the curve than a reading repeats: light, turning or photos vary")
    return ""
