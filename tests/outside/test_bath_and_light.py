"""Strengths, dilution, gas, sun and eye limits against published figures.

Each figure names where it was read. 'Computed' means worked out by hand from the named source's formula or inputs;
'from memory' that the source was not read again.
"""

from __future__ import annotations

import warnings
from datetime import date
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from refettle.knowledge.peroxide import load_peroxide
from refettle.whitening.bath import oxygen_litres, recipe, rise
from refettle.whitening.light import EYE_254, EYE_WEIGHTED, eye_seconds
from refettle.whitening.strength import density, grams_per_litre, read_strength, volume_strength
from refettle.whitening.sun import SHARES, Exposure, clear_sky, place, sine_of_height, sun_day

PLACES = [(48.9, 2.35), (0.0, 0.0), (-33.9, 151.2), (64.1, -21.9)]
DAYS = ["2025-03-21", "2025-06-21", "2025-12-21", "1955-09-09", "2095-05-05"]


@pytest.mark.parametrize(("percent", "kg"), [(3, 1.0095), (27, 1.10), (35, 1.13), (50, 1.20), (70, 1.29)])
def test_density(percent: float, kg: float) -> None:
    """Encyclopedia article 'Hydrogen peroxide', table of density at 20 °C (3 % at 15 °C)."""
    assert density(percent) == pytest.approx(kg, abs=0.0045)


def test_thirty_volumes() -> None:
    """chemistrytip, 'volume strength': 30 vol is 2.678 mol/L, 91.1 g/L."""
    assert grams_per_litre(read_strength("30 vol").percent) == pytest.approx(91.1, abs=0.1)
    assert grams_per_litre(read_strength("30 vol").percent) / 34.0147 == pytest.approx(2.678, abs=0.002)


@pytest.mark.parametrize(("volumes", "percent"), [(10, 3), (20, 6), (40, 12), (60, 18)])
def test_trade_percentages_are_by_volume(volumes: float, percent: float) -> None:
    """Safety data sheet of hair developers (msdssafe): 10, 20, 40, 60 vol sold as 3, 6, 12, 18 %, which is w/v."""
    strength = read_strength(f"{volumes} vol").percent
    assert grams_per_litre(strength) / 10 == pytest.approx(percent, rel=0.015)


@pytest.mark.parametrize(
    ("label", "grams", "weight"),
    [("10 vol", 30.4, 3.01), ("20 vol", 60.7, 5.96), ("30 vol", 91.1, 8.84), ("40 vol", 121.4, 11.67),
     ("100 vol", 303.5, 27.55), ("130 vol", 394.6, 34.87)],
)  # fmt: skip
def test_volume_strengths(label: str, grams: float, weight: float) -> None:
    """22.414 L/mol and 34.0147 g/mol: V = 0.32948 g/L (computed)."""
    found = read_strength(label).percent
    assert found == pytest.approx(weight, abs=0.01)
    assert grams_per_litre(found) == pytest.approx(grams, abs=0.06)


def test_forty_volumes_is_inside_the_law() -> None:
    """Regulation (EU) 2019/1148, Annex I: 12 % w/w; 40 vol is 12.1 % w/v but 11.7 % w/w."""
    assert load_peroxide().public_percent == 12
    assert recipe(read_strength("40 vol"), 6, 10, load_peroxide()).stock_kg > 0


@pytest.mark.parametrize(
    ("stock", "target", "stock_kg", "water_kg"), [(12, 6, 5.097, 5.097), (35, 6, 1.748, 8.447), (35, 12, 3.571, 6.844)]
)
def test_ten_litres(stock: float, target: float, stock_kg: float, water_kg: float) -> None:
    """m_stock = V rho w_t / w_s with the density above (computed)."""
    bath = recipe(read_strength(f"{stock} % w/w"), target, 10, load_peroxide(), professional=True)
    assert (bath.stock_kg, bath.water_kg) == pytest.approx((stock_kg, water_kg), abs=0.0011)


@pytest.mark.parametrize(("target", "got"), [(6, 6.65), (12, 13.0)])
def test_dilution_by_volume_overshoots(target: float, got: float) -> None:
    """C1 V1 = C2 V2 with percentages by mass, from 35 %: 6.65 and 13.0 % instead of 6 and 12 (computed)."""
    litres = 10 * target / 35
    peroxide = litres * density(35) * 0.35
    assert 100 * peroxide / (litres * density(35) + (10 - litres) * density(0)) == pytest.approx(got, abs=0.05)


@pytest.mark.parametrize(
    ("percent", "litres", "kelvin", "volumes"),
    [(3, 10.9, 21, 10.0), (6, 22.0, 42, 20.2), (9, 33.3, 64, 30.6), (12, 44.9, 87, 41.2)],
)
def test_gas_and_heat(percent: float, litres: float, kelvin: float, volumes: float) -> None:
    """2 H2O2 -> 2 H2O + O2, -98.2 kJ/mol (encyclopedia article), 24.465 L/mol at 25 °C (computed)."""
    assert oxygen_litres(percent, 1) == pytest.approx(litres, abs=0.06)
    assert rise(percent) == pytest.approx(kelvin, abs=0.6)
    assert volume_strength(percent) == pytest.approx(volumes, abs=0.06)
    assert oxygen_litres(percent, 1) / volume_strength(percent) == pytest.approx(298.15 / 273.15, rel=1e-3)


def test_heat_of_strong_stock_errs_to_the_high_side() -> None:
    """Piyamongkala and Anothairungrat, DSC: 35 % w/w, adiabatic rise 231.7 K; ours is a fifth above it."""
    assert 231.7 < rise(35) < 1.25 * 231.7


@pytest.mark.parametrize(("watt", "seconds"), [(10, 1000), (50, 200), (0.347, 28_800)])
def test_eye_times(watt: float, seconds: float) -> None:
    """ICNIRP, Health Physics 87(2), 2004, 171-186: 10 kJ/m2 of 315 to 400 nm in 8 h (times computed)."""
    assert eye_seconds(watt) == pytest.approx(seconds, rel=2e-3)


def test_eye_limits() -> None:
    """ICNIRP 2004: 30 J/m2 weighted (3 mJ/cm2); ACGIH 2021 at 254 nm: 6 mJ/cm2, the weight there being 0.5."""
    limits = (EYE_WEIGHTED * 0.1, EYE_254 * 0.1, EYE_WEIGHTED / EYE_254)
    assert limits == pytest.approx((3, 6, 0.5))


@pytest.fixture(scope="module")
def skies() -> list[tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray, np.ndarray]]:
    """pvlib beside ours, five places and days: height by its NREL algorithm, Haurwitz and Ineichen skies."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import pandas
        import pvlib
    found = []
    for latitude, longitude in PLACES:
        for day in DAYS:
            times = pandas.date_range(day, periods=144, freq="10min", tz="UTC")
            sun = pvlib.solarposition.get_solarposition(times, latitude, longitude)
            haurwitz = pvlib.clearsky.haurwitz(sun["zenith"])["ghi"].to_numpy()
            air = pvlib.atmosphere.get_relative_airmass(sun["apparent_zenith"])
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")
                turbidity = pvlib.clearsky.lookup_linke_turbidity(times, latitude, longitude)
                ineichen = pvlib.clearsky.ineichen(sun["apparent_zenith"], air, turbidity)["ghi"].fillna(0).to_numpy()
            seconds = (times - pandas.Timestamp("1970-01-01", tz="UTC")).total_seconds().to_numpy()
            sine = sine_of_height(place(latitude, longitude), seconds)
            found.append((sine, sun["elevation"].to_numpy(), clear_sky(sine), haurwitz, ineichen))
    return found


def test_height_of_the_sun(skies: list[tuple[np.ndarray, ...]]) -> None:
    """pvlib 0.16, NREL solar position algorithm (Reda and Andreas 2004), 1955 to 2095."""
    worst = max(float(np.abs(np.degrees(np.arcsin(sine)) - height).max()) for sine, height, *_ in skies)
    assert worst < 0.03


def test_haurwitz_sky(skies: list[tuple[np.ndarray, ...]]) -> None:
    """pvlib 0.16, clearsky.haurwitz, which names Haurwitz 1945 and 1946."""
    for _, _, ours, theirs, _ in skies:
        assert np.abs(ours - theirs).max() < 1.0


@pytest.mark.parametrize(
    ("day", "noon", "ghi"), [("2025-06-21", 906.8, 929), ("2025-03-21", 661.4, 667), ("2025-12-21", 264.8, 276)]
)
def test_highest_of_the_day_in_paris(day: str, noon: float, ghi: float) -> None:
    """pvlib 0.16, Ineichen sky with its own turbidity table, 48.9 N 2.35 E: within 5 % at its highest."""
    found = sun_day(Exposure(place(48.9, 2.35), ZoneInfo("Europe/Paris")), date.fromisoformat(day))
    assert found.peak == pytest.approx(ghi, abs=2)
    assert found.peak == pytest.approx(noon, rel=0.05)


def test_day_sum_in_paris() -> None:
    """pvlib 0.16, Ineichen, 2025-06-21: 8257 Wh/m2; SPECTRL2 UVA of that day 159 J/cm2, 400 to 525 nm 5.8 MJ/m2."""
    found = sun_day(Exposure(place(48.9, 2.35), ZoneInfo("Europe/Paris")), date(2025, 6, 21))
    assert found.energy == pytest.approx(8257 * 0.0036, rel=0.06)
    assert found.uva[0] < 159 < found.uva[2]
    assert found.blue[0] < 580 < found.blue[2]


def test_an_upper_bound(skies: list[tuple[np.ndarray, ...]]) -> None:
    """Day sums stay at or above Ineichen's with its turbidity, and within a fifth of it where the sun is up at all."""
    for _, _, ours, _, ineichen in skies:
        if ineichen.sum() * 600 > 1e6:
            assert 0.93 < ours.sum() / ineichen.sum() < 1.2


def test_shares_of_the_standard_spectrum() -> None:
    """ASTM G173 global tilt, as bundled with pvlib 0.16: 315 to 400 nm 4.54 %, 400 to 525 nm 17.8 %."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import pvlib

        spectrum = pvlib.spectrum.get_reference_spectra()["global"]
    nm, watt = spectrum.index.to_numpy(), spectrum.to_numpy()
    whole = np.trapezoid(watt, nm)
    for name, low, high in (("uva", 315, 400), ("blue", 400, 525)):
        inside = (nm >= low) & (nm <= high)
        share = np.trapezoid(watt[inside], nm[inside]) / whole
        least, _, most = SHARES[name]  # type: ignore[index]
        assert least < share < most
