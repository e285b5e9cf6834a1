"""Lamps: band, dose, eyes; and the sun of a day."""

from __future__ import annotations

import re
from datetime import date, time, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from refettle.knowledge.loading import load_library
from refettle.whitening.light import LAMP_CAUTIONS, TRIAL, band, eye_seconds, lamp_dose
from refettle.whitening.sun import (
    SUN_CAUTIONS,
    Exposure,
    Place,
    clear_sky,
    cloud_factor,
    place,
    reach,
    read_dose,
    read_hours,
    read_place,
    sun_day,
    window,
)
from refettle.whitening.values import WhiteningError

PARIS = Exposure(place(48.9, 2.35), ZoneInfo("Europe/Paris"))
JUNE = date(2031, 6, 21)


def test_dose_over_a_grid() -> None:
    found = lamp_dose(10, [4.0, 3.0, 5.0, 4.0], nanometre=395, wanted=100)
    assert (found.least, found.mean, found.most) == (3.0, 4.0, 5.0)
    assert found.dose == pytest.approx((108, 144, 180))
    assert found.hours_to == pytest.approx(100 / 3 / 3.6)
    assert found.evenness == pytest.approx(0.6)
    assert any("uneven" in note for note in found.notes)
    assert found.eye_seconds == pytest.approx(200)


def test_no_meter_no_dose() -> None:
    found = lamp_dose(12, nanometre=395)
    assert (found.lamp_hours, found.dose, found.mean, found.eye_seconds) == (12, None, None, None)
    with pytest.raises(WhiteningError, match="no meter reading found"):
        lamp_dose(12, wanted=50)


@pytest.mark.parametrize(
    ("nanometre", "set_up", "says", "word"),
    [
        (185, "open", "refused", "ozone"),
        (254, "open", "refused", "closed box"),
        (254, "boxed", "warning", "eats the plastic"),
        (300, "open", "refused", "below 315"),
        (365, "open", "warning", "below 380"),
        (395, "open", "fit", "bleaches"),
        (450, "open", "fit", "never look"),
        (630, "boxed", "warning", "only warms"),
    ],
)
def test_bands(nanometre: float, set_up: str, says: str, word: str) -> None:
    found = band(nanometre, set_up)  # type: ignore[arg-type]
    assert found.says == says
    assert any(word in reason for reason in found.reasons)


@given(st.floats(0, 1e4), st.floats(0, 1e4))
def test_more_light_less_time(one: float, other: float) -> None:
    low, high = sorted((one, other))
    assert eye_seconds(low) >= eye_seconds(high)
    assert eye_seconds(low) <= 28_800


def test_cautions_exist() -> None:
    assert set(LAMP_CAUTIONS) | set(SUN_CAUTIONS) <= set(load_library().cautions)
    assert any("14 days" in line for line in TRIAL)


def test_a_midsummer_day() -> None:
    found = sun_day(PARIS, JUNE)
    assert found.rises is not None
    assert found.sets is not None
    assert (found.rises.hour, found.sets.hour, found.noon.hour) == (5, 21, 13)
    assert found.height == pytest.approx(90 - 48.9 + 23.44, abs=0.05)
    low, middle, high = found.uva
    assert (low, high) == pytest.approx((0.8 * middle, 1.2 * middle))
    assert found.blue[1] > 3 * middle


def test_the_window_gives_its_dose() -> None:
    found = window(PARIS, JUNE, 100)
    assert found is not None
    assert found.hours_most is not None
    assert found.hours_least < found.hours < found.hours_most
    inside = Exposure(PARIS.where, PARIS.zone, (found.begins.time(), found.ends.time()))
    assert sun_day(inside, JUNE).uva[1] == pytest.approx(100, rel=2e-3)
    for shift in (-1, 1):
        hours = [(each + timedelta(hours=shift)).time() for each in (found.begins, found.ends)]
        assert sun_day(Exposure(PARIS.where, PARIS.zone, (hours[0], hours[1])), JUNE).uva[1] < 100


def test_winter_takes_several_days() -> None:
    found = reach(PARIS, date(2031, 12, 1), 100)
    assert found.window is None
    assert found.days_in_a_row in (4, 5)
    assert found.first_day is not None
    assert found.first_day.month == 3
    assert found.first_window is not None
    assert reach(PARIS, date(2031, 12, 1), 1e5).first_day is None


def test_at_the_edge_of_the_years() -> None:
    assert reach(PARIS, date(2099, 12, 31), 100).days_in_a_row is None


def test_polar_day_and_night() -> None:
    far = Exposure(place(78.2, 15.6), ZoneInfo("Arctic/Longyearbyen"))
    day, night = sun_day(far, JUNE), sun_day(far, date(2031, 12, 21))
    assert (day.rises, day.sets, night.rises) == (None, None, None)
    assert day.energy > 20
    assert (night.energy, night.peak) == (0, 0)
    assert window(far, date(2031, 12, 21), 1) is None


def test_days_of_23_and_25_hours() -> None:
    for day in (date(2031, 3, 30), date(2031, 10, 26)):
        before, after = (sun_day(PARIS, day.replace(day=day.day + d)).energy for d in (-1, 1))
        assert min(before, after) <= sun_day(PARIS, day).energy <= max(before, after)


def test_cover_and_cloud() -> None:
    covered = Exposure(PARIS.where, PARIS.zone, cover=0.5, cloud=1.0)
    assert sun_day(covered, JUNE).energy == pytest.approx(0.125 * sun_day(PARIS, JUNE).energy)
    assert cloud_factor(0) == 1
    assert covered.shares("uva")[2] == 0.068


@settings(max_examples=30, deadline=None)
@given(st.floats(-90, 90), st.floats(-180, 180), st.dates(date(1950, 1, 2), date(2099, 12, 30)), st.floats(1, 500))
def test_any_place_any_day(latitude: float, longitude: float, day: date, dose: float) -> None:
    exposure = Exposure(place(latitude, longitude), ZoneInfo("UTC"))
    found = sun_day(exposure, day)
    assert -90 <= found.height <= 90
    assert 0 <= found.peak < 1098
    assert 0 <= found.energy < 45
    hours = window(exposure, day, dose)
    assert (hours is None) == (found.uva[1] < dose * (1 - 1e-9)) or found.uva[1] == pytest.approx(dose)


def test_the_sky_grows_with_the_sun() -> None:
    sky = clear_sky(np.linspace(-1, 1, 400))
    assert (np.diff(sky) >= 0).all()
    assert sky[0] == 0


@pytest.mark.parametrize(
    ("text", "found"), [("48.9,2.35", (48.9, 2.35)), ("-33.9, 18.4", (-33.9, 18.4)), ("−1 36", (-1, 36))]
)
def test_places(text: str, found: tuple[float, float]) -> None:
    assert read_place(text) == Place(*found)


@pytest.mark.parametrize(
    ("text", "dose"),
    [("100J/cm2", 100), ("100 J/cm²", 100), ("1 MJ/m2", 100), ("500 kJ/m^2", 50), ("2,5 J / cm2", 2.5)],
)
def test_doses(text: str, dose: float) -> None:
    assert read_dose(text) == pytest.approx(dose)


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda: read_place("Paris"), "place: 'Paris' found"),
        (lambda: read_place("98,2"), "latitude: 98 ° found; allowed: from -90 to 90"),
        (lambda: read_place("48,200"), "longitude: 200 ° found"),
        (lambda: sun_day(PARIS, date(1949, 12, 31)), "date: 1949-12-31 found; allowed: 1950-01-01 to 2099-12-31"),
        (lambda: sun_day(PARIS, date(2100, 1, 1)), "date: 2100-01-01 found"),
        (lambda: window(PARIS, JUNE, -3), "dose: -3 J/cm2 found"),
        (lambda: Exposure(PARIS.where, PARIS.zone, cover=1.2), "cover: 1.2 found; allowed: above 0 to 1"),
        (lambda: Exposure(PARIS.where, PARIS.zone, cloud=-1), "cloud: -1 found"),
        (lambda: Exposure(PARIS.where, PARIS.zone, (time(16), time(10))), "an end after the beginning"),
        (lambda: read_dose("100"), "dose: '100' found"),
        (lambda: read_dose("-5 J/cm2"), "dose: -5 J/cm2 found"),
        (lambda: read_hours("25:00-26:00"), "hours: '25:00-26:00' found"),
        (lambda: lamp_dose(-1), "hours: -1 h found"),
        (lambda: lamp_dose(1, [3, -2]), "reading 2: -2 mW/cm2 found"),
        (lambda: lamp_dose(1, [0, 0]), "nothing above 0"),
        (lambda: band(100), "wavelength: 100 nm found"),
    ],
)
def test_refused(call: object, says: str) -> None:
    with pytest.raises(WhiteningError, match=re.escape(says)):
        call()  # type: ignore[operator]
