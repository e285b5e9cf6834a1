"""Chances of what a check shows under sets of failure modes, one set a row."""

from __future__ import annotations

import numpy as np

from refettle.faults.evidence import Tally
from refettle.faults.model import Array, Bools, Check, Ints

NEVER = -800.0
"""Stands for the log of 0 in products; its exponential is exactly 0."""


def steps_down(values: Array) -> Array:
    """Weights w such that the mean of `values` over levels (rows) is w @ (cumulative chances of the levels)."""
    return np.concatenate([values[:-1] - values[1:], values[-1:]])


def log_of(values: Array) -> Array:
    """Natural log, minus infinity at 0, without a warning."""
    with np.errstate(divide="ignore"):
        return np.asarray(np.log(values))


class Looks:
    """Chances under the sets in `member` (N, F), bool.

    `other` is the index of the unmodelled cause among the modes, if the model has it.
    """

    def __init__(self, member: Bools, other: int | None) -> None:
        self.member, self.other = member, other
        rows, columns = np.nonzero(member)
        self.pairs: tuple[Ints, Ints] = (rows, columns)
        """Rows and columns of the modes held; sets are small, so this is far shorter than `member`."""
        self.others = np.zeros(0, dtype=np.int64) if other is None else np.flatnonzero(member[:, other])

    def cumulative(self, check: Check, rows: Ints | None = None) -> Array:
        """(k, n) cumulative chances of the levels, the unmodelled cause left aside."""
        logs = np.maximum(log_of(np.cumsum(check.shows, axis=1)).T, NEVER)
        logs[-1] = 0.0
        if self.other is not None:
            logs[:, self.other] = 0.0
        if rows is not None:
            return np.asarray(np.exp(logs @ self.member[rows].T))
        held, columns = self.pairs
        total = np.ones((len(logs), len(self.member)))
        for level, row in enumerate(logs[:-1]):
            if row.any():
                total[level] = np.exp(np.bincount(held, row[columns], len(self.member)))
        return total

    def log_likelihood(self, tally: Tally, share: Array) -> tuple[Array, Array]:
        """Log chance of a tally under each set (N,); and, for the sets with the unmodelled cause (rows
        `self.others`), for each of its outcomes (n, k).

        `share` is (n, k): the chances of that outcome, for each such set.
        """
        factors = [(steps_down(values), times) for values, times in tally.factors()]

        def product(steps: Array) -> Array:
            total = np.zeros(steps.shape[1])
            for weights, times in factors:
                total += times * log_of(np.maximum(weights @ steps, 0.0))
            return total

        steps = self.cumulative(tally.check)
        result = product(steps)
        by_level = np.zeros((len(self.others), len(steps)))
        if len(self.others):
            mine = steps[:, self.others]
            for level in range(len(steps)):
                mine[:level] = 0.0
                by_level[:, level] = product(mine)
            result[self.others] = np.logaddexp.reduce(by_level + log_of(share), axis=1)
        return result, by_level

    def next_outcomes(self, check: Check, rows: Ints, share: Array) -> Array:
        """(n, k) chance of each outcome of one look, instrument sound; `share` is (n, k) or (1, k), as above."""
        steps = steps_down(check.error)
        cumulative = self.cumulative(check, rows).T
        if self.other is None:
            return np.asarray(cumulative @ steps)
        weighted = np.where(self.member[rows, self.other][:, None], np.cumsum(share, axis=1), 1.0)
        return np.asarray((cumulative * weighted) @ steps)
