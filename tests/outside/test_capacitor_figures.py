"""Life, loss, leakage and discharge of capacitors against published worked examples.

Each figure names where it was read. 'Computed' means that the source gives the formula and its inputs and the number
was worked out by hand from them; 'from memory' that the source was not read again.
"""

from __future__ import annotations

from math import pi

import pytest

from refettle.parts.capacitor import Rated
from refettle.parts.discharge import energy, seconds_to
from refettle.parts.life import LONGEST_CLAIM, equivalent_temperature, life, mixed_life, temperature_factor
from refettle.parts.limits import dissipation_limit, esr_limit, leakage_limit

YEAR = 8766.0


@pytest.mark.parametrize(("celsius", "hours"), [(95, 4000), (85, 8000), (65, 32_000)])
def test_doubling_for_10_kelvin(celsius: float, hours: float) -> None:
    """2000 h at 105 °C: the 10-degree rule as makers print it (Rubycon technical note 5-1)."""
    assert life(2000, 105, celsius).hours == pytest.approx(hours)


@pytest.mark.parametrize(
    ("endurance", "rated", "hours", "years"),
    [(2000, 85, 45_255, 5.2), (1000, 105, 90_510, 10.3)],
)
def test_consumer_examples_at_40_degrees(endurance: float, rated: float, hours: float, years: float) -> None:
    """Encyclopedia article on the capacitor plague, after Albertsen: 'roughly 6' and 'more than 10' years.

    Hours computed from the formula; the text rounds.
    """
    found = life(endurance, rated, 40)
    assert found.hours == pytest.approx(hours, rel=1e-4)
    assert found.years == pytest.approx(years, abs=0.05)


def test_mixed_temperatures() -> None:
    """Cosel, questions and answers on supplies: 8 h each at 45, 55, 65 °C equal a steady 57.2 °C (life computed)."""
    lives = [life(1000, 105, celsius).hours for celsius in (45, 55, 65)]
    assert lives == pytest.approx([64_000, 32_000, 16_000])
    hours = mixed_life([(1 / 3, each) for each in lives])
    assert hours == pytest.approx(27_429, rel=1e-4)
    assert equivalent_temperature(1000, 105, hours) == pytest.approx(57.2, abs=0.05)


def test_ripple_formula() -> None:
    """Rubycon lifetime sheet: Lb 2000 h, 105 °C, air 55 °C, rated rise 5 K, rise 2 K (number computed)."""
    assert life(2000, 105, 55, rise=2, rated_rise=5).hours == pytest.approx(82_191, rel=1e-4)


def test_longest_claim_and_ratio() -> None:
    """Beckhoff, supply PS9011: 131 400 h (15 years) at most; 166 000 h at 40 °C against 469 000 h at 25 °C."""
    assert LONGEST_CLAIM == 131_400
    assert life(2000, 105, 25).claimed == 131_400
    assert temperature_factor(40, 25) == pytest.approx(469 / 166, rel=2e-3)


@pytest.mark.parametrize(
    ("volt", "limit"),
    [(6.3, 0.22), (10, 0.19), (16, 0.16), (25, 0.14), (35, 0.12), (50, 0.10), (63, 0.09), (100, 0.08),
     (160, 0.16), (250, 0.18), (350, 0.20), (400, 0.20), (450, 0.20)],
)  # fmt: skip
def test_loss_angle_by_rated_voltage(volt: float, limit: float) -> None:
    """Panasonic SU, radial, 85 °C 2000 h: largest tan δ at 120 Hz and 20 °C."""
    found = dissipation_limit(Rated("aluminium", 100e-6, volt))
    assert found is not None
    assert found.value == pytest.approx(limit)


@pytest.mark.parametrize(
    ("farad", "volt", "ohm"),
    [(100e-6, 25, 1.857), (1000e-6, 16, 0.2122), (2200e-6, 25, 0.0989), (4700e-6, 16, 0.0660)],
)
def test_series_resistance_from_loss_angle(farad: float, volt: float, ohm: float) -> None:
    """tan δ / (2π f C) at 120 Hz with the SU table and 0.02 more for each 1000 µF above 1000 µF (computed)."""
    found = esr_limit(Rated("aluminium", farad, volt))
    assert found is not None
    assert found.value == pytest.approx(ohm, abs=6e-4)
    loss = dissipation_limit(Rated("aluminium", farad, volt))
    assert loss is not None
    assert found.value == pytest.approx(loss.value / (2 * pi * 120 * farad))


@pytest.mark.parametrize(
    ("part", "rule", "ampere"),
    [
        (Rated("aluminium", 47e-6, 40), None, 18.8e-6),  # a web note on leakage: 0.01 C U or 3 µA, 2 min
        (Rated("aluminium", 2200e-6, 35), None, 770e-6),  # Nippon Chemi-Con, questions and answers
        (Rated("aluminium", 1e-6, 16), None, 3e-6),  # the same rule's floor
        (Rated("aluminium", 10e-6, 50), "general, 1 minute", 15e-6),  # Panasonic SU, 0.03 C U or 4 µA, 1 min
        (Rated("aluminium", 10e-6, 200), None, 130e-6),  # Panasonic SU, 160 to 450 V: 0.06 C U + 10 µA
        (Rated("bipolar", 10e-6, 50), None, 25e-6),  # a bipolar chip series (KP): 0.05 C U or 10 µA
        (Rated("tantalum", 33e-6, 10), None, 3.3e-6),  # page on tantalum leakage: 10 nA/µF V, its example 33 µF 10 V
        (Rated("aluminium", 20e-6, 450), "valve-era", 1.1e-3),  # JAN-C-62 as quoted on a radio mailing list
        (Rated("aluminium", 20e-6, 250), "valve-era", 0.7e-3),  # the same
    ],
)
def test_leakage_limits(part: Rated, rule: str | None, ampere: float) -> None:
    found = leakage_limit(part, rule)
    assert found is not None
    assert found.value == pytest.approx(ampere)


@pytest.mark.parametrize(
    ("farad", "volt", "joule"),
    [(220e-6, 340, 12.7), (220e-6, 325, 11.6), (100e-6, 400, 8.0), (4700e-6, 25, 1.47)],
)
def test_energy(farad: float, volt: float, joule: float) -> None:
    """C U² / 2 (computed); 10 J at 100 V and more is the shock limit of the LBNL electrical safety manual."""
    assert energy(farad, volt) == pytest.approx(joule, rel=5e-3)


@pytest.mark.parametrize(
    ("farad", "ohm", "start", "end", "seconds"),
    [(220e-6, 2200, 325, 60, 0.82), (100e-6, 1000, 400, 60, 0.19), (4700e-6, 100, 12, 1, 1.17),
     (0.1e-6, 1e6, 325, 120, 0.10), (0.1e-6, 1e6, 325, 60, 0.17)],
)  # fmt: skip
def test_discharge_time(farad: float, ohm: float, start: float, end: float, seconds: float) -> None:
    """R C ln(U0/Us) (computed); the last two are an X capacitor with its bleeder."""
    assert seconds_to(farad, ohm, start, end) == pytest.approx(seconds, abs=6e-3)


def test_x_capacitor_time_constant() -> None:
    """IEC 60950-1: after one time constant 340 V have come down to 37 %, 126 V (as quoted in a safety article)."""
    assert seconds_to(0.1e-6, 1e6, 340, 126) == pytest.approx(0.1, rel=0.01)
