"""Prices drawn: well formed, and the text alternative says the finding."""

from __future__ import annotations

import itertools
from datetime import date
from decimal import Decimal
from xml.etree import ElementTree

import pytest

from refettle.drawing.prices import change_bar, price_steps

D = Decimal


@pytest.mark.parametrize(
    ("prices", "says"),
    [
        ([D("0.50"), D("0.60")], "from 0.50 EUR in 2026-01-01 to 0.60, 20 % up"),
        ([D("0.60"), D("0.45")], "from 0.60 EUR in 2026-01-01 to 0.45, 25 % down"),
        ([D("0.50")], "0.50 EUR since 2026-01-01"),
        ([D("0.50"), D("0.60"), None], "20 % up, no longer in the newest list"),
    ],
)
def test_a_price_over_the_lists(prices: list[Decimal | None], says: str) -> None:
    points = [(date(2026, 1 + 2 * n, 1), price) for n, price in enumerate(prices)]
    drawn = ElementTree.fromstring(price_steps(points, "EUR", date(2026, 12, 1)))
    assert says in drawn.attrib["aria-label"]
    line = next(each for each in drawn if each.attrib.get("class") == "pr-line").attrib["d"]
    heights = [float(piece.split("H")[0].split()[1]) for piece in line.replace("M", "L").split("L")[1:] if "H" in piece]
    known = [price for price in prices if price is not None]
    # Dearer is higher on the page, which is a smaller y.
    assert [a > b for a, b in itertools.pairwise(heights)] == [a < b for a, b in itertools.pairwise(known)]


def test_nothing_is_drawn_without_a_price() -> None:
    assert price_steps([(date(2026, 1, 1), None)], "EUR", date(2026, 2, 1)) == ""


def test_a_bar_goes_right_for_dearer_and_left_for_cheaper() -> None:
    up, down = (ElementTree.fromstring(change_bar(share, 0.4)) for share in (0.4, -0.1))
    assert (up[1].attrib["x"], up[1].attrib["width"]) == ("50.0%", "50.0%")
    assert (down[1].attrib["x"], down[1].attrib["width"]) == ("37.5%", "12.5%")
