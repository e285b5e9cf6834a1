"""A part's value and ratings as people type them, into the fields of a part and back. No database."""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import date
from typing import TYPE_CHECKING, Any, cast

from refettle.language import tr
from refettle.parts.capacitor import ELECTROLYTIC, KINDS, AtFrequency, CapacitorError, Mount, Rated
from refettle.parts.capacitor_text import read_capacitor
from refettle.parts.markings import MarkingError, read_marking
from refettle.parts.markings_reading import Reading
from refettle.quantities import QuantityError, letter_code, parse, plain, show, written

if TYPE_CHECKING:
    from refettle.book.models_stores import Part

UNITS = {"F": "F", "ohm": "Ω", "H": "H", "Hz": "Hz"}
"""Unit as it is kept -> as it is shown and read."""
_NOUNS = frozenset({"capacitor", "cap", "electrolytic"})
_CAPACITORS = _NOUNS | frozenset(KINDS)
"""The kinds say how one is built, which a film resistor is as well; the nouns mean a capacitor and nothing else."""
_OF_KIND = {
    "resistor": "ohm", "potentiometer": "ohm", "pot": "ohm", "trimmer": "ohm", "thermistor": "ohm",
    "inductor": "H", "coil": "H", "choke": "H", "crystal": "Hz", "resonator": "Hz", "oscillator": "Hz",
}  # fmt: skip
_MARKED = {"F": "capacitor", "ohm": "resistor", "H": "inductor"}
_HERTZ = re.compile(r"(?i)(\d+(?:[.,]\d+)?) ?([kMG]?)Hz")
_STATED = re.compile(r"(?i)\d ?[pnuµm]?(F|H)\b|\d ?[kMm]?(Ω|ohms?\b)|\d(R)\d*\b")
_ALONE = re.compile(r"(?<!\S)(\d+(?:[.,]\d+)?|[.,]\d+)(?: +([A-Za-z]+))?(?!\S)")
YEAR = 365.25


class ValueTextError(ValueError):
    """A value that cannot be read; says what was found and what is allowed."""


def read_value(text: str, kind: str = "", name: str = "") -> dict[str, Any]:
    """The fields of a part that its value tells: unit, amount, volt, celsius, sizes [mm], mount, kind, rated.

    Parameters
    ----------
    text : str
        `4u7 50v 105C`, `100n X2`, `4k7 1%`, `10 µH`, `16 MHz`; of a capacitor all that `read_capacitor` understands.
    kind : str
        The part's kind, where it is said: a kind of capacitor, or resistor, coil, crystal.
    name : str
        Searched for the word of a kind.

    Raises
    ------
    ValueTextError
        It cannot be read, or may be read in two ways.
    """
    said = plain(text)
    if not said:
        return {}
    if len(said) > 120:
        raise ValueTextError(tr("{n} characters found; allowed: at most 120", n=len(said)))
    kind = kind.strip().casefold()
    unit = "F" if kind in _CAPACITORS else _OF_KIND.get(kind, "")
    words = re.findall(r"[a-z-]+", f"{said} {name}".casefold())
    stated = _STATED.search(said)
    if not unit:
        unit = _named(text, said, kind, words) if not stated else _named_alone(words)
    if hertz := _HERTZ.fullmatch(said):
        return _hertz(said, hertz, unit)
    if not unit and stated:
        unit = {"f": "F", "h": "H"}.get((stated[1] or "").casefold(), "ohm")
    if unit in ("", "F"):
        found = _capacitor(said, kind, words, sure=unit == "F")
        if found is not None:
            return found
    if unit == "Hz":
        raise ValueTextError(tr("{found!r} found; allowed: a frequency such as 16 MHz", found=text))
    return _marked(text, said, unit)


def _units_named(words: list[str]) -> list[str]:
    """Units of what the words name, each once; how a part is built tells only where nothing says what it is."""
    nouns = dict.fromkeys("F" if w in _NOUNS else _OF_KIND[w] for w in words if w in _NOUNS or w in _OF_KIND)
    return list(nouns) or ["F"] * any(w in KINDS for w in words)


def _named_alone(words: list[str]) -> str:
    """The unit that the words name, where they name one."""
    named = _units_named(words)
    return named[0] if len(named) == 1 else ""


def _named(text: str, said: str, kind: str, words: list[str]) -> str:
    """The same, or of several the one in which the value can be read. Raises ValueTextError where two would do."""
    named = _units_named(words)
    if len(named) < 2:
        return _named_alone(words)
    fits = []
    for unit in named:
        of_unit = next(w for w in words if (w in _NOUNS and unit == "F") or _OF_KIND.get(w) == unit)
        try:
            read_value(said, of_unit)
        except ValueTextError:
            continue
        fits.append(unit)
    if len(fits) > 1:
        either = tr(" or ").join(UNITS[unit] for unit in fits)
        raise ValueTextError(
            tr(
                "{found!r} may be in {either}; allowed: with its unit, or with a kind such as capacitor",
                found=text,
                either=either,
            )
        )
    return fits[0] if fits else ""


def _hertz(said: str, hertz: re.Match[str], unit: str) -> dict[str, Any]:
    if unit not in ("", "Hz"):
        raise ValueTextError(tr("{found!r} found; allowed: a value in {unit}", found=said, unit=UNITS[unit]))
    try:
        return {"unit": "Hz", "amount": parse(said.replace("mhz", "MHz").replace("khz", "kHz"), "Hz")}
    except QuantityError as error:
        raise ValueTextError(str(error)) from None


def _capacitor(said: str, kind: str, words: list[str], *, sure: bool) -> dict[str, Any] | None:
    """The fields of a capacitor described in words; None where it is none, or a marking that others read better."""
    known = kind if kind in KINDS else "aluminium" if kind == "electrolytic" else ""
    known = known or next((w for w in words if w in KINDS), "")
    if not known and "electrolytic" in words:
        known = "aluminium"
    if known in ELECTROLYTIC and re.fullmatch(r"\d{1,2}", said):  # print on ceramics: so many pF
        _refuse_bare(said, float(said), sure)
    readings = [r for r in _readings(said) if r.rank == 1]
    if not sure and {r.unit for r in readings} != {"F"}:
        return None
    text = " ".join(w for w in said.split() if w.casefold() not in ("capacitor", "cap"))
    try:
        rated = read_capacitor(text, known or "film")  # what is not said is not kept, so any kind will do to read it
    except CapacitorError as error:
        by_marking = {r.value for r in readings if r.unit == "F" and not r.words}
        if sure and len(by_marking) != 1:
            raise ValueTextError(str(error)) from None
        return None
    fields = fields_of(rated)
    _refuse_bare(said, rated.farad, sure)
    said_kind = rated.kind if known or any(w in KINDS for w in words) else _kind_said(text)
    return {**{k: v for k, v in fields.items() if k != "kind"}, **({"kind": said_kind} if said_kind else {})}


def _refuse_bare(said: str, farad: float, sure: bool) -> None:
    """A number alone is not taken for so many farad: 4.7 printed on a capacitor is 4.7 µF or 4.7 pF, never 4.7 F."""
    for number, behind in _ALONE.findall(said):
        if float(number.replace(",", ".")) == farad and behind.casefold() != "f":
            other = tr("{n}nF or {n}pF", n=number) if sure else tr("{n}ohm or {n}uH", n=number)
            raise ValueTextError(
                tr(
                    "{number!r} found, a number without a unit; allowed: with its unit, such as {number}uF, {others}",
                    number=number,
                    others=other,
                )
            )


def _kind_said(text: str) -> str:
    """The kind if the words name one: reading it as two different kinds then gives one."""
    return read_capacitor(text, "film").kind if read_capacitor(text, "mica").kind != "mica" else ""


def _readings(said: str, kind: str | None = None) -> list[Reading]:
    try:
        return [r for r in read_marking(said, kind=kind) if r.kind not in ("date", "type number")]
    except MarkingError:
        return []


def _marked(text: str, said: str, unit: str) -> dict[str, Any]:
    """Read as a marking: taken where the best readings agree and all of the text is read."""
    readings = [r for r in _readings(said, _MARKED.get(unit)) if r.rank == 1 and r.value is not None]
    means = {(r.unit, r.value) for r in readings}
    if len(means) > 1:
        either = tr(" or ").join(sorted({r.says for r in readings}))
        raise ValueTextError(
            tr(
                "{found!r} may be {either}; allowed: with its unit, or with a kind such as capacitor",
                found=text,
                either=either,
            )
        )
    if not readings or readings[0].words:
        allowed = (
            tr("a value in {unit}", unit=UNITS[unit])
            if unit
            else tr("such as 4u7 50V, 4k7, 10 µH, 16 MHz, or no value")
        )
        raise ValueTextError(tr("{found!r} found; allowed: {allowed}", found=text, allowed=allowed))
    best = readings[0]
    fields: dict[str, Any] = {"unit": {"Ω": "ohm"}.get(best.unit, best.unit), "amount": best.value}
    rated: dict[str, Any] = {}
    if best.voltage is not None:
        fields["volt"] = best.voltage
    if best.temperature is not None:
        fields["celsius"] = best.temperature[1]
    if best.tolerance is not None and not best.tolerance.absolute:
        rated["tolerance"] = [best.tolerance.low, best.tolerance.high]
    if best.power is not None:
        rated["watt"] = best.power
    if best.safety:
        rated["safety"] = best.safety.split("/")
    return {**fields, **({"rated": rated} if rated else {})}


# ---------------------------------------------------------------- a capacitor's ratings


def fields_of(rated: Rated) -> dict[str, Any]:
    """A capacitor's ratings as the fields of a part; what is not known is left out."""
    more: dict[str, Any] = {}
    for name in ("esr", "ripple"):
        if (at := getattr(rated, name)) is not None:
            more[name] = {"value": at.value, "hertz": at.hertz, "celsius": at.celsius}
    for name in ("endurance", "leakage"):
        if getattr(rated, name) is not None:
            more[name] = getattr(rated, name)
    if rated.tolerance is not None:
        more["tolerance"] = list(rated.tolerance)
    if rated.safety:
        more["safety"] = sorted(rated.safety)
    millimetres = {
        f"{name}_mm": round(1e3 * getattr(rated, name), 6)
        for name in ("diameter", "height", "pitch")
        if getattr(rated, name) is not None
    }
    found = {
        "kind": rated.kind,
        "unit": "F",
        "amount": rated.farad,
        "volt": rated.volt,
        "celsius": rated.celsius,
        "mount": rated.mount,
        "rated": more,
        **millimetres,
    }
    return {k: v for k, v in found.items() if v not in (None, {})}


def rated_of_part(part: Part, today: date | None = None, made: date | None = None) -> Rated | None:
    """A part as a capacitor to compare with others; None where it is none, or its kind is not known.

    `made`: of the lot that would be taken; with `today` it tells how long it has been stored.
    """
    if part.unit != "F" or part.amount is None or part.kind not in KINDS:
        return None
    said: Mapping[str, Any] = part.rated if isinstance(part.rated, dict) else {}
    try:
        at = {n: AtFrequency(**said[n]) for n in ("esr", "ripple") if n in said}
        stored = (today - made).days / YEAR if today is not None and made is not None and today >= made else None
        return Rated(
            part.kind,
            part.amount,
            part.volt,
            part.celsius,
            tolerance=tuple(said["tolerance"]) if "tolerance" in said else None,
            esr=at.get("esr"),
            ripple=at.get("ripple"),
            endurance=said.get("endurance"),
            leakage=said.get("leakage"),
            pitch=_metre(part.pitch_mm),
            diameter=_metre(part.diameter_mm),
            height=_metre(part.height_mm),
            mount=cast(Mount, part.mount) if part.mount in ("radial", "axial", "surface") else None,
            safety=frozenset(said.get("safety", ())),
            stored=stored,
            name=part.code,
        )
    except (CapacitorError, TypeError):
        return None


def _metre(millimetre: float | None) -> float | None:
    return None if millimetre is None else 1e-3 * millimetre


def value_words(part: Part) -> str:
    """A part's value for people: `4.7 µF 50 V 105 °C`; empty where it has none."""
    said = []
    if part.amount is not None:
        said.append(show(part.amount, UNITS.get(part.unit, ""), 4))
    if part.volt is not None:
        said.append(show(part.volt, "V"))
    if part.celsius is not None:
        said.append(show(part.celsius, "°C"))
    return " ".join(said)


def value_text(part: Part) -> str:
    """All that a value tells of a part, as `read_value` reads it back, without its kind."""
    if part.amount is None:
        return ""
    rated: Mapping[str, Any] = part.rated if isinstance(part.rated, dict) else {}
    said = [written(part.amount, UNITS.get(part.unit, ""), 9).replace("\u2009", "")]
    if part.volt is not None and part.unit in ("F", "ohm"):
        said.append(f"{part.volt:.12g}V")
    if part.celsius is not None and part.unit == "F":
        said.append(f"{part.celsius:.12g}C")
    if "tolerance" in rated and part.unit != "Hz":
        low, high = (round(100 * limit, 9) for limit in rated["tolerance"])
        said.append(f"{high:g}%" if low == -high else f"{low:g}/+{high:g}%" if low else f"-0/+{high:g}%")
    if part.unit != "F":
        return " ".join([*said, *([f"{rated['watt']:.12g}W"] if "watt" in rated else [])])
    if rated.get("safety"):
        said.append("/".join(rated["safety"]))
    for name in ("diameter", "height", "pitch"):
        if (millimetre := getattr(part, f"{name}_mm")) is not None:
            said.append(f"{name}={millimetre:.9g}mm")
    for name in ("esr", "ripple"):
        if at := rated.get(name):
            said.append(f"{name}={at['value']!r}@{at['hertz']!r}@{at['celsius']!r}")
    said += [f"{name}={rated[name]!r}" for name in ("endurance", "leakage") if name in rated]
    return " ".join(said)


def code_for(fields: Mapping[str, Any], name: str) -> str:
    """A code from what a part is: `C4u7-50`, `R4K7`, `L10u`, else from its name."""
    amount, unit = fields.get("amount"), fields.get("unit")
    if amount is not None and unit in ("F", "ohm"):
        try:
            text = ("C" if unit == "F" else "R") + letter_code(amount, UNITS[unit]).replace("µ", "u")
            if unit == "F" and amount >= 1e-3:
                text = f"C{1e6 * amount:g}u"  # 4700u: the trade does not say 4.7 mF
            return text + (f"-{fields['volt']:g}" if fields.get("volt") else "")
        except QuantityError:
            pass
    if amount is not None and unit in ("H", "Hz"):
        shown = written(amount, UNITS[unit]).replace("µ", "u").replace("\u2009", "")
        return ("L" if unit == "H" else "X") + shown.removesuffix("Hz").removesuffix("H")
    words = re.findall(r"[A-Za-z0-9]+", name.upper())
    return "-".join(words)[:24].strip("-") or "PART"


def polar_guess(farad: float) -> str:
    """The kind by which a wanted capacitor is compared where nobody said one: from 1 µF up aluminium (common practice,
    no source), else none."""
    return "aluminium" if farad >= 1e-6 else ""


__all__ = [
    "UNITS",
    "ValueTextError",
    "code_for",
    "fields_of",
    "polar_guess",
    "rated_of_part",
    "read_value",
    "value_text",
    "value_words",
]
