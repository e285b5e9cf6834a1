"""Emptying a charged capacitor, and cleaning up after one that leaked."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from refettle.knowledge.loading import load_library
from refettle.parts.capacitor import CapacitorError
from refettle.parts.discharge import LEAKS, bleeder, cleaning, discharge, energy, hazard_of, seconds_to, volt_of_energy


def test_a_mains_reservoir() -> None:
    found = discharge(220e-6, 325, 2200)
    assert found.hazard == "shock"
    assert found.peak_watt == pytest.approx(48, rel=0.01)
    assert found.tool_watt == pytest.approx(4.8, rel=0.01)
    assert found.fitted_watt == pytest.approx(96, rel=0.01)
    assert found.seconds == pytest.approx(1.26 * 2200 * 220e-6 * 2.3826, rel=1e-3)
    assert found.hands_seconds > found.seconds
    assert found.cautions == ("mains", "charged-capacitor")


@pytest.mark.parametrize(
    ("farad", "volt", "hazard"),
    [(220e-6, 325, "shock"), (0.1, 50, "burn"), (100e-6, 400, "jolt"), (4700e-6, 25, "spark"), (10e-6, 5, "little")],
)
def test_hazard(farad: float, volt: float, hazard: str) -> None:
    assert hazard_of(farad, volt) == hazard


def test_cautions_always_come_along_and_exist() -> None:
    library = load_library().cautions
    assert discharge(1e-6, 5, 1000, mains_unit=False).cautions == ("charged-capacitor",)
    assert discharge(1e-6, 5, 1000, leaked=True).cautions == ("mains", "charged-capacitor", "leaked-electrolyte")
    for leak in LEAKS:
        found = cleaning(leak)
        assert "leaked-electrolyte" in found.cautions
        assert set(found.cautions) <= set(library)


def test_no_credit_for_a_slow_pulse() -> None:
    slow = discharge(10_000e-6, 60, 1000)
    assert slow.hands_seconds > 5
    assert slow.tool_watt == slow.peak_watt


@given(st.floats(1e-6, 0.1), st.floats(31, 1000), st.floats(0.01, 100))
def test_the_bleeder_keeps_its_time(farad: float, volt: float, seconds: float) -> None:
    assert seconds_to(farad, bleeder(farad, volt, seconds), volt, 30) == pytest.approx(seconds)
    assert volt_of_energy(farad, energy(farad, volt)) == pytest.approx(volt)


@pytest.mark.parametrize(
    ("leak", "ph", "alkaline", "first"),
    [
        ("alkaline cell", None, True, "vinegar"),
        ("nickel-cadmium cell", None, True, "vinegar"),
        ("capacitor", None, False, "detergent"),
        ("capacitor", 10.0, True, "vinegar"),
        ("zinc-carbon cell", None, False, "baking soda"),
        ("unknown", None, None, "pH paper"),
        ("unknown", 7.0, False, "detergent"),
        ("alkaline cell", 7.0, False, "detergent"),
    ],
)
def test_cleaning(leak: str, ph: float | None, alkaline: bool | None, first: str) -> None:
    found = cleaning(leak, ph)  # type: ignore[arg-type]
    assert found.alkaline is alkaline
    assert first in found.steps[0]
    assert "Look again" in found.steps[-1]


def test_lithium_first() -> None:
    assert cleaning("lithium cell").cautions[0] == "lithium"


@pytest.mark.parametrize(
    ("farad", "volt", "ohm", "safe", "names"),
    [
        (1e-6, 25_000, 1e6, 30, "Picture tubes"),
        (1e-6, 100, 0, 30, "resistor 0"),
        (0, 100, 100, 30, "capacitance 0"),
        (1e-6, 100, 100, 90, "safe voltage 90"),
        (1e-6, float("inf"), 100, 30, "voltage inf"),
        (1e-6, float("nan"), 100, 30, "voltage nan"),
    ],
)
def test_refused(farad: float, volt: float, ohm: float, safe: float, names: str) -> None:
    with pytest.raises(CapacitorError, match="allowed: ") as error:
        discharge(farad, volt, ohm, safe=safe)
    assert names in str(error.value)


def test_a_bleeder_for_nothing_is_refused() -> None:
    with pytest.raises(CapacitorError, match="above the safe voltage"):
        bleeder(1e-6, 20, 1)
    with pytest.raises(CapacitorError, match="leak 'acid'"):
        cleaning("acid")  # type: ignore[arg-type]
    with pytest.raises(CapacitorError, match="pH 15"):
        cleaning("capacitor", 15)
