"""One cell of a text file: a number, a number with its unit, a date or a clock time, a gap, or words."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date
from math import nan

from refettle.captures.model import TIME_UNITS
from refettle.quantities import plain

MISSING = frozenset(("", "nan", "+nan", "-nan", "n/a", "na", "#n/a", "#num!", "null", "none", "-", "--", "---", "----",
                     "-----", "?", "invalid", "1.#qnan"))  # fmt: skip
OVER = frozenset(("ol", "+ol", "-ol", "o.l", "o.l.", "-o.l", "0.l", ".ol", "0l", "ovld", "ovl", "over", "overload",
                  "overrange", "over range", "overflow", "ovrflw", "inf", "+inf", "-inf", "infinity", "-infinity",
                  "∞", "-∞", "1.#inf", "-1.#inf"))  # fmt: skip
FROM_OVER = 9.9e37
"""SCPI-99 writes 9.9E37 for infinity and 9.91E37 for not a number: from here on nothing is a reading."""

THOUSANDS = "'’ \u00a0\u202f\u2009"

_NAMES = {
    "V": ("v", "volt", "volts", "vdc", "vac", "v dc", "v ac", "vrms"),
    "A": ("a", "amp", "amps", "ampere", "amperes", "adc", "aac", "a dc", "a ac"),
    "Ω": ("Ω", "ω", "ohm", "ohms", "r"),
    "W": ("w", "watt", "watts"),
    "Hz": ("hz", "hertz"),
    "F": ("f", "farad"),
    "H": ("h", "henry"),
    "s": ("s", "sec", "secs", "second", "seconds", "sek", "sekunde", "sekunden"),
    "°C": ("°c", "degc", "deg c", "celsius"),
    "%": ("%",),
    "dB": ("db", "dbv", "dbm", "dbu"),
}
_PREFIX = {"p": 1e-12, "n": 1e-9, "µ": 1e-6, "u": 1e-6, "m": 1e-3, "": 1.0, "k": 1e3, "K": 1e3, "M": 1e6, "G": 1e9,
           "pico": 1e-12, "nano": 1e-9, "micro": 1e-6, "milli": 1e-3, "kilo": 1e3, "mega": 1e6}  # fmt: skip
_UNPREFIXED = ("°C", "%", "dB")
_BY_NAME = {name: unit for unit, names in _NAMES.items() for name in names}


def unit_of(text: str) -> tuple[str, float] | None:
    """SI unit and factor of a unit as people and instruments write it: mV is ("V", 1e-3). None where it is none.

    Capital M before volts, amperes or seconds is not guessed at: instruments write MV for millivolts too.
    """
    cleaned = plain(text).strip(" .")
    if not cleaned or len(cleaned) > 20:
        return None
    if (known := _BY_NAME.get(cleaned.casefold())) and not (cleaned in ("h", "S", "F", "f") and len(cleaned) == 1):
        return known, 1.0
    if cleaned == "F":
        return "F", 1.0
    if cleaned.casefold() in ("min", "mins", "minute", "minutes"):
        return "s", 60.0
    if cleaned in ("h", "hr", "hour", "hours"):
        return "s", 3600.0
    if cleaned == "S":
        return "s", 1.0
    for prefix, factor in _PREFIX.items():
        if prefix and cleaned.startswith(prefix):
            name = cleaned[len(prefix) :].strip().casefold()
            unit = _BY_NAME.get(name)
            if unit and unit not in _UNPREFIXED and not (prefix == "M" and unit in ("V", "A", "s", "F", "H")):
                return unit, factor
    return None


def time_unit_of(text: str) -> float | None:
    """[s] What a unit of time stands for, or None."""
    if text in TIME_UNITS:
        return TIME_UNITS[text]
    found = unit_of(text)
    return found[1] if found and found[0] == "s" else None


@dataclass(frozen=True, slots=True)
class Style:
    """How numbers are written: the decimal mark, and whether thousands may be set off."""

    decimal: str = "."

    def number(self, text: str) -> float | None:
        """The number in a cell, NaN for a gap or an over-range word, None where it is neither."""
        try:
            if self.decimal == ".":
                return _over(float(text)) if "_" not in text else None
            if "." not in text:
                return _over(float(text.replace(",", "."))) if not text.endswith(",") and "_" not in text else None
        except ValueError:
            pass
        if "\t" in text:
            return None
        cleaned = plain(text)
        word = cleaned.casefold()
        if word in MISSING or word in OVER:
            return nan
        mark, other = (r"\.", ",") if self.decimal == "." else (",", r"\.")
        if re.fullmatch(rf"[+-]?[1-9]\d{{0,2}}(?:([{other}' ’])\d{{3}})(?:\1\d{{3}})*(?:{mark}\d*)?", cleaned):
            return float(re.sub(rf"[{other}' ’]", "", cleaned).replace(",", "."))
        if self.decimal == ",":
            if "." in cleaned or cleaned.endswith(","):
                return None
            cleaned = cleaned.replace(",", ".")
        # ++ and *+: a long row of digits is gone through once, not once for each way to part it
        if re.fullmatch(r"[+-]? ?(\d++\.?\d*+|\.\d++)( ?[eEdD] ?[+-]?\d{1,3})?", cleaned):
            return _over(float(re.sub(r"[dD]", "e", cleaned.replace(" ", ""))))
        return None

    def measured(self, text: str) -> tuple[float, str, float] | None:
        """A number with its unit behind it, `12.3 mV` as (12.3, "V", 1e-3); None where it is no such thing."""
        found = re.fullmatch(r"\s*([+\-−]? ?[\d.,'’]+(?:[eE][+-]?\d+)?)\s*([^\d\s.,'’][^\d,;]{0,19})", text)
        if not found:
            return None
        value = self.number(found[1])
        unit = unit_of(re.sub(r"(?i)\s*\b(dc|ac|rms)\b\s*$", "", found[2]))
        return None if value is None or unit is None else (value, *unit)


def _over(value: float) -> float:
    return value if abs(value) < FROM_OVER else nan


def is_over(text: str) -> bool:
    """Whether a cell says that the reading was beyond the range."""
    word = plain(text).casefold()
    if word in OVER:
        return True
    try:
        return FROM_OVER <= abs(float(word.replace(",", "."))) < 9.905e37
    except ValueError:
        return False


def rescale(value: float, factor: float) -> float:
    """`value` times `factor`; for a thousandth and the like by division, which rounds once."""
    return value / round(1.0 / factor) if 0.0 < factor < 1.0 else value * factor


_DATE = r"(\d{4})[-/.](\d{1,2})[-/.](\d{1,2})|(\d{1,2})[-/.](\d{1,2})[-/.](\d{4}|\d{2})"
_CLOCK = r"(\d{1,3}):(\d{2})(?::(\d{2}))?(?:[.,:](\d{1,9}))?\s*([aApP]\.?[mM]\.?)?"
_WHEN = re.compile(rf"(?:{_DATE})?[T ,_]*(?:{_CLOCK})?\s*(?:Z|UTC|[+-]\d\d:?\d\d)?")


def when(text: str, month_first: bool = False) -> tuple[int | None, float | None] | None:
    """Day number and seconds of the day of a date, a clock time, or both; None where it is neither.

    A date as 3/4/2026 is read day first unless `month_first`; where that gives no date, the other way.
    """
    cleaned = text.strip()
    found = _WHEN.fullmatch(cleaned) if 4 <= len(cleaned) <= 40 and cleaned[0].isdigit() else None
    if not found or not (found[1] or found[4] or found[7]):
        return None
    year, month, day, one, two, short, hour, minute, second, part, half = found.groups()
    at: int | None = None
    if year or one:
        try:
            if year:
                at = date(int(year), int(month), int(day)).toordinal()
            else:
                full = int(short) + (2000 if len(short) == 2 else 0)
                first, last = (two, one) if month_first else (one, two)
                if int(last) > 12:
                    first, last = last, first
                at = date(full, int(last), int(first)).toordinal()
        except ValueError:
            return None
    clock: float | None = None
    if hour:
        if int(minute) > 59 or (second and int(second) > 60):
            return None
        if second is None and part is not None:  # minutes and seconds since the start
            clock = 60.0 * int(hour) + float(f"{minute}.{part}")
        else:
            hours = int(hour)
            if half:
                hours = hours % 12 + (12 if half[0] in "pP" else 0)
            clock = 3600.0 * hours + 60.0 * int(minute) + float(f"{second or 0}.{part or 0}")
    return at, clock
