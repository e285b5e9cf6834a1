"""Does one position or condition fail less than another: exact tests of two counts, and of many.

One-sided, "the first fails less than the second": choose the pair and the side before the trials. Three tests,

- Boschloo (1970), the one to go by. Tables are ranked by Fisher's chance, and the chance of a table ranked as far
  out is taken at the common failure rate that makes it largest. It is exact, and never less powerful than Fisher's;
- Fisher, beside it: the chance among tables with the same number of bad trials in all. Exact, and wasteful with few
  trials;
- Barnard's with the pooled z as its ranking, for comparison. It is not always the sharper one.

0 bad of 20 against 4 of 20 is shown at 5 % by Boschloo's test, not by Fisher's; with 10 each both ask for 4.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from math import comb, sqrt
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from refettle.language import mark, tr
from refettle.proving.counts import Counts, ProvingError, percent, within

Floats = NDArray[np.float64]
Test = Literal["boschloo", "fisher", "barnard"]
TESTS: tuple[Test, ...] = ("boschloo", "fisher", "barnard")
MOST_EACH = 200
"""Trials in each condition at most; beyond, the three tests agree and the limits of each rate say the same."""
WHY = mark(
    "Boschloo's test: exact, made for two counts whose trials were fixed in advance, and it shows a difference with "
    "fewer trials than Fisher's, which also fixes the number of bad trials in all, as nobody does at the bench"
)
_TIE = 1e-11
_COARSE = 200


@dataclass(frozen=True, slots=True)
class Comparison:
    """Chances of a difference this large by luck alone, if the first does not fail less. `by` test."""

    first: Counts
    second: Counts
    boschloo: float
    fisher: float
    barnard: float
    alpha: float
    why: str = WHY

    @property
    def shows(self) -> bool:
        """Whether the first is shown to fail less, by Boschloo's test."""
        return self.boschloo <= self.alpha

    @property
    def text(self) -> str:
        """The sentence for page and report."""
        says = tr("fails less than") if self.shows else tr("is not shown to fail less than")
        return tr(
            "{first} {says} {second}: by luck alone in {boschloo} of cases (Boschloo)",
            first=self.first,
            says=says,
            second=self.second,
            boschloo=percent(self.boschloo, "up"),
        )


def compare(first: Counts, second: Counts, alpha: float = 0.05) -> Comparison:
    """Whether the first of two counts fails less, one-sided.

    Parameters
    ----------
    first, second : Counts
        1 to 200 trials each.
    alpha : float
        Chance of being wrong that is put up with, 0.0001 to 0.5.

    Raises
    ------
    ProvingError
        A count without trials or with too many.
    """
    within("alpha", alpha, 1e-4, 0.5, edges=True)
    _checked("first", first.tries)
    _checked("second", second.tries)
    n1, n2 = first.tries, second.tries
    values = {}
    for test in ("boschloo", "barnard"):
        rank = _ranks(n1, n2, "boschloo" if test == "boschloo" else "barnard")
        values[test] = _largest(n1, n2, rank <= _cut(float(rank[first.bad, second.bad])))
    fisher = float(_ranks(n1, n2, "boschloo")[first.bad, second.bad])
    return Comparison(first, second, values["boschloo"], fisher, values["barnard"], alpha)


def _checked(name: str, tries: int) -> None:
    if not 1 <= tries <= MOST_EACH:
        raise ProvingError(
            tr("{name}: {tries} trials found; allowed: 1 to {most_each}", name=name, tries=tries, most_each=MOST_EACH)
        )


def _cut(value: float) -> float:
    """Just above `value`, so that tables tied with it count."""
    return value + _TIE * abs(value) + 1e-300


@lru_cache(maxsize=32)
def _ranks(n1: int, n2: int, test: Test) -> Floats:
    """For every table (bad in the first, bad in the second) how far out it is: small says that the first fails less."""
    if test == "barnard":
        x, y = np.arange(n1 + 1)[:, None], np.arange(n2 + 1)[None, :]
        pooled = (x + y) / (n1 + n2)
        spread = np.sqrt(pooled * (1.0 - pooled) * (1.0 / n1 + 1.0 / n2))
        out = np.where(spread > 0.0, (x / n1 - y / n2) / np.where(spread > 0.0, spread, 1.0), 0.0)
        return np.asarray(out, dtype=np.float64)
    # Whole numbers all the way: tables that tie must tie exactly.
    ones, twos = [comb(n1, x) for x in range(n1 + 1)], [comb(n2, y) for y in range(n2 + 1)]
    ranks = np.ones((n1 + 1, n2 + 1))
    for bad in range(n1 + n2 + 1):
        whole, below = comb(n1 + n2, bad), 0
        for first in range(max(0, bad - n2), min(n1, bad) + 1):
            below += ones[first] * twos[bad - first]
            ranks[first, bad - first] = below / whole
    return ranks


@lru_cache(maxsize=32)
def _ways(n1: int, n2: int) -> Floats:
    """Share that a table has of all orders with its number of bad trials."""
    total = n1 + n2
    out = np.zeros((n1 + 1, n2 + 1))
    for first in range(n1 + 1):
        for second in range(n2 + 1):
            out[first, second] = comb(n1, first) * comb(n2, second) / comb(total, first + second)
    return out


@lru_cache(maxsize=32)
def _binomial(total: int) -> tuple[Floats, Callable[[Floats], Floats]]:
    """The chances of 0 to `total` bad at a coarse grid of rates, and the function that gives them at any rates."""
    bad = np.arange(total + 1)
    log_ways = np.array([_log_comb(total, int(k)) for k in bad])

    def at(rates: Floats) -> Floats:
        inner = np.clip(rates, 1e-12, 1.0 - 1e-12)[:, None]
        return np.asarray(np.exp(log_ways + bad * np.log(inner) + (total - bad) * np.log1p(-inner)), dtype=np.float64)

    return at(_coarse()), at


def _log_comb(total: int, k: int) -> float:
    from math import lgamma

    return lgamma(total + 1) - lgamma(k + 1) - lgamma(total - k + 1)


def _coarse() -> Floats:
    """Rates from 0 to 1, closer at the ends, where the largest chance of lopsided tables lies."""
    angles = np.arange(_COARSE + 1) / _COARSE
    return np.asarray(np.sin(0.5 * np.pi * angles) ** 2, dtype=np.float64)


def _largest(n1: int, n2: int, tables: NDArray[np.bool_]) -> float:
    """The chance of these tables at the common rate that makes it largest."""
    x, y = np.nonzero(tables)
    shares = np.bincount(x + y, weights=_ways(n1, n2)[x, y], minlength=n1 + n2 + 1)
    coarse, at = _binomial(n1 + n2)
    chances = coarse @ shares
    rates = _coarse()
    best = float(chances.max())
    # Each of the higher peaks is looked at again, 10 000 times as close.
    for i in np.argsort(chances)[-3:]:
        low, high = rates[max(0, i - 1)], rates[min(_COARSE, i + 1)]
        for _ in range(2):
            close = np.linspace(low, high, 41)
            found = at(close) @ shares
            top = int(found.argmax())
            low, high = close[max(0, top - 1)], close[min(40, top + 1)]
            best = max(best, float(found[top]))
    return min(1.0, best)


def _critical(n1: int, n2: int, alpha: float, test: Test) -> NDArray[np.bool_]:
    """The tables that show at `alpha` that the first fails less."""
    ranks = _ranks(n1, n2, "barnard" if test == "barnard" else "boschloo")
    if test == "fisher":
        return np.asarray(ranks <= alpha * (1.0 + 1e-12))
    values = np.unique(ranks)
    low, high = -1, len(values) - 1
    while high - low > 0:
        middle = (low + high + 1) // 2
        if _largest(n1, n2, ranks <= _cut(float(values[middle]))) <= alpha:
            low = middle
        else:
            high = middle - 1
    if low < 0:
        return np.zeros(ranks.shape, dtype=np.bool_)
    return np.asarray(ranks <= _cut(float(values[low])))


def power(n1: int, n2: int, rate1: float, rate2: float, alpha: float = 0.05, test: Test = "boschloo") -> float:
    """Chance that `n1` and `n2` trials show the first to fail less, where they fail at `rate1` and `rate2`.

    ProvingError for trials outside 1 to 200, rates outside 0 to 1, or an unknown test.
    """
    _checked("first", n1)
    _checked("second", n2)
    within(tr("rate of the first"), rate1, 0.0, 1.0, edges=True)
    within(tr("rate of the second"), rate2, 0.0, 1.0, edges=True)
    within("alpha", alpha, 1e-4, 0.5, edges=True)
    if test not in TESTS:
        raise ProvingError(tr("test: {test!r} found; allowed: {tests}", test=test, tests=", ".join(TESTS)))
    tables = _critical(n1, n2, alpha, test)
    first, second = _binomial(n1)[1](np.array([rate1]))[0], _binomial(n2)[1](np.array([rate2]))[0]
    return min(1.0, float(first @ tables.astype(np.float64) @ second))


def each_needed(rate1: float, rate2: float, alpha: float = 0.05, wanted: float = 0.8, test: Test = "boschloo") -> int:
    """Trials in each of two conditions that show with chance `wanted` that the first fails less.

    The smallest number that does; with few trials, one more may do a little worse. ProvingError where `rate1` is not
    below `rate2`, or more than 200 each would be needed.
    """
    within(tr("power wanted"), wanted, 0.5, 0.999, edges=True)
    within(tr("rate of the second"), rate2, 0.0, 1.0, edges=True)
    within(tr("rate of the first"), rate1, 0.0, 1.0, edges=True)
    if rate1 >= rate2:
        raise ProvingError(
            tr(
                "rate of the first: {rate1:g} found; allowed: below that of the second, {rate2:g}",
                rate1=rate1,
                rate2=rate2,
            )
        )
    # A step well below the textbook's normal approximation is where the search begins.
    spread = sqrt(rate1 * (1.0 - rate1)) + sqrt(rate2 * (1.0 - rate2))
    start = max(2, int(0.3 * (spread / (rate2 - rate1)) ** 2 * 2.0))
    for each in range(start, MOST_EACH + 1):
        if power(each, each, rate1, rate2, alpha, test) >= wanted:
            return each
    raise ProvingError(
        tr(
            "rates: {rate1:g} and {rate2:g} found; allowed: a difference that {most_each} trials each show",
            rate1=rate1,
            rate2=rate2,
            most_each=MOST_EACH,
        )
    )


def good_after(before: Counts, alpha: float = 0.05) -> int:
    """Good trials in a row after a repair that show it to fail less than the count `before` it, by Boschloo's test.

    It says that something was gained, not that the fault is gone: for that see `trials.needed`. ProvingError where no
    number up to 200 shows it.
    """
    for tries in range(1, MOST_EACH + 1):
        if before.bad and compare(Counts(0, tries), before, alpha).shows:
            return tries
    raise ProvingError(
        tr(
            "before: {before} found; allowed: a count that {most_each} good trials can stand out from",
            before=before,
            most_each=MOST_EACH,
        )
    )


@dataclass(frozen=True, slots=True)
class Position:
    """One of several positions against all others together.

    `chance` is that of failing more than the others by luck alone; `corrected` by Holm for the number of positions.
    """

    name: str
    counts: Counts
    others: Counts
    chance: float
    corrected: float
    shows: bool


def worst_positions(positions: Mapping[str, Counts], alpha: float = 0.05) -> tuple[Position, ...]:
    """Which of several positions fail more than the others, with Holm's correction, in the order given.

    ProvingError with fewer than two positions, or trials outside 1 to 200 in one or in all others together.
    """
    within("alpha", alpha, 1e-4, 0.5, edges=True)
    if len(positions) < 2:
        raise ProvingError(tr("positions: {positions} found; allowed: two or more", positions=len(positions)))
    whole = Counts(sum(each.bad for each in positions.values()), sum(each.tries for each in positions.values()))
    rest = {name: Counts(whole.bad - c.bad, whole.tries - c.tries) for name, c in positions.items()}
    chances = []
    for name, counts in positions.items():
        _checked(name, counts.tries)
        _checked(tr("all but {name}", name=name), rest[name].tries)
        chances.append(compare(rest[name], counts, alpha).boschloo)
    corrected = holm(chances)
    return tuple(
        Position(name, counts, rest[name], chance, fair, fair <= alpha)
        for (name, counts), chance, fair in zip(positions.items(), chances, corrected, strict=True)
    )


def holm(chances: list[float]) -> list[float]:
    """Chances corrected for their number (Holm 1979): the smallest times m, the next times m - 1, never falling."""
    out = [0.0] * len(chances)
    highest = 0.0
    for place, i in enumerate(sorted(range(len(chances)), key=lambda i: chances[i])):
        within("chance", chances[i], 0.0, 1.0, edges=True)
        highest = max(highest, min(1.0, chances[i] * (len(chances) - place)))
        out[i] = highest
    return out
