"""Long data for a plot: fewer points, every peak kept."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import ArrayLike, NDArray

from refettle.language import tr

MOST_POINTS = 6000
"""Points of one trace on a page; more are not told apart on any screen."""

Floats = NDArray[np.float64]


def reduced(x: ArrayLike, y: ArrayLike, most: int = MOST_POINTS, *, log: bool = False) -> tuple[Floats, Floats]:
    """The smallest and the largest sample of each column, at their own places, in their own order.

    Parameters
    ----------
    x, y : array, shape (n,)
        `x` in order. Samples of `y` that are not finite are gaps and stay gaps.
    most : int
        Points wanted at most; data of no more comes back as it is.
    log : bool
        Columns of equal ratio of `x` (all above 0) instead of equal width.

    Returns
    -------
    x, y : array
        A choice of the samples, none made up.

    Raises
    ------
    ValueError
        Shapes that differ, nothing in it, or `x` out of order.
    """
    xs, ys = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    if xs.shape != ys.shape or xs.ndim != 1 or not xs.size:
        raise ValueError(
            tr(
                "trace: shapes {first_shape} and {second_shape} found; allowed: two rows of the same length",
                first_shape=xs.shape,
                second_shape=ys.shape,
            )
        )
    if xs.size <= most:
        return xs, ys
    if np.any(np.diff(xs) < 0):
        raise ValueError(tr("trace: x runs backwards; allowed: x in order"))
    place = np.log(xs) if log else xs
    columns = max(1, most // 3)
    edges = np.unique(np.searchsorted(place, np.linspace(place[0], place[-1], columns + 1)[:-1]))
    low_fill, high_fill = np.where(np.isfinite(ys), ys, np.inf), np.where(np.isfinite(ys), ys, -np.inf)
    picked = [xs.size - 1]
    for start, stop in zip(edges, [*edges[1:], xs.size], strict=True):
        low, high = start + low_fill[start:stop].argmin(), start + high_fill[start:stop].argmax()
        picked += [start, low, high]
    chosen = np.unique(picked)
    return xs[chosen], ys[chosen]


def pieces(x: Floats, y: Floats) -> Iterator[tuple[Floats, Floats]]:
    """The stretches between gaps."""
    good = np.isfinite(x) & np.isfinite(y)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], good.view(np.int8), [0]])))
    for start, stop in zip(edges[::2], edges[1::2], strict=True):
        yield x[start:stop], y[start:stop]


def envelope(place: Floats, y: Floats, columns: int) -> tuple[Floats, Floats]:
    """Smallest and largest value in each of `columns` parts of the axis; NaN where there is none.

    Parameters
    ----------
    place : array
        0 to 1 along the axis.
    """
    least, most = np.full(columns, np.nan), np.full(columns, np.nan)
    for px, py in pieces(place, y):
        # A line between two far points passes through the columns between them.
        between = np.linspace(px[0], px[-1], 4 * columns) if px.size > 1 else px
        at = np.concatenate([px, between])
        values = np.interp(at, px, py)
        column = np.floor(at * columns).astype(int)
        inside = (column >= 0) & (column < columns)
        np.fmin.at(least, column[inside], values[inside])
        np.fmax.at(most, column[inside], values[inside])
    return least, most
