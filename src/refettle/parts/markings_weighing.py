"""What figures and size of a value say for or against a reading. All points are estimates; they only rank."""

from __future__ import annotations

from typing import Any

from refettle.language import tr
from refettle.parts.markings_reading import Kind, Reading, Reason, Tolerance
from refettle.parts.markings_series import series_of, three_figures

_OLDER = frozenset({25, 32, 40, 50, 60, 64, 80})  # before the E series took over; common practice, no source
_RANGES: dict[Kind, tuple[float, float, float, float]] = {  # possible from, usual from, usual to, possible to; estimate
    "resistor": (0.5e-3, 0.1, 22e6, 100e9),
    "capacitor": (0.1e-12, 1e-12, 10e-6, 1e-3),
    "electrolytic": (0.01e-6, 0.1e-6, 0.1, 10.0),
    "inductor": (0.5e-9, 10e-9, 0.1, 20.0),
}


def weigh_value(kind: Kind, value: float, tolerance: Tolerance | None, fine: bool = False) -> tuple[str, list[Reason]]:
    """The value's series, and what its figures and size say for a reading.

    Parameters
    ----------
    kind : Kind
        With a value: resistor, capacitor, electrolytic, inductor.
    value : float
        [ohm, F or H]
    tolerance : Tolerance or None
        As printed.
    fine : bool
        Whether the system is one for three-figure values (four digits, five bands).
    """
    if value == 0:
        return "", []
    series = series_of(value)
    fine = fine or (tolerance is not None and not tolerance.absolute and tolerance.high <= 0.02)
    figures = three_figures(value)
    if series in ("E3", "E6", "E12", "E24"):
        reasons = [Reason(1 if series == "E24" else 2, tr("the value is in {series}", series=series))]
    elif series and fine and kind == "resistor":
        reasons = [Reason(0 if series == "E192" else 1, tr("the value is in {series}", series=series))]
    elif (kind != "resistor" or value < 1) and figures is not None and figures % 10 == 0 and figures // 10 in _OLDER:
        reasons = [Reason(0, tr("a usual value of shunts and older parts, in no coarse E series"))]
    elif series:
        reasons = [Reason(-2, tr("the value is in no series coarser than {series}", series=series))]
    else:
        reasons = [Reason(-3, tr("the value is in no E series"))]
    lowest, usual_low, usual_high, highest = _RANGES[kind]
    if not lowest <= value <= highest:
        reasons.append(
            Reason(-5, tr("no {kind} is that {lowest}", kind=kind, lowest="small" if value < lowest else "large"))
        )
    elif not usual_low <= value <= usual_high:
        reasons.append(
            Reason(-2, tr("unusually {usual_low} for this kind", usual_low="small" if value < usual_low else "large"))
        )
    return series, reasons


def made(
    kind: Kind,
    system: str,
    base: int,
    why: str,
    value: float,
    tolerance: Tolerance | None = None,
    *,
    fine: bool = False,
    **more: Any,
) -> Reading:
    """A reading of a value, weighed: `base` points for the system itself, then the figures, then the size."""
    series, reasons = weigh_value(kind, value, tolerance, fine)
    given = (Reason(base, why), *reasons)
    return Reading(kind, system, given, value=value, tolerance=tolerance, e_series=series, **more)


def capacitor_kind(value: float) -> Kind:
    """From 10 µF up a capacitor is an electrolytic as a rule (common practice, no source)."""
    return "electrolytic" if value >= 9.99e-6 else "capacitor"
