"""What our encoders print is read back: among the readings, and with everything that was given."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from refettle.parts.markings import MarkingError, Reading, read_marking
from refettle.parts.markings_bands import DIGITS, POWERS, TEMPCOS, TOLERANCES, print_bands
from refettle.parts.markings_capacitors import STANDARD_VOLTS, VOLT_FIGURES, volt_code_of, volts_of
from refettle.parts.markings_codes import letter_of, print_letters, tolerance_of
from refettle.parts.markings_dates import print_month, print_week
from refettle.parts.markings_digits import print_digits, print_eia_96
from refettle.parts.markings_prints import print_electrolytic
from refettle.parts.markings_series import E24, SERIES, nearest, series_of
from refettle.quantities import show

two = st.sampled_from(E24)
three = st.integers(100, 999)


def among(text: str, **wanted: object) -> Reading:
    """The best reading with those fields."""
    for reading in read_marking(text):
        if all(getattr(reading, name) == value for name, value in wanted.items()):
            return reading
    raise AssertionError(f"{text}: no reading has {wanted}")


@given(three, st.integers(-5, 7), st.sampled_from(["", *"BCDFGJKM"]))
def test_letter_codes_of_resistors(digits: int, exponent: int, letter: str) -> None:
    value = float(f"{digits}e{exponent}")
    tolerance = tolerance_of(letter, "resistor") if letter else None
    code = print_letters(value, "resistor", tolerance)
    assert code.endswith(letter)
    among(code, kind="resistor", value=value, tolerance=tolerance)


@given(two, st.integers(-13, -5), st.sampled_from(["", *"FGJKMZ"]))
def test_letter_codes_of_capacitors(digits: int, exponent: int, letter: str) -> None:
    value = float(f"{digits}e{exponent}")
    tolerance = tolerance_of(letter, "capacitor", value) if letter else None
    kind = "electrolytic" if value >= 9.99e-6 else "capacitor"
    among(print_letters(value, "capacitor", tolerance), kind=kind, value=value, tolerance=tolerance)


@given(st.integers(10, 99), st.integers(0, 7), st.sampled_from(["resistor", "capacitor", "inductor"]))
def test_three_digits(digits: int, zeros: int, kind: str) -> None:
    scale = {"resistor": 0, "capacitor": -12, "inductor": -6}[kind]
    value = float(f"{digits}e{zeros + scale}")
    code = print_digits(value, kind)  # type: ignore[arg-type]
    assert code == f"{digits}{zeros}"
    among(code, kind=kind, value=value)


@given(two, st.integers(-2, -1))
def test_three_digits_below_ten_picofarads(digits: int, count: int) -> None:
    value = float(f"{digits}e{count - 12}")
    among(print_digits(value, "capacitor"), kind="capacitor", value=value)


@given(three, st.integers(0, 6))
def test_four_digits(digits: int, zeros: int) -> None:
    value = float(f"{digits}e{zeros}")
    among(print_digits(value, "resistor", 3), kind="resistor", value=value)


@given(st.sampled_from(SERIES["E96"]), st.integers(-3, 5))
def test_eia_96(digits: int, exponent: int) -> None:
    value = float(f"{digits}e{exponent}")
    among(print_eia_96(value), kind="resistor", value=value, system="EIA-96")


@settings(max_examples=200)
@given(
    st.integers(1, 999),
    st.sampled_from(sorted(POWERS.values())),
    st.sampled_from([meanings[0][0] for meanings in TOLERANCES.values()]),
    st.sampled_from([None, *TEMPCOS.values()]),
    st.booleans(),
    st.sampled_from([" ", ", ", "-", "/"]),
)
def test_bands_from_either_end(
    digits: int, power: int, percent: float, ppm: int | None, backward: bool, between: str
) -> None:
    figures = 3 if digits > 99 or ppm is not None else 2
    mantissa = str(digits).ljust(figures, "0")
    value = float(f"{mantissa}e{power}")
    tempco = None if ppm is None else float(f"{ppm}e-6")
    bands = print_bands(value, percent, figures, tempco)
    assert len(bands) == figures + 1 + (percent != 20 or figures == 3) + (ppm is not None)
    text = between.join(bands[::-1] if backward else bands)
    found = among(text, kind="resistor", value=value, tempco=tempco)
    limits = {each.tolerance.high for each in read_marking(text) if each.value == value and each.tolerance}
    assert percent / 100 in {round(limit, 9) for limit in limits}
    assert found.rank >= 1


@given(st.integers(1960, 2029), st.integers(1, 53))
def test_weeks(year: int, week: int) -> None:
    among(print_week(year, week), kind="date", year=year, week=week)


@given(st.integers(1970, 2029), st.integers(1, 12))
def test_months(year: int, month: int) -> None:
    among(print_month(year, month), kind="date", year=year, month=month)
    best = read_marking(print_month(year, month), (year, year), "date")
    assert (best[0].year, best[0].month) == (year, month)


@given(
    two, st.integers(-7, -4), st.sampled_from(sorted(STANDARD_VOLTS)), st.sampled_from([None, 85.0, 105.0]),
    st.booleans(), st.sampled_from(["", "KX", "LZ"]),
)  # fmt: skip
def test_electrolytics(
    digits: int, exponent: int, volts: float, celsius: float | None, bipolar: bool, series: str
) -> None:
    value = float(f"{digits}e{exponent}")
    found = among(print_electrolytic(value, volts, celsius, bipolar, series), value=value, voltage=volts)
    assert found.rank == 1
    assert found.temperature == (None if celsius is None else (None, celsius))
    assert (found.polarity == "bipolar") == bipolar
    if found.kind == "electrolytic":
        assert found.series == series


@given(st.sampled_from([f"{power}{letter}" for power in range(4) for letter in VOLT_FIGURES]))
def test_voltage_codes(code: str) -> None:
    volts = volts_of(code)
    if volts is not None:
        assert volts_of(volt_code_of(volts)) == volts
        among(f"{code}104K", voltage=volts, value=1e-7)


@given(three, st.integers(-12, 6), st.sampled_from(sorted(SERIES)))
def test_nearest_is_in_its_series_and_near(digits: int, exponent: int, series: str) -> None:
    value = float(f"{digits}e{exponent}")
    near = nearest(value, series)
    order = list(SERIES)
    assert order.index(series_of(near)) <= order.index(series) or series_of(near) in ("E3", "E6", "E12", "E24")
    assert 0.5 < near / value < 1.6


@given(two, st.integers(-13, 7), st.sampled_from(["resistor", "capacitor", "inductor"]))
def test_every_series_value_in_full(digits: int, exponent: int, kind: str) -> None:
    unit = {"resistor": "Ω", "capacitor": "F", "inductor": "H"}[kind]
    value = float(f"{digits}e{exponent}")
    if (kind == "resistor" and exponent < -4) or (kind != "resistor" and exponent > -3):
        return
    found = among(show(value, unit), value=value)
    assert found.unit == unit
    assert found.rank == 1


@given(st.text(max_size=130))
def test_any_text_is_read_or_refused(text: str) -> None:
    try:
        readings = read_marking(text)
    except MarkingError:
        return
    assert all(each.says and each.reasons for each in readings)


@given(st.text(alphabet="0123456789RKMpnµuJFVXZ.,/+-°C %?", max_size=14))
def test_any_row_of_such_signs_is_read_or_refused(text: str) -> None:
    try:
        readings = read_marking(text, (1980, 1990))
    except MarkingError:
        return
    assert all(each.says and each.rank >= 1 for each in readings)


@given(st.lists(st.sampled_from([*DIGITS, "gold", "silver", "pink", "?"]), min_size=3, max_size=6))
def test_any_row_of_colours_is_read_or_refused(colours: list[str]) -> None:
    try:
        readings = read_marking(" ".join(colours))
    except MarkingError:
        return
    assert all(each.value is not None for each in readings)


def test_what_cannot_be_printed() -> None:
    for call in (
        lambda: print_digits(4.75e3, "resistor"),
        lambda: print_digits(-1, "resistor"),
        lambda: print_eia_96(4.7e3 + 1),
        lambda: print_bands(4.75e3, 5),
        lambda: print_bands(4.7e3, 7),
        lambda: print_bands(4.7e3, 5, tempco=50e-6),
        lambda: print_week(1986, 54),
        lambda: print_month(1969, 1),
        lambda: nearest(0, "E12"),
        lambda: nearest(10, "E13"),
    ):
        with pytest.raises(ValueError, match="allowed"):
            call()
    assert letter_of(tolerance_of("J", "capacitor") or pytest.fail("J"), "capacitor") == "J"
