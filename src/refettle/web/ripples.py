"""A ripple reading on a page: the questions as typed, and the answer with its plots. Also used by a job's pages."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal, TypeVar, get_args

import numpy as np

from refettle.captures import Capture
from refettle.drawing.plot import Limit, Trace, line_plot
from refettle.drawing.plot_views import fit_plots
from refettle.language import decimal, mark, tr
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
RECTIFIER_WORDS = {
    "half": mark("half wave, one diode"),
    "full": mark("full wave, two diodes"),
    "bridge": mark("bridge, four diodes"),
}
LOAD_KINDS: tuple[LoadKind, ...] = get_args(LoadKind)
LOAD_WORDS = {
    "current": mark("a linear regulator"),
    "resistance": mark("a plain resistance"),
    "power": mark("a switching converter"),
}
SAYS = {
    "good": mark("Good, as far as ripple shows"),
    "worn": mark("Worn: not as new, not past its end"),
    "bad": mark("Bad"),
    "not telling": mark("This capture does not tell"),
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
        raise RippleError(tr("mains: {mains!r} found; allowed: 50 or 60 Hz", mains=mains))
    tolerance = quantity_of(typed, "load_tol", "%", tr("error of the load"), RippleError)
    nominal = typed.get("nominal")
    try:
        rated = read_capacitor(nominal, "aluminium") if nominal is not None else None
    except CapacitorError as error:
        raise RippleError(tr("printed on the capacitor: {error}", error=error)) from None
    corner: float | Literal["unknown"] | None = quantity_of(
        typed, "corner", "Hz", tr("corner of the AC coupling"), RippleError
    )
    if corner is None and ac_coupled:
        corner = "unknown"
    return Asked(
        mains_hz=MAINS[mains],
        load=quantity_of(typed, "load", "A", tr("load"), RippleError),
        load_tolerance=0.03 if tolerance is None else tolerance / 100,
        load_kind=_word(typed, "load_kind", tr("load draws like"), LOAD_KINDS),
        rectifier=_word(typed, "rectifier", tr("rectifier"), RECTIFIERS),
        nominal=rated,
        needs=quantity_of(typed, "needs", "V", tr("rail needed"), RippleError),
        dc_volts=quantity_of(typed, "dc_volts", "V", tr("meter"), RippleError),
        secondary=quantity_of(typed, "secondary", "V", tr("winding"), RippleError),
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
        raise RippleError(
            tr("{name}: {text!r} found; allowed: {allowed}", name=name, text=text, allowed=", ".join(allowed))
        )
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
        headline=tr(SAYS[says]) if says in SAYS else tr("What this capture tells"),
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
    rows = [_row(tr("Capacitance at work"), reading.farad), _row(tr("ESR at work"), reading.esr)]
    if reading.farad.how == "withheld" and reading.farad_per_amp.value is not None:
        rows.append(_row(tr("Capacitance for each ampere"), reading.farad_per_amp))
    rows.append(_row(tr("Loss angle, tan d at {loss_hz}", loss_hz=show(reading.loss_hz, "Hz")), reading.loss))
    rows.append(_row(tr("Load"), reading.load))
    rows.append(Row(tr("Ripple, peak to peak"), show(reading.ripple, "V")))
    if reading.mean is not None:
        rows.append(Row(tr("Rail in the mean"), show(reading.mean, "V", 4)))
    if reading.valley is not None:
        rows.append(Row(tr("Lowest point of the rail"), show(reading.valley, "V", 4)))
    if reading.valley_low is not None:
        rows.append(Row(tr("The same at 90\u2009% of the mains"), show(reading.valley_low, "V"), tr("worked out")))
    if verdict is not None and verdict.headroom is not None:
        rows.append(Row(tr("Above what the unit needs"), show(verdict.headroom, "V")))
    rows.append(
        Row(tr("Mains"), show(reading.mains_hz, "Hz", 4), tr("{periods:.1f} periods used", periods=reading.periods))
    )
    return tuple(rows)


def _row(name: str, figure: Figure) -> Row:
    return Row(name, str(figure), figure.why, figure.how == "withheld")


def _wave(reading: RippleReading) -> str:
    if reading.diode == "dead":
        return tr("A diode is dead: the full-wave rectifier runs on one half of the mains.")
    if reading.diode == "either":
        return tr(
            "Only one half of the mains feeds the rail: a half-wave rectifier, or a full-wave one with a dead diode. "
            "Say how it is built."
        )
    if reading.diode == "uneven":
        share = tr(" by {percent:.0f}\u2009%", percent=100 * reading.uneven) if reading.uneven is not None else ""
        return tr(
            "The two halves of the mains feed the rail unevenly{share}: one diode or half of the winding is weak.",
            share=share,
        )
    if reading.wave == "half":
        return tr("Half wave: one filling in each period of the mains.")
    return tr("Full wave: both halves of the mains feed the rail.")


def _plots(reading: RippleReading, verdict: RippleVerdict | None, ident: str) -> tuple[PlotView, ...]:
    measured, fitted = np.array(reading.measured), np.array(reading.fitted)
    seconds = np.arange(measured.size) / (reading.mains_hz * max(measured.size, 1))
    needs = verdict.need if verdict is not None else None
    title = tr("One period of the mains, averaged")
    says = tr("{wave} Ripple {ripple} peak to peak.", wave=_wave(reading), ripple=show(reading.ripple, "V"))
    if fitted.size != measured.size or not np.isfinite(fitted).all():
        limits = [] if needs is None else [Limit(needs, tr("needed, {volts}", volts=show(needs, "V")))]
        svg = line_plot([Trace(tr("measured"), seconds, measured)], title=title, says=says, limits=limits, ident=ident)
        return (plot_view(title, svg, says),)
    steps = (
        tr("{residual:.1f} steps of the instrument", residual=reading.residual)
        if reading.lsb
        else decimal(100 * reading.misfit, ".1f") + "\u2009%"
    )
    left = tr("What the supply worked out for it does not follow: {steps} (rms).", steps=steps)
    upper, lower = fit_plots(
        seconds, measured, fitted, title=title, says=says, left_says=left, step=reading.lsb or None, ident=ident
    )
    return (
        plot_view(title, upper, says, group=ident),
        plot_view(tr("Left over: measured less worked out"), lower, left, group=ident),
    )
