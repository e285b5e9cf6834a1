"""Units by place: metric everywhere, and where inches and degrees Fahrenheit are at home, these beside it.

What stands on parts and in standards is metric, so that goes first; the customary figure follows in brackets. Typed
figures may carry a customary unit anywhere. Factors: NIST Special Publication 811 (2008), appendix B; which places use
which: Unicode CLDR, measurement systems.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar

SYSTEMS = ("metric", "us")
CUSTOMARY_REGIONS = frozenset({"US", "LR", "MM"})
"""Regions whose measurement system the CLDR has as "US"."""

INCH = 0.0254  # [m], exact
OUNCE = 28.349523125  # [g], exact (avoirdupois)
POUND = 453.59237  # [g], exact
FLUID_OUNCE = 0.0295735295625  # [L], exact (US)
GALLON = 3.785411784  # [L], exact (US)

_WORDS: dict[str, tuple[str, float]] = {
    "in": ("m", INCH), "inch": ("m", INCH), "inches": ("m", INCH), '"': ("m", INCH), "″": ("m", INCH),
    "oz": ("g", OUNCE), "lb": ("g", POUND), "lbs": ("g", POUND),
    "fl oz": ("L", FLUID_OUNCE), "floz": ("L", FLUID_OUNCE), "gal": ("L", GALLON),
}  # fmt: skip
_FAHRENHEIT = ("°f", "f", "deg f", "fahrenheit")
_SCALES = {"m": ("m", 1.0), "mm": ("m", 1e-3), "g": ("g", 1.0), "kg": ("g", 1e3), "L": ("L", 1.0), "l": ("L", 1.0)}
_NUMBER = re.compile(r"\s*([+\-−]?(?:\d+(?:[.,]\d*)?|[.,]\d+))\s*(\D*?)\s*")

_current: ContextVar[str] = ContextVar("units", default="metric")


@contextmanager
def showing(system: str) -> Iterator[None]:
    """Show figures in this system within the block: `metric`, or `us` with customary units beside."""
    before = _current.set(system if system in SYSTEMS else "metric")
    try:
        yield
    finally:
        _current.reset(before)


def current() -> str:
    """The system that figures are shown in now."""
    return _current.get()


def system_of(tag: str) -> str:
    """The system of a language tag (BCP 47) with a region, such as en-US; metric without one."""
    parts = tag.strip().replace("_", "-").split("-")
    return "us" if any(part.upper() in CUSTOMARY_REGIONS and len(part) == 2 for part in parts[1:]) else "metric"


def fahrenheit(celsius: float) -> float:
    """Degrees Fahrenheit of degrees Celsius."""
    return celsius * 1.8 + 32.0


def beside(value: float, unit: str) -> tuple[float, str] | None:
    """The customary figure and unit to show beside a metric one, where such are shown: °C, m, g and L; else None."""
    if _current.get() != "us":
        return None
    if unit == "°C":
        return fahrenheit(value), "°F"
    if unit == "m":
        return value / INCH, "in"
    if unit == "g":
        return (value / POUND, "lb") if abs(value) >= POUND else (value / OUNCE, "oz")
    if unit == "L":
        return (value / GALLON, "gal") if abs(value) >= GALLON else (value / FLUID_OUNCE, "fl oz")
    return None


def from_customary(text: str, unit: str) -> float | None:
    """A figure typed with a customary unit ("68 °F", "0.5 in"), in the metric `unit` that is asked for.

    None where the text has no customary unit of that kind, so that it is read as any other.
    """
    found = _NUMBER.fullmatch(text)
    if not found:
        return None
    value = float(found[1].replace(",", ".").replace("−", "-"))
    word = " ".join(found[2].casefold().replace("º", "°").rstrip(".").split())
    if unit == "°C":
        return (value - 32.0) / 1.8 if word in _FAHRENHEIT else None
    kind, scale = _SCALES.get(unit, ("", 1.0))
    if word not in _WORDS or _WORDS[word][0] != kind:
        return None
    return value * _WORDS[word][1] / scale
