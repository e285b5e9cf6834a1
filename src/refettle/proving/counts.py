"""Counts of trials, exact limits of a rate, and how a rate is written.

A trial either is good or is bad; `rate` is the chance that a trial is bad. Limits are those of Clopper and Pearson
(1934), as quantiles of the beta distribution. They never claim more confidence than they have, and mostly have
more.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil, floor, isfinite, log10
from typing import Literal

from refettle.language import local, tr

MOST_TRIALS = 1_000_000
LEAST_CONFIDENCE, MOST_CONFIDENCE = 0.5, 0.9999
Side = Literal["two-sided", "upper", "lower"]


class ProvingError(ValueError):
    """Counts, rates or a plan that cannot be; the message says what was found and what is allowed."""


def within(name: str, value: float, low: float, high: float, *, edges: bool = False) -> float:
    """`value` if it lies between `low` and `high`, with the ends where `edges`; else ProvingError naming it."""
    inside = low <= value <= high if edges else low < value < high
    if not isfinite(value) or not inside:
        words = f"{low:g} to {high:g}" if edges else tr("above {low:g} to below {high:g}", low=low, high=high)
        raise ProvingError(tr("{name}: {value:g} found; allowed: {words}", name=name, value=value, words=words))
    return value


def confident(value: float) -> float:
    """A confidence from 0.5 to 0.9999, or ProvingError."""
    return within("confidence", value, LEAST_CONFIDENCE, MOST_CONFIDENCE, edges=True)


@dataclass(frozen=True, slots=True)
class Counts:
    """`bad` of `tries` trials. ProvingError where there are more bad ones than trials, or fewer than none."""

    bad: int
    tries: int

    def __post_init__(self) -> None:
        for name, value in (("tries", self.tries), ("bad", self.bad)):
            if isinstance(value, bool) or not isinstance(value, int):
                raise ProvingError(tr("{name}: {value!r} found; allowed: a whole number", name=name, value=value))
        within("tries", self.tries, 0, MOST_TRIALS, edges=True)
        if not 0 <= self.bad <= self.tries:
            raise ProvingError(tr("bad: {bad} of {tries} found; allowed: 0 to {tries}", bad=self.bad, tries=self.tries))

    @property
    def good(self) -> int:
        """Trials that were good."""
        return self.tries - self.bad

    @property
    def rate(self) -> float:
        """Bad over tries; 0 before the first trial."""
        return self.bad / self.tries if self.tries else 0.0

    def __add__(self, other: Counts) -> Counts:
        return Counts(self.bad + other.bad, self.tries + other.tries)

    def __str__(self) -> str:
        """`3 bad of 10`."""
        return tr("{bad} bad of {tries}", bad=self.bad, tries=self.tries)


@dataclass(frozen=True, slots=True)
class Interval:
    """The rates from `low` to `high` that agree with a count, at a confidence."""

    low: float
    high: float
    confidence: float
    side: Side


def interval(counts: Counts, confidence: float = 0.95, side: Side = "two-sided") -> Interval:
    """Exact limits of the rate (Clopper and Pearson).

    Parameters
    ----------
    counts : Counts
        Fixed in advance how many; no trial gives 0 to 1.
    confidence : float
        0.5 to 0.9999.
    side : "two-sided", "upper" or "lower"
        One-sided limits leave the whole of 1 - confidence on that side: "at most", "at least".

    Raises
    ------
    ProvingError
        A confidence or a side that is not allowed.
    """
    confident(confidence)
    if side not in ("two-sided", "upper", "lower"):
        raise ProvingError(tr("side: {side!r} found; allowed: two-sided, upper, lower", side=side))
    tail = (1.0 - confidence) / (2.0 if side == "two-sided" else 1.0)
    low = 0.0 if side == "upper" else _low(counts, tail)
    high = 1.0 if side == "lower" else _high(counts, tail)
    return Interval(low, high, confidence, side)


def upper_limit(counts: Counts, confidence: float = 0.95) -> float:
    """One-sided: the rate is at most this. 1 - (1 - confidence)^(1/n) where none was bad."""
    return interval(counts, confidence, "upper").high


def lower_limit(counts: Counts, confidence: float = 0.95) -> float:
    """One-sided: the rate is at least this. 0 where none was bad."""
    return interval(counts, confidence, "lower").low


def _low(counts: Counts, tail: float) -> float:
    if counts.bad == 0:
        return 0.0
    from scipy.special import betaincinv

    return float(betaincinv(counts.bad, counts.good + 1, tail))


def _high(counts: Counts, tail: float) -> float:
    if counts.good == 0:
        return 1.0
    if counts.bad == 0:
        return float(1.0 - tail ** (1.0 / counts.tries))
    from scipy.special import betaincinv

    return float(betaincinv(counts.bad + 1, counts.good, 1.0 - tail))


def percent(rate: float, towards: Literal["up", "down", "near"] = "near") -> str:
    """A rate as `9.9 %`. A limit is rounded `up` or `down`, so that the words never claim more than the number."""
    value = 100.0 * rate
    places = 1 if value >= 1.0 else min(6, 1 - floor(log10(value))) if value > 0.0 else 0
    scale = 10.0**places
    if towards == "up":
        value = ceil(value * scale - 1e-9) / scale
    elif towards == "down":
        value = floor(value * scale + 1e-9) / scale
    text = f"{value:.{places}f}"
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    return f"{local(text)} %"
