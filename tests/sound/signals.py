"""Signals whose figures are known by arithmetic."""

from __future__ import annotations

from collections.abc import Sequence
from math import pi, sqrt

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]


def times(seconds: float, rate: int) -> Array:
    """[s] of each sample."""
    return np.arange(round(seconds * rate)) / rate


def sine(level: float, hertz: float, time: Array, phase: float = 0.3) -> Array:
    """A sine of `level` [dBFS]."""
    return np.asarray(10.0 ** (level / 20.0) * np.sin(2.0 * pi * hertz * time + phase))


def noise(level: float, time: Array, seed: int = 1) -> Array:
    """White noise of `level` [dBFS] over the whole band."""
    size = 10.0 ** (level / 20.0) * sqrt(0.5)
    return np.asarray(size * np.random.default_rng(seed).standard_normal(len(time)))


def tape(
    seconds: float,
    rate: int,
    flutter: Sequence[tuple[float, float]] = (),
    speed: float = 0.0,
    drift: float = 0.0,
    hertz: float = 3150.0,
    noise_db: float | None = None,
) -> Array:
    """A test tape played `speed` [%] too fast, with flutter lines of (Hz, peak %), as 16-bit samples.

    `drift` [%] from start to end; `noise_db` [dB] of the noise below the tone.
    """
    time = times(seconds, rate)
    wavers = [peak / 100.0 * (1.0 - np.cos(2.0 * pi * f * time)) / (2.0 * pi * f) for f, peak in flutter]
    moved = (1.0 + speed / 100.0) * (time + sum(wavers) + drift / 100.0 * (time * time / 2.0 / seconds - time / 2.0))
    out = 0.3 * np.sin(2.0 * pi * hertz * moved)
    if noise_db is not None:
        out = out + noise(20.0 * np.log10(0.3) - noise_db, time, 5)
    return np.asarray(np.round(out * 32767.0) / 32767.0)


def music(seconds: float, rate: int, seed: int = 4) -> Array:
    """Notes that begin sharply and die away, with a drum twice a second."""
    rng = np.random.default_rng(seed)
    out = np.zeros(round(seconds * rate))
    for begin in np.arange(0.0, seconds - 0.5, 0.25):
        at, hertz = int(begin * rate), 440.0 * 2.0 ** (rng.integers(-24, 20, 2) / 12.0)
        time = times(min(rng.uniform(0.3, 1.2), seconds - begin - 0.01), rate)
        shape = 0.05 * np.exp(-3.0 * time) * np.minimum(1.0, time / 0.01)
        for note in hertz:
            out[at : at + len(time)] += shape * sum(np.sin(2 * pi * note * k * time) / k for k in range(1, 7))
        if round(4 * begin) % 2 == 0:
            drum = np.exp(-times(0.08, rate) * 60.0)
            out[at : at + len(drum)] += 0.05 * drum * rng.standard_normal(len(drum))
    return out
