"""Experience by partial pooling in two levels: what every kind shows, and what a type within it shows.

Kind and type are block kind and unit type, or category and age, or cure and unit type. Two quantities are pooled,

- chances: `count` of `out_of` tried, as of cures. Drawn within a kind from a beta distribution around the kind's
  chance, and that from one around what was shipped, or the chance over all;
- factors: `count` found where `out_of` was expected, as of failures against shipped weights (`out_of` is the sum of
  the shipped chances over the jobs). Drawn likewise from gamma distributions, in the end around 1.

A group with many cases of its own stands by them; one with few leans on its kind, and the kind on what was shipped.
How much is learned from how far groups differ beyond luck, and is said in past cases, `worth`. Empirical Bayes in
the manner of credibility theory (Bühlmann and Straub 1970; Jewell 1975: from memory): a type with n cases and prior
worth w tells of its kind as n w / (n + w) cases do, so that one type with many jobs does not drown the rest. The
prior of a type is made from the other types of its kind, without it, and its own cases are then added by Bayes'
rule, exactly.

Approximate are: the worth is taken as if known, and a kind's spread is that of a beta or gamma of the same mean and
variance. With fewer than five groups a worth cannot be learned; then `FEW_GROUPS_WORTH` is taken, and said.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from math import log
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from refettle.language import tr
from refettle.proving.counts import ProvingError, within
from refettle.proving.fits import Floats, best_worth, chance_likelihood, rate_likelihood

What = Literal["chances", "factors"]
WORTH_LIMITS: dict[What, tuple[float, float]] = {"chances": (2.0, 200.0), "factors": (0.5, 50.0)}
"""Least and most past cases that a prior may be worth: estimate."""
FEW_GROUPS_WORTH: dict[What, float] = {"chances": 10.0, "factors": 2.0}
"""What a prior is worth while it cannot be learned: estimate. For factors two failures, about twice or half."""
WORTH_SPREAD = 1.0
"""A worth is thought to lie within a factor of e of `FEW_GROUPS_WORTH` before any group is seen: estimate. It keeps
a handful of groups that happen to agree from looking all alike; many groups overrule it."""
LEAST_GROUPS = 5
ROUNDS = 12


@dataclass(frozen=True, slots=True)
class Tally:
    """What was counted of one type within one kind: `count` of `out_of` tried, or found against expected."""

    kind: str
    type: str
    count: float
    out_of: float


@dataclass(frozen=True, slots=True)
class Pooled:
    """A pooled chance or factor, `low` to `high` at the pool's confidence.

    `prior` is what is thought without its own cases (`count` of `out_of`), and `worth` how many past cases that
    weighs.
    """

    mean: float
    low: float
    high: float
    prior: float
    worth: float
    count: float
    out_of: float


@dataclass(frozen=True, slots=True)
class Worth:
    """How far groups of one level are alike, in past cases; and whether that was learned, and from how many groups."""

    value: float
    groups: int
    way: Literal["learned", "least", "most", "too few groups"]

    @property
    def text(self) -> str:
        """In words for the page."""
        words = {
            "learned": tr("learned from {groups} groups", groups=self.groups),
            "least": tr("held at the least; {groups} groups differ widely", groups=self.groups),
            "most": tr("held at the most; {groups} groups hardly differ", groups=self.groups),
            "too few groups": tr(
                "an estimate: {groups} of the {least_groups} groups that it takes",
                groups=self.groups,
                least_groups=LEAST_GROUPS,
            ),
        }
        return tr("worth {value:.3g} past cases ({way})", value=self.value, way=words[self.way])


@dataclass(frozen=True, slots=True)
class Pool:
    """All pooled figures. `kinds` by name, `types` by (kind, type)."""

    what: What
    overall: float
    kinds: Mapping[str, Pooled]
    types: Mapping[tuple[str, str], Pooled]
    kind_worth: Worth
    type_worth: Worth
    confidence: float
    anew: Mapping[str, Pooled]
    """By kind: a type of it that has no cases yet."""
    unknown: Pooled
    """A kind that has no cases yet, where nothing was shipped for it."""

    def of(self, kind: str, type: str | None = None) -> Pooled:
        """The figure for a type; without cases, that for a new type of its kind; where the kind has none, at large."""
        if type is not None and (kind, type) in self.types:
            return self.types[kind, type]
        if type is None and kind in self.kinds:
            return self.kinds[kind]
        return self.anew.get(kind, self.unknown)


def pool_chances(
    tallies: Iterable[Tally], *, shipped: Mapping[str, float] | None = None, confidence: float = 0.9
) -> Pool:
    """Pool chances over types and kinds.

    Parameters
    ----------
    tallies : Tally
        Several of one kind and type are added up.
    shipped : mapping, optional
        Chance of each kind (or some) that was thought before any job, above 0 and below 1; elsewhere that over all.
    confidence : float
        Of the intervals, two-sided.

    Raises
    ------
    ProvingError
        A count below 0 or above what it is out of, or a shipped chance that is none.
    """
    return _pool("chances", tallies, shipped or {}, confidence)


def pool_factors(tallies: Iterable[Tally], *, confidence: float = 0.9) -> Pool:
    """Pool factors, found over expected, over types and kinds; 1 where nothing is known. Errors as for chances."""
    return _pool("factors", tallies, {}, confidence)


@dataclass(frozen=True, slots=True)
class _Groups:
    """Tallies as arrays: `y` of `n` and the number of the `kind`, one entry a type; `start`, one a kind."""

    names: list[tuple[str, str]]
    kinds: list[str]
    y: Floats
    n: Floats
    kind: NDArray[np.intp]
    shipped: Floats

    @property
    def own(self) -> Floats:
        """Each type's own figure, 0 where it has no cases."""
        return np.where(self.n > 0, self.y / np.where(self.n > 0, self.n, 1.0), 0.0)

    def by_kind(self, values: Floats) -> Floats:
        """Sum over the types of each kind."""
        return np.bincount(self.kind, weights=values, minlength=len(self.kinds)).astype(np.float64)


@dataclass(frozen=True, slots=True)
class _Kinds:
    """What is known of each kind: `sums` of `weights`, of which `start` was there before its cases, `begin` each.

    `tells`, one a type, is its part in them.
    """

    sums: Floats
    weights: Floats
    tells: Floats
    start: Floats
    begin: Floats

    @property
    def mean(self) -> Floats:
        """Of each kind."""
        return self.sums / self.weights

    def told(self, what: What) -> tuple[Floats, Floats]:
        """What the types alone told of each kind."""
        weights = np.maximum(self.weights - self.begin, 0.0)
        return np.clip(self.sums - self.begin * self.start, 0.0, weights if what == "chances" else None), weights


def _grouped(what: What, tallies: Iterable[Tally], shipped: Mapping[str, float]) -> _Groups:
    sums: dict[tuple[str, str], list[float]] = {}
    for each in tallies:
        name = f"{each.kind}, {each.type}"
        within(tr("cases of {name}", name=name), each.out_of, 0.0, 1e9, edges=True)
        within(tr("count of {name}", name=name), each.count, 0.0, each.out_of if what == "chances" else 1e9, edges=True)
        if each.count and not each.out_of:
            raise ProvingError(
                tr("count of {name}: {count:g} with nothing expected found; allowed: 0", name=name, count=each.count)
            )
        found = sums.setdefault((each.kind, each.type), [0.0, 0.0])
        found[0] += each.count
        found[1] += each.out_of
    kinds = sorted({kind for kind, _ in sums} | set(shipped))
    place = {kind: i for i, kind in enumerate(kinds)}
    return _Groups(
        list(sums),
        kinds,
        np.array([count for count, _ in sums.values()], dtype=float),
        np.array([out_of for _, out_of in sums.values()], dtype=float),
        np.array([place[kind] for kind, _ in sums], dtype=np.intp),
        np.array([shipped.get(kind, np.nan) for kind in kinds], dtype=float),
    )


def _pool(what: What, tallies: Iterable[Tally], shipped: Mapping[str, float], confidence: float) -> Pool:
    within("confidence", confidence, 0.5, 0.9999, edges=True)
    for kind, value in shipped.items():
        within(tr("shipped chance of {kind}", kind=kind), value, 0.0, 1.0)
    groups = _grouped(what, tallies, shipped)
    few = FEW_GROUPS_WORTH[what]
    over_kinds = over_types = Worth(few, 0, "too few groups")
    overall, told = (1.0, 0.0) if what == "factors" else (0.5, 0.5)
    kinds = _kinds(what, groups, overall, told, few, few)
    for _ in range(ROUNDS):
        before = (over_kinds.value, over_types.value, overall)
        over_types = _type_worth(what, groups, kinds)
        over_kinds = _kind_worth(what, kinds)
        if what == "chances":
            overall, told = _overall(kinds, over_kinds.value)
        kinds = _kinds(what, groups, overall, told, over_kinds.value, over_types.value)
        if np.allclose(before, (over_kinds.value, over_types.value, overall), rtol=1e-3):
            break
    return _result(what, groups, kinds, (overall, told), over_kinds, over_types, confidence)


def _kinds(what: What, groups: _Groups, overall: float, told: float, kind_worth: float, type_worth: float) -> _Kinds:
    """The kinds with these worths; `told` is how many cases stand behind the chance over all."""
    start = np.where(np.isnan(groups.shipped), overall, groups.shipped)
    begin = np.full(len(start), kind_worth)
    if what == "chances":
        loose = max(0.5, 1.0 / (1.0 / (kind_worth + 1.0) + 1.0 / (told + 1.0)) - 1.0)
        begin = np.where(np.isnan(groups.shipped), loose, begin)
    mean = start
    for _ in range(4 if what == "factors" else 1):  # there, what a type tells depends on the kind's mean
        size = groups.n * mean[groups.kind] if what == "factors" else groups.n
        tells = groups.n * type_worth / (type_worth + size)
        sums = groups.by_kind(tells * groups.own) + begin * start
        weights = groups.by_kind(tells) + begin
        mean = sums / weights
    return _Kinds(sums, weights, tells, start, begin)


def _prior_worth(what: What, type_worth: float, sums: Floats, weights: Floats) -> Floats:
    """What a type's prior is worth, its mean being known only as well as `sums` of `weights` tell."""
    if what == "chances":
        return np.asarray(np.maximum(1.0 / (1.0 / (type_worth + 1.0) + 1.0 / (weights + 1.0)) - 1.0, 0.1))
    return np.asarray(1.0 / (1.0 / type_worth + (1.0 + 1.0 / type_worth) / np.maximum(sums, 0.1)))


def _priors(what: What, groups: _Groups, kinds: _Kinds) -> tuple[Floats, Floats, Floats]:
    """Mean of the prior of each type, and the `sums` of `weights` of the other types of its kind that it is made of."""
    sums = np.maximum(kinds.sums[groups.kind] - kinds.tells * groups.own, 0.0)
    weights = np.maximum(kinds.weights[groups.kind] - kinds.tells, 1e-9)
    most = 1.0 - 1e-6 if what == "chances" else 1e6
    return np.clip(sums / weights, 1e-6, most), sums, weights


def _likelihood(what: What, y: Floats, n: Floats, mean: Floats, worth: Floats | float) -> float:
    return (chance_likelihood if what == "chances" else rate_likelihood)(y, n, mean, worth)


def _learned(what: What, count: int, likelihood: Callable[[float], float]) -> Worth:
    if count < LEAST_GROUPS:
        return Worth(FEW_GROUPS_WORTH[what], count, "too few groups")
    low, high = WORTH_LIMITS[what]
    middle = log(FEW_GROUPS_WORTH[what])
    value, _ = best_worth(lambda w: likelihood(w) - 0.5 * ((log(w) - middle) / WORTH_SPREAD) ** 2, low, high)
    way: Literal["learned", "least", "most"] = "learned"
    if value < 1.01 * low:
        way = "least"
    elif value > high / 1.01:
        way = "most"
    return Worth(value, count, way)


def _type_worth(what: What, groups: _Groups, kinds: _Kinds) -> Worth:
    """How well each type is foretold by the others of its kind."""
    seen = groups.n > 0
    alike = np.bincount(groups.kind[seen], minlength=len(groups.kinds))[groups.kind] > 1
    use = seen & alike
    mean, sums, weights = _priors(what, groups, kinds)

    def likelihood(worth: float) -> float:
        worths = _prior_worth(what, worth, sums[use], weights[use])
        return _likelihood(what, groups.y[use], groups.n[use], mean[use], worths)

    return _learned(what, int(use.sum()), likelihood)


def _kind_worth(what: What, kinds: _Kinds) -> Worth:
    """How well each kind is foretold by what was thought before its cases."""
    sums, weights = kinds.told(what)
    use = weights > 1e-9
    return _learned(
        what, int(use.sum()), lambda worth: _likelihood(what, sums[use], weights[use], kinds.start[use], worth)
    )  # fmt: skip


def _overall(kinds: _Kinds, kind_worth: float) -> tuple[float, float]:
    """The chance over all kinds, each telling as much as its cases allow, and how many cases that comes to."""
    sums, weights = kinds.told("chances")
    use = weights > 1e-9
    own, weights = sums[use] / weights[use], weights[use]
    says = weights * kind_worth / (weights + kind_worth)
    told = float(says.sum()) + 0.5
    return min(1.0 - 1e-4, max(1e-4, (float((says * own).sum()) + 0.25) / told)), told


def _result(
    what: What,
    groups: _Groups,
    kinds: _Kinds,
    over_all: tuple[float, float],
    over_kinds: Worth,
    over_types: Worth,
    confidence: float,
) -> Pool:
    overall, told = over_all
    mean, sums, weights = _priors(what, groups, kinds)
    worth = _prior_worth(what, over_types.value, sums, weights)
    types = _pooled(what, mean, worth, groups.y, groups.n, confidence)
    no_cases = np.zeros(len(groups.kinds))
    new_worth = _prior_worth(what, over_types.value, kinds.sums, kinds.weights)
    anew = _pooled(what, kinds.mean, new_worth, no_cases, no_cases, confidence)
    # A kind as a whole: what its types told, on top of what was thought before.
    whole = _pooled(what, kinds.start, kinds.begin, *kinds.told(what), confidence)
    counts, sizes = groups.by_kind(groups.y), groups.by_kind(groups.n)
    by_kind = {
        kind: replace(each, count=float(counts[i]), out_of=float(sizes[i]))
        for i, (kind, each) in enumerate(zip(groups.kinds, whole, strict=True))
    }
    none = np.zeros(0)
    nothing = _Groups([], ["unknown"], none, none, np.zeros(0, dtype=np.intp), np.full(1, np.nan))
    blank = _kinds(what, nothing, overall, told, over_kinds.value, over_types.value)
    at_large = _prior_worth(what, over_types.value, blank.sums, blank.weights)
    unknown = _pooled(what, blank.mean, at_large, np.zeros(1), np.zeros(1), confidence)[0]
    by_type = dict(zip(groups.names, types, strict=True))
    by_name = dict(zip(groups.kinds, anew, strict=True))
    return Pool(what, overall, by_kind, by_type, over_kinds, over_types, confidence, by_name, unknown)


def _pooled(what: What, prior: Floats, worth: Floats, y: Floats, n: Floats, confidence: float) -> list[Pooled]:
    """Bayes' rule with a conjugate prior, and the quantiles of what comes of it."""
    from scipy.special import betaincinv, gammaincinv

    tail = 0.5 * (1.0 - confidence)
    if what == "chances":
        a, b = y + prior * worth, n - y + (1.0 - prior) * worth
        mean, low, high = a / (a + b), betaincinv(a, b, tail), betaincinv(a, b, 1.0 - tail)
    else:
        shape, rate = y + worth, n + worth / prior
        mean, low, high = shape / rate, gammaincinv(shape, tail) / rate, gammaincinv(shape, 1.0 - tail) / rate
    columns = (mean, low, high, prior, worth, y, n)
    return [Pooled(*map(float, row)) for row in zip(*columns, strict=True)]
