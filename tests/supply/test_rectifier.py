"""The steady state of a rectified supply: laws it must obey whatever the values."""

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from refettle.supply.rectifier import (
    LOAD_KINDS,
    RECTIFIERS,
    Diode,
    Load,
    Rectifier,
    Reservoir,
    Source,
    Steady,
    ac_coupled,
    steady_state,
)
from refettle.supply.values import SupplyError

HERTZ = 50.0


def shape_of(low: float, high: float) -> st.SearchStrategy[float]:
    return st.floats(np.log(low), np.log(high)).map(lambda x: float(np.exp(x)))


supplies = st.fixed_dictionaries(
    {
        "volt": shape_of(6, 60),
        "ohm": shape_of(0.1, 5),
        "rectifier": st.sampled_from(RECTIFIERS),
        "farad": shape_of(47e-6, 10e-3),
        "esr": shape_of(0.005, 5),
        "kind": st.sampled_from(LOAD_KINDS),
        "part": shape_of(0.002, 0.2),
        "third": st.floats(0, 0.05),
    }
)


def run(supply: dict, **others) -> Steady:
    volt, ohm = supply["volt"], supply["ohm"]
    ampere = supply["part"] * volt / (ohm + 0.5)
    value = {"current": ampere, "resistance": volt / ampere, "power": 0.3 * ampere * volt}[supply["kind"]]
    try:
        return settled(supply, value, others)
    except SupplyError as error:
        # Only a constant power can be more than a supply holds up.
        if supply["kind"] == "power" and "hold up" in str(error):
            assume(False)
        raise


def settled(supply: dict, value: float, others: dict) -> Steady:
    return steady_state(
        Source(supply["volt"], supply["ohm"], ((3, supply["third"], 0.4),)),
        supply["rectifier"],
        Reservoir(supply["farad"], supply["esr"]),
        Load(supply["kind"], value),
        HERTZ,
        **others,
    )


@settings(max_examples=60, deadline=None)
@given(supplies)
def test_charge_and_energy_are_kept(supply: dict) -> None:
    steady = run(supply)
    assert np.mean(steady.capacitor) == pytest.approx(0, abs=1e-5 * supply["volt"] / supply["ohm"])
    assert np.allclose(steady.rectifier, steady.capacitor + steady.load)
    # What the source gives is lost in resistance, diodes and ESR, or goes to the load.
    lost = supply["ohm"] * np.mean(steady.rectifier**2) + steady.heat + supply["esr"] * steady.capacitor_rms**2
    used = np.mean(steady.volt * steady.load)
    angle = 2 * np.pi * HERTZ * steady.time
    drive = supply["volt"] * (np.sin(angle) + supply["third"] * np.sin(3 * angle + 0.4))
    given_ = np.mean(steady.rectifier * (drive if supply["rectifier"] == "half" else np.abs(drive)))
    assert given_ == pytest.approx(lost + used, rel=0.01)


@settings(max_examples=25, deadline=None)
@given(supplies)
def test_finer_steps_change_little(supply: dict) -> None:
    coarse, fine = run(supply), run(supply, steps=4096)
    assert coarse.mean == pytest.approx(fine.mean, rel=2e-3)
    assert coarse.ripple == pytest.approx(fine.ripple, rel=8e-3, abs=2e-4 * supply["volt"])


def test_variants_together_are_each_alone() -> None:
    volts, farads = np.array([9.0, 12.0, 20.0]), np.array([4700e-6, 1000e-6, 100e-6])
    together = steady_state(Source(volts, 0.6), "bridge", Reservoir(farads, 0.1), Load("current", 0.8), HERTZ)
    assert together.volt.shape == (3, 512)
    for n in range(3):
        alone = steady_state(Source(volts[n], 0.6), "bridge", Reservoir(farads[n], 0.1), Load("current", 0.8), HERTZ)
        assert together.volt[n] == pytest.approx(alone.volt, abs=1e-6)
        assert together.winding_rms[n] == pytest.approx(float(alone.winding_rms))


@pytest.mark.parametrize("rectifier", ["full", "bridge"])
def test_a_dead_diode_halves_the_ripple_frequency(rectifier: Rectifier) -> None:
    parts = (Source(12.0, 0.5), rectifier, Reservoir(2200e-6, 0.05), Load("current", 0.5), HERTZ)
    sound, dead = (steady_state(*parts, dead_diode=each) for each in (False, True))
    lines = [np.abs(np.fft.rfft(each.volt)) for each in (sound, dead)]
    assert lines[0][1] < 1e-6 * lines[0][2]
    assert lines[1][1] > lines[1][2]
    assert dead.ripple > 1.8 * sound.ripple


def test_a_load_too_large_brings_the_rail_down() -> None:
    down = steady_state(Source(12.0, 1.0), "bridge", Reservoir(47e-6, 4.0), Load("current", 3.0), HERTZ)
    assert down.valley < 0.5
    power = Load("power", [5.0, 8.0, 20.0])
    held = steady_state(Source(12.0, 1.0), "bridge", Reservoir(2200e-6, 0.05), power, HERTZ)
    assert np.all(held.valley[:2] > 4.0)
    assert held.peak[2] < 1.0


def test_without_load_it_charges_to_the_peak() -> None:
    for rectifier, drop in (("half", 0.6), ("bridge", 1.2)):
        idle = steady_state(Source(12.0, 1.0), rectifier, Reservoir(1000e-6, 0.1), Load("current", 0.0), HERTZ)
        assert 12.0 - drop < idle.mean < 12.0
        assert idle.ripple < 1e-3


def test_ac_coupling_takes_the_mean_and_tilts_the_rest() -> None:
    steady = steady_state(Source(12.0, 0.5), "bridge", Reservoir(2200e-6, 0.05), Load("current", 0.5), HERTZ)
    shown = ac_coupled(steady.volt, HERTZ, 5.0)
    assert np.mean(shown) == pytest.approx(0, abs=1e-9)
    assert 0.9 < np.ptp(shown) / steady.ripple < 1.0
    assert ac_coupled(steady.volt, HERTZ, 0.001) == pytest.approx(steady.volt - steady.mean, abs=1e-3)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"farad": 0.0}, "capacitance: found 0 F; allowed: from 1e-06 to 10 F"),
        ({"ohm": float("nan")}, "source resistance: found nan Ω"),
        ({"volt": -5.0}, "source voltage: found -5 V peak; allowed: above 0"),
        ({"rectifier": "quarter"}, "rectifier: found 'quarter'; allowed: half, full, bridge"),
    ],
)
def test_figures_that_no_supply_has(change: dict, message: str) -> None:
    supply = {"volt": 12.0, "ohm": 1.0, "rectifier": "half", "farad": 1e-3, "esr": 0.1, "kind": "current"}
    with pytest.raises(SupplyError, match=message):
        run({**supply, "part": 0.01, "third": 0.0, **change})


def test_variants_must_be_as_many_everywhere() -> None:
    with pytest.raises(SupplyError, match="variants: found arrays of 2, 3 values"):
        steady_state(Source([9, 12], 1), "half", Reservoir([1e-3] * 3), Load("current", 0.1), HERTZ, diode=Diode())
