"""Use by month as bars: numbers, not only lengths; a text that says the finding."""

from __future__ import annotations

import re
from datetime import date

from refettle.drawing.months import HIGH, month_bars


def bars(counts: list[int], first: int = 3) -> str:
    return month_bars([(date(2030, first + n, 1), count) for n, count in enumerate(counts)], what="C4u7 <50>")


def test_bars_are_as_long_as_their_numbers_say() -> None:
    drawn = bars([0, 4, 8])
    assert [float(h) for h in re.findall(r'mb-bar"[^>]* height="([\d.]+)"', drawn)] == [HIGH / 2, HIGH]
    assert re.findall(r'middle">(\d+)<', drawn) == ["4", "8"]
    assert "C4u7 &lt;50&gt;: 12 used in 3 months, most in 2030-05: 8" in drawn


def test_nothing_used_and_no_months() -> None:
    assert 'mb-bar"' not in bars([0, 0])
    assert "0 used in 2 months" in bars([0, 0])
    assert month_bars([], what="x") == ""
