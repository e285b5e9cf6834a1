"""Tape speed, wow and flutter (AES6-2008 = IEC 60386) from a tape with a steady tone of 3150 or 3000 Hz.

The tone is mixed down to 0 Hz, low-passed at 400 Hz and kept at about 2 kHz; the slope of its phase is the speed. The
deviation in per cent of the mean goes through the flutter weighting (on its Fourier transform); the reading is the
value that its size exceeds for 5 % of the time (two-sigma), over 5 s or more. A sine reads 0.9969 of its peak.
Drift over the recording is given apart: the weighting hides it. Dropouts (envelope more than 10 dB below its median
within a quarter of a second) are bridged and their time is told; unbridged they read as flutter.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import log10, pi

import numpy as np

from refettle.language import mark, tr
from refettle.sound.figures import Array, Complex, Figure, Mask, Progress, SoundError, Stop, Stopped
from refettle.sound.source import Source
from refettle.sound.weighting import flutter_weighting, padded_length

TAPES = (3150.0, 3000.0)
"""[Hz] of test tapes: 3150 today and by IEC, 3000 on older ones."""
LOW_PASS = 400.0
PHASE_RATE = 2000
LEAST_SECONDS, MOST_SECONDS = 7.0, 300.0
"""[s] AES6 wants 5 s or more; one second is lost at each end. Longer recordings are read for their first 5 minutes."""
EDGE = 1.0
TONE_OVER_REST = 20.0
"""[dB] The tone (within 5 %) over the rest within 20 %; less is refused, as noise alone reads as 4 % of flutter."""
DROPOUT, DROPOUT_REACH = 10.0, 0.25
CLOCK = 0.01
"""[%] Of a sound card's crystal: 50 to 100 ppm (from memory)."""
LEAST_FLUTTER = 0.002
"""[%] Below this a reading is noise at 40 dB between tone and noise."""
ROTATING = (
    (0.2, 1.0, mark("a reel hub or its clutch (0.3 to 0.7 turns a second)")),
    (1.0, 1.6, mark("the pinch roller (13 mm across turns 1.2 times a second)")),
    (1.6, 5.0, mark("a belt, an idler, or a small pulley")),
    (5.0, 8.0, mark("the capstan (2 to 3 mm across turns 7.6 to 5 times a second)")),
    (8.0, 20.0, mark("twice the capstan's turns, or a bent capstan and its flywheel")),
    (20.0, 60.0, mark("the motor (2000 to 3000 turns a minute is 33 to 50 a second)")),
    (60.0, 200.0, mark("the tape scraping over the head or a guide")),
)
"""[Hz] from, to, and what turns so fast in a cassette machine at 4.76 cm/s: common practice, no source."""


@dataclass(frozen=True, slots=True)
class FlutterLine:
    """A strong line of flutter: `hertz`, `peak` [%], and which rotating part `may` turn so fast."""

    hertz: float
    peak: float
    may: str


@dataclass(frozen=True, slots=True)
class Flutter:
    """Tape speed and its wavering.

    Attributes
    ----------
    nominal : float
        [Hz] of the tape.
    hertz, speed : Figure
        [Hz] mean of the tone, and [%] how much too fast (positive).
    drift : Figure
        [%] change of speed over the time evaluated, by a straight line.
    weighted, unweighted : Figure
        [%] zero to peak, two-sigma; unweighted from 0.2 to 200 Hz.
    lines : tuple of FlutterLine
        The three strongest by weighted size.
    masked : float
        [s] bridged as dropouts.
    seconds : float
        [s] evaluated.
    notes : tuple of str
    times, deviation : tuples
        [s], [%] the unweighted deviation for drawing, at most 1500 points.
    """

    nominal: float
    hertz: Figure
    speed: Figure
    drift: Figure
    weighted: Figure
    unweighted: Figure
    lines: tuple[FlutterLine, ...]
    masked: float
    seconds: float
    notes: tuple[str, ...]
    times: tuple[float, ...] = ()
    deviation: tuple[float, ...] = ()


def read_flutter(
    source: Source,
    nominal: float,
    channel: int = 0,
    start: float = 0.0,
    end: float | None = None,
    progress: Progress | None = None,
    stop: Stop | None = None,
) -> Flutter | str:
    """Read speed, wow and flutter, or say why they cannot be read.

    Parameters
    ----------
    source : Source
    nominal : float
        [Hz] that the tape was recorded with: 3150, 3000, or another tone of 1 to 10 kHz.
    channel : int
    start, end : float, optional
        [s] the stretch with the tone; at most 5 minutes of it are read.

    Raises
    ------
    SoundError
        A nominal frequency outside 1 to 10 kHz.
    """
    if not 1000.0 <= nominal <= 10_000.0:
        raise SoundError(
            tr(
                "tape tone: {nominal:g} Hz found; allowed: 3150, 3000, or another from 1000 to 10000 Hz",
                nominal=nominal,
            )
        )
    rate = source.rate
    if nominal * 1.25 > rate / 2.0:
        return tr(
            "a sample rate of {rate} Hz cannot hold a tone of {nominal:g} Hz and its flutter",
            rate=rate,
            nominal=nominal,
        )
    first = int(start * rate)
    last = min(source.frames, int((source.frames / rate if end is None else end) * rate))
    seconds = (last - first) / rate
    if seconds < LEAST_SECONDS:
        return tr("{seconds:.1f} s of tone; AES6 wants 5 s or more: record 7 s, best 30", seconds=seconds)
    last = min(last, first + int(MOST_SECONDS * rate))
    middle = source.read(first + (last - first) // 2 - int(2.5 * rate), 5 * rate)[:, channel]
    carrier, over = _carrier(middle, rate, nominal)
    if over < TONE_OVER_REST:
        return tr(
            "no steady tone near {nominal:g} Hz: it stands {over:.0f} dB over the rest around it, "
            "and {tone_over_rest:g} are needed",
            nominal=nominal,
            over=over,
            tone_over_rest=TONE_OVER_REST,
        )

    def block(at: int, count: int) -> Array:
        if stop is not None and stop():
            raise Stopped
        if progress is not None:
            progress((at - first) / (last - first))
        return source.read(at, count)[:, channel]

    base, phase_rate = _mixed(block, first, last, rate, carrier)
    return _evaluate(base, phase_rate, carrier, nominal)


def _carrier(samples: Array, rate: int, nominal: float) -> tuple[float, float]:
    """[Hz] the tone on average, and [dB] how far it stands over the rest within 20 % of the nominal frequency.

    By pieces of 20 ms, in which even a badly wavering tone stays within 5 % of its strongest cell.
    """
    size = int(0.02 * rate)
    pieces = samples[: len(samples) // size * size].reshape(-1, size)
    spectrum = np.fft.rfft(pieces * np.hanning(size + 1)[:-1], 4 * size, axis=1)
    hertz = np.fft.rfftfreq(4 * size, 1.0 / rate)
    around = np.abs(hertz - nominal) < 0.2 * nominal
    power = spectrum.real[:, around] ** 2 + spectrum.imag[:, around] ** 2
    peaks = hertz[around][np.argmax(power, axis=1)]
    tone = np.abs(hertz[around][None, :] - peaks[:, None]) < max(0.05 * nominal, 2.0 * rate / size)
    rest = float(power[~tone].sum())
    strength = power.max(axis=1)
    over = 10.0 * log10(max(float(power[tone].sum()), 1e-30) / max(rest, 1e-30))
    return float((peaks * strength).sum() / max(float(strength.sum()), 1e-300)), over


def _mixed(
    block: Callable[[int, int], Array], first: int, last: int, rate: int, carrier: float
) -> tuple[Complex, float]:
    """The tone at 0 Hz, kept at about 2 kHz. A few seconds at a time."""
    from scipy.signal import firwin, upfirdn

    q = max(1, int(rate // PHASE_RATE))
    half = q * int(np.ceil(3.5 * rate / LOW_PASS / q))
    taps = firwin(2 * half + 1, 1.5 * LOW_PASS, window=("kaiser", 9.0), fs=rate)
    size = q * max(1, int(4.0 * rate) // q)
    turn = np.exp(-2j * pi * carrier * np.arange(size + 2 * half) / rate)
    pieces = []
    for at in range(first, last, size):
        count = min(size, last - at)
        low, high = max(first, at - half), min(last, at + count + half)
        begun = np.exp(-2j * pi * carrier * (low - first) / rate)
        padded = np.zeros(count + 2 * half, dtype=np.complex128)
        padded[low - at + half : high - at + half] = block(low, high - low) * (begun * turn[: high - low])
        # As half is a multiple of q, output 2 half / q has its middle on sample `at`.
        out = upfirdn(taps, padded, 1, q)[2 * half // q :]
        pieces.append(out[: -(-count // q)])
    return np.concatenate(pieces), rate / q


def _dropped(envelope: Array, rate: float) -> Mask:
    """Where the tone is lost, 10 ms either side included."""
    from scipy.ndimage import binary_dilation, median_filter

    step = max(1, int(rate * 0.01))
    coarse = envelope[: len(envelope) // step * step].reshape(-1, step).mean(axis=1)
    usual = median_filter(coarse, size=int(2 * DROPOUT_REACH / 0.01) | 1, mode="nearest")
    usual = np.maximum(usual, 0.5 * float(np.median(coarse)))
    level = np.interp(np.arange(len(envelope)), (np.arange(len(coarse)) + 0.5) * step, usual)
    low = envelope < level * 10.0 ** (-DROPOUT / 20.0)
    return np.asarray(binary_dilation(low, iterations=int(0.01 * rate)) if low.any() else low, dtype=np.bool_)


def _evaluate(base: Complex, rate: float, carrier: float, nominal: float) -> Flutter | str:
    hertz = np.diff(np.unwrap(np.angle(base))) * rate / (2.0 * pi)
    envelope = np.minimum(np.abs(base[1:]), np.abs(base[:-1]))
    edge = int(EDGE * rate)
    dropped = _dropped(envelope, rate)
    inside = slice(edge, len(hertz) - edge)
    kept = ~dropped
    if kept[inside].mean() < 0.7:
        return tr(
            "the tone is lost for {mean:.0f} % of the time: clean head and tape first",
            mean=100 * (1 - kept[inside].mean()),
        )
    index = np.arange(len(hertz))
    if dropped.any():
        hertz = np.interp(index, index[kept], hertz[kept])
    mean = carrier + float(hertz[inside][kept[inside]].mean())
    time = index / rate
    deviation = 100.0 * (carrier + hertz - mean) / mean
    slope, offset = np.polyfit(time[inside], deviation[inside], 1)
    seconds = float(time[inside][-1] - time[inside][0])
    steady = deviation - (slope * time + offset)
    weighted = _weighted(steady, rate)[inside]
    band = _banded(steady, rate)[inside]
    found, spread = _two_sigma(weighted, rate)
    flat, flat_spread = _two_sigma(band, rate)
    notes = _notes(mean, nominal, float(dropped[inside].sum()) / rate)
    resolution = 100.0 * 0.05 / (mean * seconds) + 2.0 * float(np.std(_seconds(steady[inside], rate))) / seconds**0.5
    step = max(1, len(band) // 1500)
    return Flutter(
        nominal=nominal,
        hertz=Figure(mean, "Hz", (CLOCK + resolution) * mean / 100.0),
        speed=Figure(100.0 * (mean / nominal - 1.0), "%", CLOCK + resolution, tr("the tape's own error not included")),
        drift=Figure(float(slope) * seconds, "%", 0.01 + 2.0 * resolution),
        weighted=Figure(found, "%", max(LEAST_FLUTTER, 0.02 * found, spread)),
        unweighted=Figure(flat, "%", max(3.0 * LEAST_FLUTTER, 0.02 * flat, flat_spread)),
        lines=_lines(steady[inside], rate),
        masked=float(dropped[inside].sum()) / rate,
        seconds=float(seconds),
        notes=notes,
        times=tuple(float(each) for each in time[inside][::step][:1500]),
        deviation=tuple(float(each) for each in band[::step][:1500]),
    )


def _transformed(values: Array, rate: float, gain: Callable[[Array], Array]) -> Array:
    padded = padded_length(len(values) + int(20 * rate), int(rate))
    hertz = np.asarray(np.fft.rfftfreq(padded, 1.0 / rate), dtype=np.float64)
    return np.asarray(np.fft.irfft(np.fft.rfft(values, padded) * gain(hertz), padded)[: len(values)])


def _weighted(values: Array, rate: float) -> Array:
    return _transformed(values, rate, lambda hertz: np.where(hertz <= 300.0, flutter_weighting(hertz), 0.0))


def _banded(values: Array, rate: float) -> Array:
    """0.2 to 200 Hz."""
    return _transformed(values, rate, lambda hertz: ((hertz >= 0.2) & (hertz <= 200.0)).astype(np.float64))


def _two_sigma(values: Array, rate: float) -> tuple[float, float]:
    """The size exceeded for 5 % of the time, and its 95 % uncertainty from pieces of 5 s."""
    found = float(np.percentile(np.abs(values), 95.0))
    pieces = max(1, int(len(values) / rate / 5.0))
    if pieces == 1:
        return found, 0.1 * found
    each = [float(np.percentile(np.abs(part), 95.0)) for part in np.array_split(values, pieces)]
    return found, 2.0 * float(np.std(each)) / pieces**0.5


def _seconds(values: Array, rate: float) -> Array:
    """Means over one second."""
    step = int(rate)
    return np.asarray(values[: len(values) // step * step].reshape(-1, step).mean(axis=1))


def _lines(values: Array, rate: float) -> tuple[FlutterLine, ...]:
    """The three strongest lines by weighted size that stand well above what is around them."""
    window = np.hanning(len(values) + 1)[:-1]
    padded = padded_length(4 * len(values), int(rate))
    size: Array = np.abs(np.fft.rfft(values * window, padded)) * (2.0 / float(window.sum()))
    hertz = np.asarray(np.fft.rfftfreq(padded, 1.0 / rate), dtype=np.float64)
    cell = 2.0 * rate / len(values)
    heard = size * flutter_weighting(hertz)
    found: list[FlutterLine] = []
    most = 0.0
    wanted = (hertz >= 0.15) & (hertz <= 200.0)
    heard[~wanted] = 0.0
    for _ in range(12):
        at = int(np.argmax(heard))
        if heard[at] <= 0.0:
            break
        at_hertz = float(hertz[at])
        reach = max(6.0 * cell, 0.5 * at_hertz)
        around = size[(np.abs(hertz - at_hertz) < reach) & (np.abs(hertz - at_hertz) > 1.5 * cell) & wanted]
        if (
            len(around)
            and size[at] > 4.0 * float(np.median(around))
            and size[at] > max(0.3 * LEAST_FLUTTER, 0.05 * most)
        ):
            most = max(most, float(size[at]))
            found.append(FlutterLine(at_hertz, float(size[at]), rotating_part(at_hertz)))
        heard[np.abs(hertz - at_hertz) < 4.0 * cell] = 0.0
        if len(found) == 3:
            break
    return tuple(found)


def rotating_part(hertz: float) -> str:
    """What turns about so fast in a cassette machine; common practice, no source."""
    return next(
        (tr(part) for low, high, part in ROTATING if low <= hertz < high),
        tr("nothing that turns in a cassette machine"),
    )


def _notes(mean: float, nominal: float, masked: float) -> tuple[str, ...]:
    notes = [tr("a test tape is itself off by 0.1 to 0.5 % (from memory): read its label")]
    other = next((each for each in TAPES if each != nominal and abs(mean / each - 1.0) < 0.01), None)
    if nominal in TAPES and other is not None:
        notes.insert(0, tr("the tone is within 1 % of {other:g} Hz: is it a {other:g} Hz tape?", other=other))
    if masked > 0.0:
        notes.append(tr("{masked:.2f} s of dropouts bridged", masked=masked))
    return tuple(notes)
