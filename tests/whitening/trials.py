"""One pair of photos of one part, before and after, read without pixels: what is right and what came out."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from refettle.whitening.colour import Floats, xyz, yellowness
from refettle.whitening.neutrals import Neutral, balance, places
from refettle.whitening.reading import TRUST, Taken
from tests.support.camera import (
    PLASTICS,
    Look,
    Scene,
    locked,
    neutral,
    patches,
    phone,
    plastic,
    same_rig,
    true_yellowness,
    with_lamp,
    yellowed_for,
)

BOUNDS = Scene().bounds
AT = places(Scene().card)
PART, REFERENCE = np.array([60.0, 225.0]), np.array([165.0, 190.0])


@dataclass
class Trial:
    """Errors of the share left [1], of YI above the reference, of the change in YI and of YI itself; `yellow`, how far
    the part was above its reference; `refused` as mixed light.
    """

    left: float
    above: float
    change: float
    absolute: float
    yellow: float
    refused: bool


def _read(
    look: Look, plastics: Floats, at: Floats, tilt: float, rng: np.random.Generator
) -> tuple[Floats, float, Neutral]:
    corners = np.stack([neutral(0.9, tilt + float(rng.uniform(-0.003, 0.003))) for _ in range(4)])
    linear = patches(look, BOUNDS, np.vstack([corners, plastics]), np.vstack([AT, at]))
    gain, disagreement = balance(linear[:4], 0.9)
    found = xyz(linear[4:] * gain)
    return yellowness(found), disagreement, Neutral(linear[:4], gain, disagreement, 0.9, AT)


def trial(seed: int, taken: Taken, lamp: float = 0.0) -> Trial:
    """A part of any base and yellowness, whitened by any share, under any light; `lamp` is the most of a second one.

    The same seed gives the same pair with and without the lamp.
    """
    rng = np.random.default_rng(seed)
    base = str(rng.choice(PLASTICS))
    clean = float(rng.uniform(0, yellowed_for(base, 8)))
    yellowed = yellowed_for(base, float(rng.uniform(15, 50)))
    whitened = clean + (yellowed - clean) * float(rng.uniform(0, 1))
    before = np.stack([plastic(base, clean), plastic(base, yellowed)])
    after = np.stack([plastic(base, clean), plastic(base, whitened)])
    at = np.stack([REFERENCE, PART] if rng.random() < 0.5 else [PART, REFERENCE])
    first = phone(rng)
    second = phone(rng, first.sensor) if taken == "phone" else same_rig(first, rng)
    if taken == "locked":
        first = locked(first)
        second = replace(first)
    tilt, corners = float(rng.uniform(-0.02, 0.02)), np.random.default_rng(seed + 1)
    if lamp:
        first, second = with_lamp(first, lamp, rng), with_lamp(second, lamp, rng)
    yi0, apart0, neutral0 = _read(first, before, at, tilt, corners)
    yi1, apart1, neutral1 = _read(second, after, at, tilt, corners)
    true0, true1 = true_yellowness(before), true_yellowness(after)
    left = (yi1[1] - yi1[0]) / (yi0[1] - yi0[0])
    edges = np.concatenate([at + np.array([x, y]) for x in (-25, 25) for y in (-20, 20)])
    drift = max(neutral0.drift(edges), neutral1.drift(edges))
    agree = TRUST[taken].agree
    return Trial(
        left=float(left - (true1[1] - true1[0]) / (true0[1] - true0[0])),
        above=float((yi0[1] - yi0[0]) - (true0[1] - true0[0])),
        change=float((yi1[1] - yi0[1]) - (true1[1] - true0[1])),
        absolute=float(yi0[1] - true0[1]),
        yellow=float(yi0[1] - yi0[0]),
        refused=max(apart0, apart1) > agree or drift > agree,
    )
