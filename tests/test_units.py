"""Customary units: exact by the definitions of NIST SP 811, typed anywhere, shown beside where they are at home."""

from __future__ import annotations

import pytest
from django.test import Client
from hypothesis import given
from hypothesis import strategies as st

from refettle.quantities import parse, show, written
from refettle.units import from_customary, showing, system_of


# NIST Special Publication 811 (2008), appendix B.8.
@pytest.mark.parametrize(
    ("text", "unit", "metric"),
    [
        ("1 in", "mm", 25.4),
        ("0,5 in", "mm", 12.7),
        ('1"', "m", 0.0254),
        ("212 °F", "°C", 100.0),
        ("-40 F", "°C", -40.0),
        ("1 lb", "g", 453.59237),
        ("16 oz", "g", 453.59237),
        ("1 gal", "L", 3.785411784),
        ("128 fl oz", "L", 3.785411784),
    ],
)
def test_typed_customary_units(text: str, unit: str, metric: float) -> None:
    assert from_customary(text, unit) == pytest.approx(metric, rel=1e-12)


@pytest.mark.parametrize(("text", "unit"), [("20", "°C"), ("20 C", "°C"), ("5 in", "g"), ("x in", "m"), ("", "m")])
def test_others_are_left_to_the_usual_reading(text: str, unit: str) -> None:
    assert from_customary(text, unit) is None


def test_a_quantity_may_be_typed_in_either() -> None:
    assert parse("68 °F", "°C") == pytest.approx(20.0)
    assert parse("0.1 in", "m") == pytest.approx(0.00254)
    assert parse("100nF", "F") == pytest.approx(1e-7)  # a farad is no degree


@given(st.integers(-20_000, 40_000).map(lambda n: n / 100))
def test_a_shown_temperature_is_one_temperature(celsius: float) -> None:
    with showing("us"):
        metric, _, customary = show(celsius, "°C", 9).replace("−", "-").partition(" (")
    back = from_customary(customary.rstrip(")"), "°C")
    assert back == pytest.approx(parse(metric, "°C"), abs=1e-4)


def test_beside_only_where_it_is_at_home_and_never_where_it_is_kept() -> None:
    assert "°F" not in show(20.0, "°C")
    with showing("us"):
        assert "68" in show(20.0, "°C")
        assert "in)" in show(0.0254, "m")
        assert "(" not in show(4700.0, "Ω")
        assert written(20.0, "°C") == "20\u2009°C"
    assert "°F" not in show(20.0, "°C")


@pytest.mark.parametrize(
    ("tag", "system"),
    [
        ("en-US", "us"),
        ("en_us", "us"),
        ("es-419", "metric"),
        ("en", "metric"),
        ("en-Latn-US", "us"),
        ("", "metric"),
        ("de-DE", "metric"),
    ],
)
def test_the_region_says_which(tag: str, system: str) -> None:
    """Unicode CLDR, supplemental/units.xml: measurementSystem type US for US, LR and MM."""
    assert system_of(tag) == system


@pytest.mark.django_db
def test_the_browsers_region_is_taken_on_pages(client: Client) -> None:
    address = "/mark/?text=100u+25V+105C&kind=electrolytic"
    assert "°F" not in client.get(address, headers={"accept-language": "en-GB"}).content.decode()
    assert client.get(address, headers={"accept-language": "en-US,en;q=0.9"}).status_code == 200
