"""Quantities at the faces: text to SI base units and back, with engineering prefixes.

Inside, every value is in SI base units (ohm, farad, henry, volt). People write and read prefixes; this is the one
place where the two meet. Micro may be written µ, μ or u; a prefix, or R for ohm, may stand for the decimal point
(IEC 60062: 4k7, R47, 2n2).
"""

from __future__ import annotations

import re
import unicodedata
from math import floor, isfinite

from refettle.language import local, mark, tr
from refettle.units import beside, from_customary

THIN = "\u2009"
MINUS = "−"

EXPONENTS = {"p": -12, "n": -9, "µ": -6, "m": -3, "": 0, "k": 3, "M": 6, "G": 9, "T": 12}
"""Power of ten of each prefix."""

UNIT_WORDS = {
    "Ω": ("Ω", "ohm", "ohms", "r"),
    "F": ("F", "farad", "farads"),
    "H": ("H", "henry", "henries"),
    "V": ("V", "volt", "volts"),
    "A": ("A", "amp", "amps", "ampere", "amperes"),
    "W": ("W", "watt", "watts"),
    "J": ("J", "joule", "joules"),
    "Hz": ("Hz", "hertz"),
    "s": ("s", "sec", "second", "seconds"),
    "m": ("m", "metre", "metres", "meter", "meters"),
    "°C": ("°C", "C", "deg C"),
    "%": ("%", "percent", "per cent"),
}
"""What people write for each unit. Capitals do not matter, except that ohm may be R only where ohm is wanted."""

UNPREFIXED = ("°C", "%", "")
_SMALL_ONLY = {"F": "pnµm", "H": "pnµmk"}  # no megafarads: an M there is an old micro, and is not guessed at
_LARGEST_SHOWN = {"F": "µ", "m": "", "s": ""}  # the trade says 4700 µF, not 4.7 mF
_SPACES = re.compile(r"[\s\u2009\u202f\u00a0]+")
_NUMBER = re.compile(r"([+-]?)(\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE]([+-]?\d{1,2}))?(?![\d.,])")
_INNER = re.compile(r"([+-]?)(\d*)([A-Za-zµΩ])(\d+)")
MAX_LENGTH = 60


class QuantityError(ValueError):
    """A text that is no such quantity, or a value that cannot be shown; the message says what was found and allowed."""


def plain(text: str) -> str:
    """Text with one sign for each: micro µ, ohm Ω, minus -, and ordinary digits and spaces."""
    text = unicodedata.normalize("NFKC", text.replace("º", "°"))
    text = text.replace("μ", "µ").replace("\u2126", "Ω")
    for dash in "−–—‐‑":
        text = text.replace(dash, "-")
    return _SPACES.sub(" ", text).strip()


def scaled(digits: str, exponent: int) -> float:
    """`digits` times ten to `exponent`, rounded once: scaled("47", -13) is 4.7e-12 exactly as Python writes it."""
    return float(f"{digits}e{exponent}")


def whole(text: str) -> int | None:
    """The number that up to 15 decimal digits write, and nothing else; None for any other text, however long."""
    return int(text) if len(text) <= 15 and text.isdecimal() else None


def parse(text: str, unit: str = "") -> float:
    """Read a quantity.

    Parameters
    ----------
    text : str
        A number with or without prefix and unit: `4.7k`, `4k7`, `4,7 kΩ`, `R47`, `100 nF`, `1 000`, `2.2e-9`; for °C
        and metres customary units too: `68 °F`, `0.5 in`.
    unit : str
        The unit wanted, one of `UNIT_WORDS`; the text may leave it out. Empty: a bare number, with a prefix or not.

    Returns
    -------
    float
        In SI base units (°C and % as they stand).

    Raises
    ------
    QuantityError
        Empty, no number, another unit, a prefix that the unit does not take, or a comma that may be a thousands sign.
    """
    if len(text) <= MAX_LENGTH and (customary := from_customary(text, unit)) is not None:
        return customary
    cleaned = plain(text)
    if not cleaned or len(cleaned) > MAX_LENGTH:
        raise QuantityError(tr("{text!r} found; allowed: {allowed}", text=text[:MAX_LENGTH], allowed=allowed(unit)))
    number = re.sub(r"(?<=\d) (?=\d{3}(?!\d))", "", cleaned)
    if found := _NUMBER.match(number):
        sign, digits, exponent = found.groups()
        if re.fullmatch(r"[1-9]\d{0,2},\d{3}", digits):
            dotted, joined = digits.replace(",", "."), digits.replace(",", "")
            raise QuantityError(
                tr(
                    "{text!r}: the comma may be a point or a thousands sign; write {dotted} or {joined}",
                    text=text,
                    dotted=dotted,
                    joined=joined,
                )
            )
        rest = number[found.end() :]
        if not (rest[:1].isalpha() and rest[1:2].isdigit()):
            shift = _prefix(rest.strip(), unit, text)
            return scaled(sign + digits.replace(",", "."), int(exponent or 0) + shift)
    if found := _INNER.match(number):
        sign, before, letter, after = found.groups()
        rest = number[found.end() :].strip()
        if rest and not _is_unit(rest, unit):
            raise QuantityError(tr("{text!r} found; allowed: {allowed}", text=text, allowed=allowed(unit)))
        if letter in "RrΩ" and unit in ("Ω", ""):
            return scaled(f"{sign}{before or 0}.{after}", 0)
        if letter == "L" and unit == "Ω":
            return scaled(f"{sign}{before or 0}.{after}", -3)
        return scaled(f"{sign}{before or 0}.{after}", _prefix(letter, unit, text))
    raise QuantityError(tr("{text!r} found; allowed: {allowed}", text=text, allowed=allowed(unit)))


_EXAMPLES = {"Ω": mark("4.7k, 4k7 or 4700"), "F": mark("100n, 4.7 µF or 2n2"), "H": mark("10 µH or 4m7")}
OTHER_EXAMPLES = mark("4.7, 4.7k or 10m")


def allowed(unit: str) -> str:
    """What may be typed for a quantity of this unit, in words."""
    example = tr(_EXAMPLES.get(unit, OTHER_EXAMPLES))
    if unit in UNPREFIXED:
        example = tr("20 or 4.7")
    if unit:
        return tr("a number such as {examples}, in {unit}", examples=example, unit=unit)
    return tr("a number such as {examples}", examples=example)


def _is_unit(rest: str, unit: str) -> bool:
    return bool(unit) and rest.casefold() in {word.casefold() for word in UNIT_WORDS.get(unit, (unit,))}


def _prefix(rest: str, unit: str, text: str) -> int:
    """Power of ten of a prefix with or without its unit."""
    if not rest or _is_unit(rest, unit):
        return 0
    prefix, name = rest[0], rest[1:].strip()
    if unit not in UNPREFIXED or not unit:
        prefix = {"u": "µ", "U": "µ", "K": "k"}.get(prefix, prefix)
        if unit in _SMALL_ONLY and prefix in "PN":
            prefix = prefix.lower()
        right = prefix in EXPONENTS and prefix in _SMALL_ONLY.get(unit, "pnµmkMGT")
        if right and (not name or _is_unit(name, unit)):
            return EXPONENTS[prefix]
    raise QuantityError(
        tr("{text!r}: {rest!r} behind the number; allowed: {allowed}", text=text, rest=rest, allowed=allowed(unit))
    )


def _figures(value: float, digits: int) -> tuple[str, str, int]:
    """Sign, significant digits without trailing zeros, and the power of ten of the first of them."""
    if not isfinite(value):
        raise QuantityError(tr("{value} cannot be shown as a quantity; allowed: a finite number", value=value))
    mantissa, exponent = f"{abs(value):.{digits - 1}e}".split("e")
    return (MINUS if value < 0 else ""), mantissa.replace(".", "").rstrip("0") or "0", int(exponent)


def number(value: float, digits: int = 3) -> str:
    """A number without prefix, to `digits` significant digits, without trailing zeros. QuantityError if not finite."""
    return local(_number(value, digits))


def _number(value: float, digits: int) -> str:
    sign, figures, first = _figures(value, digits)
    return sign + _placed(figures, first + 1)


def _placed(figures: str, point: int) -> str:
    """Digits with the decimal point behind the first `point` of them."""
    if point <= 0:
        return "0" if figures == "0" else f"0.{'0' * -point}{figures}"
    whole = figures.ljust(point, "0")
    return whole[:point] + (f".{whole[point:]}" if len(whole) > point else "")


def show(value: float, unit: str = "", digits: int = 3) -> str:
    """A quantity for people: `4.7 kΩ`, `2200 µF`, with a thin space and the decimal sign of their language.

    Where customary units are at home a temperature, length or mass has them behind it: `20 °C (68 °F)`.

    Parameters
    ----------
    value : float
        [SI base unit]
    unit : str
        Shown behind the prefix. °C, % and no unit take no prefix; farads go no higher than µ below 0.1 F.
    digits : int
        Significant digits; trailing zeros are left out.

    Raises
    ------
    QuantityError
        Not a finite number.
    """
    text = local(written(value, unit, digits))
    if other := beside(value, unit):
        text += f" ({local(_number(other[0], digits))}{THIN}{other[1]})"
    return text


def written(value: float, unit: str = "", digits: int = 3) -> str:
    """As `show`, with the point in every language: for what is kept, compared, put into a form or a file."""
    if unit in UNPREFIXED or value == 0:
        return f"{_number(value, digits)}{THIN if unit else ''}{unit}"
    sign, figures, first = _figures(value, digits)
    largest = "" if unit == "F" and abs(value) >= 0.1 else _LARGEST_SHOWN.get(unit, "T")
    step = max(-12, min(EXPONENTS[largest], 3 * floor(first / 3)))
    if unit == "Ω" and first == -1:
        step = 0  # 0.47 Ω, as it is said
    prefix = next(name for name, exponent in EXPONENTS.items() if exponent == step)
    return f"{sign}{_placed(figures, first - step + 1)}{THIN}{prefix}{unit}"


def letter_code(value: float, unit: str, digits: int = 3) -> str:
    """A resistance or capacitance with its prefix as the point, as IEC 60062 prints it: 4K7, R47, 470R, 2n2, 4µ7.

    Parameters
    ----------
    value : float
        [ohm] 0.001 to below 1e15, or [F] 1e-13 to below 1; positive, or 0 ohm.
    unit : str
        "Ω" (letters L R K M G T, L for milliohm) or "F" (p n µ m F).

    Raises
    ------
    QuantityError
        Another unit, or a value outside that range.
    """
    letters = {"Ω": "LRKMGT", "F": "pnµmF"}.get(unit)
    if letters is None:
        raise QuantityError(tr("unit {unit!r} found; allowed: Ω or F", unit=unit))
    if unit == "Ω" and value == 0:
        return "0R"
    low, high = (1e-3, 1e15) if unit == "Ω" else (1e-13, 1.0)
    if not low <= value < high:
        raise QuantityError(
            tr(
                "{value} {unit} found; allowed: {low:g} to below {high:g} {unit}",
                value=value,
                unit=unit,
                low=low,
                high=high,
            )
        )
    _, figures, first = _figures(value, digits)
    step, lowest = 3 * floor(first / 3), -3 if unit == "Ω" else -12
    if first < 0 and unit == "Ω" and len(figures) - first <= 4:
        step = 0  # R47, R005; milliohm only where R would need four figures or more
    step = max(lowest, min(step, lowest + 3 * (len(letters) - 1)))
    letter = letters[(step - lowest) // 3]
    before, _, after = _placed(figures, first - step + 1).partition(".")
    return f"{'' if before == '0' else before}{letter}{after}"


def decade(value: float) -> int:
    """Power of ten of the first significant figure of a value above 0, after rounding to twelve figures."""
    return int(f"{value:.11e}".split("e")[1])
