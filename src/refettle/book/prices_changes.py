"""What a price list changed against the one before, and the prices of one number over all lists."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Literal

from refettle.book.models_prices import Offer, PriceList, Supplier

Way = Literal["up", "down", "gone", "new"]


@dataclass(frozen=True)
class Change:
    """One number whose price is another, or that came or went. `share`: 0.1 is a tenth dearer, at `pieces`."""

    sku: str
    name: str
    way: Way
    was: Decimal | None = None
    now: Decimal | None = None
    share: float = 0.0
    pieces: int = 1


@dataclass(frozen=True)
class Changes:
    """All changes against `before`, the largest first; `same` numbers cost what they did."""

    before: PriceList | None
    changes: tuple[Change, ...]
    same: int = 0

    def of(self, way: Way) -> tuple[Change, ...]:
        """Those of one way."""
        return tuple(each for each in self.changes if each.way == way)

    @property
    def counts(self) -> dict[str, int]:
        """How many went up, down, are gone, are new."""
        return {way: len(self.of(way)) for way in ("up", "down", "gone", "new")}


def before(price_list: PriceList) -> PriceList | None:
    """The list of the supplier that held before this one."""
    key = (price_list.valid_from, price_list.pk)
    lists = PriceList.objects.filter(supplier=price_list.supplier_id, valid_from__lte=price_list.valid_from)
    older = [each for each in lists.order_by("-valid_from", "-id") if (each.valid_from, each.pk) < key]
    return older[0] if older else None


def changes(price_list: PriceList) -> Changes:
    """What this list changed. Each number is compared at the break where it changed most."""
    older = before(price_list)
    if older is None:
        return Changes(None, ())
    was, now = _prices(older), _prices(price_list)
    found: list[Change] = []
    same = 0
    for sku, (name, breaks) in now.items():
        if sku not in was:
            found.append(Change(sku, name, "new", now=breaks[0][1], pieces=breaks[0][0]))
            continue
        share, pieces, old, new = _most(was[sku][1], breaks)
        if share == 0:
            same += 1
        else:
            found.append(Change(sku, name, "up" if share > 0 else "down", old, new, share, pieces))
    for sku, (name, breaks) in was.items():
        if sku not in now:
            found.append(Change(sku, name, "gone", was=breaks[0][1], pieces=breaks[0][0]))
    order = {"up": 0, "down": 0, "gone": 1, "new": 2}
    found.sort(key=lambda each: (order[each.way], -abs(each.share), each.sku))
    return Changes(older, tuple(found), same)


Breaks = list[tuple[int, Decimal]]


def _prices(price_list: PriceList) -> dict[str, tuple[str, Breaks]]:
    rows = Offer.objects.filter(list=price_list).values_list("sku", "name", "breaks")
    return {sku: (name, [(int(p), Decimal(v)) for p, v in breaks]) for sku, name, breaks in rows}


def price_at(breaks: Breaks, pieces: int) -> Decimal:
    """Price of one when so many are taken; below the first break, that of the first."""
    price = breaks[0][1]
    for count, value in breaks:
        if count <= pieces:
            price = value
    return price


def _most(was: Breaks, now: Breaks) -> tuple[float, int, Decimal, Decimal]:
    best = (0.0, now[0][0], was[0][1], now[0][1])
    for pieces in sorted({p for p, _ in (*was, *now)}):
        old, new = price_at(was, pieces), price_at(now, pieces)
        share = float(new / old - 1)
        if abs(share) > abs(best[0]):
            best = (share, pieces, old, new)
    return best


@dataclass(frozen=True)
class Point:
    """The price of one number in one list; None where the list does not have it."""

    since: date
    price: Decimal | None
    list: PriceList


def history(supplier: Supplier, sku: str, pieces: int = 1) -> tuple[Point, ...]:
    """Prices of one number when so many are taken, from the first list that has it on, oldest first."""
    rows = {o.list_id: o for o in Offer.objects.filter(supplier=supplier, sku=sku)}
    points: list[Point] = []
    for each in supplier.lists.order_by("valid_from", "id"):
        offer = rows.get(each.pk)
        if offer is None and not points:
            continue
        price = price_at([(int(p), Decimal(v)) for p, v in offer.breaks], pieces) if offer else None
        points.append(Point(each.valid_from, price, each))
    return tuple(points)
