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


def filled_up(found: Problem, choice: Choice, free: bool = True) -> Choice:
    """The same with orders below a minimum filled up to it; to free shipping too, where that costs less than shipping.

    One offer is bought more of for each supplier: the one that reaches the threshold with the least goods.
    """
    steps = dict(choice.steps)
    for name, supplier in found.suppliers.items():
        own = [n for n, s in steps.items() if s and found.offers[n].supplier == name]
        spent = sum((_goods(found, n, steps[n]) for n in own), ZERO)
        if not own:
            continue
        wanted = [supplier.minimum_order] if spent < supplier.minimum_order else []
        if free and supplier.free_from is not None and spent < supplier.free_from:
            wanted.append(supplier.free_from)
        ways = [way for amount in wanted for number in own if (way := _filled(found, steps, spent, number, amount))]
        if spent >= supplier.minimum_order:
            ways.append((spent + supplier.shipping, spent, own[0], steps[own[0]]))
        if ways:
            _, _, number, more = min(ways)
            steps[number] = more
    return Choice(steps, choice.used)


def _goods(found: Problem, number: int, steps: int) -> Decimal:
    return goods_cost(found.offers[number], steps * step_of(found.offers[number]))


def _filled(
    found: Problem, steps: Buy, spent: Decimal, number: int, amount: Decimal
) -> tuple[Decimal, Decimal, int, int] | None:
    """What it costs with shipping, the goods, the offer and its steps, where goods then come to `amount` at least."""
    offer = found.offers[number]
    supplier = found.suppliers[offer.supplier]
    others = spent - _goods(found, number, steps[number])
    price = min(tier.price_each for tier in offer.tiers) * step_of(offer)
    if not price:
        return None
    low = steps[number]
    high = most_steps(offer, low + int((amount - others) / price) + 1)
    if others + _goods(found, number, high) < amount:
        return None
    while low < high:  # fewest steps that suffice; with falling breaks near enough
        middle = (low + high) // 2
        low, high = (low, middle) if others + _goods(found, number, middle) >= amount else (middle + 1, high)
    goods = others + _goods(found, number, high)
    if supplier.most is not None and goods > supplier.most:
        return None
    free = supplier.free_from is not None and goods >= supplier.free_from
    return goods + (ZERO if free else supplier.shipping), goods, number, high


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
    return filled_up(found, Choice(dict(basket.steps), dict(basket.used)), free=False)


def best_by_hand(found: Problem) -> Choice | None:
    """The cheapest order found by leaving out one supplier after another; None where each breaks a condition."""

    def rank(choice: Choice) -> tuple[int, Decimal]:
        return len(short_of(found, choice)), cost_of(found, choice).counted

    most = found.terms.at_most_suppliers or len(found.suppliers)
    names = {offer.supplier for offer in found.offers}
    best: Choice | None = None
    while names:
        whole = filled_up(found, line_by_line(found, names))
        if not violations(found, whole) and (best is None or rank(whole) < rank(best)):
            best = whole
        tries = [(filled_up(found, line_by_line(found, names - {name})), name) for name in sorted(names)]
        choice, name = min(tries, key=lambda each: (*rank(each[0]), each[1]))
        if len(names) <= most and rank(choice) >= rank(whole):
            break
        names = names - {name}
    if best is None and not violations(found, nothing := Choice({}, {})):
        best = nothing
    return best
