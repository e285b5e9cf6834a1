"""The sequential test drawn: the count where it stands, and the finding as text."""

from __future__ import annotations

import re
from xml.etree import ElementTree

import pytest

from refettle.drawing.decision_lines import HEIGHT, WIDTH, decision_lines
from refettle.proving.sequential import follow, sequential_test


@pytest.mark.parametrize("order", [[], [False] * 5, [False, True, False], [True] * 3, [False] * 200])
def test_it_stays_on_its_paper_and_tells_what_it_finds(order: list[bool]) -> None:
    test = sequential_test(0.012, 0.116)
    decision = follow(test, order)
    svg = decision_lines(test, order, decision)
    root = ElementTree.fromstring(svg)
    desc = root.find("desc")
    assert desc is not None
    assert desc.text == f"{decision.text[0].upper()}{decision.text[1:]}."
    for points in re.findall(r'points="([^"]+)"', svg):
        for pair in points.split():
            x, y = (float(v) for v in pair.split(","))
            assert 0 <= x <= WIDTH
            assert 0 <= y <= HEIGHT
