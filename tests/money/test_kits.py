"""Price of a kit, by hand."""

from __future__ import annotations

from decimal import Decimal

import pytest

from refettle.money.amounts import MoneyError
from refettle.money.kits import by_packs, kit_price, of_lots


def test_price_leaves_the_margin() -> None:
    made = kit_price(parts=4.20, minutes=5, rate=30, fee=1.30, margin=0.3)
    assert made.labour == pytest.approx(2.5)
    assert made.cost == pytest.approx(8.0)
    assert made.price == 11.5  # 8 / 0.7 = 11.43
    assert made.left(made.price) / made.price >= 0.3
    assert kit_price(7, 0, 30, 0, 0.3).price == 10.0  # exactly; not a tenth more by rounding


def test_packs_cost_their_left_over_too() -> None:
    breaks = [(1, Decimal("0.30")), (50, Decimal("0.10"))]
    made = by_packs(41, breaks, pack=10)
    assert (made.pieces, made.left_over, made.sum) == (50, 9, Decimal("5.00"))
    assert by_packs(3, breaks).sum == Decimal("0.90")
    with pytest.raises(MoneyError, match="allowed: from 50"):
        by_packs(3, breaks[1:])


def test_lots_oldest_first() -> None:
    lots = [(10, Decimal("0.20")), (5, None), (100, Decimal("0.40"))]
    assert of_lots(20, lots) == (Decimal("4.00"), 5, 0)
    assert of_lots(200, lots)[2] == 85


def test_refusals() -> None:
    with pytest.raises(MoneyError, match=r"margin: 1 found; allowed: 0 to 0.99"):
        kit_price(1, 1, 1, 1, 1.0)
