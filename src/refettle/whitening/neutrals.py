"""The neutrals on the card's corners: what the light and the camera do to a grey, and whether it is one light.

All four must agree within 2 % in red over green and blue over green once they are balanced. A lamp beside a window
changes from one end of the card to the other; carried on to where the regions lie it must stay small too.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from refettle.language import tr
from refettle.whitening.card import CORNERS, Card
from refettle.whitening.cells import cells_of
from refettle.whitening.colour import Floats
from refettle.whitening.markers import Found
from refettle.whitening.picture import PhotoError, Picture

AGREE = 0.02
"""Of the ratio, the most that two neutrals may differ by, and the most when carried on to the regions."""
AGREE_LOCKED = 0.015
"""The same where the figure is to be good for 5 points in a hundred: estimate, from a simulated camera."""
ROUNDING = 0.02
"""Added to it where compression has rounded all colour of the neutrals to whole steps: estimate, from a simulated
camera, where flat greys at a quality below about 94 came out up to 3.7 % apart in one light.
"""
FLAT_COLOUR = 0.3
"""Values by which red or blue scatters against green within a neutral, below which its colour is rounded so."""
NEUTRALS = {"ptfe": 0.90, "grey": 0.18}
"""Reflectance of what is stuck on: thread tape in layers (estimate), and a photographer's grey card."""
DARKEST = 0.012
"""Linear light below which a neutral says too little (values below about 28)."""
UNEVEN = 0.10
"""Spread of the light over a neutral, of its mean, from which it is covered or not stuck down: estimate."""
LEAST_CELLS = 16
_ACROSS = 16


@dataclass(frozen=True, slots=True)
class Neutral:
    """The balance of one photo.

    `rgb` (4 x 3), mean linear RGB of the corners in the order of CORNERS; `gain` (3), by which linear RGB is multiplied
    so that the neutrals are grey and as light as `reflectance`; `disagreement`, the most that two of them differ by in
    red over green or blue over green; `at` (4 x 2) [mm], where they lie; `flat` [1], the share of
    their colours that have lost their grain in compression, and come in steps.
    """

    rgb: Floats
    gain: Floats
    disagreement: float
    reflectance: float
    at: Floats
    flat: float = 0.0

    @property
    def rounded(self) -> bool:
        """Whether most of the colour comes in steps."""
        return self.flat >= 0.5

    @property
    def leeway(self) -> float:
        """[1] to be added to what they must agree within."""
        return ROUNDING * min(1.0, 2.0 * self.flat)

    def drift(self, points: Floats) -> float:
        """How far the light at `points` (n x 2, [mm]) differs from the neutrals' mean, at most, if it goes on changing
        as it does over the card.
        """
        ratios = np.log(self.rgb[:, [0, 2]] / self.rgb[:, [1]])
        middle = self.at.mean(axis=0)
        slope, *_ = np.linalg.lstsq(self.at - middle, ratios - ratios.mean(axis=0), rcond=None)
        return float(np.abs(np.expm1((points - middle) @ slope)).max())


def read_neutrals(picture: Picture, found: Found, reflectance: float, agree: float = AGREE) -> Neutral:
    """Read and compare the four neutrals; `agree` [1] is the most that they may differ by.

    Raises
    ------
    PhotoError
        One is clipped, too dark, too small or uneven, or the light is mixed.
    """
    read = [_mean(picture, found, k) for k in range(4)]
    rgb = np.array([mean for mean, _ in read])
    gain, disagreement = balance(rgb, reflectance)
    flat = float(np.mean(np.array([grain for _, grain in read]) < FLAT_COLOUR))
    neutral = Neutral(rgb, gain, disagreement, reflectance, places(found.card), flat)
    if disagreement > agree + neutral.leeway:
        raise _mixed(
            tr("corner neutrals that differ by {disagreement:.1f} % in colour", disagreement=100 * disagreement),
            agree + neutral.leeway,
        )
    return neutral


def places(card: Card) -> Floats:
    """[mm] The middles of the neutrals (4 x 2)."""
    return np.array([place.middle for place in card.neutrals])


def balance(rgb: Floats, reflectance: float) -> tuple[Floats, float]:
    """Gain of each channel and the largest disagreement, from the corners' linear RGB (4 x 3)."""
    ratios = rgb[:, [0, 2]] / rgb[:, [1]]
    middle = np.exp(np.log(ratios).mean(axis=0))
    disagreement = float((np.ptp(ratios, axis=0) / middle).max())
    green = float(rgb[:, 1].mean())
    gain = reflectance / (green * np.array([middle[0], 1.0, middle[1]]))
    return gain, disagreement


def check_drift(neutral: Neutral, points: Floats, agree: float = AGREE) -> float:
    """The drift of the light over `points` [mm]. PhotoError where it is too large to trust."""
    drift = neutral.drift(points)
    if drift > agree + neutral.leeway:
        found = tr("light that changes over the card, by {drift:.1f} % up to the regions", drift=100 * drift)
        raise _mixed(found, agree + neutral.leeway)
    return drift


def _mixed(found: str, most: float) -> PhotoError:
    return PhotoError(
        "mixed-light",
        tr(
            "mixed light: found {found}; allowed: {most:.2g} %. One kind of light only: lamps off by "
            "the window, or blinds shut under the lamp; the neutrals clean, all of one kind",
            found=found,
            most=100 * most,
        ),
    )


def _mean(picture: Picture, found: Found, corner: int) -> tuple[Floats, Floats]:
    """Mean linear RGB of one neutral, and by how many values red and blue scatter against green."""
    window = found.pixels(found.card.neutrals[corner].inner().corners)
    cells = cells_of(picture, window, _ACROSS)
    what = tr("the neutral at the {corner} corner", corner=tr(CORNERS[corner]))
    if cells.count < LEAST_CELLS:
        raise PhotoError(
            "card-too-small", tr("{neutral}: found too few pixels; allowed: the whole card, closer", neutral=what)
        )
    if cells.clipped_share > 0.02:
        raise PhotoError(
            "clipped",
            tr("{neutral}: found clipped, too bright; allowed: values below 250; expose it darker", neutral=what),
        )
    values = cells.linear[cells.whole()]
    mean: Floats = np.asarray(values.mean(axis=0), dtype=float)
    if mean.min() < DARKEST:
        raise PhotoError(
            "dark", tr("{neutral}: found too dark; allowed: more light, or a longer exposure", neutral=what)
        )
    if values[:, 1].std() > UNEVEN * mean[1]:
        raise PhotoError(
            "uneven-neutral",
            tr(
                "{neutral}: found uneven; allowed: grey card or PTFE stuck flat over the print, no shadow edge, "
                "no shine",
                neutral=what,
            ),
        )
    rows, columns = cells.inside.shape
    part = picture.code[cells.top : cells.top + rows * cells.step, cells.left : cells.left + columns * cells.step]
    against = part[..., [0, 2]].astype(np.int16) - part[..., [1]]
    return mean, np.asarray(against.reshape(-1, 2).std(axis=0), dtype=float)
