"""A capture on a page: the corrections as typed, and what was understood with its plot. Also used by a job's pages."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np

from refettle.captures import Capture, CaptureError, Channel, Choices
from refettle.drawing.plot import Trace, line_plot
from refettle.drawing.plot_data import MOST_POINTS
from refettle.language import tr, tr_in
from refettle.quantities import show
from refettle.web.plots import PlotView, plot_view
from refettle.web.typed import quantity

SEPARATORS = {"comma": ",", "semicolon": ";", "tab": "\t", "bar": "|", "space": " "}
DECIMALS = {"point": ".", "comma": ","}


def mark_words() -> dict[str, str]:
    """The marks of a file by their words in forms, in the language of the page."""
    return {
        "comma": tr_in("in a file", "comma"),
        "semicolon": tr_in("in a file", "semicolon"),
        "tab": tr_in("in a file", "tab"),
        "bar": tr_in("in a file", "bar"),
        "space": tr_in("in a file", "space"),
        "point": tr_in("in a file", "point"),
    }


TIME_UNITS = ("s", "ms", "µs", "ns", "min", "h")
UNITS = ("V", "mV", "µV", "kV", "A", "mA", "µA")
COUPLINGS = {"dc": False, "ac": True}
PER_CHANNEL = ("unit", "probe", "scale")
FIELDS = ("decimal", "separator", "skip", "rows", "time_column", "time_unit", "interval", "full_scale", "coupling",
          "expect")  # fmt: skip
MOST_CHANNELS = 8
T = TypeVar("T")
PLOTTED = 4


def typed_of(form: Mapping[str, str]) -> dict[str, str]:
    """The corrections as typed; nothing for what was left empty."""
    names = [*FIELDS, *(f"{what}_{n}" for n in range(1, MOST_CHANNELS + 1) for what in PER_CHANNEL)]
    return {name: form[name].strip() for name in names if form.get(name, "").strip()}


def choices_of(typed: Mapping[str, str]) -> Choices:
    """The corrections as the reading takes them. Raises CaptureError naming the field."""
    column: str | int | None = typed.get("time_column")
    return Choices(
        decimal=_word(typed, "decimal", tr("decimal mark"), DECIMALS),
        separator=_word(typed, "separator", tr("separator"), SEPARATORS),
        skip=_whole(typed.get("skip"), tr("lines to skip")),
        rows=_rows(typed.get("rows")),
        time_column=int(column) if isinstance(column, str) and column.isdecimal() else column,
        time_unit=typed.get("time_unit"),
        interval=quantity(typed.get("interval"), "s", tr("sample interval"), CaptureError),
        units={n: typed[f"unit_{n}"] for n in _channels(typed, "unit")},
        probe={
            n: quantity(typed[f"probe_{n}"], "", tr("probe of channel {n}", n=n), CaptureError) or 0.0
            for n in _channels(typed, "probe")
        },
        scale={
            n: quantity(typed[f"scale_{n}"], "", tr("scale of channel {n}", n=n), CaptureError) or 0.0
            for n in _channels(typed, "scale")
        },
        full_scale=quantity(typed.get("full_scale"), "V", tr("full scale"), CaptureError),
        ac_coupled=_word(typed, "coupling", tr("coupling"), COUPLINGS),
        expect_volts=quantity(typed.get("expect"), "V", tr("volts expected"), CaptureError),
    )


def stretch_of(form: Mapping[str, str], capture: Capture) -> tuple[float, float] | None:
    """[s] The stretch to be drawn; None for all of it. Raises CaptureError naming the field."""
    start = quantity(form.get("from", "").strip() or None, "s", "from", CaptureError)
    end = quantity(form.get("to", "").strip() or None, "s", "to", CaptureError)
    if start is None and end is None:
        return None
    first, last = capture.start, capture.start + capture.duration
    start, end = first if start is None else start, last if end is None else end
    if not (start < end and end > first and start < last):
        raise CaptureError(
            tr(
                "stretch: {start} to {end} found; allowed: a stretch in order, within {first} to {last}",
                start=show(start, "s"),
                end=show(end, "s"),
                first=show(first, "s"),
                last=show(last, "s"),
            )
        )
    return max(start, first), min(end, last)


def _channels(typed: Mapping[str, str], what: str) -> list[str | int]:
    return [n for n in range(1, MOST_CHANNELS + 1) if f"{what}_{n}" in typed]


def _word(typed: Mapping[str, str], field: str, name: str, allowed: Mapping[str, T]) -> T | None:
    text = typed.get(field)
    if text is None:
        return None
    if text not in allowed:
        raise CaptureError(
            tr("{name}: {text!r} found; allowed: {allowed}", name=name, text=text[:40], allowed=", ".join(allowed)),
            asks=field,
        )
    return allowed[text]


def _whole(text: str | None, name: str) -> int | None:
    if text is None:
        return None
    if not text.isdecimal() or len(text) > 9:
        raise CaptureError(tr("{name}: {text!r} found; allowed: a whole number", name=name, text=text[:40]))
    return int(text)


def _rows(text: str | None) -> tuple[int, int] | None:
    if text is None:
        return None
    ends = [each.strip() for each in text.replace("to", "-").replace("–", "-").split("-")]
    if len(ends) != 2 or not all(each.isdecimal() and len(each) < 10 for each in ends):
        raise CaptureError(
            tr("rows: {text!r} found; allowed: first and last, as in 1-5000", text=text[:40]), asks="rows"
        )
    return int(ends[0]), int(ends[1])


# ---------------------------------------------------------------- what was understood


@dataclass(frozen=True)
class ChannelRow:
    """A channel in words and figures."""

    number: int
    name: str
    unit: str
    low: str
    mean: str
    high: str
    swing: str
    step: str
    notes: tuple[str, ...]


@dataclass(frozen=True)
class CaptureView:
    """What was understood of a capture, its figures, and its plots."""

    name: str
    kind: str
    samples: int
    duration: str
    step: str
    rate: str
    understood: tuple[str, ...]
    doubts: tuple[str, ...]
    channels: tuple[ChannelRow, ...]
    plots: tuple[PlotView, ...]


def capture_view(
    capture: Capture,
    name: str,
    ident: str = "capture",
    stretch: tuple[float, float] | None = None,
    fine: str = "",
) -> CaptureView:
    """A capture for a page; plots of more than two channels stand below each other.

    Parameters
    ----------
    stretch : (from, to), optional
        [s] What is drawn; all by default.
    fine : str
        Address that draws a stretch with every sample; used where not every one fits in the plot.
    """
    rows = tuple(_row(n, channel) for n, channel in enumerate(capture.channels, 1))
    return CaptureView(
        name=name,
        kind=capture.kind,
        samples=len(capture),
        duration=show(capture.duration, "s"),
        step=show(capture.step, "s", 4),
        rate=show(capture.rate, "Hz", 4),
        understood=capture.understood,
        doubts=capture.doubts,
        channels=rows,
        plots=_plots(capture, rows, ident, stretch, fine if len(capture) > MOST_POINTS else ""),
    )


def _row(number: int, channel: Channel) -> ChannelRow:
    held = channel.values[np.isfinite(channel.values)]
    unit = channel.unit
    notes = []
    if channel.missing:
        notes.append(tr("{count} samples missing", count=channel.missing))
    if channel.clipped:
        notes.append(tr("{count} samples stuck at an end", count=channel.clipped))
    if not held.size:
        return ChannelRow(number, channel.name, unit, "", "", "", "", "", (*notes, tr("nothing read")))
    low, high = float(held.min()), float(held.max())
    return ChannelRow(
        number,
        channel.name,
        unit,
        show(low, unit, 4),
        show(float(held.mean()), unit, 4),
        show(high, unit, 4),
        show(high - low, unit, 3),
        "" if channel.lsb is None else show(channel.lsb, unit, 3),
        tuple(notes),
    )


def _plots(
    capture: Capture, rows: tuple[ChannelRow, ...], ident: str, stretch: tuple[float, float] | None, fine: str
) -> tuple[PlotView, ...]:
    shown = [c for c in capture.channels if np.isfinite(c.values).any()][:PLOTTED]
    if not shown:
        return ()
    says = {
        row.name: tr(
            "{name} lies between {low} and {high}, {mean} in the mean.",
            name=row.name,
            low=row.low,
            high=row.high,
            mean=row.mean,
        )
        for row in rows
    }
    traces = [Trace(c.name, capture.times, c.values, c.unit) for c in shown]
    apart = len(shown) == 2 and _apart(shown[0], shown[1])
    # Two long rows on an axis each would cover each other.
    if len(traces) == 1 or (len(traces) == 2 and not (apart and len(capture) > MOST_POINTS)):
        if len(traces) == 2:
            traces[1] = replace(traces[1], side="right" if apart else "left", look="second")
        told = " ".join(says[c.name] for c in shown)
        title = " and ".join(c.name for c in shown)
        svg = line_plot(traces, title=title, says=told, x_range=stretch, ident=ident)
        return (plot_view(title, svg, told, fine=fine),)
    return tuple(
        plot_view(
            t.name,
            line_plot([t], title=t.name, says=says[t.name], x_range=stretch, small=True, ident=f"{ident}-{n}"),
            says[t.name],
            group=ident,
            fine=fine,
        )
        for n, t in enumerate(traces, 1)
    )


def _apart(one: Channel, two: Channel) -> bool:
    """True where the two need an axis each: other units, or ranges that one axis would not do justice to."""
    if one.unit != two.unit:
        return True
    ends = [(float(np.nanmin(c.values)), float(np.nanmax(c.values))) for c in (one, two)]
    spans = sorted(high - low for low, high in ends)
    whole = max(high for _, high in ends) - min(low for low, _ in ends)
    return whole > 6 * max(spans[0], 1e-12 * whole)
