"""The demo book's job with a whitening under way: an invented handheld's shell. Its photos are drawn here."""

from __future__ import annotations

from collections.abc import Mapping
from io import BytesIO
from pathlib import Path
from typing import Any

import numpy as np
from django.core.files.uploadedfile import SimpleUploadedFile

from refettle.book.demo_text import MARA, Told, sound_case
from refettle.book.photos import store_photo
from refettle.book.whitening import PEROXIDE
from refettle.book.yellow import left_since, yellow_entry
from refettle.whitening.card import Rectangle, card_of, marker_squares
from refettle.whitening.colour import decode_srgb, encode_srgb
from refettle.whitening.reading import read_photo
from refettle.whitening.regions import Region

PER_MM = 6
WIDE, HIGH = 240, 200
"""[mm] of what a photo takes in; the card lies 8 mm from its top and left."""
AT = 8
SHELL, INSIDE = Rectangle(8, 112, 120, 62), Rectangle(138, 118, 60, 44)
"""[mm] from the card's corner: the shell, and the inside of its flap."""
UNEXPOSED, YELLOWED = (206, 200, 186), (200, 178, 128)
REGIONS = (
    Region("shell", SHELL.inner(0.85).corners, "card"),
    Region("inside of the flap", INSIDE.inner(0.8).corners, "card"),
)
LEFT = (1.0, 0.83, 0.70, 0.58)
"""Of the yellowing, in the four photos."""
BATCH: Mapping[str, Any] = {
    "kind": "bath-in", "batch": "Wednesday tub", "parts": ["shell"], "percent": 6.0, "litres": 6.0,
    "lamp": "shelf lamp", "gates": list(PEROXIDE),
}  # fmt: skip


def _drawn(left: float, seed: int) -> bytes:
    """A photo as a JPEG: the card with its neutrals, the shell, the inside of its flap; `left` of the yellowing."""
    from PIL import Image

    random, card = np.random.default_rng(seed), card_of("a6")
    light = np.full((HIGH * PER_MM, WIDE * PER_MM, 3), decode_srgb(np.array([92.0, 94.0, 96.0]) / 255))

    def put(place: Rectangle, colour: Any) -> None:
        top, side = round((place.top + AT) * PER_MM), round((place.left + AT) * PER_MM)
        light[top : top + round(place.height * PER_MM), side : side + round(place.width * PER_MM)] = colour

    put(Rectangle(0, 0, card.width, card.height), decode_srgb(np.array([214.0, 216.0, 219.0]) / 255))
    for number, place in card.markers.items():
        rows = marker_squares(number)
        cell = place.width / len(rows)
        for row, squares in enumerate(rows):
            for column, square in enumerate(squares):
                at = Rectangle(place.left + column * cell, place.top + row * cell, cell + 0.2, cell + 0.2)
                if square != "1":
                    put(at, 0.02)
    for place in card.neutrals:
        put(place, 0.62)
    clean, old = (decode_srgb(np.array(c) / 255.0) for c in (UNEXPOSED, YELLOWED))
    put(SHELL, clean + left * (old - clean))
    put(INSIDE, clean)
    shade = np.linspace(1.03, 0.95, light.shape[1])[None, :, None]
    code = 255 * encode_srgb(light * shade) + random.normal(0, 1.2, light.shape)
    out = BytesIO()
    image = Image.fromarray(np.clip(np.rint(code), 0, 255).astype(np.uint8))
    image.save(out, "JPEG", quality=97, subsampling=0)
    return out.getvalue()


def whitening_job(folder: Path) -> Told:
    """Finishing: three looks into a bath, with the next turn due; entries number as the log will."""
    photos = [_drawn(left, seed) for seed, left in enumerate(LEFT)]
    readings = [read_photo(data, REGIONS, reference=REGIONS[1].name, taken="rig") for data in photos]
    kept = [store_photo(SimpleUploadedFile("p.jpg", data, "image/jpeg"), folder).sha256 for data in photos]

    def read(n: int) -> dict[str, Any]:
        left = left_since([("shell", readings[0])], readings[n]) if n else {}
        return yellow_entry(kept[n], readings[n], "ptfe", left, 4 if n else None)

    out, back = {"kind": "bath-out", "batch": "Wednesday tub", "why": "to look"}, {**BATCH, "go_ahead": 5}
    return [
        (0, MARA, {"kind": "take-in", "said": "Works. The shell is yellow all over.", **sound_case(case="worn"),
                   "rattle": "none", "smell": "none"}),
        (2, MARA, {"kind": "caution", "caution": "peroxide"}),
        (1, MARA, {"kind": "caution", "caution": "uv"}),
        (12, MARA, read(0)),
        (9, MARA, {"kind": "go-ahead", "step": "whiten", "what": "Shell, outside",
                   "shown": {"material": "ABS, marked so inside the flap.",
                             "spot": "Under the belt clip, an hour at 6 %: even, no bloom, dry.",
                             "labels": "Type label masked, screws and springs out, felt off."},
                   "photos": {"cracks": kept[0]}}),
        (10, MARA, back),
        (58, MARA, out),
        (6, MARA, read(1)),
        (2, MARA, back),
        (61, MARA, {"kind": "turned", "batch": "Wednesday tub"}),
        (2, MARA, out),
        (7, MARA, read(2)),
        (3, MARA, back),
        (60, MARA, {"kind": "turned", "batch": "Wednesday tub"}),
        (2, MARA, out),
        (6, MARA, read(3)),
        (3, MARA, back),
    ]  # fmt: skip
