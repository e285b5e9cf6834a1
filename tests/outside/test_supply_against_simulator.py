"""Supplies at random against a general circuit simulator: mean within 1 %, ripple within 2 %.

The simulator is ngspice: it marches through the start-up with its own diodes and its own integrator. Both are given the
same diode parameters, so that what is tested is the working out and not the physics.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from refettle.supply.rectifier import LOAD_KINDS, RECTIFIERS, Diode, Load, Reservoir, Source, Steady, steady_state
from tests.support.spice import Circuit, available, simulate

pytestmark = [pytest.mark.slow, pytest.mark.skipif(not available(), reason="ngspice is not installed")]
COUNT = 108


def even(rng: np.random.Generator, low: float, high: float) -> float:
    """Evenly spread in the logarithm."""
    return float(np.exp(rng.uniform(math.log(low), math.log(high))))


def supplies() -> list[Circuit]:
    """Every rectifier, mains frequency and load in turn; every second reservoir is aged, every third diode another."""
    rng = np.random.default_rng(1983)
    found = []
    for number in range(COUNT):
        rectifier, kind = RECTIFIERS[number % 3], LOAD_KINDS[number // 3 % 3]
        hertz = (50.0, 60.0)[number // 9 % 2]
        peak, ampere = even(rng, 8, 45), even(rng, 0.05, 1.5)
        ohm = even(rng, 0.03, 0.15) * peak / ampere
        # As built: the sag between two pulses is a twentieth to a third of the peak.
        per_second = hertz * (1 if rectifier == "half" else 2)
        farad = ampere / (per_second * even(rng, 0.05, 0.3) * peak)
        esr = 0.12 / (2 * math.pi * 120 * farad)
        if number % 2:
            farad, esr = farad * rng.uniform(0.3, 0.8), esr * even(rng, 2, 15)
        esr = min(esr, 0.15 * peak / ampere)
        # Half of the power for half a wave: beyond, the rail breaks down, and how depends on how a load gives up.
        watt = (0.25 if rectifier == "half" else 0.5) * peak * ampere
        value = {"current": ampere, "resistance": 0.8 * peak / ampere, "power": watt}[kind]
        diode = [(76.9e-12, 1.45, 0.042), (14.11e-9, 1.984, 0.034), (2e-6, 1.05, 0.05)][number % 7 % 3]
        found.append(Circuit(rectifier, peak, hertz, ohm, farad, esr, value, kind, *diode))
    return found


def ours(c: Circuit) -> Steady:
    diode = Diode(c.diode_is, c.diode_n, c.diode_rs)
    load = Load(c.load_kind, c.load)
    return steady_state(
        Source(c.peak, c.rs, c.harmonics), c.wiring, Reservoir(c.farad, c.esr), load, c.hertz, diode=diode
    )


def test_random_supplies() -> None:
    circuits = supplies()
    rows = []
    for circuit, trace in zip(circuits, simulate(circuits), strict=True):
        steady = ours(circuit)
        rms = float(np.sqrt(np.mean(trace.capacitor_current**2)))
        rows.append((steady.mean / trace.mean - 1, steady.ripple / trace.ripple - 1, steady.capacitor_rms / rms - 1))
    mean, ripple, rms = np.abs(np.array(rows)).T
    print(f"\n{len(rows)} supplies, off at most: mean {mean.max():.3%}, ripple {ripple.max():.3%}, rms {rms.max():.3%}")
    assert len(rows) >= 100
    assert mean.max() < 0.01
    assert ripple.max() < 0.02
    assert rms.max() < 0.02


def test_reservoirs_worn_to_almost_nothing() -> None:
    """3 to 30 % of the capacitance, 5 to 60 times the ESR: rails that touch 0 V among them."""
    rng = np.random.default_rng(77)
    circuits = []
    for number in range(24):
        kind = ("current", "resistance")[number // 3 % 2]
        peak, ampere = even(rng, 8, 45), even(rng, 0.05, 1.5)
        built = ampere / (100.0 * even(rng, 0.1, 0.3) * peak)
        esr = min(0.12 / (2 * math.pi * 120 * built) * even(rng, 5, 60), 0.4 * peak / ampere)
        ohm, farad = even(rng, 0.02, 0.15) * peak / ampere, max(built * even(rng, 0.03, 0.3), 2e-6)
        value = {"current": ampere, "resistance": 0.8 * peak / ampere}[kind]
        circuits.append(
            Circuit(RECTIFIERS[number % 3], peak, 50.0, ohm, farad, esr, value, kind, 76.9e-12, 1.45, 0.042)
        )
    for circuit, trace in zip(circuits, simulate(circuits), strict=True):
        steady = ours(circuit)
        assert steady.mean == pytest.approx(trace.mean, rel=0.01), circuit
        assert steady.ripple == pytest.approx(trace.ripple, rel=0.02), circuit


def test_distorted_mains_and_dead_diodes() -> None:
    bent = ((3, 0.03, 0.5), (5, 0.02, 2.0))
    circuits = [
        Circuit("bridge", 17.0, 50.0, 0.8, 2200e-6, 0.1, 0.7, harmonics=bent),
        Circuit("full", 17.0, 60.0, 0.8, 1500e-6, 0.6, 0.7, harmonics=bent),
        Circuit("half", 17.0, 50.0, 0.8, 2200e-6, 0.1, 0.3, harmonics=bent),
        Circuit("bridge", 17.0, 50.0, 0.8, 2200e-6, 0.1, 0.5, open_diodes=1),
        Circuit("full", 17.0, 50.0, 0.8, 2200e-6, 0.1, 0.5, open_diodes=1),
    ]
    for circuit, trace in zip(circuits, simulate(circuits), strict=True):
        steady = steady_state(
            Source(circuit.peak, circuit.rs, circuit.harmonics),
            circuit.wiring,
            Reservoir(circuit.farad, circuit.esr),
            Load(circuit.load_kind, circuit.load),
            circuit.hertz,
            diode=Diode(circuit.diode_is, circuit.diode_n, circuit.diode_rs),
            dead_diode=circuit.open_diodes > 0,
        )
        assert steady.mean == pytest.approx(trace.mean, rel=0.01), circuit
        assert steady.ripple == pytest.approx(trace.ripple, rel=0.02), circuit
