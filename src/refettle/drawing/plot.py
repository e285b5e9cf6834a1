"""Plots as SVG: lines over time or frequency, with marks, limits and bands, each named beside it.

The area of the data stretches to the page's width; letters and lines keep their size. All values of a trace stand in
its points, so that the page's script can zoom and read them off without asking again.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from math import isfinite
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from refettle.drawing.plot_data import MOST_POINTS, Floats, envelope, pieces, reduced
from refettle.drawing.plot_names import COLUMNS, LETTER_PX, LINE_PX, NARROW, Named, Shape, free_places
from refettle.drawing.plot_scale import Scale, around
from refettle.language import tr

WIDE, HIGH = 640.0, 260.0
"""The area of the data in the drawing's own units."""
MARK_ROWS = 3

Side = Literal["left", "right"]
Look = Literal["main", "second", "before", "model", "under"]
LOOKS: tuple[Look, ...] = ("main", "second", "before", "model", "under")

# Used when a drawing stands alone as a file; on a page the page's own sheet applies.
ALONE = """
.pl-bed{fill:#fffdf7;stroke:#8b8169;stroke-width:1}
.pl-grid{stroke:#cfc6b2;stroke-width:1}
.pl-tick,.pl-name,.pl-mark-name,.pl-title{font:12px system-ui,sans-serif;fill:#25211a}
.pl-title{font-weight:600}
.pl-name,.pl-mark-name{font-weight:600;stroke:#fffdf7;stroke-width:4;paint-order:stroke;stroke-linejoin:round}
.pl-line{fill:none;stroke:#25211a;stroke-width:1.6;stroke-linejoin:round;vector-effect:non-scaling-stroke}
.pl-second .pl-line{stroke:#3f8aa3;stroke-width:2}
.pl-before .pl-line{stroke:#8b8169;stroke-width:1.4}
.pl-model .pl-line{stroke:#b4530a;stroke-width:1.8}
.pl-under .pl-line{stroke:#cfc6b2;stroke-width:6}
.pl-swatch.pl-second{fill:#3f8aa3}.pl-swatch.pl-before,.pl-swatch.pl-under{fill:#8b8169}.pl-swatch.pl-model{fill:#b4530a}
.pl-band{fill:#25211a;fill-opacity:.13}
.pl-limit{stroke:#a3391b;stroke-width:1.6;stroke-dasharray:8 4}
.pl-mark{stroke:#5f584a;stroke-width:1}
.pl-point{fill:#25211a}
.pl-bar{fill:#8b8169}
.pl-bar-over{fill:#a3391b}
"""


@dataclass(frozen=True)
class Trace:
    """A line: `x` in the plot's unit, `y` in `unit`, on the left or the right axis. Gaps are NaN."""

    name: str
    x: ArrayLike
    y: ArrayLike
    unit: str = "V"
    side: Side = "left"
    look: Look = "main"


@dataclass(frozen=True)
class Band:
    """What lies between two lines, as a share of variants does. Units of the left axis."""

    name: str
    x: ArrayLike
    low: ArrayLike
    high: ArrayLike


@dataclass(frozen=True)
class Mark:
    """A place along the x axis; `y`: a dot at that height on the left axis."""

    x: float
    name: str = ""
    y: float | None = None


@dataclass(frozen=True)
class Limit:
    """A height that must be kept to, on an axis."""

    value: float
    name: str
    side: Side = "left"


def line_plot(
    traces: Sequence[Trace],
    *,
    title: str,
    says: str,
    x_unit: str = "s",
    log_x: bool = False,
    x_range: tuple[float, float] | None = None,
    y_range: tuple[float, float] | None = None,
    zero: bool = False,
    least: float = 0.0,
    bands: Sequence[Band] = (),
    marks: Sequence[Mark] = (),
    limits: Sequence[Limit] = (),
    small: bool = False,
    alone: bool = False,
    ident: str = "plot",
) -> str:
    """SVG text of lines over one x axis.

    Parameters
    ----------
    traces : sequence of Trace
        One or more. Long ones are reduced, peaks kept.
    title : str
        What is shown.
    says : str
        The finding in words: the text alternative.
    x_unit : str
    log_x : bool
        The x axis by ratios; what lies at 0 and below is left out.
    x_range, y_range : pair of float, optional
        Ends of the x axis and of the left axis; otherwise all of the data.
    zero : bool
        0 lies on the axes.
    least : float
        What the left axis spans at least, so that a small wavering is not drawn large.
    bands, marks, limits : optional
    small : bool
        Half as high.
    alone : bool
        True for a file of its own: carries its colours and its size with it.
    ident : str
        Prefix of the ids inside, unique on the page.

    Raises
    ------
    ValueError
        Nothing to draw, or data that is no line.
    """
    if not traces:
        raise ValueError(tr("plot: no trace found; allowed: one or more"))
    cut = [_cut(t, log_x, x_range) for t in traces]
    scale_x = _x_scale(cut, x_unit, log_x, x_range)
    drawn = [reduced(x, y, MOST_POINTS, log=log_x) for x, y in cut]
    sides: dict[Side, Scale] = {}
    for side in ("left", "right"):
        held = [y for t, (_, y) in zip(traces, drawn, strict=True) if t.side == side]
        if not held and side == "right":
            continue
        units = [t.unit for t in traces if t.side == side] or [traces[0].unit]
        extra = [limit.value for limit in limits if limit.side == side]
        if side == "left":
            extra += [float(v) for b in bands for row in (b.low, b.high) for v in _ends(row)]
        left = side == "left"
        sides[side] = _y_scale(held, extra, units[0], zero, least if left else 0.0, y_range if left else None)
    body = [_band(b, scale_x, sides["left"]) for b in bands]
    for trace, (x, y) in zip(traces, drawn, strict=True):
        body.append(_line(trace, x, y, scale_x, sides[trace.side]))
    shapes = [_envelope(t, d, scale_x, sides[t.side]) for t, d in zip(traces, drawn, strict=True)]
    heights = [(one.name, _height(one.value, sides[one.side])) for one in limits]
    named = free_places([t.name for t in traces], shapes, [h for h in heights if 0 <= h[1] <= 1], small)
    over = [_limit(y) for _, y in heights]
    marked, rows = _marks(marks, scale_x, sides["left"])
    over += marked
    over += [_label(each, traces) for each in named]
    return frame(
        "".join(body),
        "".join(over),
        scale_x,
        sides,
        title=title,
        says=says,
        rows=rows,
        small=small,
        alone=alone,
        ident=ident,
    )


def frame(
    body: str,
    over: str,
    scale_x: Scale,
    sides: dict[Side, Scale],
    *,
    title: str,
    says: str,
    rows: int = 0,
    small: bool = False,
    alone: bool = False,
    live: bool = True,
    ident: str = "plot",
) -> str:
    """The area with its axes around `body`, which stretches, and under `over`, which does not.

    Parameters
    ----------
    rows : int
        Lines of labels above the area.
    live : bool
        The page's script may zoom it and read it off.
    """
    css = "plot" + (" pl-small" if small else "") + (" pl-two" if "right" in sides else "") + f" pl-rows{rows}"
    axes = f'data-x="{scale_x.low:.9g} {scale_x.high:.9g} {escape(scale_x.unit)}"'
    axes += ' data-log="1"' if scale_x.log else ""
    for side, scale in sides.items():
        axes += f' data-{side}="{scale.low:.9g} {scale.high:.9g} {escape(scale.unit)}"'
    inside = (
        f'<rect class="pl-bed" width="100%" height="100%"/>{_grid(scale_x, sides, small)}'
        f'<svg class="pl-area" width="100%" height="100%" viewBox="0 0 {WIDE:g} {HIGH:g}" '
        f'preserveAspectRatio="none">{body}</svg>{over}'
    )
    live_here = ' data-plot="1"' if live else ""
    desc = f'<desc id="{ident}-desc">{escape(says)}</desc>'
    if alone:
        left, top, right, high = 78.0, 30.0 + 16 * rows, 78.0 if "right" in sides else 20.0, HIGH / 2 if small else HIGH
        return (
            f'<svg xmlns="http://www.w3.org/2000/svg" width="{left + WIDE + right:g}" height="{top + high + 30:g}" '
            f'role="img" aria-labelledby="{ident}-title {ident}-desc"><title id="{ident}-title">{escape(title)}</title>'
            f'{desc}<style>{ALONE}</style><rect width="100%" height="100%" fill="#fffdf7"/>'
            f'<text class="pl-title" x="10" y="18">{escape(title)}</text>'
            f'<svg x="{left:g}" y="{top:g}" width="{WIDE:g}" height="{high:g}" overflow="visible">{inside}</svg></svg>'
        )
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" class="{css}" id="{ident}" role="img" aria-label="{escape(title)}" '
        f'aria-describedby="{ident}-desc" {axes}{live_here}>{desc}{inside}</svg>'
    )


# ---------------------------------------------------------------- scales


def _cut(trace: Trace, log_x: bool, x_range: tuple[float, float] | None) -> tuple[Floats, Floats]:
    """The data in the range asked for, one point more at either side; on a log axis only above 0."""
    x, y = np.asarray(trace.x, dtype=np.float64), np.asarray(trace.y, dtype=np.float64)
    if x.shape != y.shape or x.ndim != 1:
        raise ValueError(
            tr(
                "{name}: shapes {first_shape} and {second_shape} found; allowed: two rows of the same length",
                name=trace.name,
                first_shape=x.shape,
                second_shape=y.shape,
            )
        )
    if log_x:
        x, y = x[x > 0], y[x > 0]
    if x_range is not None and x.size:
        first = max(0, int(np.searchsorted(x, x_range[0])) - 1)
        last = int(np.searchsorted(x, x_range[1], side="right")) + 1
        x, y = x[first:last], y[first:last]
    if not x.size or not np.isfinite(y).any():
        raise ValueError(tr("{name}: nothing to draw found; allowed: one finite sample or more", name=trace.name))
    return x, y


def _x_scale(cut: Sequence[tuple[Floats, Floats]], unit: str, log: bool, x_range: tuple[float, float] | None) -> Scale:
    low, high = x_range or (min(float(x[0]) for x, _ in cut), max(float(x[-1]) for x, _ in cut))
    if not low < high:
        low, high = (low / 2, low * 2) if log else (low - 0.5, low + 0.5)
    return Scale(low, high, unit, log)


def _y_scale(
    held: Sequence[Floats],
    extra: Sequence[float],
    unit: str,
    zero: bool,
    least: float,
    y_range: tuple[float, float] | None,
) -> Scale:
    if y_range is not None:
        return Scale(*y_range, unit)
    low = min([float(np.nanmin(np.where(np.isfinite(y), y, np.nan))) for y in held] + list(extra))
    high = max([float(np.nanmax(np.where(np.isfinite(y), y, np.nan))) for y in held] + list(extra))
    missing = max(0.0, least - (high - low)) / 2
    return around(low - missing, high + missing, unit, zero=zero)


def _ends(row: ArrayLike) -> tuple[float, ...]:
    values = np.asarray(row, dtype=np.float64)
    values = values[np.isfinite(values)]
    return (float(values.min()), float(values.max())) if values.size else ()


def _height(value: float, scale: Scale) -> float:
    """Share of the area's height, counted from its top."""
    return 1.0 - scale.place(value)


# ---------------------------------------------------------------- shapes


def _points(x: Floats, y: Floats, scale_x: Scale, scale_y: Scale) -> str:
    px = WIDE * _places(x, scale_x)
    py = HIGH * (1.0 - _places(y, scale_y))
    return " ".join(f"{a:.3f},{b:.2f}" for a, b in zip(px.tolist(), py.tolist(), strict=True))


def _places(values: Floats, scale: Scale) -> Floats:
    if scale.log:
        with np.errstate(divide="ignore", invalid="ignore"):
            found: Floats = np.log(values / scale.low) / np.log(scale.high / scale.low)
        return found
    return (values - scale.low) / (scale.high - scale.low)


def _line(trace: Trace, x: Floats, y: Floats, scale_x: Scale, scale_y: Scale) -> str:
    lines = []
    for px, py in pieces(x, y):
        if px.size == 1:  # one sample between gaps: a short stroke, or it would not be seen
            half = (scale_x.high - scale_x.low) / WIDE if not scale_x.log else 0.0
            px, py = np.array([px[0] - half, px[0] + half]), np.repeat(py, 2)
        lines.append(f'<polyline class="pl-line" points="{_points(px, py, scale_x, scale_y)}"/>')
    return (
        f'<g class="pl-trace pl-{trace.look}" data-trace="{escape(trace.name)}" data-side="{trace.side}">'
        f"{''.join(lines)}</g>"
    )


def _band(band: Band, scale_x: Scale, scale_y: Scale) -> str:
    x_low, low = reduced(band.x, band.low, 600)
    x_high, high = reduced(band.x, band.high, 600)
    up, down = _points(x_low, low, scale_x, scale_y), _points(x_high[::-1], high[::-1], scale_x, scale_y)
    return f'<polygon class="pl-band" data-band="{escape(band.name)}" points="{up} {down}"/>'


def _limit(height: float) -> str:
    if not 0 <= height <= 1:
        return ""
    return f'<line class="pl-limit" x2="100%" y1="{100 * height:.2f}%" y2="{100 * height:.2f}%"/>'


def _marks(marks: Sequence[Mark], scale_x: Scale, scale_y: Scale) -> tuple[list[str], int]:
    """Marks with their names in rows above the area, and how many rows; a name without room is left out."""
    rows: list[float] = []
    out = []
    for mark in sorted(marks, key=lambda m: m.x):
        x = scale_x.place(mark.x)
        if not 0 <= x <= 1:
            continue
        spot = f'data-at="{mark.x:.9g}"'
        top = _height(mark.y, scale_y) if mark.y is not None and isfinite(mark.y) else 1.0
        dot = f'<circle class="pl-point" {spot} cx="{100 * x:.3f}%" cy="{100 * top:.2f}%" r="3.5"/>' if top < 1 else ""
        half = LETTER_PX * len(mark.name) / 2 / NARROW
        row = next((n for n, end in enumerate(rows) if x - half > end), len(rows))
        line = f'<line class="pl-mark" {spot} x1="{100 * x:.3f}%" x2="{100 * x:.3f}%" y2="{100 * top:.2f}%"/>'
        name = ""
        if mark.name and row < MARK_ROWS:
            if row == len(rows):
                rows.append(0.0)
            rows[row] = x + half + 2 / NARROW
            name = (
                f'<text class="pl-mark-name" {spot} x="{100 * x:.3f}%" y="{-6 - LINE_PX * row:g}" '
                f'text-anchor="middle">{escape(mark.name)}</text>'
            )
        out.append(f"{line}{dot}{name}")
    return out, len(rows)


def _label(named: Named, traces: Sequence[Trace]) -> str:
    text = escape(named.text)
    beside = ""
    if named.trace is not None:
        beside = ' data-beside="1"'  # only while the whole axis is shown
        text = f'<tspan class="pl-swatch pl-{traces[named.trace].look}">\u2501\u2501</tspan> {text}'
    return (
        f'<text class="pl-name"{beside} x="{100 * named.x:.2f}%" y="{100 * named.y:.2f}%" dy=".35em" '
        f'text-anchor="middle">{text}</text>'
    )


def _grid(scale_x: Scale, sides: dict[Side, Scale], small: bool) -> str:
    out = ['<g data-ticks="x">']
    for tick in scale_x.ticks():
        x = f"{100 * scale_x.place(tick.value):.3f}%"
        out.append(f'<line class="pl-grid" x1="{x}" x2="{x}" y2="100%"/>')
        if tick.label:
            out.append(f'<text class="pl-tick" x="{x}" y="100%" dy="18" text-anchor="middle">{tick.label}</text>')
    out.append("</g>")
    for side, scale in sides.items():
        out.append(f'<g data-ticks="{side}">')
        for tick in scale.ticks(4 if small else 6):
            y = f"{100 * _height(tick.value, scale):.2f}%"
            if side == "left":
                out.append(f'<line class="pl-grid" x2="100%" y1="{y}" y2="{y}"/>')
            x, dx, anchor = ("0", "-6", "end") if side == "left" else ("100%", "6", "start")
            out.append(
                f'<text class="pl-tick" x="{x}" dx="{dx}" y="{y}" dy=".35em" text-anchor="{anchor}">{tick.label}</text>'
            )
        out.append("</g>")
    return "".join(out)


def _envelope(trace: Trace, data: tuple[Floats, Floats], scale_x: Scale, scale_y: Scale) -> Shape:
    """Top and bottom of a trace in each column, as shares of the height from the top."""
    least, most = envelope(_places(data[0], scale_x), data[1], COLUMNS)
    return 1.0 - _places(most, scale_y), 1.0 - _places(least, scale_y)
