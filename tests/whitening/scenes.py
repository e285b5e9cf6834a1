"""Photos for tests: a card, a yellowed lid and a flap of unexposed plastic, small, in D65 and made once."""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np

from refettle.whitening.card import CARDS, Rectangle
from refettle.whitening.colour import Floats
from refettle.whitening.regions import Region
from tests.support.camera import Look, Scene, View, jpeg, neutral, plastic, render, yellowed_for

LID, FLAP = Rectangle(0, 160, 120, 130), Rectangle(130, 160, 70, 60)
REGIONS = (Region("lid", LID.inner(0.8).corners, "card"), Region("flap", FLAP.inner(0.8).corners, "card"))
PLAIN = Look()
Code = np.ndarray[Any, np.dtype[np.uint8]]


def scene(yi: float = 35.0, clean: float = 5.0, base: str = "beige", **more: Any) -> Scene:
    built = Scene(**more)
    return built.put(LID, plastic(base, yellowed_for(base, yi))).put(FLAP, plastic(base, yellowed_for(base, clean)))


def taken(built: Scene, look: Look = PLAIN, view: View | None = None, seed: int = 1) -> Code:
    return render(built, look, view or View(), np.random.default_rng(seed))


@cache
def before() -> Code:
    return taken(scene())


@cache
def after() -> Code:
    """Whitened to YI 18, laid anew and turned."""
    return taken(scene(18.0), view=View(turn=6.0, fill=0.85), seed=2)


def file_of(code: Code, **more: Any) -> bytes:
    return jpeg(code, **{"quality": 98, **more})


def bare_print() -> Scene:
    """Nothing is stuck on one corner: the print shows."""
    built = scene()
    place = CARDS["a5"].neutrals[2]
    built.put(place, neutral(0.88))
    for row in range(4):
        built.put(Rectangle(place.left + 5, place.top + 6 + 3.5 * row, 14, 1.5), neutral(0.05))
    return built


def painted(what: Floats, **more: Any) -> Scene:
    """The lid in another plastic."""
    return scene(**more).put(LID, what)
