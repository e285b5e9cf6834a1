"""How many trials show a fault gone, and what may be claimed from those that were made.

All of it is frequentist: "at 95 % confidence" means that a unit whose rate is not below the stated one passes in at
most 5 of 100 such tests. With no bad trial allowed, n good ones in a row are needed,

    n = ln(1 - confidence) / ln(1 - rate), rounded up,

59 for 5 % at 95 %. Some pages print one less: that is Bayes' rule with a uniform prior, not this.

Two ways to read a count (`Way`):

- fixed: trials and bad ones allowed were fixed before the first trial; exact limit of Clopper and Pearson. While
  none is bad, it also holds however often one looks;
- at any time: it holds whenever one stops, also after bad trials and whatever made one stop. The likelihood ratio
  of all lower rates, weighted by the prior of `WEIGHT`, against the rate p reaches 1 / (1 - confidence) with at
  most the chance 1 - confidence if the rate is p or more (Ville's inequality; mixture of Robbins 1970: both from
  memory). It costs about three trials more where none is bad.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil, log, log1p
from typing import Literal

from refettle.language import spoken, tr
from refettle.proving.counts import (
    MOST_TRIALS,
    Counts,
    ProvingError,
    confident,
    lower_limit,
    percent,
    upper_limit,
    within,
)

Way = Literal["fixed", "at any time"]
WEIGHT = 0.25
"""First parameter of the Beta(WEIGHT, 1) prior of the mixture: small favours rates near 0. Chosen, not fitted."""
FEW = 3
"""With fewer trials than this a claim names no rate: nobody is helped by 'below 95 %'."""
_SLACK = 1e-12


def good_needed(rate: float, confidence: float = 0.95, failures: int = 0) -> int:
    """Trials needed so that at most `failures` bad ones among them show a rate below `rate`.

    Parameters
    ----------
    rate : float
        The rate to be ruled out, above 0 and below 1.
    confidence : float
        0.5 to 0.9999, one-sided.
    failures : int
        Bad trials allowed, fixed in advance. 0: good trials in a row.

    Returns
    -------
    int
        Smallest n with P(at most `failures` bad of n | rate) <= 1 - confidence.

    Raises
    ------
    ProvingError
        A figure that is not allowed, or more than a million trials.
    """
    within("rate", rate, 0.0, 1.0)
    confident(confidence)
    within(tr("failures allowed"), failures, 0, 1000, edges=True)
    # A relative slack, as 1 - 0.95 is not exactly 0.05.
    most = (1.0 - confidence) * (1.0 + _SLACK)
    in_a_row = max(1, ceil(log(most) / log1p(-rate) - 1e-9))
    found = _search(rate, most, failures) if failures else in_a_row
    if found > MOST_TRIALS:
        raise ProvingError(
            tr(
                "rate: {rate:g} found; allowed: one that {most_trials} trials can show",
                rate=rate,
                most_trials=MOST_TRIALS,
            )
        )
    return found


def _search(rate: float, most: float, failures: int) -> int:
    from scipy.special import bdtr

    low, high = failures, 2 * failures + 2  # with `low` trials every outcome passes
    while bdtr(failures, high, rate) > most and high <= 2 * MOST_TRIALS:
        low, high = high, 2 * high
    while high - low > 1:
        middle = (low + high) // 2
        if bdtr(failures, middle, rate) <= most:
            high = middle
        else:
            low = middle
    return high


@dataclass(frozen=True, slots=True)
class Need:
    """What must be shown after a repair.

    `rate` is the one to be ruled out; where it came from a count `before`, it is the least that count allows at the
    confidence `cautious`. `trials` with at most `failures` bad show it at `confidence`.
    """

    rate: float
    trials: int
    failures: int
    confidence: float
    before: Counts | None = None
    cautious: float | None = None

    @property
    def text(self) -> str:
        """One sentence for the page."""
        what = tr("{trials} good trials in a row", trials=self.trials)
        if self.failures:
            what = tr("{trials} trials with at most {failures} bad", trials=self.trials, failures=self.failures)
        why = ""
        if self.before is not None and self.cautious is not None:
            why = tr(
                " ({before} before the repair; at least that at {cautious} confidence)",
                before=self.before,
                cautious=percent(self.cautious),
            )
        return tr(
            "{trials} show a failure rate below {rate}{compared} at {confidence} confidence",
            trials=what,
            rate=percent(self.rate, "up"),
            compared=why,
            confidence=percent(self.confidence),
        )


def cautious_rate(before: Counts, confidence: float = 0.9) -> float:
    """The least rate that a count before the repair allows, one-sided. ProvingError where none was bad."""
    if before.bad == 0:
        raise ProvingError(
            tr(
                "before: {before} found; allowed: at least 1 bad; try until the fault shows, or name the "
                "rate to rule out",
                before=before,
            )
        )
    return lower_limit(before, confidence)


def needed(before: Counts, confidence: float = 0.95, *, cautious: float = 0.9, failures: int = 0) -> Need:
    """Trials needed after the repair, from the count before it.

    The count's own rate is a guess: 3 bad of 10 may be one that fails in 1 of 9. So the rate to rule out is the
    lower limit at `cautious`. A repair that did nothing then passes in at most (1 - cautious) + (1 - confidence) of
    cases, in truth in far fewer (`passes_unrepaired`).
    """
    rate = cautious_rate(before, cautious)
    return Need(rate, good_needed(rate, confidence, failures), failures, confidence, before, cautious)


def passes_unrepaired(tries: int, rate: float, confidence: float = 0.95, *, cautious: float = 0.9) -> float:
    """Chance that a unit of this rate, counted in `tries` trials and not repaired at all, passes what `needed` asks.

    A count without a bad trial leads to no plan, and so passes nothing.
    """
    from scipy.special import bdtr

    within("tries", tries, 1, 1000, edges=True)
    within("rate", rate, 0.0, 1.0)
    chance = 0.0
    for bad in range(1, tries + 1):
        seen = bdtr(bad, tries, rate) - bdtr(bad - 1, tries, rate)
        chance += seen * (1.0 - rate) ** needed(Counts(bad, tries), confidence, cautious=cautious).trials
    return float(chance)


def any_time_limit(counts: Counts, confidence: float = 0.95) -> float:
    """The rate is below this, one-sided, whenever and for whatever reason the count was stopped."""
    confident(confidence)
    if counts.good == 0:
        return 1.0
    from scipy.special import betainc, betaln

    wanted = -log(1.0 - confidence)
    bad, good = counts.bad, counts.good
    a, b = WEIGHT + bad, 1.0 + good
    start = float(betaln(a, b) - betaln(WEIGHT, 1.0))

    def evidence(rate: float) -> float:
        """ln of the likelihood of all rates below `rate`, weighted, over that of `rate`."""
        part = log(float(betainc(a, b, rate))) - WEIGHT * log(rate)
        return start + part - bad * log(rate) - good * log1p(-rate)

    low, high = max(counts.rate, 1e-12), 1.0 - 1e-15
    if evidence(high) < wanted:
        return 1.0
    while high - low > 1e-10:
        middle = 0.5 * (low + high)
        if evidence(middle) < wanted:
            low = middle
        else:
            high = middle
    return high


def chance_of_run(rate: float, run: int, trials: int) -> float:
    """Chance that a unit of this rate shows `run` good trials in a row somewhere within `trials`.

    This is what 'start the count again until it passes' amounts to: 29 in a row are met by one failing in 1 of 10
    with chance 0.05 in 29 trials and 0.5 in 145.
    """
    within("rate", rate, 0.0, 1.0)
    within("run", run, 1, 100_000, edges=True)
    within("trials", trials, 0, 100_000, edges=True)
    first = (1.0 - rate) ** run
    done = [0.0] * (trials + 1)
    for n in range(run, trials + 1):
        before = n - run - 1
        done[n] = first if before < 0 else done[n - 1] + (1.0 - done[before]) * rate * first
    return done[trials]


@dataclass(frozen=True, slots=True)
class Series:
    """Trials made one after the other with nothing done to the unit between them.

    `planned` trials with at most `allowed` bad were fixed before the first; None: nothing was fixed. `ended` by a
    repair or a refit, or still the present one.
    """

    counts: Counts
    planned: int | None = None
    allowed: int = 0
    ended: Literal["", "repair", "refit"] = ""

    @property
    def way(self) -> Way:
        """How its count may be read: as fixed where it was planned and the plan was kept to.

        Good ones in a row may be counted on: while none is bad, stopping early or late changes nothing.
        """
        if self.planned is None:
            return "at any time"
        in_a_row = self.allowed == 0 and self.counts.bad == 0
        done = self.counts.tries == self.planned and self.counts.bad <= self.allowed
        return "fixed" if in_a_row or done else "at any time"


@dataclass(frozen=True, slots=True)
class Claim:
    """What may be said of the last of several series, as data.

    The failure rate is below `rate` at `confidence`, under `conditions` only. `tried` series were run between
    repairs, this one included; with several, one of them may pass by luck, so `rate` is taken at 1 - (1 -
    confidence) / tried (Bonferroni), and `alone` is the rate that this series would have claimed as the only one.
    """

    counts: Counts
    rate: float
    confidence: float
    way: Way
    conditions: tuple[str, ...] = ()
    tried: int = 1
    alone: float = 1.0

    @property
    def shows(self) -> bool:
        """Whether it says anything about a rate."""
        return self.counts.tries >= FEW and self.rate < 1.0

    @property
    def text(self) -> str:
        """The sentence for page and report."""
        counts = self.counts
        under = "".join(f", {spoken(each)}" for each in self.conditions)
        if counts.tries == 0:
            return tr("not tried{under}", under=under)
        seen = tr("{good} good of {tries}{under}", good=counts.good, tries=counts.tries, under=under)
        if not self.shows:
            return tr("{seen}: too few for a failure rate", seen=seen)
        rate = tr(
            "failure rate below {rate} at {confidence} confidence",
            rate=percent(self.rate, "up"),
            confidence=percent(self.confidence),
        )
        series = "" if self.tried == 1 else tr(" over the {tried} series tried", tried=self.tried)
        looked = "" if self.way == "fixed" else tr(", whenever stopped")
        return tr(
            "{seen}: {rate}{series}{looked}, under these conditions only",
            seen=seen,
            rate=rate,
            series=series,
            looked=looked,
        )


def claim(series: Sequence[Series], confidence: float = 0.95, conditions: Sequence[str] = ()) -> Claim:
    """What may honestly be claimed after these series, in the order they were run.

    Series that nothing ended are one count with the next: starting the count again at will does not make the bad
    ones go away. A repair ends a series for good, and adds one to those tried; a refit ends one but is no new
    attempt.

    Raises
    ------
    ProvingError
        No series, or a confidence that is not allowed.
    """
    if not series:
        raise ProvingError(tr("series: none found; allowed: at least one"))
    confident(confidence)
    merged = _merged(series)
    last = merged[-1]
    tried = 1 + sum(each.ended == "repair" and each.counts.tries > 0 for each in merged[:-1])
    each_at = 1.0 - (1.0 - confidence) / tried
    return Claim(
        last.counts,
        _limit(last, each_at),
        confidence,
        last.way,
        tuple(conditions),
        tried,
        _limit(last, confidence),
    )


def _limit(series: Series, confidence: float) -> float:
    confidence = min(confidence, 0.9999)
    return (
        upper_limit(series.counts, confidence) if series.way == "fixed" else any_time_limit(series.counts, confidence)
    )


def _merged(series: Sequence[Series]) -> list[Series]:
    """Series with those that nothing ended added to the one after; a count that was started again has no plan."""
    out: list[Series] = []
    for each in series:
        if out and out[-1].ended == "":
            whole = out[-1].counts + each.counts
            out[-1] = Series(whole, None if out[-1].counts.tries else each.planned, each.allowed, each.ended)
        else:
            out.append(each)
    return out


def more_good(counts: Counts, rate: float, confidence: float = 0.95, way: Way = "fixed") -> int:
    """Good trials in a row still needed to claim a rate below `rate`; 0 where it may be claimed already.

    `fixed` takes what was allowed as fixed in advance: with bad ones among them, only where it was.
    """
    within("rate", rate, 0.0, 1.0)
    if way == "fixed":
        return max(0, good_needed(rate, confidence, counts.bad) - counts.tries)

    def short(more: int) -> bool:
        return any_time_limit(counts + Counts(0, more), confidence) > rate

    if not short(0):
        return 0
    low, high = 0, 8
    while short(high):
        low, high = high, 2 * high
        if high + counts.tries > MOST_TRIALS:
            raise ProvingError(
                tr(
                    "rate: {rate:g} found; allowed: one that {most_trials} trials can show",
                    rate=rate,
                    most_trials=MOST_TRIALS,
                )
            )
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if short(middle) else (low, middle)
    return high
