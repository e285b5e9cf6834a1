"""Tiny ordering problems by chance, and the cheapest order by trying every purchase: shares nothing with the solver."""

from __future__ import annotations

import random
from collections.abc import Iterator
from datetime import date, timedelta
from decimal import Decimal

from refettle.ordering import Acceptable, Need, Offer, Problem, Supplier, Terms, Tier, problem

TODAY = date(2031, 3, 3)
Rank = tuple[int, int, int]
"""Needs short, pieces short, cost in cents."""


def cents(value: int) -> Decimal:
    return Decimal(value) / 100


def tiny(seed: int, scarce: bool = False) -> Problem:
    """Up to 3 needs, 4 offers, 3 suppliers; with `scarce`, so little in stock that needs may stay short."""
    rnd = random.Random(seed)
    names = ["A", "B", "C"][: rnd.randint(1, 3)]
    suppliers = [
        Supplier(
            name,
            shipping=cents(rnd.choice([0, 150, 300, 495])),
            free_from=rnd.choice([None, cents(rnd.randint(200, 900))]),
            minimum_order=cents(rnd.choice([0, 0, rnd.randint(100, 500)])),
            most=cents(rnd.randint(500, 900)) if rnd.random() < 0.1 else None,
        )
        for name in names
    ]
    parts = ["p", "q", "r"][: rnd.randint(1, 3)]
    offers = []
    for number in range(rnd.randint(1, 3 if scarce else 4)):
        first = rnd.randint(60, 300)
        tiers = [Tier(1, cents(first))]
        for start in sorted(rnd.sample(range(2, 7), rnd.randint(0, 2))):
            first = int(first * rnd.uniform(0.55, 0.95))
            tiers.append(Tier(start, cents(first)))
        offers.append(
            Offer(
                rnd.choice(names),
                f"n{number}",
                rnd.choice(parts),
                tuple(tiers),
                pack=rnd.choice([1, 1, 1, 2, 3]),
                minimum=rnd.choice([1, 1, 2]),
                multiple=rnd.choice([1, 1, 2]),
                stock=rnd.randint(0, 4) if scarce else rnd.choice([None, 4, 7]),
                lead_days=rnd.choice([1, 1, 8]),
                breaks=rnd.choice(["all units", "all units", "incremental"]),
            )
        )
    needs = []
    for number in range(rnd.randint(1, 3)):
        listed = rnd.sample(parts, rnd.randint(1, len(parts)))
        acceptable = tuple(
            Acceptable(p, "fits", cents(rnd.choice([0, 0, 20]) if n else 0)) for n, p in enumerate(listed)
        )
        by = TODAY + timedelta(days=5) if rnd.random() < 0.25 else None
        needs.append(Need(f"L{number}", acceptable, rnd.randint(1, 3), f"job {number % 2}", by, rnd.random() < 0.3))
    stock = {part: rnd.randint(0, 2) for part in parts if rnd.random() < 0.4}
    most = rnd.choice([None, None, 1, 2])
    return problem(needs, stock, offers, suppliers, Terms(TODAY, most, gap=0.0, explain_seconds=0.0))


def middling(seed: int, parts: int = 12) -> Problem:
    """A dozen parts with substitutes at four suppliers."""
    rnd = random.Random(seed)
    suppliers = [
        Supplier(f"S{n}", cents(rnd.randint(300, 900)), cents(rnd.randint(2000, 5000)), cents(rnd.choice([0, 800])))
        for n in range(4)
    ]
    offers, needs, stock = [], [], {}
    for number in range(parts):
        listed = [f"p{number}", f"p{number}a"][: rnd.randint(1, 2)]
        for part in listed:
            base = rnd.randint(15, 400)
            for name in rnd.sample(range(4), 3):
                first = int(base * rnd.uniform(0.8, 1.25))
                tiers = tuple(Tier(start, cents(max(1, int(first * f)))) for start, f in ((1, 1), (5, 0.9), (10, 0.7)))
                pack = rnd.choice([1, 5]) if first < 50 else 1
                offers.append(Offer(f"S{name}", f"{part}-{name}", part, tiers, pack, stock=rnd.choice([None, 12])))
        acceptable = tuple(Acceptable(part, "fits", cents(5 * n)) for n, part in enumerate(listed))
        needs.append(Need(f"L{number}", acceptable, rnd.randint(1, 8), f"job {number % 3}", None, rnd.random() < 0.2))
        if rnd.random() < 0.2:
            stock[listed[0]] = rnd.randint(1, 3)
    return problem(
        needs,
        stock,
        offers,
        suppliers,
        Terms(TODAY, rnd.choice([None, 3]), time_limit=60, gap=0.0, explain_seconds=0.0),
    )


def goods(offer: Offer, pieces: int) -> int:
    """Cents for so many pieces, piece by piece."""
    prices = []
    for piece in range(1, pieces + 1):
        reached = [
            t.price_each for t in offer.tiers if t.from_quantity <= (pieces if offer.breaks == "all units" else piece)
        ]
        prices.append(reached[-1] if reached else offer.tiers[0].price_each)
    return int(sum(prices) * 100)


def counts(offer: Offer, limit: int) -> list[int]:
    """Every number of pieces that can be bought for less than `limit` cents."""
    step, out, pieces = offer.pack * offer.multiple, [0], 0
    lowest = min(int(t.price_each * 100) for t in offer.tiers)
    while True:
        pieces += step
        if (offer.stock is not None and pieces > offer.stock) or pieces * lowest >= limit:
            return out
        if pieces >= offer.minimum * offer.pack and goods(offer, pieces) < limit:
            out.append(pieces)


def by_trying(found: Problem, limit: int) -> Rank | None:
    """The best of all orders that cost less than `limit` cents; None where there is none."""
    best: Rank | None = None
    ways = [counts(offer, limit) for offer in found.offers]
    price = [{c: goods(offer, c) for c in way} for offer, way in zip(found.offers, ways, strict=True)]
    for bought in _purchases(ways, price, limit):
        spent: dict[str, int] = {}
        for n, c in enumerate(bought):
            if c:
                name = found.offers[n].supplier
                spent[name] = spent.get(name, 0) + price[n][c]
        if found.terms.at_most_suppliers is not None and len(spent) > found.terms.at_most_suppliers:
            continue
        cost, fine = 0, True
        for name, value in spent.items():
            supplier = found.suppliers[name]
            fine = (
                fine
                and value >= supplier.minimum_order * 100
                and (supplier.most is None or value <= supplier.most * 100)
            )
            cost += value
            if supplier.free_from is None or value < supplier.free_from * 100:
                cost += int(supplier.shipping * 100)
        if not fine or cost >= limit:
            continue
        if best is not None and best[:2] == (0, 0) and cost >= best[2]:
            continue
        for short, pieces, penalty in _served(found, bought):
            rank = (short, pieces, cost + penalty)
            if rank[2] < limit and (best is None or rank < best):
                best = rank
    return best


def _purchases(ways: list[list[int]], price: list[dict[int, int]], limit: int) -> Iterator[tuple[int, ...]]:
    if not ways:
        yield ()
        return
    for c in ways[0]:
        if price[0][c] < limit:
            for rest in _purchases(ways[1:], price[1:], limit - price[0][c]):
                yield (c, *rest)


def _served(found: Problem, bought: tuple[int, ...]) -> set[Rank]:
    """Every (needs short, pieces short, penalty) that can be had from these pieces and the stores."""
    states: dict[tuple[int, ...], set[Rank]] = {}
    parts = sorted({each.part for need in found.needs for each in need.parts})
    pools = [(part, found.stock.get(part, 0), 0) for part in parts]
    pools += [(found.offers[n].part, c, found.offers[n].lead_days) for n, c in enumerate(bought)]
    states = {tuple(quantity for _, quantity, _ in pools): {(0, 0, 0)}}
    for need in found.needs:
        following: dict[tuple[int, ...], set[Rank]] = {}
        days = 10**6 if need.by is None else (need.by - found.terms.today).days
        usable = [
            (n, j) for j, each in enumerate(need.parts) for n, (part, _, lead) in enumerate(pools)
            if part == each.part and lead <= days
        ]  # fmt: skip
        for left, ranks in states.items():
            for after, given, penalty, mixed in _gives(need, usable, left, need.quantity):
                if need.matched_set and (mixed > 1 or given not in (0, need.quantity)):
                    continue
                missing = need.quantity - given
                following.setdefault(after, set()).update(
                    (a + (missing > 0), b + missing, c + penalty) for a, b, c in ranks
                )
        states = following
    return set().union(*states.values())


def _gives(
    need: Need, usable: list[tuple[int, int]], left: tuple[int, ...], wanted: int
) -> Iterator[tuple[tuple[int, ...], int, int, int]]:
    """What is left, pieces given, penalty in cents, kinds of part, for every way to give up to `wanted`."""

    def further(at: int, left: tuple[int, ...], wanted: int, given: int, penalty: int, kinds: frozenset[int]):
        if at == len(usable):
            yield left, given, penalty, len(kinds)
            return
        n, j = usable[at]
        for q in range(min(wanted, left[n]) + 1):
            after = (*left[:n], left[n] - q, *left[n + 1 :])
            more = int(need.parts[j].penalty * 100) * q
            yield from further(at + 1, after, wanted - q, given + q, penalty + more, kinds | {j} if q else kinds)

    yield from further(0, left, wanted, 0, 0, frozenset())
