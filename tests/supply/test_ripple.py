"""Ripple readings: C and ESR back from made captures, what is withheld, two channels, dead diodes."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from refettle.supply.rectifier import Rectifier, ac_coupled
from refettle.supply.ripple import read_ripple
from refettle.supply.ripple_result import RippleReading
from tests.supply.ripple_made import STEP, rail, sampled, supply
from tests.support.spice import digitised


def read(volts: object, **more: object) -> RippleReading:
    known: dict[str, object] = {"mains_hz": 50.0, "load_amps": 0.6, **more}
    return read_ripple(STEP, volts, **known)  # type: ignore[arg-type]


def holds(figure: object, true: float) -> bool:
    low, high = figure.low, figure.high  # type: ignore[attr-defined]
    return bool((low or 0.0) <= true <= high)


@pytest.mark.parametrize("rectifier", ["half", "full", "bridge"])
@pytest.mark.parametrize("mains_hz", [50.0, 60.0])
def test_an_aged_part_is_read(rectifier: Rectifier, mains_hz: float) -> None:
    volts = rail(supply(rectifier=rectifier, mains_hz=mains_hz), mains_hz)
    reading = read(volts, mains_hz=mains_hz, rectifier=rectifier)
    assert (reading.farad.how, reading.esr.how) == ("value", "value")
    assert reading.farad.value == pytest.approx(2200e-6, rel=0.03)
    assert reading.esr.value == pytest.approx(0.8, rel=0.05)
    assert holds(reading.farad, 2200e-6)
    assert holds(reading.esr, 0.8)
    assert reading.wave == ("half" if rectifier == "half" else "full")
    assert reading.diode == ("not told" if rectifier == "half" else "sound")
    assert 0.9 < reading.residual < 1.3


def test_the_textbook_formula_would_have_hidden_a_worn_part() -> None:
    reading = read(rail(supply(3000e-6, 0.05)))
    assert reading.farad.high is not None
    assert reading.farad.high < 0.7 * 4700e-6
    assert 0.6 / (2.0 * 50.0 * reading.ripple) > 0.9 * 4700e-6


def test_a_short_tau_gives_an_upper_bound_only() -> None:
    reading = read(rail(supply(2200e-6, 0.04)))
    assert (reading.esr.how, reading.esr.value, reading.esr.low) == ("at most", None, None)
    assert holds(reading.esr, 0.04)
    assert reading.farad.value == pytest.approx(2200e-6, rel=0.03)
    assert any("ESR as a value" in each for each in reading.cannot)
    assert any("second channel" in each for each in reading.instead)


@settings(max_examples=4, deadline=None)
@given(gain=st.floats(0.5, 2.0), load=st.floats(0.3, 3.0), seed=st.integers(0, 20))
def test_scales(gain: float, load: float, seed: int) -> None:
    """Volts times g and amps times l: C goes with l / g, ESR with g / l, tau stays (but for the diodes' own scale)."""
    volts = rail(supply(), seed=seed)
    one = read(volts, lsb=None)
    other = read(gain * volts, load_amps=0.6 * load)
    assert one.farad.value is not None
    assert one.esr.value is not None
    assert other.farad.value == pytest.approx(one.farad.value * load / gain, rel=0.01)
    assert other.esr.value == pytest.approx(one.esr.value * gain / load, rel=0.02)


def test_a_load_that_is_not_known() -> None:
    reading = read(rail(supply()), load_amps=None, nominal_farad=2200e-6)
    assert (reading.farad.how, reading.esr.how) == ("withheld", "withheld")
    assert reading.farad_per_amp.value == pytest.approx(2200e-6 / 0.6, rel=0.03)
    assert holds(reading.tau, 2200e-6 * 0.8)
    assert reading.loss.value == pytest.approx(2 * np.pi * 100 * 2200e-6 * 0.8, rel=0.05)
    assert reading.load.how == "indicative"
    assert holds(reading.load, 0.6)
    assert any("load current" in each for each in reading.instead)


@pytest.mark.parametrize(("told", "says"), [("bridge", "dead"), ("full", "dead"), (None, "either")])
def test_a_dead_diode(told: Rectifier | None, says: str) -> None:
    reading = read(rail(supply(dead_diode=True)), rectifier=told)
    assert (reading.wave, reading.diode) == ("half", says)
    assert reading.farad.value == pytest.approx(2200e-6, rel=0.03)


def test_a_rail_that_touches_nothing_draws_less_than_its_load() -> None:
    steady = supply(400e-6, 0.05, dead_diode=True)
    assert steady.valley < 0.1
    assert steady.load_mean < 0.95 * 0.6
    reading = read(rail(steady), load_amps=float(steady.load_mean), rectifier="bridge")
    assert reading.diode == "dead"
    assert reading.farad.value == pytest.approx(400e-6, rel=0.04)
    assert holds(reading.farad, 400e-6)


def test_said_to_be_half_wave_and_is_not() -> None:
    reading = read(rail(supply()), rectifier="half")
    assert reading.wave == "full"
    assert any("said to be half wave" in each for each in reading.doubts)


def test_ac_coupled_with_its_corner_or_not_at_all() -> None:
    steady = supply()
    seen = sampled(ac_coupled(steady.volt, 50.0, 5.0), 50.0)
    volts, _ = digitised(seen, np.random.default_rng(3))
    known = read(volts, ac_coupled_hz=5.0, dc_volts=float(steady.mean))
    unknown = read(volts, ac_coupled_hz="unknown", dc_volts=float(steady.mean))
    for reading in (known, unknown):
        assert reading.farad.value == pytest.approx(2200e-6, rel=0.05)
        assert holds(reading.farad, 2200e-6)
        assert holds(reading.esr, 0.8)
        assert reading.valley == pytest.approx(float(steady.valley), abs=0.1)
    assert any("corner" in each for each in unknown.cannot)
    blind = read(volts, ac_coupled_hz=5.0)
    assert (blind.mean, blind.valley) == (None, None)
    assert holds(blind.farad, 2200e-6)
    turned = read(-volts, ac_coupled_hz=5.0, dc_volts=-float(steady.mean))
    assert any("turned over" in each for each in turned.notes)
    assert turned.farad.value == pytest.approx(known.farad.value, rel=1e-2)


def test_a_negative_rail_is_turned_over() -> None:
    volts = rail(supply())
    assert read(-volts).farad.value == pytest.approx(read(volts).farad.value, rel=1e-3)


@pytest.mark.parametrize("lead", ["capacitor", "rectifier"])
def test_two_channels(lead: str) -> None:
    steady = supply(4700e-6, 0.03)
    current = steady.capacitor if lead == "capacitor" else steady.rectifier
    amps, _ = digitised(sampled(current, 50.0), np.random.default_rng(4))
    reading = read(rail(steady), current=amps, load_amps=None)
    assert reading.channels == 2
    assert reading.farad.value == pytest.approx(4700e-6, rel=0.01)
    assert reading.esr.value == pytest.approx(0.03, rel=0.05)
    assert reading.esr.how == "value"
    assert holds(reading.esr, 0.03)
    if lead == "rectifier":
        assert holds(reading.load, 0.6)


def test_a_delay_between_the_channels_is_in_the_interval() -> None:
    steady = supply(4700e-6, 0.03)
    amps = np.roll(sampled(steady.capacitor, 50.0, step=20e-6), 1)
    reading = read_ripple(
        20e-6, sampled(steady.volt, 50.0, step=20e-6), mains_hz=50.0, current=amps, lsb=0.01, skew=20e-6
    )
    assert holds(reading.esr, 0.03)


def test_a_shape_that_no_supply_has_is_withheld() -> None:
    volts = 9.0 + 0.5 * np.sign(np.sin(2.0 * np.pi * 100.0 * STEP * np.arange(1250)))
    reading = read(volts + np.random.default_rng(1).normal(0.0, 0.005, 1250))
    assert (reading.farad.how, reading.esr.how, reading.posterior) == ("withheld", "withheld", None)
    assert any("unexplained" in each for each in reading.cannot)


def test_a_point_behind_a_filter_is_not_taken_for_the_reservoir() -> None:
    steady = supply(4700e-6, 0.03)
    past = 1.0 / (1.0 + 2j * np.pi * 50.0 * np.arange(1025) * 2.0 * 4700e-6)  # 2 ohm and 4700 uF more
    volts, _ = digitised(sampled(np.fft.irfft(np.fft.rfft(steady.volt) * past), 50.0), np.random.default_rng(1))
    reading = read(volts)
    assert reading.farad.how == "withheld"
    assert any("looks filtered" in each for each in reading.cannot)


def test_next_to_no_capacitance_is_still_read() -> None:
    reading = read(rail(supply(150e-6, 0.05, amps=0.3)), load_amps=0.3)
    assert reading.farad.value == pytest.approx(150e-6, rel=0.05)
    assert holds(reading.farad, 150e-6)


def test_few_steps_of_the_converter_widen_it() -> None:
    steady = supply()
    volts, _ = digitised(sampled(steady.volt, 50.0), np.random.default_rng(2), per_division=5.0)
    fine, coarse = read(rail(steady)), read(volts)
    assert fine.posterior is not None
    assert coarse.posterior is not None
    assert coarse.posterior.cov[1, 1] > fine.posterior.cov[1, 1]
    assert holds(coarse.esr, 0.8)
    assert any("fewer volts per division" in each for each in coarse.instead)


def test_valley_at_low_mains() -> None:
    reading = read(rail(supply()), rectifier="bridge")
    assert reading.valley_low == pytest.approx(float(supply(volts=8.1).valley), abs=0.15)


def test_the_text_for_a_log() -> None:
    text = read(rail(supply())).text.replace("\u2009", " ")
    assert text.startswith("full wave; C 22")
    assert "ESR 0." in text or "ESR 8" in text
    assert "ripple 2.4" in text
