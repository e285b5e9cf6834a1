"""A recording read whole: every figure with its uncertainty or the reason why it is withheld."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from refettle.language import mark, tr
from refettle.sound.channels import Channels, of_programme, of_tones
from refettle.sound.events import Events, clicks, clipping, dropouts
from refettle.sound.figures import Array, Figure, Progress, SoundError, Stop, Stopped, Stretch, decibel, withheld
from refettle.sound.flutter import Flutter, read_flutter
from refettle.sound.hum import Hum, read_hum
from refettle.sound.meaning import TAPES, Finding, findings
from refettle.sound.noise import Noise, quiet_stretch, read_noise
from refettle.sound.scan import Scan, scan
from refettle.sound.source import ArraySource, Source, channel_names
from refettle.sound.tone import Tone, read_tone
from refettle.sound.tones import TONE, Placed, find_tones, planned, response
from refettle.sound.weighting import power_density

TONE_SECONDS, TONE_SAMPLES = 5.0, 500_000
LOOKED_THROUGH = 900.0
"""[s] Markers of the test tones are looked for in recordings up to this long, unless told to."""
MOST_SAMPLES = 2_000_000
"""Of a channel looked at in one piece: 20 s at 96 kHz, less at higher rates. This bounds the memory."""
POINTS = 800
"""Most points of a curve for drawing."""


@dataclass(frozen=True, slots=True)
class ChannelReading:
    """One channel.

    Attributes
    ----------
    name : "left", "right" or "mono"
    level, peak : Figure
        [dBFS] RMS over all without DC (sine at full scale 0), and [dB] the largest sample against full scale.
    dc : Figure
        [%] of full scale.
    clipped : Figure
        [%] of the time with flat tops; `clipped_at` [s] when; `full_scale`: at the recorder's own limit.
    clicks, dropouts : Events
    hum : Hum
    noise : Noise
    tone : Tone or None
        `tone_why` says why there is none.
    snr : Figure
        [dB] the tone above the A-weighted noise.
    response : tuple of (Hz, dB against 1 kHz)
        From the sweep of the test tones.
    spectrum : tuple of (Hz, dBFS)
        Of the stretch that noise and hum were read from, for drawing: the highest line in each of many narrow bands.
    levels : tuple
        [dBFS] over time, for drawing, at `SoundReading.level_times`.
    """

    name: str
    level: Figure
    peak: Figure
    dc: Figure
    clipped: Figure
    clipped_at: tuple[float, ...]
    full_scale: bool
    clicks: Events
    dropouts: Events
    hum: Hum
    noise: Noise
    tone: Tone | None
    tone_why: str
    snr: Figure
    response: tuple[tuple[float, float], ...]
    spectrum: tuple[tuple[float, float], ...]
    levels: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class SoundReading:
    """All that a recording says.

    `rate` [Hz], `seconds` [s], `bits` (0: floating point); `channels` each for itself and `stereo` against each other;
    `noise_from` the stretch for noise and hum, `pause` whether nothing played there; `reference` the level that hum and
    noise are set against; `flutter` None where `flutter_why`; `findings` in plain words; `notes` what to mind.
    """

    rate: int
    seconds: float
    bits: int
    channels: tuple[ChannelReading, ...]
    stereo: Channels
    noise_from: Stretch
    pause: bool
    reference: Figure
    tones: Placed | None
    flutter: Flutter | None
    flutter_why: str
    level_times: tuple[float, ...]
    findings: tuple[Finding, ...]
    notes: tuple[str, ...]

    @property
    def mains(self) -> Figure:
        """[Hz] the mains, from the channel that tells it best."""
        told = [each.hum.mains for each in self.channels if each.hum.mains.value is not None]
        return min(told, key=lambda figure: figure.plus_minus or 1.0) if told else self.channels[0].hum.mains


def read_sound(
    sound: Source | Any,
    rate: float | None = None,
    *,
    mains_hz: float | None = None,
    tone_hz: float | None = None,
    tape_hz: float | None = None,
    quiet: tuple[float, float] | None = None,
    tones: bool | None = None,
    usual_dbfs: float | None = None,
    progress: Progress | None = None,
    stop: Stop | None = None,
) -> SoundReading:
    """Read a recording.

    Parameters
    ----------
    sound : Source, or samples
        (n,) or (n, channels) of full scale 1, with `rate` [Hz].
    mains_hz : 50 or 60, optional
        By default the better fit.
    tone_hz : float, optional
        [Hz] of a test tone in it; by default one is taken if it has more than half of the power.
    tape_hz : float, optional
        [Hz] of the tone of a test tape: 3150 or 3000. Without it no speed is read, except from the test tones.
    quiet : (start, end), optional
        [s] where nothing plays; by default the test tones' silence or the quietest stretch.
    tones : bool, optional
        Look for the test tones; by default in recordings of up to 15 minutes.
    usual_dbfs : float, optional
        [dBFS] what a good unit gives under the same settings; without it loud and quiet cannot be told.
    progress, stop : callables, optional
        Told the share done, 0 to 1; asked whether to stop.

    Raises
    ------
    SoundError
        No sound, samples that are no numbers, wishes out of range.
    Stopped
        `stop` said so.
    """
    source: Source = sound if rate is None else ArraySource(sound, rate)
    if not hasattr(source, "read"):
        raise SoundError(tr("sound: samples without their sample rate found; allowed: samples and rate, or a source"))
    _check(source, mains_hz, quiet, usual_dbfs)
    told = progress or (lambda _: None)
    table = scan(source, lambda share: told(0.7 * share), stop)
    seconds = source.frames / source.rate
    placed = find_tones(source, stop) if tones or (tones is None and 50.0 < seconds <= LOOKED_THROUGH) else None
    if tones and placed is None:
        raise SoundError(
            tr("test tones: no markers found; allowed: a recording of the whole file that refettle tone writes")
        )
    told(0.75)
    stretch, pause = _quiet(table, placed, quiet, seconds)
    names = channel_names(source)
    tone_stretch = placed.parts["both"] if placed else _tone_stretch(table)
    near = tone_hz if tone_hz is not None else TONE * placed.pace if placed else None
    bounds = _bounds(table)
    read: list[ChannelReading] = []
    for channel, name in enumerate(names):
        if stop is not None and stop():
            raise Stopped
        read.append(
            _channel(source, table, channel, name, stretch, pause, tone_stretch, near, placed, mains_hz, bounds)
        )
        told(0.75 + 0.15 * (channel + 1) / len(names))
    stereo = of_programme(table, names)
    if placed and len(names) == 2:
        parts = [_samples(source, placed.parts[part]) for part in ("both", "left", "right")]
        stereo = of_tones(stereo, names, parts[0], parts[1], parts[2], source.rate, placed.pace)
    flutter, flutter_why = _flutter(source, table, placed, tape_hz, read, stop)
    told(0.98)
    reference = _reference(table, read, pause, usual_dbfs)
    notes = _notes(source, placed, pause, read, tape_hz)
    found = findings(read, stereo, flutter, reference, usual_dbfs)
    times = tuple(float(each) for each in (bounds[:-1] + bounds[1:]) / 2.0 * table.frame)
    told(1.0)
    return SoundReading(
        source.rate, seconds, source.bits, tuple(read), stereo, stretch, pause, reference, placed, flutter, flutter_why,
        times, found, notes,
    )  # fmt: skip


def _check(source: Source, mains_hz: float | None, quiet: tuple[float, float] | None, usual: float | None) -> None:
    if mains_hz is not None and mains_hz not in (50, 60):
        raise SoundError(tr("mains frequency: {mains_hz:g} Hz found; allowed: 50 or 60", mains_hz=mains_hz))
    seconds = source.frames / source.rate
    if quiet is not None and not 0.0 <= quiet[0] < quiet[1] - 0.5 <= seconds - 0.5:
        raise SoundError(
            tr(
                "quiet stretch: {start:g} to {end:g} s found; allowed: half a second or more within "
                "0 to {seconds:.1f} s",
                start=quiet[0],
                end=quiet[1],
                seconds=seconds,
            )
        )
    if usual is not None and not -80.0 <= usual <= 3.0:
        raise SoundError(tr("usual level: {usual:g} dBFS found; allowed: -80 to 3", usual=usual))


def _samples(source: Source, stretch: Stretch, most: float = 20.0) -> Array:
    start = int(stretch.start * source.rate)
    return source.read(start, min(MOST_SAMPLES, int(min(most, stretch.seconds) * source.rate)))


def _quiet(
    table: Scan, placed: Placed | None, quiet: tuple[float, float] | None, seconds: float
) -> tuple[Stretch, bool]:
    if quiet is not None:
        return Stretch(quiet[0], min(quiet[1], seconds), mark("as told")), True
    if placed is not None:
        return placed.parts["silence"], True
    return quiet_stretch(table)


def _tone_stretch(table: Scan) -> Stretch:
    """Five seconds in the middle of the loudest sound."""
    square = np.maximum(0.0, (table.square - table.mean**2).sum(axis=1))
    size = min(len(square), round(TONE_SECONDS / table.frame))
    total = np.concatenate([[0.0], np.cumsum(square)])
    sums = total[size:] - total[:-size]
    alike = np.flatnonzero(sums >= 0.8 * sums.max())
    at = int(alike[len(alike) // 2])
    return Stretch(at * table.frame, (at + size) * table.frame, tr("the loudest stretch"))


def _bounds(table: Scan) -> Array:
    """Edges of the pieces of the level curve, in frames."""
    return np.unique(np.linspace(0, len(table.square), min(POINTS, len(table.square)) + 1).astype(int)).astype(float)


def _channel(
    source: Source,
    table: Scan,
    channel: int,
    name: str,
    stretch: Stretch,
    pause: bool,
    tone_stretch: Stretch,
    near: float | None,
    placed: Placed | None,
    mains_hz: float | None,
    bounds: Array,
) -> ChannelReading:
    quiet = np.ascontiguousarray(_samples(source, stretch)[:, channel])
    seconds = min(TONE_SECONDS, TONE_SAMPLES / source.rate)
    found = read_tone(_samples(source, tone_stretch, seconds)[:, channel], source.rate, near)
    tone = None if isinstance(found, str) else found
    plays = None if tone is None or placed is not None else tone.hertz.value
    noise = read_noise(quiet, source.rate)
    hum = read_hum(quiet, source.rate, mains_hz, plays, pause, source.bits)
    square = float(table.total_square()[channel])
    mean = table.mean[:, channel]
    share, clipped_at, full = clipping(table, channel)
    peak = float(max(table.high[:, channel].max(), -table.low[:, channel].min()))
    edges = bounds.astype(int)
    sums = np.add.reduceat(table.square[:, channel], edges[:-1]) / np.diff(edges)
    return ChannelReading(
        name=name,
        level=Figure(decibel(square), "dBFS", 0.02),
        peak=Figure(decibel(peak**2, 1.0), tr("dB of full scale"), 0.01),
        dc=_dc(mean, table.frame),
        clipped=share,
        clipped_at=clipped_at,
        full_scale=full,
        clicks=clicks(table, channel),
        dropouts=dropouts(table, channel, _steady_parts(placed)),
        hum=hum,
        noise=noise,
        tone=tone,
        tone_why=found if isinstance(found, str) else "",
        snr=_snr(tone, noise),
        response=response(source, placed, channel) if placed else (),
        spectrum=_spectrum(quiet, source.rate),
        levels=tuple(decibel(float(each)) for each in sums),
    )


def _dc(mean: Array, frame: float) -> Figure:
    """[%] of full scale, with its uncertainty from parts of a second (four parts where it is shorter)."""
    parts = [float(part.mean()) for part in np.array_split(mean, max(4, int(len(mean) * frame)))]
    return Figure(100.0 * float(mean.mean()), "%", 200.0 * float(np.std(parts)) / len(parts) ** 0.5 + 0.003)


def _steady_parts(placed: Placed | None) -> tuple[Stretch, ...] | None:
    """Where a steady tone plays, by the test tones."""
    return None if placed is None else (placed.parts["both"], placed.parts["tape"])


def _snr(tone: Tone | None, noise: Noise) -> Figure:
    if tone is None:
        return withheld("dB", tr("needs a test tone beside the noise"))
    if noise.a_weighted.value is None:
        return withheld("dB", noise.a_weighted.why)
    assert tone.level.value is not None
    plus_minus = (tone.level.plus_minus or 0.0) + (noise.a_weighted.plus_minus or 0.0)
    return Figure(tone.level.value - noise.a_weighted.value, "dB", plus_minus, "A-weighted")


def _spectrum(samples: Array, rate: int) -> tuple[tuple[float, float], ...]:
    """(Hz, dBFS of a line there) from 10 Hz up, the highest cell of each narrow band."""
    seconds = min(4.0, len(samples) / rate)
    hertz, density = power_density(samples, rate, seconds)
    lines = density * 1.5 / seconds
    edges = np.geomspace(10.0, rate / 2.0, POINTS // 2 + 1)
    cells = np.unique(np.searchsorted(hertz, edges))
    cells = cells[cells < len(hertz)]
    if len(cells) < 2:
        return ()
    found = []
    for begin, end in zip(cells[:-1].tolist(), cells[1:].tolist(), strict=True):
        at = begin + int(np.argmax(lines[begin:end]))
        found.append((float(hertz[at]), decibel(float(lines[at]))))
    return tuple(found)


def _flutter(
    source: Source,
    table: Scan,
    placed: Placed | None,
    tape_hz: float | None,
    read: Sequence[ChannelReading],
    stop: Stop | None,
) -> tuple[Flutter | None, str]:
    if tape_hz is None and placed is None:
        return None, tr("no tape tone named; a test tape of 3150 or 3000 Hz gives speed, wow and flutter")
    channel = max(range(len(read)), key=lambda each: read[each].level.value or -200.0)
    nominal = tape_hz or planned_tape()
    if placed is not None and tape_hz is None:
        start, end = placed.parts["tape"].start, placed.parts["tape"].end
    else:
        start, end = _sounding(table, channel)
    found = read_flutter(source, nominal, channel, start, end, None, stop)
    return (None, found) if isinstance(found, str) else (found, "")


def planned_tape() -> float:
    """[Hz] of the tape part of the test tones."""
    from refettle.sound.tones import TAPE

    return TAPE if "tape" in planned() else 0.0


def _sounding(table: Scan, channel: int) -> tuple[float, float]:
    """[s] From the first to the last second that is not far below the loudest."""
    square = table.square[:, channel]
    loud = np.flatnonzero(square > 0.01 * float(np.percentile(square, 90.0)))
    if not len(loud):
        return 0.0, table.seconds
    return float(loud[0]) * table.frame, float(loud[-1] + 1) * table.frame


def _reference(table: Scan, read: Sequence[ChannelReading], pause: bool, usual: float | None) -> Figure:
    """[dBFS] what hum and noise are set against: the level told, the test tone, or the loudest second."""
    if usual is not None:
        return Figure(usual, "dBFS", 1.0, mark("as told"))
    tones = [each.tone.level.value for each in read if each.tone and each.tone.level.value is not None]
    if tones:
        return Figure(max(tones), "dBFS", 0.1, tr("the test tone"))
    size = max(1, min(len(table.square), round(1.0 / table.frame)))
    total = np.concatenate([[0.0], np.cumsum(table.square.max(axis=1))])
    loudest = decibel(float(np.max(total[size:] - total[:-size])) / size)
    if not pause:
        return withheld(
            "dBFS", tr("nothing louder than the noise in it: record some sound or a tone too, or give the level")
        )
    return Figure(loudest, "dBFS", 3.0, tr("the loudest second"))


def _notes(
    source: Source, placed: Placed | None, pause: bool, read: Sequence[ChannelReading], tape_hz: float | None
) -> tuple[str, ...]:
    notes = list(source.notes)
    if source.channels == 1:
        notes.append(tr("one channel: nothing is said of balance, crosstalk, exchanged or opposite channels"))
    if not pause:
        notes.append(tr("no pause found: noise and hum are read from the quietest stretch, with what played there"))
    if placed is not None and abs(placed.pace - 1.0) > 5e-4:
        notes.append(f"the test tones came back {100 * (placed.pace - 1):+.2f} % fast".replace("-", "−"))
    problems = {each.hum.problem for each in read if each.hum.problem}
    notes += sorted(problems)
    for each in read:
        hertz = None if each.tone is None or tape_hz is not None or placed else each.tone.hertz.value
        if hertz is not None and any(abs(hertz / tape - 1.0) < 0.06 for tape in TAPES):
            notes.append(
                tr(
                    "a tone of {hertz:.0f} Hz: if it is a test tape, name it (3150 or 3000) to read its speed",
                    hertz=hertz,
                )
            )
            break
    return tuple(dict.fromkeys(notes))
