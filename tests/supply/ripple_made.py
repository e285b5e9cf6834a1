"""Captures of ripple made without a simulator, by the supply model, for tests that have no time."""

from __future__ import annotations

import numpy as np

from refettle.supply.rectifier import Diode, Load, Rectifier, Reservoir, Source, Steady, steady_state
from tests.support.spice import Floats, digitised

STEP = 80e-6
DIODE = Diode(saturation=2.55e-9, emission=1.75, ohm=0.042)


def supply(
    farad: float = 2200e-6,
    esr: float = 0.8,
    amps: float = 0.6,
    *,
    rectifier: Rectifier = "bridge",
    mains_hz: float = 50.0,
    volts: float = 9.0,
    ohm: float = 0.6,
    dead_diode: bool = False,
    harmonics: tuple[tuple[int, float, float], ...] = ((3, 0.02, 1.0), (5, 0.02, 2.0)),
) -> Steady:
    """One supply; by default a bridge at 9 V rms whose 4700 µF are worn to 2200 µF and 0.8 ohm."""
    source = Source(volts * 2.0**0.5, ohm, harmonics)
    load = Load("current", amps)
    return steady_state(
        source, rectifier, Reservoir(farad, esr), load, mains_hz, diode=DIODE, dead_diode=dead_diode, steps=2048
    )


def sampled(wave: Floats, mains_hz: float, periods: float = 5.0, step: float = STEP, phase: float = 0.3) -> Floats:
    """A periodic waveform at even instants; `phase` of a period at the first."""
    turn = np.arange(round(periods / mains_hz / step)) * step * mains_hz + phase
    return np.asarray(np.interp(turn % 1.0, np.arange(len(wave) + 1) / len(wave), np.append(wave, wave[0])))


def rail(steady: Steady, mains_hz: float = 50.0, *, seed: int = 1, periods: float = 5.0) -> Floats:
    """The rail as a cheap oscilloscope saves it: 8 bits, noise of one step."""
    return digitised(sampled(steady.volt, mains_hz, periods), np.random.default_rng(seed))[0]
