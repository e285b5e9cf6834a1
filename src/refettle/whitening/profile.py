"""Colour profiles inside photos: from the numbers in the file to linear light and to XYZ.

Read are the profiles that cameras and phones write: three colorants and three curves (ICC.1:2010, clauses 7 to 10;
`curv` and `para` types). Their XYZ is for the D50 of the profile's own world and is turned to D65 by the linear
Bradford transform, which is what such profiles were made with.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass

import numpy as np

from refettle.language import tr
from refettle.whitening.colour import Floats, decode_srgb, rgb_matrix, white_xyz

MOST_BYTES = 4_000_000
MOST_TAGS = 200
D50 = np.array([0.9642, 1.0, 0.8249])
"""XYZ of the white in the profile's own world (ICC.1:2010, 7.2.16)."""
_BRADFORD = np.array([[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]])
_PARAMETERS = (1, 3, 4, 5, 7)
"""How many numbers a parametric curve of each type has."""


class ProfileError(ValueError):
    """The profile cannot be used; says what was found."""


@dataclass(frozen=True, slots=True)
class Profile:
    """`name` as it calls itself; `light` (3 x 256), linear light of each value in red, green and blue; `matrix` (3 x 3)
    from linear RGB to XYZ for D65.
    """

    name: str
    light: Floats
    matrix: Floats


def srgb(name: str = "sRGB") -> Profile:
    """sRGB, for photos that say nothing else."""
    return Profile(name, np.tile(decode_srgb(np.arange(256) / 255), (3, 1)), rgb_matrix("sRGB"))


def read_profile(data: bytes) -> Profile:
    """The profile of a photo. ProfileError where it is damaged, or of a kind that cameras do not write."""
    if len(data) > MOST_BYTES:
        raise ProfileError(tr("a colour profile of {size:.0f} MB", size=len(data) / 1e6))
    try:
        return _read(data)
    except (struct.error, IndexError, UnicodeDecodeError):
        raise ProfileError(tr("a damaged colour profile")) from None


def _read(data: bytes) -> Profile:
    if data[36:40] != b"acsp":
        raise ProfileError(tr("a damaged colour profile"))
    space = data[16:20].decode("ascii").strip()
    if space != "RGB":
        raise ProfileError(tr("a colour profile for {space}", space=space))
    (count,) = struct.unpack_from(">I", data, 128)
    if count > MOST_TAGS:
        raise ProfileError(tr("a damaged colour profile"))
    tags: dict[bytes, bytes] = {}
    for k in range(count):
        sign, offset, size = struct.unpack_from(">4sII", data, 132 + 12 * k)
        tags[sign] = data[offset : offset + size]
    name = _text(tags.get(b"desc", b"")) or tr("a profile without a name")
    if data[20:24] != b"XYZ " or not {b"rXYZ", b"gXYZ", b"bXYZ", b"rTRC", b"gTRC", b"bTRC"} <= set(tags):
        raise ProfileError(tr("a colour profile of tables ({name})", name=name))
    colorants = np.array([_xyz(tags[sign]) for sign in (b"rXYZ", b"gXYZ", b"bXYZ")]).T
    if not np.allclose(colorants.sum(axis=1), D50, atol=0.02):
        raise ProfileError(tr("a colour profile whose white is not white ({name})", name=name))
    cone = np.diag((_BRADFORD @ white_xyz()) / (_BRADFORD @ D50))
    turned = np.linalg.inv(_BRADFORD) @ cone @ _BRADFORD @ colorants
    light = np.stack([_curve(tags[sign]) for sign in (b"rTRC", b"gTRC", b"bTRC")])
    if not np.isfinite(light).all() or (np.diff(light, axis=1) < -1e-6).any() or (light[:, 255] < 0.5).any():
        raise ProfileError(tr("a colour profile whose curves do not rise ({name})", name=name))
    return Profile(name, light, turned)


def _text(tag: bytes) -> str:
    if tag[:4] == b"desc":
        (length,) = struct.unpack_from(">I", tag, 8)
        return tag[12 : 12 + min(length, 200)].split(b"\0")[0].decode("ascii", "replace").strip()
    if tag[:4] == b"mluc":
        length, offset = struct.unpack_from(">II", tag, 20)
        return tag[offset : offset + min(length, 400)].decode("utf-16-be", "replace").strip("\0 ")
    return ""


def _xyz(tag: bytes) -> tuple[float, float, float]:
    if tag[:4] != b"XYZ ":
        raise ProfileError(tr("a damaged colour profile"))
    x, y, z = struct.unpack_from(">iii", tag, 8)
    return x / 65536, y / 65536, z / 65536


def _curve(tag: bytes) -> Floats:
    """Linear light of the values 0 to 255."""
    x = np.arange(256) / 255
    if tag[:4] == b"curv":
        (count,) = struct.unpack_from(">I", tag, 8)
        if count == 0:
            return x
        values = np.array(struct.unpack_from(f">{count}H", tag, 12) if count <= 65536 else (), dtype=float)
        if count == 1:
            return np.asarray(x ** (values[0] / 256), dtype=float)
        if len(values):
            return np.interp(x, np.linspace(0, 1, count), values / 65535)
    if tag[:4] == b"para":
        (kind,) = struct.unpack_from(">H", tag, 8)
        if kind < len(_PARAMETERS):
            numbers = [v / 65536 for v in struct.unpack_from(f">{_PARAMETERS[kind]}i", tag, 12)]
            return _parametric(kind, numbers, x)
    raise ProfileError(tr("a colour profile with a curve of an unknown kind"))


def _parametric(kind: int, numbers: list[float], x: Floats) -> Floats:
    """ICC.1:2010, table 65: (a x + b)^g + e from d on, c x + f below it."""
    g, a, b, c, d, e, f = 1.0, 1.0, 0.0, 0.0, 0.0, 0.0, 0.0
    if kind == 0:
        (g,) = numbers
    elif kind == 1:
        g, a, b = numbers
    elif kind == 2:
        g, a, b, e = numbers
        f = e
    elif kind == 3:
        g, a, b, c, d = numbers
    else:
        g, a, b, c, d, e, f = numbers
    if kind in (1, 2):
        d = -b / a if a else 0.0
    return np.asarray(np.where(x >= d, np.maximum(a * x + b, 0.0) ** g + e, c * x + f), dtype=float)
