"""Colour of a plastic: tristimulus values, CIELAB, yellowness index, colour difference.

Everything here is for D65 and the 2° observer, which is what photos in sRGB and Display P3 are made for. XYZ has Y = 1
for the perfect white. The last axis of every array holds the three values of a colour.

Yellowness: YI = 100 (Cx X - Cz Z) / Y, ASTM E313, Cx = 1.2985 and Cz = 1.1335 for D65/2°. A ratio of XYZ: shading does
not change it in linear light. It is for white and near-white things of one material and gloss, with a dominant
wavelength of 570 to 580 nm (E313-20); on coloured or dark plastic b* and the colour difference are what counts.

CIEDE2000: Sharma, Wu and Dalal, Color Research and Application 30(1), 2005, 21-30.
"""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from refettle.language import mark

Floats = NDArray[np.float64]

CONDITION = mark("ASTM E313, D65/2°")
"""Printed beside every yellowness index: indices of other lights, observers or the old D1925 are other numbers."""
YELLOWNESS = (1.2985, 1.1335)
"""Cx and Cz for D65/2° (table of E313-15e1 as the library colour-science prints it)."""
WHITE_XY = (0.3127, 0.3290)
DOMINANT = (570.0, 580.0)
"""[nm] for which the yellowness index is meant (E313-20)."""
NEUTRAL_CHROMA = 5.0
"""C* below which a colour counts as near white whatever its hue: estimate."""
DARK_L = 40.0
"""L* below which a plastic counts as dark: estimate."""
PRIMARIES = {
    "sRGB": ((0.640, 0.330), (0.300, 0.600), (0.150, 0.060)),
    "Display P3": ((0.680, 0.320), (0.265, 0.690), (0.150, 0.060)),
}
"""xy of red, green, blue: IEC 61966-2-1, and SMPTE EG 432-1 with the D65 white."""

_LOCUS = {
    550: (0.3016, 0.6923), 555: (0.3373, 0.6589), 560: (0.3731, 0.6245), 565: (0.4087, 0.5896),
    570: (0.4441, 0.5547), 575: (0.4788, 0.5202), 580: (0.5125, 0.4866), 585: (0.5448, 0.4544),
    590: (0.5752, 0.4242), 595: (0.6029, 0.3965), 600: (0.6270, 0.3725), 610: (0.6658, 0.3340),
    620: (0.6915, 0.3083),
}  # fmt: skip
"""xy of single wavelengths [nm], CIE 1931: from memory, checked against a colour library in the tests."""


def white_xyz() -> Floats:
    """XYZ of the D65 white, Y = 1."""
    x, y = WHITE_XY
    return np.array([x / y, 1.0, (1.0 - x - y) / y])


def rgb_matrix(space: str = "sRGB") -> Floats:
    """3 x 3 from linear RGB of `space`, a key of PRIMARIES, to XYZ."""
    columns = np.array([[x / y, 1.0, (1.0 - x - y) / y] for x, y in PRIMARIES[space]]).T
    return np.asarray(columns * np.linalg.solve(columns, white_xyz()), dtype=float)


def decode_srgb(code: ArrayLike) -> Floats:
    """Linear light, 0 to 1, of sRGB or Display P3 values 0 to 1 (IEC 61966-2-1)."""
    c = np.asarray(code, dtype=float)
    return np.asarray(np.where(c <= 0.04045, c / 12.92, ((np.maximum(c, 0.0) + 0.055) / 1.055) ** 2.4), dtype=float)


def encode_srgb(linear: ArrayLike) -> Floats:
    """sRGB values 0 to 1 of linear light, held within 0 to 1."""
    v = np.clip(np.asarray(linear, dtype=float), 0.0, 1.0)
    return np.asarray(np.where(v <= 0.0031308, 12.92 * v, 1.055 * v ** (1 / 2.4) - 0.055), dtype=float)


def xyz(linear: ArrayLike, space: str = "sRGB") -> Floats:
    """XYZ of linear RGB."""
    return np.asarray(np.asarray(linear, dtype=float) @ rgb_matrix(space).T, dtype=float)


def lab(xyz_value: ArrayLike) -> Floats:
    """L*, a*, b* of XYZ, against the D65 white (CIE 15)."""
    t = np.asarray(xyz_value, dtype=float) / white_xyz()
    f = np.where(t > (6 / 29) ** 3, np.cbrt(t), t / (3 * (6 / 29) ** 2) + 4 / 29)
    x, y, z = f[..., 0], f[..., 1], f[..., 2]
    return np.stack([116 * y - 16, 500 * (x - y), 200 * (y - z)], axis=-1)


def yellowness(xyz_value: ArrayLike) -> Floats:
    """YI for D65/2°; nan where Y is not above 0."""
    v = np.asarray(xyz_value, dtype=float)
    cx, cz = YELLOWNESS
    y = np.where(v[..., 1] > 0, v[..., 1], np.nan)
    return np.asarray(100.0 * (cx * v[..., 0] - cz * v[..., 2]) / y, dtype=float)


def difference(one: ArrayLike, other: ArrayLike) -> Floats:
    """CIEDE2000 of two CIELAB colours, all weights 1."""
    one, other = np.asarray(one, dtype=float), np.asarray(other, dtype=float)
    l1, a1, b1 = one[..., 0], one[..., 1], one[..., 2]
    l2, a2, b2 = other[..., 0], other[..., 1], other[..., 2]
    mean_c7 = ((np.hypot(a1, b1) + np.hypot(a2, b2)) / 2) ** 7
    g = 1 + 0.5 * (1 - np.sqrt(mean_c7 / (mean_c7 + 25.0**7)))
    c1, c2 = np.hypot(g * a1, b1), np.hypot(g * a2, b2)
    h1, h2 = (np.degrees(np.arctan2(b, g * a)) % 360 for a, b in ((a1, b1), (a2, b2)))
    grey = c1 * c2 == 0
    # Half a turn apart, up to rounding, the paper takes the way that does not pass through 0°.
    wraps = ~grey & (np.abs(h1 - h2) > 180 + 1e-9)
    apart = np.where(grey, 0.0, h2 - h1 - np.where(wraps, np.copysign(360.0, h2 - h1), 0.0))
    dl, dc = l2 - l1, c2 - c1
    dh = 2 * np.sqrt(c1 * c2) * np.sin(np.radians(apart / 2))
    l, c = (l1 + l2) / 2, (c1 + c2) / 2  # noqa: E741 - the paper's letter
    turned = np.where(h1 + h2 < 360, 360.0, -360.0)
    h = np.where(grey, h1 + h2, (h1 + h2 + np.where(wraps, turned, 0.0)) / 2)
    t = (
        1
        - 0.17 * np.cos(np.radians(h - 30))
        + 0.24 * np.cos(np.radians(2 * h))
        + 0.32 * np.cos(np.radians(3 * h + 6))
        - 0.20 * np.cos(np.radians(4 * h - 63))
    )
    sl = 1 + 0.015 * (l - 50) ** 2 / np.sqrt(20 + (l - 50) ** 2)
    sc, sh = 1 + 0.045 * c, 1 + 0.015 * c * t
    rc = 2 * np.sqrt(c**7 / (c**7 + 25.0**7))
    rt = -np.sin(np.radians(60 * np.exp(-(((h - 275) / 25) ** 2)))) * rc
    total = (dl / sl) ** 2 + (dc / sc) ** 2 + (dh / sh) ** 2 + rt * (dc / sc) * (dh / sh)
    return np.asarray(np.sqrt(np.maximum(total, 0.0)), dtype=float)


def dominant_wavelength(xyz_value: ArrayLike) -> float | None:
    """[nm] between 550 and 620 where the line from the D65 white through one colour meets the edge of all colours.

    None for the white itself and for colours that lie elsewhere: green, blue, purple, deep red.
    """
    x, y, z = np.asarray(xyz_value, dtype=float)
    total = x + y + z
    if total <= 0:
        return None
    dx, dy = x / total - WHITE_XY[0], y / total - WHITE_XY[1]
    if np.hypot(dx, dy) < 1e-6:
        return None
    angle = np.arctan2(dy, dx)
    nm = np.array(list(_LOCUS), dtype=float)
    edge = np.array(list(_LOCUS.values())) - WHITE_XY
    angles = np.arctan2(edge[:, 1], edge[:, 0])
    if not angles[-1] <= angle <= angles[0]:
        return None
    k = min(int(np.searchsorted(-angles, -angle, side="right")) - 1, len(nm) - 2)
    (x1, y1), (x2, y2) = edge[k], edge[k + 1]
    # Where the ray meets the straight line between two points of the edge.
    share = (x1 * dy - y1 * dx) / ((y2 - y1) * dx - (x2 - x1) * dy)
    return float(nm[k] + share * (nm[k + 1] - nm[k]))


Scope = Literal["yes", "coloured", "dark"]
SCOPES: dict[Scope, str] = {
    "yes": mark("white or near white, or yellow of 570 to 580 nm"),
    "coloured": mark(
        "coloured: the yellowness index is for white and near-white plastics; go by b* and the difference"
    ),
    "dark": mark("dark: the yellowness index is for white and near-white plastics; go by b* and the difference"),
}


def in_scope(xyz_value: ArrayLike, leeway: float = 0.0) -> Scope:
    """Whether one colour is such that the yellowness index means something.

    Parameters
    ----------
    xyz_value : array
        One colour, Y = 1 for white.
    leeway : float
        [nm] added at either end of 570 to 580 nm for what the measurement itself may be off.
    """
    light, a, b = lab(xyz_value)
    if light < DARK_L:
        return "dark"
    if np.hypot(a, b) < NEUTRAL_CHROMA:
        return "yes"
    wavelength = dominant_wavelength(xyz_value)
    inside = wavelength is not None and DOMINANT[0] - leeway <= wavelength <= DOMINANT[1] + leeway
    return "yes" if inside else "coloured"
