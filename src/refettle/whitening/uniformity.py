"""How even a region is: a map of its yellowness, and the streaks and over-bleached spots on it.

The yellowness index is a ratio, so the map shows colour and not shading. A cell is smoothed with its neighbours and
compared with a wider mean about it; cells that stand out together are a spot, long ones a streak.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from refettle.language import mark, tr
from refettle.whitening.cells import Cells, Mask
from refettle.whitening.colour import Floats, yellowness

STANDS_OUT = 2.0
"""YI by which a cell stands out at least: estimate."""
TIMES_NOISE = 4.0
OVER_BLEACHED = 2.0
"""YI below the unexposed reference from which a spot is called over-bleached: estimate."""
LONG = 3.0
"""Times its width, the length from which a spot is a streak: estimate."""
LEAST_CELLS = 8
MOST_SPOTS = 20

Kind = Literal["streak", "spot"]


_SAID: dict[tuple[str, Kind], str] = {
    ("over-bleached", "streak"): mark("over-bleached streak, YI {difference}, {share:.1f} % of the region"),
    ("over-bleached", "spot"): mark("over-bleached spot, YI {difference}, {share:.1f} % of the region"),
    ("yellower", "streak"): mark("yellower streak, YI {difference}, {share:.1f} % of the region"),
    ("yellower", "spot"): mark("yellower spot, YI {difference}, {share:.1f} % of the region"),
    ("paler", "streak"): mark("paler streak, YI {difference}, {share:.1f} % of the region"),
    ("paler", "spot"): mark("paler spot, YI {difference}, {share:.1f} % of the region"),
}


@dataclass(frozen=True, slots=True)
class Spot:
    """`kind`; `over_bleached`; `yi`, how far it is above (yellower) or below the region's middle; `x`, `y`, its middle
    as fractions of the photo; `share` of the region.
    """

    kind: Kind
    over_bleached: bool
    yi: float
    x: float
    y: float
    share: float

    @property
    def text(self) -> str:
        """In words."""
        tint = "over-bleached" if self.over_bleached else "yellower" if self.yi > 0 else "paler"
        off = f"{self.yi:+.1f}".replace("-", "−")
        return tr(_SAID[tint, self.kind], difference=off, share=100 * self.share)


@dataclass(frozen=True, slots=True)
class Field:
    """`yi` (rows x columns), smoothed, nan where there is nothing to read; `left`, `top`, `step` [pixels]; `spread`,
    the middle 90 % of it; `spots`, the largest first.
    """

    yi: Floats
    left: int
    top: int
    step: int
    spread: float
    spots: tuple[Spot, ...]


def field_of(
    cells: Cells, xyz: Floats, keep: Mask, reference: float | None = None, size: tuple[int, int] = (1, 1)
) -> Field:
    """The map of one region.

    Parameters
    ----------
    cells, xyz, keep
        The region, XYZ of every cell, and which of them count.
    reference : float
        YI of the unexposed plastic, for over-bleached spots.
    size : tuple
        [pixels] width and height of the photo, for where spots lie.
    """
    smooth = _smoothed(xyz, keep, 1)
    yi = np.where(keep, yellowness(smooth), np.nan)
    known = yi[keep]
    spread = float(np.diff(np.percentile(known, [5, 95]))[0])
    plain = keep
    for _ in range(2):  # once with all, once without what stands out, which would leave a halo
        wide = yellowness(_smoothed(xyz, plain, max(3, max(keep.shape) // 6)))
        apart = np.where(keep & np.isfinite(wide), yi - wide, 0.0)
        noise = 1.4826 * float(np.median(np.abs(apart[plain] - np.median(apart[plain]))))
        least = max(STANDS_OUT, TIMES_NOISE * noise)
        plain = keep & (np.abs(apart) <= least)
    over = keep & (yi < reference - OVER_BLEACHED) if reference is not None else np.zeros_like(keep)
    if over.sum() > 0.5 * keep.sum():  # the region as a whole, said of the region
        over = np.zeros_like(keep)
    pale = over | (keep & (apart < -least))
    spots = [*_spots(pale, over, yi, keep, cells, size), *_spots(keep & (apart > least), over, yi, keep, cells, size)]
    spots.sort(key=lambda spot: (not spot.over_bleached, -spot.share))
    return Field(yi, cells.left, cells.top, cells.step, spread, tuple(spots[:MOST_SPOTS]))


def _smoothed(xyz: Floats, keep: Mask, reach: int) -> Floats:
    """Mean of the cells that count, within `reach` cells each way."""
    weight = _box(keep.astype(float), reach)
    total = np.stack([_box(np.where(keep, xyz[..., k], 0.0), reach) for k in range(3)], axis=-1)
    return np.asarray(np.where(weight[..., None] > 0.5, total / np.maximum(weight, 1.0)[..., None], np.nan))


def _box(values: Floats, reach: int) -> Floats:
    """Sums over squares of 2 reach + 1 cells; 0 beyond the edges."""
    rows, columns = values.shape
    summed = np.zeros((rows + 1, columns + 1))
    summed[1:, 1:] = values.cumsum(axis=0).cumsum(axis=1)
    top, bottom = np.maximum(np.arange(rows) - reach, 0), np.minimum(np.arange(rows) + reach + 1, rows)
    left, right = np.maximum(np.arange(columns) - reach, 0), np.minimum(np.arange(columns) + reach + 1, columns)
    down = summed[bottom] - summed[top]
    return np.asarray(down[:, right] - down[:, left], dtype=float)


def _spots(stands_out: Mask, over: Mask, yi: Floats, keep: Mask, cells: Cells, size: tuple[int, int]) -> list[Spot]:
    import cv2

    if stands_out.sum() < LEAST_CELLS:
        return []
    count, labels = cv2.connectedComponents(stands_out.astype(np.uint8), connectivity=8)
    middle = float(np.median(yi[keep]))
    found = []
    for label in range(1, count):
        rows, columns = np.nonzero(labels == label)
        if len(rows) < LEAST_CELLS:
            continue
        along = np.linalg.eigvalsh(np.cov(np.stack([rows, columns])) + np.eye(2) / 12)
        kind: Kind = "streak" if along[1] > LONG**2 * along[0] else "spot"
        x = (cells.left + (columns.mean() + 0.5) * cells.step) / size[0]
        y = (cells.top + (rows.mean() + 0.5) * cells.step) / size[1]
        off = float(np.mean(yi[rows, columns])) - middle
        over_bleached = int(over[rows, columns].sum()) >= LEAST_CELLS
        found.append(Spot(kind, over_bleached, off, float(x), float(y), len(rows) / float(keep.sum())))
    return found
