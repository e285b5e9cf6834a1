"""Risk by age and kind, and readings judged against limits."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from refettle.faults import Check, error_matrix
from refettle.faults.evidence import grades_of
from refettle.parts.capacitor import AtFrequency, CapacitorError, CapacitorKind, Rated
from refettle.parts.health import Use, risk, tantalum_stress, wear_out
from refettle.parts.health_readings import BenchReading, Verdict, judge
from refettle.parts.life import life, mixed_life, used_up

BIG = Rated("aluminium", 1000e-6, 16, 85)  # limit 0.2122 ohm, tan d 0.16


def read(quantity: str, value: float, hertz: float | None = 120.0, **more: object) -> BenchReading:
    return BenchReading(quantity, value, hertz, **more)  # type: ignore[arg-type]


def esr(value: float, hertz: float = 120.0, **more: object) -> Verdict:
    return judge(BIG, [read("esr", value, hertz, **more)])


def test_old_general_purpose_is_measured_not_condemned() -> None:
    found = risk(BIG, Use(1984, 2026))
    assert found.urgency == "measure"
    assert found.low < found.chance < found.high
    assert found.lives is not None
    assert found.lives > 1
    assert any("new parts" in reason for reason in found.reasons)
    assert "× " in found.formula


def test_formula_is_the_chance() -> None:
    found = risk(Rated("low-impedance", 22e-6, 16, mount="surface"), Use(1993, 2026))
    product = 1.0
    for cause in found.causes:
        product *= 1.0 - cause.chance
    assert found.chance == pytest.approx(1 - product)


@pytest.mark.parametrize(
    ("part", "use", "urgency"),
    [
        (Rated("paper", 100e-9, 250, safety=frozenset({"X2"})), Use(1986, 2026), "before power"),
        (Rated("paper", 100e-9, 250), Use(1986, 1990, mains=True), "before power"),
        (Rated("paper", 100e-9, 400), Use(1955, 2026), "soon"),
        (Rated("aluminium", 47e-6, 16), Use(1986, 1987, volt=18), "before power"),
        (Rated("aluminium", 47e-6, 16, mount="surface"), Use(1992, 2026), "soon"),
        (Rated("low-impedance", 1000e-6, 6.3), Use(2002, 2026), "soon"),
        (Rated("film", 100e-9, 63), Use(1984, 2026), "leave"),
        (Rated("aluminium", 100e-6, 25, 105), Use(2024, 2026), "leave"),
    ],
)
def test_urgency(part: Rated, use: Use, urgency: str) -> None:
    assert risk(part, use).urgency == urgency


def test_tantalum_near_its_rating_is_worse() -> None:
    assert tantalum_stress(0.5) == pytest.approx(1.0)
    part = Rated("tantalum", 10e-6, 16)
    assert risk(part, Use(1985, 2025, volt=15)).chance > 3 * risk(part, Use(1985, 2025, volt=5)).chance


@given(
    st.sampled_from(["aluminium", "low-impedance", "bipolar", "tantalum", "polymer", "film", "paper"]),
    st.integers(1950, 2020),
    st.integers(0, 60),
    st.floats(20, 80),
)
def test_risk_is_a_chance_and_grows_with_heat(kind: CapacitorKind, made: int, age: int, celsius: float) -> None:
    part = Rated(kind, 10e-6, 25)
    cool = risk(part, Use(made, made + age, running=celsius, hours=100.0 * age))
    hot = risk(part, Use(made, made + age, running=celsius + 10, hours=100.0 * age))
    assert 0 <= cool.low <= cool.chance <= cool.high <= 1
    assert hot.chance >= cool.chance - 1e-12


@given(st.lists(st.tuples(st.floats(0, 1e5), st.floats(0, 100)), min_size=1, max_size=5))
def test_lives_used_add_up(spells: list[tuple[float, float]]) -> None:
    whole = used_up(2000, 105, spells)
    assert whole == pytest.approx(sum(used_up(2000, 105, [spell]) for spell in spells))
    total = sum(hours for hours, _ in spells)
    if total > 1:
        shares = [(hours / total, life(2000, 105, celsius).hours) for hours, celsius in spells if hours]
        if all(share > 1e-9 for share, _ in shares):
            assert mixed_life(shares) == pytest.approx(total / whole, rel=1e-6)


def test_wear_out() -> None:
    assert wear_out(0) == 0
    assert wear_out(3) == pytest.approx(0.5)


def test_verdicts() -> None:
    assert esr(0.1).says == "good"
    assert esr(0.3).says == "worn"
    assert esr(0.9).says == "bad"
    assert esr(0.9).judged[0].passes is False
    assert judge(BIG, [read("capacitance", 450e-6)]).says == "bad"
    assert judge(BIG, [read("dissipation", 0.1)]).says == "good"
    assert judge(BIG, [read("dissipation", 0.7)]).says == "bad"


def test_a_good_capacitance_alone_says_little() -> None:
    found = judge(BIG, [read("capacitance", 1000e-6)])
    assert 1 < found.odds < 1.3
    assert any("measure ESR" in reason for reason in found.reasons)
    with_esr = judge(BIG, [read("capacitance", 1000e-6), read("esr", 0.08)])
    assert with_esr.odds > 3
    all_three = judge(
        BIG,
        [read("capacitance", 1000e-6), read("esr", 0.08), read("leakage", 10e-6, None, volt=16.0, minutes=2.0)],
    )
    assert all_three.odds > with_esr.odds


def test_one_bad_property_is_enough() -> None:
    good = [read("capacitance", 1000e-6), read("esr", 0.05)]
    leaky = judge(BIG, [*good, read("leakage", 50e-3, None, volt=16.0, minutes=5.0)])
    assert leaky.says == "bad"


def test_temperature_counts() -> None:
    assert esr(0.3, celsius=5.0).says == "not assessed"  # cold raises ESR: no failure stands
    assert esr(0.1, celsius=5.0).says == "good"  # and a pass in the cold stands
    assert esr(0.1, celsius=60.0).says == "not assessed"
    assert esr(0.9, celsius=60.0).says == "bad"
    leak = read("leakage", 50e-3, None, volt=16.0, minutes=5.0, celsius=60.0)
    assert judge(BIG, [leak]).says == "not assessed"


def test_frequency_counts() -> None:
    assert esr(0.1, 100e3).says == "not assessed"
    assert esr(0.9, 100e3).says == "bad"  # above the 120 Hz limit even where it should be lower
    assert judge(BIG, [read("dissipation", 0.1, 1e3)]).says == "not assessed"
    sheet = Rated("low-impedance", 1000e-6, 16, 105, esr=AtFrequency(0.04, 100e3))
    assert judge(sheet, [read("esr", 0.03, 100e3)]).says == "good"
    assert judge(sheet, [read("esr", 0.1, 100e3)]).says == "bad"
    assert judge(BIG, [read("capacitance", 500e-6, 10e3)]).says == "not assessed"


def test_leakage_conditions() -> None:
    def leak(ampere: float, **more: float) -> Verdict:
        return judge(BIG, [read("leakage", ampere, None, **more)])

    assert leak(1e-3, volt=16, minutes=1).says == "not assessed"  # too early
    assert leak(10e-6, volt=16, minutes=1).odds > 1
    assert leak(10e-6, volt=5, minutes=5).says == "not assessed"  # a pass below the rated voltage proves nothing
    assert leak(10e-3, volt=5, minutes=5).says == "bad"
    fresh = judge(BIG, [read("leakage", 10e-3, None, volt=16.0, minutes=5.0)], reformed=False)
    assert fresh.says == "not assessed"
    assert "re-form" in fresh.judged[0].reasons[0]


def test_in_circuit_good_is_weak() -> None:
    assert judge(BIG, [read("esr", 0.05, in_circuit=True)]).odds < judge(BIG, [read("esr", 0.05)]).odds
    assert judge(BIG, [read("esr", 0.9, in_circuit=True)]).says == "bad"


def test_a_reading_far_too_high_decides_nothing() -> None:
    assert judge(BIG, [read("capacitance", 2200e-6)]).says == "not assessed"


def test_a_look() -> None:
    assert judge(BIG, [read("esr", 0.05)], seen="leaked").says == "bad"
    assert judge(BIG, [], seen="domed").says == "bad"
    assert judge(BIG, [], seen="clean").says == "not assessed"


@given(st.floats(0, 100), st.floats(0, 5e-3), st.floats(1e-3, 2.0))
def test_odds_are_bounded_and_fall_with_esr(ohm: float, farad: float, step: float) -> None:
    lower, higher = esr(ohm), esr(ohm + step)
    assert 1 / 50 <= higher.odds <= lower.odds <= 20
    both = judge(BIG, [read("esr", ohm), read("capacitance", farad)])
    grades = both.likelihood(["high"])
    assert max(grades.values()) == 1
    assert min(grades.values()) >= 1 / 50


def test_the_grades_go_into_a_check() -> None:
    check = Check("c", "c", ("good", "high"), np.eye(2), error_matrix(2, 0.02, 0.05, 0.05), 1.0)
    grades = grades_of(check, esr(0.9).likelihood(["high"]))
    assert grades[1] == 1
    assert grades[0] < 0.05


@pytest.mark.parametrize(
    ("make", "names"),
    [
        (lambda: Rated("alu", 1e-6), "kind 'alu'"),  # type: ignore[arg-type]
        (lambda: Rated("aluminium", 0.0), "capacitance 0 F"),
        (lambda: Rated("aluminium", float("nan")), "capacitance nan"),
        (lambda: Rated("film", 1e-7, safety=frozenset({"X9"})), "safety class 'X9'"),
        (lambda: Use(2000, 1999), "year now 1999"),
        (lambda: Use(2000, 2001, hours=1e6), "running hours"),
        (lambda: BenchReading("esr", 1.0), "ESR without its frequency"),
        (lambda: BenchReading("leakage", 1.0), "leakage without its voltage"),
        (lambda: judge(BIG, []), "no reading"),
        (lambda: judge(BIG, [read("leakage", 1e-6, None, volt=16.0)], rule="mine"), "leakage rule 'mine'"),
        (lambda: esr(0.1).likelihood([]), "bad outcomes"),
        (lambda: life(2000, 105, 40, rise=30), "core temperature rise 30"),
        (lambda: life(2000, 105, 40, volt_ratio=0.5), "rated over used voltage 0.5"),
        (lambda: mixed_life([(0.5, 100.0)]), "shares"),
    ],
)
def test_bad_figures_are_named(make: object, names: str) -> None:
    with pytest.raises(CapacitorError, match="allowed: ") as error:
        make()  # type: ignore[operator]
    assert names in str(error.value)
