"""How good predictions were: predicted against found.

Predictions are calibrated if of all things said to have a chance of 30 %, 30 of 100 came true. Log loss weighs both
that and how sharply they told cases apart: the mean of -ln(chance given to what came true), 0.693 for one who
always says 50 %, smaller is better.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import log

from refettle.language import tr
from refettle.proving.counts import Counts, ProvingError, interval, within

LEAST_CHANCE = 1e-6
"""A chance of 0 given to what then came true counts as one in a million; its true loss would have no end."""


@dataclass(frozen=True, slots=True)
class Bin:
    """Predictions from `low` to `high`: `cases` of them, `predicted` on average, `found` of them came true.

    `rate_low` to `rate_high` is the exact interval of the true rate at the calibration's confidence.
    """

    low: float
    high: float
    cases: int
    predicted: float
    found: int
    rate_low: float
    rate_high: float

    @property
    def rate(self) -> float:
        """Share that came true."""
        return self.found / self.cases

    @property
    def agrees(self) -> bool:
        """Whether what was predicted lies in the interval of what was found."""
        return self.rate_low <= self.predicted <= self.rate_high


@dataclass(frozen=True, slots=True)
class Calibration:
    """All bins that hold a case, the `log_loss` and the mean square `brier` of `cases` predictions.

    `plain_loss` is the log loss of one who always said the overall share: without it no loss can be judged.
    """

    bins: tuple[Bin, ...]
    cases: int
    log_loss: float
    plain_loss: float
    brier: float
    confidence: float

    @property
    def text(self) -> str:
        """For the page."""
        off = sum(not each.agrees for each in self.bins)
        return tr(
            "{cases} predictions: log loss {log_loss:.3f}, {plain_loss:.3f} for the overall share; "
            "{off} of {bins} bins off",
            cases=self.cases,
            log_loss=self.log_loss,
            plain_loss=self.plain_loss,
            off=off,
            bins=len(self.bins),
        )


def calibration(
    predicted: Sequence[float], found: Sequence[bool], bins: int = 10, confidence: float = 0.9
) -> Calibration:
    """Predicted chances against what came true.

    Parameters
    ----------
    predicted : float
        Chances, 0 to 1.
    found : bool
        Whether each came true.
    bins : int
        Of equal width, 1 to 100.
    confidence : float
        Of the interval of each bin, two-sided.

    Raises
    ------
    ProvingError
        Lists of different lengths, none at all, or a chance outside 0 to 1.
    """
    _checked(predicted, found)
    within("bins", bins, 1, 100, edges=True)
    out = []
    for i in range(bins):
        held = [n for n, p in enumerate(predicted) if min(bins - 1, int(p * bins)) == i]
        if not held:
            continue
        true = sum(bool(found[n]) for n in held)
        limits = interval(Counts(true, len(held)), confidence)
        mean = sum(predicted[n] for n in held) / len(held)
        out.append(Bin(i / bins, (i + 1) / bins, len(held), mean, true, limits.low, limits.high))
    share = sum(map(bool, found)) / len(found)
    brier = sum((p - bool(f)) ** 2 for p, f in zip(predicted, found, strict=True)) / len(found)
    plain = log_loss([share] * len(found), found)
    return Calibration(tuple(out), len(found), log_loss(predicted, found), plain, brier, confidence)


def log_loss(predicted: Sequence[float], found: Sequence[bool]) -> float:
    """Mean of -ln(chance given to what came true). ProvingError as `calibration`."""
    _checked(predicted, found)
    chances = (p if f else 1.0 - p for p, f in zip(predicted, found, strict=True))
    return -sum(log(max(LEAST_CHANCE, chance)) for chance in chances) / len(found)


def _checked(predicted: Sequence[float], found: Sequence[bool]) -> None:
    if len(predicted) != len(found) or not predicted:
        raise ProvingError(
            tr(
                "predictions: {predicted} with {found} found; allowed: as many, one or more",
                predicted=len(predicted),
                found=len(found),
            )
        )
    for n, chance in enumerate(predicted, 1):
        within(tr("prediction {n}", n=n), chance, 0.0, 1.0, edges=True)
