"""Orders made line by line, as by hand: what the cheapest order is compared with, and what there is if it is not found.

Each need, the most pressing first, takes from the stores, then from what is left of packs already bought, then the
offer that costs least for this line, breaks and packs seen and shipping not. Then orders below a minimum are filled up.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from datetime import date
from decimal import Decimal
from typing import Literal

from refettle.ordering.choice import (
    ZERO,
    Choice,
    cost_of,
    goods_cost,
    least_steps,
    most_steps,
    price_of,
    short_of,
    step_of,
    violations,
)
from refettle.ordering.model import Need, Problem

By = Literal["line total", "unit price"]
MANY = 10**9
Buy = dict[int, int]


class _Basket:
    """What was bought so far."""

    def __init__(self, found: Problem, allowed: Collection[str], by: By) -> None:
        self.found, self.by = found, by
        self.steps: Buy = {}
        self.left: dict[int | None, int] = {}
        self.stock = dict(found.stock)
        self.used: dict[tuple[int, int], int] = {}
        self.offers: dict[str, list[int]] = {}
        for number, offer in enumerate(found.offers):
            if offer.supplier in allowed:
                self.offers.setdefault(offer.part, []).append(number)

    def cover(self, need: Need, part: str, wanted: int) -> tuple[int, Decimal, Buy]:
        """Pieces that can be had of a part, what they add to the cost, and the steps bought for them."""
        numbers = [n for n in self.offers.get(part, []) if self.found.in_time(self.found.offers[n], need)]
        rest = wanted - self.stock.get(part, 0) - sum(self.left.get(n, 0) for n in numbers)
        if rest <= 0:
            return wanted, ZERO, {}
        whole = [(key, added, {n: s}) for n in numbers for key, added, s in self._ways(n, rest)]
        if whole:
            _, added, bought = min(whole, key=lambda each: (each[0], each[1]))
            return wanted, added, bought
        added, bought = ZERO, {}
        for number in sorted(numbers, key=lambda n: self.found.offers[n].tiers[-1].price_each * self._rate(n)):
            offer, had = self.found.offers[number], self.steps.get(number, 0)
            room = most_steps(offer, MANY) - had
            more = min(room, -(-rest // step_of(offer)))
            if more > 0 and had + more >= least_steps(offer):
                bought[number] = more
                added += self._added(number, more)
                rest -= more * step_of(offer)
            if rest <= 0:
                break
        return wanted - max(0, rest), added, bought

    def _rate(self, number: int) -> Decimal:
        return self.found.rate(self.found.offers[number].supplier)

    def _added(self, number: int, more: int) -> Decimal:
        offer, had = self.found.offers[number], self.steps.get(number, 0)
        step = step_of(offer)
        return (goods_cost(offer, (had + more) * step) - goods_cost(offer, had * step)) * self._rate(number)

    def _ways(self, number: int, rest: int) -> Iterable[tuple[Decimal, Decimal, int]]:
        """Ways to get all that is missing from one offer: what is looked at, what it adds, steps."""
        offer, had = self.found.offers[number], self.steps.get(number, 0)
        step = step_of(offer)
        enough = max(had + -(-rest // step), least_steps(offer))
        ends = {enough}
        if self.by == "line total":
            ends |= {-(-tier.from_quantity // step) for tier in offer.tiers}
        for end in ends:
            if enough <= end <= most_steps(offer, MANY):
                added = self._added(number, end - had)
                unit = price_of(offer, end * step) * self._rate(number)
                yield (unit if self.by == "unit price" else added), added, end - had

    def take(self, i: int, j: int, wanted: int, bought: Buy) -> None:
        """Buy and hand out, the stores first."""
        need = self.found.needs[i]
        part = need.parts[j].part
        for number, more in bought.items():
            self.steps[number] = self.steps.get(number, 0) + more
            self.left[number] = self.left.get(number, 0) + more * step_of(self.found.offers[number])
        self.used[i, j] = self.used.get((i, j), 0) + wanted
        given = min(wanted, self.stock.get(part, 0))
        if given:
            self.stock[part] -= given
        for number in self.offers.get(part, []):
            if self.found.in_time(self.found.offers[number], need):
                more = min(wanted - given, self.left.get(number, 0))
                if more:
                    self.left[number] -= more
                    given += more

    def fill_up(self) -> None:
        """Buy more of what is bought already where an order is below the least its supplier takes."""
        for name, supplier in self.found.suppliers.items():
            own = [n for n, s in self.steps.items() if s and self.found.offers[n].supplier == name]
            spent = sum((self._goods(n, self.steps[n]) for n in own), ZERO)
            if not own or spent >= supplier.minimum_order:
                continue
            ways = []
            for number in own:
                others = spent - self._goods(number, self.steps[number])
                steps = self._filled(number, supplier.minimum_order - others)
                if steps:
                    ways.append((others + self._goods(number, steps), number, steps))
            if ways:
                _, number, steps = min(ways)
                self.steps[number] = steps

    def _goods(self, number: int, steps: int) -> Decimal:
        offer = self.found.offers[number]
        return goods_cost(offer, steps * step_of(offer))

    def _filled(self, number: int, wanted: Decimal) -> int | None:
        offer, steps = self.found.offers[number], self.steps[number]
        most = most_steps(offer, MANY)
        price = offer.tiers[-1].price_each * step_of(offer)
        if not price:
            return None
        high = min(most, steps + int(wanted / price) + 1)
        if self._goods(number, high) < wanted:
            return None
        while steps < high:  # fewest steps that suffice; with falling breaks near enough
            middle = (steps + high) // 2
            steps, high = (steps, middle) if self._goods(number, middle) >= wanted else (middle + 1, high)
        return high


def line_by_line(
    found: Problem,
    allowed: Collection[str] | None = None,
    by: By = "line total",
    substitutes: bool = True,
) -> Choice:
    """An order made line by line from the suppliers `allowed`, by default all. Needs may stay short."""
    basket = _Basket(found, found.suppliers if allowed is None else allowed, by)
    pressing = sorted(range(len(found.needs)), key=lambda i: (found.needs[i].by or date.max, i))
    for i in pressing:
        need, rest = found.needs[i], found.needs[i].quantity
        which = range(len(need.parts)) if substitutes else range(1)
        while rest:
            ways = []
            for j in which:
                had, added, bought = basket.cover(need, need.parts[j].part, rest)
                if had == rest or (had > 0 and not need.matched_set):
                    ways.append((-had, added + need.parts[j].penalty * had, j, bought))
            if not ways:
                break
            had, _, j, bought = min(ways, key=lambda way: way[:3])
            basket.take(i, j, -had, bought)
            rest += had
    basket.fill_up()
    return Choice(dict(basket.steps), dict(basket.used))


def best_by_hand(found: Problem) -> Choice | None:
    """The cheapest order found by leaving out one supplier after another; None where each breaks a condition."""

    def rank(choice: Choice) -> tuple[int, Decimal]:
        return len(short_of(found, choice)), cost_of(found, choice).counted

    most = found.terms.at_most_suppliers or len(found.suppliers)
    names = {offer.supplier for offer in found.offers}
    best: Choice | None = None
    while names:
        whole = line_by_line(found, names)
        if not violations(found, whole) and (best is None or rank(whole) < rank(best)):
            best = whole
        tries = [(line_by_line(found, names - {name}), name) for name in sorted(names)]
        choice, name = min(tries, key=lambda each: (*rank(each[0]), each[1]))
        if len(names) <= most and rank(choice) >= rank(whole):
            break
        names = names - {name}
    if best is None and not violations(found, nothing := Choice({}, {})):
        best = nothing
    return best
