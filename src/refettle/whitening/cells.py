"""Pixels of a photo taken together into cells, in linear light, and which of them can be trusted.

The mean of a cell is taken after the values have been turned into light: a mean of the values themselves is darker, and
off in colour. What is clipped holds no colour. A mirrored lamp adds white: such cells are brighter and less coloured,
and as much of the light comes on in blue as in the rest, which tells them from bleached spots.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from refettle.whitening.colour import Floats, white_xyz, yellowness
from refettle.whitening.picture import Picture

CLIPPED = 250
"""Value from which a channel counts as clipped."""
CLIPPED_MOST = 0.05
"""Share of clipped pixels from which a cell is left out."""
ACROSS = 120
"""Cells along the longer side of a region, at most."""
SHINE_BRIGHTER = 0.08
"""How much brighter than its surroundings a cell with a mirrored lamp is, at least: estimate."""
SHINE_WHITE = 1.6
"""What shine adds in blue, times what it adds in light, at most; bleaching adds about three times: estimate."""
SHINE_YELLOWNESS = 1.0
"""YI by which such a cell is below the middle, at least: estimate."""
_PIXELS_AT_ONCE = 1_000_000

Mask = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Cells:
    """A region in cells of `step` x `step` pixels, the first at pixel `left`, `top`.

    `linear` (rows x columns x 3), mean linear RGB; `clipped` (rows x columns), share of clipped pixels; `inside`, which
    cells lie in the region altogether.
    """

    left: int
    top: int
    step: int
    linear: Floats
    clipped: Floats
    inside: Mask

    @property
    def count(self) -> int:
        """How many cells lie inside."""
        return int(self.inside.sum())

    def whole(self) -> Mask:
        """Inside and not clipped."""
        return self.inside & (self.clipped <= CLIPPED_MOST)

    @property
    def clipped_share(self) -> float:
        """Of the cells inside, the share that is clipped."""
        return 1.0 - float(self.whole().sum()) / self.count if self.count else 0.0


def area_of(polygon: Floats) -> float:
    """Of a polygon (n x 2), in its own units squared."""
    x, y = polygon.T
    return float(abs(np.dot(x, np.roll(y, 1)) - np.dot(y, np.roll(x, 1))) / 2)


def inside_of(polygon: Floats, x: Floats, y: Floats) -> Mask:
    """Which points lie in a polygon (n x 2), by the even-odd rule."""
    found = np.zeros(np.broadcast(x, y).shape, dtype=bool)
    for (x1, y1), (x2, y2) in zip(polygon, np.roll(polygon, -1, axis=0), strict=True):
        if y1 == y2:
            continue
        crosses = (y1 > y) != (y2 > y)
        found ^= crosses & (x < (x2 - x1) * (y - y1) / (y2 - y1) + x1)
    return found


def cells_of(picture: Picture, polygon: Floats, across: int = ACROSS) -> Cells:
    """The cells of a region.

    Parameters
    ----------
    picture : Picture
    polygon : array (n x 2)
        [pixels] its corners in order; what lies outside the photo is left out.
    across : int
        Cells along its longer side, at most.
    """
    low = np.floor(polygon.min(axis=0) + 0.5).astype(int)
    high = np.ceil(polygon.max(axis=0) + 0.5).astype(int)
    left, top = (int(v) for v in np.maximum(low, 0))
    right, bottom = (int(v) for v in np.minimum(high, (picture.width, picture.height)))
    step = max(1, -(-max(right - left, bottom - top) // across))
    columns, rows = max(0, right - left) // step, max(0, bottom - top) // step
    if not columns or not rows:
        nothing = np.zeros((0, 0))
        return Cells(left, top, step, np.zeros((0, 0, 3)), nothing, nothing.astype(bool))
    part = picture.code[top : top + rows * step, left : left + columns * step]
    linear, clipped = _means(part, picture.profile.light, step)
    edge_x: Floats = left - 0.5 + np.arange(columns + 1, dtype=float) * step
    edge_y: Floats = top - 0.5 + np.arange(rows + 1, dtype=float) * step
    corner = inside_of(polygon, edge_x[None, :], edge_y[:, None])
    inside = corner[:-1, :-1] & corner[1:, :-1] & corner[:-1, 1:] & corner[1:, 1:]
    return Cells(left, top, step, linear, clipped, inside)


def _means(code: NDArray[np.uint8], light: Floats, step: int) -> tuple[Floats, Floats]:
    """Mean linear RGB and share of clipped pixels of every cell; a band of cells at a time, for memory."""
    rows, columns = code.shape[0] // step, code.shape[1] // step
    linear = np.empty((rows, columns, 3))
    clipped = np.empty((rows, columns))
    tables = light.astype(np.float32)
    same = bool((tables == tables[0]).all())
    band = max(1, _PIXELS_AT_ONCE // (step * step * columns))
    for first in range(0, rows, band):
        part = code[first * step : (first + band) * step]
        n = part.shape[0] // step
        values = tables[0][part] if same else np.stack([tables[k][part[..., k]] for k in range(3)], axis=-1)
        tall = values.reshape(n, step, -1).sum(axis=1)
        linear[first : first + n] = tall.reshape(n, columns, step, 3).sum(axis=2) / (step * step)
        largest = np.maximum(np.maximum(part[..., 0], part[..., 1]), part[..., 2])
        lost = (largest >= CLIPPED).reshape(n, step, -1).sum(axis=1, dtype=np.uint16)
        clipped[first : first + n] = lost.reshape(n, columns, step).sum(axis=2, dtype=np.uint32) / (step * step)
    return linear, clipped


def shine(xyz: Floats, keep: Mask) -> Mask:
    """Which cells hold a mirrored lamp: wet or glossy plastic.

    Parameters
    ----------
    xyz : array (rows x columns x 3)
        Of every cell.
    keep : mask
        The cells looked at.
    """
    found = np.zeros(keep.shape, dtype=bool)
    if keep.sum() < 12:
        return found
    rows, columns = np.nonzero(keep)
    light = np.log(np.maximum(xyz[keep][:, 1], 1e-6))
    slope = np.column_stack([np.ones(len(rows)), rows, columns])
    near = np.ones(len(rows), dtype=bool)
    for _ in range(3):  # a plane through the darker, larger part: shading is even, shine stands out
        plane, *_rest = np.linalg.lstsq(slope[near], light[near], rcond=None)
        above = light - slope @ plane
        fresh = above < max(0.03, 1.5 * float(np.median(np.abs(above[near]))))
        if fresh.sum() < 12:
            break
        near = fresh
    middle = np.median(xyz[keep][near], axis=0)
    body = middle * np.exp(slope @ plane - np.log(max(float(middle[1]), 1e-6)))[:, None]
    added = (xyz[keep] - body) / white_xyz()
    bright = above > SHINE_BRIGHTER
    white = added[:, 2] < SHINE_WHITE * added[:, 1]
    paler = yellowness(xyz[keep]) < float(yellowness(middle)) - SHINE_YELLOWNESS
    found[rows, columns] = bright & white & paler
    return found
