"""A plot of a page as a drawing of its own, for paper and files: it carries its colours and its size with it."""

from __future__ import annotations

import re

from refettle.drawing.plot import ALONE, HIGH, WIDE
from refettle.language import tr

PRINTED = (
    ".pl-name,.pl-mark-name{stroke:none}.pl-bed{fill:#fff}.pl-second .pl-line{stroke:#555;stroke-dasharray:6 2}"
    ".pl-model .pl-line{stroke:#000;stroke-dasharray:2 2}.pl-before .pl-line{stroke:#888}.pl-limit{stroke:#000}"
    ".pl-swatch.pl-model{fill:#000}.pl-swatch.pl-under{fill:#bbb}.pl-swatch.pl-second{fill:#555}"
    ".pl-tick,.pl-name,.pl-mark-name{font-family:'DejaVu Sans','Liberation Sans',sans-serif}"
)
"""Beside `plot.ALONE`: told apart in grey, and no outline around letters, which not every printer draws behind them."""
_ACROSS = re.compile(r'\b(x|x1|x2|cx|width)="(-?[0-9.]+)%"')
_DOWN = re.compile(r'\b(y|y1|y2|cy|height)="(-?[0-9.]+)%"')
_OPEN = re.compile(r'<svg [^>]*class="plot([^"]*)"[^>]*>')


def stand_alone(svg: str) -> str:
    """The drawing made by `plot.line_plot` for a page, with what it needs to stand by itself.

    Raises
    ------
    ValueError
        Text that is no such drawing.
    """
    opened = _OPEN.match(svg.strip())
    if opened is None or not svg.rstrip().endswith("</svg>"):
        raise ValueError(tr("plot: {svg!r} found; allowed: a drawing of line_plot", svg=svg[:40]))
    looks = opened.group(1).split()
    rows = next((int(each[7:]) for each in looks if each.startswith("pl-rows")), 0)
    high = HIGH / 2 if "pl-small" in looks else HIGH
    inside = _measured(svg.strip()[opened.end() : -len("</svg>")], high)
    left, top, right = 84.0, 12.0 + 16 * rows, 84.0 if "pl-two" in looks else 20.0
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{left + WIDE + right:g}" height="{top + high + 30:g}" '
        f'viewBox="0 0 {left + WIDE + right:g} {top + high + 30:g}" role="img"><style>{ALONE}{PRINTED}</style>'
        f'<svg x="{left:g}" y="{top:g}" width="{WIDE:g}" height="{high:g}" overflow="visible">{inside}</svg></svg>'
    )


def _measured(inside: str, high: float) -> str:
    """Shares of the area as lengths: not every printer takes a share of the innermost drawing."""
    inside = _ACROSS.sub(lambda m: f'{m[1]}="{float(m[2]) * WIDE / 100:.6g}"', inside)
    return _DOWN.sub(lambda m: f'{m[1]}="{float(m[2]) * high / 100:.6g}"', inside)
