"""Made-up batches with a known answer, for how often a forecast holds."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from math import inf, log

import numpy as np

from refettle.whitening.kinetics import RatePrior, fit
from refettle.whitening.progress import Forecast, foretell

EARLY = {"4 readings to 4 h": (4, 4.0, 1.5), "6 to 8 h": (6, 8.0, 1.5), "6 to 8 h, locked": (6, 8.0, 0.7),
         "8 to 24 h": (8, 24.0, 1.5)}  # fmt: skip
"""Readings, span [h], sd [YI]."""


@dataclass(frozen=True)
class Score:
    """Shares of runs: interval of the samples holds the truth, what is said holds it, an upper end is given, of those
    it holds; and mean chance of never beside how often it was never."""

    raw: float
    said: float
    bounded: float
    held_if_bounded: float
    never_said: float
    never: float
    misfit: float


@dataclass(frozen=True)
class Batch:
    """Readings `y` at `x`, the unexposed plastic as read, the target, and when it is truly reached."""

    x: np.ndarray
    y: np.ndarray
    sd: float
    reference: float
    target: float
    truth: float


def batches(setting: str, runs: int, *, seed: int = 7, own_target: bool = False) -> Iterator[Batch]:
    """Rates log-normal about 0.15 per h (sd of the logarithm 0.5), reference 4 YI (sd) from the floor.

    The target is 15 % of the fall left; with `own_target` as the reference tells it, which may lie below the floor.
    """
    count, span, sd = EARLY[setting]
    random = np.random.default_rng(seed)
    x = np.linspace(0.0, span, count)
    for _ in range(runs):
        rate = 0.15 * np.exp(0.5 * random.standard_normal())
        fall, floor = random.uniform(15, 35), random.uniform(4, 14)
        y = floor + fall * np.exp(-rate * x) + sd * random.standard_normal(count)
        reference = floor + 4.0 * random.standard_normal()
        target = reference + 0.15 * (y[0] - reference) if own_target else floor + 0.15 * fall
        truth = log(fall / (target - floor)) / rate if target > floor else inf
        yield Batch(x, y, sd, reference, target, truth)


def score(setting: str, runs: int, *, own_target: bool = False, prior: RatePrior | None = None) -> Score:
    """How the forecasts of made-up batches do."""
    found: list[tuple[Forecast, float]] = []
    for run, each in enumerate(batches(setting, runs, own_target=own_target)):
        fitted = fit(each.x, each.y, each.sd, reference=each.reference, prior=prior, seed=run)
        found.append((foretell(fitted, each.target, float(each.x[-1]), prior=prior), each.truth))

    def holds(low: float | None, high: float | None, truth: float) -> bool:
        return (inf if low is None else low) <= truth <= (inf if high is None else high)

    bounded = [(f, t) for f, t in found if f.at_most is not None]
    return Score(
        raw=float(np.mean([holds(f.raw[0], f.raw[2], t) for f, t in found])),
        said=float(np.mean([holds(f.at_least, f.at_most, t) for f, t in found])),
        bounded=len(bounded) / runs,
        held_if_bounded=float(np.mean([holds(f.at_least, f.at_most, t) for f, t in bounded])) if bounded else 1.0,
        never_said=float(np.mean([f.never for f, _ in found])),
        never=float(np.mean([t == inf for _, t in found])),
        misfit=float(np.mean([bool(f.misfit) for f, _ in found])),
    )
