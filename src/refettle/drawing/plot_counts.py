"""Counts and figures drawn as bars: how many variants fall where, and figures side by side against a limit."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

import numpy as np
from numpy.typing import ArrayLike

from refettle.drawing.plot import ALONE, HIGH, WIDE, Limit, frame
from refettle.drawing.plot_scale import Scale, around
from refettle.language import tr
from refettle.quantities import show

BINS = 40
BAR_HIGH, ROW_HIGH = 14.0, 44.0


def histogram(
    values: ArrayLike,
    *,
    title: str,
    says: str,
    unit: str = "V",
    limit: Limit | None = None,
    bad_below: bool = True,
    alone: bool = False,
    ident: str = "histogram",
) -> str:
    """How many of the values fall where; those on the bad side of a limit are darker and hatched by their outline.

    Parameters
    ----------
    values : array
        [unit] What is not finite is left out, and said.
    limit : Limit, optional
    bad_below : bool
        Which side of the limit is the bad one.

    Raises
    ------
    ValueError
        Nothing finite.
    """
    every = np.asarray(values, dtype=np.float64).ravel()
    held = every[np.isfinite(every)]
    if not held.size:
        raise ValueError(tr("{title}: nothing to count found; allowed: one finite value or more", title=title))
    if held.size < every.size:
        says = tr(
            "{says} {left_out} of {all} values are not finite and are left out.",
            says=says,
            left_out=every.size - held.size,
            all=every.size,
        )
    extra = [limit.value] if limit is not None else []
    scale = around(min(held.min(), *extra, held.max()), max(held.max(), *extra, held.min()), unit, room=0.04)
    edges = np.linspace(scale.low, scale.high, BINS + 1)
    if limit is not None:  # no bin straddles the limit
        step = edges[1] - edges[0]
        edges = limit.value + step * np.arange(
            np.floor((scale.low - limit.value) / step), np.ceil((scale.high - limit.value) / step) + 1
        )
        scale = Scale(float(edges[0]), float(edges[-1]), unit)
    counts, _ = np.histogram(held, edges)
    most = counts.max() or 1
    bars = []
    for low, high, tall in zip(edges[:-1], edges[1:], counts, strict=True):
        if tall <= 0:
            continue
        x, wide = WIDE * scale.place(low), WIDE * (high - low) / (scale.high - scale.low)
        bad = limit is not None and (((low + high) / 2 < limit.value) == bad_below)
        y = HIGH * (1 - 0.94 * tall / most)
        bars.append(
            f'<rect class="pl-bar{" pl-bar-over" if bad else ""}" x="{x:.2f}" y="{y:.2f}" width="{wide:.2f}" '
            f'height="{HIGH - y:.2f}"/>'
        )
    over, rows = "", 0
    if limit is not None:
        x = 100 * scale.place(limit.value)
        anchor = "start" if x < 25 or (not bad_below and x < 75) else "end"
        over = (
            f'<line class="pl-limit" x1="{x:.2f}%" x2="{x:.2f}%" y2="100%"/>'
            f'<text class="pl-mark-name" x="{x:.2f}%" y="-6" text-anchor="{anchor}">{escape(limit.name)}</text>'
        )
        rows = 1
    return frame(
        "".join(bars), over, scale, {}, title=title, says=says, rows=rows, alone=alone, live=False, ident=ident
    )


@dataclass(frozen=True)
class Bar:
    """One figure with its limit, if it has one of its own, the interval it is known in, and words in its place."""

    name: str
    value: float
    limit: float | None = None
    low: float | None = None
    high: float | None = None
    told: str = ""


def bars(
    rows: Sequence[Bar],
    *,
    title: str,
    says: str,
    unit: str,
    limit: Limit | None = None,
    bad_below: bool = False,
    alone: bool = False,
    ident: str = "bars",
) -> str:
    """Figures side by side as lying bars, each named above, with its limit; past the limit is said in words too.

    Parameters
    ----------
    limit : Limit, optional
        One limit for all.
    bad_below : bool
        Which side of the limits is the bad one.

    Raises
    ------
    ValueError
        No rows.
    """
    if not rows:
        raise ValueError(tr("{title}: no figure found; allowed: one or more", title=title))
    ends = [0.0] + [v for r in rows for v in (r.value, r.limit, r.low, r.high) if v is not None]
    ends += [limit.value] if limit is not None else []
    scale = Scale(min(ends), max(max(ends) * 1.02, min(ends) + 1e-12), unit)
    zero = 100 * scale.place(0.0)
    high = ROW_HIGH * len(rows) + (20 if limit is not None else 4)
    out = []
    for n, row in enumerate(rows):
        y = ROW_HIGH * n + (20 if limit is not None else 4)
        end = 100 * scale.place(row.value)
        bound = row.limit if row.limit is not None else limit.value if limit is not None else None
        over = bound is not None and (row.value < bound if bad_below else row.value > bound)
        told = f"{row.name}: {row.told or show(row.value, unit)}"
        if row.limit is not None:
            told += f" of {show(row.limit, unit)}"
        told += f", {'under' if bad_below else 'over'}" if over else ""
        out.append(
            f'<text class="pl-tick pl-told{" pl-strong" if over else ""}" x="0" y="{y + 14:g}">{escape(told)}</text>'
        )
        out.append(
            f'<rect class="pl-bar{" pl-bar-over" if over else ""}" x="{min(zero, end):.2f}%" y="{y + 20:g}" '
            f'width="{abs(end - zero):.2f}%" height="{BAR_HIGH:g}"/>'
        )
        if row.low is not None and row.high is not None:
            a, b, mid = 100 * scale.place(row.low), 100 * scale.place(row.high), y + 20 + BAR_HIGH / 2
            out.append(f'<line class="pl-reach" x1="{a:.2f}%" x2="{b:.2f}%" y1="{mid:g}" y2="{mid:g}"/>')
        if row.limit is not None:
            x = 100 * scale.place(row.limit)
            out.append(f'<line class="pl-limit" x1="{x:.2f}%" x2="{x:.2f}%" y1="{y + 17:g}" y2="{y + 37:g}"/>')
    if limit is not None:
        x = 100 * scale.place(limit.value)
        anchor = "start" if x < 50 else "end"
        out.append(f'<line class="pl-limit" x1="{x:.2f}%" x2="{x:.2f}%" y1="16" y2="{high:g}"/>')
        out.append(f'<text class="pl-mark-name" x="{x:.2f}%" y="12" text-anchor="{anchor}">{escape(limit.name)}</text>')
    size = f'width="{WIDE:g}"' if alone else 'width="100%"'
    style = f"<style>{ALONE}</style>" if alone else ""
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" class="plot-bars" id="{ident}" {size} height="{high:g}" role="img" '
        f'aria-label="{escape(title)}" aria-describedby="{ident}-desc"><desc id="{ident}-desc">{escape(says)}</desc>'
        f"{style}{''.join(out)}</svg>"
    )
