"""Free places for the names of lines, close to each and hiding none."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from refettle.drawing.plot_data import Floats

NARROW = 260.0
"""[px] A narrow area, on a phone; labels find their places for that."""
LETTER_PX, LINE_PX = 7.3, 15.0
"""[px] A label's letter and line: averages of common screen fonts, estimate."""
COLUMNS = 60

Box = tuple[float, float, float, float]
Shape = tuple[Floats, Floats]
"""Top and bottom of a line in each column, as shares of the height from the top."""


@dataclass(frozen=True)
class Named:
    """A label that found its place: its middle as shares of the area, from the left and from the top.

    `trace`: the number of the line it belongs to; none for a limit.
    """

    text: str
    x: float
    y: float
    trace: int | None = None


def free_places(
    names: Sequence[str], shapes: Sequence[Shape], limits: Sequence[tuple[str, float]], small: bool
) -> list[Named]:
    """A free place close to each line: to the right for traces, to the left for limits. One line alone needs no name.

    Parameters
    ----------
    names, shapes : sequence
        Of the traces.
    limits : sequence of (name, height)
        Heights as shares from the top; an empty name is an obstacle only.
    """
    high = LINE_PX / (130.0 if small else 260.0)
    flat = [(name, (np.full(COLUMNS, y - 0.005), np.full(COLUMNS, y + 0.005))) for name, y in limits]
    every = [*shapes, *(shape for _, shape in flat)]
    wanted: list[tuple[str, Shape, int | None]] = [(name, shape, None) for name, shape in flat]
    if len([n for n in names if n]) > 1:
        wanted += [(name, shape, n) for n, (name, shape) in enumerate(zip(names, shapes, strict=True))]
    placed: list[Box] = []
    out = []
    for name, (tops, bottoms), trace in wanted:
        half = LETTER_PX * (len(name) + (0 if trace is None else 3)) / 2 / NARROW
        best: tuple[float, float, float] | None = None
        for column in range(COLUMNS if name else 0):
            x = (column + 0.5) / COLUMNS
            if x - half < 0.01 or x + half > 0.99 or not np.isfinite(tops[column]):
                continue
            under = slice(max(0, int((x - half) * COLUMNS)), min(COLUMNS, int((x + half) * COLUMNS) + 1))
            for y in (_least(tops[under]) - 0.6 * high, _most(bottoms[under]) + 0.6 * high):
                box = (x - half, y - high / 2, x + half, y + high / 2)
                cost = _cost(box, under, every, placed) + 0.3 * (x if trace is None else 1 - x)
                if best is None or cost < best[0]:
                    best = cost, x, y
        if best is None:
            continue
        _, x, y = best
        y = min(max(y, high / 2), 1 - high / 2)
        placed.append((x - half, y - high / 2, x + half, y + high / 2))
        out.append(Named(name, x, y, trace))
    return out


def _least(values: Floats) -> float:
    return float(np.nanmin(values)) if np.isfinite(values).any() else 0.5


def _most(values: Floats) -> float:
    return float(np.nanmax(values)) if np.isfinite(values).any() else 0.5


def _cost(
    box: Box,
    under: slice,
    shapes: Sequence[Shape],
    placed: Sequence[Box],
) -> float:
    """How much a label there would hide."""
    left, top, right, bottom = box
    hidden = 0.0
    for tops, bottoms in shapes:
        hit = (tops[under] < bottom) & (bottoms[under] > top)
        hidden += float(np.count_nonzero(hit))
    hidden += sum(100.0 for a, b, c, d in placed if left < c and a < right and top < d and b < bottom)
    return hidden + (20.0 if top < 0 or bottom > 1 else 0.0)
