"""Emptying a charged capacitor: how long to a safe voltage, what it holds, what the resistor must stand."""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil, floor, log10

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_safe

from refettle.knowledge.loading import load_library
from refettle.language import tr
from refettle.parts.capacitor import CapacitorError
from refettle.parts.discharge import HANDS_VOLT, HAZARDS, MOST_VOLT, SAFE_VOLT, Discharge, discharge
from refettle.quantities import QuantityError, parse, show
from refettle.web.views.common import CautionView
from refettle.web.views.library import library

OTHERS = (470.0, 1e3, 2.2e3, 4.7e3, 10e3, 22e3)
"""[ohm] Resistors likely to lie on the bench."""
MOST_WATT = 25.0
"""[W] A larger wire-wound resistor is not held by hand (common practice, no source)."""


@dataclass(frozen=True)
class Typed:
    """The form as typed; the resistor and the safe voltage have usual values."""

    capacitance: str = ""
    volts: str = ""
    resistor: str = "2.2k"
    safe: str = f"{SAFE_VOLT:g}"
    low_voltage: bool = False
    leaked: bool = False


@dataclass(frozen=True)
class Row:
    """Another resistor for the same capacitor."""

    resistor: str
    seconds: str
    hands: str
    watt: str
    too_much: bool


@dataclass(frozen=True)
class Found:
    """The answer in words and figures."""

    what: str
    result: Discharge
    safe: str
    hands_volt: str
    energy: str
    seconds: str
    hands: str
    tau: str
    ampere: str
    watt: str
    tool: str
    fitted: str
    comes_back: str
    rows: tuple[Row, ...]

    @property
    def hazard(self) -> str:
        """What it can do to a person."""
        return tr(HAZARDS[self.result.hazard])


def above(value: float, unit: str) -> str:
    """The value in two figures, rounded up: no time or rating is shown too small."""
    if value <= 0:
        return show(0.0, unit)
    step = 10.0 ** (floor(log10(value)) - 1)
    return show(ceil(round(value / step, 6)) * step, unit, 2)


def _typed(request: HttpRequest) -> Typed:
    form = request.GET
    if "c" not in form and "v" not in form:
        return Typed(low_voltage="low" in form)
    return Typed(
        form.get("c", "").strip(),
        form.get("v", "").strip(),
        form.get("r", "").strip() or "2.2k",
        form.get("safe", "").strip() or f"{SAFE_VOLT:g}",
        "low" in form,
        "leaked" in form,
    )


def _quantity(name: str, text: str, unit: str) -> float:
    try:
        return parse(text, unit)
    except QuantityError as error:
        raise CapacitorError(f"{name}: {error}") from None


def _find(typed: Typed) -> Found:
    """Raises CapacitorError naming the field."""
    farad = _quantity(tr("Capacitance"), typed.capacitance, "F")
    volt = _quantity(tr("Voltage"), typed.volts, "V")
    ohm = _quantity(tr("Resistor"), typed.resistor, "Ω")
    safe = _quantity(tr("Safe voltage"), typed.safe, "V")

    def through(resistor: float) -> Discharge:
        return discharge(farad, volt, resistor, safe=safe, mains_unit=not typed.low_voltage, leaked=typed.leaked)

    result = through(ohm)
    rows = []
    for other in OTHERS:
        each = through(other)
        rows.append(
            Row(
                show(other, "Ω"),
                above(each.seconds, "s"),
                above(each.hands_seconds, "s"),
                above(each.tool_watt, "W"),
                each.tool_watt > MOST_WATT,
            )
        )
    what = tr("{farad} at {volt}, through {ohm}", farad=show(farad, "F"), volt=show(volt, "V"), ohm=show(ohm, "Ω"))
    return Found(
        what,
        result,
        show(safe, "V"),
        show(min(HANDS_VOLT, safe), "V"),
        energy=show(result.energy, "J", 3),
        seconds=above(result.seconds, "s"),
        hands=above(result.hands_seconds, "s"),
        tau=show(result.tau, "s", 3),
        ampere=above(result.peak_ampere, "A"),
        watt=above(result.peak_watt, "W"),
        tool=above(result.tool_watt, "W"),
        fitted=above(result.fitted_watt, "W"),
        comes_back=above(result.comes_back, "V"),
        rows=tuple(rows),
    )


def _cautions(ids: tuple[str, ...]) -> list[CautionView]:
    """In full, from the bench's own library, or the shipped one where that has none."""
    own, shipped = library().cautions, load_library().cautions
    return [CautionView(each, own.get(each) or shipped[each]) for each in ids]


@require_safe
def discharge_page(request: HttpRequest) -> HttpResponse:
    """The page. Everything stands in the address; nothing is written."""
    typed = _typed(request)
    found, error = None, ""
    ids: tuple[str, ...] = (*(() if typed.low_voltage else ("mains",)), "charged-capacitor")
    ids += ("leaked-electrolyte",) if typed.leaked else ()
    if typed.capacitance or typed.volts:
        try:
            found = _find(typed)
            ids = found.result.cautions
        except CapacitorError as trouble:
            error = str(trouble)
            ids = (*ids, "picture-tube")
    context = {
        "area": "mark",
        "typed": typed,
        "found": found,
        "error": error,
        "cautions": _cautions(ids),
        "most_volt": show(MOST_VOLT, "V"),
        "most_watt": show(MOST_WATT, "W"),
    }
    return render(request, "refettle/discharge.html", context, status=422 if error else 200)
