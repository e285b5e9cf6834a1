"""The forward model of the ripple fit: its derivatives, and agreement with the supply model, which is written apart."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from refettle.supply.rectifier import THERMAL_VOLT, Rectifier
from refettle.supply.ripple_model import CIRCUIT, POINTS, Floats, NoSteadyStateError, solve, spectrum
from tests.supply.ripple_made import DIODE, supply


def parameters(
    farad: float = 2200e-6, tau: float = 5e-4, ohm: float = 0.6, peak: float = 12.7, amps: float = 0.6, drops: int = 2
) -> Floats:
    x = np.zeros(len(CIRCUIT))
    x[:8] = [
        np.log(farad), tau, np.log(ohm), np.log(peak), np.log(drops * 1.75 * THERMAL_VOLT), np.log(amps), 0.0, 1.0,
    ]  # fmt: skip
    return x


@pytest.mark.parametrize(("rectifier", "drops"), [("half", 1), ("full", 1), ("bridge", 2)])
def test_the_same_rail_as_the_supply_model(rectifier: Rectifier, drops: int) -> None:
    steady = supply(1500e-6, 0.3, rectifier=rectifier, harmonics=((3, 0.03, 1.0),))
    x = parameters(1500e-6, 1500e-6 * 0.3, 0.6 + drops * float(np.asarray(DIODE.ohm)), 9.0 * 2.0**0.5, drops=drops)
    x[8:10] = 0.03 * np.sin(1.0), 0.03 * np.cos(1.0)
    found = solve(x, "half" if rectifier == "half" else "full", 50.0)
    assert np.abs(found.rail - steady.volt[:: 2048 // POINTS]).max() < 2e-3 * steady.ripple
    assert found.capacitor.mean() == pytest.approx(0.0, abs=1e-6)


@settings(max_examples=25, deadline=None)
@given(
    ln_c=st.floats(np.log(200e-6), np.log(20e-3)),
    tau=st.floats(0.0, 3e-3),
    ohm=st.floats(0.1, 3.0),
    load=st.floats(0.05, 1.0),
    slope=st.floats(-0.5, 1.0),
    uneven=st.floats(0.9, 1.1),
    harmonic=st.floats(-0.03, 0.03),
    half=st.booleans(),
)
def test_derivatives(
    ln_c: float, tau: float, ohm: float, load: float, slope: float, uneven: float, harmonic: float, half: bool
) -> None:
    x = parameters(np.exp(ln_c), tau, ohm, amps=load)
    x[6:9] = slope, uneven, harmonic
    wave = "half" if half else "full"
    try:
        found = solve(x, wave, 50.0, level=10.0)
    except NoSteadyStateError:
        return  # the load is more than the supply gives
    for n, name in enumerate(CIRCUIT):
        move = np.zeros(len(x))
        move[n] = 1e-8 if name == "tau" else 1e-5
        try:
            up = solve(x + move, wave, 50.0, found.rail, level=10.0)
            down = solve(x - move, wave, 50.0, found.rail, level=10.0)
        except NoSteadyStateError:
            continue
        by = (up.rail - down.rail) / (2.0 * move[n])
        assert np.abs(by - found.by[n]).max() <= 2e-3 * np.abs(found.by[n]).max() + 1e-4, name
        drawn_by = (up.drawn - down.drawn) / (2.0 * move[n])
        assert abs(drawn_by - found.drawn_by[n]) <= 2e-3 * abs(found.drawn_by[n]) + 1e-4, name


def test_a_supply_that_cannot_be_is_said() -> None:
    with pytest.raises(NoSteadyStateError):
        solve(np.full(len(CIRCUIT), np.nan), "full", 50.0)


def test_lines_of_a_wave() -> None:
    turn = 2.0 * np.pi * np.arange(64) / 64
    lines = spectrum(3.0 + 2.0 * np.cos(turn - 0.4), 3)
    assert lines == pytest.approx([3.0, 2.0 * np.exp(-0.4j), 0.0, 0.0], abs=1e-12)
