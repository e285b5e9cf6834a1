"""Regions marked on a photo: polygons with a name, on the card in millimetres or in fractions of the photo.

Fractions run from 0 at the left or top edge to 1 at the right or bottom, in the upright photo. With a card in the photo
they are turned into millimetres once, and hold for every later photo with the card lying in the same place.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from math import isfinite
from typing import Any, Literal, get_args

import numpy as np

from refettle.language import mark, tr
from refettle.whitening.card import Card, Point
from refettle.whitening.cells import area_of
from refettle.whitening.colour import Floats
from refettle.whitening.markers import Found
from refettle.whitening.picture import Picture

Frame = Literal["card", "photo"]
FRAMES: tuple[Frame, ...] = get_args(Frame)
REFERENCE = "reference"
"""The name of the region of unexposed plastic where no other is given."""
MOST_REGIONS, MOST_POINTS = 50, 100
FARTHEST = 2000.0
"""[mm] from the card's corner."""
PLANE = mark("marks are carried by the card and hold only in its plane: flat, and the card where it lay")


class RegionError(ValueError):
    """A region that cannot be used; says what was found and what is allowed."""


@dataclass(frozen=True, slots=True)
class Region:
    """`points` in order round it, three or more: [mm] on the card, or fractions of the photo, as `frame` says."""

    name: str
    points: tuple[Point, ...]
    frame: Frame = "photo"

    def __post_init__(self) -> None:
        if not re.fullmatch(r"\S(?:.{0,38}\S)?", self.name) or any(c in self.name for c in "=,"):
            raise RegionError(
                tr("name {name!r} found; allowed: 1 to 40 letters, no = and no comma", name=self.name[:50])
            )
        if self.frame not in FRAMES:
            raise RegionError(
                tr(
                    "{name}: frame {frame!r} found; allowed: {frames}",
                    name=self.name,
                    frame=self.frame,
                    frames=", ".join(FRAMES),
                )
            )
        if not 3 <= len(self.points) <= MOST_POINTS:
            raise RegionError(
                tr(
                    "{name}: {points} points found; allowed: 3 to {most_points}",
                    name=self.name,
                    points=len(self.points),
                    most_points=MOST_POINTS,
                )
            )
        low, high, what = (0.0, 1.0, "") if self.frame == "photo" else (-FARTHEST, FARTHEST, " mm")
        for value in (v for point in self.points for v in point):
            if not isfinite(value) or not low <= value <= high:
                raise RegionError(
                    tr(
                        "{name}: {value:g}{unit} found; allowed: {low:g} to {high:g}{unit}",
                        name=self.name,
                        value=value,
                        unit=what,
                        low=low,
                        high=high,
                    )
                )
        if area_of(np.array(self.points)) <= 0.0:
            raise RegionError(tr("{name}: points on one line found; allowed: a polygon with an area", name=self.name))


def read_region(text: str) -> Region:
    """`NAME=x,y,x,y` (two opposite corners) or `NAME=x,y,x,y,x,y...` (all corners), in fractions of the photo."""
    name, equals, rest = text.partition("=")
    try:
        values = [float(v) for v in rest.split(",")]
    except ValueError:
        values = []
    if not equals or len(values) < 4 or len(values) % 2:
        raise RegionError(
            tr("{text!r} found; allowed: NAME=x,y,x,y, two corners in fractions of the photo, or more", text=text[:60])
        )
    points = list(zip(values[::2], values[1::2], strict=True))
    if len(points) == 2:
        (x1, y1), (x2, y2) = points
        points = [(x1, y1), (x2, y1), (x2, y2), (x1, y2)]
    return Region(name.strip(), tuple(points))


def read_regions(value: Any) -> tuple[tuple[Region, ...], str | None]:
    """Regions and the name of the reference, from `{"frame": ..., "reference": ..., "regions": {NAME: [[x, y], ...]}}`.

    RegionError names the field.
    """
    if not isinstance(value, Mapping):
        raise RegionError(tr("no object found; allowed: an object with frame, regions and, if there is one, reference"))
    if unknown := sorted(set(value) - {"frame", "regions", "reference", "card"}):
        raise RegionError(tr("field {unknown!r} found; allowed: frame, regions, reference, card", unknown=unknown[0]))
    frame, named, reference = value.get("frame", "photo"), value.get("regions"), value.get("reference")
    if frame not in FRAMES:
        raise RegionError(tr("frame: {frame!r} found; allowed: {frames}", frame=frame, frames=", ".join(FRAMES)))
    if not isinstance(named, Mapping) or not 1 <= len(named) <= MOST_REGIONS:
        raise RegionError(
            tr(
                "regions: found {named}; allowed: 1 to {most_regions} names, each with its points",
                named=_short(named),
                most_regions=MOST_REGIONS,
            )
        )
    regions = []
    for name, points in named.items():
        pairs = points if isinstance(points, list) else []
        if not pairs or not all(isinstance(p, list) and len(p) == 2 and all(_number(v) for v in p) for p in pairs):
            raise RegionError(
                tr(
                    "regions, {name}: found {points}; allowed: a list of points [x, y]",
                    name=name,
                    points=_short(points),
                )
            )
        regions.append(Region(str(name), tuple((float(x), float(y)) for x, y in pairs), frame))
    if reference is not None and not (isinstance(reference, str) and reference in named):
        raise RegionError(
            tr(
                "reference: {reference} found; allowed: one of {named}",
                reference=_short(reference),
                named=", ".join(named),
            )
        )
    return tuple(regions), reference


def _number(value: object) -> bool:
    return isinstance(value, float) or (isinstance(value, int) and not isinstance(value, bool) and abs(value) < 10**15)


def _short(value: object) -> str:
    return "nothing" if value is None else repr(value)[:40]


def written(regions: Iterable[Region], reference: str | None = None) -> dict[str, Any]:
    """The regions, all of one frame, as `read_regions` reads them."""
    kept = tuple(regions)
    frames = {region.frame for region in kept}
    if len(frames) != 1:
        raise RegionError(tr("regions of both frames found; allowed: all on the card, or all on the photo"))
    named = {region.name: [[round(x, 5), round(y, 5)] for x, y in region.points] for region in kept}
    return {"frame": frames.pop(), "reference": reference, "regions": named}


def reference_place(card: Card) -> Region:
    """The place on the card where a small part lies with its unexposed side up."""
    return Region(REFERENCE, card.reference.inner(0.7).corners, "card")


def pixels_of(region: Region, picture: Picture, found: Found | None) -> Floats:
    """[pixels] of a region in this photo (n x 2). RegionError where it is on a card that is not there."""
    points = np.array(region.points)
    if region.frame == "photo":
        return np.asarray(points * (picture.width, picture.height) - 0.5, dtype=float)
    if found is None:
        raise RegionError(
            tr("{name}: marked on a card, and no card in the photo; allowed: marks on the photo", name=region.name)
        )
    pixels = found.pixels(points)
    if not np.isfinite(pixels).all():
        raise RegionError(
            tr("{name}: lies behind the camera in this photo; allowed: a region in the photo", name=region.name)
        )
    return pixels


def carried(region: Region, picture: Picture, found: Found) -> Region:
    """The region in millimetres on the card, for later photos."""
    if region.frame == "card":
        return region
    points = found.millimetres(pixels_of(region, picture, found))
    if not np.isfinite(points).all() or np.abs(points).max() > FARTHEST:
        raise RegionError(
            tr(
                "{name}: lies too far from the card; allowed: within {farthest:g} mm",
                name=region.name,
                farthest=FARTHEST,
            )
        )
    return Region(region.name, tuple((float(x), float(y)) for x, y in points), "card")
