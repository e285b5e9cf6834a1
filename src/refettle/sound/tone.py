"""A test tone: its frequency and level, harmonics, THD+N.

A sine is fitted by least squares with its frequency (Gauss-Newton); what is left between 20 Hz and 20 kHz, over the
whole, is THD+N. A tone from tape wavers, and a fitted sine leaves its flutter sidebands behind: there everything within
5 % of the tone is left out instead, and that is said.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot, log10, pi, sqrt

import numpy as np

from refettle.language import tr
from refettle.sound.figures import Array, Figure, decibel, withheld

LOWEST, HIGHEST = 20.0, 20_000.0
"""[Hz] Band of THD+N."""
NOTCH = 0.05
PURE_SHARE = 0.5
"""Of the power without DC, that one line must have to be taken for a test tone when none was named."""
LOWEST_UNNAMED = 250.0
"""[Hz] Below this a line is hum rather than a test tone, unless it was named."""
STANDS_OUT = 10.0
"""[dB] A named tone over the rest within 20 % of it."""
MOST_HARMONICS = 10


@dataclass(frozen=True, slots=True)
class Tone:
    """A test tone in one channel.

    Attributes
    ----------
    hertz, level : Figure
        [Hz], [dBFS].
    thd_n : Figure
        [%] of the whole; `thd_n_db` [dB] the same.
    harmonics : tuple of (multiple, dB below the tone) for those above the noise
    thd : Figure
        [%] the harmonics alone, over the tone.
    notched : bool
        Everything within 5 % of the tone was left out, flutter sidebands too.
    phase : float
        [rad] of the cosine at the start of what was read.
    """

    hertz: Figure
    level: Figure
    thd_n: Figure
    thd_n_db: Figure
    harmonics: tuple[tuple[int, float], ...]
    thd: Figure
    notched: bool
    phase: float


@dataclass(frozen=True, slots=True)
class Sine:
    """A fitted sine: `hertz`, `amplitude`, `phase` [rad] of the cosine at sample 0, and the `rest` after it is gone."""

    hertz: float
    amplitude: float
    phase: float
    rest: Array


def strongest(samples: Array, rate: int, low: float = LOWEST, high: float = HIGHEST) -> tuple[float, float]:
    """[Hz] The strongest line between `low` and `high`, and its share of the power without DC, 0 to 1.

    The share counts what lies within 5 % of the line (a wavering tone counts whole), or within four cells.
    """
    n = len(samples)
    window = np.hanning(n + 1)[:-1]
    spectrum = np.fft.rfft((samples - samples.mean()) * window)
    power = spectrum.real**2 + spectrum.imag**2
    step = rate / n
    first, last = max(2, int(low / step)), min(len(power) - 2, int(high / step) + 1)
    if last <= first or not power.any():
        return 0.0, 0.0
    at = first + int(np.argmax(power[first:last]))
    a, b, c = np.log(power[at - 1 : at + 2] + 1e-300)
    hertz = (at + 0.5 * (a - c) / (a - 2.0 * b + c)) * step if a - 2.0 * b + c < 0 else at * step
    half = max(4, int(NOTCH * hertz / step))
    return float(hertz), float(power[max(2, at - half) : at + half + 1].sum() / power[2:].sum())


def fit_sine(samples: Array, rate: int, hertz: float) -> Sine:
    """Fit a sine with offset near `hertz` [Hz], which is refined."""
    time = np.arange(len(samples)) / rate
    middle = time - time.mean()
    a = b = 0.0
    rest = samples
    for _ in range(8):
        cosine, sine = np.cos(2.0 * pi * hertz * time), np.sin(2.0 * pi * hertz * time)
        columns = [cosine, sine, np.ones_like(time)]
        if a or b:
            columns.append(2.0 * pi * middle * (b * cosine - a * sine))
        rows = np.stack(columns)
        found = np.linalg.solve(rows @ rows.T, rows @ samples)
        rest = samples - found[0] * cosine - found[1] * sine - found[2]
        moved = float(found[3]) if len(found) == 4 else 1.0
        a, b = float(found[0]), float(found[1])
        if len(found) == 4:
            hertz += max(-0.5 / time[-1], min(0.5 / time[-1], moved))
        if abs(moved) * time[-1] < 1e-7:
            break
    return Sine(hertz, hypot(a, b), float(np.arctan2(-b, a)), rest)


def read_tone(samples: Array, rate: int, near: float | None = None) -> Tone | str:
    """Read the tone in one channel, or say why there is none.

    Parameters
    ----------
    samples : (n,) array of full scale 1
        A steady stretch, 0.5 s and more; five seconds are enough.
    rate : int
        [Hz]
    near : float, optional
        [Hz] where it is looked for, within 10 %.
    """
    if near is not None and not LOWEST <= near <= 0.45 * rate:
        return tr(
            "{near:g} Hz cannot be in a recording at {rate} Hz; allowed: 20 to {most:.0f} Hz",
            near=near,
            rate=rate,
            most=0.45 * rate,
        )
    if near is None:
        hertz, share = strongest(samples, rate, LOWEST_UNNAMED, min(HIGHEST, 0.45 * rate))
        if share < PURE_SHARE:
            return tr(
                "no steady tone: the strongest line has {share:.0f} % of the power, a tone 50 % or more",
                share=100 * share,
            )
    else:
        hertz, over = _near(samples, rate, near)
        if over < STANDS_OUT:
            return tr(
                "no steady tone near {near:g} Hz: {over:.0f} dB over the rest around it, and {stands_out:g} are needed",
                near=near,
                over=over,
                stands_out=STANDS_OUT,
            )
    sine = fit_sine(samples, rate, float(hertz))
    tone = sine.amplitude**2 / 2.0
    left, notched, scatter = _left(samples, sine, rate, tone)
    if notched:
        tone = _band(samples, rate, hertz, NOTCH * hertz)[1]
    ratio = sqrt(left / (tone + left)) if notched else sqrt(left / float(np.mean((samples - samples.mean()) ** 2)))
    plus_minus = 0.1 + scatter
    harmonics = _harmonics(sine, rate, tone, notched)
    flutter = tr("flutter sidebands within 5 % left out") if notched else ""
    thd = 100.0 * sqrt(sum(10.0 ** (each / 10.0) for _, each in harmonics))
    wavers = withheld("%", tr("no harmonic stands above the noise"))
    return Tone(
        hertz=Figure(sine.hertz, "Hz", 1e-4 * sine.hertz, tr("the sound card's clock, ±0.01 %, included")),
        level=Figure(decibel(tone), "dBFS", 0.01 if not notched else 0.1),
        thd_n=Figure(100.0 * ratio, "%", 100.0 * ratio * (10.0 ** (plus_minus / 20.0) - 1.0), flutter),
        thd_n_db=Figure(20.0 * log10(max(ratio, 1e-9)), "dB", plus_minus, flutter),
        harmonics=harmonics,
        thd=Figure(thd, "%", 0.06 * thd) if harmonics else wavers,
        notched=notched,
        phase=sine.phase,
    )


def _near(samples: Array, rate: int, near: float) -> tuple[float, float]:
    """[Hz] the strongest line within 10 % of `near`, and [dB] it over the rest within 20 %."""
    hertz, share = strongest(samples, rate, 0.9 * near, 1.1 * near)
    if share == 0.0:
        return near, -200.0
    _, around = _band(samples, rate, near, 0.2 * near)
    _, line = _band(samples, rate, hertz, NOTCH * hertz)
    return hertz, 10.0 * log10(max(line, 1e-30) / max(around - line, 1e-30))


def _left(samples: Array, sine: Sine, rate: int, tone: float) -> tuple[float, bool, float]:
    """Mean square left between 20 Hz and 20 kHz, whether by notch, and [dB] its uncertainty from eight parts."""
    near = NOTCH * sine.hertz
    whole, beside = _band(sine.rest, rate, sine.hertz, near)
    notched = beside > 0.5 * whole and whole > 1e-7 * tone
    source = samples if notched else sine.rest
    part = max(1, len(source) // 8)
    parts = []
    for start in range(0, part * 8, part):
        found, close = _band(source[start : start + part], rate, sine.hertz, near)
        parts.append(found - close if notched else found)
    mean = float(np.mean(parts))
    if not notched:
        mean = whole
    elif len(samples) * near / rate > 50.0:
        found, close = _band(samples, rate, sine.hertz, near)
        mean = found - close
    scatter = 8.686 * float(np.std(parts)) / (2.0 * sqrt(8.0) * max(mean, 1e-30)) * 2.0
    return max(mean, 1e-20), notched, min(3.0, scatter)


def _band(samples: Array, rate: int, hertz: float, near: float) -> tuple[float, float]:
    """Mean square from 20 Hz to 20 kHz, and of it that within `near` of `hertz`."""
    n = len(samples)
    window = np.hanning(n + 1)[:-1]
    spectrum = np.fft.rfft((samples - samples.mean()) * window)
    power = (spectrum.real**2 + spectrum.imag**2) * (2.0 / (n * float((window**2).sum())))
    step = rate / n
    low, high = max(1, round(LOWEST / step)), round(min(HIGHEST, rate / 2.0) / step) + 1
    first, last = max(low, round((hertz - near) / step)), round((hertz + near) / step) + 1
    return float(power[low:high].sum()), float(power[first:last].sum())


def _harmonics(sine: Sine, rate: int, tone: float, notched: bool) -> tuple[tuple[int, float], ...]:
    """(multiple, dB against the tone) of harmonics 10 dB above the noise around them."""
    n = len(sine.rest)
    window = np.hanning(n + 1)[:-1]
    spectrum = np.fft.rfft(sine.rest * window)
    power = (spectrum.real**2 + spectrum.imag**2) * (2.0 / float(window.sum()) ** 2)
    found = []
    for multiple in range(2, MOST_HARMONICS + 1):
        hertz = multiple * sine.hertz
        if hertz > min(HIGHEST, 0.48 * rate):
            break
        at = round(hertz * n / rate)
        # A tone from tape smears its harmonics: the power around, over the width of the window.
        half = 2 + int(0.006 * at if notched else 0)
        level = float(power[at - half : at + half + 1].sum()) / 1.5
        beside = np.concatenate([power[at - 20 - 4 * half : at - half], power[at + half + 1 : at + 20 + 4 * half]])
        noise = float(np.median(beside)) / 0.693 * (2 * half + 1) / 1.5 if len(beside) else 0.0
        if level > 10.0 * noise and level > 1e-14 * tone:
            found.append((multiple, 10.0 * log10((level - noise) / tone)))
    return tuple(found)
