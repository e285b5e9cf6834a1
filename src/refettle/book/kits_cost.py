"""What one kit costs: parts by the lots they would come from, what lacks by whole packs of the cheapest offer."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal

from django.conf import settings

from refettle.book.models_kits import KitLine, KitVersion
from refettle.book.models_prices import Offer, Sold
from refettle.book.models_stores import Lot, Part
from refettle.book.stores_moves import oldest_first
from refettle.money.amounts import MoneyError
from refettle.money.kits import Bought, KitPrice, by_packs, kit_price, of_lots


@dataclass(frozen=True)
class PartCost:
    """The parts of one line for all kits: from lots, bought, and how many have no price [currency]."""

    line: KitLine
    pieces: int
    from_lots: Decimal
    bought: Bought | None
    supplier: str
    unpriced: int

    @property
    def sum(self) -> Decimal:
        """What all kits' pieces cost; of a pack only what goes into kits."""
        return self.from_lots + (
            (self.bought.pieces - self.bought.left_over) * self.bought.each if self.bought else Decimal(0)
        )


@dataclass(frozen=True)
class Cost:
    """The price of one kit when so many are made. `tied_up` is what is left over in packs bought for them."""

    count: int
    lines: tuple[PartCost, ...]
    price: KitPrice
    currency: str

    @property
    def unpriced(self) -> tuple[PartCost, ...]:
        """Lines whose parts have no price, in whole or in part: the sum is too low by them."""
        return tuple(each for each in self.lines if each.unpriced)

    @property
    def tied_up(self) -> Decimal:
        """[currency] in what is left over."""
        return sum((each.bought.left_over * each.bought.each for each in self.lines if each.bought), Decimal(0))


def cost_of(version: KitVersion, count: int = 10, rate: float | None = None) -> Cost:
    """What one kit costs and must bring, when `count` are made of what the stores have and what is bought for it.

    Each line takes its own part, the oldest lots first; lots paid in another currency count as without a price.

    Raises
    ------
    MoneyError
        A value out of range.
    """
    currency = settings.REFETTLE_CURRENCY
    count = max(1, count)
    lines = list(version.lines.select_related("part"))
    used: dict[int, int] = {}
    made = []
    for line in lines:
        pieces = line.quantity * count
        lots, start = _lots(line.part, currency), used.get(line.part_id, 0)
        total, unpriced, lacking = of_lots(pieces, _from(lots, start))
        used[line.part_id] = start + pieces
        bought, supplier = _offer(line.part, lacking, currency) if lacking else (None, "")
        if lacking and bought is None:
            guess = _last_price(line.part, currency)
            total, unpriced = (total, unpriced + lacking) if guess is None else (total + lacking * guess, unpriced)
        made.append(PartCost(line, pieces, total, bought, supplier, unpriced))
    parts = float(sum((each.sum for each in made), Decimal(0))) / count
    at = float(settings.REFETTLE_RATE) if rate is None else rate
    return Cost(count, tuple(made), kit_price(parts, version.minutes, at, float(version.fee), version.margin), currency)


def _lots(part: Part, currency: str) -> list[tuple[int, Decimal | None]]:
    return [(lot.on_hand, lot.price if lot.currency == currency else None) for lot in oldest_first(part)]


def _from(lots: list[tuple[int, Decimal | None]], start: int) -> list[tuple[int, Decimal | None]]:
    """What is left of the lots after `start` pieces."""
    left = []
    for pieces, price in lots:
        gone = min(start, pieces)
        start -= gone
        left.append((pieces - gone, price))
    return left


def _last_price(part: Part, currency: str) -> Decimal | None:
    """What was paid last."""
    last = Lot.objects.filter(part=part, currency=currency, price__isnull=False).order_by("-id").first()
    return last.price if last is not None else None


def _offer(part: Part, pieces: int, currency: str) -> tuple[Bought | None, str]:
    """The cheapest way to get so many, by whole packs, without post."""
    best: tuple[Bought | None, str] = (None, "")
    for sold in Sold.objects.filter(part=part, supplier__used=True).select_related("supplier"):
        offers = Offer.objects.filter(supplier=sold.supplier, sku=sold.sku, current=True, currency=currency)
        for offer in offers:
            try:
                breaks = [(int(n), Decimal(str(price))) for n, price in offer.breaks]
                found = by_packs(pieces, breaks, offer.pack, offer.least)
            except (MoneyError, ArithmeticError, TypeError, ValueError):
                continue
            if best[0] is None or found.sum < best[0].sum:
                best = found, sold.supplier.name
    return best
