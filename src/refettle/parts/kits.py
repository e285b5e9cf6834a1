"""Kits of parts: how many can be made now, which line limits, what is lacking for more, what a kit must weigh.

A line takes `quantity` parts into one bag, all of one sort: the line's own part or, where that runs out, one that may
stand in. Lines may share parts. Buildable is then

    n = min over lines of the sum over its parts of floor(free / quantity)

where no two lines share a part, and the optimum of a small whole-number programme where some do.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from math import erfc, isfinite, sqrt

from refettle.language import tr

MOST_KITS = 100_000
REACH = 3.0
"""Standard deviations that half of the lightest part must be, for a weight to prove anything: a choice. A good kit then
fails in 27 of 10 000, and one that lacks the lightest part passes in 14 of 10 000 at most."""
PART_SPREAD = 0.02
"""Standard deviation between parts of a lot, as a share of the weight of one: estimate, common practice, no source."""
LOT_SPREAD = 0.01
"""The same between the lot at hand and the weight in the book; it moves all parts of a line together. Estimate."""


class KitError(ValueError):
    """What no kit has; the message names it, what was found and what is allowed."""


@dataclass(frozen=True, slots=True)
class Need:
    """One line of a kit: so many of the first of `parts`, or of a later one instead."""

    name: str
    quantity: int
    parts: tuple[str, ...]

    def __post_init__(self) -> None:
        if self.quantity < 1:
            raise KitError(
                tr("{name}: quantity {quantity} found; allowed: 1 or more", name=self.name, quantity=self.quantity)
            )
        if not self.parts or len(set(self.parts)) != len(self.parts):
            raise KitError(
                tr(
                    "{name}: parts {parts} found; allowed: at least one, each once",
                    name=self.name,
                    parts=", ".join(self.parts) or "none",
                )
            )


@dataclass(frozen=True)
class Plan:
    """How `count` kits would be filled: for each line, part -> kits; `missing`: part -> so many more are needed.

    `missing` is the fewest parts, each a line's own and not one that stands in.
    """

    count: int
    fills: tuple[Mapping[str, int], ...]
    missing: Mapping[str, int] = field(default_factory=dict)


@dataclass(frozen=True)
class Buildable:
    """Kits that can be made now, and the names of the lines that keep it from being more."""

    count: int
    limits: tuple[str, ...]


def _checked(needs: Sequence[Need], free: Mapping[str, int]) -> None:
    if not needs:
        raise KitError(tr("lines: none found; allowed: at least one"))
    if bad := next((part for part, n in free.items() if n < 0), None):
        raise KitError(tr("free of {part}: {count} found; allowed: 0 or more", part=bad, count=free[bad]))


def _shares(needs: Sequence[Need]) -> bool:
    return max(Counter(part for need in needs for part in need.parts).values()) > 1


def buildable(needs: Sequence[Need], free: Mapping[str, int]) -> Buildable:
    """How many whole kits the free parts make, at most `MOST_KITS`, and which lines limit.

    Parameters
    ----------
    needs : sequence of Need
    free : mapping of str to int
        Part -> free pieces; a part not named has none.

    Raises
    ------
    KitError
        No lines, or fewer than no parts.
    """
    _checked(needs, free)
    most = min(sum(free.get(part, 0) // need.quantity for part in need.parts) for need in needs)
    most = min(most, MOST_KITS)
    count = _most_shared(needs, free, most) if _shares(needs) else most
    lacking = plan(needs, free, count + 1).missing
    return Buildable(count, tuple(need.name for need in needs if need.parts[0] in lacking))


def plan(needs: Sequence[Need], free: Mapping[str, int], count: int) -> Plan:
    """How to fill so many kits, each line's own part first, and the fewest parts that must be got for it.

    Raises
    ------
    KitError
        No lines, fewer than no parts, or a count outside 0 to `MOST_KITS` + 1.
    """
    _checked(needs, free)
    if not 0 <= count <= MOST_KITS + 1:
        raise KitError(tr("kits: {count} found; allowed: 0 to {most_kits}", count=count, most_kits=MOST_KITS))
    if _shares(needs):
        return _plan_shared(needs, free, count)
    fills, missing = [], {}
    for need in needs:
        left, fill = count, {}
        for part in need.parts:
            taken = min(left, free.get(part, 0) // need.quantity)
            if taken:
                fill[part] = taken
            left -= taken
        own = need.parts[0]
        if left:
            missing[own] = left * need.quantity - (free.get(own, 0) - fill.get(own, 0) * need.quantity)
            fill[own] = fill.get(own, 0) + left
        fills.append(fill)
    return Plan(count, tuple(fills), missing)


def _programme(
    needs: Sequence[Need], free: Mapping[str, int], count: int | None, most: int
) -> tuple[list[tuple[int, str]], list[str], list[int]]:
    """Solve for kits by line and part, then pieces to get by part, then the count; all whole numbers."""
    import numpy as np
    from scipy.optimize import Bounds, LinearConstraint, milp

    pairs = [(n, part) for n, need in enumerate(needs) for part in need.parts]
    parts = list(dict.fromkeys(part for _, part in pairs))
    own = {need.parts[0] for need in needs}
    size = len(pairs) + len(parts) + 1
    filled = np.zeros((len(needs), size))
    used = np.zeros((len(parts), size))
    cost = np.zeros(size)
    high = np.full(size, float(most))
    rank = sum(need.quantity for need in needs) * max(1, most) * max(len(need.parts) for need in needs) + 1.0
    for column, (n, part) in enumerate(pairs):
        filled[n, column] = 1.0
        used[parts.index(part), column] = needs[n].quantity
        cost[column] = needs[n].parts.index(part) * needs[n].quantity / rank
    for p, part in enumerate(parts):
        column = len(pairs) + p
        used[p, column] = -1.0
        cost[column] = 1.0
        high[column] = float(most) * sum(need.quantity for need in needs) if part in own and count is not None else 0.0
    filled[:, -1] = -1.0
    low = np.zeros(size)
    if count is None:
        cost[:] = 0.0
        cost[-1] = -1.0
    else:
        low[-1] = high[-1] = float(count)
    found = milp(
        cost,
        integrality=np.ones(size),
        bounds=Bounds(low, high),
        constraints=[
            LinearConstraint(filled, 0.0, 0.0),
            LinearConstraint(used, -np.inf, [float(free.get(part, 0)) for part in parts]),
        ],
        options={"mip_rel_gap": 0.0},
    )
    if found.x is None:
        raise KitError(
            tr(
                "lines that share parts: no filling found ({message}); allowed: lines with other parts",
                message=found.message,
            )
        )
    return pairs, parts, [round(float(x)) for x in found.x]


def _most_shared(needs: Sequence[Need], free: Mapping[str, int], most: int) -> int:
    return _programme(needs, free, None, most)[2][-1]


def _plan_shared(needs: Sequence[Need], free: Mapping[str, int], count: int) -> Plan:
    pairs, parts, solved = _programme(needs, free, count, max(count, 1))
    fills: list[dict[str, int]] = [{} for _ in needs]
    for (n, part), kits in zip(pairs, solved, strict=False):
        if kits:
            fills[n][part] = kits
    bought = solved[len(pairs) : len(pairs) + len(parts)]
    return Plan(count, tuple(fills), {part: n for part, n in zip(parts, bought, strict=True) if n})


# ---------------------------------------------------------------- how many are right


def perfect_rate(error: float, lines: int) -> float:
    """Share of kits without a mistake, (1 - e)^k, with `error` the chance that one line is wrong.

    Lines are taken to go wrong one by one; a list that is wrong makes every kit wrong, whatever this says.

    >>> round(perfect_rate(0.005, 25), 3)
    0.882
    """
    _chance("error", error)
    return float((1.0 - error) ** _lines(lines))


def error_allowed(rate: float, lines: int) -> float:
    """The most that one line may be wrong for so many perfect kits, 1 - rate^(1/k)."""
    _chance("rate", rate)
    return float(1.0 - rate ** (1.0 / _lines(lines)))


def _chance(name: str, value: float) -> None:
    if not (isfinite(value) and 0.0 <= value <= 1.0):
        raise KitError(tr("{name}: {value:g} found; allowed: 0 to 1", name=name, value=value))


def _lines(lines: int) -> int:
    if lines < 1:
        raise KitError(tr("lines: {lines} found; allowed: 1 or more", lines=lines))
    return lines


# ---------------------------------------------------------------- what a kit must weigh


@dataclass(frozen=True, slots=True)
class Weighed:
    """One line as it weighs: `gram` of one part [g], `quantity` of them."""

    name: str
    gram: float
    quantity: int

    def __post_init__(self) -> None:
        if not (isfinite(self.gram) and 0.0 < self.gram <= 100_000.0):
            raise KitError(
                tr("weight of {name}: {gram:g} g found; allowed: above 0 to 100000 g", name=self.name, gram=self.gram)
            )
        if self.quantity < 1:
            raise KitError(
                tr("{name}: quantity {quantity} found; allowed: 1 or more", name=self.name, quantity=self.quantity)
            )


@dataclass(frozen=True, slots=True)
class Scale:
    """A scale: the step of its display and the standard deviation of one load weighed again and again [g].

    `part_spread` and `lot_spread` are standard deviations as shares of the weight of one part.
    """

    resolution: float
    spread: float
    part_spread: float = PART_SPREAD
    lot_spread: float = LOT_SPREAD

    def __post_init__(self) -> None:
        if not (isfinite(self.resolution) and 0.0 < self.resolution <= 1000.0):
            raise KitError(
                tr("resolution: {resolution:g} g found; allowed: above 0 to 1000 g", resolution=self.resolution)
            )
        if not (isfinite(self.spread) and 0.0 <= self.spread <= 1000.0):
            raise KitError(tr("spread of the scale: {spread:g} g found; allowed: 0 to 1000 g", spread=self.spread))
        for name, value in ((tr("spread of parts"), self.part_spread), (tr("spread of lots"), self.lot_spread)):
            if not (isfinite(value) and 0.0 <= value <= 0.5):
                raise KitError(tr("{name}: {value:g} found; allowed: 0 to 0.5", name=name, value=value))


@dataclass(frozen=True, slots=True)
class Weighing:
    """What a good kit weighs and whether that proves anything.

    Attributes
    ----------
    expected, tolerance : float
        [g], with the bags; good within half of the lightest part.
    noise : float
        Standard deviation of the weight of a good kit [g].
    lightest : str
        The line of the lightest part.
    lightest_gram : float
    proves : bool
        Half of the lightest part is at least `REACH` times the noise.
    missed : float
        Chance that a kit without one of the lightest parts weighs within the limits.
    alike : tuple of (str, str)
        Lines whose parts weigh so much the same that one taken for another does not show.
    """

    expected: float
    tolerance: float
    noise: float
    lightest: str
    lightest_gram: float
    proves: bool
    missed: float
    alike: tuple[tuple[str, str], ...]

    def good(self, gram: float) -> bool:
        """True where a kit of this weight [g] lies within the limits."""
        return abs(gram - self.expected) <= self.tolerance


def weighing(lines: Sequence[Weighed], scale: Scale, tare: float = 0.0) -> Weighing:
    """What the scale can say of a kit; `tare` is what its bags and labels weigh [g], 0 where the scale was set to it.

    The noise is the root of the sum of squares: twice the display's step (with and without the kit), each as
    step / sqrt(12) for a uniform distribution (JCGM 100:2008, 4.3.7 and F.2.2.1), twice the scale's own spread, the
    parts' (grows as the root of their number) and the lots' (grows as the number).

    Raises
    ------
    KitError
        No lines, or a tare below 0.
    """
    if not lines:
        raise KitError(tr("lines: none found; allowed: at least one"))
    if not (isfinite(tare) and 0.0 <= tare <= 100_000.0):
        raise KitError(tr("bags: {tare:g} g found; allowed: 0 to 100000 g", tare=tare))
    variance = 2.0 * (scale.resolution**2 / 12.0 + scale.spread**2)
    for line in lines:
        variance += line.quantity * (scale.part_spread * line.gram) ** 2
        variance += (line.quantity * scale.lot_spread * line.gram) ** 2
    noise, light = sqrt(variance), min(lines, key=lambda line: line.gram)
    half = light.gram / 2.0
    alike = tuple(
        (a.name, b.name) for n, a in enumerate(lines) for b in lines[n + 1 :] if abs(a.gram - b.gram) <= half + noise
    )
    return Weighing(
        expected=tare + sum(line.gram * line.quantity for line in lines),
        tolerance=half,
        noise=noise,
        lightest=light.name,
        lightest_gram=light.gram,
        proves=half >= REACH * noise,
        missed=0.5 * (erfc(half / noise / sqrt(2.0)) - erfc(3.0 * half / noise / sqrt(2.0))),
        alike=alike,
    )
