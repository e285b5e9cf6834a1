"""An order drawn: a bar for each supplier, as long as what it costs, cut by who gets what, each piece labelled."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from html import escape

from refettle.language import local, tr

WIDE, LEFT, BAR, LETTER = 720.0, 8.0, 30.0, 6.7
HEAD, ROW, GAP = 20.0, 15.0, 20.0
MOST_PIECES = 10
"""Pieces drawn of one bar; the smallest beyond are one piece."""


@dataclass(frozen=True)
class Slice:
    """What one of them bears of an order; `post` for shipping, `spare` for what nobody needs yet."""

    name: str
    cost: Decimal
    kind: str = ""


@dataclass(frozen=True)
class Bar:
    """An order to one supplier, in the currency of all."""

    name: str
    slices: tuple[Slice, ...]

    @property
    def total(self) -> Decimal:
        """What it costs."""
        return sum((each.cost for each in self.slices), Decimal(0))


def order_bars(bars: Sequence[Bar], currency: str) -> str:
    """SVG text of all bars on one scale; nothing where nothing is bought."""
    shown = [bar for bar in bars if bar.total > 0]
    if not shown:
        return ""
    scale = (WIDE - 2 * LEFT) / float(max(bar.total for bar in shown))
    y, parts = 0.0, []
    for bar in shown:
        drawn, high = _bar(bar, y, scale, currency)
        parts += drawn
        y += high + GAP
    says = "; ".join(_says(bar, currency) for bar in shown)
    return (
        f'<svg class="order-bars" viewBox="0 0 {WIDE:g} {y:.0f}" width="{WIDE:g}" height="{y:.0f}" role="img" '
        f'aria-label="{escape(says)}">{"".join(parts)}</svg>'
    )


def _bar(bar: Bar, top: float, scale: float, currency: str) -> tuple[list[str], float]:
    """The bar with its labels, and how high all of it is."""
    parts = [
        f'<text class="ob-name" x="{LEFT:g}" y="{top + 14:g}">{escape(bar.name)}: {_amount(bar.total)} '
        f"{currency}</text>"
    ]
    x, y = LEFT, top + HEAD
    below: list[tuple[float, str]] = []
    for place, each in enumerate(_few(bar.slices)):
        wide = float(each.cost) * scale
        kind = f"ob-{each.kind}" if each.kind else f"ob-{place % 2}"
        parts.append(f'<rect class="{kind}" x="{x:.1f}" y="{y:g}" width="{max(wide, 1.0):.1f}" height="{BAR:g}"/>')
        words = f"{each.name} {_amount(each.cost)}"
        if len(words) * LETTER + 8 <= wide:
            parts.append(f'<text class="ob-in" x="{x + 5:.1f}" y="{y + 19:g}">{escape(words)}</text>')
        else:
            below.append((x + wide / 2, words))
        x += wide
    # From the right to the left, each beginning under its piece: no lead crosses a label.
    rows: list[float] = []
    for middle, words in reversed(below):
        long = len(words) * LETTER
        start = max(0.0, min(middle - 3, WIDE - LEFT - long))
        row = next((n for n, begin in enumerate(rows) if start + long + 8 <= begin), len(rows))
        if row == len(rows):
            rows.append(WIDE)
        rows[row] = start
        base = y + BAR + 16 + row * ROW
        parts.append(f'<path class="ob-lead" d="M{middle:.1f} {y + BAR:g}V{base - 10:g}"/>')
        parts.append(f'<text class="ob-text" x="{start:.1f}" y="{base:g}">{escape(words)}</text>')
    return parts, HEAD + BAR + (8 + ROW * len(rows) if rows else 0.0)


def _few(slices: Sequence[Slice]) -> list[Slice]:
    """The slices with something in them, the smallest of too many put together; post and spare last."""
    own = sorted((s for s in slices if not s.kind and s.cost > 0), key=lambda s: -s.cost)
    rest = [s for s in slices if s.kind and s.cost > 0]
    room = MOST_PIECES - len(rest)
    if len(own) > room:
        others = own[room - 1 :]
        own = [
            *own[: room - 1],
            Slice(tr("{others} others", others=len(others)), sum((s.cost for s in others), Decimal(0))),
        ]
    return [*own, *rest]


def _amount(value: Decimal) -> str:
    return local(f"{value:.2f}")


def _says(bar: Bar, currency: str) -> str:
    told = ", ".join(f"{each.name} {_amount(each.cost)}" for each in _few(bar.slices))
    return f"{bar.name} {_amount(bar.total)} {currency}: {told}"
