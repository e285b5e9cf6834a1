"""What only capacitors carry: voltage codes, ceramic characteristics, safety classes, and codes run together.

Two-character voltage codes after published lists (0G to 3A read there; 1D, 1F, 1G, 1K, 2C to 2W partly from memory).
Ceramic characteristics after the EIA tables that makers reprint. Safety classes are those of IEC 60384-14.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

from refettle.language import mark, tr
from refettle.parts.markings_codes import read_letters
from refettle.parts.markings_digits import read_digits, read_plain
from refettle.parts.markings_reading import Reading, Reason
from refettle.parts.markings_series import E24
from refettle.parts.markings_weighing import made
from refettle.quantities import scaled

VOLT_FIGURES = {
    "A": "1", "Q": "1.1", "B": "1.25", "T": "1.5", "C": "1.6", "Z": "1.8", "D": "2", "P": "2.2", "E": "2.5",
    "F": "3.15", "V": "3.5", "G": "4", "W": "4.5", "H": "5", "L": "5.5", "J": "6.3", "K": "8",
}  # fmt: skip
STANDARD_VOLTS = frozenset(
    [2.5, 4, 5.5, 6, 6.3, 10, 12, 15, 16, 20, 25, 30, 35, 40, 50, 60, 63, 64, 70, 75, 80, 100, 125, 150, 160, 180, 200,
     220, 250, 275, 300, 315, 350, 385, 400, 450, 500, 600, 630, 1000, 1250, 1500, 1600, 2000, 3000]
)  # fmt: skip
"""Rated voltages met on capacitors [V]; common practice, no source."""

_LOWEST = {"X": -55, "Y": -30, "Z": 10}
_HIGHEST = {"2": 45, "4": 65, "5": 85, "6": 105, "7": 125, "8": 150, "9": 200}
_CHANGE = {
    "A": "±1", "B": "±1.5", "C": "±2.2", "D": "±3.3", "E": "±4.7", "F": "±7.5", "P": "±10", "R": "±15", "S": "±22",
    "T": "−33/+22", "U": "−56/+22", "V": "−82/+22",
}  # fmt: skip
FILMS = {
    "MKT": mark("metallised polyester"),
    "MKP": mark("metallised polypropylene"),
    "MKC": mark("metallised polycarbonate"),
    "MKS": mark("metallised polystyrene, with some makers polyester"),
    "MKI": mark("metallised polyphenylene sulphide"),
    "FKP": mark("polypropylene and foil"),
    "FKC": mark("polycarbonate and foil"),
    "FKS": mark("polyester and foil"),
}
"""Dielectric by letters, as lists of European custom give them."""
_SLOPES = ("030", "033", "075", "080", "100", "150", "220", "330", "470", "750", "1500", "2200")
_CHIP_FIGURES = dict(zip("ABCDEFGHJKLMNPQRSTUVWXYZ", (f"{n // 10}.{n % 10}" for n in E24), strict=True)) | {
    "a": "2.5", "b": "3.5", "d": "4.0", "e": "4.5", "f": "5.0", "m": "6.0", "n": "7.0", "t": "8.0", "y": "9.0",
}  # fmt: skip
_VOLT_CODE = r"[0-3][ABCDEFGHJKLPQTVWZ]"
_GLUED = re.compile(rf"({_VOLT_CODE})(\d{{3}}|\d?R\d|\d{{1,3}}[pnµu]\d?)([BCDFGJKMNSZ]?)")
_TAILED = re.compile(r"(.+?)(?<=[A-Zpnµuµ])(\d{2,4})")
_STROKE = re.compile(r"(\d{1,5}(?:[.,]\d{1,2})?|[.,]\d{1,3})µ?[/-](\d{1,4}(?:[.,]\d)?)[VvMK]?")
SAFETY = re.compile(r"X[123](?:Y[1234])?|Y[1234]")


def volts_of(code: str) -> float | None:
    """Rated voltage of a two-character code [V]: the digit is the power of ten (1H = 50, 2A = 100); None if none."""
    if not re.fullmatch(_VOLT_CODE, code) or (code[1] == "L" and code[0] != "0"):
        return None
    return scaled(VOLT_FIGURES[code[1]], int(code[0]))


def volt_code_of(volts: float) -> str:
    """The two-character code of a rated voltage [V]; empty where there is none."""
    return next((f"{power}{letter}" for power in range(4) for letter in VOLT_FIGURES
                 if volts_of(f"{power}{letter}") == volts), "")  # fmt: skip


def characteristic_of(token: str) -> tuple[str, tuple[float, float] | None] | None:
    """What a ceramic's characteristic says and its temperatures [°C]; None where the token is none."""
    if token in ("NP0", "NPO", "C0G", "COG"):
        return tr("{replace}, 0±30 ppm/K", replace=token.replace("PO", "P0").replace("COG", "C0G")), (-55.0, 125.0)
    if re.fullmatch(r"[XYZ][245-9][A-FPR-V]", token):
        spread = tr("{token} % over temperature", token=_CHANGE[token[2]])
        return f"{token}, {spread}", (float(_LOWEST[token[0]]), float(_HIGHEST[token[1]]))
    if token in FILMS:
        return f"{token}, {tr(FILMS[token])}", None
    if re.fullmatch(r"[NP]\d{3,4}", token) and token[1:] in _SLOPES:
        return tr(
            "{code}, {sign}{drift} ppm/K",
            code=token,
            sign="−" if token[0] == "N" else "+",
            drift=int(token[1:]),
        ), None
    return None


def read_alone(token: str) -> Iterator[Reading]:
    """A voltage code, characteristic or safety class standing alone."""
    volts = volts_of(token)
    if volts is not None:
        why = Reason(2, tr("{token} is the voltage code for {volts:g} V", token=token, volts=volts))
        yield Reading("capacitor", tr("two-character voltage code"), (why,), voltage=volts)
    said = characteristic_of(token)
    if said is not None:
        why = Reason(5, tr("{token} is a characteristic of the dielectric", token=token))
        yield Reading(
            "capacitor",
            tr("characteristic, EIA-198 or European letters"),
            (why,),
            characteristic=said[0],
            temperature=said[1],
        )
    if SAFETY.fullmatch(token):
        why = Reason(4, tr("{token} is a class of mains capacitor", token=token))
        yield Reading("capacitor", tr("safety class, IEC 60384-14"), (why,), safety=token)


def read_glued(token: str) -> Iterator[Reading]:
    """Codes run together: 2A104J (voltage, value, tolerance), 47nK100 and .1K63 (value, tolerance, voltage), 100/25."""
    if (found := _GLUED.fullmatch(token)) and (volts := volts_of(found[1])) is not None:
        inner = found[2] + found[3]
        for reading in (*read_digits(inner), *read_letters(inner)):
            if reading.kind in ("capacitor", "electrolytic"):
                why = Reason(
                    3, tr("{found} before it is the voltage code for {volts:g} V", found=found[1], volts=volts)
                )
                yield reading.because(why, voltage=volts, system=tr("voltage code and {system}", system=reading.system))
    if (found := _TAILED.fullmatch(token)) and float(found[2]) in STANDARD_VOLTS:
        volts = float(found[2])
        for reading in (*read_letters(found[1]), *read_digits(found[1]), *read_plain(found[1])):
            if reading.kind in ("capacitor", "electrolytic"):
                why = Reason(1, tr("{found} behind it is a usual rated voltage", found=found[2]))
                yield reading.because(why, voltage=volts, system=tr("{system}, then volts", system=reading.system))
    if found := _STROKE.fullmatch(token):
        figures, volts = found[1].replace(",", "."), float(found[2].replace(",", "."))
        if volts in STANDARD_VOLTS and float(figures) > 0:
            value = scaled(figures, -6)
            reading = made("electrolytic", tr("microfarads and volts"), 4, tr("microfarads, a stroke, volts"), value)
            yield reading.because(voltage=volts)


def read_chip_letters(token: str) -> Iterator[Reading]:
    """Chip ceramics: a letter for two figures and a digit for the zeros, in picofarads; a maker's letter may precede.

    Table as published for EIA-198: S3 is 4.7 nF, KA2 100 pF.
    """
    found = re.fullmatch(r"([A-Z]?)([A-Za-z])([0-79])", token)
    if found and found[2] in _CHIP_FIGURES:
        value = scaled(_CHIP_FIGURES[found[2]], (int(found[3]) if found[3] != "9" else -1) - 12)
        why = tr(
            "{figure} for {digits} and {zeros} zeros in picofarads, if it is a chip ceramic",
            figure=found[2],
            digits=_CHIP_FIGURES[found[2]],
            zeros=found[3],
        )
        maker = Reason(0, tr("{found} before it: a maker's letter", found=found[1])) if found[1] else None
        yield made("capacitor", "chip ceramic code, EIA-198", 0, why, value).because(maker)


def read_pair(first: str, second: str) -> Iterator[Reading]:
    """Two bare numbers on a small can: microfarads over volts."""
    if not re.fullmatch(r"\d{1,4}(?:[.,]\d)?", first) or not re.fullmatch(r"\d{1,3}(?:[.,]\d)?", second):
        return
    figures, volts = first.replace(",", "."), float(second.replace(",", "."))
    if volts in STANDARD_VOLTS and volts <= 450 and float(figures) > 0 and not figures.startswith("0"):
        reading = made(
            "electrolytic",
            tr("microfarads and volts"),
            4,
            tr("a can's two numbers: microfarads, volts"),
            scaled(figures, -6),
        )
        yield reading.because(voltage=volts)
