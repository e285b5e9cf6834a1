"""What a kit costs to make, and the price that leaves the wanted margin.

    cost = parts + minutes * rate / 60 + fees
    price = cost / (1 - margin)

Common practice, no source. Parts cost what was paid for the lots they come from, the oldest first; what the stores lack
is bought by whole packs.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from math import ceil

from refettle.language import tr
from refettle.money.amounts import MOST, MoneyError, within


@dataclass(frozen=True, slots=True)
class Bought:
    """Pieces got for a want: so many whole packs' worth, at a price of one [currency], and what is left over."""

    pieces: int
    each: Decimal
    left_over: int

    @property
    def sum(self) -> Decimal:
        """[currency]."""
        return self.pieces * self.each


def by_packs(wanted: int, breaks: Sequence[tuple[int, Decimal]], pack: int = 1, least: int = 1) -> Bought:
    """What so many pieces cost where they are sold by whole packs, at the price for the pieces bought.

    Parameters
    ----------
    wanted : int
    breaks : sequence of (int, Decimal)
        From so many pieces, the price of one.
    pack, least : int
        Pieces in a pack; fewest pieces sold.

    Raises
    ------
    MoneyError
        Nothing wanted, no prices, or none for so few.
    """
    if wanted < 1 or pack < 1 or not breaks:
        raise MoneyError(
            tr(
                "pieces: {wanted} in packs of {pack} found; allowed: 1 or more, with at least one price",
                wanted=wanted,
                pack=pack,
            )
        )
    pieces = ceil(max(wanted, least) / pack) * pack
    held = [price for start, price in sorted(breaks) if start <= pieces]
    if not held:
        raise MoneyError(
            tr(
                "pieces: {pieces} found; allowed: from {breaks}",
                pieces=pieces,
                breaks=min(start for start, _ in breaks),
            )
        )
    return Bought(pieces, held[-1], pieces - wanted)


def of_lots(wanted: int, lots: Sequence[tuple[int, Decimal | None]]) -> tuple[Decimal, int, int]:
    """The sum for so many pieces from these lots in order, as (pieces, price of one or None).

    Gives the sum of those with a price, how many of them had none, and how many the lots lack.
    """
    total, unpriced, left = Decimal(0), 0, wanted
    for pieces, price in lots:
        taken = min(left, pieces)
        left -= taken
        if price is None:
            unpriced += taken
        else:
            total += taken * price
    return total, unpriced, left


@dataclass(frozen=True, slots=True)
class KitPrice:
    """The sum of one kit [currency]."""

    parts: float
    labour: float
    fee: float
    margin: float

    @property
    def cost(self) -> float:
        """What one costs to make."""
        return self.parts + self.labour + self.fee

    @property
    def price(self) -> float:
        """What leaves the wanted margin, rounded up to a tenth."""
        return ceil(round(self.cost / (1.0 - self.margin) * 10.0, 6)) / 10.0

    def left(self, price: float) -> float:
        """What a price leaves above the cost; below 0 is a loss."""
        return price - self.cost


def kit_price(parts: float, minutes: float, rate: float, fee: float, margin: float) -> KitPrice:
    """The price of one kit.

    Parameters
    ----------
    parts, fee : float
        Of one kit [currency].
    minutes : float
        At the bench for one [min].
    rate : float
        Bench rate [currency per hour].
    margin : float
        Share of the price that is to be left, 0 to below 1.

    Raises
    ------
    MoneyError
        A value out of range.
    """
    for name, value, high in (
        ("parts", parts, MOST),
        ("minutes", minutes, 1e5),
        ("rate", rate, MOST),
        ("fee", fee, MOST),
    ):
        within(name, value, 0.0, high)
    within("margin", margin, 0.0, 0.99)
    return KitPrice(parts, minutes * rate / 60.0, fee, margin)
