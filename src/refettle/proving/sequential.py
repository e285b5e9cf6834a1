"""Wald's sequential test of a failure rate: stop early both ways, with the exact chances of being wrong.

Two rates are named before the first trial: `good_rate` p0, which is as good as cured, and `bad_rate` p1, which is not.
After n trials with d bad ones (Wald 1945, Sequential tests of statistical hypotheses; NIST/SEMATECH e-Handbook 6.2.6):

    g = ln[p1 (1 - p0) / (p0 (1 - p1))],  h0 = ln((1 - a) / b) / g,  h1 = ln((1 - b) / a) / g,
    s = ln((1 - p0) / (1 - p1)) / g;      pass if d <= s n - h0,     fail if d >= s n + h1

Wald's lines keep a and b only roughly, and his formula for the trials to expect is low by up to 28 % for tests as
short as these. So both are worked out exactly, by following every count that has not been decided. Between p0 and p1
no decision is promised: the test ends without one after `longest` trials.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from math import ceil, floor, log
from typing import Literal

from refettle.language import tr
from refettle.proving.counts import Counts, ProvingError, percent, within
from refettle.proving.trials import any_time_limit, good_needed

Says = Literal["pass", "fail", "go on", "no decision"]
LONGEST_FACTOR = 3.0
"""The test is cut off at this many times the trials to expect at the worse of p0 and p1: common practice, no source."""
MOST_STEPS = 100_000
_NEGLIGIBLE = 1e-9
_EDGE = 1e-9


@dataclass(frozen=True, slots=True)
class SequentialTest:
    """The two lines: `slope`, `pass_at` below and `fail_at` above. `longest` trials at most."""

    good_rate: float
    bad_rate: float
    alpha: float
    beta: float
    pass_at: float
    fail_at: float
    slope: float
    longest: int

    def says(self, bad: int, tries: int) -> Literal["pass", "fail", "go on"]:
        """What the lines say of `bad` in `tries`, without the longest."""
        line = self.slope * tries
        if bad <= line - self.pass_at + _EDGE:
            return "pass"
        return "fail" if bad >= line + self.fail_at - _EDGE else "go on"


@dataclass(frozen=True, slots=True)
class Characteristics:
    """What the test does with units of one `rate`: chances to pass, fail, stay undecided, and `trials` on average."""

    rate: float
    passes: float
    fails: float
    undecided: float
    trials: float


@dataclass(frozen=True, slots=True)
class Decision:
    """What to do after `counts`.

    `good_to_pass`: good trials in a row that would still end it well, None where not within the longest;
    `bad_to_fail`: bad ones in a row that would end it badly. `limit`: the rate is below this at 95 % confidence,
    whenever stopped.
    """

    says: Says
    counts: Counts
    good_to_pass: int | None
    bad_to_fail: int | None
    limit: float
    text: str


@dataclass(frozen=True, slots=True)
class FixedPlan:
    """A test with a number of `trials` fixed in advance: pass with at most `allowed` bad; exact chances to be wrong."""

    trials: int
    allowed: int
    alpha: float
    beta: float


def sequential_test(
    good_rate: float, bad_rate: float, alpha: float = 0.05, beta: float = 0.1, longest: int | None = None
) -> SequentialTest:
    """Plan a sequential test.

    Parameters
    ----------
    good_rate, bad_rate : float
        Failure rates, 0.0001 to 0.99; the good one is the lower.
    alpha, beta : float
        Wanted chances that a unit at the good rate fails, and that one at the bad rate passes; 0.001 to 0.4.
    longest : int, optional
        Trials at most; by default three times the trials to expect.

    Raises
    ------
    ProvingError
        Rates in the wrong order, or so close that more than 100 000 trials could be needed.
    """
    within("p0", good_rate, 1e-4, 0.99, edges=True)
    within("p1", bad_rate, 1e-4, 0.99, edges=True)
    within("alpha", alpha, 0.001, 0.4, edges=True)
    within("beta", beta, 0.001, 0.4, edges=True)
    if good_rate >= bad_rate:
        raise ProvingError(
            tr(
                "p0: {good_rate:g} with p1 {bad_rate:g} found; allowed: p0 below p1",
                good_rate=good_rate,
                bad_rate=bad_rate,
            )
        )
    g = log(bad_rate * (1.0 - good_rate) / (good_rate * (1.0 - bad_rate)))
    h0, h1 = log((1.0 - alpha) / beta) / g, log((1.0 - beta) / alpha) / g
    slope = log((1.0 - good_rate) / (1.0 - bad_rate)) / g
    test = SequentialTest(good_rate, bad_rate, alpha, beta, h0, h1, slope, MOST_STEPS)
    if longest is None:
        expected = max(characteristics(test, rate).trials for rate in (good_rate, bad_rate))
        longest = max(ceil(LONGEST_FACTOR * expected), ceil(h0 / slope - _EDGE))
    within("longest", longest, 1, MOST_STEPS, edges=True)
    return SequentialTest(good_rate, bad_rate, alpha, beta, h0, h1, slope, longest)


def characteristics(test: SequentialTest, rate: float) -> Characteristics:
    """Exact chances and average number of trials for units of one `rate` (0 to 1), by enumeration up to the longest.

    ProvingError where even then more than a billionth is undecided because the rates are too close.
    """
    within("rate", rate, 0.0, 1.0, edges=True)
    alive, lowest = [1.0], 0  # chances of the counts not yet decided, from `lowest` bad on
    passes = fails = trials = 0.0
    for tries in range(1, test.longest + 1):
        left = sum(alive)
        if left < _NEGLIGIBLE:
            break
        trials += left
        alive = [
            good * (1.0 - rate) + bad * rate for good, bad in zip([*alive, 0.0], [0.0, *alive], strict=True)
        ]  # fmt: skip
        most, fewest = boundaries(test, tries)
        while alive and most is not None and lowest <= most:
            passes += alive.pop(0)
            lowest += 1
        while alive and lowest + len(alive) > fewest:
            fails += alive.pop()
    else:
        if test.longest >= MOST_STEPS:
            raise ProvingError(
                tr(
                    "p1: {bad_rate:g} found; allowed: one further from p0 {good_rate:g}",
                    bad_rate=test.bad_rate,
                    good_rate=test.good_rate,
                )
            )
    return Characteristics(rate, passes, fails, max(0.0, 1.0 - passes - fails), trials)


def decide(test: SequentialTest, counts: Counts) -> Decision:
    """What the test says of a count that was looked at after every trial. See `follow` for trials in their order."""
    limit = any_time_limit(counts, 0.95)
    said = _said(test, counts)
    good_to_pass = bad_to_fail = None
    if said == "go on":
        good_to_pass = ceil((counts.bad + test.pass_at - _EDGE) / test.slope) - counts.tries
        bad_to_fail = ceil((test.slope * counts.tries + test.fail_at - counts.bad - _EDGE) / (1.0 - test.slope))
        left = test.longest - counts.tries
        good_to_pass = good_to_pass if good_to_pass <= left else None
        bad_to_fail = bad_to_fail if bad_to_fail <= left else None
    text = _text(test, said, counts, good_to_pass, bad_to_fail, limit)
    return Decision(said, counts, good_to_pass, bad_to_fail, limit, text)


def _said(test: SequentialTest, counts: Counts) -> Says:
    said: Says = test.says(counts.bad, counts.tries) if counts.tries else "go on"
    return "no decision" if said == "go on" and counts.tries >= test.longest else said


def _text(test: SequentialTest, said: Says, counts: Counts, good: int | None, bad: int | None, limit: float) -> str:
    if said == "pass":
        return tr(
            "pass: {counts} agrees with a failure rate of {good_rate}, not with {bad_rate}",
            counts=counts,
            good_rate=percent(test.good_rate),
            bad_rate=percent(test.bad_rate),
        )
    if said == "fail":
        return tr(
            "fail: {counts} agrees with a failure rate of {bad_rate}, not with {good_rate}",
            counts=counts,
            bad_rate=percent(test.bad_rate),
            good_rate=percent(test.good_rate),
        )
    if said == "no decision":
        below = percent(limit, "up")
        return tr(
            "no decision after {tries} trials: {counts}; failure rate below {below} at 95 % confidence",
            tries=counts.tries,
            counts=counts,
            below=below,
        )
    ways = []
    if good is not None:
        ways.append(
            tr("{n} more good in a row would pass", n=good)
            if counts.tries
            else tr("{n} good in a row would pass", n=good)
        )
    if bad is not None:
        ways.append(
            tr("{bad} bad next would fail", bad=bad) if bad == 1 else tr("{bad} bad in a row would fail", bad=bad)
        )
    left = test.longest - counts.tries
    so_far = counts if counts.tries else tr("nothing tried yet")
    return tr("go on: {so_far}; {ways}", so_far=so_far, ways=", ".join([*ways, tr("{n} trials at most", n=left)]))


def follow(test: SequentialTest, bad: Iterable[bool]) -> Decision:
    """The decision over trials in their order, True for a bad one. It stands at the first line that was crossed.

    Trials made after that are not counted in it: they belong to the log, not to this test.
    """
    counts = Counts(0, 0)
    for each in bad:
        counts += Counts(int(each), 1)
        if _said(test, counts) != "go on":
            break
    return decide(test, counts)


def fixed_plan(good_rate: float, bad_rate: float, alpha: float = 0.05, beta: float = 0.1) -> FixedPlan:
    """The shortest test with a fixed number of trials that keeps both chances; ProvingError as `sequential_test`."""
    from scipy.special import bdtr

    sequential_test(good_rate, bad_rate, alpha, beta, longest=1)
    for allowed in range(1001):
        trials = good_needed(bad_rate, 1.0 - beta, allowed)
        wrong = 1.0 - float(bdtr(allowed, trials, good_rate))
        if wrong <= alpha * (1.0 + 1e-12):
            return FixedPlan(trials, allowed, wrong, float(bdtr(allowed, trials, bad_rate)))
    raise ProvingError(
        tr("p1: {bad_rate:g} found; allowed: one further from p0 {good_rate:g}", bad_rate=bad_rate, good_rate=good_rate)
    )


def boundaries(test: SequentialTest, tries: int) -> tuple[int | None, int]:
    """Most bad ones that pass after `tries` trials, None where none does, and fewest that fail: to draw the lines."""
    line = test.slope * tries
    passes = floor(line - test.pass_at + _EDGE)
    return (passes if passes >= 0 else None), ceil(line + test.fail_at - _EDGE)
