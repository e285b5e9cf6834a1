"""A ripple reading on a page: the questions as typed, and the answer with its plots. Also used by a job's pages."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal, TypeVar, get_args

import numpy as np

from refettle.captures import Capture
from refettle.drawing.plot import Limit, Trace, line_plot
from refettle.drawing.plot_views import fit_plots
from refettle.parts.capacitor import CapacitorError, Rated
from refettle.parts.capacitor_text import read_capacitor
from refettle.quantities import show
from refettle.supply.ripple import Rectifier, read_ripple
from refettle.supply.ripple_capture import ripple_channel
from refettle.supply.ripple_fit import LoadKind
from refettle.supply.ripple_result import Figure, RippleReading
from refettle.supply.ripple_verdict import RippleVerdict, judge_ripple
from refettle.supply.ripple_wave import RippleError
from refettle.web.plots import PlotView, plot_view
from refettle.web.typed import quantity_of

W = TypeVar("W", bound=str)
FIELDS = ("mains", "load", "load_tol", "load_kind", "rectifier", "nominal", "needs", "dc_volts", "secondary",
          "corner", "channel", "current", "job", "place")  # fmt: skip
MAINS = {"50": 50.0, "60": 60.0}
RECTIFIERS: tuple[Rectifier, ...] = get_args(Rectifier)
RECTIFIER_WORDS = {"half": "half wave, one diode", "full": "full wave, two diodes", "bridge": "bridge, four diodes"}
LOAD_KINDS: tuple[LoadKind, ...] = get_args(LoadKind)
LOAD_WORDS = {"current": "a linear regulator", "resistance": "a plain resistance", "power": "a switching converter"}
SAYS = {
    "good": "Good, as far as ripple shows",
    "worn": "Worn: not as new, not past its end",
    "bad": "Bad",
    "not telling": "This capture does not tell",
}


@dataclass(frozen=True)
class Asked:
    """What a person says of the supply."""

    mains_hz: float
    load: float | None = None
    load_tolerance: float = 0.03
    load_kind: LoadKind | None = None
    rectifier: Rectifier | None = None
    nominal: Rated | None = None
    needs: float | None = None
    dc_volts: float | None = None
    secondary: float | None = None
    corner: float | Literal["unknown"] | None = None
    channel: str = "1"
    current: str = ""


def typed_ripple(form: Mapping[str, str]) -> dict[str, str]:
    """What was typed; nothing for what was left empty."""
    return {name: form[name].strip()[:100] for name in FIELDS if form.get(name, "").strip()}


def asked_of(typed: Mapping[str, str], ac_coupled: bool | None = None) -> Asked | None:
    """What is asked for, or None while the mains frequency is not said. Raises RippleError naming the field."""
    mains = typed.get("mains")
    if mains is None:
        return None
    if mains not in MAINS:
        raise RippleError(f"mains: {mains!r} found; allowed: 50 or 60 Hz")
    tolerance = quantity_of(typed, "load_tol", "%", "error of the load", RippleError)
    nominal = typed.get("nominal")
    try:
        rated = read_capacitor(nominal, "aluminium") if nominal is not None else None
    except CapacitorError as error:
        raise RippleError(f"printed on the capacitor: {error}") from None
    corner: float | Literal["unknown"] | None = quantity_of(
        typed, "corner", "Hz", "corner of the AC coupling", RippleError
    )
    if corner is None and ac_coupled:
        corner = "unknown"
    return Asked(
        mains_hz=MAINS[mains],
        load=quantity_of(typed, "load", "A", "load", RippleError),
        load_tolerance=0.03 if tolerance is None else tolerance / 100,
        load_kind=_word(typed, "load_kind", "load draws like", LOAD_KINDS),
        rectifier=_word(typed, "rectifier", "rectifier", RECTIFIERS),
        nominal=rated,
        needs=quantity_of(typed, "needs", "V", "rail needed", RippleError),
        dc_volts=quantity_of(typed, "dc_volts", "V", "meter", RippleError),
        secondary=quantity_of(typed, "secondary", "V", "winding", RippleError),
        corner=corner,
        channel=typed.get("channel", "1"),
        current=typed.get("current", ""),
    )


def _word(typed: Mapping[str, str], field: str, name: str, allowed: tuple[W, ...]) -> W | None:
    text = typed.get(field)
    if text is None:
        return None
    found = next((each for each in allowed if each == text), None)
    if found is None:
        raise RippleError(f"{name}: {text!r} found; allowed: {', '.join(allowed)}")
    return found


@dataclass(frozen=True)
class Read:
    """One capture read as ripple, with its verdict where the part is known."""

    capture: Capture
    reading: RippleReading
    verdict: RippleVerdict | None


def read(capture: Capture, asked: Asked) -> Read:
    """Read the ripple of a capture. Raises RippleError or CaptureError."""
    volts = ripple_channel(capture, asked.channel, "V")
    current = ripple_channel(capture, asked.current, "A") if asked.current else None
    nominal = asked.nominal
    reading = read_ripple(
        capture.step,
        volts.filled,
        mains_hz=asked.mains_hz,
        load_amps=asked.load,
        load_tolerance=asked.load_tolerance,
        load_kind=asked.load_kind,
        current=None if current is None else current.filled,
        lsb=volts.lsb,
        current_lsb=None if current is None else current.lsb,
        dc_volts=asked.dc_volts,
        ac_coupled_hz=asked.corner,
        rectifier=asked.rectifier,
        secondary_volts=asked.secondary,
        nominal_farad=None if nominal is None else nominal.farad,
        nominal_tolerance=(nominal.tolerance if nominal is not None else None) or (-0.2, 0.2),
    )
    verdict = judge_ripple(reading, nominal, asked.needs) if nominal is not None else None
    return Read(capture, reading, verdict)


# ---------------------------------------------------------------- the answer


@dataclass(frozen=True)
class Row:
    """A figure in words; `withheld`: there is none, `why` says why."""

    name: str
    text: str
    why: str = ""
    withheld: bool = False


@dataclass(frozen=True)
class RippleView:
    """A ripple reading for a page."""

    headline: str
    state: str
    reasons: tuple[str, ...]
    rows: tuple[Row, ...]
    wave: str
    cannot: tuple[str, ...]
    instead: tuple[str, ...]
    doubts: tuple[str, ...]
    notes: tuple[str, ...]
    plots: tuple[PlotView, ...]
    capture_doubts: tuple[str, ...] = ()


def ripple_view(reading: RippleReading, verdict: RippleVerdict | None = None, ident: str = "ripple") -> RippleView:
    """A reading for a page, with the fitted period drawn over the measured one."""
    says = verdict.says if verdict is not None else ""
    return RippleView(
        headline=SAYS.get(says, "What this capture tells"),
        state=says,
        reasons=verdict.reasons if verdict is not None else (),
        rows=_rows(reading, verdict),
        wave=_wave(reading),
        cannot=reading.cannot,
        instead=reading.instead,
        doubts=reading.doubts,
        notes=reading.notes,
        plots=_plots(reading, verdict, ident),
    )


def _rows(reading: RippleReading, verdict: RippleVerdict | None) -> tuple[Row, ...]:
    rows = [_row("Capacitance at work", reading.farad), _row("ESR at work", reading.esr)]
    if reading.farad.how == "withheld" and reading.farad_per_amp.value is not None:
        rows.append(_row("Capacitance for each ampere", reading.farad_per_amp))
    rows.append(_row(f"Loss angle, tan d at {show(reading.loss_hz, 'Hz')}", reading.loss))
    rows.append(_row("Load", reading.load))
    rows.append(Row("Ripple, peak to peak", show(reading.ripple, "V")))
    if reading.mean is not None:
        rows.append(Row("Rail in the mean", show(reading.mean, "V", 4)))
    if reading.valley is not None:
        rows.append(Row("Lowest point of the rail", show(reading.valley, "V", 4)))
    if reading.valley_low is not None:
        rows.append(Row("The same at 90\u2009% of the mains", show(reading.valley_low, "V"), "worked out"))
    if verdict is not None and verdict.headroom is not None:
        rows.append(Row("Above what the unit needs", show(verdict.headroom, "V")))
    rows.append(Row("Mains", show(reading.mains_hz, "Hz", 4), f"{reading.periods:.1f} periods used"))
    return tuple(rows)


def _row(name: str, figure: Figure) -> Row:
    return Row(name, str(figure), figure.why, figure.how == "withheld")


def _wave(reading: RippleReading) -> str:
    if reading.diode == "dead":
        return "A diode is dead: the full-wave rectifier runs on one half of the mains."
    if reading.diode == "either":
        return (
            "Only one half of the mains feeds the rail: a half-wave rectifier, or a full-wave one with a dead diode. "
            "Say how it is built."
        )
    if reading.diode == "uneven":
        share = f" by {100 * reading.uneven:.0f}\u2009%" if reading.uneven is not None else ""
        return f"The two halves of the mains feed the rail unevenly{share}: one diode or half of the winding is weak."
    if reading.wave == "half":
        return "Half wave: one filling in each period of the mains."
    return "Full wave: both halves of the mains feed the rail."


def _plots(reading: RippleReading, verdict: RippleVerdict | None, ident: str) -> tuple[PlotView, ...]:
    measured, fitted = np.array(reading.measured), np.array(reading.fitted)
    seconds = np.arange(measured.size) / (reading.mains_hz * max(measured.size, 1))
    needs = verdict.need if verdict is not None else None
    title = "One period of the mains, averaged"
    says = f"{_wave(reading)} Ripple {show(reading.ripple, 'V')} peak to peak."
    if fitted.size != measured.size or not np.isfinite(fitted).all():
        limits = [] if needs is None else [Limit(needs, f"needed, {show(needs, 'V')}")]
        svg = line_plot([Trace("measured", seconds, measured)], title=title, says=says, limits=limits, ident=ident)
        return (plot_view(title, svg, says),)
    steps = f"{reading.residual:.1f} steps of the instrument" if reading.lsb else f"{100 * reading.misfit:.1f}\u2009%"
    left = f"What the supply worked out for it does not follow: {steps} (rms)."
    upper, lower = fit_plots(
        seconds, measured, fitted, title=title, says=says, left_says=left, step=reading.lsb or None, ident=ident
    )
    return (
        plot_view(title, upper, says, group=ident),
        plot_view("Left over: measured less worked out", lower, left, group=ident),
    )
