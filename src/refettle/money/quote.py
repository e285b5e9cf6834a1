"""What it will take to a working unit, as a range: drawn from the suspicions and from how long repairs take.

Each draw takes one set of failure modes by its weight, the minutes of finding it out, the repairs that the set needs
(each again, or another, where it does not cure), getting to them, the function test after each, and what every job ends
with. Minutes are lognormal: right-skewed, so that the mean is no good figure to quote; P50 and P90 are. One bench's
error of estimate is shared by all its repairs, which this leaves out: with few jobs of its own the true range is wider.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from math import ceil, log10

import numpy as np
import numpy.typing as npt

from refettle.language import mark, tr
from refettle.money.amounts import MOST, MoneyError, spread_of, within
from refettle.proving.times import SPREAD

DRAWS = 2000
TRIES = 3
"""Repairs tried for one failure mode before the unit is put aside as not repaired."""
CEILING_STEP = 5.0
"""A ceiling is rounded up to a handy amount, at least to so much [currency]."""


@dataclass(frozen=True, slots=True)
class Work:
    """Something that takes time and perhaps parts: `minutes` is P50 [min]; `p90` by default 2.2 times that (estimate).

    `parts` [currency] is added as it is.
    """

    name: str
    minutes: float
    p90: float | None = None
    parts: float = 0.0

    @property
    def spread(self) -> float:
        """Standard deviation of ln(minutes)."""
        return SPREAD if self.p90 is None else spread_of(self.minutes, self.p90)


AFTER_REPAIR = (
    Work("refit", 25.0),
    Work(mark("soak, the attended part"), 15.0),
    Work(mark("acceptance list"), 20.0),
    Work(mark("report and photos"), 30.0),
)
"""What a job ends with: P50 of common practice, no source (estimates)."""


@dataclass(frozen=True, slots=True)
class Fix:
    """A repair as a quote needs it.

    Attributes
    ----------
    work : Work
        Minutes without the function test, and the price of parts.
    cures : mapping of int to float
        Column of a failure mode -> chance that it is gone afterwards.
    level : int
        0 closed, 1 open, 2 board out.
    """

    work: Work
    cures: Mapping[int, float]
    level: int = 0


@dataclass(frozen=True, eq=False)
class Quote:
    """What is still to come, from `draws` draws.

    Minutes and money are P50 (as often passed as not), P90 (passed once in ten) and mean; `ceiling` is where to stop
    and ask. `chance` is that the unit works at the end; `nothing` that nothing is wrong with it. `likely` names the
    work most often in it, each with the share of draws and its mean minutes.
    """

    draws: int
    minutes_p50: float
    minutes_p90: float
    minutes_mean: float
    parts_mean: float
    p50: float
    p90: float
    mean: float
    ceiling: float
    chance: float
    nothing: float
    likely: tuple[tuple[str, float, float], ...]
    rate: float
    drawn: npt.NDArray[np.float64] = field(repr=False)

    def chance_over(self, amount: float) -> float:
        """Chance that what is still to come costs more than this [currency]."""
        return float((self.drawn > amount).mean())

    def quantile(self, share: float) -> float:
        """[currency] that this share of the draws stays below."""
        within("share", share, 0.0, 1.0)
        return float(np.quantile(self.drawn, share))


def handy(amount: float) -> float:
    """An amount rounded up to one that people say: steps of 5 up to 100, of 10 up to 1000, of 100 up to 10 000.

    >>> handy(61.2), handy(117.0), handy(0.0)
    (65.0, 120.0, 0.0)
    """
    step = CEILING_STEP if amount <= 100.0 else 10.0 ** max(1, ceil(log10(amount)) - 2)
    return step * ceil(amount / step - 1e-9)


def quote(
    weights: npt.ArrayLike,
    member: npt.ArrayLike,
    fixes: Sequence[Fix],
    *,
    rate: float,
    seed: int,
    diagnosis: Work | None = None,
    retest: float = 0.0,
    setup: tuple[float, float] = (0.0, 0.0),
    level: int = 0,
    after: Sequence[Work] = AFTER_REPAIR,
    extra: Sequence[Work] = (),
    markup: float = 0.0,
    ignore: Sequence[int] = (),
    draws: int = DRAWS,
) -> Quote:
    """The range of what is still to come.

    Parameters
    ----------
    weights : (N,) array
        Weight of each set of failure modes, as suspicions give them; need not sum to 1.
    member : (N, F) array of bool
        Which modes each set holds.
    fixes : sequence of Fix
        Repairs there are. Of those that cure a mode the cheapest for its chance of a cure comes first.
    rate : float
        Bench rate [currency per hour].
    seed : int
        The same seed gives the same quote.
    diagnosis : Work, optional
        Finding out what it is; taken where something is wrong.
    retest : float
        Function test after each repair, P50 [min].
    setup : (float, float)
        Minutes to open, and from there to take the board out; `level` is how far it is open now.
    after, extra : sequences of Work
        What the job ends with, and what was agreed besides (preventive, cosmetic); taken in every draw.
    markup : float
        Added to the price of parts, as a share of it.
    ignore : sequence of int
        Modes that are not the unit's (the bench's own gear): nobody is charged for them.
    draws : int
        2000 give P90 to about 3 %.

    Raises
    ------
    MoneyError
        Weights that are none, shapes that do not fit, values out of range.
    """
    within("rate", rate, 0.01, MOST)
    within("markup", markup, 0.0, 10.0)
    w, sets = np.asarray(weights, dtype=float), np.asarray(member, dtype=bool)
    if w.ndim != 1 or sets.ndim != 2 or len(w) != len(sets):
        raise MoneyError(
            tr(
                "member: shape {shape} found; allowed: one row for each of {count} weights",
                shape=sets.shape,
                count=len(w),
            )
        )
    if not (np.isfinite(w).all() and (w >= 0).all() and w.sum() > 0):
        raise MoneyError(tr("weights: one below 0, or none above 0 found; allowed: at least one above 0"))
    if not 100 <= draws <= 200_000:
        raise MoneyError(tr("draws: {draws} found; allowed: 100 to 200000", draws=draws))
    for work in (*after, *extra, *(f.work for f in fixes), *((diagnosis,) if diagnosis else ())):
        within(tr("minutes of {name}", name=work.name), work.minutes, 0.0, 100_000.0, "min")
        within(tr("parts of {name}", name=work.name), work.parts, 0.0, MOST)
    rng = np.random.default_rng(seed)
    present = sets[rng.choice(len(w), size=draws, p=w / w.sum())].copy()
    present[:, list(ignore)] = False
    run = _Run(rng, draws)
    faulty = present.any(axis=1)
    if diagnosis is not None:
        run.take(diagnosis, faulty)
    deepest = _repairs(run, present, fixes, Work(tr("function test"), retest), level, rate)
    for to in (1, 2):
        run.take(
            Work(tr("opening it") if to == 1 else tr("taking the board out"), setup[to - 1]),
            (deepest >= to) & (level < to),
        )
    everywhere = np.ones(draws, dtype=bool)
    for work in (*after, *extra):
        run.take(work, everywhere)
    money = run.minutes * rate / 60.0 + run.parts * (1.0 + markup)
    p50, p90 = (float(np.quantile(money, q)) for q in (0.5, 0.9))
    return Quote(
        draws=draws,
        minutes_p50=float(np.quantile(run.minutes, 0.5)),
        minutes_p90=float(np.quantile(run.minutes, 0.9)),
        minutes_mean=float(run.minutes.mean()),
        parts_mean=float(run.parts.mean()) * (1.0 + markup),
        p50=p50,
        p90=p90,
        mean=float(money.mean()),
        ceiling=handy(p90),
        chance=float(1.0 - present.any(axis=1).mean()),
        nothing=float(1.0 - faulty.mean()),
        likely=tuple(sorted(((n, c / draws, m / draws) for n, (c, m) in run.of.items()), key=lambda x: (-x[2], x[0]))),
        rate=rate,
        drawn=money,
    )


class _Run:
    """Minutes and parts of all draws, and what they went to."""

    def __init__(self, rng: np.random.Generator, draws: int) -> None:
        self.rng = rng
        self.minutes, self.parts = np.zeros(draws), np.zeros(draws)
        self.of: dict[str, tuple[int, float]] = {}

    def take(self, work: Work, where: npt.ArrayLike) -> None:
        """Add this work to the draws where it is done."""
        where = np.asarray(where, dtype=bool)
        n = int(where.sum())
        if not n or (work.minutes <= 0.0 and work.parts <= 0.0):
            return
        minutes = work.minutes * np.exp(work.spread * self.rng.standard_normal(n))
        self.minutes[where] += minutes
        self.parts[where] += work.parts
        count, total = self.of.get(work.name, (0, 0.0))
        self.of[work.name] = (count + n, total + float(minutes.sum()))


def _repairs(
    run: _Run, present: npt.NDArray[np.bool_], fixes: Sequence[Fix], retest: Work, level: int, rate: float
) -> npt.NDArray[np.int64]:
    """Do what each draw's set needs; `present` keeps what stays uncured. The deepest access each draw took.

    Draw by draw the modes not yet cured get their next repair; one repair that cures several is done once for all.
    """
    deepest = np.full(len(present), level, dtype=np.int64)
    if not fixes:
        return deepest
    success = np.zeros((len(fixes), present.shape[1]))
    for r, fix in enumerate(fixes):
        for mode, chance in fix.cures.items():
            success[r, mode] = within(tr("chance of {name}", name=fix.work.name), chance, 0.0, 1.0)
    cost = np.array([(f.work.minutes + retest.minutes) * rate / 60.0 + f.work.parts for f in fixes])
    with np.errstate(divide="ignore", invalid="ignore"):
        price = np.where(success > 0, (cost[:, None] + 1e-9) / success, np.inf)
    order = np.argsort(price, axis=0, kind="stable")
    suspicion = present.mean(axis=0)
    gain = (success @ suspicion) / (cost + 1e-9)
    for turn in range(TRIES):
        ranked = order[min(turn, len(fixes) - 1)]
        # Past the last repair that cures a mode, its best one is tried again.
        best = np.where(np.isfinite(price[ranked, np.arange(len(ranked))]), ranked, order[0])
        best = np.where(np.isfinite(price[order[0], np.arange(len(ranked))]), best, -1)
        for r in np.argsort(-gain, kind="stable"):
            mine = best == r
            done = present[:, mine].any(axis=1)
            if not done.any():
                continue
            run.take(fixes[r].work, done)
            run.take(retest, done)
            deepest[done] = np.maximum(deepest[done], fixes[r].level)
            gone = run.rng.random((int(done.sum()), present.shape[1])) < success[r]
            present[done] &= ~gone
    return deepest
