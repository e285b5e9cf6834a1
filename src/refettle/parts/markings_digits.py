"""Values in digits alone: three and four figures, R as the point, plain numbers, EIA-96.

The last digit counts the zeros; capacitors count in picofarads, coils in microhenries, resistors in ohms. On capacitors
8 and 9 as last digit stand for 0.01 and 0.1. The three-character code for 1 % resistors is EIA-96 (IEC 60062:2016,
annex A): a number 01 to 96 for the place in E96, then a letter for the power of ten.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

from refettle.language import mark, tr
from refettle.parts.markings_codes import lettered
from refettle.parts.markings_reading import Kind, Reading, Reason, Tolerance
from refettle.parts.markings_series import SERIES
from refettle.parts.markings_weighing import capacitor_kind, made
from refettle.quantities import scaled

EIA_96 = {"Z": -3, "Y": -2, "R": -2, "X": -1, "S": -1, "A": 0, "B": 1, "H": 1, "C": 2, "D": 3, "E": 4, "F": 5}
"""Power of ten of each letter; R, S and H are second spellings of Y, X and B."""
ONE_PERCENT = Tolerance(-0.01, 0.01)
_SCALE: dict[Kind, int] = {"resistor": 0, "capacitor": -12, "inductor": -6}
_BASE: dict[Kind, int] = {"resistor": 2, "capacitor": 2, "inductor": 1}
_COUNTED: dict[Kind, str] = {
    "resistor": mark("ohms"),
    "capacitor": mark("picofarads"),
    "inductor": mark("microhenries"),
}
_DIGITS = re.compile(r"([1-9]\d{2,3})([A-Z]?)")
_POINT = re.compile(r"(\d{0,3})R(\d{0,3})([A-Z]?)")
_NUMBER = re.compile(r"(\d{1,6}|\d{0,5}[.,]\d{1,4})([A-Z]?)")


def read_digits(token: str) -> Iterator[Reading]:
    """Three- and four-digit codes with or without a tolerance letter: 104, 4702, 472K."""
    if re.fullmatch(r"0{1,4}|0R0?|R0{2,3}", token):
        yield made("resistor", tr("zero-ohm link"), 4, tr("nothing but zeros: a link"), 0.0)
        return
    found = _DIGITS.fullmatch(token)
    if not found:
        return
    digits, tail = found.groups()
    four = len(digits) == 4
    for kind, scale in _SCALE.items():
        count = int(digits[-1])
        if kind == "capacitor" and count >= 8 and not four:
            count -= 10
        elif count == 9 or (four and count > 7):
            continue
        value = scaled(digits[:-1], count + scale)
        base = _BASE[kind] - (1 if four and kind != "resistor" else 0)
        why = tr("{digits} and {count}, in {kind}", digits=digits[:-1], count=_zeros(count), kind=tr(_COUNTED[kind]))
        system = tr("four-digit code") if four else tr("three-digit code")
        shown: Kind = kind
        reading = made(shown, system, base, why, value, fine=four)
        readings = [reading]
        if kind == "inductor" and not four:
            why = tr(
                "{digits} and {count}, in nanohenries as some makers count", digits=digits[:-1], count=_zeros(count)
            )
            readings.append(made("inductor", system, -1, why, scaled(digits[:-1], count - 9)))
        for each in readings:
            if not tail:
                yield each
            elif (closed := lettered(each, tail, 2 if kind == "capacitor" else 1)) is not None:
                yield closed


def _zeros(count: int) -> str:
    if count < 0:
        return tr("times {count:g}", count=10.0**count)
    return tr("no zeros") if count == 0 else "1 zero" if count == 1 else tr("{count} zeros", count=count)


def read_point(token: str) -> Iterator[Reading]:
    """R as the point where no ohms are meant: picofarads, microhenries, and microfarads on small cans."""
    found = _POINT.fullmatch(token)
    if not found or not (found[1] or found[2]) or not found[2]:
        return
    before, after, tail = found.groups()
    figures = f"{before or 0}.{after}"
    if float(figures) == 0:
        return
    readings = (
        made("capacitor", tr("R as the point"), 1, tr("R as the point, in picofarads"), scaled(figures, -12)),
        made(
            "inductor",
            tr("R as the point"),
            -1 if after.startswith("0") and not before else 1,
            tr("R as the point, in microhenries"),
            scaled(figures, -6),
        ),
        made("electrolytic", tr("R as the point"), -1, tr("R as the point, in microfarads"), scaled(figures, -6)),
    )
    for reading in readings:
        if not tail:
            yield reading
        elif (closed := lettered(reading, tail, 1)) is not None:
            yield closed


def read_eia_96(token: str) -> Iterator[Reading]:
    """1 % chip resistors: two digits for the place in E96, a letter for the power of ten."""
    found = re.fullmatch(r"(\d\d)([A-Z])", token)
    if found and 1 <= int(found[1]) <= 96 and found[2] in EIA_96:
        figures = SERIES["E96"][int(found[1]) - 1]
        value = scaled(str(figures), EIA_96[found[2]])
        why = tr(
            "place {place} of E96 is {figures}, {letter} is times {factor:g}",
            place=found[1],
            figures=figures,
            letter=found[2],
            factor=10.0 ** EIA_96[found[2]],
        )
        yield made("resistor", "EIA-96", 2, why, value, ONE_PERCENT, fine=True)


def read_plain(token: str) -> Iterator[Reading]:
    """A bare number: below 1 microfarads, above picofarads; on cans microfarads; seldom ohms."""
    found = _NUMBER.fullmatch(token)
    if not found:
        return
    figures, tail = found[1].replace(",", "."), found[2]
    if float(figures) == 0 or re.match(r"0\d", figures):
        return
    if tail and not ("." in figures or len(figures) < 3):
        return  # digits with a tolerance letter are a code, read elsewhere
    if len(figures) > 2 and figures.isdigit() and not figures.endswith("0"):
        return  # nobody prints 8634 µF, or 104 pF without a code
    small = float(figures) < 1
    readings = []
    if small:
        readings.append(made("capacitor", mark("plain number"), 3, "below 1: microfarads", scaled(figures, -6)))
    else:
        round_ = len(figures) > 3 and figures.endswith("00")
        base = 2 if len(figures) < 3 or round_ or "." in figures else 1
        if len(figures) < 6:
            readings.append(
                made("capacitor", mark("plain number"), base, tr("picofarads plainly"), scaled(figures, -12))
            )
        value = scaled(figures, -6)
        why = tr("a bare number on a can: microfarads")
        readings.append(made("electrolytic", mark("plain number"), 0, why, value))
    if not tail:
        readings.append(
            made("resistor", mark("plain number"), 0, tr("ohms plainly, as in drawings"), scaled(figures, 0))
        )
    for reading in readings:
        if not tail:
            yield reading
        elif (closed := lettered(reading, tail, 1)) is not None:
            yield closed


def read_volt_letter(token: str) -> Iterator[Reading]:
    """Small cans and tantalum chips: a letter for the rated voltage before or behind three digits, or none."""
    found = re.fullmatch(r"([eEGJACDVHT])([1-9]\d[3-9])|([1-9]\d[3-9])([eEGJACDVHT])?", token)
    if not found:
        return
    letter, digits = found[1] or found[4] or "", found[2] or found[3]
    value = scaled(digits[:2], int(digits[2]) - 12)
    if value < 0.9e-7:
        return
    volts = CAN_VOLTS.get(letter)
    kind: Kind = capacitor_kind(value) if value < 1e-6 else "electrolytic"
    base = 1 if not letter else 3 if found[1] else 2
    reading = made(
        kind, tr("can or tantalum chip code"), base, tr("{digits} in picofarads", digits=digits), value, voltage=volts
    )
    if volts is not None:
        reading = reading.because(
            Reason(
                1, tr("{letter} stands for {volts:g} V on small cans and tantalum chips", letter=letter, volts=volts)
            )
        )
    yield reading


CAN_VOLTS = {
    "e": 2.5, "G": 4.0, "J": 6.3, "A": 10.0, "C": 16.0, "D": 20.0, "E": 25.0, "V": 35.0, "H": 50.0, "T": 50.0,
}  # fmt: skip
"""Rated voltage by one letter; from memory, as in the second character of the two-character voltage code."""


def print_digits(value: float, kind: Kind, figures: int = 2) -> str:
    """Three-digit (`figures` 2) or four-digit (3) code of a resistance, capacitance or inductance.

    Raises
    ------
    ValueError
        More figures than the code has, or too large or too small for it; the message says so.
    """
    scale = _SCALE.get(kind, -12)
    mantissa, exponent = f"{value:.{figures - 1}e}".split("e")
    count = int(exponent) - (figures - 1) - scale
    digits = mantissa.replace(".", "")
    least = -2 if kind == "capacitor" and figures == 2 else 0
    if value <= 0 or not least <= count <= 7 or abs(scaled(digits, count + scale) - value) > 1e-9 * value:
        raise ValueError(
            tr(
                "{value} has no {code_length}-digit code; allowed: {figures} figures, {least} to 7 zeros",
                value=value,
                code_length=figures + 1,
                figures=figures,
                least=least,
            )
        )
    return f"{digits}{count % 10}"


def print_eia_96(value: float) -> str:
    """The EIA-96 code of a resistance of E96.

    Raises
    ------
    ValueError
        Not in E96, or outside 0.1 ohm to below 100 Mohm.
    """
    for letter, exponent in EIA_96.items():
        for place, each in enumerate(SERIES["E96"], 1):
            if scaled(str(each), exponent) == value:
                return f"{place:02d}{letter}"
    raise ValueError(
        tr("{value} ohm has no EIA-96 code; allowed: values of E96 from 0.1 ohm to 97.6 Mohm", value=value)
    )
