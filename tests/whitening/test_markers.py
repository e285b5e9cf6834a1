"""The card found in photos, and one clear message for each way in which it cannot be."""

from __future__ import annotations

import re
from dataclasses import replace

import cv2
import numpy as np
import pytest

from refettle.whitening.card import CARDS, Rectangle, card_svg
from refettle.whitening.markers import Found, find_card
from refettle.whitening.picture import PhotoError, Picture
from refettle.whitening.profile import srgb
from tests.support.camera import Scene, View, neutral
from tests.whitening.scenes import PLAIN, Code, before, scene, taken

VIEW = View()


def found(code: Code) -> Found:
    return find_card(Picture(np.ascontiguousarray(code), srgb()))


def refused(code: Code) -> PhotoError:
    with pytest.raises(PhotoError) as raised:
        found(code)
    assert "\n" not in str(raised.value)
    return raised.value


@pytest.mark.parametrize("size", ["a5", "a6"])
@pytest.mark.parametrize(
    "view", [VIEW, View(turn=170, fill=0.7), View(turn=-35, fill=0.6, tilt=(0.6, -0.5)), View(1100, 1100, 0.6, 90)]
)
def test_every_millimetre_is_where_it_belongs(size: str, view: View) -> None:
    """Within .25 mm; the simulated print is painted to a third of a pixel."""
    built = Scene(card=CARDS[size], around=20.0, below=20.0)  # type: ignore[index]
    card = found(taken(built, view=view))
    assert card.card.size == size
    points = np.array([(0, 0), (card.card.width, 0), (card.card.width, card.card.height), (0, card.card.height)])
    right = card.pixels(points)
    there = np.column_stack([points, np.ones(4)]) @ view.transform(built.bounds).T
    assert card.millimetres(there[:, :2] / there[:, 2:]) == pytest.approx(points, abs=0.25)
    assert card.millimetres(right) == pytest.approx(points, abs=1e-6)


@pytest.mark.slow
def test_a_whole_case_in_a_large_photo() -> None:
    """A6 in 12 megapixels, its markers 36 pixels across, blurred and noisy."""
    built = Scene(card=CARDS["a6"], around=700.0, below=700.0)
    view = View(4000, 3000, 0.95, 12)
    code = cv2.GaussianBlur(taken(built, replace(PLAIN, noise=0.02), view), (0, 0), 0.8)
    card = found(np.asarray(code, dtype=np.uint8))
    assert 30 < card.side < 40
    at = card.pixels([(74.0, 52.5)])
    there = np.array([[74.0, 52.5, 1.0]]) @ view.transform(built.bounds).T
    assert at == pytest.approx(there[:, :2] / there[:, 2:], abs=1.0)


def covering(*places: Rectangle) -> Code:
    built = scene()
    for place in places:
        built.put(place, neutral(0.3))
    return taken(built)


def test_a_card_that_is_partly_covered() -> None:
    first, second, third, fourth = CARDS["a5"].markers.values()
    error = refused(covering(first.inner(0.5)))
    assert error.why == "part-of-a-card"
    assert str(error).startswith("found 3 of the 4 markers of the card, not the one near the top left corner; allowed")
    assert "2 of the 4 markers of the card, not the one near the top right and bottom left" in str(
        refused(covering(second.inner(0.5), fourth.inner(0.5)))
    )
    assert refused(covering(first, second, third, fourth)).why == "no-card"


def test_no_card_at_all() -> None:
    error = refused(np.full((600, 800, 3), 180, dtype=np.uint8))
    assert error.why == "no-card"
    assert str(error).startswith("found no measuring card; allowed: a photo with the whole card in it")
    rng = np.random.default_rng(1)
    assert refused(rng.integers(0, 256, (600, 800, 3), dtype=np.uint8)).why == "no-card"


def test_a_mirrored_photo() -> None:
    for mirrored in (before()[:, ::-1], before()[::-1]):
        error = refused(mirrored)
        assert error.why == "mirrored"
        assert "front camera" in str(error)


def test_two_cards() -> None:
    code = before()
    error = refused(np.concatenate([code, code], axis=1))
    assert error.why == "two-cards"
    assert str(error) == "found two measuring cards; allowed: one in the photo"
    other = taken(Scene(card=CARDS["a6"], around=20.0, below=20.0), view=View(height=1000))
    assert refused(np.concatenate([code, other], axis=1)).why == "two-cards"
    half = covering(*list(CARDS["a5"].markers.values())[:2])
    assert "parts of two" in str(refused(np.concatenate([half, half], axis=1)))


def test_one_marker_more_by_chance_does_not_matter() -> None:
    """As letters on keys may look like one."""
    code = np.array(before())
    card = found(code)
    x, y = card.pixels([(35.0, 3.0)])[0].astype(int)
    patch = code[y : y + 95, x : x + 95].copy()
    code[-100:-5, -100:-5] = patch
    assert found(code).pixels([(0, 0)]) == pytest.approx(card.pixels([(0, 0)]), abs=0.01)


def test_a_bent_card() -> None:
    """The right side of the photo is shifted, as on a card folded over."""
    code = np.array(before())
    code[:, 620:] = np.roll(code, 12, axis=0)[:, 620:]
    error = refused(code)
    assert error.why == "bent"
    assert "flat" in str(error)


def test_a_card_too_far_away() -> None:
    built = Scene(card=CARDS["a6"], around=700.0, below=700.0)
    error = refused(taken(built, view=View(2000, 1500, 0.95)))
    assert error.why in ("card-too-small", "no-card", "part-of-a-card")
    assert "small" in str(error) or "closer" in str(error) or "sharp" in str(error)


def drawn(svg: str, per_mm: int = 6) -> Code:
    """The black and white of a card's SVG, read from its own rectangles and squares."""
    width, height = (float(v) for v in re.search(r'viewBox="0 0 ([\d.]+) ([\d.]+)"', svg).groups())  # type: ignore[union-attr]
    code = np.full((round(height * per_mm) + 60, round(width * per_mm) + 60, 3), 120, dtype=np.uint8)
    code[30:-30, 30:-30] = 255

    def fill(left: str, top: str, wide: str, high: str, value: int) -> None:
        x, y, w, h = (round(float(v) * per_mm) for v in (left, top, wide, high))
        code[30 + y : 30 + y + h, 30 + x : 30 + x + w] = value

    for line in svg.splitlines():
        if 'shape-rendering="crispEdges"/><path' in line:
            fill(*re.search(r'x="(\S+)" y="(\S+)" width="(\S+)" height="(\S+)"', line).groups(), 0)  # type: ignore[union-attr]
            for left, top, wide, high in re.findall(r"M(\S+) (\S+)h(\S+?)v(\S+?)h", line):
                fill(left, top, wide, high, 255)
    return code


@pytest.mark.parametrize("size", ["a5", "a6"])
def test_the_printed_card_is_the_one_that_is_looked_for(size: str) -> None:
    card = found(drawn(card_svg(size)))
    assert card.card.size == size
    points = np.array([(0.0, 0.0), (card.card.width, card.card.height)])
    assert card.pixels(points) == pytest.approx(points * 6 + 29.5, abs=1.0)
