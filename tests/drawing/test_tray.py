"""The tray and the screws: to scale, in the places' order, told in words."""

from __future__ import annotations

import re
from xml.etree import ElementTree

import pytest

from refettle.drawing.bands import resistor
from refettle.drawing.tray import WIDTH, Lying, place_order, screws, tray_map

LID = Lying("screw of the lid", "screw", "10", 4, 4, 12.0)
SHIELD = Lying("screw of the <shield>", "screw", "2", 3, 1, 6.0)


def widths(drawing: str) -> list[float]:
    return [float(width) for width in re.findall(r'class="tm-shank"[^>]* width="([\d.]+)"', drawing)]


def test_lengths_are_life_size_and_sorted() -> None:
    drawing = screws([LID, SHIELD])
    assert widths(drawing) == [6.0, 12.0]
    assert f'width="{WIDTH:g}mm"' in drawing
    assert "life-size" in drawing


def test_one_that_is_too_long_makes_all_smaller_alike() -> None:
    short, long = widths(screws([LID, Lying("rod", "other", "", 1, 1, 156.0)]))
    assert long / short == pytest.approx(156 / 12)
    assert "drawn at 50% of life" in screws([LID, Lying("rod", "other", "", 1, 1, 156.0)])


def test_nothing_to_draw() -> None:
    assert tray_map([]) == screws([]) == ""
    assert screws([Lying("lid", "cover", "1", 1, 1)]) == ""


def test_the_tray_says_what_lies_where_and_what_is_still_off() -> None:
    gone = Lying("foot", "other", "A", 1, 1, left_off=True)
    drawing = tray_map([LID, SHIELD, gone, Lying("lid", "cover", "", 1, 0)])
    root = ElementTree.fromstring(drawing)
    told = root.findtext("{http://www.w3.org/2000/svg}desc") or ""
    assert told == (
        "Place 2: 3 × screw of the <shield>, 6\u202fmm, 1 still off. Place 10: 4 × screw of the lid, 12\u202fmm, "
        "still off. Place A: 1 × foot, 1 left off. Place not named: 1 × lid, back"
    )
    assert drawing.count("tm-done") == 1


def test_every_word_stays_inside_its_place() -> None:
    item = "ausserordentlichlangerschraubenname " * 5
    drawing = tray_map([Lying(item.strip(), "screw", "1", 500, 500, 499.5)])
    assert max(len(row) for row in re.findall(r"tm-item[^>]*>([^<]+)<", drawing)) <= 20


def test_places_in_the_order_people_count() -> None:
    assert sorted(["10", "A2", "", "2", "A10", "1"], key=place_order) == ["1", "2", "10", "A2", "A10", ""]


def test_bands_are_named_below() -> None:
    drawing = resistor(["red", "red", "?", "|", "gold"], "2.2 kΩ")
    ElementTree.fromstring(drawing)
    assert "red, red, not read, wider gap, gold. First reading: 2.2 kΩ." in drawing
    assert drawing.count('class="rb-edge"') == 4
    with pytest.raises(ValueError, match="band 'mauve' found; allowed: black"):
        resistor(["mauve"])
