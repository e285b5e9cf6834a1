"""Two families that many groups of counts are drawn from, fitted by maximum likelihood.

- chances (cured of tried): each group has its own chance, drawn from Beta(a, b). Its worth a + b is said in past cases:
  the prior weighs as much as that many cases of one's own;
- rates (failures over what was expected): each group has its own rate, drawn from Gamma(shape, rate); its worth is the
  shape, in failures.

Counts need not be whole: a finding that is 80 % sure counts 0.8.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import exp, log

import numpy as np
from numpy.typing import ArrayLike, NDArray

from refettle.language import tr
from refettle.proving.counts import ProvingError, within

Floats = NDArray[np.float64]
LARGEST_WORTH = 1e6
"""Where groups differ no more than by luck, the likelihood rises without end; the search stops here."""


@dataclass(frozen=True, slots=True)
class BetaFit:
    """Chances of groups drawn from Beta(`a`, `b`), from `groups` of them."""

    a: float
    b: float
    groups: int

    @property
    def mean(self) -> float:
        """Mean chance."""
        return self.a / (self.a + self.b)

    @property
    def worth(self) -> float:
        """In past cases."""
        return self.a + self.b


@dataclass(frozen=True, slots=True)
class GammaFit:
    """Rates of groups drawn from Gamma(`shape`, `rate`), from `groups` of them."""

    shape: float
    rate: float
    groups: int

    @property
    def mean(self) -> float:
        """Mean rate."""
        return self.shape / self.rate


def checked(counts: ArrayLike, out_of: ArrayLike, *, chances: bool) -> tuple[Floats, Floats]:
    """Both as arrays of one length. ProvingError for lengths that differ, a figure below 0, more counted than tried."""
    y, n = np.atleast_1d(np.asarray(counts, dtype=float)), np.atleast_1d(np.asarray(out_of, dtype=float))
    if y.shape != n.shape or y.ndim != 1 or not y.size:
        raise ProvingError(
            tr(
                "counts: {counts} with {others} to hold them against found; allowed: as many, one or more",
                counts=y.size,
                others=n.size,
            )
        )
    for i in range(len(y)):
        within(tr("count of group {n}", n=i + 1), float(y[i]), 0.0, float(n[i]) if chances else 1e9, edges=True)
        within(tr("cases of group {n}", n=i + 1), float(n[i]), 0.0, 1e9, edges=True)
        if n[i] == 0.0 and y[i] > 0.0:
            raise ProvingError(
                tr("count of group {n}: {count:g} with nothing expected found; allowed: 0", n=i + 1, count=y[i])
            )
    return y, n


def fit_beta(counts: ArrayLike, tries: ArrayLike) -> BetaFit:
    """Beta-binomial fit to `counts` of `tries`, one pair a group; ProvingError for fewer than two groups with tries."""
    y, n = checked(counts, tries, chances=True)
    y, n = y[n > 0], n[n > 0]
    if len(n) < 2:
        raise ProvingError(tr("groups: {n} with tries found; allowed: two or more", n=len(n)))

    def at(mean: float) -> tuple[float, float]:
        return best_worth(lambda worth: chance_likelihood(y, n, mean, worth), 1e-2, LARGEST_WORTH)

    mean = _best_mean(lambda value: at(value)[1], 1e-6, 1.0 - 1e-6)
    worth = at(mean)[0]
    return BetaFit(mean * worth, (1.0 - mean) * worth, len(n))


def fit_gamma(counts: ArrayLike, exposures: ArrayLike) -> GammaFit:
    """Gamma-Poisson fit to `counts` over `exposures`, one pair a group; ProvingError as `fit_beta`, or no count."""
    y, e = checked(counts, exposures, chances=False)
    y, e = y[e > 0], e[e > 0]
    if len(e) < 2:
        raise ProvingError(tr("groups: {n} with an exposure found; allowed: two or more", n=len(e)))
    if not y.sum():
        raise ProvingError(tr("counts: only 0 found; allowed: at least one above"))

    def at(mean: float) -> tuple[float, float]:
        return best_worth(lambda shape: rate_likelihood(y, e, mean, shape), 1e-2, LARGEST_WORTH)

    # Whatever the spread, the mean lies between the least and the largest of the groups' own.
    own = y / e
    mean = _best_mean(
        lambda value: at(value)[1], max(1e-3 * float(own.max()), float(own.min())), float(own.max()), True
    )
    shape = at(mean)[0]
    return GammaFit(shape, shape / mean, len(e))


def chance_likelihood(y: Floats, n: Floats, mean: Floats | float, worth: Floats | float) -> float:
    """ln P(y of n) where the chance is drawn from Beta(mean * worth, (1 - mean) * worth), but for a constant."""
    from scipy.special import betaln

    a, b = mean * worth, (1.0 - np.asarray(mean)) * worth
    return float(np.sum(betaln(y + a, n - y + b) - betaln(a, b)))


def rate_likelihood(y: Floats, e: Floats, mean: Floats | float, shape: Floats | float) -> float:
    """ln P(y) where the rate over the exposure e is drawn from a gamma of this mean and shape, but for a constant."""
    from scipy.special import gammaln

    expected = np.asarray(mean) * e
    spread = np.log1p(expected / shape)
    ones = gammaln(y + shape) - gammaln(shape) - shape * spread
    ones = ones + y * (np.log(np.maximum(expected, 1e-300)) - np.log(shape + expected))
    return float(np.sum(ones))


def best_worth(likelihood: Callable[[float], float], low: float, high: float) -> tuple[float, float]:
    """The worth between `low` and `high` of the largest likelihood, and that likelihood."""
    place, value = _golden(lambda x: likelihood(exp(x)), log(low), log(high), 1e-7, 13)
    return exp(place), value


def _best_mean(likelihood: Callable[[float], float], low: float, high: float, logarithmic: bool = False) -> float:
    if not high > low:
        return low
    if logarithmic:
        return exp(_golden(lambda x: likelihood(exp(x)), log(low), log(high), 1e-8, 13)[0])
    inner = _golden(lambda x: likelihood(1.0 / (1.0 + exp(-x))), log(low / (1 - low)), log(high / (1 - high)), 1e-8, 17)
    return 1.0 / (1.0 + exp(-inner[0]))


def _golden(value: Callable[[float], float], low: float, high: float, close: float, first: int) -> tuple[float, float]:
    """Largest value by a look at `first` places, then golden section around the best."""
    places = np.linspace(low, high, first)
    top = int(np.argmax([value(float(x)) for x in places]))
    low, high = float(places[max(0, top - 1)]), float(places[min(first - 1, top + 1)])
    share = 0.6180339887498949
    left, right = high - share * (high - low), low + share * (high - low)
    at_left, at_right = value(left), value(right)
    while high - low > close:
        if at_left > at_right:
            high, right, at_right = right, left, at_left
            left = high - share * (high - low)
            at_left = value(left)
        else:
            low, left, at_left = left, right, at_right
            right = low + share * (high - low)
            at_right = value(right)
    place = 0.5 * (low + high)
    return place, value(place)
