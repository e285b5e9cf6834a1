"""When to order again: the stock at which the next order must go out, from what was used.

Demand for a part at a small bench is a handful a year; it is counted, not measured, and Poisson, not normal. The mean
is never known well either. So parts lend each other what they know: rates of all parts are thought of as drawn from one
gamma distribution, fitted to them (empirical Bayes; gamma-Poisson), and a part with little history leans on the
others. Demand in the lead time is then negative binomial, wider than Poisson by what is not known of its rate.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from math import isfinite
from typing import Literal

from refettle.language import tr

MOST_MEAN, MOST_PARTS = 1e5, 20_000
LEAST_PARTS = 5
"""Parts from which a common distribution can be learned."""
FEW_WORTH = 1.0
"""Pieces that the common rate is worth while it cannot be learned: estimate. The mean is then that of all together."""
MOST_WORTH = 50.0
"""Pieces it is worth at most: however alike parts were, one may be different. Estimate."""


class DemandError(ValueError):
    """A figure that cannot be; names it, what was found and what is allowed."""


@dataclass(frozen=True, slots=True)
class Used:
    """Pieces of a part used over some days."""

    part: str
    pieces: int
    days: float


@dataclass(frozen=True, slots=True)
class Common:
    """The gamma distribution of `shape` [pieces] and `rate` [day] that the rates of like parts are drawn from."""

    shape: float
    rate: float
    way: Literal["pooled", "too few parts"]


@dataclass(frozen=True, slots=True)
class Reorder:
    """When a part is ordered again: as soon as what is on hand and on order is at `point` or below.

    `mean` is what is expected to be used in the lead time, `held` the chance that `point` suffices for it. The rate is
    drawn from a gamma distribution of `shape` [pieces] and `rate` [day].
    """

    part: str
    point: int
    mean: float
    held: float
    shape: float
    rate: float
    way: Literal["pooled", "too few parts", "known"]


def _chance(name: str, value: float, low: float, high: float) -> float:
    if not (isfinite(value) and low <= value <= high):
        raise DemandError(
            tr("{name}: found {value:g}; allowed: {low:g} to {high:g}", name=name, value=value, low=low, high=high)
        )
    return value


def poisson_point(mean: float, target: float) -> int:
    """The smallest s with P(D <= s) >= `target`, D Poisson of `mean` [piece in the lead time].

    P(D <= s) is the regularised upper incomplete gamma function Q(s + 1, mean) (Abramowitz and Stegun 26.4.21: from
    memory).
    """
    from scipy.special import pdtr

    _chance("mean", mean, 0.0, MOST_MEAN)
    _chance("target", target, 0.5, 0.99999)
    return _smallest(lambda s: float(pdtr(s, mean)), target)


def pooled_points(history: Sequence[Used], lead_days: Mapping[str, float], target: float = 0.95) -> tuple[Reorder, ...]:
    """The reorder point of each part with a lead time [day], from the history of all.

    A part used y times in t days has the rate of a gamma of shape a + y and rate b + t, where a and b are fitted to
    all parts by maximum likelihood (`proving.fits`); demand in a lead time L is then negative binomial: P(D <= s) =
    I(p; a + y, s + 1) with p = (b + t) / (b + t + L) (Gelman et al., Bayesian Data Analysis, 2.6: from memory).

    Parts with a lead time and no history are thought to be like the others.
    """
    if len(history) > MOST_PARTS or len(lead_days) > MOST_PARTS:
        raise DemandError(
            tr(
                "parts: found {lead_days:,}; allowed: at most {most_parts:,}",
                lead_days=max(len(history), len(lead_days)),
                most_parts=MOST_PARTS,
            )
        )
    sums: dict[str, tuple[int, float]] = {}
    for each in history:
        had = sums.get(each.part, (0, 0.0))
        sums[each.part] = had[0] + each.pieces, had[1] + each.days
    shared = common_rate(history)
    nothing = (0, 0.0)
    return tuple(
        point_of(Used(part, *sums.get(part, nothing)), days, shared, target) for part, days in lead_days.items()
    )


def point_of(used: Used, lead_days: float, shared: Common, target: float = 0.95) -> Reorder:
    """The reorder point of one part with a lead time [day], beside parts whose common distribution is known."""
    from scipy.special import betainc

    _chance("target", target, 0.5, 0.99999)
    _checked(used)
    lead = _chance(tr("{part}: lead time", part=used.part), lead_days, 0.0, 3_650.0)
    a, b = shared.shape + used.pieces, shared.rate + used.days
    _chance(tr("{part}: pieces in the lead time", part=used.part), a * lead / b, 0.0, MOST_MEAN)
    p = b / (b + lead)

    def held(s: int) -> float:
        return float(betainc(a, s + 1.0, p))

    point = _smallest(held, target)
    return Reorder(used.part, point, a * lead / b, held(point), a, b, shared.way)


def common_rate(history: Sequence[Used]) -> Common:
    """The distribution that the rates of these parts are drawn from."""
    sums: dict[str, tuple[int, float]] = {}
    for each in history:
        _checked(each)
        had = sums.get(each.part, (0, 0.0))
        sums[each.part] = had[0] + each.pieces, had[1] + each.days
    return Common(*_common(list(sums.values())))


def _checked(used: Used) -> None:
    _chance(tr("{part}: pieces", part=used.part), used.pieces, 0, 1e7)
    _chance(tr("{part}: days", part=used.part), used.days, 0.0, 1e5)
    if used.pieces and not used.days:
        raise DemandError(
            tr("{part}: days: found 0 with {pieces} pieces; allowed: above 0", part=used.part, pieces=used.pieces)
        )


def _common(groups: list[tuple[int, float]]) -> tuple[float, float, Literal["pooled", "too few parts"]]:
    """Shape and rate [day] of the distribution that the rates of parts are drawn from."""
    from refettle.proving.fits import fit_gamma

    seen = [(y, t) for y, t in groups if t > 0.0]
    pieces, days = sum(y for y, _ in seen), sum(t for _, t in seen)
    if not days:
        raise DemandError(tr("history: found no days; allowed: at least one part with days"))
    mean = max(pieces, 0.5) / days  # none at all used: half a piece, so that a rate of 0 is never certain
    if len(seen) < LEAST_PARTS or not pieces:
        return FEW_WORTH, FEW_WORTH / mean, "too few parts"
    fit = fit_gamma([y for y, _ in seen], [t for _, t in seen])
    shape = min(fit.shape, MOST_WORTH)
    return shape, shape / fit.mean, "pooled"


def _smallest(held: Callable[[int], float], target: float) -> int:
    """The smallest s that holds; doubled, then halved."""
    low, high = -1, 1
    while held(high) < target:
        low, high = high, 2 * high
    if held(0) >= target:
        return 0
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if held(middle) >= target else (middle, high)
    return high
