"""Balance by the neutrals, drift of the light, cells and polygons: what holds whatever the numbers."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from refettle.whitening.card import CARDS
from refettle.whitening.cells import area_of, cells_of, inside_of
from refettle.whitening.colour import Floats, xyz, yellowness
from refettle.whitening.markers import inverse, through
from refettle.whitening.neutrals import Neutral, balance, places
from refettle.whitening.picture import Picture
from refettle.whitening.profile import srgb

gains = st.lists(st.floats(0.2, 3.0), min_size=3, max_size=3).map(np.array)
shades = st.lists(st.floats(0.3, 1.0), min_size=4, max_size=4).map(np.array)


@given(gains, shades, st.floats(0.1, 1.0))
def test_one_light_of_any_colour_falls_out(gain: Floats, shade: Floats, reflectance: float) -> None:
    """Whatever the channels and the shading: no disagreement, the same YI, a grey as light as was said."""
    cream = np.array([0.62, 0.55, 0.36])
    found, disagreement = balance(shade[:, None] * gain, reflectance)
    assert disagreement == pytest.approx(0.0, abs=1e-9)
    corrected = xyz(cream * gain * found)
    assert float(yellowness(corrected)) == pytest.approx(float(yellowness(xyz(cream))), abs=1e-6)
    assert float((gain * shade.mean() * found)[1]) == pytest.approx(reflectance)


@given(st.floats(-0.05, 0.05), st.floats(-0.05, 0.05))
def test_light_that_changes_evenly_is_carried_on_to_the_regions(across: float, down: float) -> None:
    """Red over green that goes as exp of a plane over the card is met exactly beyond it."""
    at = places(CARDS["a5"])

    def red(points: Floats) -> Floats:
        return np.exp((points - at.mean(axis=0)) @ np.array([across, down]) / 100.0)

    rgb = np.column_stack([red(at), np.ones(4), np.ones(4)])
    neutral = Neutral(rgb, *balance(rgb, 0.9), 0.9, at)
    points = np.array([[60.0, 225.0], [300.0, -50.0]])
    assert neutral.drift(points) == pytest.approx(float(np.abs(red(points) - 1).max()), abs=1e-9)


@given(st.floats(-4e-4, 4e-4), st.floats(-4e-4, 4e-4), st.floats(1.0, 20.0), st.floats(-3.1, 3.1))
def test_through_a_transform_and_back(tilt_x: float, tilt_y: float, scale: float, turn: float) -> None:
    c, s = scale * np.cos(turn), scale * np.sin(turn)
    transform = np.array([[c, -s, 500.0], [s, c, 400.0], [tilt_x, tilt_y, 1.0]])
    points = np.array([(0.0, 0.0), (210.0, 0.0), (210.0, 148.0), (60.0, 225.0)])
    assert through(inverse(transform), through(transform, points)) == pytest.approx(points, abs=1e-6)


def test_cells_are_means_of_light_and_not_of_values() -> None:
    """Half black, half white is half the light: value 188, not 128."""
    code = np.zeros((400, 400, 3), dtype=np.uint8)
    code[:, ::2] = 255
    cells = cells_of(Picture(code, srgb()), np.array([(-0.5, -0.5), (399.5, -0.5), (399.5, 399.5), (-0.5, 399.5)]), 100)
    assert cells.step == 4
    assert cells.count >= 99 * 99
    assert cells.linear == pytest.approx(0.5)
    assert cells.clipped == pytest.approx(0.5)
    assert cells.clipped_share == 1.0


def test_cells_lie_wholly_inside() -> None:
    code = np.zeros((300, 300, 3), dtype=np.uint8)
    code[100:200, 100:200] = 200
    square = np.array([(99.5, 99.5), (199.5, 99.5), (199.5, 199.5), (99.5, 199.5)])
    turned = np.array([(150.0, 99.5), (199.5, 150.0), (150.0, 199.5), (99.5, 150.0)])
    for polygon, share in ((square, 1.0), (turned, 0.5)):
        cells = cells_of(Picture(code, srgb()), polygon, 50)
        assert (cells.linear[cells.inside] > 0.5).all()
        assert cells.count * cells.step**2 == pytest.approx(share * 10_000, rel=0.12)
    outside = cells_of(Picture(code, srgb()), square + 1000)
    assert outside.count == 0


def test_polygons() -> None:
    bent = np.array([(0.0, 0.0), (4.0, 0.0), (4.0, 4.0), (2.0, 1.0), (0.0, 4.0)])
    assert area_of(bent) == pytest.approx(10.0)
    x, y = np.array([1.0, 2.0, 2.0, 5.0]), np.array([1.0, 3.0, 0.5, 1.0])
    assert inside_of(bent, x, y).tolist() == [True, False, True, False]
