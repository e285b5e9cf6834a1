"""Weighting curves and meters: A (IEC 61672-1), ITU-R BS.468-4 with its quasi-peak meter, flutter (AES6-2008).

A: the poles of IEC 61672-1 (from memory; they meet its table within 0.05 dB at the exact third-octave frequencies).
BS.468: the response of the network in the Recommendation's figure 1a as a ratio of polynomials in frequency; it meets
Table 1 within 0.05 dB. Its quasi-peak meter is given by tone bursts only; here two charging circuits in a row, with
rates fitted to those bursts (see `QuasiPeak`). Flutter: the table of AES6-2008 = IEC 60386, straight in log frequency.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import pi, sqrt

import numpy as np

from refettle.sound.figures import Array, Complex

A_POLES = (20.598997, 107.65265, 737.86223, 12194.217)
"""[Hz] Double, single, single, double."""
LOOP = 65_536
"""Samples turned into a list at a time: lists take four times the memory of arrays."""
FLUTTER_TABLE = (
    (0.1, -48.0), (0.2, -30.6), (0.315, -19.7), (0.4, -15.0), (0.63, -8.4), (0.8, -6.0), (1.0, -4.2), (1.6, -1.8),
    (2.0, -0.9), (4.0, 0.0), (6.3, -0.9), (10.0, -2.1), (20.0, -5.9), (40.0, -10.4), (63.0, -14.2), (100.0, -17.3),
    (200.0, -23.0),
)  # fmt: skip
"""[Hz], [dB]"""


def _a_gain(hertz: Array) -> Array:
    square = hertz * hertz
    low, second, third, high = (pole * pole for pole in A_POLES)
    top = high * square * square
    return np.asarray(top / ((square + low) * np.sqrt((square + second) * (square + third)) * (square + high)))


def a_weighting(hertz: Array) -> Array:
    """Gain (not dB) of the A weighting, 1 at 1 kHz. `hertz` [Hz] 0 and above."""
    return _a_gain(np.asarray(hertz, dtype=np.float64)) / float(_a_gain(np.array([1000.0]))[0])


def itu468_response(hertz: Array) -> Complex:
    """Complex gain of the BS.468-4 network, of magnitude 1 at 1 kHz. `hertz` [Hz] 0 and above."""
    f = np.asarray(hertz, dtype=np.float64)
    f2 = f * f
    even = ((-4.737338981378384e-24 * f2 + 2.043828333606125e-15) * f2 - 1.363894795463638e-7) * f2 + 1.0
    odd = f * ((1.306612257412824e-19 * f2 - 2.118150887518656e-11) * f2 + 5.559488023498642e-4)
    gain = 10.0 ** (18.246 / 20.0) * 1.246332637532143e-4
    return np.asarray(1j * gain * f / (even + 1j * odd))


def itu468_weighting(hertz: Array) -> Array:
    """Gain (not dB) of the BS.468-4 weighting, 1 at 1 kHz and 12.5 kHz."""
    return np.asarray(np.abs(itu468_response(hertz)))


def flutter_weighting(hertz: Array) -> Array:
    """Gain (not dB) of the flutter weighting, 1 at 4 Hz. Outside the table it goes on at its last slope; 0 at 0 Hz."""
    f = np.asarray(hertz, dtype=np.float64)
    at, level = np.log([row[0] for row in FLUTTER_TABLE]), np.array([row[1] for row in FLUTTER_TABLE])
    out = np.zeros(f.shape)
    above = f > 0
    x = np.log(f[above])
    y = np.interp(x, at, level)
    y = np.where(x < at[0], level[0] + (x - at[0]) * (level[1] - level[0]) / (at[1] - at[0]), y)
    y = np.where(x > at[-1], level[-1] + (x - at[-1]) * (level[-1] - level[-2]) / (at[-1] - at[-2]), y)
    out[above] = 10.0 ** (y / 20.0)
    return out


@dataclass(frozen=True, slots=True)
class QuasiPeak:
    """Rates [1/s] of a meter with two charging circuits in a row, each charging fast and leaking slowly.

    Fitted here to the burst tests of BS.468-4 (single bursts of 5 kHz of 1 to 200 ms, 5 ms bursts 2, 10 and 100 times
    a second; the figures from memory): within 2 % of a reading for single bursts and 3 % for repeated ones, where the
    Recommendation leaves 7 to 25 %.
    """

    charge: float = 686.0
    leak: float = 3.83
    second_charge: float = 5.55
    second_leak: float = 1.94

    def track(self, samples: Array, rate: int) -> Array:
        """The pointer after each sample, before calibration. A plain loop: 0.15 s for a million samples."""
        charge, leak = self.charge / rate, 1.0 - self.leak / rate
        second, second_leak = self.second_charge / rate, 1.0 - self.second_leak / rate
        first = pointer = 0.0
        out = np.empty(len(samples))
        for start in range(0, len(samples), LOOP):
            shown = []
            for value in np.abs(samples[start : start + LOOP]).tolist():
                first *= leak
                if value > first:
                    first += charge * (value - first)
                pointer *= second_leak
                if first > pointer:
                    pointer += second * (first - pointer)
                shown.append(pointer)
            out[start : start + len(shown)] = shown
        return out

    def read(self, samples: Array, rate: int) -> Array:
        """The pointer as the RMS of a steady sine that would give it."""
        return self.track(samples, rate) * (sqrt(0.5) / self._of_sine(rate))

    def _of_sine(self, rate: int) -> float:
        """Where a steady 1 kHz sine of amplitude 1 holds the pointer."""
        time = np.arange(int(2.5 * rate)) / rate
        return float(self.track(np.sin(2.0 * pi * 1000.0 * time), rate)[-rate // 10 :].mean())


def power_density(samples: Array, rate: int, seconds: float = 1.0) -> tuple[Array, Array]:
    """Frequencies [Hz] and one-sided power density [1/Hz], Hann pieces of `seconds`, half overlapped, averaged."""
    n = min(len(samples), max(64, int(seconds * rate)))
    window = np.hanning(n + 1)[:-1]
    total = np.zeros(n // 2 + 1)
    starts = range(0, len(samples) - n + 1, max(1, n // 2))
    for start in starts:
        piece = samples[start : start + n]
        spectrum = np.fft.rfft((piece - piece.mean()) * window)
        total += spectrum.real**2 + spectrum.imag**2
    density = total * (2.0 / (len(starts) * rate * float((window**2).sum())))
    density[0] *= 0.5
    return np.asarray(np.fft.rfftfreq(n, 1.0 / rate), dtype=np.float64), density


def filtered(samples: Array, rate: int, response: Complex) -> Array:
    """Samples through a filter given on the frequencies of `padded_frequencies`; its run-out is cut off."""
    n = len(samples)
    padded = padded_length(n, rate)
    return np.asarray(np.fft.irfft(np.fft.rfft(samples, padded) * response, padded)[:n])


def padded_length(n: int, rate: int) -> int:
    """Length of a transform over `n` samples with room for a run-out of at least 0.1 s, of small prime factors."""
    least = n + rate // 10
    best = 1 << (least - 1).bit_length()
    for three in (1, 3, 9, 27):
        for five in (1, 5, 25):
            base = three * five
            two = max(0, (-(-least // base) - 1).bit_length())
            best = min(best, base << two)
    return best
