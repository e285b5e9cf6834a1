"""Capacitance and rated voltage from the text beside a capacitor in a layout or a list, read as any marking is."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache

from refettle.language import tr
from refettle.parts.markings import MarkingError, read_marking
from refettle.quantities import show

_HAS_UNIT = re.compile(r"\d\s*(?:[pnuµμm]|f\b)", re.IGNORECASE)
_LONGEST = 60


@dataclass(frozen=True, slots=True)
class ValueRead:
    """`farad` [F] and `volt` [V], None where the text does not say; `note` says what was taken for granted."""

    farad: float | None
    volt: float | None
    note: str = ""


@lru_cache(maxsize=1024)
def read_value(text: str, polarised: bool) -> ValueRead:
    """Read a value text: the best reading of it as a marking, None where two stand equal.

    Parameters
    ----------
    text : str
        '10uF/16V', '100u 25V', '4,7µF', '4u7'.
    polarised : bool
        True for an electrolytic: a bare number is then read as µF (common practice, no source). Of other capacitors
        only a value with its unit is taken: a bare 104 may be a code or a slip.
    """
    said = text.strip()
    if not said:
        return ValueRead(None, None)
    volt: float | None = None
    for kind in ("electrolytic", "capacitor") if polarised else ("capacitor",):
        try:
            readings = read_marking(said[:_LONGEST], kind=kind)
        except MarkingError:
            continue
        best = [reading for reading in readings if reading.rank == 1]
        volts = {reading.voltage for reading in best}
        volt = volts.pop() if len(volts) == 1 else None
        values = {reading.value for reading in best if reading.value}
        if len(values) > 1:
            either = " or ".join(show(value, "F") for value in sorted(values))
            return ValueRead(None, volt, tr("{text!r} may be {either}", text=text, either=either))
        if values and (kind == "electrolytic" or _HAS_UNIT.search(said)):
            value = values.pop()
            bare = (
                ""
                if _HAS_UNIT.search(said)
                else tr("{text} without a unit is taken for {value}", text=text, value=show(value, "F"))
            )
            return ValueRead(value, volt, bare)
    return ValueRead(None, volt, tr("no capacitance can be read from {text!r}", text=text))
