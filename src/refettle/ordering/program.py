"""An order as a mixed-integer program: what to buy, in which break, from whom, for which need.

    for each offer o and break k: n steps bought, y 1 if this break is reached, r pieces of it that are used
        low y <= n <= high y;  r <= step n;  r <= wanted y;  sum of y over k <= z of the supplier
    for each need i and acceptable part p: x pieces of p; u pieces short, t 1 if short at all
        sum of x over p + u = quantity;  a matched set: x = quantity m, m 0 or 1
    for each part p and each set of offers in time for a need: x of the needs that have only these <= stores + sum of r
    for each supplier: z 1 if something is bought there, f 1 if shipping is free
        goods >= minimum z;  goods >= free_from f;  goods <= most z;  f <= z;  sum of z <= at most N
    least: goods + shipping (z - f) + penalty x

Needs that may be served later have all the offers that more pressing ones have, so that the rows for parts suffice.
`high` leaves room for what a threshold may make worth buying over need: enough of any one offer to reach it.
Quantity breaks as choices of range follow the usual formulation of all-unit discounts (Benton 1991, from memory);
r, which is not in it, keeps half a pack and a tenth of a break from looking cheap to the relaxation: worth its rows
where offers may be bought over need (`filling`); else step n stands in its place, in half the time.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from math import inf
from typing import Any

import numpy as np
from numpy.typing import NDArray

from refettle.ordering.choice import Choice, least_steps, most_steps, step_of
from refettle.ordering.model import Offer, Problem

Floats = NDArray[np.float64]
TINY = 1e-6
"""[currency] Slack of a row that holds the cost where it was found."""
MOST_FILLING = 10_000
"""Pieces of one offer that may be bought over need to reach a threshold: a choice."""


@dataclass
class Row:
    """`low` <= sum of weight times column <= `high`."""

    weights: Mapping[int, float]
    low: float = -inf
    high: float = inf


@dataclass
class Change:
    """A question asked of the same program: other bounds, more rows, another thing to make least.

    `switches`: so many unknowns more, 0 or 1, behind those of the program.
    """

    lower: Mapping[int, float] = field(default_factory=dict)
    upper: Mapping[int, float] = field(default_factory=dict)
    rows: Sequence[Row] = ()
    least: Mapping[int, float] | None = None
    switches: int = 0

    def __add__(self, other: Change) -> Change:
        """Both; of two things to make least, the second."""
        least = self.least if other.least is None else other.least
        rows = [*self.rows, *other.rows]
        return Change({**self.lower, **other.lower}, {**self.upper, **other.upper}, rows, least,
                      max(self.switches, other.switches))  # fmt: skip


@dataclass(frozen=True, slots=True)
class Rung:
    """A break of an offer that can be reached: `low` to `high` steps, a piece at `price`, `fixed` beside it."""

    low: int
    high: int
    price: Decimal
    fixed: Decimal


class Program:
    """The program of a problem; `ask` gives its arrays, `read` the choice that a solution is.

    With `filling` any offer may be bought over need to reach a minimum or free shipping. Without, that is done with
    money alone: an unknown of each supplier that costs what it adds to the goods. What an order with filling costs,
    it costs here too or less, so that bounds hold for both; where no money is used, so does the order. Much quicker.
    """

    def __init__(self, found: Problem, filling: bool = True) -> None:
        self.found, self.filling = found, filling
        self.lower: list[float] = []
        self.upper: list[float] = []
        self.whole: list[bool] = []
        self.cost: dict[int, float] = {}
        self.rows: list[Row] = []
        self.z: dict[str, int] = {}
        self.n: dict[int, list[tuple[int, int]]] = {}
        self.x: dict[tuple[int, int], int] = {}
        self.match: dict[tuple[int, int], int] = {}
        self.short: list[tuple[int, int]] = []
        self._reached: dict[int, list[int]] = {}
        self._goods: dict[str, dict[int, float]] = {}
        self._pieces: dict[int, dict[int, float]] = {}
        self._wanting: dict[str, list[tuple[int, int]]] = {}
        for i, need in enumerate(found.needs):
            for j, each in enumerate(need.parts):
                self._wanting.setdefault(each.part, []).append((i, j))
        for number, offer in enumerate(found.offers):
            self._offer(number, offer)
        self._suppliers()
        self._needs()
        self._parts()

    def column(self, low: float, high: float, whole: bool = True, cost: float = 0.0) -> int:
        """One more unknown."""
        self.lower.append(low)
        self.upper.append(high)
        self.whole.append(whole)
        if cost:
            self.cost[len(self.lower) - 1] = cost
        return len(self.lower) - 1

    def _offer(self, number: int, offer: Offer) -> None:
        found, step = self.found, step_of(offer)
        wanting = [found.needs[i] for i, _ in self._wanting[offer.part]]
        wanted = sum(need.quantity for need in wanting if found.in_time(offer, need))
        rungs = list(ladder(found, offer, wanted, self.filling))
        if not wanted or not rungs:
            return
        if offer.supplier not in self.z:
            self.z[offer.supplier] = self.column(0, 1)
        z, reached = self.z[offer.supplier], []
        pieces = self._pieces[number] = {}
        self.n[number] = []
        for rung in rungs:
            y = self.column(0, 1, cost=float(rung.fixed))
            n = self.column(0, rung.high, cost=float(rung.price * step))
            goods = self._goods.setdefault(offer.supplier, {})
            goods[n] = float(rung.price * step)
            if rung.fixed:
                goods[y] = float(rung.fixed)
            self.rows.append(Row({n: 1.0, y: -rung.low}, low=0.0))
            self.rows.append(Row({n: 1.0, y: -rung.high}, high=0.0))
            if self.filling:
                most = min(wanted, rung.high * step)
                r = self.column(0, most, whole=False)
                self.rows.append(Row({r: 1.0, n: -step}, high=0.0))
                self.rows.append(Row({r: 1.0, y: -most}, high=0.0))
                pieces[r] = 1.0
            else:
                pieces[n] = float(step)
            reached.append(y)
            self.n[number].append((n, step))
        self._reached[number] = reached
        self.rows.append(Row({**dict.fromkeys(reached, 1.0), z: -1.0}, high=0.0))

    def _suppliers(self) -> None:
        for name, z in self.z.items():
            supplier, rate, goods = self.found.suppliers[name], self.found.rate(name), self._goods[name]
            own = [each for number, each in self._reached.items() if self.found.offers[number].supplier == name]
            ys = [y for each in own for y in each]
            self.rows.append(Row({**dict.fromkeys(ys, 1.0), z: -1.0}, low=0.0))
            if not self.filling and (supplier.minimum_order or (supplier.shipping and supplier.free_from)):
                most_money = float((supplier.minimum_order + (supplier.free_from or 0)) * rate) + self._dearest(name)
                money = self.column(0, most_money, whole=False, cost=1.0)
                self.rows.append(Row({money: 1.0, z: -most_money}, high=0.0))
                goods[money] = 1.0
            shipping = float(supplier.shipping * rate)
            if shipping:
                self.cost[z] = shipping
            if shipping and supplier.free_from is not None:
                free = self.column(0, 1, cost=-shipping)
                self.rows.append(Row({free: 1.0, z: -1.0}, high=0.0))
                self.rows.append(Row({**goods, free: -float(supplier.free_from * rate)}, low=0.0))
            if supplier.minimum_order:
                self.rows.append(Row({**goods, z: -float(supplier.minimum_order * rate)}, low=0.0))
            if supplier.most is not None:
                self.rows.append(Row({**goods, z: -float(supplier.most * rate)}, high=0.0))
        most = self.found.terms.at_most_suppliers
        if most is not None and most < len(self.z):
            self.rows.append(Row(dict.fromkeys(self.z.values(), 1.0), high=most))

    def _dearest(self, supplier: str) -> float:
        """The dearest single thing that may be bought there over need: a step, or a break more than is needed."""
        return sum(max(self._goods[supplier][n] * max(1.0, self.upper[n]) for n, _ in self.n[number])
                   for number in self.n if self.found.offers[number].supplier == supplier)  # fmt: skip

    def _needs(self) -> None:
        for i, need in enumerate(self.found.needs):
            whole: dict[int, float] = {}
            matches: dict[int, float] = {}
            for j, each in enumerate(need.parts):
                x = self.x[i, j] = self.column(0, need.quantity, cost=float(each.penalty))
                whole[x] = 1.0
                if need.matched_set:
                    m = self.match[i, j] = self.column(0, 1)
                    matches[m] = 1.0
                    self.rows.append(Row({x: 1.0, m: -need.quantity}, 0.0, 0.0))
            if matches:
                self.rows.append(Row(matches, high=1.0))
            u, t = self.column(0, need.quantity), self.column(0, 1)
            self.short.append((u, t))
            whole[u] = 1.0
            self.rows.append(Row(whole, need.quantity, need.quantity))
            self.rows.append(Row({u: 1.0, t: -need.quantity}, high=0.0))

    def _parts(self) -> None:
        by_part: dict[str, list[int]] = {}
        for number in self.n:
            by_part.setdefault(self.found.offers[number].part, []).append(number)
        for part, wanting in self._wanting.items():
            numbers = by_part.get(part, [])
            early: dict[tuple[int, int], frozenset[int]] = {
                (i, j): frozenset(n for n in numbers if self.found.in_time(self.found.offers[n], self.found.needs[i]))
                for i, j in wanting
            }
            for have in set(early.values()):
                row = {self.x[each]: 1.0 for each in wanting if early[each] <= have}
                for number in have:
                    row.update({column: -each for column, each in self._pieces[number].items()})
                self.rows.append(Row(row, high=self.found.stock.get(part, 0)))

    def everything(self) -> Change:
        """Nothing may stay short."""
        return Change(upper={c: 0.0 for pair in self.short for c in pair})

    def fewest_short(self) -> dict[int, float]:
        """To make least: needs that stay short, then pieces short."""
        pieces = 1.0 + sum(need.quantity for need in self.found.needs)
        return {c: w for u, t in self.short for c, w in ((u, 1.0 / pieces), (t, 1.0))}

    def no_shorter(self, choice: Mapping[int, int]) -> Change:
        """As many needs and pieces short as in `choice`, at most."""
        return Change(rows=[Row({u: 1.0 for u, _ in self.short}, high=sum(choice.values())),
                            Row({t: 1.0 for _, t in self.short}, high=len(choice))])  # fmt: skip

    def no_dearer(self, counted: Decimal) -> Change:
        """A cost held where it was found."""
        return Change(rows=[Row(self.cost, high=float(counted) + TINY)])

    def tidiest(self) -> dict[int, float]:
        """To make least: suppliers, then pieces bought, then how far down the lists the parts are."""
        down = {x: float(j) for (_, j), x in self.x.items() if j}
        per_piece = 0.5 / (1.0 + sum(w * self.upper[c] for c, w in down.items()))
        bought = {n: float(step) for columns in self.n.values() for n, step in columns}
        weights = {c: w * per_piece for c, w in down.items()} | bought
        # More than the pieces of any sensible order; a weight for all that may be bought would hide the rest.
        per_supplier = 1.0 + 4.0 * sum(need.quantity for need in self.found.needs)
        return weights | dict.fromkeys(self.z.values(), per_supplier)

    def ask(self, change: Change) -> dict[str, Floats]:
        """The arrays for the solver."""
        rows = [*self.rows, *change.rows]
        starts = np.cumsum([0, *(len(row.weights) for row in rows)])
        lower, upper = (
            np.array([*self.lower, *[0.0] * change.switches]),
            np.array([*self.upper, *[1.0] * change.switches]),
        )
        cost = np.zeros(len(lower))
        for values, array in ((change.lower, lower), (change.upper, upper)):
            array[list(values)] = list(values.values())
        least = self.cost if change.least is None else change.least
        cost[list(least)] = list(least.values())
        return {
            "cost": cost,
            "lower": lower,
            "upper": upper,
            "whole": np.array([*self.whole, *[True] * change.switches], dtype=np.float64),
            "starts": starts.astype(np.float64),
            "columns": np.array([c for row in rows for c in row.weights], dtype=np.float64),
            "weights": np.array([w for row in rows for w in row.weights.values()], dtype=np.float64),
            "row_low": np.array([row.low for row in rows]),
            "row_high": np.array([row.high for row in rows]),
        }

    def read(self, values: Any) -> Choice:
        """The choice that a solution is, in whole numbers."""
        steps = {number: sum(round(values[n]) for n, _ in columns) for number, columns in self.n.items()}
        used = {key: round(values[x]) for key, x in self.x.items()}
        return Choice({n: s for n, s in steps.items() if s}, {k: q for k, q in used.items() if q})


def ladder(found: Problem, offer: Offer, wanted: int, filling: bool = True) -> Iterable[Rung]:
    """The breaks of an offer that may be worth reaching where `wanted` pieces are wanted at most, dearest first.

    What is spent over the cheapest way to have `wanted` pieces is only good for reaching a threshold. The minimum order
    is reached with its own amount, and a step over; free shipping is not worth more than shipping. What costs more over
    is left out: fewer pieces of the same offer, one step after another, would do as well.
    """
    supplier, rate, step = found.suppliers[offer.supplier], found.rate(offer.supplier), step_of(offer)
    worth = supplier.minimum_order + (Decimal(0) if supplier.free_from is None else supplier.shipping)
    worth = worth if filling else Decimal(0)
    first, fixed, enough = least_steps(offer), Decimal(0), -(-wanted // step)
    cheapest, dearest = None, Decimal(0)
    for number, (tier, following) in enumerate(zip(offer.tiers, [*offer.tiers[1:], None], strict=True)):
        if number and offer.breaks == "incremental":
            fixed += (offer.tiers[number - 1].price_each - tier.price_each) * (tier.from_quantity - 1)
        each, dearest = tier.price_each * step, max(dearest, tier.price_each * step)
        low = max(first, -(-tier.from_quantity // step))
        useful = max(low, enough)
        at_useful = fixed + each * useful
        over = worth + dearest if worth else Decimal(0)
        if cheapest is not None and low > enough and at_useful >= cheapest + over:
            continue
        if worth and each:
            room = over + (cheapest if cheapest is not None and cheapest < at_useful else at_useful) - at_useful
            useful += min(int(room / each) + 1, MOST_FILLING // step + 1)
        end = useful if following is None else min(useful, (following.from_quantity - 1) // step)
        high = most_steps(offer, end)
        if low <= high:
            yield Rung(low, high, tier.price_each * rate, fixed * rate)
            if high >= enough:
                cheapest = at_useful if cheapest is None else min(cheapest, at_useful)
