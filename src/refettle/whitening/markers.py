"""Finding the measuring card in a photo: its four markers, and from their 16 corners where every millimetre lies.

The transform is of a plane: it holds for what lies in the plane of the card, not on a curve, a step or a raised part.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import ArrayLike, NDArray

from refettle.language import tr
from refettle.whitening.card import CARDS, CORNERS, Card, Size
from refettle.whitening.colour import Floats
from refettle.whitening.picture import PhotoError, Picture

LEAST_PERIMETER = 0.008
"""Of the photo's longest side: the library's own .03 drops markers of less than 30 pixels in a large photo."""
LEAST_SIDE = 24.0
"""[pixels] of a marker below which its number is often not read (9 of 10 at 24 and 30 pixels, 6 of 10 at 16)."""
GOOD_SIDE = 40.0
"""[pixels] of a marker from which it is found every time."""
FLAT = 0.03
"""Of a marker's side: the most that its corners may lie off the plane before the card is called bent: estimate."""
LONGEST = 2000
"""[pixels] of the copy in which the markers are looked for first; their corners are refined in the photo itself."""
MOST_TRIED = 256


@dataclass(frozen=True, slots=True)
class Found:
    """The card in a photo: `card`; `to_pixels` (3 x 3), from millimetres on it to pixels; `side` [pixels] of its
    smallest marker; `off` [mm], how far the worst marker corner lies from the plane.
    """

    card: Card
    to_pixels: Floats
    side: float
    off: float

    def pixels(self, points: ArrayLike) -> Floats:
        """Pixels (x, y) of points in millimetres on the card; the middle of the first pixel is 0, 0."""
        return through(self.to_pixels, points)

    def millimetres(self, points: ArrayLike) -> Floats:
        """Points on the card of pixels in the photo."""
        return through(inverse(self.to_pixels), points)


def inverse(transform: Floats) -> Floats:
    """The way back."""
    return np.asarray(np.linalg.inv(transform), dtype=float)


def through(transform: Floats, points: ArrayLike) -> Floats:
    """Points (n x 2) through a transform of the plane; nan beyond its horizon."""
    p = np.atleast_2d(np.asarray(points, dtype=float))
    moved = np.column_stack([p, np.ones(len(p))]) @ transform.T
    ahead = moved[:, 2:] > 1e-12
    return np.asarray(np.where(ahead, moved[:, :2] / np.where(ahead, moved[:, 2:], 1.0), np.nan), dtype=float)


def find_card(picture: Picture) -> Found:
    """The one card in the photo.

    Raises
    ------
    PhotoError
        No card, a part of one, two, one in a mirrored photo, one that is bent, or one that is too small.
    """
    import cv2

    grey = np.asarray(cv2.cvtColor(picture.code, cv2.COLOR_RGB2GRAY), dtype=np.uint8)
    step = max(grey.shape) // LONGEST
    seen: dict[int, list[Floats]] = {}
    fits: list[tuple[Card, tuple[Floats, float, float]]] = []
    if step > 1:  # quick, and in nearly every photo enough
        small = cv2.resize(grey, (grey.shape[1] // step, grey.shape[0] // step), interpolation=cv2.INTER_AREA)
        shrunk = np.array([small.shape[1] / grey.shape[1], small.shape[0] / grey.shape[0]])
        looked = _look(np.asarray(small, dtype=np.uint8))
        seen = {n: [_refine(grey, (c + 0.5) / shrunk - 0.5) for c in each] for n, each in looked.items()}
        fits = _fits(seen)
    if not fits:
        seen = _look(grey)
        fits = _fits(seen)
    if len(fits) > 1:
        raise PhotoError("two-cards", tr("found two measuring cards; allowed: one in the photo"))
    if not fits:
        raise _nothing_whole(seen, grey)
    card, (transform, side, off) = fits[0]
    if side < LEAST_SIDE:
        raise PhotoError(
            "card-too-small",
            tr(
                "found markers of {side:.0f} pixels; allowed: at least {least_side:.0f}, better "
                "{good_side:.0f}: go closer, or print the card larger",
                side=side,
                least_side=LEAST_SIDE,
                good_side=GOOD_SIDE,
            ),
        )
    return Found(card, transform, side, off)


def _fits(seen: dict[int, list[Floats]]) -> list[tuple[Card, tuple[Floats, float, float]]]:
    """Every whole card among the markers seen."""
    return [(card, fit) for card in CARDS.values() for fit in _whole(card, seen)]


def _look(grey: NDArray[np.uint8]) -> dict[int, list[Floats]]:
    """Corners of the markers in sight, by number."""
    import cv2

    settings = cv2.aruco.DetectorParameters()
    settings.minMarkerPerimeterRate = LEAST_PERIMETER
    settings.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50), settings)
    corners, numbers, _ = detector.detectMarkers(grey)
    ours = {number for card in CARDS.values() for number in card.markers}
    seen: dict[int, list[Floats]] = {}
    for number, four in zip(np.ravel(numbers) if numbers is not None else (), corners, strict=True):
        if int(number) in ours:
            seen.setdefault(int(number), []).append(np.asarray(four, dtype=float).reshape(4, 2))
    return seen


def _refine(grey: NDArray[np.uint8], corners: Floats) -> Floats:
    import cv2

    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 30, 0.01)
    reach = int(np.clip(_side(corners) / 12, 3, 15))
    found = cv2.cornerSubPix(grey, corners.astype(np.float32).reshape(-1, 1, 2), (reach, reach), (-1, -1), stop)
    return np.asarray(found, dtype=float).reshape(4, 2)


def _side(corners: Floats) -> float:
    """[pixels] The shortest side of a marker."""
    return float(np.hypot(*(corners - np.roll(corners, 1, axis=0)).T).min())


def _whole(card: Card, seen: dict[int, list[Floats]]) -> list[tuple[Floats, float, float]]:
    """Each whole card of this size among the markers seen: transform, side [pixels], how far off [mm].

    Letters on keys now and then look like a marker, so with several of one number every choice is tried, and only one
    that lies in a plane is a card.
    """
    numbers = list(card.markers)
    if not all(number in seen for number in numbers):
        return []
    choices = list(product(*(range(len(seen[number])) for number in numbers)))[:MOST_TRIED]
    places = np.array([corner for number in numbers for corner in card.markers[number].corners])
    fits: list[tuple[float, tuple[int, ...], Floats, float]] = []
    for choice in choices:
        corners = [seen[number][k] for number, k in zip(numbers, choice, strict=True)]
        transform = _transform(places, np.concatenate(corners))
        off = np.inf if transform is None else _off(transform, places, np.concatenate(corners))
        if transform is not None:
            fits.append((off, choice, transform, min(_side(each) for each in corners)))
    marker = card.markers[numbers[0]].width
    flat = sorted((fit for fit in fits if fit[0] <= FLAT * marker), key=lambda fit: fit[0])
    kept: list[tuple[Floats, float, float]] = []
    used: set[tuple[int, int]] = set()
    for off, choice, transform, side in flat:
        markers = set(zip(numbers, choice, strict=True))
        if not markers & used:
            used |= markers
            kept.append((transform, side, off))
    return kept


def _transform(places: Floats, pixels: Floats) -> Floats | None:
    import cv2

    found, _ = cv2.findHomography(places, pixels, 0)
    if found is None or not np.isfinite(found).all() or abs(np.linalg.det(found)) < 1e-12:
        return None
    transform = np.asarray(found, dtype=float)
    # A mirrored choice of markers turns the plane over.
    return transform if np.linalg.det(transform[:2, :2]) > 0 else None


def _off(transform: Floats, places: Floats, pixels: Floats) -> float:
    """[mm] on the card, the largest distance of a corner from where it belongs."""
    back = through(inverse(transform), pixels)
    apart = np.hypot(*(back - places).T)
    return float(apart.max()) if np.isfinite(apart).all() else float("inf")


def _nothing_whole(seen: dict[int, list[Floats]], grey: NDArray[np.uint8]) -> PhotoError:
    """Why there is no whole card, in one line."""
    mirrored = _look(np.ascontiguousarray(grey[:, ::-1]))
    if sum(len(each) for each in mirrored.values()) > sum(len(each) for each in seen.values()):
        return PhotoError(
            "mirrored", tr("found a mirrored card; allowed: a photo that is not mirrored (no front camera)")
        )
    if any(len(each) > 1 for each in seen.values()) or _sizes(seen) > 1:
        return PhotoError("two-cards", tr("found parts of two measuring cards; allowed: one whole card in the photo"))
    if not seen:
        return PhotoError(
            "no-card",
            tr("found no measuring card; allowed: a photo with the whole card in it, flat, sharp, not too small"),
        )
    card = next(card for card in CARDS.values() if set(seen) & set(card.markers))
    gone = [corner for number, corner in zip(card.markers, CORNERS, strict=True) if number not in seen]
    if not gone:
        return PhotoError("bent", tr("found a card that is bent, or cut up; allowed: flat, in the plane of the part"))
    return PhotoError(
        "part-of-a-card",
        tr(
            "found {count} of the 4 markers of the card, not the one near the {corners} corner; "
            "allowed: all four in sight, sharp, nothing on them",
            count=4 - len(gone),
            corners=_listed(gone),
        ),
    )


def _sizes(seen: Iterable[int]) -> int:
    sizes: set[Size] = {card.size for card in CARDS.values() if set(seen) & set(card.markers)}
    return len(sizes)


def _listed(words: list[str]) -> str:
    return (
        words[0]
        if len(words) == 1
        else tr("{all_but_last} and {last}", all_but_last=", ".join(words[:-1]), last=words[-1])
    )
