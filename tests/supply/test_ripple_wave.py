"""Captures made ready: what is refused and in which words, and what the comb finds."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from refettle.supply.ripple import read_ripple
from refettle.supply.ripple_wave import RippleError, clipped, comb, converter_step
from tests.supply.ripple_made import STEP, rail, sampled, supply

GOOD = rail(supply())
RNG = np.random.default_rng(5)
TURN = 2.0 * np.pi * np.arange(1250) * STEP


def with_value(value: float) -> np.ndarray:
    broken = GOOD.copy()
    broken[7] = value
    return broken


BAD = {
    "empty": (np.array([]), {}, "volts: empty"),
    "two columns": (np.ones((200, 2)), {}, "volts: empty, or more than one column"),
    "not a number": (with_value(np.nan), {}, "volts: sample 8 is nan"),
    "infinite": (with_value(np.inf), {}, "volts: sample 8 is inf"),
    "few": (GOOD[:50], {}, "volts: 50 samples found; allowed: at least 100"),
    "huge": (GOOD * 1e9, {}, "allowed: up to 1e5"),
    "flat": (np.full(1250, 8.0), {}, "a flat line at 8 V"),
    "one step": (8.0 + 0.04 * (RNG.random(1250) < 0.5), {}, "within 1 steps of the converter"),
    "clipped": (np.minimum(GOOD, np.quantile(GOOD, 0.8)), {}, "clipped"),
    "noise": (8.0 + 0.04 * np.round(3.0 * RNG.normal(size=1250)), {}, "more noise than ripple"),
    "switching": (8.0 + 0.2 * np.sin(1730.0 * TURN) + 0.01 * RNG.normal(size=1250), {}, "the capture repeats at 1.73"),
    "another mains": (rail(supply(mains_hz=60.0), 60.0), {}, "which fits a mains of 60 Hz"),
    "time base": (GOOD, {"t": 2.3 * STEP}, "neither at the mains nor at twice it"),
    "fast time base": (GOOD, {"t": STEP / 10.0}, "best 5 or more, so a slower time base"),
    "slow time base": (GOOD, {"t": 20.0 * STEP}, "so a faster time base"),
    "both sides of zero": (GOOD - GOOD.mean(), {}, "on both sides of zero"),
    "no time": (GOOD, {"t": 0.0}, "sample interval 0 s found"),
    "uneven times": (GOOD, {"t": STEP * np.arange(1250) ** 1.1}, "times: uneven"),
    "mains": (GOOD, {"mains_hz": 5.0}, "mains frequency 5 Hz found; allowed: 40 to 440 Hz"),
    "load": (GOOD, {"load_amps": -1.0}, "load -1 A found"),
    "load nan": (GOOD, {"load_amps": float("nan")}, "load nan A found"),
    "probe": (GOOD, {"dc_volts": 82.0}, "set the probe factor"),
    "rectifier": (GOOD, {"rectifier": "quarter"}, "rectifier 'quarter' found; allowed: half, full, bridge"),
    "corner": (GOOD, {"ac_coupled_hz": -3.0}, "AC coupling -3 Hz found"),
    "current": (GOOD, {"current": np.zeros(1250)}, "current: a flat line"),
    "current's length": (GOOD, {"current": np.sin(50.0 * TURN[:1000])}, "1000 samples against 1250"),
    "current drowned": (GOOD, {"current": 0.1 * np.round(3.0 * RNG.normal(size=1250))}, "current: does not pulse"),
    "current of another": (GOOD, {"current": np.sin(50.0 * TURN)}, "current: does not"),
}


@pytest.mark.parametrize(("volts", "more", "says"), BAD.values(), ids=BAD.keys())
def test_refused_in_clear_words(volts: np.ndarray, more: dict[str, object], says: str) -> None:
    settings_ = {"mains_hz": 50.0, "load_amps": 0.6, **more}
    with pytest.raises(RippleError) as raised:
        read_ripple(settings_.pop("t", STEP), volts, **settings_)  # type: ignore[arg-type]
    assert says in str(raised.value).replace("\u2009", " ")
    assert "allowed" in str(raised.value)


@settings(max_examples=8, deadline=None)
@given(
    hertz=st.floats(49.6, 50.4),
    periods=st.floats(4.0, 12.0),
    lines=st.lists(st.complex_numbers(max_magnitude=0.2), min_size=6, max_size=6),
    drift=st.floats(-0.1, 0.1),
    lump=st.sampled_from([1, 5]),
)
def test_the_comb_finds_mains_and_lines(
    hertz: float, periods: float, lines: list[complex], drift: float, lump: int
) -> None:
    lines[1] = 1.0 + 0.2j
    step = STEP / 10 if lump > 1 else STEP
    t = step * np.arange(round(periods / hertz / step))
    volts = 9.0 + drift * (t / t[-1] - 0.5)
    for n, line in enumerate(lines, 1):
        volts = volts + (line * np.exp(2j * np.pi * n * hertz * t)).real
    made = comb(step, volts, 50.0, 0.0, False)
    assert made.hertz == pytest.approx(hertz, abs=2e-3)
    assert made.lines[1:7] == pytest.approx(np.array(lines), abs=5e-3)
    assert made.mean == pytest.approx(9.0, abs=2e-3)


def test_noise_is_what_is_left_beside_the_comb() -> None:
    steady = supply()
    clean = sampled(steady.volt, 50.0, 20.0)
    made = comb(STEP, clean + np.random.default_rng(1).normal(0.0, 0.02, len(clean)), 50.0, 0.0, False)
    assert made.noise == pytest.approx(0.02, rel=0.05)
    assert made.ripple == pytest.approx(float(steady.ripple), rel=0.02)


def test_a_long_capture_is_cut_and_says_so() -> None:
    made = comb(STEP, rail(supply(), periods=60.0), 50.0, None, False)
    assert made.periods == 25.0
    assert made.notes == ("the first 25 of 60 mains periods are used",)


def test_converter_steps_and_clipping() -> None:
    assert converter_step(GOOD) == pytest.approx(np.diff(np.unique(GOOD)).min())
    assert converter_step(np.random.default_rng(1).normal(size=1000)) == 0.0
    assert not clipped(GOOD, converter_step(GOOD))
    assert clipped(np.maximum(GOOD, np.quantile(GOOD, 0.15)), converter_step(GOOD))
