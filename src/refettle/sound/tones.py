"""The test tones: one file to play or to record, whose parts are found again when it comes back.

Between two markers lie silence, 997 Hz in both channels, left only, right only, a sweep, and 3150 Hz. A marker is seven
bursts of 700 or 2100 Hz in the order of a Barker code; the one at the end has them exchanged. The distance of the two
says how fast it came back, so that a tape at the wrong speed is cut up rightly all the same. 997 Hz stands for 1 kHz,
as in AES17: it shares no multiple with the mains or the sample rate.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import log, pi

import numpy as np

from refettle.language import tr
from refettle.sound.figures import Array, SoundError, Stop, Stopped, Stretch, decibel
from refettle.sound.source import Source

TONE, TAPE = 997.0, 3150.0
TONE_LEVEL, SWEEP_LEVEL = -10.0, -20.0
"""[dBFS]"""
SWEEP_FROM, SWEEP_TO = 20.0, 20_000.0
GAP = 0.5
PARTS = (("silence", 10.0), ("both", 5.0), ("left", 4.0), ("right", 4.0), ("sweep", 12.0), ("tape", 20.0))
"""Name and length [s] of each part; `GAP` of silence after each."""
LEAD, TAIL = 1.0, 1.0
BARKER = (1, 1, 1, -1, -1, 1, -1)
BURST = 0.08
MARK_HIGH, MARK_LOW = 700.0, 2100.0
MARK_FOUND = 0.5
GUARD = 0.25
"""[s] Left off at both ends of a part that was found."""
SLOWEST, FASTEST = 0.85, 1.15
RESPONSE_AT = (31.5, 63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 12_500.0, 16_000.0)
FADE = 0.01


def mark_seconds() -> float:
    """[s] Length of a marker."""
    return len(BARKER) * BURST


def planned() -> dict[str, tuple[float, float]]:
    """Start and end [s] of each part, from the start of the first marker; `end` is where the second marker starts."""
    at = mark_seconds() + GAP
    plan = {}
    for name, seconds in PARTS:
        plan[name] = (at, at + seconds)
        at += seconds + GAP
    return {**plan, "end": (at, at + mark_seconds())}


def make_tones(rate: int = 48_000) -> Array:
    """(n, 2) samples of full scale 1, about 64 s.

    Raises
    ------
    SoundError
        A sample rate other than 44.1, 48, 88.2 or 96 kHz.
    """
    if rate not in (44_100, 48_000, 88_200, 96_000):
        raise SoundError(tr("sample rate: {rate} Hz found; allowed: 44100, 48000, 88200 or 96000 Hz", rate=rate))
    plan = planned()
    out = np.zeros((int((LEAD + plan["end"][1] + TAIL) * rate), 2))
    size = 10.0 ** (TONE_LEVEL / 20.0)

    def put(start: float, samples: Array, left: bool = True, right: bool = True) -> None:
        edge = int(FADE * rate)
        ramp = 0.5 - 0.5 * np.cos(pi * np.arange(edge) / edge)
        samples[:edge] *= ramp
        samples[-edge:] *= ramp[::-1]
        at = round((LEAD + start) * rate)
        if left:
            out[at : at + len(samples), 0] += samples
        if right:
            out[at : at + len(samples), 1] += samples

    def sine(hertz: float, seconds: float) -> Array:
        return np.asarray(size * np.sin(2.0 * pi * hertz * np.arange(round(seconds * rate)) / rate))

    for start, sign in ((0.0, 1), (plan["end"][0], -1)):
        for number, code in enumerate(BARKER):
            put(start + number * BURST, sine(MARK_HIGH if code * sign > 0 else MARK_LOW, BURST))
    for name, seconds in PARTS:
        start = plan[name][0]
        if name == "sweep":
            put(start, _sweep(seconds, rate))
        elif name != "silence":
            put(start, sine(TAPE if name == "tape" else TONE, seconds), name != "right", name != "left")
    return out


def _sweep(seconds: float, rate: int) -> Array:
    time = np.arange(round(seconds * rate)) / rate
    pace = log(SWEEP_TO / SWEEP_FROM) / seconds
    phase = 2.0 * pi * SWEEP_FROM / pace * np.expm1(pace * time)
    return np.asarray(10.0 ** (SWEEP_LEVEL / 20.0) * np.sin(phase))


@dataclass(frozen=True, slots=True)
class Placed:
    """The test tones found in a recording.

    `parts`: each part with its guard left off. `start` [s] of the first marker, `pace`: how many times faster it came
    back than it was made (tape speed and clocks), `score`: how well the worse marker fits, 0 to 1.
    """

    parts: dict[str, Stretch]
    start: float
    pace: float
    score: float


def find_tones(source: Source, stop: Stop | None = None) -> Placed | None:
    """Find the markers; None where they are not there. Stopped where `stop` says so."""
    marks, frame = _mark_signal(source, stop)
    template = np.repeat(np.array(BARKER, dtype=np.float64), round(BURST / frame))
    if len(marks) < 2 * len(template):
        return None
    score = np.correlate(marks, template, mode="valid") / len(template)
    first, last = int(np.argmax(score)), int(np.argmin(score))
    if score[first] < MARK_FOUND or -score[last] < MARK_FOUND or last <= first:
        return None
    begin, end = _between(score, first) * frame, _between(-score, last) * frame
    plan = planned()
    pace = plan["end"][0] / (end - begin)
    if not SLOWEST <= pace <= FASTEST:
        return None
    parts = {
        name: Stretch(
            max(0.0, begin + low / pace + GUARD),
            min(source.frames / source.rate, begin + high / pace - GUARD),
            tr("test tones: {name}", name=name),
        )
        for name, (low, high) in plan.items()
        if name != "end"
    }
    return Placed(parts, begin, pace, min(float(score[first]), float(-score[last])))


def _between(score: Array, at: int) -> float:
    """Place of a peak between the cells."""
    if not 0 < at < len(score) - 1:
        return float(at)
    a, b, c = score[at - 1 : at + 2]
    return at + float(0.5 * (a - c) / (a - 2.0 * b + c)) if a - 2.0 * b + c < 0 else float(at)


def _mark_signal(source: Source, stop: Stop | None) -> tuple[Array, float]:
    """For each frame, +1 where all of the middle of the spectrum is the first marker tone, -1 the second, 0 neither.

    [s] the length of a frame comes second. The powers of the channels are added, so that polarity and a dead channel
    do not matter. Neighbouring samples are averaged down to 16 to 32 kHz first, which is enough for the markers.
    """
    q = max(1, source.rate // 16_000)
    rate = source.rate / q
    hop = round(0.01 * rate)
    size = 2 * hop
    hertz = np.fft.rfftfreq(size, 1.0 / rate)
    middle = (hertz > 400.0) & (hertz < 6000.0)
    high = np.abs(hertz - MARK_HIGH) < 0.22 * MARK_HIGH
    low = np.abs(hertz - MARK_LOW) < 0.12 * MARK_LOW
    window = np.hanning(size)
    out = []
    for start in range(0, source.frames - size * q, 500 * hop * q):
        if stop is not None and stop():
            raise Stopped
        block = source.read(start, (499 * hop + size) * q)
        thinned = block[: len(block) // q * q].T.reshape(block.shape[1], -1, q).mean(axis=2)
        pieces = np.lib.stride_tricks.sliding_window_view(thinned, size, axis=1)[:, ::hop]
        spectrum = np.fft.rfft(pieces * window, axis=2)
        power = (spectrum.real**2 + spectrum.imag**2).sum(axis=0)
        total = power[:, middle].sum(axis=1) + 1e-12
        out.append((power[:, high].sum(axis=1) - power[:, low].sum(axis=1)) / total)
    return (np.concatenate(out) if out else np.empty(0)), hop / rate


def response(source: Source, placed: Placed, channel: int) -> tuple[tuple[float, float], ...]:
    """(Hz, dB against 1 kHz) from the sweep in one channel, at `RESPONSE_AT` as far as the recording holds them."""
    begin, end = planned()["sweep"]
    pace = log(SWEEP_TO / SWEEP_FROM) / (end - begin)
    found = []
    for hertz in RESPONSE_AT:
        if hertz * placed.pace > 0.45 * source.rate:
            break
        at = placed.start + (begin + log(hertz / SWEEP_FROM) / pace) / placed.pace
        size = int(0.3 * source.rate)
        samples = source.read(max(0, int(at * source.rate) - size // 2), size)[:, channel]
        if len(samples) < size:
            return ()
        window = np.hanning(size)
        spectrum = np.fft.rfft((samples - samples.mean()) * window)
        cells = np.abs(np.log(np.maximum(np.fft.rfftfreq(size, 1.0 / source.rate), 1e-9) / (hertz * placed.pace))) < 0.3
        power = float((spectrum.real[cells] ** 2 + spectrum.imag[cells] ** 2).sum()) * 2.0 / float((window**2).sum())
        found.append((hertz, decibel(power / size)))
    middle = next((level for hertz, level in found if hertz == 1000.0), None)
    return () if middle is None else tuple((hertz, level - middle) for hertz, level in found)
