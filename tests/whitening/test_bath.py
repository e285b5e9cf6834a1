"""Labels, recipes by mass, what a bath holds, and what is refused."""

from __future__ import annotations

import re
from contextlib import suppress

import pytest
from hypothesis import given
from hypothesis import strategies as st

from refettle.knowledge.loading import load_library
from refettle.knowledge.peroxide import load_peroxide
from refettle.whitening.bath import aged, faster, oxygen_litres, read_litres, recipe, rise
from refettle.whitening.law import classes_of, stale
from refettle.whitening.strength import Strength, density, grams_per_litre, percent_of_grams, read_strength
from refettle.whitening.sun import read_dose, read_hours, read_place
from refettle.whitening.values import WhiteningError

LAW = load_peroxide()


def of(percent: float) -> Strength:
    return read_strength(f"{percent!r} % w/w")


@pytest.mark.parametrize(
    ("label", "percent", "way"),
    [
        ("12 %", 12.0, "unsaid"),
        ("12,5 %", 12.5, "unsaid"),
        ("35% w/w", 35.0, "w/w"),
        ("35 % (w/w)", 35.0, "w/w"),
        ("9 per cent by weight", 9.0, "w/w"),
        ("12 % w/v", 11.54, "w/v"),
        ("40 vol", 11.67, "vol"),
        ("Cream developer 20 VOL.", 5.96, "vol"),
        ("100 volumes", 27.55, "vol"),
        ("300 g/L", 27.26, "g/L"),
        ("12 % 40 vol", 11.54, "w/v"),
        ("35 % w/w 130 vol", 35.0, "w/w"),
    ],
)
def test_labels(label: str, percent: float, way: str) -> None:
    found = read_strength(label)
    assert found.percent == pytest.approx(percent, abs=0.01)
    assert found.way == way


def test_a_bare_percentage_says_how_it_was_read() -> None:
    assert "taken as % w/w" in read_strength("12 %").read_as
    assert "11.5 % w/w, weaker" in read_strength("12 %").read_as


@pytest.mark.parametrize(
    ("label", "says"),
    [
        ("", "allowed: a strength such as"),
        ("12", "allowed: a strength such as"),
        ("strong", "allowed: a strength such as"),
        ("0 %", "allowed: above 0 to 70 %"),
        ("-3 %", "-3 % w/w found"),
        ("120 %", "120 % w/w found"),
        ("120 % w/v", "120 % w/v found"),
        ("2000 vol", "2000 vol found"),
        ("6 % 40 vol", "not one strength"),
    ],
)
def test_labels_that_are_refused(label: str, says: str) -> None:
    with pytest.raises(WhiteningError, match=re.escape(says)) as error:
        read_strength(label)
    assert str(error.value).startswith("stock: ")


@given(st.floats(0.1, 70))
def test_strengths_go_there_and_back(percent: float) -> None:
    assert percent_of_grams(grams_per_litre(percent)) == pytest.approx(percent, rel=1e-9)


strengths = st.floats(0.5, 35)


@given(strengths, strengths, st.floats(0.05, 100), st.floats(0, 0.9))
def test_mass_balance(one: float, other: float, volume: float, share: float) -> None:
    weak, strong = sorted((one, other))
    bath = recipe(of(strong), weak, volume, LAW, parts=share * volume, professional=True)
    assert bath.kg == pytest.approx(bath.litres * density(weak), rel=1e-12)
    assert bath.stock_kg * strong == pytest.approx(bath.kg * weak, rel=1e-9)
    assert min(bath.stock_kg, bath.water_kg) >= 0


@given(st.floats(1, 6), st.floats(6, 12), st.floats(0.01, 1), st.floats(0, 10))
def test_what_grows_with_what(target: float, stock: float, more: float, years: float) -> None:
    first = recipe(of(stock), target, 5, LAW)
    assert recipe(of(stock), target, 5 + more, LAW).stock_kg > first.stock_kg
    assert recipe(of(stock + more), target, 5, LAW, professional=True).stock_kg < first.stock_kg
    assert recipe(of(stock), max(target - more, 0.1), 5, LAW).stock_kg < first.stock_kg
    assert recipe(of(stock), target, 5, LAW, parts=more).kg < first.kg
    low, high = aged(stock, years)
    assert low <= high <= stock
    assert rise(target) < rise(stock + more)


def test_water_first_and_the_weights_in_the_order() -> None:
    bath = recipe(of(12), 6, 10, LAW)
    water, stock = (next(n for n, line in enumerate(bath.order) if word in line) for word in ("Water first", "stock"))
    assert water < stock
    assert "5.097 kg" in bath.order[water]
    assert "5.097 kg more" in bath.order[water + 1]


def test_the_bath_is_never_stronger_than_meant() -> None:
    bath = recipe(of(12), 6, 10, LAW, years=3)
    low, high = bath.bath_percent
    assert low < high == 6
    assert bath.stock_kg == pytest.approx(bath.kg * 6 / bath.stock_percent[1])
    assert any("estimate" in note for note in bath.notes)


def test_the_label_carries_the_classes() -> None:
    assert "6 % w/w, H319, date" in " ".join(recipe(of(12), 6, 10, LAW).order)
    assert "3 % w/w, date" in " ".join(recipe(of(12), 3, 10, LAW).order)
    strong = recipe(of(35), 6, 10, LAW, professional=True)
    assert any("face shield" in note for note in strong.notes)
    assert not any("face shield" in note for note in recipe(of(12), 12, 10, LAW).notes)


def test_stock_as_it_is() -> None:
    bath = recipe(of(6), 6, 2, LAW)
    assert bath.water_kg == 0
    assert "no water" in bath.order[1]


def test_what_the_bath_can_give_off() -> None:
    assert recipe(of(12), 12, 1, LAW).boils
    assert not recipe(of(12), 6, 1, LAW).boils
    assert oxygen_litres(12, 1) == pytest.approx(44.9, abs=0.1)


def test_warmth_warns_of_gas_and_heat() -> None:
    warm = recipe(of(12), 6, 5, LAW, celsius=35)
    assert any("gas and heat" in note and "assumption" in note for note in warm.notes)
    low, high = faster(25, 35)
    assert (round(low, 1), round(high, 1)) == (1.8, 2.5)


def test_cautions_gates_and_nevers_come_along() -> None:
    bath = recipe(of(12), 6, 5, LAW)
    assert set(bath.cautions) <= set(load_library().cautions)
    assert {"hidden-spot", "metal-off", "labels-off", "eyes-hands", "ventilation"} <= {gate.id for gate in bath.gates}
    assert "acetone" in " ".join(bath.never["mix"])
    assert all(bath.never[key] for key in ("mix", "seal", "leave"))


@pytest.mark.parametrize(
    ("percent", "codes"),
    [
        (3, set()),
        (5, {"H319"}),
        (6, {"H319"}),
        (8, {"H272", "H318"}),
        (12, {"H272", "H318"}),
        (35, {"H272", "H302", "H315", "H318", "H332", "H335"}),
        (50, {"H272", "H302", "H314", "H332", "H335"}),
        (70, {"H271", "H302", "H314", "H332", "H335"}),
    ],
)
def test_classes(percent: float, codes: set[str]) -> None:
    assert {each.code for each in classes_of(LAW, percent)} == codes


def test_the_file_goes_stale() -> None:
    assert not stale(LAW, LAW.as_of)
    assert str(LAW.as_of) in stale(LAW, LAW.as_of.replace(year=LAW.as_of.year + 3))


typed = st.text(st.sampled_from("0123456789.,-+ %/wvolgLmk()e²J·"), max_size=20) | st.text(max_size=20)


@given(typed)
def test_whatever_is_typed_is_read_or_refused(text: str) -> None:
    for read in (read_strength, lambda t: read_litres(t, "x", solid=1.05), read_dose, read_place, read_hours):
        with suppress(WhiteningError):
            read(text)


@pytest.mark.parametrize(
    ("stock", "target", "volume", "more", "says"),
    [
        (3.0, 6.0, 10.0, {}, "stock: 3 % w/w found; allowed: at least the 6 % w/w"),
        (6.0, 6.0, 10.0, {"years": 2}, "after 2 years found"),
        (12.0, 0.0, 10.0, {}, "target: 0 % w/w found"),
        (12.0, -6.0, 10.0, {}, "target: -6 % w/w found"),
        (35.0, 6.0, 10.0, {}, "stock: 35 % w/w found; allowed: up to 12 % w/w for the public"),
        (35.0, 18.0, 10.0, {}, "target: 18 % w/w found; allowed: up to 12 % w/w for the public"),
        (50.0, 6.0, 10.0, {"professional": True}, "up to 35 % w/w, the most that a licence allows"),
        (12.0, 6.0, 0.0, {}, "volume: 0 L found"),
        (12.0, 6.0, -5.0, {}, "volume: -5 L found"),
        (12.0, 6.0, float("nan"), {}, "volume: nan L found"),
        (12.0, 6.0, 10.0, {"parts": -1}, "parts: -1 L found"),
        (12.0, 6.0, 10.0, {"parts": 10}, "parts: 10 L found; allowed: less than the volume"),
        (12.0, 6.0, 10.0, {"tub": 10}, "free room above"),
        (12.0, 6.0, 10.0, {"celsius": 60}, "temperature: 60 °C found; allowed: from 5 to 40"),
        (12.0, 6.0, 10.0, {"years": -1}, "age: -1 years found"),
    ],
)
def test_refused(stock: float, target: float, volume: float, more: dict[str, float], says: str) -> None:
    with pytest.raises(WhiteningError, match=re.escape(says)):
        recipe(of(stock), target, volume, LAW, **more)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("text", "solid", "litres"),
    [("10L", None, 10), ("10 litres", None, 10), ("500 ml", None, 0.5), ("2.1 kg", 1.05, 2), ("525g", 1.05, 0.5),
     ("0", 1.05, 0), ("2L", 1.05, 2)],
)  # fmt: skip
def test_litres(text: str, solid: float | None, litres: float) -> None:
    assert read_litres(text, "x", solid=solid) == pytest.approx(litres)


@pytest.mark.parametrize(
    ("text", "says"), [("-2 L", "x: -2 L found"), ("2 kg", "x: '2 kg' found"), ("big", "x: 'big'")]
)
def test_litres_refused(text: str, says: str) -> None:
    with pytest.raises(WhiteningError, match=re.escape(says)):
        read_litres(text, "x")
