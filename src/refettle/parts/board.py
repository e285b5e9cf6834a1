"""A board as plain values: its outline and its parts with pads, places and nets.

Places are seen from the front, x to the right and y downward, angles in degrees counter-clockwise as the layout files
give them. A part on the back has its pads where they are seen *through* the board from the front.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from math import cos, radians, sin
from types import MappingProxyType
from typing import Literal

Side = Literal["front", "back"]
NO_TEXTS: Mapping[str, str] = MappingProxyType({})
Spot = tuple[float, float]  # x, y [m]


def turned(x: float, y: float, angle: float) -> Spot:
    """(x, y) turned by `angle` [deg] counter-clockwise as seen, y being downward."""
    if not angle:
        return x, y
    turn = radians(angle)
    return x * cos(turn) + y * sin(turn), y * cos(turn) - x * sin(turn)


@dataclass(frozen=True, slots=True)
class Pad:
    """One pad. Places and sizes [m]; `angle` [deg]; `net` is empty where nothing is connected."""

    number: str
    x: float
    y: float
    width: float
    height: float
    angle: float
    round: bool
    through: bool
    net: str
    name: str = ""
    type: str = ""


@dataclass(frozen=True, slots=True)
class Body:
    """Outline of a part as printed: round (then width is the diameter) or a box turned by the part's angle. [m]"""

    x: float
    y: float
    width: float
    height: float
    round: bool = False


@dataclass(frozen=True, slots=True)
class Part:
    """One part on the board; `x`, `y` [m] and `angle` [deg] are those of its footprint.

    `plus_marks` and `minus_marks` are the places of polarity signs in the print. `placed` is False when no place is
    known (a parts list without coordinates).
    """

    ref: str
    value: str
    footprint: str
    side: Side
    x: float
    y: float
    angle: float
    pads: tuple[Pad, ...]
    body: Body | None
    about: str = ""
    fields: Mapping[str, str] = field(default_factory=lambda: NO_TEXTS)
    plus_marks: tuple[Spot, ...] = ()
    minus_marks: tuple[Spot, ...] = ()
    surface_mount: bool = False
    fitted: bool = True
    placed: bool = True
    line: int = 0


@dataclass(frozen=True)
class Board:
    """Everything read from a layout or a parts list.

    `outline` holds open or closed lines of the board's edge [m]; `notes` what the reader wants the restorer to know.
    """

    parts: tuple[Part, ...]
    outline: tuple[tuple[Spot, ...], ...]
    version: str
    title: str = ""
    notes: tuple[str, ...] = ()

    @cached_property
    def nets(self) -> frozenset[str]:
        """Names of the nets that reach a pad."""
        return frozenset(pad.net for part in self.parts for pad in part.pads if pad.net)

    @cached_property
    def bounds(self) -> tuple[float, float, float, float]:
        """Left, top, right, bottom [m] of the outline, or of the parts where there is no outline."""
        spots = [spot for line in self.outline for spot in line]
        if not spots:
            spots = [(pad.x, pad.y) for part in self.parts if part.placed for pad in part.pads]
            spots += [(part.x, part.y) for part in self.parts if part.placed]
        if not spots:
            return 0.0, 0.0, 0.0, 0.0
        across, down = [x for x, _ in spots], [y for _, y in spots]
        return min(across), min(down), max(across), max(down)


def corners(body: Body, angle: float) -> tuple[Spot, Spot, Spot, Spot]:
    """The four corners of a box body, turned with its part. [m]"""
    half_w, half_h = body.width / 2, body.height / 2
    around = []
    for sx, sy in ((-1, -1), (1, -1), (1, 1), (-1, 1)):
        x, y = turned(sx * half_w, sy * half_h, angle)
        around.append((body.x + x, body.y + y))
    return around[0], around[1], around[2], around[3]
