"""Capacitance and rated voltage from the text beside a capacitor: '10uF/16V', '100u 25V', '4,7µF', '4u7'."""

from __future__ import annotations

import re
from dataclasses import dataclass

_POWER = {"p": -12, "n": -9, "u": -6, "m": -6, "f": 0}  # old prints write m for µ
_UNITS = {"uuf": "p", "mmf": "p", "mmfd": "p"}
_NUMBER = r"(\d+(?:[.,]\d+)?|[.,]\d+)"
_WITH_UNIT = re.compile(rf"(?<![\w.,]){_NUMBER}\s*(uuf|mmfd?|mfd|mf|[pnum]f?|f)(?![a-z0-9])", re.IGNORECASE)
_PREFIX_AS_POINT = re.compile(r"(?<![\w.,])(\d+)([pnum])(\d+)f?(?![a-z0-9])", re.IGNORECASE)
_VOLTS = re.compile(rf"(?<![\w.,]){_NUMBER}\s*v(?:olts?|dc|ac|ac/dc)?(?![a-z0-9])", re.IGNORECASE)
_VOLTS_POINT = re.compile(r"(?<![\w.,])(\d+)v(\d)(?![a-z0-9])", re.IGNORECASE)
_BARE = re.compile(rf"^\s*{_NUMBER}(?:\s*/\s*{_NUMBER})?\s*(?:v\b.*)?$", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class ValueRead:
    """`farad` [F] and `volt` [V], None where the text does not say; `note` says what was taken for granted."""

    farad: float | None
    volt: float | None
    note: str = ""


def _figure(text: str, power: int = 0) -> float:
    return float(f"{text.replace(',', '.')}e{power}")


def read_value(text: str, polarised: bool) -> ValueRead:
    """Read a value text.

    Parameters
    ----------
    text : str
    polarised : bool
        True for an electrolytic: a bare number is then read as µF (common practice, no source).
    """
    flat = text.replace("µ", "u").replace("μ", "u").strip()
    found = _VOLTS_POINT.search(flat)
    volt = float(f"{found[1]}.{found[2]}") if found is not None else None
    if volt is None:
        found = _VOLTS.search(flat)
        volt = _figure(found[1]) if found is not None else None
    found = _PREFIX_AS_POINT.search(flat)
    if found is not None:
        return ValueRead(_figure(f"{found[1]}.{found[3]}", _POWER[found[2].lower()]), volt)
    found = _WITH_UNIT.search(flat)
    if found is not None:
        unit = found[2].lower()
        note = f"{found[0].strip()} is taken for µF, as old prints mean it" if unit in ("mf", "m") else ""
        return ValueRead(_figure(found[1], _POWER[_UNITS.get(unit, unit[0])]) or None, volt, note)
    found = _BARE.match(flat) if polarised else None
    if found is not None and _figure(found[1]) > 0 and (volt is None or found[2]):
        note = f"{found[1]} without a unit is taken for µF"
        if found[2]:
            volt = _figure(found[2])
            note += f", {found[2]} behind the stroke for volts"
        return ValueRead(_figure(found[1], -6), volt, note)
    return ValueRead(None, volt, f"no capacitance can be read from {text!r}" if flat else "")
