"""Colour bands: resistors with 3 to 6 bands, coils, and old polyester capacitors, read from either end.

Digits, powers of ten, tolerances and temperature coefficients as published charts after IEC 60062 give them. Charts
and editions disagree on orange, yellow and grey as tolerance, so each of their meanings is a reading of its own. Coils
(microhenries) after the chart of the former Electronic Industries Alliance; the five-band coil code and the polyester
bands from memory.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from itertools import product
from math import prod

from refettle.language import mark, tr
from refettle.parts.markings_reading import MarkingError, Reading, Reason, Tolerance
from refettle.parts.markings_series import USUAL, series_of
from refettle.parts.markings_weighing import capacitor_kind, made
from refettle.quantities import scaled

DIGITS = ("black", "brown", "red", "orange", "yellow", "green", "blue", "violet", "grey", "white")
POWERS = {colour: power for power, colour in enumerate(DIGITS)} | {"gold": -1, "silver": -2, "pink": -3}
COLOURS = tuple(POWERS)
TEMPCOS = {
    "black": 250, "brown": 100, "red": 50, "orange": 15, "yellow": 25, "green": 20, "blue": 10, "violet": 5, "grey": 1,
}  # fmt: skip
"""Temperature coefficient of the sixth band [ppm/K]."""
TOLERANCES: dict[str, tuple[tuple[float, int, str], ...]] = {
    "brown": ((1.0, 0, ""),),
    "red": ((2.0, 0, ""),),
    "green": ((0.5, 0, ""),),
    "blue": ((0.25, 0, ""),),
    "violet": ((0.1, 0, ""),),
    "gold": ((5.0, 1, mark("gold stands last")),),
    "silver": ((10.0, 1, mark("silver stands last")),),
    "grey": ((0.05, -1, mark("grey: 0.05 % on most charts")), (0.01, -2, mark("grey: 0.01 % in the edition of 2016"))),
    "orange": (
        (0.05, -1, mark("orange: 0.05 % in the edition of 2016")),
        (3.0, -1, mark("orange: 3 % before about 1990")),
    ),
    "yellow": (
        (0.02, -1, mark("yellow: 0.02 % in the edition of 2016")),
        (4.0, -1, mark("yellow: 4 % before about 1990")),
    ),
    "black": ((20.0, -3, mark("black: 20 %, on some old resistors")),),
}
"""Percent of the tolerance band with its points and why; three readings where charts disagree."""
NO_BAND = Tolerance(-0.2, 0.2)
_COIL_TOLERANCES = {
    "black": 20.0, "brown": 1.0, "red": 2.0, "orange": 3.0, "yellow": 4.0, "gold": 5.0, "silver": 10.0,
}  # fmt: skip
_FILM_TOLERANCES = {"black": 20.0, "white": 10.0, "green": 5.0}
_FILM_VOLTS = {"brown": 100.0, "red": 250.0, "yellow": 400.0, "blue": 630.0}

_ABBREVIATED = {
    "black": "bk blk",
    "brown": "bn brn",
    "red": "rd",
    "orange": "og",
    "yellow": "ylw",
    "green": "gn grn",
    "blue": "bu",
    "violet": "vt vlt purple",
    "grey": "gy gry gray",
    "white": "wht",
    "gold": mark("gd gld au"),
    "silver": mark("sr slv sv ag"),
    "pink": mark("pk pnk"),
}
_NAMES = {word: colour for colour, words in _ABBREVIATED.items() for word in (colour, *words.split())}
_RUN = re.compile("(?:" + "|".join(sorted((*COLOURS, "gray", "purple"), key=len, reverse=True)) + "){3,6}")
_LETTERS = re.compile(r"[BROYGVWSP]{3,6}")
_NOTHING = ("none", "nothing", "body")
MAX_UNREADABLE = 2
MAX_ROWS = 1000


def colours_of(word: str) -> tuple[str, ...]:
    """Colours that a word or letters may mean: the exact name or short form, or every name that begins with it."""
    word = word.casefold()
    if word in _NAMES:
        return (_NAMES[word],)
    begun = {colour for name, colour in _NAMES.items() if name.startswith(word) and len(name) > 3} if word else set()
    if "red".startswith(word) and word:
        begun.add("red")
    return tuple(colour for colour in COLOURS if colour in begun)


def _split(text: str) -> tuple[list[str], int | None] | None:
    """Words of the bands and the place of the wider gap, or None where the text is no row of bands."""
    gap = None
    if "|" in text:
        front, _, text_behind = text.partition("|")
        gap = len(re.findall(r"[^\s,;/+>-]+", front))
        text = f"{front} {text_behind}"
    words = re.findall(r"[^\s,;/+>-]+", text)
    if len(words) == 1:
        run = words[0]
        if _RUN.fullmatch(run.casefold()):
            words = re.findall("|".join((*COLOURS, "gray", "purple")), run.casefold())
        elif _LETTERS.fullmatch(run.upper()):
            words = list(run)
    if words and words[-1].casefold() in _NOTHING:
        words.pop()
    known = [word for word in words if word != "?"]
    if not known or not all(colours_of(word) for word in known):
        return None
    return words, gap


def bands_written(text: str) -> int:
    """How many bands a text names that has whole colour names, but not three to six of them; 0 for any other text."""
    split = _split(text)
    words = split[0] if split else []
    named = [word for word in words if word.casefold() in COLOURS]
    return len(words) if named and not 3 <= len(words) <= 6 else 0


def read_bands(text: str) -> Iterator[Reading]:
    """Every reading of a row of colours, from either end.

    Parameters
    ----------
    text : str
        Three to six colours as words or letters with spaces, commas, dashes or strokes between (`yellow violet red
        gold`, `ye-vt-rd-gd`, `R R O G`); an upright stroke marks the wider gap, `?` a band that cannot be read. One
        black band alone is a zero-ohm link.

    Raises
    ------
    MarkingError
        Letters that may be several colours, and bands that cannot be read, in more than MAX_ROWS combinations.
    """
    split = _split(text)
    if split is None:
        return
    words, gap = split
    if [colours_of(word) for word in words] == [("black",)]:
        yield made("resistor", tr("single black band"), 5, tr("one black band: a link"), 0.0)
        return
    if not 3 <= len(words) <= 6 or words.count("?") > MAX_UNREADABLE:
        return
    choices = [COLOURS if word == "?" else colours_of(word) for word in words]
    if prod(map(len, choices)) > MAX_ROWS:
        raise MarkingError(
            tr("too many bands that may be several colours; allowed: colours written out, ? for two at most")
        )
    in_one = len(text.split()) == 1 and _LETTERS.fullmatch(text.upper()) is not None
    loose = Reason(-2, tr("letters in one word may be anything else")) if in_one else None
    for colours in product(*choices):
        guessed = [
            Reason(-1, tr("{word} taken as {colour}", word="?" if word == "?" else repr(word), colour=colour))
            for word, colour, choice in zip(words, colours, choices, strict=True)
            if len(choice) > 1
        ]
        for backward in (False, True):
            row = colours[::-1] if backward else colours
            if backward and row == colours:
                continue
            for reading in _read_row(row):
                yield reading.because(*_direction(backward, gap, len(row)), loose, *guessed)


def _direction(backward: bool, gap: int | None, count: int) -> list[Reason]:
    reasons = [Reason(-1, tr("read from the other end")) if backward else Reason(0, tr("read in the order given"))]
    if gap is not None and 0 < gap < count:
        behind = gap if backward else count - gap
        last = behind < count - behind
        reasons.append(
            Reason(
                2 if last else -3, tr("the wider gap is {last}", last="before the last" if last else "behind the first")
            )
        )
    return reasons


def _read_row(row: Sequence[str]) -> Iterator[Reading]:
    yield from _resistors(row)
    yield from _coils(row)
    yield from _film(row)


def _value(row: Sequence[str], figures: int, scale: int = 0) -> float | None:
    """Value of the digit bands and the band of the power of ten; None where a colour is no digit."""
    if any(colour not in DIGITS for colour in row[:figures]):
        return None
    digits = "".join(str(DIGITS.index(colour)) for colour in row[:figures])
    return scaled(digits, POWERS[row[figures]] + scale) if int(digits) else None


def _resistor(
    row: Sequence[str], figures: int, percent: float, *reasons: Reason | None, **more: float
) -> Iterator[Reading]:
    value = _value(row, figures)
    if value is None:
        return
    limit = scaled(f"{percent}", -2)
    black = Reason(-3, tr("a first band is seldom black")) if row[0] == "black" else None
    usual = USUAL.get(limit)
    fits = (
        Reason(1, tr("a series for ±{percent:g} %", percent=percent))
        if usual and series_of(value) in (usual, "E24", "E12", "E6", "E3")
        else None
    )
    why = tr("{row} bands: {figures} figures, power of ten", row=len(row), figures=figures) + (
        ", tolerance" if len(row) > figures + 1 else ""
    )
    reading = made(
        "resistor",
        tr("colour bands, IEC 60062"),
        4,
        why,
        value,
        Tolerance(-limit, limit),
        fine=figures == 3,
        **more,
    )
    yield reading.because(fits, black, *reasons)


def _resistors(row: Sequence[str]) -> Iterator[Reading]:
    if len(row) == 3:
        yield from _resistor(row, 2, 20.0, Reason(0, tr("no fourth band: ±20 %")))
        return
    figures = 2 if len(row) == 4 else 3
    for percent, points, text in TOLERANCES.get(row[figures + 1], ()):
        why = Reason(points, tr(text)) if text else None
        if figures == 2:
            seldom = Reason(-1, tr("four bands seldom carry so tight a tolerance")) if percent < 1 else None
            yield from _resistor(row, 2, percent, why, seldom)
        elif len(row) == 5:
            yield from _resistor(row, 3, percent, why)
        elif row[5] in TEMPCOS:
            yield from _resistor(row, 3, percent, why, tempco=scaled(str(TEMPCOS[row[5]]), -6))
    if len(row) == 5:
        extra = Reason(-2, tr("fifth band {row}: failure rate or temperature, on some makes", row=row[4]))
        for percent, points, text in TOLERANCES.get(row[3], ()):
            if percent >= 1:
                yield from _resistor(row, 2, percent, extra, Reason(points, tr(text)) if text else None)


def _coils(row: Sequence[str]) -> Iterator[Reading]:
    if len(row) == 5 and row[0] == "silver":
        yield from _marked_coil(row[1:])
        return
    percent = 20.0 if len(row) == 3 else _COIL_TOLERANCES.get(row[3]) if len(row) == 4 else None
    value = _value(row, 2, -6)
    if percent is None or value is None:
        return
    limit = Tolerance(scaled(f"-{percent}", -2), scaled(f"{percent}", -2))
    why = tr("two figures and power of ten in microhenries, if the part is a coil")
    yield made("inductor", tr("colour bands of coils"), 2, why, value, limit)
    if len(row) == 3 and POWERS[row[2]] >= 0:
        why = tr("three dots on a chip coil: nanohenries")
        yield made("inductor", tr("colour dots of chip coils"), 0, why, _value(row, 2, -9) or value)


def _marked_coil(row: Sequence[str]) -> Iterator[Reading]:
    """Four bands behind a wide silver one: gold as the point, or two figures and a power of ten."""
    percent = _COIL_TOLERANCES.get(row[3])
    if percent is None:
        return
    head = [str(DIGITS.index(colour)) if colour in DIGITS else "." if colour == "gold" else "" for colour in row[:3]]
    if "." in head:
        figures = "".join(head)
        value = scaled(figures, -6) if re.fullmatch(r"\d?\.\d{1,2}", figures) and float(figures) else None
    else:
        value = _value(row, 2, -6)
    if value:
        limit = Tolerance(scaled(f"-{percent}", -2), scaled(f"{percent}", -2))
        why = tr("silver first, then microhenries: the five-band code of coils")
        yield made("inductor", tr("five bands of coils"), 2, why, value, limit)


def _film(row: Sequence[str]) -> Iterator[Reading]:
    if (
        len(row) != 5
        or row[3] not in _FILM_TOLERANCES
        or row[4] not in _FILM_VOLTS
        or POWERS[row[2]] not in (2, 3, 4, 5)
    ):
        return
    value = _value(row, 2, -12)
    if value is not None:
        limit = scaled(f"{_FILM_TOLERANCES[row[3]]}", -2)
        why = tr("picofarads, tolerance, volts: flat polyester capacitors of the 1960s to 1980s")
        yield made(
            capacitor_kind(value), tr("bands of polyester capacitors"), 1, why, value, Tolerance(-limit, limit),
            voltage=_FILM_VOLTS[row[4]],
        )  # fmt: skip


def print_bands(value: float, percent: float, figures: int = 2, tempco: float | None = None) -> tuple[str, ...]:
    """The bands of a resistor.

    Parameters
    ----------
    value : float
        [ohm], above 0.
    percent : float
        Tolerance [%]; 20 gives no band for two figures.
    figures : int
        2 or 3.
    tempco : float or None
        [1/K]; needs three figures.

    Raises
    ------
    ValueError
        What cannot be shown in bands; the message says so.
    """
    mantissa, exponent = f"{value:.{figures - 1}e}".split("e")
    power = int(exponent) - figures + 1
    digits = mantissa.replace(".", "")
    last = next((colour for colour, each in POWERS.items() if each == power), None)
    if last is None or abs(scaled(digits, power) - value) > 1e-9 * value:
        raise ValueError(
            tr("{value} ohm found; allowed: {figures} figures times 0.001 to 1e9", value=value, figures=figures)
        )
    row = [*(DIGITS[int(digit)] for digit in digits), last]
    if percent != 20 or figures == 3:
        named = next((colour for colour, meanings in TOLERANCES.items() if meanings[0][0] == percent), None)
        if named is None:
            raise ValueError(tr("tolerance {percent} % found; allowed: one that has a colour", percent=percent))
        row.append(named)
    if tempco is not None:
        ring = next((colour for colour, ppm in TEMPCOS.items() if scaled(str(ppm), -6) == tempco), None)
        if ring is None or figures != 3:
            raise ValueError(
                tr("{tempco} per kelvin found; allowed: one that has a colour, behind three figures", tempco=tempco)
            )
        row.append(ring)
    return tuple(row)
