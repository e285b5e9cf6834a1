"""How much sun a part gets at a place on a day: an upper bound, from the sun's height and a clear-sky formula.

Sun: low-precision formulas of the Astronomical Almanac (Michalsky 1988), good to about 0.01° from 1950 to 2050 and
little worse to 2100. Sky, on the level and unshaded (Haurwitz 1945, with the constant commonly used):

    G = 1098 cos z exp(-0.059 / cos z)    [W/m2]

UVA (315 to 400 nm) is taken as 0.05 G, within 20 % under a clear sky (0.045 from the ASTM G173 spectrum, 0.047 to
0.054 computed for whole days), 0.04 to 0.068 under cloud (measured UV shares of 5.1 to 6.8 %); 400 to 525 nm, which
bleaches without peroxide, as 0.185 G within 10 % (0.178 from ASTM G173, 0.193 computed for a midsummer day). Cloud over
a share n of the sky lets through 1 - 0.75 n^3.4 (Kasten and Czeplak 1980, from memory).
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta, tzinfo
from math import radians
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from refettle.language import mark, tr
from refettle.whitening.values import WhiteningError, within

Floats = NDArray[np.float64]
Band = Literal["uva", "blue"]
SHARES: dict[Band, tuple[float, float, float]] = {"uva": (0.04, 0.05, 0.06), "blue": (0.1665, 0.185, 0.2035)}
"""Least, middle and most share of the global radiation, clear sky."""
CLOUDY_UVA = 0.068
BANDS: dict[Band, str] = {"uva": "UVA, 315 to 400 nm", "blue": mark("violet to green, 400 to 525 nm")}
FIRST, LAST = date(1950, 1, 1), date(2099, 12, 31)
STEP = 300.0
"""[s]"""
SEARCH_DAYS = 366
J2000 = 946_728_000.0
"""[s] since 1970 of 2000-01-01 12:00 UTC."""
SUN_CAUTIONS = ("uv", "heat", "peroxide", "bromine-dust")


@dataclass(frozen=True, slots=True)
class Place:
    """Degrees, north and east positive."""

    latitude: float
    longitude: float


@dataclass(frozen=True, slots=True)
class Window:
    """The shortest stretch of a day that gives the dose: in the middle case, and [h] if there is more or less of it."""

    begins: datetime
    ends: datetime
    hours: float
    hours_least: float
    hours_most: float | None


@dataclass(frozen=True, slots=True)
class SunDay:
    """A day at a place. Local times; `rises` and `sets` are None where the sun does neither.

    `height` [°] and `peak` [W/m2] at their highest; `energy` [MJ/m2] of all light, `uva` and `blue` [J/cm2] least,
    middle, most, all between `begins` and `ends`, behind `cover` and `cloud`.
    """

    day: date
    begins: datetime
    ends: datetime
    rises: datetime | None
    sets: datetime | None
    noon: datetime
    height: float
    peak: float
    energy: float
    uva: tuple[float, float, float]
    blue: tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class Reach:
    """Which day and hours reach a dose. None where none does within 366 days."""

    dose: float
    band: Band
    window: Window | None
    days_in_a_row: int | None
    first_day: date | None
    first_window: Window | None


def read_place(text: str) -> Place:
    """`48.9,2.35` or `48,9; 2,35`, latitude and longitude in degrees. WhiteningError for anything else."""
    point = re.fullmatch(r"\s*([-+−]?\d+(?:\.\d+)?)°?\s*[,; ]\s*([-+−]?\d+(?:\.\d+)?)°?\s*", text)
    found = point or re.fullmatch(r"\s*([-+−]?\d+(?:,\d+)?)°?\s*[; ]\s*([-+−]?\d+(?:,\d+)?)°?\s*", text)
    if not found:
        raise WhiteningError(
            tr("place: {text!r} found; allowed: latitude,longitude in degrees, as 48.9,2.35", text=text[:60])
        )
    north, east = (float(each.replace("−", "-").replace(",", ".")) for each in found.groups())
    return place(north, east)


def place(latitude: float, longitude: float) -> Place:
    """A place, checked. WhiteningError off the globe."""
    within("latitude", latitude, -90.0, 90.0, "°")
    within("longitude", longitude, -180.0, 180.0, "°")
    return Place(latitude, longitude)


def checked(day: date) -> date:
    """`day` from 1950 to 2099; WhiteningError outside, where the sun's formulas are not good."""
    if not FIRST <= day <= LAST:
        raise WhiteningError(tr("date: {day} found; allowed: {first} to {last}", day=day, first=FIRST, last=LAST))
    return day


def sine_of_height(where: Place, seconds: Floats) -> Floats:
    """Sine of the sun's height at `seconds` since 1970 (UTC); no refraction."""
    days = (seconds - J2000) / 86_400.0
    anomaly = np.radians(357.528 + 0.9856003 * days)
    lon = np.radians(280.460 + 0.9856474 * days + 1.915 * np.sin(anomaly) + 0.020 * np.sin(2.0 * anomaly))
    tilt = np.radians(23.439 - 4e-7 * days)
    ascension = np.arctan2(np.cos(tilt) * np.sin(lon), np.cos(lon))
    sine = np.sin(tilt) * np.sin(lon)
    sidereal = 15.0 * (6.697375 + 0.0657098242 * days + (seconds % 86_400.0) / 3600.0)
    hour_angle = np.radians(sidereal + where.longitude) - ascension
    north = radians(where.latitude)
    height: Floats = np.sin(north) * sine + np.cos(north) * np.sqrt(1.0 - sine * sine) * np.cos(hour_angle)
    return height


def clear_sky(sine: Floats) -> Floats:
    """[W/m2] on the level under a clear sky, for the sine of the sun's height; 0 below the horizon."""
    up = np.maximum(sine, 1e-3)
    sky: Floats = np.where(sine > 1e-3, 1098.0 * up * np.exp(-0.059 / up), 0.0)
    return sky


def cloud_factor(cloud: float) -> float:
    """Share that comes through with a share `cloud` of the sky covered, 0 to 1."""
    within("cloud", cloud, 0.0, 1.0, "")
    return float(1.0 - 0.75 * cloud**3.4)


@dataclass(frozen=True, slots=True)
class Exposure:
    """Where, when in the day, and behind what a part lies.

    `zone` of the place; `hours` from and to, local, or None for the whole day; `cover` share that a lid, film or glass
    lets through; `cloud` share of the sky covered.
    """

    where: Place
    zone: tzinfo
    hours: tuple[time, time] | None = None
    cover: float = 1.0
    cloud: float = 0.0

    def __post_init__(self) -> None:
        within("cover", self.cover, 0.0, 1.0, "", above=True)
        within("cloud", self.cloud, 0.0, 1.0, "")
        if self.hours is not None and self.hours[0] >= self.hours[1]:
            begins, ends = self.hours
            raise WhiteningError(
                tr(
                    "hours: {begins:%H:%M} to {ends:%H:%M} found; allowed: an end after the beginning",
                    begins=begins,
                    ends=ends,
                )
            )

    def span(self, day: date) -> tuple[datetime, datetime]:
        """First and last moment of `day`, local."""
        if self.hours is None:
            after = datetime.combine(day + timedelta(days=1), time(), self.zone)
            return datetime.combine(day, time(), self.zone), after
        return tuple(datetime.combine(day, each, self.zone) for each in self.hours)  # type: ignore[return-value]

    def shares(self, band: Band) -> tuple[float, float, float]:
        """Least, middle and most share of all light in `band`."""
        least, middle, most = SHARES[band]
        return (least, middle, max(most, CLOUDY_UVA)) if band == "uva" and self.cloud > 0 else (least, middle, most)


def _curve(exposure: Exposure, day: date) -> tuple[Floats, Floats]:
    """Times [s since 1970] over the day's span and the light [W/m2] then."""
    begins, ends = (each.timestamp() for each in exposure.span(checked(day)))
    count = max(2, round((ends - begins) / STEP) + 1)
    times = np.linspace(begins, ends, count)
    light = clear_sky(sine_of_height(exposure.where, times)) * cloud_factor(exposure.cloud) * exposure.cover
    return times, light


def _summed(times: Floats, light: Floats) -> Floats:
    """[J/m2] from the first moment to each."""
    steps = np.diff(times) * (light[1:] + light[:-1]) / 2.0
    return np.concatenate([[0.0], np.cumsum(steps)])


def sun_day(exposure: Exposure, day: date) -> SunDay:
    """What one day gives, clear sky: an upper bound. WhiteningError for days outside 1950 to 2099."""
    times, light = _curve(exposure, day)
    total = float(_summed(times, light)[-1])
    begins, ends = exposure.span(day)
    whole = Exposure(exposure.where, exposure.zone)
    all_day, _ = _curve(whole, day)
    sine = sine_of_height(exposure.where, all_day)
    highest = int(np.argmax(sine))
    rises, sets = _crossings(all_day, sine)

    def local(moment: float | None) -> datetime | None:
        return None if moment is None else datetime.fromtimestamp(round(moment), exposure.zone)

    noon = local(float(all_day[highest]))
    assert noon is not None
    uva, blue = (tuple(total * share / 1e4 for share in exposure.shares(band)) for band in SHARES)
    return SunDay(
        day=day,
        begins=begins,
        ends=ends,
        rises=local(rises),
        sets=local(sets),
        noon=noon,
        height=float(np.degrees(np.arcsin(min(1.0, sine[highest])))),
        peak=float(light.max()),
        energy=total / 1e6,
        uva=uva,  # type: ignore[arg-type]
        blue=blue,  # type: ignore[arg-type]
    )


def _crossings(times: Floats, sine: Floats) -> tuple[float | None, float | None]:
    """When the sun comes over the horizon, and goes under it."""
    found: list[float | None] = []
    for up in (True, False):
        at = np.flatnonzero((sine[:-1] <= 0) & (sine[1:] > 0) if up else (sine[:-1] > 0) & (sine[1:] <= 0))
        if not at.size:
            found.append(None)
            continue
        n = int(at[0] if up else at[-1])
        found.append(float(times[n] + (times[n + 1] - times[n]) * sine[n] / (sine[n] - sine[n + 1])))
    return found[0], found[1]


def window(exposure: Exposure, day: date, dose: float, band: Band = "uva") -> Window | None:
    """The shortest stretch of `day` that gives `dose` [J/cm2] in `band`; None if the whole of it gives less."""
    within("dose", dose, 0.0, 1e6, "J/cm2", above=True)
    times, light = _curve(exposure, day)
    summed = _summed(times, light)
    spans = [_shortest(times, summed, dose * 1e4 / share) for share in exposure.shares(band)]
    if spans[1] is None:
        return None
    begins, ends = spans[1]
    most, least = (None if span is None else (span[1] - span[0]) / 3600.0 for span in (spans[0], spans[2]))
    assert least is not None
    start, stop = (datetime.fromtimestamp(round(each), exposure.zone) for each in (begins, ends))
    return Window(start, stop, (ends - begins) / 3600.0, least, most)


def _shortest(times: Floats, summed: Floats, joule: float) -> tuple[float, float] | None:
    """The shortest stretch over which `summed` grows by `joule` [J/m2]."""
    wanted = summed + joule
    fits = np.flatnonzero(wanted <= summed[-1])
    if not fits.size:
        return None
    at = np.searchsorted(summed, wanted[fits])
    before = np.maximum(at - 1, 0)
    steps = np.maximum(summed[at] - summed[before], 1e-12)
    ends = times[before] + (times[at] - times[before]) * (wanted[fits] - summed[before]) / steps
    best = int(np.argmin(ends - times[fits]))
    return float(times[fits][best]), float(ends[best])


def reach(exposure: Exposure, day: date, dose: float, band: Band = "uva") -> Reach:
    """Which hours of `day`, how many days in a row from it, and which first single day give `dose` [J/cm2]."""
    today = window(exposure, day, dose, band)
    if today is not None:
        return Reach(dose, band, today, 1, day, today)
    share = exposure.shares(band)[1] / 1e4
    total, in_a_row, first = 0.0, None, None
    for number in range(SEARCH_DAYS):
        then = day + timedelta(days=number)
        if then > LAST or (in_a_row is not None and first is not None):
            break
        given = float(_summed(*_curve(exposure, then))[-1]) * share
        total += given
        if in_a_row is None and total >= dose:
            in_a_row = number + 1
        if first is None and given >= dose:
            first = then
    return Reach(dose, band, None, in_a_row, first, None if first is None else window(exposure, first, dose, band))


def read_dose(text: str) -> float:
    """[J/cm2] from `100J/cm2`, `100 J/cm²`, `1 MJ/m2`, `500 kJ/m2`. WhiteningError otherwise."""
    found = re.fullmatch(r"\s*([-+]?\d+(?:[.,]\d+)?)\s*(k|M|m)?J\s*/\s*(cm|m)\s*(?:2|²|\^2)\s*", text)
    if not found:
        raise WhiteningError(tr("dose: {text!r} found; allowed: a dose such as 100J/cm2 or 1 MJ/m2", text=text[:60]))
    scale = {None: 1.0, "m": 1e-3, "k": 1e3, "M": 1e6}[found[2]] * (1.0 if found[3] == "cm" else 1e-4)
    return within("dose", float(found[1].replace(",", ".")) * scale, 0.0, 1e6, "J/cm2", above=True)


def read_hours(text: str) -> tuple[time, time]:
    """`10:00-16:00` as two local times. WhiteningError otherwise."""
    found = re.fullmatch(r"\s*(\d{1,2})(?::(\d\d))?\s*[-–]\s*(\d{1,2})(?::(\d\d))?\s*", text)
    if found:
        numbers = [int(each or 0) for each in found.groups()]
        if max(numbers[0], numbers[2]) <= 23 and max(numbers[1], numbers[3]) <= 59:
            return time(numbers[0], numbers[1]), time(numbers[2], numbers[3])
    raise WhiteningError(tr("hours: {text!r} found; allowed: from and to on one day, as 10:00-16:00", text=text[:60]))
