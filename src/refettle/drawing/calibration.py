"""Predicted against found, as one square chart in SVG: a point and its interval for each bin, on the line if fair.

The diagonal is where what was said is what came true. A point below it was promised too much, above it too little. The
text alternative says that, bin by bin.
"""

from __future__ import annotations

from html import escape

from refettle.language import tr
from refettle.proving.calibration import Bin, Calibration

SIZE, LEFT, TOP, SIDE = 400, 56, 26, 320
"""[px] of the chart, of the space for the figures on the left and above, and of the square."""
INK, PAPER, FAINT, ACCENT = "#25211a", "#fffdf7", "#cfc6b2", "#b4530a"
_FONT = 'font-family="system-ui, sans-serif" font-size="12"'


def calibration_chart(found: Calibration, said: str = "said", came: str = "came true") -> str:
    """The chart as one `<svg>` element; `said` and `came` name the axes, plain text."""
    about = escape(f"{found.text}. {'; '.join(_words(each) for each in found.bins)}.")
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" class="calibration" viewBox="0 0 {SIZE} {SIZE}" '
        f'width="{SIZE}" height="{SIZE}" role="img" aria-label="{about}">',
        f'<rect width="{SIZE}" height="{SIZE}" fill="{PAPER}"/>',
    ]
    for tick in range(0, 101, 20):
        x, y = _x(tick / 100), _y(tick / 100)
        parts += [
            f'<path d="M{x:.1f} {_y(0):.1f}V{_y(1):.1f}M{_x(0):.1f} {y:.1f}H{_x(1):.1f}" stroke="{FAINT}"/>',
            f'<text x="{x:.1f}" y="{_y(0) + 18:.1f}" text-anchor="middle" fill="{INK}" {_FONT}>{tick}</text>',
            f'<text x="{_x(0) - 8:.1f}" y="{y + 4:.1f}" text-anchor="end" fill="{INK}" {_FONT}>{tick}</text>',
        ]
    parts += [
        f'<path d="M{_x(0):.1f} {_y(0):.1f}L{_x(1):.1f} {_y(1):.1f}" stroke="{INK}" stroke-dasharray="5 4"/>',
        f'<text x="{_x(0.5):.1f}" y="{SIZE - 12}" text-anchor="middle" fill="{INK}" {_FONT}>{escape(said)}, %</text>',
        f'<text transform="translate(16 {_y(0.5):.1f}) rotate(-90)" text-anchor="middle" fill="{INK}" {_FONT}>'
        f"{escape(came)}, %</text>",
    ]
    for each in found.bins:
        x, y = _x(each.predicted), _y(each.rate)
        right = each.predicted < 0.8
        parts += [
            f'<path d="M{x:.1f} {_y(each.rate_low):.1f}V{_y(each.rate_high):.1f}" stroke="{ACCENT}" stroke-width="3"/>',
            f'<circle cx="{x:.1f}" cy="{y:.1f}" r="4.5" fill="{ACCENT}" stroke="{PAPER}"/>',
            f'<text x="{x + (9 if right else -9):.1f}" y="{y + (16 if right else -8):.1f}" '
            f'text-anchor="{"start" if right else "end"}" fill="{INK}" stroke="{PAPER}" stroke-width="3" '
            f'paint-order="stroke" {_FONT}>{each.cases}</text>',
        ]
    return "".join([*parts, "</svg>"])


def _words(each: Bin) -> str:
    way = (
        "as said"
        if each.agrees
        else tr("promised too much")
        if each.predicted > each.rate
        else tr("promised too little")
    )
    return tr(
        "said {predicted:.0f} %, came {rate:.0f} % of {cases}: {way}",
        predicted=100 * each.predicted,
        rate=100 * each.rate,
        cases=each.cases,
        way=way,
    )


def _x(share: float) -> float:
    return LEFT + SIDE * share


def _y(share: float) -> float:
    return TOP + SIDE * (1.0 - share)
