"""Finding parts as they are typed: values, voltages, prints, sizes, words; what comes first."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from refettle.book.models_stores import Part
from refettle.book.stores_search import ROUNDING, find, found_facts, read
from refettle.parts.markings_series import E24
from refettle.quantities import THIN, letter_code, show


@pytest.mark.parametrize(
    ("typed", "farad", "volt"),
    [
        ("4u7 50v", 4.7e-6, 50),
        ("4.7uF/50V", 4.7e-6, 50),
        ("4,7 µ 50", 4.7e-6, 50),
        ("50V 4.7 µF", 4.7e-6, 50),
        ("1n5", 1.5e-9, None),
        # IEC 60062 three-digit code in pF: 10 and 5 zeros (from memory)
        ("105 63", 1e-6, 63),
        ("104K", 100e-9, None),
        ("100 25V", 100e-6, 25),
        ("220/16", 220e-6, 16),
    ],
)
def test_a_capacitor_as_it_is_typed(typed: str, farad: float, volt: float | None) -> None:
    first = next(meant for meant in read(typed).meant if meant.unit == "F")
    assert (first.amount, first.volt) == (pytest.approx(farad), volt)


@pytest.mark.parametrize(
    ("typed", "unit", "amount"),
    [("47k", "ohm", 47e3), ("4k7", "ohm", 4700), ("10 ohm", "ohm", 10), ("R47", "ohm", 0.47), ("100 µH", "H", 1e-4),
     ("32.768 kHz", "Hz", 32768)],
)  # fmt: skip
def test_other_values(typed: str, unit: str, amount: float) -> None:
    assert (read(typed).meant[0].unit, read(typed).meant[0].amount) == (unit, pytest.approx(amount))


@pytest.mark.parametrize("typed", ["1N4148", "M3 screw", "2N3904", "drawer 4", "MK-14/3", "74LS04", "", "%_'"])
def test_words_stay_words(typed: str) -> None:
    query = read(typed)
    assert not query.by_value
    assert query.words == tuple(query.text.split())


@given(st.text(max_size=150))
def test_whatever_is_typed_is_read(typed: str) -> None:
    query = read(typed)
    assert query.by_value or query.words or not query.text.strip(" ;,/_")
    assert not read(typed, as_words=True).by_value
    query.says()


@given(st.sampled_from(sorted(E24)), st.integers(-11, -5), st.sampled_from([6.3, 10, 16, 25, 35, 50, 63, 100]))
def test_what_is_shown_can_be_typed(figure: float, power: int, volt: float) -> None:
    farad = float(f"{figure}e{power}")
    for value in (show(farad, "F"), letter_code(farad, "F")):
        for typed in (f"{value} {volt:g}V", f"{value}/{volt:g}V", f"{volt:g} V {value}"):
            meant = read(typed).meant[0]
            assert (meant.unit, meant.volt) == ("F", volt), typed
            assert meant.amount == pytest.approx(farad, rel=1e-9)


def part(code: str, name: str = "", **more: Any) -> Part:
    return Part.objects.create(code=code, name=name or f"part {code}", **more)


def codes(typed: str, **more: Any) -> list[str]:
    return [each.code for each in find(typed, **more).parts()]


@pytest.mark.django_db
def test_exact_voltage_then_higher_then_not_known_then_words() -> None:
    for code, volt in (("A", 100.0), ("B", 25.0), ("C", 50.0), ("D", None), ("E", 63.0)):
        part(code, unit="F", amount=4.7e-6, volt=volt)
    part("F-4u7-50v", "an empty bag")
    part("G", unit="F", amount=4.3e-6, volt=50)
    found = find("4u7 50v")
    assert [each.code for each in found.parts()] == ["C", "E", "A", "D", "F-4u7-50v"]
    assert found.by_value == 4
    assert found.says.replace(THIN, " ") == "4.7 µF, 50 V or more"
    assert codes("4u7 50v", as_words=True) == ["F-4u7-50v"]


@pytest.mark.django_db
def test_rounding_is_borne_and_neighbours_are_not() -> None:
    # IEC 60063: 332 and 330 are one value to E24 and E96; 324 and 340 are the neighbours of 332 in E96 (from memory)
    for code, amount in (("A", 332e-9), ("B", 324e-9), ("C", 340e-9), ("D", 330e-9 * (1 + ROUNDING * 1.5))):
        part(code, unit="F", amount=amount)
    assert codes("330n") == []
    assert codes("332n") == ["A", "D"]
    part("E", unit="F", amount=330.00000001e-9)
    assert codes("0.33 µF") == ["E"]


@pytest.mark.django_db
def test_a_value_of_two_units_says_what_was_found() -> None:
    part("R", unit="ohm", amount=100e3)
    assert find("104").says.replace(THIN, " ") == "100 kΩ"
    part("C", unit="F", amount=100e-9)
    assert {"100 nF", "100 kΩ"} == set(find("104").says.replace(THIN, " ").split(" or "))


@pytest.mark.django_db
def test_words_in_code_name_place_and_note() -> None:
    part("BELT-62", "flat belt, 62 mm", kind="belt", place="drawer 4", on_hand=2, diameter_mm=62)
    part("BELT-70", "flat belt, 70 mm", kind="belt", place="drawer 4", diameter_mm=70)
    part("X-1", "idler", note="goes with the flat belt")
    assert codes("flat belts") == ["BELT-62", "BELT-70", "X-1"]
    assert codes("drawer 4 70") == ["BELT-70"]
    assert codes("belt 62mm") == ["BELT-62"]
    assert codes("belt-7") == ["BELT-70"]
    assert codes("100%") == codes("_") == []


@pytest.mark.django_db
def test_sizes_and_kinds() -> None:
    part("A", unit="F", amount=470e-6, volt=10, kind="low-impedance", diameter_mm=6.3, height_mm=11, pitch_mm=2.54)
    part("B", unit="F", amount=470e-6, volt=10, kind="film", diameter_mm=8, height_mm=11.5)
    assert codes("470u 6,3x11") == ["A"]
    assert codes("470u electrolytic") == ["A"]
    assert codes("470u 2.5mm") == ["A"]
    assert codes("470u") == ["A", "B"]


@pytest.mark.django_db
def test_a_whole_code_comes_first_and_facts_are_plain() -> None:
    part("4u7", "a tool")
    part("C", unit="F", amount=4.7e-6, volt=16, on_hand=3, place="drawer 1")
    facts = found_facts(find("4u7"))
    assert [each["code"] for each in facts["parts"]] == ["4u7", "C"]
    assert facts["parts"][1]["value"] == f"4.7{THIN}µF"
    assert (facts["understood"], facts["found"]) == (f"4.7{THIN}µF", 2)
