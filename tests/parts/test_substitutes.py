"""What may replace a capacitor: every rule, from both sides."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from refettle.parts.capacitor import CapacitorError, Rated
from refettle.parts.capacitor_text import read_capacitor
from refettle.parts.circuit_roles import Seat
from refettle.parts.substitute_place import Place
from refettle.parts.substitutes import Assessment, assess, compare, place_of

RAIL = Place(role="rail")
SIZE = "radial pitch=5 d=10 h=16"


def ask(original: str, candidate: str, place: Place = RAIL) -> Assessment:
    return assess(read_capacitor(original), read_capacitor(candidate), place)


def rules(found: Assessment) -> set[str]:
    return {finding.rule for finding in found.refusals}


# original, candidate, place, outcome, the rule that refuses or None
CASES = [
    ("100u 25V 85C aluminium", "100u 25V 85C aluminium", RAIL, "acceptable", None),
    ("100u 25V 85C aluminium", "100u 25V 105C aluminium", RAIL, "better", None),
    ("100u 25V 105C aluminium", "100u 25V 85C aluminium", RAIL, "refused", "temperature"),
    ("100u 25V 85C aluminium", "100u 16V 105C aluminium", RAIL, "refused", "voltage"),
    ("100u 25V aluminium", "100u 105C aluminium", RAIL, "refused", "voltage"),
    ("100u 16V aluminium", "100u 16V 105C aluminium", Place(role="rail", volt=18), "refused", "voltage"),
    ("100u 16V 105C aluminium", "100u 25V 105C aluminium", Place(role="rail", volt=15), "better", None),
    ("100u 25V 105C aluminium", "120u 25V 105C aluminium", RAIL, "acceptable", None),
    ("100u 25V 105C aluminium", "150u 25V 105C aluminium", RAIL, "refused", "value"),
    ("100u 25V 105C aluminium", "68u 25V 105C aluminium", RAIL, "refused", "value"),
    # timing, tuning and audio coupling: exact and of the same kind
    ("10u 16V 105C aluminium", "10u 16V 105C aluminium", Place(role="timing"), "acceptable", None),
    ("10u 16V 105C aluminium", "11u 16V 105C aluminium", Place(role="timing"), "refused", "exact value"),
    ("10u 16V tantalum", "10u 16V 105C aluminium", Place(role="timing"), "refused", "same kind"),
    ("10n 63V film 5%", "10n 63V film 10%", Place(role="tuning"), "refused", "exact value"),
    ("10n 63V film 10%", "10n 63V film 5%", Place(role="tuning"), "acceptable", None),
    ("10u 16V 105C aluminium", "10u 25V ceramic", Place(role="signal"), "refused", "same kind"),
    # bipolar stays bipolar
    ("4.7u 50V bipolar", "4.7u 50V 105C aluminium", Place(role="filter"), "refused", "bipolar"),
    ("4.7u 50V bipolar 85C", "4.7u 50V 105C bipolar", Place(role="filter"), "better", None),
    ("4.7u 50V bipolar", "4.7u 63V film", Place(role="filter"), "acceptable", None),
    ("100n 63V film", "100n 50V 105C aluminium", RAIL, "refused", "kind"),
    # mains: the same class only
    ("100n 275V X2 film", "100n 275V X2 film", Place(role="mains", safety="X"), "acceptable", None),
    ("100n 250V paper", "100n 275V X2 film", Place(role="mains", safety="X"), "acceptable", None),
    ("100n 275V X2 film", "100n 630V film", Place(role="mains", safety="X"), "refused", "safety class"),
    ("100n 275V X2 film", "100n 630V film", RAIL, "refused", "safety class"),
    ("2n2 250V Y2 ceramic", "2n2 275V X2 film", Place(role="mains", safety="Y"), "refused", "safety class"),
    ("2n2 250V Y2 ceramic", "2n5 250V Y2 ceramic", Place(role="mains", safety="Y"), "refused", "safety class"),
    ("2n2 250V Y2 ceramic", "2n2 250V X1/Y2 ceramic", Place(role="mains", safety="Y"), "acceptable", None),
    ("100n 250V paper", "100n 275V X2 film", Place(role="mains"), "refused", "safety class"),
    ("10u 400V aluminium", "10u 450V 105C aluminium", Place(role="mains", safety="X"), "refused", "safety class"),
    # ripple and ESR
    ("1m 25V 105C aluminium ripple=1@120", "1m 25V 105C aluminium ripple=0.8@120", RAIL, "refused", "ripple current"),
    ("1m 25V 105C aluminium ripple=1@120", "1m 25V 105C aluminium ripple=1.3@100", RAIL, "better", None),
    ("1m 25V 105C aluminium", "1m 25V 105C aluminium ripple=1@120", Place(role="rail", ripple=1.5), "refused",
     "ripple current"),
    ("1m 10V 105C low-impedance", "1m 10V 105C aluminium", Place(role="rail", switching=True), "refused", "ESR"),
    ("1m 10V 105C low-impedance esr=30m@100k", "1m 10V 105C low-impedance esr=50m@100k",
     Place(role="rail", switching=True), "refused", "ESR"),
    ("1m 10V 105C low-impedance esr=30m@100k", "1m 10V 105C low-impedance esr=18m@100k ripple=2@100k",
     Place(role="rail", switching=True), "better", None),
    # a regulator that needs some ESR
    ("22u 16V tantalum", "22u 25V ceramic", Place(role="rail", regulators=("IC7",)), "refused", "ESR for a regulator"),
    ("22u 16V 105C aluminium", "22u 16V 105C polymer", Place(role="rail", regulators=("IC7",)), "refused",
     "ESR for a regulator"),
    ("22u 16V 105C aluminium", "22u 16V 105C polymer", Place(role="rail", regulators=("IC7",), esr_least=0),
     "acceptable", None),
    ("22u 16V tantalum", "22u 35V 105C tantalum esr=0.1@100k", Place(role="rail", esr_least=0.2), "refused",
     "ESR for a regulator"),
    ("22u 16V tantalum", "22u 35V 105C tantalum esr=0.5@100k", Place(role="rail", esr_least=0.2, volt=12), "acceptable",
     None),
    ("22u 16V tantalum", "22u 16V 105C tantalum esr=3@100k", Place(role="rail", esr_most=1), "refused", "ESR"),
    # tantalum at half its rating, and only where polarity is settled
    ("22u 16V 105C aluminium", "22u 16V 105C tantalum", Place(role="rail", volt=12), "refused", "tantalum at half"),
    ("22u 16V 105C aluminium", "22u 25V 105C tantalum", Place(role="rail", volt=12), "acceptable", None),
    ("22u 16V 105C aluminium", "22u 25V 105C aluminium", Place(role="rail", polarity_settled=False), "refused",
     "polarity"),
    # leakage
    ("1u 50V 105C aluminium", "1u 50V 105C aluminium", Place(role="filter", leakage_most=1e-6), "refused", "leakage"),
    ("1u 35V tantalum", "1u 35V 105C tantalum", Place(role="filter", leakage_most=1e-6), "acceptable", None),
    ("1u 50V 105C aluminium", "1u 63V film", Place(role="filter", leakage_most=1e-7), "better", None),
    # fit
    (f"1m 25V 105C aluminium {SIZE}", f"1m 25V 105C aluminium {SIZE}", RAIL, "acceptable", None),
    (f"1m 25V 105C aluminium {SIZE}", "1m 25V 105C aluminium radial pitch=7.5 d=10 h=16", RAIL, "refused", "fit"),
    (f"1m 25V 105C aluminium {SIZE}", "1m 25V 105C aluminium radial pitch=5 d=13 h=16", RAIL, "refused", "fit"),
    (f"1m 25V 105C aluminium {SIZE}", "1m 25V 105C aluminium radial pitch=5 d=10 h=25", RAIL, "refused", "fit"),
    (f"1m 25V 105C aluminium {SIZE}", "1m 25V 105C aluminium radial pitch=5 d=10 h=25",
     Place(role="rail", room_height=0.03), "acceptable", None),
    ("10u 16V aluminium surface", "10u 16V 105C aluminium radial", RAIL, "refused", "fit"),
]  # fmt: skip


@pytest.mark.parametrize(("original", "candidate", "place", "says", "rule"), CASES)
def test_rules(original: str, candidate: str, place: Place, says: str, rule: str | None) -> None:
    found = ask(original, candidate, place)
    assert found.says == says, found.findings
    assert rules(found) == ({rule} if rule else set()) or (rule is not None and rule in rules(found))
    assert all(finding.reason and finding.source for finding in found.findings)


@pytest.mark.parametrize(
    ("original", "candidate", "place", "rule"),
    [
        ("100u 25V aluminium", "100u 25V aluminium", RAIL, "temperature"),
        ("1m 25V aluminium ripple=1@120", "1m 25V 105C aluminium", RAIL, "ripple current"),
        ("1m 25V aluminium ripple=1@120", "1m 25V 105C aluminium ripple=2@100k", RAIL, "ripple current"),
        ("22u 16V aluminium", "22u 25V ceramic", RAIL, "kind"),
        ("22u 16V aluminium", "22u 25V 105C tantalum", Place(role="rail", volt=9), "polarity"),
        (f"1m 25V aluminium {SIZE}", "1m 25V 105C aluminium radial pitch=3.5 d=10 h=16", RAIL, "fit"),
        (f"1m 25V aluminium {SIZE}", "1m 25V 105C aluminium", RAIL, "fit"),
        ("100u 25V aluminium", "100u 25V 105C aluminium stored=6", RAIL, "shelf"),
        ("100n 250V paper", "100n 275V X2 film", Place(role="mains", safety="X"), "safety class"),
        ("100u 25V aluminium", "120u 25V 105C aluminium", Place(), "exact value"),
        ("22u 16V tantalum", "22u 35V 105C tantalum", Place(role="rail", esr_least=0.2, volt=9), "ESR for a regulator"),
    ],
)
def test_what_must_be_looked_up_first(original: str, candidate: str, place: Place, rule: str) -> None:
    found = ask(original, candidate, place)
    assert found.says == "acceptable"
    assert rule in {finding.rule for finding in found.check_first}


def test_the_best_comes_first() -> None:
    original = read_capacitor("100u 25V 85C aluminium")
    candidates = [
        read_capacitor("100u 16V 105C aluminium name=a"),
        read_capacitor("100u 25V 85C aluminium name=b"),
        read_capacitor("100u 35V 105C aluminium name=c"),
    ]
    assert [each.candidate.name for each in compare(original, candidates, RAIL)] == ["c", "b", "a"]
    assert compare(original, [], RAIL) == ()


@given(st.floats(1e-9, 1e-2), st.sampled_from([6.3, 10, 16, 25, 50]), st.sampled_from(["rail", "timing", "signal"]))
def test_a_like_part_is_never_refused(farad: float, volt: float, role: str) -> None:
    part = Rated("aluminium", farad, volt, 105, (-0.2, 0.2), pitch=5e-3, diameter=10e-3, height=16e-3, mount="radial")
    assert assess(part, part, Place(role=role)).says == "acceptable"  # type: ignore[arg-type]


@given(st.floats(1e-9, 1e-2), st.floats(1e-9, 1e-2), st.floats(1, 500), st.floats(1, 500))
def test_never_less_voltage_nor_another_value(old: float, new: float, before: float, after: float) -> None:
    found = assess(Rated("aluminium", old, before), Rated("aluminium", new, after, 105), RAIL)
    if after < before or not 0.79 < new / old < 1.21:
        assert found.says == "refused"


@given(st.sampled_from(["aluminium", "film", "ceramic", "tantalum", "polymer", "mica", "paper"]))
def test_nothing_without_its_class_goes_on_the_mains(kind: str) -> None:
    part = Rated(kind, 100e-9, 1000, 125)  # type: ignore[arg-type]
    for place in (Place(role="mains"), Place(role="mains", safety="X"), Place(safety="Y")):
        assert assess(Rated("paper", 100e-9, 250), part, place).says == "refused"


def test_a_seat_on_a_board_becomes_a_place() -> None:
    seat = Seat("C3", "rail", "rail +5V to GND", "sure", (), ("+5V", "GND"), rail="+5V", regulators=("IC7",))
    place = place_of(seat, volt=5.0)
    assert (place.role, place.volt, place.wants_esr) == ("rail", 5.0, True)


@pytest.mark.parametrize(
    ("text", "names"),
    [
        ("25V aluminium", "no capacitance"),
        ("100u 25V", "no kind"),
        ("100u 25V 35V aluminium", "volt twice"),
        ("100u aluminium shiny", "'shiny'"),
        ("100u aluminium esr=0.3", "no frequency"),
        ("100u aluminium colour=red", "'colour=red'"),
        ("100u aluminium pitch=wide", "'pitch=wide'"),
        ("", "no kind"),
    ],
)
def test_words_not_understood(text: str, names: str) -> None:
    with pytest.raises(CapacitorError) as error:
        read_capacitor(text)
    assert names in str(error.value)


def test_words_understood() -> None:
    part = read_capacitor("2200 µF, 25 V, 105 °C low-ESR -10/+50% p=7.5 d=16 h=25mm endurance=5000h leakage=20u")
    assert part.farad == pytest.approx(2200e-6)
    assert (part.volt, part.celsius, part.kind) == (25.0, 105.0, "low-impedance")
    assert part.tolerance == (-0.1, 0.5)
    assert (part.pitch, part.diameter, part.height) == pytest.approx((7.5e-3, 16e-3, 25e-3))
    assert (part.endurance, part.leakage) == (5000.0, 20e-6)


@pytest.mark.parametrize("more", [{"role": "power"}, {"volt": -1.0}, {"esr_least": 2.0, "esr_most": 1.0}])
def test_places_that_cannot_be(more: dict[str, object]) -> None:
    with pytest.raises(CapacitorError, match="allowed: "):
        Place(**more)  # type: ignore[arg-type]
