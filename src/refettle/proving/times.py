"""How long repairs take: lognormal, with honest quantiles from a handful of jobs.

The logarithm of the minutes is taken as normal. What is thought before any job is the shipped estimate, worth a few
jobs; each job is then added by Bayes' rule (normal with unknown mean and spread, its conjugate prior: Gelman et
al., Bayesian Data Analysis, ch. 3). Three things follow exactly: the middle (P50) and the time that nine of ten
stay below (P90) for the next job, as quantiles of a t distribution, and a range for each, from the noncentral t
distribution.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import exp, log, sqrt

import numpy as np

from refettle.language import several, tr
from refettle.proving.counts import ProvingError, within

SPREAD = 0.6
"""Standard deviation of ln(minutes) before any job: P90 is 2.2 times P50. Estimate."""
WORTH = 2.0
"""Jobs that a shipped time is worth: estimate."""
SPREAD_WORTH = 4.0
"""Jobs that the shipped spread is worth: estimate."""
MOST_MINUTES = 100_000.0


@dataclass(frozen=True, slots=True)
class Prior:
    """What is thought of a time: `minutes` in the middle, worth `worth` jobs; `spread` of ln(minutes) likewise."""

    minutes: float
    worth: float = WORTH
    spread: float = SPREAD
    spread_worth: float = SPREAD_WORTH

    def __post_init__(self) -> None:
        within("minutes", self.minutes, 0.0, MOST_MINUTES)
        within("worth", self.worth, 0.0, 1e6)
        within("spread", self.spread, 0.0, 5.0)
        within(tr("worth of the spread"), self.spread_worth, 0.0, 1e6)


@dataclass(frozen=True, slots=True)
class RepairTime:
    """Minutes that the next such repair takes, from `jobs` and the prior.

    `p50` is as often passed as not, `p90` in one job of ten; both for the next job, so that little knowledge makes
    them lie further apart. `p50_low` to `p50_high` and `p90_low` to `p90_high` is where the true ones lie at
    `confidence`.
    """

    jobs: int
    p50: float
    p90: float
    p50_low: float
    p50_high: float
    p90_low: float
    p90_high: float
    confidence: float
    learned: Prior

    @property
    def text(self) -> str:
        """For the page."""
        known = several("{n} job", "{n} jobs", self.jobs) if self.jobs else tr("no job yet, an estimate")
        return tr(
            "half take under {p50:.0f} min, nine of ten under {p90:.0f} min ({known})",
            p50=self.p50,
            p90=self.p90,
            known=known,
        )

    def quantile(self, share: float) -> float:
        """[min] that this share (0 to 1) of such repairs stays below, for the next job."""
        within("share", share, 0.0, 1.0)
        return exp(_next(self.learned, share))

    def chance_under(self, minutes: float) -> float:
        """Chance that the next job takes less than so many minutes; 0 from 0 minutes down."""
        if minutes <= 0.0:
            return 0.0
        from scipy.special import stdtr

        width = self.learned.spread * sqrt(1.0 + 1.0 / self.learned.worth)
        return float(stdtr(self.learned.spread_worth, (log(minutes) - log(self.learned.minutes)) / width))


def repair_time(minutes: Iterable[float], prior: Prior, confidence: float = 0.9) -> RepairTime:
    """What jobs tell of the time of the next.

    Parameters
    ----------
    minutes : float
        [min] of each finished job, above 0.
    prior : Prior
        The shipped estimate, or what `for_types` makes of the block kind's `learned`.
    confidence : float
        Of the ranges, two-sided.

    Raises
    ------
    ProvingError
        A time that is not above 0 and below 100 000 min, or a confidence that is not allowed.
    """
    within("confidence", confidence, 0.5, 0.9999, edges=True)
    given = list(minutes)
    for i, each in enumerate(given, 1):
        within(tr("minutes of job {number}", number=i), each, 0.0, MOST_MINUTES)
    x = np.log(np.array(given, dtype=float))
    learned = _learn(x, prior)
    tail = 0.5 * (1.0 - confidence)
    low50, high50, low90, high90 = (
        exp(_true(learned, share, at)) for share in (0.5, 0.9) for at in (tail, 1.0 - tail)
    )  # fmt: skip
    middle, nine = exp(_next(learned, 0.5)), exp(_next(learned, 0.9))
    return RepairTime(len(given), middle, nine, low50, high50, low90, high90, confidence, learned)


def mixed_quantile(parts: Sequence[tuple[float, RepairTime]], share: float) -> float:
    """[min] that the next job stays below with chance `share`, where it is one of several.

    Parameters
    ----------
    parts : (weight, RepairTime)
        Weights need not add up to 1, as suspicions of different repairs do not; they are taken in proportion.
    share : float
        0.5 for the middle, 0.9 for what nine of ten stay below.

    Raises
    ------
    ProvingError
        No weight above 0, one below 0, or a share outside 0 to 1.
    """
    within("share", share, 0.0, 1.0)
    for i, (weight, _) in enumerate(parts, 1):
        within(tr("weight {number}", number=i), weight, 0.0, 1e9, edges=True)
    whole = sum(weight for weight, _ in parts)
    if not whole:
        raise ProvingError(tr("weights: none above 0 found; allowed: at least one"))
    low, high = log(1e-6), log(MOST_MINUTES)
    while high - low > 1e-9:
        middle = 0.5 * (low + high)
        if sum(weight * each.chance_under(exp(middle)) for weight, each in parts) < share * whole:
            low = middle
        else:
            high = middle
    return exp(high)


def for_types(kind: Prior, worth: float = WORTH, spread_worth: float = SPREAD_WORTH) -> Prior:
    """The prior of a type from what its kind taught: its middle and spread, held to a few jobs' worth."""
    return Prior(kind.minutes, min(worth, kind.worth), kind.spread, min(spread_worth, kind.spread_worth))


def _learn(x: np.ndarray[tuple[int], np.dtype[np.float64]], prior: Prior) -> Prior:
    """Bayes' rule: worths add, the mean is weighed, squares add up."""
    n = len(x)
    if not n:
        return prior
    mean, start = float(x.mean()), log(prior.minutes)
    worth, spread_worth = prior.worth + n, prior.spread_worth + n
    middle = (prior.worth * start + n * mean) / worth
    squares = prior.spread_worth * prior.spread**2 + float(((x - mean) ** 2).sum())
    squares += prior.worth * n / worth * (mean - start) ** 2
    return Prior(exp(middle), worth, sqrt(squares / spread_worth), spread_worth)


def _next(learned: Prior, share: float) -> float:
    """ln of the time that the next job stays below with chance `share`."""
    from scipy.special import stdtrit

    out = log(learned.minutes) + learned.spread * sqrt(1.0 + 1.0 / learned.worth) * float(
        stdtrit(learned.spread_worth, share)
    )
    return min(out, log(MOST_MINUTES))


def _true(learned: Prior, share: float, at: float) -> float:
    """ln of the `at` quantile of what the true `share` quantile may be."""
    from scipy.special import nctdtrit, ndtri, stdtrit

    away = float(ndtri(share)) * sqrt(learned.worth)
    steps = float(nctdtrit(learned.spread_worth, away, at) if away else stdtrit(learned.spread_worth, at))
    if not np.isfinite(steps):
        raise ProvingError(
            tr("worth: {worth:g} found; allowed: one that ranges can be worked out for", worth=learned.worth)
        )
    return min(log(learned.minutes) + learned.spread / sqrt(learned.worth) * steps, log(MOST_MINUTES))
