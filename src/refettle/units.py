"""Units by place: metric everywhere, and where inches and degrees Fahrenheit are at home, these beside it.

What stands on parts and in standards is metric, so that goes first; the customary figure follows in brackets, for a
quantity (`beside`) and for the figures within a sentence (`with_customary`). Typed figures may carry a customary unit
anywhere. Factors: NIST Special Publication 811 (2008), appendix B; which places use which: Unicode CLDR, measurement
systems.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from decimal import Decimal

SYSTEMS = ("metric", "us")
CUSTOMARY_REGIONS = frozenset({"US", "LR", "MM"})
"""Regions whose measurement system the CLDR has as "US"."""

INCH = 0.0254  # [m], exact
FOOT = 0.3048  # [m], exact
OUNCE = 28.349523125  # [g], exact (avoirdupois)
POUND = 453.59237  # [g], exact
FLUID_OUNCE = 0.0295735295625  # [L], exact (US)
GALLON = 3.785411784  # [L], exact (US)

_WORDS: dict[str, tuple[str, float]] = {
    "in": ("m", INCH), "inch": ("m", INCH), "inches": ("m", INCH), '"': ("m", INCH), "″": ("m", INCH),
    "ft": ("m", FOOT), "foot": ("m", FOOT), "feet": ("m", FOOT),
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


def are_customary() -> bool:
    """True where customary figures stand beside the metric ones now."""
    return _current.get() == "us"


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
    return _customary(value, unit, abs(value))


def _customary(value: float, unit: str, size: float) -> tuple[float, str] | None:
    """`value` [°C, m, g, L] in the customary unit that fits a figure of this `size` [the same unit]."""
    if unit == "°C":
        return fahrenheit(value), "°F"
    if unit == "m":
        return (value / FOOT, "ft") if size >= 1.0 else (value / INCH, "in")
    if unit == "g":
        return (value / POUND, "lb") if size >= POUND else (value / OUNCE, "oz")
    if unit == "L":
        return (value / GALLON, "gal") if size >= GALLON else (value / FLUID_OUNCE, "fl oz")
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


# ---------------------------------------------------------------- figures within sentences

GUARDS = ("\x02", "\x03")
"""Between these stands what somebody typed, or what has its figures already: `with_customary` leaves it as it is."""
CLOSE_ENOUGH = 0.05
"""A rounded figure is no further off than this share of the metric one: a choice."""

_METRIC = {
    "°C": ("°C", 1.0), "mm": ("m", 1e-3), "cm": ("m", 1e-2), "m": ("m", 1.0), "g": ("g", 1.0), "kg": ("g", 1e3),
    "ml": ("L", 1e-3), "mL": ("L", 1e-3), "l": ("L", 1.0), "L": ("L", 1.0),
}  # fmt: skip
NARROW = "\u202f"  # which no line is broken at
_SPACE = "[ \u00a0\u2009\u202f]"
_PLAIN = rf"[1-9]\d{{0,2}}(?:{_SPACE}\d{{3}})+(?!\d)|\d+(?:[.,]\d+)*"
_BETWEEN = rf"{_SPACE}?(?:±|\+/-|[–—-]|…){_SPACE}?| (?:to|or|and|bis|oder|und) "
_MEASURE = re.compile(
    rf"(?P<guarded>\x02[^\x03]*\x03)|(?<![\w.,/°])(?<!\w[-−])(?P<sign>(?:[-−+±]|\+/-){_SPACE}?)?(?P<first>{_PLAIN})"
    rf"(?:(?P<between>{_BETWEEN})(?P<sign2>[-−+]?)(?P<second>{_PLAIN}))?"
    rf"(?:(?P<gap>{_SPACE}?)(?P<unit>° ?C|mm|cm|kg|mL|ml)|(?P<gap2>{_SPACE})(?P<unit2>m|g|l|L|C))(?![\w°²³/·^*]|-\w)"
)
_OTHERS = rf"(?:°F|in\b|inch|ft\b|oz\b|lb\b|fl{_SPACE}oz\b|gal\b|[\"″])"
_SAID_BEHIND = re.compile(
    rf"{_SPACE}?[(/=]{_SPACE}?(?:\w+ )?[-−+±]?{_SPACE}?\d[\d.,]*(?:[^\w(]*|\D{{1,6}})?[\d.,]*{_SPACE}?{_OTHERS}"
)
_SAID_BEFORE = re.compile(rf"{_OTHERS}\w*{_SPACE}?[(/=]{_SPACE}?$")
# Of screws, plugs, films, lamps and the like a size is a name.
_NAMED_BEFORE = re.compile(
    r"(?:(?<![^\W\d])[×x*]\s*|\b(?:M\d+(?:[.,]\d+)?|screws?|bolts?|nuts?|\w*schrauben?|\w*muttern?),?[\s:=]+"
    r"|\b(?:pitch|jack|plug|socket|barrel|thread|fuse|LEDs?|\w*(?:raster|rastermaß|klinke|stecker|buchse|gewinde|sicherung))"
    r"[\s:=]+)$",
    re.IGNORECASE,
)
_NAMED_BEHIND = re.compile(
    r"\s*[×x]\s*\d|\s(?:(?:stereo|mono|DC|barrel|machine|wood|self-tapping|stereo-|DC-)\s?)?(?:(?:jack|plug|socket|barrel"
    r"|connector|phono|screw|bolt|nut|thread|spanner|pitch|header|LED|fuse|film|hex)s?\b|(?:hohl|rund)?(?:klinke|stecker"
    r"|buchse|schraube|mutter|gewinde|raster|sicherung|schlüssel))",
    re.IGNORECASE,
)
# So is a temperature that is printed on a capacitor behind its volts.
_RATED_BEFORE = re.compile(r"(?:\d\s*V|\bvolts(?: or more)?|\bVolt oder mehr|\bvoltage|\bSpannung|\bVolt),?\s*$")
_SOFTLY = r"(?:(?:about|around|some|only|up to|at (?:most|least)|etwa|rund|nur|bis zu|höchstens|mindestens) )?"
_THAN = r"(?:(?:more than|less than|mehr als|weniger als) )"
_WARMER = (
    r"(?:warmer|cooler|hotter|colder|higher|lower|apart|difference|wärmer|kühler|kälter|heißer|höher|niedriger|tiefer"
    r"|auseinander|Unterschied|Differenz)\b"
)
_DIFFERENCE_BEFORE = re.compile(
    rf"(?:\b(?:per|every|for each|je|pro|(?:differences?|rise|drop|fall|steps?|change) of"
    rf"|(?:Unterschied|Differenz|Anstieg|Abfall|Schritten?|Änderung) von)"
    rf"|\b(?:{_WARMER}|(?:ris|rose|fall|fell|drop|climb|warm|cool|heat|differ|chang|shift|exceed|rais|steig|stieg|sink|sank"
    rf"|fäll|fiel|erwärm|kühl|abweich|schwank|änder|überschr|unterschr|unterscheid)\w*)(?: \w+){{0,3}} (?:by|um))"
    rf" {_SOFTLY}{_THAN}?$",
    re.IGNORECASE,
)
_DIFFERENCE_BEHIND = re.compile(
    rf" (?:{_WARMER}|(?:more|less|mehr|weniger) (?:than|als)\b"
    r"|(?:zu )?(?:steigen|sinken|erwärmen|abkühlen|erwärmt|abgekühlt|gestiegen|gesunken)\b)",
    re.IGNORECASE,
)
_UNCLEAR_BEFORE = re.compile(rf"\b(?:by|um|within|innerhalb von) {_SOFTLY}{_THAN}?$", re.IGNORECASE)
_UNCLEAR_BEHIND = re.compile(r" (?:more|less|mehr|weniger|above|below|over|under|über|unter)\b(?! \d)", re.IGNORECASE)
_THAN_BEFORE = re.compile(rf"\b{_THAN}$", re.IGNORECASE)
_LIMIT_BEFORE = re.compile(r"\b(?:above|below|over|under|über|unter) $", re.IGNORECASE)
_SET_BEFORE = re.compile(r"\b(?:to|at|from|bis|bei|auf|von) $", re.IGNORECASE)


def with_customary(text: str, point: str = ".") -> str:
    """A shown text with the customary figure in brackets behind each metric temperature, length, mass and volume in it.

    Parameters
    ----------
    text : str
        English or German, figures with either decimal sign. A figure stays alone that has its bracket already, is part
        of a name (M3 × 8 mm, a 3.5 mm jack, 5 mm pitch), stands between `GUARDS`, or of which it cannot be told whether
        it is a temperature or a difference of two.
    point : str
        The decimal sign to write; the other sign, point or comma, groups thousands.

    Returns
    -------
    str
        Without the guards. Temperatures have as many decimals as in °C. Others have the fewest digits that come back to
        half the last place of the metric figure, zeros at its end not counted, and to `CLOSE_ENOUGH` of it: at most one
        digit more than it (NIST SP 811, B.7.1). Differences of temperature are times 1.8 (SP 811, 4.2.1.1 and B.9).
    """
    out, done, at = [], 0, 0
    while found := _MEASURE.search(text, at):
        at = found.end()
        if found["guarded"] is None and (figure := _beside_found(text, found, point)):
            out += [text[done:at], " (", figure, ")"]
            done = at
    said = "".join(out) + text[done:]
    return said.translate(_UNGUARDED) if GUARDS[0] in said else said


_UNGUARDED = dict.fromkeys(map(ord, GUARDS))


def _beside_found(text: str, found: re.Match[str], point: str) -> str:
    """The customary figures for a measure found in a text; empty where there are to be none."""
    unit = (found["unit"] or found["unit2"]).replace(" ", "")
    sign, between = (found["sign"] or "").strip(), found["between"] or ""
    ends = [(sign, found["first"]), (found["sign2"] or "", found["second"])]
    before = text[max(0, found.start() - 60) : found.start()].translate(_UNGUARDED)
    behind = text[found.end() : found.end() + 60].translate(_UNGUARDED)
    if between.strip() in ("and", "und") and not re.search(r"\b(?:between|zwischen) $", before, re.IGNORECASE):
        before += sign + found["first"] + between
        ends, between = ends[1:], ""
    if unit == "C":  # as some write it: plain only behind such a word, else it may be a name or a charge
        if not _LIMIT_BEFORE.search(before):
            return ""
        unit = "°C"
    if _SAID_BEHIND.match(behind) or _SAID_BEFORE.search(before) or _NAMED_BEFORE.search(before):
        return ""
    kind, scale = _METRIC[unit]
    if _NAMED_BEHIND.match(behind) or (kind == "°C" and _RATED_BEFORE.search(before)):
        return ""
    numbers = [(mark, each) for mark, digits in ends if digits and (each := _number_of(digits, point))]
    if len(numbers) != (2 if between else 1):
        return ""
    spread = between.strip() in ("±", "+/-")
    rises = kind == "°C" and not spread and _is_difference(before, behind, numbers[0][0], bool(between))
    if rises is None:
        return ""
    size = max(abs(value) * scale for _, (value, _) in numbers)
    said = []
    for n, (mark, (value, places)) in enumerate(numbers):
        if kind == "°C":
            negative = mark in ("-", "−")
            degrees = -value if negative else value
            there = 1.8 * degrees if rises or (spread and n) else fahrenheit(degrees)
            words, name = f"{abs(there):.{max(0, -places)}f}", "°F"
            minus = (mark if negative else "−") if there < 0 and float(words) else ""
            mark = minus or ("" if negative else mark)
        else:
            words, name = _rounded(value, places, scale, *_factor(kind, size))
        said.append(mark + words.replace(".", point))
    return between.join(said) + NARROW + name.replace(" ", NARROW)


def _factor(kind: str, size: float) -> tuple[float, str]:
    """The size of the customary unit [m, g, L] for figures up to `size`, and its name."""
    one = _customary(1.0, kind, size)
    assert one is not None
    return 1.0 / one[0], one[1]


def _number_of(digits: str, point: str) -> tuple[float, int] | None:
    """The number that is written, and the power of ten of the last figure of it that counts; None for no number."""
    plain = re.sub(_SPACE, "", digits)
    group = re.escape("," if point == "." else ".")
    if re.fullmatch(rf"[1-9]\d{{0,2}}(?:{group}\d{{3}})+(?:{re.escape(point)}\d+)?", plain):
        plain = re.sub(group, "", plain)
    plain = plain.replace(",", ".")
    if plain.count(".") > 1:
        return None
    whole, _, decimals = plain.partition(".")
    zeros = len(whole) - len(whole.rstrip("0")) if not decimals and int(whole) else 0
    return float(plain), zeros - len(decimals)


def _rounded(value: float, places: int, scale: float, factor: float, name: str) -> tuple[str, str]:
    """The fewest digits of `value` times `scale` over `factor` that come back closely enough; see `with_customary`."""
    there = value * scale / factor
    allowed = min(10.0**places / 2, CLOSE_ENOUGH * value) * (1 + 1e-9)
    for digits in range(1, 16):
        rounded = Decimal(f"{there:.{digits - 1}e}")
        if abs(float(rounded) * factor / scale - value) <= allowed:
            break
    return f"{rounded:f}", name


def _is_difference(before: str, behind: str, sign: str, is_range: bool) -> bool | None:
    """Whether degrees in a sentence are a difference of two temperatures; None where that cannot be told."""
    before = re.split(r"[.;:!?,] ", before)[-1]
    if sign in ("±", "+/-") or _DIFFERENCE_BEFORE.search(before) or _DIFFERENCE_BEHIND.match(behind):
        return True
    if _UNCLEAR_BEHIND.match(behind):
        return True if _THAN_BEFORE.search(before) else None
    if _UNCLEAR_BEFORE.search(before) or (sign == "+" and not is_range and not _SET_BEFORE.search(before)):
        return None
    return False
