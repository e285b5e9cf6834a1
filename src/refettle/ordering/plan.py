"""What comes out: the order as plain values, ready to be told or placed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from fractions import Fraction
from typing import Literal

from refettle.ordering.model import CENT


@dataclass(frozen=True, slots=True)
class Purchase:
    """What is bought of an offer. Prices in the supplier's currency, `cost` in that of the terms.

    `spare` pieces are not needed; `why_spare` says why they are bought all the same.
    """

    supplier: str
    sku: str
    part: str
    packs: int
    pieces: int
    price_each: Decimal
    currency: str
    cost: Decimal
    arrives: date
    spare: int
    why_spare: str


@dataclass(frozen=True, slots=True)
class Parcel:
    """An order to one supplier, in the currency of the terms; `free_shipping` where the goods have earned it."""

    supplier: str
    goods: Decimal
    shipping: Decimal
    free_shipping: bool
    arrives: date


@dataclass(frozen=True, slots=True)
class Serving:
    """Pieces of a part for a line, out of the stores (`supplier` and `sku` empty) or out of a purchase."""

    line: str
    job: str
    part: str
    quantity: int
    supplier: str
    sku: str
    arrives: date | None


@dataclass(frozen=True, slots=True)
class Substitute:
    """Another part than the one asked for, why it does, and what it saves against the asked one.

    `saves` [money] is proven, or a least or most; None where the asked part cannot be had, or was not worked out.
    """

    line: str
    asked: str
    part: str
    quantity: int
    why: str
    saves: Decimal | None
    how: Literal["proven", "at most", "not to be had", "not worked out"]
    says: str


@dataclass(frozen=True, slots=True)
class Short:
    """Pieces that a line does not get, and why."""

    line: str
    job: str
    part: str
    pieces: int
    reason: Literal["nobody sells it", "too late", "too few", "suppliers", "spending", "others need it", "not found"]
    says: str


@dataclass(frozen=True, slots=True)
class Other:
    """Another order to compare with: what it counts, and how much more that is. `short`: lines it does not serve."""

    what: str
    counted: Decimal
    more: Decimal
    suppliers: tuple[str, ...]
    short: tuple[str, ...]
    proven: bool
    says: str


@dataclass(frozen=True, slots=True)
class Share:
    """What a job bears: its parts at the price paid, and in proportion surplus and shipping. To the cent."""

    job: str
    parts: Decimal
    surplus: Decimal
    shipping: Decimal
    total: Decimal


@dataclass(frozen=True)
class Plan:
    """The order. `total` is paid, exact; `counted` is what was made least: paid, and `penalty` of fitting.

    `gap` is what the cheapest may still be below `counted`; less than half a cent makes it `proven`.
    """

    currency: str
    goods: Decimal
    shipping: Decimal
    penalty: Decimal
    total: Decimal
    counted: Decimal
    gap: Decimal
    proven: bool
    tidy: bool
    stopped: bool
    says: str
    parcels: tuple[Parcel, ...]
    purchases: tuple[Purchase, ...]
    servings: tuple[Serving, ...]
    short: tuple[Short, ...]
    substitutes: tuple[Substitute, ...]
    second_best: tuple[Other, ...]
    compared: tuple[Other, ...]
    shares: tuple[Share, ...]
    notes: tuple[str, ...]


def cents(value: Decimal) -> Decimal:
    """An amount to the cent."""
    return value.quantize(CENT)


def to_cents(exact: Sequence[Fraction], total: Decimal) -> list[Decimal]:
    """Amounts to the cent that add up to `total`: rounded down, then a cent more where most was cut off."""
    units = [each * 100 for each in exact]
    whole = [int(unit) for unit in units]
    missing = int(total * 100) - sum(whole)
    by_rest = sorted(range(len(units)), key=lambda n: (whole[n] - units[n], n))
    for n in by_rest[: max(0, missing)]:
        whole[n] += 1
    return [Decimal(unit) * CENT for unit in whole]
