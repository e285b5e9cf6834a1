"""Prefixes at the faces: what is read, what is shown, what is refused."""

from __future__ import annotations

from math import isfinite

import pytest
from hypothesis import given
from hypothesis import strategies as st

from refettle.quantities import QuantityError, letter_code, number, parse, plain, show, whole

GOOD = [
    ("4k7", "Ω", 4700), ("4.7k", "Ω", 4700), ("4,7 kΩ", "Ω", 4700), ("4700", "Ω", 4700), ("4.7 KOHM", "Ω", 4700),
    ("R47", "Ω", 0.47), ("4R7", "Ω", 4.7), ("4r7", "Ω", 4.7), ("470R", "Ω", 470), ("4M7", "Ω", 4.7e6),
    ("1 000", "Ω", 1000), ("1\u202f000 Ω", "Ω", 1000), ("10 \u2126", "Ω", 10), ("5m", "Ω", 0.005), ("1e3", "Ω", 1000),
    ("100n", "F", 1e-7), ("100NF", "F", 1e-7), ("2n2", "F", 2.2e-9), ("n47", "F", 0.47e-9), ("p33", "F", 0.33e-12),
    ("4.7 µF", "F", 4.7e-6), ("4.7 μF", "F", 4.7e-6), ("4.7uF", "F", 4.7e-6), ("4.7U", "F", 4.7e-6),
    ("4u7", "F", 4.7e-6), ("4µ7", "F", 4.7e-6), ("1m5", "F", 1.5e-3), ("2.2e-9", "F", 2.2e-9), (".1 µF", "F", 1e-7),
    ("１００ｎ", "F", 1e-7), ("10 µH", "H", 10e-6), ("2 mH", "H", 2e-3), ("-12 V", "V", -12), ("−12V", "V", -12),
    ("1.6kV", "V", 1600), ("20 °C", "°C", 20), ("20C", "°C", 20), ("5 %", "%", 5), ("4.7k", "", 4700), ("12", "", 12),
    ("1 000,5", "V", 1000.5), ("3 min", "min", 3),
]  # fmt: skip


@pytest.mark.parametrize(("text", "unit", "value"), GOOD)
def test_read(text: str, unit: str, value: float) -> None:
    assert parse(text, unit) == value


@pytest.mark.parametrize(
    ("text", "unit"),
    [
        ("", "V"), (" ", "V"), ("abc", "V"), ("1.2.3", "V"), ("1,000", "Ω"), ("10 MF", "F"), ("4.7 kF", "F"),
        ("4k7x", "Ω"), ("10 V", "Ω"), ("10k", "%"), ("1k °C", "°C"), ("nan", "V"), ("inf", "V"), ("4R7", "F"),
        ("4.7 k k", "Ω"), ("--3", "V"), ("1" * 61, "V"), ("1e9999", "V"), ("1e999", "V"),
    ],
)  # fmt: skip
def test_refused(text: str, unit: str) -> None:
    with pytest.raises(QuantityError, match=r"allowed|write"):
        parse(text, unit)


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        (4700, "Ω", "4.7 kΩ"), (0.47, "Ω", "0.47 Ω"), (0.022, "Ω", "22 mΩ"), (999.6, "Ω", "1 kΩ"), (0, "Ω", "0 Ω"),
        (1e-7, "F", "100 nF"), (4.7e-3, "F", "4700 µF"), (2.2e-9, "F", "2.2 nF"), (0.33e-12, "F", "0.33 pF"),
        (1.0, "F", "1 F"), (-12, "V", "−12 V"), (105, "°C", "105 °C"), (12.34, "%", "12.3 %"), (0.05, "%", "0.05 %"),
        (47, "", "47"), (0.5, "V", "500 mV"), (1600, "V", "1.6 kV"), (1e20, "Ω", "100000000 TΩ"),
    ],
)  # fmt: skip
def test_shown(value: float, unit: str, text: str) -> None:
    assert show(value, unit).replace("\u2009", " ") == text


@pytest.mark.parametrize(
    ("value", "unit", "code"),
    [
        (0.47, "Ω", "R47"), (4.7, "Ω", "4R7"), (470, "Ω", "470R"), (4700, "Ω", "4K7"), (47_000, "Ω", "47K"),
        (47_300, "Ω", "47K3"), (470_000, "Ω", "470K"), (4.7e6, "Ω", "4M7"), (0.005, "Ω", "R005"), (0, "Ω", "0R"),
        (0.33e-12, "F", "p33"), (3.3e-12, "F", "3p3"), (2.2e-9, "F", "2n2"), (1e-7, "F", "100n"), (4.7e-6, "F", "4µ7"),
        (1.5e-3, "F", "1m5"),
    ],
)  # fmt: skip
def test_letter_codes(value: float, unit: str, code: str) -> None:
    assert letter_code(value, unit) == code


def test_what_cannot_be_shown() -> None:
    for value in (float("nan"), float("inf")):
        with pytest.raises(QuantityError):
            show(value, "V")
    for value, unit in ((-1.0, "Ω"), (1e-6, "Ω"), (1e15, "Ω"), (1.0, "F"), (1.0, "H")):
        with pytest.raises(QuantityError, match="allowed"):
            letter_code(value, unit)


def test_one_sign_for_each() -> None:
    assert plain(" 10\u2009μF –5 \u2126 ") == "10 µF -5 Ω"
    assert number(1234567, 3) == "1230000"


three_figures = st.builds(lambda d, e: float(f"{d}e{e}"), st.integers(1, 999), st.integers(-12, 9))


@given(value=three_figures, unit=st.sampled_from(["Ω", "F", "H", "V", "A", "W", "Hz", "s", "m"]))
def test_what_is_shown_is_read_back(value: float, unit: str) -> None:
    if unit in "FH" and value >= 1000:
        return
    assert parse(show(value, unit), unit) == value


@given(digits=st.integers(100, 999), exponent=st.integers(-5, 8))
def test_letter_codes_of_resistances_are_read_back(digits: int, exponent: int) -> None:
    value = float(f"{digits}e{exponent}")
    assert parse(letter_code(value, "Ω"), "Ω") == value


@given(digits=st.integers(100, 999), exponent=st.integers(-14, -4))
def test_letter_codes_of_capacitances_are_read_back(digits: int, exponent: int) -> None:
    value = float(f"{digits}e{exponent}")
    assert parse(letter_code(value, "F"), "F") == value


@given(st.text(max_size=80), st.sampled_from(["", "Ω", "F", "V"]))
def test_any_text_is_read_or_refused(text: str, unit: str) -> None:
    try:
        value = parse(text, unit)
    except QuantityError:
        return
    assert isfinite(value)


@pytest.mark.parametrize(
    ("text", "number"),
    [("7", 7), ("007", 7), ("٧", 7), ("", None), ("-7", None), (" 7", None), ("²", None), ("9" * 5000, None)],
)
def test_whole_numbers(text: str, number: int | None) -> None:
    assert whole(text) == number
