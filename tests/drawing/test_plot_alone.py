"""A plot of a page stands by itself: its shares of the area become the lengths that its curve is drawn in."""

from __future__ import annotations

import re
from xml.etree import ElementTree

import pytest

from refettle.drawing.plot import Limit, Mark, Trace, line_plot
from refettle.drawing.plot_alone import stand_alone

DRAWN = line_plot(
    [Trace("one", [0.0, 1.0, 2.0], [0.0, 4.0, 8.0])],
    title="Ramp",
    says="It rises.",
    y_range=(0.0, 8.0),
    x_range=(0.0, 2.0),
    marks=[Mark(1.0, "middle", 4.0)],
    limits=[Limit(4.0, "half")],
)


def test_marks_lie_on_the_curve_and_no_share_is_left() -> None:
    made = stand_alone(DRAWN)
    ElementTree.fromstring(made)  # well formed
    shapes = made.split("</style>")[1]
    assert "%" not in re.sub(r">[^<]*<", "><", shapes)
    dot = re.search(r'<circle class="pl-point"[^>]* cx="([0-9.]+)" cy="([0-9.]+)"', made)
    assert dot is not None
    # The area is 640 by 260: the middle of a ramp over the whole of it.
    assert (float(dot[1]), float(dot[2])) == (320.0, 130.0)
    limit = re.search(r'<line class="pl-limit" x2="([0-9.]+)" y1="([0-9.]+)"', made)
    assert limit is not None
    assert (float(limit[1]), float(limit[2])) == (640.0, 130.0)


def test_other_drawings_are_refused() -> None:
    with pytest.raises(ValueError, match="allowed: a drawing of line_plot"):
        stand_alone("<svg></svg>")
