"""Colour profiles of three colorants, written for tests."""

from __future__ import annotations

import struct

import numpy as np

from refettle.whitening.colour import Floats, rgb_matrix, white_xyz

_BRADFORD = np.array([[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]])


def parametric(kind: int, *numbers: float) -> bytes:
    return struct.pack(">4sIHH", b"para", 0, kind, 0) + b"".join(struct.pack(">i", round(65536 * v)) for v in numbers)


def sampled(values: Floats) -> bytes:
    held = np.rint(65535 * np.asarray(values)).astype(">u2").tobytes()
    return struct.pack(">4sII", b"curv", 0, len(values)) + held + b"\0" * (len(held) % 4)


def profile(
    colours: str, curve: bytes, space: bytes = b"RGB ", drop: bytes = b"", white: Floats | None = None
) -> bytes:
    """A version 2 profile for a display, of the colours named."""
    d50 = np.array([0.9642, 1.0, 0.8249])
    to = d50 if white is None else white
    cone = np.diag((_BRADFORD @ to) / (_BRADFORD @ white_xyz()))
    colorants = np.linalg.inv(_BRADFORD) @ cone @ _BRADFORD @ rgb_matrix(colours)
    name = colours.encode() + b"\0"
    tags = {b"desc": struct.pack(">4sII", b"desc", 0, len(name)) + name + b"\0" * 90}
    tags[b"wtpt"] = _xyz(d50)
    for k, letter in enumerate(b"rgb"):
        tags[bytes([letter]) + b"XYZ"] = _xyz(colorants[:, k])
        tags[bytes([letter]) + b"TRC"] = curve
    tags.pop(drop, None)
    body, table = b"", b""
    start = 128 + 4 + 12 * len(tags)
    for sign, content in tags.items():
        content += b"\0" * (-len(content) % 4)
        table += struct.pack(">4sII", sign, start + len(body), len(content))
        body += content
    size = start + len(body)
    head = struct.pack(">I4sI4s4s4s", size, b"none", 0x02400000, b"mntr", space, b"XYZ ") + b"\0" * 12 + b"acsp"
    head += b"\0" * (68 - len(head)) + struct.pack(">iii", *(round(65536 * float(v)) for v in d50))
    return head + b"\0" * (128 - len(head)) + struct.pack(">I", len(tags)) + table + body


def _xyz(values: Floats) -> bytes:
    return struct.pack(">4sIiii", b"XYZ ", 0, *(round(65536 * float(v)) for v in values))
