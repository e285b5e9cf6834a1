"""The chance that a unit ends working, where jobs end for reasons that no fault model sees.

A fault model knows of faults that a repair does not cure. It does not know of parts that nobody sells any more, of a
board that is eaten away, of giving up. Published repair records and finished jobs know of all of these together, but
not what is wrong with this unit. Both are used, each for what it knows:

    q  = (w b + k) / (w + n)                    how often a faulty unit of this kind ends working
    g  = min(1, q / m)                          how often it is gone through with
    p  = s + (c - s) g                          the chance that this one ends working

`b` is the base rate, worth `w` past cases, at most `MOST_WORTH`; `k` of the bench's own `n` finished jobs of faulty
units of this type ended working: a beta prior and Bayes' rule, the pooling of `refettle.proving.pooling` with the
base rate as what was thought before. Own jobs take over: the base rate weighs w / (w + n). `m` is the model's own
chance for a faulty unit of the type as it comes in; what q says less than that, the model cannot see. `c` is the
model's chance for this unit after its log, `s` the part of it that nothing is wrong (any more): there is nothing to
give up then, and a unit seen to work is not doubted. p lies between s and c, so that the model's chance is lowered
and never raised. That giving up is as likely whatever is wrong is a choice.

`b` comes from the ends of the Open Repair Data Standard 0.3 (The Restart Project 2021, `repair_status`): 'Fixed'; 'End
of life', where it is "not cost-effective or realistic" to repair; 'Repairable', where no repair was completed and what
it takes was found. These last are unfinished and a bench goes on, so they are taken to end as the others do:

    b = fixed / (fixed + end of life)

Fixed alone would be too low a figure, and this may be too high: what is left unfinished is the harder part.
"""

from __future__ import annotations

from dataclasses import dataclass

from refettle.language import tr
from refettle.money.amounts import MoneyError, within
from refettle.proving.base_rates import BaseRate
from refettle.proving.pooling import FEW_GROUPS_WORTH

MOST_WORTH = FEW_GROUPS_WORTH["chances"]
"""Past cases that a base rate is worth at most, however many records are behind it: estimate. They are of other people,
other types and one evening; it is what a prior is worth there as long as nothing tells how far groups differ."""
CONFIDENCE = 0.9


@dataclass(frozen=True, slots=True)
class Ends:
    """How units like this one end, by published records and by the bench's own finished jobs.

    Attributes
    ----------
    category, band : str
        As looked up: 'Games console', '20 years and over'.
    chance, low, high : float
        Ends working, of those that came to an end, with its 90 % interval.
    cases : float
        Records that the interval is worth, those that it leans on counted in part.
    fixed, repairable, end_of_life : float
        The shares behind it.
    records, category_records : int
        Of this category and age, and of the category.
    worked, jobs : int
        Of own finished jobs of faulty units of the type, so many ended working.
    source : str
        What the records are called in the book.
    """

    category: str
    band: str
    chance: float
    low: float
    high: float
    cases: float
    fixed: float
    repairable: float
    end_of_life: float
    records: int
    category_records: int
    worked: int = 0
    jobs: int = 0
    source: str = ""

    @property
    def worth(self) -> float:
        """Past cases that the base rate is taken for."""
        return min(MOST_WORTH, self.cases)

    @property
    def weight(self) -> float:
        """Of the base rate beside own jobs: 1 without any, near 0 with many."""
        return self.worth / (self.worth + self.jobs)

    @property
    def blended(self) -> float:
        """How often such a unit ends working, both together (q)."""
        return (self.worth * self.chance + self.worked) / (self.worth + self.jobs)

    @property
    def interval(self) -> tuple[float, float]:
        """Of `blended`, 90 %."""
        a = self.worth * self.chance + self.worked
        return _interval(a, self.worth + self.jobs - a)


@dataclass(frozen=True, slots=True)
class Outlook:
    """The chance that this unit ends working, and what it is made of.

    `chance`, `low` to `high` at 90 % for what is not known of how such units end; `by_log` is the fault model's own,
    `nothing` the part of it that nothing is wrong, `usual` the model's for a faulty unit as it comes in, `through` how
    often such a unit is gone through with.
    """

    chance: float
    low: float
    high: float
    by_log: float
    nothing: float
    usual: float
    through: float
    ends: Ends


def ends_of(rate: BaseRate, worked: int = 0, jobs: int = 0, source: str = "") -> Ends:
    """The base rate of such units, with own jobs of the type beside it.

    The interval is that of a beta distribution: leaving one end out of three that are Dirichlet distributed leaves the
    share of the others beta distributed with their own parameters (Johnson, Kotz and Balakrishnan, Continuous
    Multivariate Distributions 1, 2000, ch. 49: from memory).

    Raises
    ------
    MoneyError
        More jobs that ended working than jobs.
    """
    if not 0 <= worked <= jobs:
        raise MoneyError(tr("worked: {worked} of {jobs} jobs found; allowed: 0 to {jobs}", worked=worked, jobs=jobs))
    of = rate.fixed.worth + rate.fixed.out_of
    a, b = of * rate.fixed.mean, of * rate.end_of_life.mean
    low, high = _interval(a, b)
    return Ends(
        rate.category,
        rate.band,
        a / (a + b),
        low,
        high,
        a + b,
        rate.fixed.mean,
        rate.repairable.mean,
        rate.end_of_life.mean,
        rate.cases,
        rate.category_cases,
        worked,
        jobs,
        source,
    )


def outlook(ends: Ends, *, by_log: float, nothing: float, usual: float) -> Outlook:
    """The chance that a unit ends working (see the module's formula).

    Parameters
    ----------
    ends : Ends
    by_log : float
        The fault model's chance after the log, as a quote gives it (c).
    nothing : float
        The part of it that nothing is wrong (s); at most `by_log`.
    usual : float
        The model's chance for a faulty unit of the type as it comes in (m).

    Raises
    ------
    MoneyError
        A chance that is none, or `nothing` above `by_log`.
    """
    within("by_log", by_log, 0.0, 1.0)
    within("nothing", nothing, 0.0, by_log)
    within("usual", usual, 0.0, 1.0)
    through, low, high = (min(1.0, q / usual) if usual > 0.0 else 1.0 for q in (ends.blended, *ends.interval))
    chance, at_least, at_most = (nothing + (by_log - nothing) * g for g in (through, low, high))
    return Outlook(chance, at_least, at_most, by_log, nothing, usual, through, ends)


def _interval(a: float, b: float) -> tuple[float, float]:
    from scipy.special import betaincinv

    tail = 0.5 * (1.0 - CONFIDENCE)
    if a <= 0.0 or b <= 0.0:
        return (0.0, 0.0) if a <= 0.0 else (1.0, 1.0)
    return float(betaincinv(a, b, tail)), float(betaincinv(a, b, 1.0 - tail))
