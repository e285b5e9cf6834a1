"""Noise: where in a recording it is read, and its level plain, A-weighted and by BS.468-4."""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

import numpy as np

from refettle.language import tr
from refettle.sound.figures import Array, Figure, Stretch, decibel, withheld
from refettle.sound.scan import Scan
from refettle.sound.weighting import (
    QuasiPeak,
    a_weighting,
    filtered,
    itu468_response,
    itu468_weighting,
    padded_length,
    power_density,
)

LOWEST, HIGHEST = 20.0, 20_000.0
LENGTHS = (20.0, 15.0, 10.0, 5.0, 3.0, 2.0)
"""[s] Stretches tried for noise and hum, longest first."""
LIKE_QUIETEST = 1.0
"""[dB] A longer stretch may be this much above the quietest two seconds."""
PAUSE = 10.0
"""[dB] The loudest second must stand this far above a stretch that counts as a pause."""
PEAK_SECONDS, SETTLE = 10.0, 2.0
TONE_SHARE = 0.9
TONE_REACH = 0.05
"""Share either side of a tone that belongs to it: off tape it wavers."""


@dataclass(frozen=True, slots=True)
class Noise:
    """Noise of one channel, all in dBFS.

    Attributes
    ----------
    plain : Figure
        20 Hz to 20 kHz (or half the sample rate), RMS.
    a_weighted : Figure
    itu468 : Figure
        BS.468-4; `quasi_peak` tells whether by its quasi-peak meter, or as weighted RMS where the stretch is short.
    itu468_peak : Figure
        The highest that the quasi-peak meter went, which crackle drives up.
    """

    plain: Figure
    a_weighted: Figure
    itu468: Figure
    quasi_peak: bool
    itu468_peak: Figure


def quiet_stretch(scan: Scan) -> tuple[Stretch, bool]:
    """The quietest stretch, up to 20 s long, and whether it is a pause: 10 dB below the loudest second.

    Digital silence (every sample zero) is passed over: a muted recorder is no quiet unit.
    """
    square = (scan.square - scan.mean**2).sum(axis=1)
    total = np.concatenate([[0.0], np.cumsum(np.maximum(square, 0.0))])
    dead = np.concatenate([[0], np.cumsum((scan.square == 0.0).all(axis=1))])

    def quietest(seconds: float) -> tuple[float, int] | None:
        size = round(seconds / scan.frame)
        if size > len(square):
            return None
        sums = (total[size:] - total[:-size]) / size
        silent = (dead[size:] - dead[:-size]) > 0.02 * size
        if silent.all():
            return None
        at = int(np.argmin(np.where(silent, np.inf, sums)))
        return float(sums[at]), at

    loudest_size = max(1, min(len(square), round(1.0 / scan.frame)))
    loudest = float(np.max(total[loudest_size:] - total[:-loudest_size])) / loudest_size
    short = quietest(2.0)
    if short is None:
        return Stretch(0.0, min(scan.seconds, LENGTHS[0]), tr("the beginning")), False
    for seconds in LENGTHS:
        found = quietest(seconds)
        if found is not None and found[0] <= short[0] * 10.0 ** (LIKE_QUIETEST / 10.0):
            pause = loudest > found[0] * 10.0 ** (PAUSE / 10.0)
            start = found[1] * scan.frame
            return Stretch(start, start + seconds, tr("the quietest stretch")), pause
    return Stretch(0.0, min(scan.seconds, LENGTHS[0]), tr("the beginning")), False


def read_noise(samples: Array, rate: int) -> Noise:
    """Noise of one channel over a stretch without programme.

    Withheld where one line holds nearly all of the power (a tone plays), and where the samples are all zero.
    """
    if not samples.any():
        return _none(tr("digital silence: the recorder was muted, or nothing was plugged in"))
    if len(samples) < rate // 2:
        return _none(tr("{rate:.2f} s; allowed: 0.5 s and more without programme", rate=len(samples) / rate))
    hertz, density = power_density(samples, rate)
    step = float(hertz[1])
    inside = (hertz >= LOWEST) & (hertz <= HIGHEST)
    at = int(np.argmax(np.where(hertz > 300.0, density, 0.0)))
    reach = max(3, round(TONE_REACH * at))
    if density[max(0, at - reach) : at + reach + 1].sum() > TONE_SHARE * density[inside].sum():
        return _none(tr("a tone at {at:.0f} Hz fills this stretch", at=hertz[at]))
    plain = float(density[inside].sum()) * step
    a_square = float((density * a_weighting(hertz) ** 2)[inside].sum()) * step
    itu_square = float((density * itu468_weighting(hertz) ** 2).sum()) * step
    # Half-overlapped Hann pieces leave about one independent value for each cell and 1.06 pieces.
    seconds = len(samples) / rate
    weighted = density * a_weighting(hertz) ** 2
    width = float(weighted[inside].sum()) ** 2 / max(float((weighted[inside] ** 2).sum()), 1e-300) * step
    plus_minus = 2.0 * 4.34 / sqrt(max(1.0, width * seconds)) + 0.05
    quasi = seconds >= SETTLE + 1.0
    typical, highest = _quasi_peak(samples[: int(PEAK_SECONDS * rate)], rate) if quasi else (itu_square, 0.0)
    short = tr("{seconds:.1f} s; the quasi-peak meter wants 3 s", seconds=seconds)
    return Noise(
        plain=Figure(
            decibel(plain), "dBFS", plus_minus, "" if rate >= 40_000 else tr("up to {rate:.0f} Hz only", rate=rate / 2)
        ),
        a_weighted=Figure(decibel(a_square), "dBFS", plus_minus),
        itu468=Figure(decibel(typical), "dBFS", plus_minus + 0.3, "" if quasi else "RMS, " + short),
        quasi_peak=quasi,
        itu468_peak=Figure(decibel(highest), "dBFS", 0.5) if quasi else withheld("dBFS", short),
    )


def _quasi_peak(samples: Array, rate: int) -> tuple[float, float]:
    """Mean squares of what the quasi-peak meter shows: its middle and its highest value once it has settled."""
    padded = padded_length(len(samples), rate)
    hertz = np.asarray(np.fft.rfftfreq(padded, 1.0 / rate), dtype=np.float64)
    shown = QuasiPeak().read(filtered(samples - samples.mean(), rate, itu468_response(hertz)), rate)
    settled = shown[int(SETTLE * rate) :]
    return float(np.median(settled)) ** 2, float(settled.max()) ** 2


def _none(why: str) -> Noise:
    figure = withheld("dBFS", why)
    return Noise(figure, figure, figure, False, figure)
