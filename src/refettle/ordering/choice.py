"""What is ordered and for what: its exact cost, its pieces handed out, and every condition looked at once more.

Nothing here comes from the solver, so that what it found is judged by other means, in exact decimals.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from decimal import Decimal

from refettle.language import tr
from refettle.ordering.model import Offer, Problem

ZERO = Decimal(0)


@dataclass(frozen=True)
class Choice:
    """`steps` by offer: how often its least step (`multiple` packs) is bought; `used` by (need, part): pieces.

    Offers, needs and the parts of a need are named by their number, from 0.
    """

    steps: Mapping[int, int]
    used: Mapping[tuple[int, int], int]


@dataclass(frozen=True, slots=True)
class Handed:
    """Pieces of a part handed to a need, from the stores (`offer` None) or from an offer."""

    need: int
    part: int
    offer: int | None
    quantity: int


@dataclass(frozen=True)
class Cost:
    """In the currency of the terms, exact. `counted` is what is made least: paid, and penalties of fitting."""

    goods: Mapping[str, Decimal]
    shipping: Mapping[str, Decimal]
    penalty: Decimal

    @property
    def paid(self) -> Decimal:
        """Goods and shipping."""
        return sum(self.goods.values(), ZERO) + sum(self.shipping.values(), ZERO)

    @property
    def counted(self) -> Decimal:
        """What is made least."""
        return self.paid + self.penalty


def step_of(offer: Offer) -> int:
    """Pieces in the least step."""
    return offer.pack * offer.multiple


def least_steps(offer: Offer) -> int:
    """Steps that must be bought at least, if any."""
    return -(-max(offer.minimum * offer.pack, offer.tiers[0].from_quantity) // step_of(offer))


def most_steps(offer: Offer, otherwise: int) -> int:
    """Steps that can be bought at most; `otherwise` where the supplier does not say."""
    return otherwise if offer.stock is None else min(otherwise, offer.stock // step_of(offer))


def goods_cost(offer: Offer, pieces: int) -> Decimal:
    """What so many pieces cost, in the supplier's currency; 0 pieces cost nothing."""
    if not pieces:
        return ZERO
    if offer.breaks == "all units":
        return pieces * price_of(offer, pieces)
    cost = ZERO
    for tier, following in zip(offer.tiers, [*offer.tiers[1:], None], strict=True):
        begin = 0 if tier is offer.tiers[0] else tier.from_quantity - 1
        end = pieces if following is None else min(pieces, following.from_quantity - 1)
        cost += tier.price_each * max(0, end - begin)
    return cost


def price_of(offer: Offer, pieces: int) -> Decimal:
    """The price that a piece has at so many; with incremental breaks that of the last piece."""
    reached = [tier.price_each for tier in offer.tiers if tier.from_quantity <= pieces]
    return reached[-1] if reached else offer.tiers[0].price_each


def cost_of(found: Problem, choice: Choice) -> Cost:
    """What an order costs."""
    own: dict[str, Decimal] = {}
    for number, steps in choice.steps.items():
        if steps:
            offer = found.offers[number]
            own[offer.supplier] = own.get(offer.supplier, ZERO) + goods_cost(offer, steps * step_of(offer))
    goods, shipping = {}, {}
    for name, spent in own.items():
        supplier, rate = found.suppliers[name], found.rate(name)
        free = supplier.free_from is not None and spent >= supplier.free_from
        goods[name] = spent * rate
        shipping[name] = ZERO if free else supplier.shipping * rate
    penalty = sum((found.needs[i].parts[j].penalty * q for (i, j), q in choice.used.items()), ZERO)
    return Cost(goods, shipping, penalty)


def short_of(found: Problem, choice: Choice) -> dict[int, int]:
    """Pieces that each need is short of; needs that are met are left out."""
    given: dict[int, int] = {}
    for (i, _), quantity in choice.used.items():
        given[i] = given.get(i, 0) + quantity
    missing = {i: need.quantity - given.get(i, 0) for i, need in enumerate(found.needs)}
    return {i: quantity for i, quantity in missing.items() if quantity > 0}


def hand_out(found: Problem, choice: Choice) -> tuple[Handed, ...] | None:
    """Who gets which pieces; None where they do not suffice in time.

    The most pressing needs choose first: whatever is early enough for them is early enough for all that follow, so
    that no piece is given away that only they could have used. The stores come first, then what arrives last.
    """
    left: dict[int | None, int] = {n: s * step_of(found.offers[n]) for n, s in choice.steps.items() if s}
    stores = dict(found.stock)
    by_part: dict[str, list[int]] = {}
    for number in left:
        if number is not None:
            by_part.setdefault(found.offers[number].part, []).append(number)
    for numbers in by_part.values():
        numbers.sort(key=lambda n: (-found.offers[n].lead_days, n))
    out: list[Handed] = []
    wanted = [(i, j, q) for (i, j), q in choice.used.items() if q]
    latest = max([found.arrives(offer) for offer in found.offers], default=found.terms.today)
    wanted.sort(key=lambda w: (found.needs[w[0]].by or latest, w[0], w[1]))
    for i, j, quantity in wanted:
        need = found.needs[i]
        part = need.parts[j].part
        given = min(quantity, stores.get(part, 0))
        if given:
            stores[part] -= given
            out.append(Handed(i, j, None, given))
        for number in by_part.get(part, []):
            more = min(quantity - given, left[number])
            if more and found.in_time(found.offers[number], need):
                left[number] -= more
                given += more
                out.append(Handed(i, j, number, more))
        if given < quantity:
            return None
    return tuple(out)


def violations(found: Problem, choice: Choice) -> list[str]:
    """Every condition that an order breaks, in words; none for an order that may be placed."""
    said = [*_offers_broken(found, choice), *_suppliers_broken(found, choice), *_needs_broken(found, choice)]
    if not said and hand_out(found, choice) is None:
        said.append(tr("pieces: too few, or too late"))
    return said


def _offers_broken(found: Problem, choice: Choice) -> Iterable[str]:
    for number, steps in choice.steps.items():
        offer = found.offers[number]
        if steps and not least_steps(offer) <= steps <= most_steps(offer, steps):
            yield tr(
                "{supplier} {sku}: {offer} pieces cannot be had",
                supplier=offer.supplier,
                sku=offer.sku,
                offer=steps * step_of(offer),
            )


def _suppliers_broken(found: Problem, choice: Choice) -> Iterable[str]:
    own: dict[str, Decimal] = {}
    for number, steps in choice.steps.items():
        offer = found.offers[number]
        if steps:
            own[offer.supplier] = own.get(offer.supplier, ZERO) + goods_cost(offer, steps * step_of(offer))
    for name, spent in own.items():
        supplier = found.suppliers[name]
        if spent < supplier.minimum_order:
            yield tr(
                "{name}: goods of {spent} are below the minimum order of {minimum_order}",
                name=name,
                spent=spent,
                minimum_order=supplier.minimum_order,
            )
        if supplier.most is not None and spent > supplier.most:
            yield tr("{name}: goods of {spent} are above the most, {most}", name=name, spent=spent, most=supplier.most)
    most = found.terms.at_most_suppliers
    if most is not None and len(own) > most:
        yield tr("{own} suppliers are more than {most}", own=len(own), most=most)


def _needs_broken(found: Problem, choice: Choice) -> Iterable[str]:
    given: dict[int, list[int]] = {}
    for (i, _), quantity in choice.used.items():
        if quantity < 0:
            yield tr("{line}: {quantity} pieces", line=found.needs[i].line, quantity=quantity)
        if quantity:
            given.setdefault(i, []).append(quantity)
    for i, quantities in given.items():
        need = found.needs[i]
        if sum(quantities) > need.quantity:
            yield tr(
                "{line}: {quantities} pieces for {quantity}",
                line=need.line,
                quantities=sum(quantities),
                quantity=need.quantity,
            )
        if need.matched_set and quantities != [need.quantity]:
            yield tr("{line}: a matched set in pieces", line=need.line)
