"""Parts of the stores: values read as typed, codes, changes kept."""

from __future__ import annotations

from typing import Any

import pytest
from django.db import IntegrityError, transaction

from refettle.book import stores
from refettle.book.models_stores import Part, PartChange
from refettle.book.store import StoreError
from refettle.book.stores_values import ValueTextError, rated_of_part, read_value


@pytest.mark.parametrize(
    ("typed", "kind", "fields"),
    [
        ("4u7 50v 105C", "", {"unit": "F", "amount": 4.7e-6, "volt": 50.0, "celsius": 105.0}),
        ("4,7µF/50V", "", {"unit": "F", "amount": 4.7e-6, "volt": 50.0}),
        ("47 63", "electrolytic", {"unit": "F", "amount": 47e-6, "volt": 63.0}),
        ("4k7 1%", "", {"unit": "ohm", "amount": 4700.0, "rated": {"tolerance": [-0.01, 0.01]}}),
        ("2R2 5W", "resistor", {"unit": "ohm", "amount": 2.2, "rated": {"watt": 5.0}}),
        ("10uH", "", {"unit": "H", "amount": 10e-6}),
        ("16 MHz", "crystal", {"unit": "Hz", "amount": 16e6}),
        ("100n X2 275V", "", {"unit": "F", "amount": 100e-9, "volt": 275.0, "rated": {"safety": ["X2"]}}),
        ("", "belt", {}),
    ],
)
def test_values_as_people_type_them(typed: str, kind: str, fields: dict[str, Any]) -> None:
    assert read_value(typed, kind) == fields


@pytest.mark.parametrize(
    ("typed", "kind", "said"),
    [
        ("104", "", "may be 100\u2009kΩ or 100\u2009nF; allowed: with its unit, or with a kind"),
        ("blue", "", "'blue' found; allowed: such as 4u7 50V"),
        ("16 MHz", "resistor", "allowed: a value in Ω"),
        ("4u7 50v 63v", "film", "says volt twice"),
        ("4.7", "", "'4.7' found, a number without a unit; allowed: with its unit, such as 4.7uF, 4.7ohm or"),
        ("4,7 50V", "aluminium", "'4,7' found, a number without a unit; allowed: with its unit, such as 4,7uF, 4,7nF"),
        ("47", "electrolytic", "'47' found, a number without a unit"),
    ],
)
def test_values_that_cannot_be_read(typed: str, kind: str, said: str) -> None:
    with pytest.raises(ValueTextError) as raised:
        read_value(typed, kind)
    assert said in str(raised.value)


@pytest.mark.parametrize(
    ("typed", "name", "unit", "amount"),
    [
        ("47k", "Carbon film resistor", "ohm", 47e3),
        ("4k7", "Ceramic trimmer", "ohm", 4.7e3),
        ("47k", "Resistor that bleeds a capacitor", "ohm", 47e3),
        ("100n 63V", "Film", "F", 1e-7),
        ("1 F 5.5V", "Capacitor, memory", "F", 1.0),
        ("4u7F", "Capacitor of the coil driver", "F", 4.7e-6),
    ],
)
def test_what_a_name_says_it_is_goes_before_how_it_is_built(typed: str, name: str, unit: str, amount: float) -> None:
    read = read_value(typed, name=name)
    assert (read["unit"], read["amount"]) == (unit, pytest.approx(amount))


def test_a_name_that_names_two_things_asks_for_the_unit() -> None:
    with pytest.raises(ValueTextError, match="'4u7' may be in F or H; allowed: with its unit"):
        read_value("4u7", name="Capacitor of the coil driver")


def test_no_code_stands_for_a_page_of_the_stores(db: None) -> None:
    from refettle.web.urls import urlpatterns

    under = [str(each.pattern).split("/") for each in urlpatterns if str(each.pattern).startswith("stores/")]
    words = {steps[1] for steps in under if steps[1] and "<" not in steps[1]}
    assert len(words) >= 6
    part = stores.add_part(name="Part", code="P", who="Ada")
    for word in words:
        with pytest.raises(StoreError, match="which is a page of the stores"):
            stores.add_part(name="Part", code=word.capitalize(), who="Ada")
        with pytest.raises(StoreError, match="which is a page of the stores"):
            stores.edit_part(part, code=word, who="Ada")
        made = stores.add_part(name=word.replace("-", " "), who="Ada")
        assert made.code.casefold() not in words


def test_a_part_gets_a_code_from_its_value(db: None) -> None:
    first = stores.add_part(name="Electrolytic, radial", value="4u7 50v 105C d=5 pitch=2", place="drawer 3", who="Ada")
    assert (first.code, first.kind, first.amount, first.diameter_mm) == ("C4u7-50", "aluminium", 4.7e-6, 5.0)
    assert stores.add_part(name="the same of another maker", value="4u7 50v", who="Ada").code == "C4u7-50-2"
    assert stores.add_part(name="Belt, 62 mm", kind="belt", who="Ada").code == "BELT-62-MM"
    assert stores.add_part(name="Reservoir", kind="electrolytic", value="4700u 25V", who="Ada").code == "C4700u-25"
    rated = rated_of_part(first)
    assert rated is not None
    assert (rated.kind, rated.farad, rated.volt, rated.pitch) == ("aluminium", 4.7e-6, 50.0, 2e-3)


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({"name": " "}, "name: 0 characters found; allowed: 1 to 200"),
        ({"code": "=1+1"}, "code: '=1+1' found; allowed: 1 to 40 letters"),
        ({"code": "a b"}, "code: 'a b' found"),
        ({"code": "c4U7-50"}, "which Electrolytic has"),
        ({"value": "blue"}, "value: 'blue' found"),
        ({"volt": "-3"}, "volt: -3 V found; allowed: 0.001 to 100000 V"),
        ({"mount": "sideways"}, "mount: 'sideways' found; allowed: radial, axial, surface"),
        ({"lead_days": "soon"}, "lead_days: 'soon' found; allowed: a whole number from 0 to 3650"),
        ({"kind": "film", "value": "4u7 tantalum"}, "kind: film found, and the value says tantalum"),
        ({"colour": "blue"}, "colour: unknown; allowed: code, value, name"),
    ],
)
def test_parts_that_are_refused(db: None, given: dict[str, Any], said: str) -> None:
    stores.add_part(name="Electrolytic", code="C4u7-50", who="Ada")
    with pytest.raises(StoreError) as raised:
        stores.add_part(**{"name": "Another", "who": "Ada", **given})
    assert said in str(raised.value)


def test_what_a_part_said_before_is_kept(db: None) -> None:
    part = stores.add_part(name="Electrolytic", value="4u7 50v", place="drawer 3", who="Ada")
    stores.edit_part(part, who="Bo", place="drawer 4", value="4u7 63v 105C")
    assert (part.place, part.volt, part.celsius) == ("drawer 4", 63.0, 105.0)
    stores.edit_part(part, who="Bo", place="drawer 4")
    added, changed = PartChange.objects.filter(part=part)
    assert (added.who, added.was) == ("Ada", {})
    assert (changed.who, changed.was) == ("Bo", {"place": "drawer 3", "volt": 50.0, "celsius": None})


def test_finding_by_code_and_lot(db: None) -> None:
    part = stores.add_part(name="Electrolytic", value="4u7 50v", who="Ada")
    lots = [stores.receive(part, 1, who="Ada", came=stores.Came(code)).lot for code in ("2031", "2031", "1807")]
    assert stores.find_part(" c4U7-50 ") == part
    assert stores.find_lot(part, "1807") == lots[2]
    assert stores.find_lot(part, f"lot {lots[0].pk}") == lots[0]
    with pytest.raises(StoreError, match="lot: '2031' found with several lots; allowed: "):
        stores.find_lot(part, "2031")
    with pytest.raises(StoreError, match="part: 'C4x' found; allowed: the code of a part"):
        stores.find_part("C4x")


def test_a_code_in_another_case_is_the_same_code(db: None) -> None:
    stores.add_part(name="Belt", code="belt", who="Ada")
    with pytest.raises(IntegrityError), transaction.atomic():
        Part.objects.create(code="BELT", name="another")
