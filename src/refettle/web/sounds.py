"""A recording on a page: the questions as typed, and the answer with its plots. Also used by a job's pages."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from refettle import quantities
from refettle.drawing.plot import Limit, Mark, Trace, line_plot
from refettle.drawing.plot_views import level_plot, spectrum_plot
from refettle.language import decimal, mark, spoken, tr
from refettle.quantities import show
from refettle.sound import ChannelReading, SoundError, SoundReading
from refettle.sound.compare import Comparison
from refettle.sound.flutter import Flutter
from refettle.sound.meaning import Finding
from refettle.sound.words import channel_rows, response_rows, whole_rows
from refettle.web.plots import PlotView, plot_view
from refettle.web.typed import quantity_of

FIELDS = ("mains", "tape", "tone", "quiet", "usual", "tones", "silence", "job", "place")
MAINS = {"50": 50.0, "60": 60.0}
LOWEST_HZ, HIGHEST_HZ = 10.0, 24_000.0
FLOOR = -140.0
"""[dBFS] What lies below is drawn there."""
MOST_MARKS, MOST_NAMED = 60, 5


@dataclass(frozen=True)
class Asked:
    """What a person says of the recording."""

    mains_hz: float | None = None
    tape_hz: float | None = None
    tone_hz: float | None = None
    quiet: tuple[float, float] | None = None
    usual_dbfs: float | None = None
    tones: bool | None = None


def typed_sound(form: Mapping[str, str]) -> dict[str, str]:
    """What was typed; nothing for what was left empty."""
    return {name: form[name].strip()[:60] for name in FIELDS if form.get(name, "").strip()}


def asked_of(typed: Mapping[str, str]) -> Asked:
    """What is asked for. Raises SoundError naming the field."""
    mains = typed.get("mains")
    if mains is not None and mains not in MAINS:
        raise SoundError(tr("mains: {mains!r} found; allowed: 50 or 60 Hz", mains=mains))
    return Asked(
        mains_hz=None if mains is None else MAINS[mains],
        tape_hz=quantity_of(typed, "tape", "Hz", tr("tape tone"), SoundError),
        tone_hz=quantity_of(typed, "tone", "Hz", tr("test tone"), SoundError),
        quiet=_stretch(typed.get("quiet")),
        usual_dbfs=_level(typed.get("usual")),
        tones=True if typed.get("tones") == "yes" else None,
    )


def _stretch(text: str | None) -> tuple[float, float] | None:
    if text is None:
        return None
    ends = text.replace("–", "-").replace("to", "-").split("-")
    try:
        start, end = (quantities.parse(each.strip(), "s") for each in ends)
    except (ValueError, quantities.QuantityError):
        raise SoundError(tr("quiet stretch: {text!r} found; allowed: seconds from-to, as in 2-12", text=text)) from None
    return start, end


def _level(text: str | None) -> float | None:
    if text is None:
        return None
    plain = text.casefold().replace("dbfs", "").replace("−", "-").replace(",", ".").strip()
    try:
        return float(plain)
    except ValueError:
        raise SoundError(tr("usual level: {text!r} found; allowed: a level such as -18 dBFS", text=text)) from None


# ---------------------------------------------------------------- the answer


@dataclass(frozen=True)
class Row:
    """A figure in words, one for each channel or one for all."""

    what: str
    values: tuple[str, ...]
    channels: tuple[str, ...] = ()

    @property
    def cells(self) -> list[tuple[str, str]]:
        """Channel and value, side by side."""
        return list(zip(self.channels, self.values, strict=True))


@dataclass(frozen=True)
class SoundView:
    """A recording for a page."""

    about: str
    noise_from: str
    findings: tuple[Finding, ...]
    channels: tuple[str, ...]
    rows: tuple[Row, ...]
    whole: tuple[Row, ...]
    notes: tuple[str, ...]
    plots: tuple[PlotView, ...]


def sound_view(reading: SoundReading, before: SoundReading | None = None, ident: str = "sound") -> SoundView:
    """A reading for a page; with one made before, its spectra are drawn behind."""
    bits = tr("{bits} bits", bits=reading.bits) if reading.bits else tr("floating point")
    count = tr("two channels") if len(reading.channels) == 2 else tr("one channel")
    rate = show(reading.rate, "Hz", 4)
    stretch = reading.noise_from
    names = tuple(c.name for c in reading.channels)
    rows = [
        *channel_rows(reading),
        *((tr("response at {what}", what=what), values) for what, values in response_rows(reading)),
    ]
    return SoundView(
        about=f"{_length(reading.seconds)}, {count}, {rate}, {bits}",
        noise_from=tr(
            "Noise and hum from {start:.1f} to {end:.1f}\u2009s ({why}).",
            start=stretch.start,
            end=stretch.end,
            why=stretch.why,
        ),
        findings=reading.findings,
        channels=names,
        rows=tuple(Row(what, values, names) for what, values in rows if any(values)),
        whole=tuple(Row(what, (value,)) for what, value in whole_rows(reading)),
        notes=reading.notes,
        plots=tuple(_plots(reading, before, ident)),
    )


def _length(seconds: float) -> str:
    if seconds < 90:
        return decimal(seconds, ".1f") + "\u2009s"
    return f"{int(seconds // 60)}\u2009min {round(seconds % 60)}\u2009s"


def _plots(reading: SoundReading, before: SoundReading | None, ident: str) -> list[PlotView]:
    found = [_levels(reading, f"{ident}-level")]
    old = {c.name: c for c in before.channels} if before is not None else {}
    for channel in reading.channels:
        if channel.spectrum:
            earlier = old.get(channel.name)
            found.append(_spectrum(reading, channel, earlier, f"{ident}-spectrum", f"{ident}-{channel.name}"))
    if any(c.response for c in reading.channels):
        found.append(_response(reading.channels, f"{ident}-response"))
    if reading.flutter is not None and len(reading.flutter.times) > 1:
        found.append(_speed(reading.flutter, f"{ident}-speed"))
    return found


def _levels(reading: SoundReading, ident: str) -> PlotView:
    marks = _named(tr("click"), [t for c in reading.channels for t in c.clicks.times])
    marks += _named(tr("dropout"), [t for c in reading.channels for t in c.dropouts.times])
    marks += _named(tr("flat top"), [t for c in reading.channels for t in c.clipped_at])
    counts = [
        tr(
            "{name}: {clicks} clicks, {dropouts} dropouts",
            name=tr(c.name),
            clicks=c.clicks.count,
            dropouts=c.dropouts.count,
        )
        for c in reading.channels
    ]
    says = _sentence("; ".join(counts))
    floored = [(tr(c.name), np.maximum(c.levels, FLOOR)) for c in reading.channels]
    title = tr("Level over time")
    svg = level_plot(reading.level_times, floored, says=says, title=title, marks=marks, ident=ident)
    return plot_view(title, svg, says)


def _named(what: str, times: list[float]) -> list[Mark]:
    """Marks of one kind: each by its name, or only the first of many."""
    each = sorted(set(times))[:MOST_MARKS]
    if len(each) <= MOST_NAMED:
        return [Mark(t, what) for t in each]
    return [Mark(t, tr("first of many: {what}", what=what) if n == 0 else "") for n, t in enumerate(each)]


def _spectrum(
    reading: SoundReading, channel: ChannelReading, earlier: ChannelReading | None, group: str, ident: str
) -> PlotView:
    hertz, level = np.array(channel.spectrum).T
    lines = [Mark(line.hertz, f"{line.hertz:.0f} Hz", line.level.value) for line in channel.hum.lines]
    strongest = sorted(channel.hum.lines, key=lambda line: -(line.level.value or -200.0))[:3]
    if strongest:
        told = ", ".join(
            tr("{hertz:.1f}\u2009Hz at {level:.1f}\u2009dBFS", hertz=line.hertz, level=line.level.value)
            for line in strongest
        )
        says = tr("Hum, {channel}: {told}.", channel=tr(channel.name), told=told.replace("-", "−"))
    else:
        says = tr("No hum stands out of the noise, {name}.", name=tr(channel.name))
    title = tr("Noise and hum, {name}", name=tr(channel.name))
    old = None
    if earlier is not None and earlier.spectrum:
        old_hertz, old_level = np.array(earlier.spectrum).T
        old = (old_hertz, old_level)
        says += tr(" The line behind is the recording made before.")
    svg = spectrum_plot(
        hertz,
        level,
        says=says,
        title=title,
        lines=lines,
        before=old,
        x_range=(LOWEST_HZ, min(reading.rate / 2, HIGHEST_HZ)),
        floor=FLOOR,
        ident=ident,
    )
    return plot_view(title, svg, says, group=group)


def _response(channels: Sequence[ChannelReading], ident: str) -> PlotView:
    told = [c for c in channels if c.response]
    traces = []
    for n, c in enumerate(told):
        hertz, level = np.array(c.response).T
        traces.append(Trace(tr(c.name), hertz, level, "dB", look="second" if n else "main"))
    spread = [max(v for _, v in c.response) - min(v for _, v in c.response) for c in told]
    says = _sentence(
        "; ".join(
            tr("{name}: within {spread:.1f}\u2009dB", name=tr(c.name), spread=s)
            for c, s in zip(told, spread, strict=True)
        )
    )
    title = tr("Response against 1\u2009kHz")
    svg = line_plot(traces, title=title, says=says, x_unit="Hz", log_x=True, least=6.0, small=True, ident=ident)
    return plot_view(title, svg, says)


def _speed(flutter: Flutter, ident: str) -> PlotView:
    says = tr("Wow and flutter ±{weighted}, speed {speed}.", weighted=flutter.weighted, speed=flutter.speed)
    title = tr("How the speed wavers")
    limits = []
    if flutter.weighted.value is not None:
        limits = [Limit(flutter.weighted.value, tr("wow and flutter, weighted")), Limit(-flutter.weighted.value, "")]
    trace = Trace(tr("deviation"), flutter.times, flutter.deviation, "%")
    svg = line_plot([trace], title=title, says=says, limits=limits, least=0.1, small=True, ident=ident)
    return plot_view(title, svg, says)


def _sentence(text: str) -> str:
    return f"{text[:1].upper()}{text[1:]}."


@dataclass(frozen=True)
class ChangeRow:
    """One figure before and after, in words."""

    what: str
    before: str
    after: str
    difference: str
    says: str
    strong: bool


@dataclass(frozen=True)
class ChangeView:
    """Before and after."""

    says: str
    rows: tuple[ChangeRow, ...]
    notes: tuple[str, ...]

    @property
    def beyond(self) -> list[ChangeRow]:
        """What changed beyond the uncertainty."""
        return [row for row in self.rows if row.strong]

    @property
    def rest(self) -> list[ChangeRow]:
        """What did not, or cannot be compared."""
        return [row for row in self.rows if not row.strong]


def change_view(comparison: Comparison) -> ChangeView:
    """A comparison for a page."""
    rows = tuple(
        ChangeRow(
            f"{spoken(c.what)}{', ' + tr(c.channel) if c.channel else ''}",
            "" if c.before.value is None else str(c.before),
            "" if c.after.value is None else str(c.after),
            c.why if c.difference is None else str(c.difference),
            c.says,
            c.beyond,
        )
        for c in comparison.changes
    )
    counts = {
        word: sum(c.says == word for c in comparison.changes)
        for word in (mark("better"), mark("worse"), mark("changed"))
    }
    told = ", ".join(f"{count} {tr(word)}" for word, count in counts.items() if count)
    says = tr("Beyond the uncertainty: {told}.", told=told) if told else tr("Nothing changed beyond the uncertainty.")
    return ChangeView(says, rows, comparison.notes)
