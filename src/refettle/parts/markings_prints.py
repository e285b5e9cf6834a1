"""Prints in full: a value with its unit, and what stands around it (volts, degrees, tolerance, polarity, series).

Old spellings of microfarad count: MFD, mfd, MF, UF; MMF and µµF are picofarads; mF is micro on old parts and milli on
new ones, so both are readings.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field

from refettle.language import mark, tr
from refettle.parts.markings_capacitors import SAFETY, STANDARD_VOLTS, characteristic_of
from refettle.parts.markings_codes import lettered
from refettle.parts.markings_reading import Reading, Reason, Tolerance
from refettle.parts.markings_weighing import capacitor_kind, made
from refettle.quantities import scaled

Span = tuple[int, int]
_NUM = r"(?:\d+(?:[.,]\d+)?|[.,]\d+)"
_LOWEST = r"(-\s?\d{1,2})\s?°?\s?C?\s?(?:\.{2,3}|/|to|\+|-)\s?\+?\s?"
_TEMPERATURE = re.compile(rf"(?<![\dA-Za-z.,])(?:{_LOWEST})?\(?\+?(\d{{2,3}})\s?°\s?C?\)?(?![A-Za-z])")
_BARE_TEMPERATURE = re.compile(
    rf"(?<![\dA-Za-z.,])(?:{_LOWEST})?\(?(70|85|95|105|125|130|135|145|150)\s?C\)?(?![A-Za-z\d])"
)
_ALTERNATING = re.compile(
    rf"({_NUM})\s?(k|K)?\s?(?:V\s?~|V\s?A\.?C\.?|v\s?ac|A\.?C\.?\s?V|~\s?V?|V\s?a\.?c\.?)(?![A-Za-z\d])"
)
_VOLTS = re.compile(
    rf"(?<![\d.,])({_NUM})\s?(k|K)?\s?(?:W\.?V\.?(?:\s?DC)?|V\.?\s?(?:D\.?C\.?\s?W?|d\.?c\.?|W|-|=)?|v(?:dc|olts?)?)(?![A-Za-z\d])"
)
_POINT_VOLTS = re.compile(r"(?<![\dA-Za-z.,])(\d)V(\d)(?![A-Za-z\d])")
_WATTS = re.compile(rf"(?<![\dA-Za-z.,])({_NUM}|1/[248])\s?W(?=[\sR\d(]|$)")
_LOPSIDED = re.compile(r"([+-])\s?(\d{1,3})\s?%?\s?/?\s?([+-])\s?(\d{1,3})\s?%")
_PERCENT = re.compile(rf"\(?(?:±|\+/-|\+-)?\s?({_NUM})\s?%\)?")
_BIPOLAR = re.compile(
    r"(?<![A-Za-z])(?:N\.?P\.?|B\.?P\.?|bi-?polar|non-?\s?polar(?:i[sz]ed)?)(?![A-Za-z\d])", re.IGNORECASE
)
_POLAR = re.compile(r"(?:(?<=\s)|^)(?<!\d\s)\(?[+-]{1,3}\)?(?=\s|$)")
_FARADS = re.compile(
    rf"(?<![\dA-Za-z.,])((?:{_NUM}\s?\+\s?){{0,3}}{_NUM})\s?"
    r"(µµF|uuF|UUF|MMFD?|mmfd?|[µuUnNpPmM]?\s?(?:FD?|fd?)|[µuUnNpPmM]?\s?[Ff]arads?|Mfd|Mf)"
    r"(?:\s?([BCDFGJKMNSZ])(\d{2,4})?)?(?![A-Za-z])"
)
_BARE_MICRO = re.compile(rf"(?<![\dA-Za-z.,])((?:{_NUM}\s?\+\s?){{0,3}}{_NUM})\s?([µu])(?![A-Za-z\d])")
_OHMS = re.compile(rf"(?<![\dA-Za-z.,])({_NUM})\s?([mkKMG])?\s?(?:Ω|[oO][hH][mM][sS]?)(?:\s?([BCDFGJKM]))?(?![A-Za-z])")
_HENRIES = re.compile(rf"(?<![\dA-Za-z.,])({_NUM})\s?([pnNµuUmM])?\s?H(?:\s?([FGJKLM]))?(?![A-Za-z\d])")
_SERIES = re.compile(r"\(?([A-Z]{1,4}\d{0,2})\)?(?:\(([KM])\))?")
_EXPONENTS = {"p": -12, "n": -9, "µ": -6, "u": -6, "m": -3, "": 0, "k": 3, "M": 6, "G": 9}

_FOR_CANS = (mark("plain number"), mark("R as the point"), mark("older custom, no source"))


@dataclass
class Around:
    """What stands around a value, and what is left of the text when it is taken out (blanks keep the places)."""

    rest: str
    volts: float | None = None
    alternating: bool = False
    watts: float | None = None
    temperature: tuple[float | None, float] | None = None
    tolerance: Tolerance | None = None
    safety: str = ""
    safety_span: Span = (0, 0)
    characteristic: str = ""
    polarity: str = ""
    spans: list[Span] = field(default_factory=list)
    said: list[str] = field(default_factory=list)

    def take(self, pattern: re.Pattern[str], what: str) -> re.Match[str] | None:
        """The first match, blanked out of the rest."""
        found = pattern.search(self.rest)
        if found:
            self.blank(found.span())
            self.said.append(f"{found.group().strip()}: {what}")
        return found

    def blank(self, span: Span) -> None:
        """Take a stretch out of the rest."""
        start, end = span
        self.rest = self.rest[:start] + " " * (end - start) + self.rest[end:]
        self.spans.append(span)


def _float(text: str) -> float:
    return float(text.replace(",", ".").replace(" ", ""))


def values_in_full(around: Around) -> list[Reading]:
    """The value with its unit, taken out of the text; several readings where the unit is not certain."""
    if found := around.take(_FARADS, "capacitance"):
        readings = list(_farads(found[1], found[2].replace(" ", "")))
        if found[4] and _float(found[4]) in STANDARD_VOLTS:
            around.volts = _float(found[4])
        if found[3]:
            readings = [closed for each in readings if (closed := lettered(each, found[3], 1)) is not None]
        return readings
    if found := around.take(_BARE_MICRO, "capacitance"):
        return list(_farads(found[1], "µF"))
    if found := around.take(_OHMS, "resistance"):
        prefix = (found[2] or "").replace("K", "k")
        value = scaled(found[1].replace(",", "."), _EXPONENTS[prefix])
        readings = [made("resistor", tr("value in full"), 7, tr("ohms are written"), value, fine=True)]
    elif found := around.take(_HENRIES, "inductance"):
        prefix = {"N": "n", "U": "µ", "M": "m"}.get(found[2] or "", found[2] or "")
        value = scaled(found[1].replace(",", "."), _EXPONENTS[prefix])
        readings = [made("inductor", tr("value in full"), 7, tr("henries are written"), value)]
    else:
        return []
    if found[3]:
        readings = [closed for each in readings if (closed := lettered(each, found[3], 1)) is not None]
    return readings


def _farads(numbers: str, unit: str) -> Iterator[Reading]:
    parts = [part.strip().replace(",", ".") for part in numbers.split("+")]
    small = unit.lower().replace("µµ", "mm").replace("uu", "mm")
    if small.startswith("mm"):
        meanings = [(-12, tr("picofarads in the old spelling") if "m" in unit.lower() else "picofarads")]
    elif small.startswith("m") and unit == "mF":
        meanings = [(-6, tr("mF on an old part: microfarads")), (-3, tr("mF today: millifarads"))]
    elif small.startswith("m"):
        meanings = [(-6, tr("{unit}: microfarads in the old spelling", unit=unit))]
    else:
        prefix = small[0] if small[0] in "pnµu" else ""
        meanings = [(_EXPONENTS[prefix], tr("farads are written"))]
    for place, (exponent, why) in enumerate(meanings):
        values = tuple(scaled(part, exponent) for part in parts)
        reading = made(capacitor_kind(values[0]), tr("value in full"), 7 - 2 * place, why, values[0])
        yield reading.because(sections=values if len(values) > 1 else ())


def look_around(text: str) -> Around:
    """Take out what stands around a value: volts, degrees, percent, watts, polarity, safety class."""
    around = Around(text)
    if found := around.take(_TEMPERATURE, "degrees"):
        around.temperature = (_float(found[1]) if found[1] else None, float(found[2]))
    if found := around.take(_LOPSIDED, "tolerance"):
        one, two = float(found[1] + found[2]), float(found[3] + found[4])
        around.tolerance = Tolerance(min(one, two) / 100, max(one, two) / 100)
    elif found := around.take(_PERCENT, "tolerance"):
        limit = _float(found[1]) / 100
        around.tolerance = Tolerance(-limit, limit)
    if found := around.take(_ALTERNATING, tr("volts alternating")):
        around.volts, around.alternating = _float(found[1]) * (1000 if found[2] else 1), True
    elif found := around.take(_POINT_VOLTS, "volts"):
        around.volts = float(f"{found[1]}.{found[2]}")
    elif found := around.take(_VOLTS, "volts"):
        around.volts = _float(found[1]) * (1000 if found[2] else 1)
    if found := around.take(_WATTS, "watts"):
        over = found[1].partition("/")
        around.watts = float(over[0]) / float(over[2]) if over[2] else _float(found[1])
    if around.take(_BIPOLAR, tr("no plus and minus")):
        around.polarity = "bipolar"
    elif around.take(_POLAR, tr("a pole is marked")):
        around.polarity = "polar"
    return around


def finish_around(around: Around, in_full: bool) -> None:
    """Take out what is certain only beside a value: degrees without the sign, safety class, characteristic."""
    beside = around.temperature is None and (in_full or around.volts is not None)
    if beside and (found := around.take(_BARE_TEMPERATURE, "degrees")):
        around.temperature = (_float(found[1]) if found[1] else None, float(found[2]))
    for word_found in re.finditer(r"[^\s,;()/]+", around.rest):
        word = word_found.group().upper()
        if SAFETY.fullmatch(word) and not around.safety:
            around.safety, around.safety_span = word, word_found.span()
            around.blank(word_found.span())
        elif (said := characteristic_of(word)) is not None and not around.characteristic:
            around.characteristic = said[0]
            around.temperature = around.temperature or said[1]
            around.blank(word_found.span())


def leftovers(reading: Reading, others: list[str]) -> Reading:
    """Words not read otherwise: a tolerance letter, series letters, the rest as it stands."""
    kept: list[str] = []
    for word in others:
        bare = word.strip("()")
        letter = bare if len(bare) == 1 else ""
        if letter and reading.tolerance is None and letter in "FGJKMNSZ":
            reading = lettered(reading, letter, 1) or reading
        elif (
            (found := _SERIES.fullmatch(word))
            and reading.kind == "electrolytic"
            and len(bare) > 1
            and not reading.series
        ):
            reading = reading.because(series=found[1])
            if found[2] and reading.tolerance is None:
                reading = lettered(reading, found[2], 1) or reading
        else:
            kept.append(word)
    return reading.because(words=tuple(kept))


def with_around(reading: Reading, around: Around) -> Reading | None:
    """The reading with what stands around it, or None where the two do not go together."""
    of_capacitors = (
        around.volts is not None or around.temperature or around.safety or around.characteristic or around.polarity
    )
    is_capacitor = reading.kind in ("capacitor", "electrolytic")
    if (of_capacitors and not is_capacitor and (around.watts is None)) or (
        around.watts is not None and reading.kind != "resistor"
    ):
        return None
    if reading.kind == "electrolytic" and reading.system in _FOR_CANS and (around.safety or around.characteristic):
        return None
    reasons = [Reason(1, said) for said in around.said if not said.endswith(("tance",))]
    if around.volts is not None and around.volts not in STANDARD_VOLTS and not around.alternating:
        reasons.append(Reason(-1, tr("{volts:g} V is no usual rated voltage", volts=around.volts)))
    reading = reading.because(
        *reasons,
        voltage=around.volts if around.volts is not None else reading.voltage,
        alternating=around.alternating,
        power=around.watts,
        temperature=around.temperature or reading.temperature,
        tolerance=around.tolerance or reading.tolerance,
        safety=around.safety or reading.safety,
        characteristic=around.characteristic or reading.characteristic,
        polarity=around.polarity or reading.polarity,
    )
    if is_capacitor and reading.value is not None:
        if reading.kind == "electrolytic" and reading.system == "plain number" and (around.volts or 1e9) <= 450:
            reading = reading.because(Reason(3, tr("a bare number beside volts is microfarads as a rule")))
        reading = _sorted_kind(reading)
        if reading.kind == "electrolytic" and around.volts is not None and around.volts > 550:
            reading = reading.because(Reason(-4, tr("no electrolytic is made for that voltage")))
    return reading


def _sorted_kind(reading: Reading) -> Reading:
    """Electrolytic where the print says so: degrees, a pole, or 1 µF and more with direct volts (common practice)."""
    assert reading.value is not None
    if reading.safety or reading.alternating or reading.characteristic:
        return reading.because(kind="capacitor")
    tight = reading.tolerance is not None and reading.tolerance.high <= 0.1
    large = reading.value >= 0.999e-6 and reading.voltage is not None and not tight
    if reading.polarity or (reading.temperature and reading.value >= 0.099e-6) or large or len(reading.sections) > 1:
        return reading.because(kind="electrolytic")
    return reading


def print_electrolytic(
    value: float, volts: float, celsius: float | None = None, bipolar: bool = False, series: str = ""
) -> str:
    """An electrolytic's print: `100 µF 16 V 105 °C`.

    Parameters
    ----------
    value : float
        [F]
    volts : float
        [V]
    celsius : float or None
        [°C]
    """
    microfarads = f"{round(value * 1e6, 6):g}" if value < 1 else f"{value * 1e6:.0f}"
    said = [f"{microfarads} µF", f"{volts:g} V"]
    said += [f"{celsius:g} °C"] if celsius is not None else []
    said += ["BP"] if bipolar else []
    return " ".join(said + ([series] if series else []))
