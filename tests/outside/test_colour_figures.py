"""Colour formulas against published figures and a colour library, each source named beside its figures."""

from __future__ import annotations

import warnings
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from refettle.whitening import colour

# G. Sharma, W. Wu, E. N. Dalal, "The CIEDE2000 color-difference formula: implementation notes, supplementary test data,
# and mathematical observations", Color Research and Application 30(1), 2005, 21-30, table 1: L*, a*, b* twice, and the
# difference. As the tests of the library colour-science 0.4.7 print it.
SHARMA = (
    (50.0000, 2.6772, -79.7751, 50.0000, 0.0000, -82.7485, 2.0425),
    (50.0000, 3.1571, -77.2803, 50.0000, 0.0000, -82.7485, 2.8615),
    (50.0000, 2.8361, -74.0200, 50.0000, 0.0000, -82.7485, 3.4412),
    (50.0000, -1.3802, -84.2814, 50.0000, 0.0000, -82.7485, 1.0000),
    (50.0000, -1.1848, -84.8006, 50.0000, 0.0000, -82.7485, 1.0000),
    (50.0000, -0.9009, -85.5211, 50.0000, 0.0000, -82.7485, 1.0000),
    (50.0000, 0.0000, 0.0000, 50.0000, -1.0000, 2.0000, 2.3669),
    (50.0000, -1.0000, 2.0000, 50.0000, 0.0000, 0.0000, 2.3669),
    (50.0000, 2.4900, -0.0010, 50.0000, -2.4900, 0.0009, 7.1792),
    (50.0000, 2.4900, -0.0010, 50.0000, -2.4900, 0.0010, 7.1792),
    (50.0000, 2.4900, -0.0010, 50.0000, -2.4900, 0.0011, 7.2195),
    (50.0000, 2.4900, -0.0010, 50.0000, -2.4900, 0.0012, 7.2195),
    (50.0000, -0.0010, 2.4900, 50.0000, 0.0009, -2.4900, 4.8045),
    (50.0000, -0.0010, 2.4900, 50.0000, 0.0010, -2.4900, 4.8045),
    (50.0000, -0.0010, 2.4900, 50.0000, 0.0011, -2.4900, 4.7461),
    (50.0000, 2.5000, 0.0000, 50.0000, 0.0000, -2.5000, 4.3065),
    (50.0000, 2.5000, 0.0000, 73.0000, 25.0000, -18.0000, 27.1492),
    (50.0000, 2.5000, 0.0000, 61.0000, -5.0000, 29.0000, 22.8977),
    (50.0000, 2.5000, 0.0000, 56.0000, -27.0000, -3.0000, 31.9030),
    (50.0000, 2.5000, 0.0000, 58.0000, 24.0000, 15.0000, 19.4535),
    (50.0000, 2.5000, 0.0000, 50.0000, 3.1736, 0.5854, 1.0000),
    (50.0000, 2.5000, 0.0000, 50.0000, 3.2972, 0.0000, 1.0000),
    (50.0000, 2.5000, 0.0000, 50.0000, 1.8634, 0.5757, 1.0000),
    (50.0000, 2.5000, 0.0000, 50.0000, 3.2592, 0.3350, 1.0000),
    (60.2574, -34.0099, 36.2677, 60.4626, -34.1751, 39.4387, 1.2644),
    (63.0109, -31.0961, -5.8663, 62.8187, -29.7946, -4.0864, 1.2630),
    (61.2901, 3.7196, -5.3901, 61.4292, 2.2480, -4.9620, 1.8731),
    (35.0831, -44.1164, 3.7933, 35.0232, -40.0716, 1.5901, 1.8645),
    (22.7233, 20.0904, -46.6940, 23.0331, 14.9730, -42.5619, 2.0373),
    (36.4612, 47.8580, 18.3852, 36.2715, 50.5065, 21.2231, 1.4146),
    (90.8027, -2.0831, 1.4410, 91.1528, -1.6435, 0.0447, 1.4441),
    (90.9257, -0.5406, -0.9208, 88.6381, -0.8985, -0.7239, 1.5381),
    (6.7747, -0.2908, -2.4247, 5.8714, -0.0985, -2.2286, 0.6377),
    (2.0776, 0.0795, -1.1350, 0.9033, -0.0636, -0.5514, 0.9082),
)


@pytest.fixture(scope="module")
def library() -> Any:
    """colour-science, a general colour library; importing it warns about what is not installed beside it."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import colour as module
    return module


def test_34_published_pairs() -> None:
    table = np.array(SHARMA)
    assert len(table) == 34
    for one, other in ((table[:, :3], table[:, 3:6]), (table[:, 3:6], table[:, :3])):
        assert colour.difference(one, other) == pytest.approx(table[:, 6], abs=5e-5)


def test_yellowness_table() -> None:
    """ASTM E313-15e1, D65/2°: 1.2985 and 1.1335, and 4.3400 for XYZ of 95, 100, 105, as colour-science prints them.

    The second sample is arithmetic with the same coefficients.
    """
    assert colour.yellowness([95.0, 100.0, 105.0]) == pytest.approx(4.34, abs=5e-5)
    assert colour.yellowness([52.0, 55.0, 45.0]) == pytest.approx(30.0264, abs=5e-5)
    assert "E313" in colour.CONDITION
    assert "D65/2°" in colour.CONDITION


def test_coefficients_against_the_library(library: Any) -> None:
    table = library.colorimetry.YELLOWNESS_COEFFICIENTS_ASTME313
    found = table["CIE 1931 2 Degree Standard Observer"]["D65"]
    assert tuple(float(v) for v in found) == colour.YELLOWNESS


def test_random_colours_against_the_library(library: Any) -> None:
    rng = np.random.default_rng(20)
    white = np.array(colour.WHITE_XY)
    for space in ("sRGB", "Display P3"):
        code = rng.random((500, 3))
        ours = colour.xyz(colour.decode_srgb(code), space)
        theirs = library.RGB_to_XYZ(code, space, apply_cctf_decoding=True)
        assert ours == pytest.approx(theirs, abs=2e-4)  # the library rounds its matrices to four places
        assert colour.lab(ours) == pytest.approx(library.XYZ_to_Lab(ours, white), abs=1e-9)
        yellow = library.colorimetry.yellowness_ASTME313(100 * ours, C_XZ=np.array(colour.YELLOWNESS))
        assert colour.yellowness(ours) == pytest.approx(yellow, abs=1e-9)
        one, other = colour.lab(ours), colour.lab(ours[::-1])
        assert colour.difference(one, other) == pytest.approx(library.delta_E(one, other, method="CIE 2000"), abs=1e-9)


def test_dominant_wavelength_against_the_library(library: Any) -> None:
    rng = np.random.default_rng(21)
    nm = 552.0 + 66.0 * rng.random(40)
    observer = library.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]
    for each in nm:
        edge = library.XYZ_to_xy(observer[each])
        mixed = np.array(colour.WHITE_XY) + 0.3 * (edge - colour.WHITE_XY)
        value = library.xy_to_XYZ(mixed)
        assert colour.dominant_wavelength(value) == pytest.approx(each, abs=0.6)  # corners 5 nm apart, straight between


def test_elsewhere_there_is_no_dominant_wavelength() -> None:
    for linear in ([0, 0, 1], [0, 0.3, 0.6], [0.5, 0.2, 0.5], [1, 1, 1], [0, 0, 0]):
        assert colour.dominant_wavelength(colour.xyz(linear)) is None


@given(st.lists(st.floats(0.01, 1.0), min_size=3, max_size=3), st.floats(0.05, 1.0))
def test_shading_does_not_change_the_yellowness(linear: list[float], share: float) -> None:
    full = colour.yellowness(colour.xyz(linear))
    assert colour.yellowness(colour.xyz(np.array(linear) * share)) == pytest.approx(float(full), abs=1e-6)


@given(st.lists(st.floats(0.0, 1.0), min_size=3, max_size=3))
def test_coding_and_back(code: list[float]) -> None:
    assert colour.encode_srgb(colour.decode_srgb(code)) == pytest.approx(code, abs=1e-6)


@pytest.mark.parametrize(
    ("code", "scope"),
    [
        ((0.85, 0.83, 0.78), "yes"),  # beige
        ((0.80, 0.74, 0.52), "yes"),  # well yellowed
        ((0.70, 0.70, 0.70), "yes"),  # grey
        ((0.35, 0.45, 0.75), "coloured"),
        ((0.60, 0.38, 0.28), "coloured"),  # brown
        ((0.20, 0.20, 0.21), "dark"),
    ],
)
def test_for_what_the_yellowness_index_is_meant(code: tuple[float, ...], scope: str) -> None:
    assert colour.in_scope(colour.xyz(colour.decode_srgb(code))) == scope
