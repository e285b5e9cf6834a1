"""Values with a letter as the point, and tolerance letters (IEC 60062).

The standard's text was not at hand: value letters R K M and p n as in its published examples, the tolerance letters as
charts and service manuals print them; L for milliohm, m for millifarad and the seldom tolerance letters from memory.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

from refettle.language import mark, tr
from refettle.parts.markings_reading import Kind, Reading, Reason, Tolerance
from refettle.parts.markings_weighing import capacitor_kind, made
from refettle.quantities import letter_code, scaled

SYSTEM = mark("letter and digit code, IEC 60062")

_SYMMETRIC = {
    "E": 0.005, "L": 0.01, "P": 0.02, "W": 0.05, "B": 0.1, "C": 0.25, "D": 0.5,
    "F": 1.0, "G": 2.0, "H": 3.0, "J": 5.0, "K": 10.0, "M": 20.0, "N": 30.0,
}  # fmt: skip
_LOPSIDED = {"Q": (-10, 30), "S": (-20, 50), "T": (-10, 50), "Z": (-20, 80), "P": (0, 100)}
_PICOFARADS = {"B": 0.1, "C": 0.25, "D": 0.5, "F": 1.0, "G": 2.0}
_OF_INDUCTORS = {"F": 1.0, "G": 2.0, "H": 3.0, "J": 5.0, "K": 10.0, "L": 15.0, "M": 20.0, "N": 30.0}

_OHMS = {"R": 0, "r": 0, "Ω": 0, "E": 0, "K": 3, "k": 3, "M": 6, "G": 9, "L": -3}
_FARADS = {"p": -12, "P": -12, "n": -9, "N": -9, "µ": -6, "u": -6, "U": -6, "m": -3}
_HENRIES = {"n": -9, "N": -9, "µ": -6, "u": -6, "U": -6, "m": -3}
_CODE = re.compile(r"(\d{0,5})([A-Za-zµΩ])(\d{0,3})([A-Z])?")
_POINTED = re.compile(r"(\d{0,5}[.,]\d{1,3})([A-Za-zµΩ])()([A-Z])?")
_TAPERS = {
    "A": mark("logarithmic, on older European ones linear"),
    "B": mark("linear, on older European ones logarithmic"),
    "C": mark("reverse logarithmic"),
}
_TAPER = re.compile(r"([ABC])(\d{1,3}[KMk]\d?|[1-9]\d[1-6])|(\d{1,3}[KMk]\d?)([ABC])")


def tolerance_of(letter: str, kind: Kind, value: float | None = None) -> Tolerance | None:
    """The tolerance of a letter on a part of that kind, or None where the letter means none there.

    Letters on capacitors below 10 pF stand for picofarads.
    """
    if kind == "inductor":
        percent = _OF_INDUCTORS.get(letter)
    elif kind == "resistor":
        percent = _SYMMETRIC.get(letter)
    elif value is not None and value < 9.999e-12 and letter in _PICOFARADS:
        size = scaled(str(_PICOFARADS[letter]), -12)
        return Tolerance(-size, size, absolute=True)
    elif letter in _LOPSIDED:
        low, high = _LOPSIDED[letter]
        return Tolerance(low / 100, high / 100)
    else:
        percent = _SYMMETRIC.get(letter) if letter not in "ELW" else None
    return None if percent is None else Tolerance(scaled(f"-{percent}", -2), scaled(f"{percent}", -2))


def letter_of(tolerance: Tolerance, kind: Kind, value: float | None = None) -> str:
    """The letter of a tolerance; empty where there is none."""
    letters = [*_SYMMETRIC, *_LOPSIDED]
    return next((letter for letter in letters if tolerance_of(letter, kind, value) == tolerance), "")


def lettered(reading: Reading, letter: str, points: int) -> Reading | None:
    """The reading with a tolerance letter behind it, or None where the letter means nothing there."""
    tolerance = tolerance_of(letter, reading.kind, reading.value)
    if tolerance is None:
        return None
    said = tolerance.said(reading.unit)
    rare = tolerance.high < 0.0099 and not tolerance.absolute
    against = Reason(-2, tr("so tight a tolerance is seldom")) if rare else None
    return reading.because(
        Reason(points, tr("{letter} stands for {said}", letter=letter, said=said)), against, tolerance=tolerance
    )


def _figures(before: str, after: str) -> str:
    return f"{before or 0}.{after}" if after else before


def read_letters(token: str) -> Iterator[Reading]:
    """Resistors, capacitors and inductors written with a letter as the point or behind the number: 4K7, 2n2J, R47.

    Capitals count as IEC 60062 has them, and other spellings met on parts are read with less weight.
    """
    found = _CODE.fullmatch(token) or _POINTED.fullmatch(token)
    if not found:
        return
    before, letter, after, tail = found.groups()
    if not before and not after:
        return
    if re.match(r"0\d", before):
        return
    figures = _figures(before.replace(",", "."), after)
    short = None
    if not before and len(after) == 1 and letter.isupper():
        short = Reason(-3, tr("a single figure behind the letter is unusual for a value"))
    for reading in (*_ohms(letter, figures), *_farads(letter, figures), *_henries(letter, figures)):
        if not tail:
            yield reading.because(short)
        elif (closed := lettered(reading, tail, 1)) is not None:
            yield closed.because(short)


def _ohms(letter: str, figures: str) -> Iterator[Reading]:
    def ohms(base: int, why: str, exponent: int) -> Reading:
        value = scaled(figures, exponent)
        return made("resistor", SYSTEM, base, why, value, fine=len(figures.replace(".", "")) > 2)

    if letter in "RKMGkΩ":
        place = tr("as the point") if "." in figures else tr("behind the number")
        yield ohms(4, f"{letter} {place}: {_said(_OHMS[letter])}", _OHMS[letter])
    elif letter == "r":
        yield ohms(3, tr("r for R: ohm"), 0)
    elif letter == "E":
        yield ohms(1, tr("E for ohm, an older custom"), 0)
    elif letter == "L":
        yield ohms(2, "L: milliohm", -3)
    elif letter == "m":
        yield ohms(1, "m: milliohm", -3)


def _farads(letter: str, figures: str) -> Iterator[Reading]:
    if letter in _FARADS:
        value = scaled(figures, _FARADS[letter])
        standard = letter in "pnµm"
        why = tr("{letter}: {prefix}farad", letter=letter, prefix=_said(_FARADS[letter])) + (
            "" if standard else tr(", written another way")
        )
        yield made(capacitor_kind(value), SYSTEM, 4 if standard or letter in "uU" else 3, why, value)
    elif letter == "M":
        value = scaled(figures, -6)
        yield made(capacitor_kind(value), tr("older custom, no source"), 0, tr("M for micro, an older custom"), value)
    elif letter in "Kk":
        value = scaled(figures, -9)
        yield made(
            capacitor_kind(value), tr("older custom"), 0, tr("K for a thousand picofarads, an older custom"), value
        )


def _henries(letter: str, figures: str) -> Iterator[Reading]:
    if letter in _HENRIES:
        value = scaled(figures, _HENRIES[letter])
        why = tr("{letter}: {prefix}henry, if the part is a coil", letter=letter, prefix=_said(_HENRIES[letter]))
        yield made("inductor", SYSTEM, 1, why, value)


def _said(exponent: int) -> str:
    return {
        -12: tr("pico"),
        -9: tr("nano"),
        -6: tr("micro"),
        -3: tr("milli"),
        0: tr("ohm"),
        3: tr("kilohm"),
        6: tr("megohm"),
        9: tr("gigohm"),
    }[exponent]


def read_tapers(token: str) -> Iterator[Reading]:
    """Potentiometers: a value with a letter for the taper, A B or C (common practice, no source)."""
    found = _TAPER.fullmatch(token)
    if not found:
        return
    letter, code = (found[1], found[2]) if found[1] else (found[4], found[3])
    if code.isdigit():
        value = scaled(code[:2], int(code[2]))
    else:
        before, _, after = code.upper().replace("M", "K").partition("K")
        value = scaled(_figures(before, after), 6 if "M" in code else 3)
    if 99 <= value <= 11e6:
        reading = made("resistor", tr("potentiometer code"), 2, tr("{letter}: taper", letter=letter), value)
        yield reading.because(characteristic=tr("potentiometer, {taper}", taper=tr(_TAPERS[letter])))


def print_letters(value: float, kind: Kind, tolerance: Tolerance | None = None) -> str:
    """The letter and digit code of a resistance or capacitance, with its tolerance letter.

    Raises
    ------
    QuantityError
        No such code for the kind, or a value out of its range.
    """
    code = letter_code(value, "Ω" if kind == "resistor" else "F" if kind != "inductor" else "H")
    return code + (letter_of(tolerance, kind, value) if tolerance else "")
