"""Whitening in a job, as its page shows it: batches and what is due, each part with its curve and its forecast."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

import numpy as np

from refettle.book.batches import BenchDue
from refettle.book.log import LogEntry
from refettle.book.whitening import Batch, Due, PartProgress, Whitening
from refettle.drawing.plot import Band, Limit, Mark, Trace, line_plot
from refettle.language import decimal, mark, shown, spoken, tr, tr_in
from refettle.quantities import MINUS, number
from refettle.web.plots import PlotView, plot_view
from refettle.web.yellows import THIN
from refettle.whitening.curve import fall_curve
from refettle.whitening.kinetics import EarlierBatch
from refettle.whitening.progress import Progress

DUE_WORDS = {
    "turn": mark("Turn and stir"),
    "look": mark("Look, and take a photo"),
    "dark": mark("Photo after 14 days in the dark"),
}


@dataclass(frozen=True)
class DueView:
    """Something due, in words. `late`: overdue; `anchor` on the whitening page."""

    what: str
    text: str
    when: str
    late: bool
    batch: str
    parts: str
    number: int = 0
    name: str = ""


@dataclass(frozen=True)
class BatchView:
    """A batch under way."""

    batch: Batch
    facts: str
    inside: tuple[tuple[str, str], ...]
    out: tuple[str, ...]
    due: tuple[DueView, ...]
    others: tuple[str, ...] = ()


@dataclass(frozen=True)
class PartView:
    """One part. `left` in percent and `points` its ±; `state` in a word or two."""

    name: str
    left: str
    points: str
    hours: str
    dose: str
    says: str
    never: str
    why: str
    stops: tuple[tuple[str, str], ...]
    notes: tuple[str, ...]
    next_look: str
    rebound: str
    plots: tuple[PlotView, ...]
    readings: tuple[LogEntry, ...]
    rough: bool


def spell(minutes: float) -> str:
    """`25 min`, `3 h 10 min`, `9 days`."""
    whole = round(abs(minutes))
    if whole < 60:
        return f"{whole}{THIN}min"
    if whole < 48 * 60:
        hours, rest = divmod(whole, 60)
        return f"{hours}{THIN}h" + (f" {rest}{THIN}min" if rest and hours < 10 else "")
    return tr("{days}\u202fdays", days=round(whole / 1440))


def due_view(due: Due, late: float, number: int = 0, name: str = "") -> DueView:
    """`late` [min], below 0 while there is time."""
    when = (
        tr("now")
        if abs(late) < 1
        else tr("overdue by {time}", time=spell(late))
        if late > 0
        else tr("in {time}", time=spell(late))
    )
    return DueView(due.what, tr(DUE_WORDS[due.what]), when, late >= 0, due.batch, ", ".join(due.parts), number, name)


def bench_due(found: Iterable[BenchDue]) -> list[DueView]:
    """What the bench page shows."""
    return [due_view(each.due, each.late, each.number, each.name) for each in found]


def late_minutes(due: Due, now: datetime) -> float:
    """[min] by which it is overdue."""
    return (now - due.at).total_seconds() / 60.0


def batch_facts(batch: Batch) -> str:
    """Method, strength, light and times in a line."""
    terms = batch.terms
    pieces = [spoken(batch.method)]
    if terms["percent"] is not None:
        pieces.append(tr("{percent:g}\u202f% w/w", percent=terms["percent"]))
    if terms["litres"] is not None:
        pieces.append(shown(f"{decimal(terms['litres'], 'g')}{THIN}L"))
    if batch.lamp:
        pieces.append(batch.lamp)
    if terms["mw_cm2"] is not None:
        pieces.append(tr("{light:g}\u202fmW/cm² at the part", light=terms["mw_cm2"]))
    pieces.append(
        tr(
            "turn every {turn:g}\u202fmin, look every {look:g}\u202fmin",
            turn=terms["turn_every"],
            look=terms["check_every"],
        )
    )
    return ", ".join(pieces)


def batch_views(state: Whitening, now: datetime, others: dict[str, tuple[str, ...]]) -> list[BatchView]:
    """The batches under way. `others`: per batch the other units in it."""
    made = []
    for batch in state.batches.values():
        if batch.over:
            continue
        due = [due_view(d, late_minutes(d, now)) for d in state.due() if d.batch == batch.name and d.what != "dark"]
        inside = tuple((part, spell(60 * batch.hours(part, now))) for part in batch.inside)
        made.append(
            BatchView(batch, batch_facts(batch), inside, tuple(batch.out), tuple(due), others.get(batch.name, ()))
        )
    return made


# ---------------------------------------------------------------- one part


def part_view(state: Whitening, part: str, earlier: Iterable[EarlierBatch], now: datetime, ident: str) -> PartView:
    """How a part gets on."""
    got = state.progress_of(part, earlier)
    found = got.progress
    forecast = found.forecast if found is not None else None
    hours = got.batch.hours(part, now) if got.batch is not None else None
    dose = got.batch.dose(part, now) if got.batch is not None else None
    rebound = state.rebound_of(part)
    back = ""
    if rebound is not None:
        back = rebound.says + (
            "" if rebound.share is None else tr("; {share:.0f}\u202f% of what had gone", share=100 * rebound.share)
        )
    ended = got.batch is not None and part in got.batch.ended
    share = found is not None and (len(got.looks) > 1 or not got.batch)
    return PartView(
        name=part,
        left=_percent(found.remaining) if found is not None and share else "",
        points=f"{100 * max(found.error, _told(got)):.0f}" if found is not None and share else "",
        hours="" if hours is None else spell(60 * hours),
        dose="" if dose is None else f"{number(dose)}{THIN}J/cm²",
        says="" if forecast is None or ended else forecast.says,
        never="" if forecast is None or ended else f"{forecast.never:.0%}".replace("%", f"{THIN}%"),
        why=got.why,
        stops=() if found is None or ended else tuple((s.id, s.says) for s in found.stops),
        notes=found.notes if found is not None else (),
        next_look=_next(found, got, ended),
        rebound=back,
        plots=_plots(got, ident),
        readings=got.entries,
        rough=bool(got.entries) and bool(got.entries[-1].data.get("rough")),
    )


def _told(got: PartProgress) -> float:
    """[1] The ± that the last photo itself was good for: more than its way of taking, where it was compressed."""
    return float(got.entries[-1].data["figures"][got.part].get("remaining_plus_minus", 0.0)) if got.entries else 0.0


def _percent(share: float) -> str:
    return f"{100 * share:.0f}".replace("-", MINUS)


def _next(found: Progress | None, got: PartProgress, ended: bool) -> str:
    if found is None or ended or found.stops or got.batch is None or not got.looks:
        return ""
    ahead = found.next_look - got.looks[-1].hours
    return tr(
        "at {hours}\u202fh in the bath, {ahead} after the last photo",
        hours=number(found.next_look),
        ahead=spell(60 * ahead),
    )


def _plots(got: PartProgress, ident: str) -> tuple[PlotView, ...]:
    """What is left over hours or dose, with the target, the fall fitted and its band. In percent of the first photo."""
    if got.progress is None or len(got.looks) < 2:
        return ()
    by_dose = got.setup.by == "dose"
    start = got.looks[0].yi
    first = (got.looks[0].dose or 0.0) if by_dose else got.looks[0].hours
    x = np.array([(each.dose or 0.0) if by_dose else each.hours for each in got.looks]) - first
    y = np.array([100.0 * each.yi / start for each in got.looks])
    if x[-1] <= 0:
        return ()
    target = 100.0 * got.progress.target / start
    curve = fall_curve(got.looks, 0.0, got.progress, got.setup)
    unit = "J/cm²" if by_dose else "h"
    says = tr(
        "{part}: {left:.0f} % of the yellowing left after {spent} {unit}; target {target:.0f} %.",
        part=got.part,
        left=y[-1],
        spent=number(float(x[-1])),
        unit=unit,
        target=target,
    )
    bands, traces = [], []
    if curve is not None:
        scale = 100.0 / start
        bands = [Band("90 %", curve.x, np.clip(curve.low * scale, -40, 140), np.clip(curve.high * scale, -40, 140))]
        traces = [Trace(tr("fall fitted"), curve.x, curve.middle * scale, "%", look="model")]
        if got.progress.forecast is not None:
            says += tr(" Target reached: {says}.", says=got.progress.forecast.says)
    traces.append(Trace(tr_in("of the yellowing", "left"), x, y, "%"))
    marks = [Mark(float(at), "", float(value)) for at, value in zip(x, y, strict=True)]
    title = tr("{part}: left of the yellowing", part=got.part)
    svg = line_plot(
        traces,
        title=title,
        says=says,
        x_unit=unit,
        zero=True,
        bands=bands,
        marks=marks,
        limits=[Limit(target, tr("target, {percent:.0f} %", percent=target))],
        ident=ident,
    )
    return (plot_view(title, svg, says, key=tr("Pale: 90 % of what fits the readings.") if bands else ""),)
