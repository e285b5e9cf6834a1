"""Hum: the lines at multiples of the mains frequency, which is estimated and never taken as 50.000 Hz.

The sound is thinned out to about 4 kHz. For 50 and 60 Hz the strongest peak near each multiple is set against the
median around it; the base whose lines stand out more is the mains, unless only lines that both share are there. The
mains frequency is the mean of peak / multiple, weighted by how well each tells it. The level of a line is that of
its cell; where the mains wanders (by up to 0.05 %) the power in a narrow band, less the noise.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import gcd, log, log10, sqrt

import numpy as np

from refettle.language import tr
from refettle.sound.figures import Array, Figure, SoundError, decibel, withheld
from refettle.sound.weighting import a_weighting

BASES = (50.0, 60.0)
MOST_LINES = 20
LEAST_SECONDS = 2.0
"""[s] Below this, 50 and 60 Hz and their neighbours cannot be told apart with any certainty."""
THRESHOLD = 12.0
"""[dB] A line stands this far above the mean noise of its neighbourhood: none in 160 files of pure noise."""
SPREAD = 0.004
"""Share by which the mains may be off."""
WANDER = 0.0005
AROUND = 12.0
"""[Hz] either side, for the noise beside a line."""
THIN_RATE = 4000
ROUNDING = 6.0
"""[dB] A line this far below all the rounding of the recorder's bits is not counted: a clean tone, rounded, has lines
of its own up to 10 dB below it, on multiples of the mains as well (measured on generated tones)."""
FLOATING_BITS = 24
LOWEST_SURE = 3
"""Where something plays, a line at this multiple or below must be among them."""


@dataclass(frozen=True, slots=True)
class HumLine:
    """One line: `multiple` of the mains, `hertz`, `level` [dBFS], `excess` [dB] above the noise in 1 Hz beside it."""

    multiple: int
    hertz: float
    level: Figure
    excess: float


@dataclass(frozen=True, slots=True)
class Hum:
    """Hum of one channel.

    Attributes
    ----------
    base : int
        50 or 60; 0 where no line was found or both fit.
    mains : Figure
        [Hz] as estimated.
    lines : tuple of HumLine
        In order of frequency.
    level, weighted : Figure
        [dBFS] all lines together, and the same A-weighted, which is nearer to what is heard.
    problem : str
        Why the base is not certain, or that it is another one than asked for.
    hidden : float, optional
        [dBFS] where no line was found: one below would not have been seen.
    """

    base: int
    mains: Figure
    lines: tuple[HumLine, ...]
    level: Figure
    weighted: Figure
    problem: str = ""
    hidden: float | None = None


def read_hum(
    samples: Array,
    rate: int,
    mains_hz: float | None = None,
    tone_hz: float | None = None,
    pause: bool = True,
    bits: int = 0,
) -> Hum:
    """Find the hum in one channel.

    Parameters
    ----------
    samples : (n,) array of full scale 1
    rate : int
        [Hz]
    mains_hz : 50 or 60, optional
        If known; by default the better fit.
    tone_hz : float, optional
        [Hz] of a tone that plays: it and its harmonics are no hum.
    pause : bool
        Nothing plays. False: a note of music can lie on a high multiple, so one of the first three must be there.
    bits : int
        Of the recording; 0: floating point. Lines lost in their rounding are not counted.

    Raises
    ------
    SoundError
        A mains frequency other than 50 or 60.
    """
    if mains_hz is not None and mains_hz not in BASES:
        raise SoundError(tr("mains frequency: {mains_hz:g} Hz found; allowed: 50 or 60", mains_hz=mains_hz))
    seconds = len(samples) / rate
    if seconds < LEAST_SECONDS:
        why = tr("{seconds:.1f} s is too short to tell 50 from 60 Hz; record 2 s or more, best 10", seconds=seconds)
        return _none(why, why)
    if not samples.any():
        return _none(tr("digital silence: the recorder was muted, or nothing was plugged in"))
    spectrum = _Spectrum(samples, rate, tone_hz, least_line(bits))
    found = {base: _agreeing(spectrum, spectrum.peaks(base), base, pause) for base in BASES}
    scores = {base: _score(peaks, base) for base, peaks in found.items()}
    best = max(BASES, key=lambda base: scores[base])
    other = BASES[0] if best == BASES[1] else BASES[1]
    problem = ""
    base = best if mains_hz is None else mains_hz
    if mains_hz is not None and best != mains_hz and scores[best] > 2.0 * scores[mains_hz] + THRESHOLD:
        base = best
        problem = tr(
            "asked for {mains_hz:g} Hz, but the lines are multiples of {best:g} Hz: {best:g} Hz was read",
            mains_hz=mains_hz,
            best=best,
        )
    elif mains_hz is None and scores[best] == 0.0 and any(found.values()):
        problem = tr("only lines that multiples of 50 and of 60 Hz share: give the mains frequency")
        return _nothing(spectrum, problem)
    elif mains_hz is None and scores[other] > 0.5 * scores[best] > 0.0:
        problem = tr(
            "lines of {other:g} Hz as well: another source, or the picture's field rate beside the mains", other=other
        )
    peaks = found[base]
    if not peaks:
        return _nothing(spectrum, problem)
    return _measured(spectrum, base, peaks, problem)


@dataclass(frozen=True, slots=True)
class _Peak:
    multiple: int
    hertz: float
    excess: float
    """[dB] above the mean noise in its cell."""


class _Spectrum:
    """Hann spectrum of the thinned sound, zero-padded four times."""

    def __init__(self, samples: Array, rate: int, tone: float | None, least: float) -> None:
        self.tone, self.least = tone, least
        thinned, self.rate = thin(samples - samples.mean(), rate)
        self.n = len(thinned)
        self.seconds = self.n / self.rate
        window = np.hanning(self.n + 1)[:-1]
        self.padded = 1 << (4 * self.n - 1).bit_length()
        spectrum = np.fft.rfft(thinned * window, self.padded)
        self.step = self.rate / self.padded
        self.density = (spectrum.real**2 + spectrum.imag**2) * (2.0 / (self.rate * float((window**2).sum())))
        self.cell = 1.5 / self.seconds
        """[Hz] noise bandwidth of a Hann cell."""

    def band(self, low: float, high: float) -> slice:
        """Cells from `low` to `high` [Hz]."""
        return slice(max(1, round(low / self.step)), max(2, round(high / self.step) + 1))

    def noise(self, hertz: float, spare: float) -> float:
        """[1/Hz] mean noise density within `AROUND` of `hertz`, `spare` [Hz] either side of it left out."""
        low, high = max(2.0 * self.cell, hertz - AROUND), hertz + AROUND
        below = self.density[self.band(low, hertz - spare)] if hertz - spare > low else np.empty(0)
        beside = np.concatenate([below, self.density[self.band(hertz + spare, high)]])
        return max(float(np.median(beside)) / log(2.0), 1e-30)

    def peaks(self, base: float) -> tuple[_Peak, ...]:
        """Peaks near the multiples of `base` that stand out."""
        found = []
        for multiple in range(1, MOST_LINES + 1):
            near = multiple * base
            if near + AROUND > 0.45 * self.rate:
                break
            reach = min(5.0, max(SPREAD * near, 2.0 / self.seconds))
            cells = self.band(near - reach, near + reach)
            at = cells.start + int(np.argmax(self.density[cells]))
            if at in (cells.start, cells.stop - 1):
                continue
            hertz = self._between(at)
            if self._is_tone(hertz):
                continue
            excess = 10.0 * log10(float(self.density[at]) / self.noise(hertz, reach + 2.0 * self.cell))
            if excess >= THRESHOLD and decibel(float(self.density[at]) * self.cell) >= self.least:
                found.append(_Peak(multiple, hertz, excess))
        return tuple(found)

    def _between(self, at: int) -> float:
        """[Hz] the top of a peak, between cells."""
        a, b, c = np.log(self.density[at - 1 : at + 2] + 1e-300)
        return float((at + 0.5 * (a - c) / (a - 2.0 * b + c)) * self.step if a - 2.0 * b + c < 0 else at * self.step)

    def _is_tone(self, hertz: float) -> bool:
        """A harmonic of the tone that plays."""
        if self.tone is None or hertz < 0.99 * self.tone:
            return False
        return abs(hertz - round(hertz / self.tone) * self.tone) < 3.0 * self.cell + 1e-3 * hertz


def least_line(bits: int) -> float:
    """[dBFS] The lowest line that is counted in a recording of so many bits."""
    step = 2.0 ** (1 - (bits or FLOATING_BITS))
    return decibel(step * step / 12.0) - ROUNDING


def thin(samples: Array, rate: int) -> tuple[Array, float]:
    """Low-pass and keep every q-th sample, so that about 4 kHz are left; flat to 1.3 kHz. The new rate is given."""
    q = int(rate // THIN_RATE)
    if q < 2:
        return samples, float(rate)
    from scipy.signal import firwin, upfirdn

    taps = firwin(int(5.0 * rate / 1300.0) | 1, 2000.0, window=("kaiser", 8.0), fs=rate)
    out = upfirdn(taps, samples, 1, q)
    # What the filter draws in and out at the ends is left off.
    edge = len(taps) // q
    return np.asarray(out[edge : len(out) - edge]), rate / q


def _agreeing(spectrum: _Spectrum, peaks: tuple[_Peak, ...], base: float, pause: bool) -> tuple[_Peak, ...]:
    """The peaks that are multiples of one frequency: of all the sets that agree with one of them the strongest."""
    best: tuple[_Peak, ...] = ()
    for anchor in peaks:
        if not pause and anchor.multiple > LOWEST_SURE:
            break
        mains = anchor.hertz / anchor.multiple
        agree = tuple(
            each
            for each in peaks
            if abs(each.hertz - each.multiple * mains) <= 2.5 / spectrum.seconds + WANDER * each.hertz
        )
        if (_score(agree, base), len(agree)) > (_score(best, base), len(best)):
            best = agree
    return best


def _score(peaks: tuple[_Peak, ...], base: float) -> float:
    """[dB] how far the lines stand out that only this base can have."""
    shared = 300 // gcd(int(base), 300) if base == 50.0 else 5
    return sum(peak.excess - 9.0 for peak in peaks if peak.multiple % shared)


def _none(why: str, problem: str = "") -> Hum:
    return Hum(0, withheld("Hz", why), (), withheld("dBFS", why), withheld("dBFS", why), problem)


def _nothing(spectrum: _Spectrum, problem: str) -> Hum:
    """No line: how much hum could hide in the noise at 50 to 240 Hz."""
    hidden = max(spectrum.noise(hertz, 0.0) for hertz in (50.0, 60.0, 100.0, 120.0))
    limit = max(decibel(hidden * spectrum.cell) + THRESHOLD, spectrum.least)
    why = problem or f"no line of the mains found; a line below {limit:.0f} dBFS would not be seen".replace("-", "−")
    return replace(_none(why, problem), hidden=None if problem else limit)


def _measured(spectrum: _Spectrum, base: float, peaks: tuple[_Peak, ...], problem: str) -> Hum:
    mains, spread = _mains(spectrum, peaks)
    lines = []
    total = weighted = variance = weighted_variance = 0.0
    for peak in peaks:
        hertz = peak.multiple * mains
        half = 2.5 / spectrum.seconds + WANDER * hertz
        if abs(peak.hertz - hertz) > half:
            continue  # near a multiple, but no multiple
        noise = spectrum.noise(hertz, half + 2.0 * spectrum.cell)
        cells = spectrum.band(hertz - half, hertz + half)
        steady = float(spectrum.density[round(hertz / spectrum.step)] - noise) * spectrum.cell
        power = float(spectrum.density[cells].sum()) * spectrum.step - noise * 2.0 * half
        if power < steady + 3.0 * sqrt(2.0 * max(steady, 0.0) * noise * spectrum.cell):
            power = steady  # no wandering to be seen: the cell alone tells it with less noise
        if power <= 0.0:
            continue
        sd = 8.686 * sqrt(noise * spectrum.cell / (2.0 * power) + (noise / power) ** 2 * 2.0 * half * spectrum.cell)
        lines.append(
            HumLine(
                peak.multiple,
                hertz,
                Figure(decibel(power), "dBFS", 2.0 * sd + 0.05),
                10.0 * log10(power / noise),
            )
        )
        total += power
        heard = power * float(a_weighting(np.array([hertz]))[0]) ** 2
        weighted += heard
        variance += (power * sd) ** 2
        weighted_variance += (heard * sd) ** 2
    if not lines:
        return _nothing(spectrum, problem)
    plus_minus = 2.0 * sqrt(variance) / total + 0.05
    return Hum(
        int(base),
        Figure(mains, "Hz", spread),
        tuple(lines),
        Figure(decibel(total), "dBFS", plus_minus),
        Figure(decibel(weighted), "dBFS", 2.0 * sqrt(weighted_variance) / weighted + 0.05),
        problem,
    )


def _mains(spectrum: _Spectrum, peaks: tuple[_Peak, ...]) -> tuple[float, float]:
    """[Hz] Mains frequency from all peaks that agree with the one that tells it best, and its 95 % uncertainty."""
    told = np.array([peak.hertz / peak.multiple for peak in peaks])
    # A line of power P in noise density N over T seconds: sd = sqrt(3 N / (2 P T)) / (pi T), twice that for the window.
    ratio = np.array([10.0 ** (peak.excess / 10.0) for peak in peaks])
    sd = np.array([2.0 * sqrt(1.5 / (r * 1.5)) / (3.1416 * spectrum.seconds) for r in ratio])
    sd = sd / np.array([peak.multiple for peak in peaks])
    best = told[int(np.argmin(sd))]
    agree = np.abs(told - best) <= 4.0 * sd + 4.0 * sd.min() + 1e-4 * best
    weight = 1.0 / (sd[agree] ** 2 + (2e-5 * best) ** 2)
    mean = float((told[agree] * weight).sum() / weight.sum())
    return mean, 2.0 / sqrt(float(weight.sum())) + 0.001
