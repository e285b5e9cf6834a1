"""What the tests of whitening share: rendered photos, their marks as a form sends them, a go-ahead."""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np
from django.core.files.uploadedfile import SimpleUploadedFile

from refettle.book import store
from refettle.book.models import Job
from refettle.whitening.markers import find_card
from refettle.whitening.picture import open_picture
from tests.support.camera import View, jpeg
from tests.whitening.scenes import FLAP, LID, scene, taken

GATES = ["hidden-spot", "metal-off", "labels-off", "washed", "eyes-hands", "ventilation", "vented"]
BATCH = {
    "action": "in",
    "batch": "Saturday tub",
    "parts": "lid",
    "method": "bath",
    "percent": "6",
    "litres": "8",
    "lamp": "shelf lamp",
    "gate": GATES,
}
GO_AHEAD: dict[str, Any] = {
    "kind": "go-ahead",
    "step": "whiten",
    "what": "Lid, outside",
    "shown": {"material": "ABS, marked inside", "spot": "Even, an hour", "labels": "off"},
    "photos": {"cracks": "9f86d081884c7d659a2feaa0c55ad015a3bf4f1b2b0b822cd15d6c15b0f00a08"},
}


@cache
def photo_bytes(yi: float = 35.0, seed: int = 1, turn: float = 0.0) -> bytes:
    """A rendered photo of a lid of this yellowness, with the card and a flap that never saw light."""
    return jpeg(taken(scene(yi), view=View(turn=turn), seed=seed), quality=98)


def upload(yi: float = 35.0, seed: int = 1, turn: float = 0.0) -> SimpleUploadedFile:
    return SimpleUploadedFile("p.jpg", photo_bytes(yi, seed, turn), "image/jpeg")


@cache
def marks() -> dict[str, str]:
    """The form of the first photo, its corners where they lie in it."""
    picture = open_picture(photo_bytes())
    found = find_card(picture)
    form = {"ref": "1"}
    for n, (name, place) in enumerate((("flap", FLAP), ("lid", LID)), start=1):
        at = (found.pixels(np.array(place.inner(0.8).corners)) + 0.5) / (picture.width, picture.height)
        form |= {f"name_{n}": name, f"points_{n}": " ".join(f"{x:.4f},{y:.4f}" for x, y in at)}
    return form


def go_ahead(job: Job, what: str = "Lid, outside") -> int:
    """The cautions read and the go-ahead for whitening given; its number."""
    for each in ("peroxide", "uv"):
        store.append(job, {"kind": "caution", "caution": each}, "Ada")
    return store.append(job, GO_AHEAD | {"what": what}, "Ada").n
