"""Customary units: exact by the definitions of NIST SP 811, typed anywhere, shown beside where they are at home."""

from __future__ import annotations

import re

import pytest
from django.test import Client
from hypothesis import given
from hypothesis import strategies as st

from refettle.quantities import parse, show, written
from refettle.units import GUARDS, NARROW, from_customary, showing, system_of, with_customary


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
        ("3 ft", "m", 0.9144),
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


# ---------------------------------------------------------------- figures within sentences

# NIST Special Publication 811 (2008), appendix B.8: metric [mm, g, ml] in one of each.
TABLE = {"in": 25.4, "ft": 304.8, "oz": 28.34952, "lb": 453.5924, "fl oz": 29.57353, "gal": 3785.412}
METRIC = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "g": 1.0, "kg": 1000.0, "ml": 1.0, "L": 1000.0}


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("The iron runs at 330 to 370 °C.", "The iron runs at 330 to 370 °C (626 to 698 °F)."),
        ("zwischen 10 und 20 °C", "zwischen 10 und 20 °C (50 und 68 °F)"),
        ("12.5 °C; −20 °C; -40 °C", "12.5 °C (54.5 °F); −20 °C (−4 °F); -40 °C (-40 °F)"),
        ("20 ± 2 °C", "20 ± 2 °C (68 ± 4 °F)"),
        ("± 2 °C", "± 2 °C (±4 °F)"),
        ("tab below 80 C", "tab below 80 C (176 °F)"),
        ("3–4 mm", "3–4 mm (0.12–0.16 in)"),
        ("1 or 2 mm at most", "1 or 2 mm (0.04 or 0.08 in) at most"),
        ("at 5 V and 20 mm off", "at 5 V and 20 mm (0.8 in) off"),
        ("fixed every 2 cm, kept 1 m away", "fixed every 2 cm (0.8 in), kept 1 m (3.3 ft) away"),
        ("about 1 L for each 1.05 kg of ABS", "about 1 L (34 fl oz) for each 1.05 kg (2.31 lb) of ABS"),
        ("up to 100000 g, 1,234 g, 100 000 g", "up to 100000 g (220 lb), 1,234 g (2.72 lb), 100 000 g (220 lb)"),
        ("0\u2009mm, 12 L", "0\u2009mm (0 in), 12 L (3.2 gal)"),
    ],
)
def test_figures_in_sentences(text: str, said: str) -> None:
    assert with_customary(text).replace(NARROW, " ") == said


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("warmer by 5 °C", "warmer by 5 °C (9 °F)"),
        ("5 °C warmer", "5 °C (9 °F) warmer"),
        ("it rises by about 10 to 15 °C", "it rises by about 10 to 15 °C (18 to 27 °F)"),
        ("one more than 15 °C above its neighbours", "one more than 15 °C (27 °F) above its neighbours"),
        ("mehr als 15 °C über seinen Nachbarn", "mehr als 15 °C (27 °F) über seinen Nachbarn"),
        ("um 5 °C wärmer", "um 5 °C (9 °F) wärmer"),
        ("doubles for each 10 °C", "doubles for each 10 °C (18 °F)"),
        ("ein Unterschied von 2 °C", "ein Unterschied von 2 °C (4 °F)"),
        ("more than 150 °C", "more than 150 °C (302 °F)"),
        ("330 bis 370 °C unter 5 Sekunden", "330 bis 370 °C (626 bis 698 °F) unter 5 Sekunden"),
    ],
)
def test_a_difference_of_temperatures_has_no_zero(text: str, said: str) -> None:
    """NIST SP 811, 4.2.1.1 and B.8: an interval of one degree Celsius is 1.8 degrees Fahrenheit."""
    assert with_customary(text).replace(NARROW, " ") == said


@pytest.mark.parametrize(
    "text",
    [
        "M3 × 8 mm", "M3, 8 mm", "M2.5 x 6 mm", "screw 8 mm", "Schraube: 8 mm", "a 3.5 mm jack", "3.5 mm stereo plug",
        "3,5 mm Klinke", "5 mm pitch", "pitch 2.54 mm", "Rastermaß 5 mm", "5.5 x 2.1 mm barrel", "Fuse 5 × 20 mm",
        "20 mm × 5 mm", "5.5/2.1 mm", "0603", "1/4 inch", "5 mm LED", "electrolytic 220 uF 16 V 105 °C",
        "same volts or more, 105 °C", "0.01 C U or 3 µA", "4.7k or 10m", "3 m/s", "5 mm²", "300 g/L", "12 mW/cm²",
        "40 mF", "5 MΩ", "3 mA", "10 mV", "100 Hz", "25V 105C", "10 °C/W", "by 40 °C it is soft", "um 20 °C",
        "kept at 40 °C over night", "within 5 °C", "+5 °C", "20 °C (68 °F)", "68 °F (20 °C)", "25.4 mm = 1 in",
        "0.2 to 0.3 mm (0.008 to 0.012 in)", "20 ± 2 °C (68 ± 4 °F)", "0.1.2 mm", "C3 mm", "5 mm-Stift",
    ],
)  # fmt: skip
def test_names_other_units_and_what_cannot_be_told_stay(text: str) -> None:
    assert with_customary(text) == text


def test_the_decimal_sign_is_that_of_the_language() -> None:
    assert with_customary("auf etwa 0,2 mm", ",") == "auf etwa 0,2 mm (0,008\u202fin)"
    assert with_customary("1.234 g", ",") == "1.234 g (2,72\u202flb)"
    assert with_customary("1.2 g", ",") == "1.2 g (0,042\u202foz)"


def test_what_stands_between_the_guards_stays() -> None:
    assert with_customary(f"{GUARDS[0]}5 mm hole{GUARDS[1]}: 5 mm") == "5 mm hole: 5 mm (0.2\u202fin)"


def _figures(places: int) -> st.SearchStrategy[str]:
    return st.integers(1, 99_999).map(lambda n: f"{n / 10**places:.{places}f}")


@given(st.integers(0, 3).flatmap(_figures), st.sampled_from(sorted(METRIC)))
def test_the_figure_agrees_within_its_rounding(figure: str, unit: str) -> None:
    """To half the last place of the metric figure and 5 %, with at most one digit more (SP 811, B.7.1)."""
    found = re.fullmatch(
        rf"{figure} {unit} \(([\d.]+) ([a-z ]+)\)", with_customary(f"{figure} {unit}").replace(NARROW, " ")
    )
    assert found is not None
    metric = float(figure) * METRIC[unit]
    digits = figure.replace(".", "").lstrip("0") if "." in figure else figure.strip("0")
    place = 10.0 ** (-len(figure.partition(".")[2]) if "." in figure else len(figure) - len(figure.rstrip("0")))
    back = float(found[1]) * TABLE[found[2]]
    assert abs(back - metric) <= min(place / 2 * METRIC[unit], 0.05 * metric) * 1.00001
    assert len(found[1].replace(".", "").strip("0")) <= len(digits) + 1


@given(st.integers(-99_999, 99_999), st.integers(0, 2))
def test_a_temperature_agrees_within_its_rounding(n: int, places: int) -> None:
    figure = f"{n / 10**places:.{places}f}"
    found = re.fullmatch(r".* \((-?[\d.]+) °F\)", with_customary(f"at {figure} °C").replace(NARROW, " "))
    assert found is not None
    assert len(found[1].partition(".")[2]) == places
    assert (float(found[1]) - 32.0) / 1.8 == pytest.approx(float(figure), abs=0.5 / 10**places / 1.8 + 1e-9)


PIECES = [
    "5 mm", "0,2 mm", "10 to 20 °C", "± 2 °C", "20", "°C", "by", "um", "warmer", "(68 °F)", "(", ")", "in", "to", "or",
    "and", "between", "3 m", "1 kg", "M3", "×", "jack", "5 mm pitch", "4.7 kΩ", ".", ",", "\x02typed 5 mm\x03",
    "500 ml", "−20 °C", "below 80 C", "/", "=", "above", "1,234 g", "hex", "more than",
]  # fmt: skip


@given(st.lists(st.sampled_from(PIECES)), st.sampled_from(["", " ", "\u2009"]), st.sampled_from(".,"))
def test_never_twice_and_nothing_is_lost(pieces: list[str], space: str, point: str) -> None:
    text = space.join(pieces)
    once = with_customary(text, point)
    assert re.sub(r" \([^()]*(?:°F|in|ft|oz|lb|gal)\)", "", once) == re.sub(
        r" \([^()]*(?:°F|in|ft|oz|lb|gal)\)", "", text.replace("\x02", "").replace("\x03", "")
    )
    if "typed" not in text:
        assert with_customary(once, point) == once


@given(st.text(max_size=200))
def test_any_text_comes_through(text: str) -> None:
    once = with_customary(text)
    assert with_customary(once) == once
