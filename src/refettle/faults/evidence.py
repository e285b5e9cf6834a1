"""What a log feeds into fault finding: readings, repairs done, new runs."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TypeAlias

import numpy as np

from refettle.faults.model import Array, Check, ModelError
from refettle.language import tr


@dataclass(frozen=True)
class Reading:
    """A check made: an outcome, or counts over several trials, or a graded likelihood.

    Attributes
    ----------
    counts : mapping of str to int
        Outcome -> number of trials that gave it.
    likelihood : mapping of str to float, optional
        Instead of counts: how likely the reading is for each level, any common scale.
    proven : str
        The day on which its gear passed a self-check, if that is the day of the reading; else ''.
    failed : bool
        True if its gear failed its self-check that day.
    ref : str
        The log entry it came from.
    """

    check: str
    counts: Mapping[str, int] = field(default_factory=dict)
    likelihood: Mapping[str, float] | None = None
    proven: str = ""
    failed: bool = False
    ref: str = ""


@dataclass(frozen=True)
class Done:
    """A repair made."""

    repair: str
    ref: str = ""


@dataclass(frozen=True)
class NewRun:
    """The unit was switched off, left to rest and started anew: what comes and goes is drawn anew."""

    ref: str = ""


Event: TypeAlias = Reading | Done | NewRun


@dataclass(frozen=True)
class Misfit:
    """How well the readings since the last repair or new run fit the best set of modelled causes.

    `fit` is the chance of the readings under that set, relative to a set that explains each of them; `ref`
    is the entry that disagrees most, `fit_without` the fit if it had not been made.
    """

    fit: float
    fits: bool
    ref: str
    check: str
    fit_without: float


def counts_of(check: Check, counts: Mapping[str, int]) -> Array:
    """(k,) counts in the order of the check's outcomes. Raises ModelError."""
    out = np.zeros(len(check.outcomes))
    for outcome, count in counts.items():
        if outcome not in check.outcomes:
            allowed = ", ".join(check.outcomes)
            raise ModelError(
                tr(
                    "outcome '{outcome}' found for check '{id}'; allowed: {allowed}",
                    outcome=outcome,
                    id=check.id,
                    allowed=allowed,
                )
            )
        if not np.isfinite(count) or count < 0 or count != int(count):
            raise ModelError(
                tr("count {count} found for outcome '{outcome}'; allowed: 0, 1, 2, ...", count=count, outcome=outcome)
            )
        out[check.outcomes.index(outcome)] = count
    return out


def grades_of(check: Check, likelihood: Mapping[str, float]) -> Array:
    """(k,) graded likelihood, scaled to a largest value of 1. Raises ModelError."""
    unknown = set(likelihood) - set(check.outcomes)
    if unknown:
        raise ModelError(
            tr(
                "outcome '{unknown}' found; allowed: {outcomes}",
                unknown=min(unknown),
                outcomes=", ".join(check.outcomes),
            )
        )
    graded = np.array([float(likelihood.get(o, 0.0)) for o in check.outcomes])
    if not np.isfinite(graded).all() or (graded < 0).any() or not graded.any():
        raise ModelError(tr("a graded reading needs likelihoods of at least 0, one of them above 0"))
    return np.asarray(graded / graded.max())


@dataclass
class Tally:
    """All readings of one check that share one instrument."""

    check: Check
    counts: Array
    graded: list[Array] = field(default_factory=list)
    ref: str = ""

    def factors(self) -> list[tuple[Array, float]]:
        """Per kind of reading: its chance at each level, and how many times it came."""
        seen = [(self.check.error[:, o], float(self.counts[o])) for o in np.flatnonzero(self.counts)]
        return seen + [(each, 1.0) for each in self.graded]

    def log_best(self) -> float:
        """Log chance of the readings under a cause made to explain them (saturated multinomial)."""
        n = self.counts.sum()
        best = sum(c * np.log(c / n * self.check.error[:, o].max()) for o, c in enumerate(self.counts) if c)
        return float(best + sum(np.log(each.max()) for each in self.graded))

    def log_most(self) -> float:
        """Log of an upper bound of the chance of the readings under any cause."""
        best = sum(c * np.log(self.check.error[:, o].max()) for o, c in enumerate(self.counts) if c)
        return float(best + sum(np.log(each.max()) for each in self.graded))

    def log_stuck(self) -> tuple[float, float]:
        """Log chance of the readings if the instrument is stuck at good, and at bad."""
        good, bad = 0.0, 0.0
        if self.counts[1:].any():
            good = -np.inf
        bad = -np.inf if self.counts[0] else -float(self.counts.sum()) * np.log(len(self.counts) - 1)
        with np.errstate(divide="ignore"):
            for each in self.graded:
                good += float(np.log(each[0]))
                bad += float(np.log(each[1:].mean()))
        return good, bad
