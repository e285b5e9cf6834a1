"""Markings against published tables and worked examples, each source named beside its figures.

The standards themselves (IEC 60062, IEC 60063, EIA-198) could not be read; what is checked is what public texts print
of them. 'From memory' where no text was read.
"""

from __future__ import annotations

import eseries
import pytest

from refettle.parts.markings import Reading, read_marking
from refettle.parts.markings_bands import TEMPCOS, TOLERANCES, read_bands
from refettle.parts.markings_capacitors import characteristic_of, read_chip_letters, volts_of
from refettle.parts.markings_codes import read_letters, tolerance_of
from refettle.parts.markings_dates import LETTERS, read_dates
from refettle.parts.markings_digits import CAN_VOLTS, EIA_96, read_digits, read_eia_96
from refettle.parts.markings_series import SERIES, nearest, series_of


def values(readings: object, kind: str) -> set[float | None]:
    assert hasattr(readings, "__iter__")
    return {each.value for each in readings if isinstance(each, Reading) and each.kind == kind}


@pytest.mark.parametrize("name", SERIES)
def test_series_against_a_package(name: str) -> None:
    """The package eseries (Python Package Index), which holds every series as a typed table.

    A second package, iec60063 0.2, agrees but for 297 in E192, where rounding gives 298 (297.8).
    """
    table = eseries.series(getattr(eseries, name))
    assert table == SERIES[name]
    for each in table:
        for decade in range(-12, 9):
            value = float(f"{each}e{decade}")
            assert list(SERIES).index(series_of(value)) <= list(SERIES).index(name) or name not in (
                "E48",
                "E96",
                "E192",
            )
            assert nearest(value, name) == value


def test_nothing_else_is_in_a_series() -> None:
    """Every three-figure number that the same package does not list is in no series here."""
    tables = [eseries.series(getattr(eseries, name)) for name in SERIES]
    listed = {each * 10 if each < 100 else each for table in tables for each in table}
    for figures in range(100, 1000):
        assert bool(series_of(float(figures))) == (figures in listed)


def test_where_e24_is_not_round() -> None:
    """Eight values of E24 and one of E192 are not rounded powers of ten: g4usp table of E series; 920 from memory."""
    e24 = {a for a, n in zip(SERIES["E24"], range(24), strict=True) if a != round(10 * 10 ** (n / 24))}
    assert e24 == {27, 30, 33, 36, 39, 43, 47, 82}
    assert [a for n, a in enumerate(SERIES["E192"]) if a != round(100 * 10 ** (n / 192))] == [920]


@pytest.mark.parametrize(
    ("code", "ohms"),
    [("R47", 0.47), ("4R7", 4.7), ("470R", 470), ("4K7", 4.7e3), ("47K", 47e3), ("47K3", 47.3e3), ("470K", 470e3),
     ("4M7", 4.7e6)],
)  # fmt: skip
def test_resistance_letters(code: str, ohms: float) -> None:
    """Examples of IEC 60062 as the encyclopedia article 'RKM code' prints them."""
    assert ohms in values(read_letters(code), "resistor")
    assert read_marking(code, kind="resistor")[0].value == ohms


@pytest.mark.parametrize(
    ("code", "farads"),
    [("µ47", 0.47e-6), ("4µ7", 4.7e-6), ("47µ", 47e-6),  # encyclopedia article 'Ceramic capacitor', imprinted markings
     ("n25", 0.25e-9), ("2n5", 2.5e-9), ("25n", 25e-9), ("1K", 1e-9), ("10K", 10e-9), ("100K", 100e-9),
     # the last six: electronics-tutorial.net, colour coding in capacitors (K there is a thousand picofarads)
     ("2n2", 2.2e-9)],  # student notes 'Capacitor markings'
)  # fmt: skip
def test_capacitance_letters(code: str, farads: float) -> None:
    found = read_marking(code, kind="capacitor")
    assert farads in {each.value for each in found}


@pytest.mark.parametrize(
    ("text", "farads", "percent", "volts"),
    [("105K 330V", 1e-6, 10, 330), ("473M 100V", 47e-9, 20, 100),  # encyclopedia article 'Ceramic capacitor'
     ("2A474J", 470e-9, 5, 100), ("2A102K", 1e-9, 10, 100),  # oriedza.blogspot.com and jestineyong.com, 2A codes
     (".1K63", 100e-9, 10, 63), ("1K63", 1e-6, 10, 63)],  # pedalprojects.co.uk, values in µF without a unit
)  # fmt: skip
def test_capacitors_in_words(text: str, farads: float, percent: float, volts: float) -> None:
    found = [each for each in read_marking(text, kind="capacitor") if each.value == farads and each.voltage == volts]
    assert percent / 100 in {each.tolerance.high for each in found if each.tolerance}


@pytest.mark.parametrize(
    ("letter", "low", "high"),
    # service manual code chart (DP19649, page 41) and a table of general tolerance codes (3bmdesign.com)
    [("J", -5, 5), ("K", -10, 10), ("M", -20, 20), ("N", -30, 30), ("Z", -20, 80), ("T", -10, 50), ("P", 0, 100),
     ("F", -1, 1), ("G", -2, 2), ("H", -3, 3), ("Q", -10, 30), ("S", -20, 50)],
)  # fmt: skip
def test_tolerance_letters_of_capacitors(letter: str, low: float, high: float) -> None:
    found = tolerance_of(letter, "capacitor", 1e-9)
    assert found is not None
    assert (found.low, found.high, found.absolute) == (low / 100, high / 100, False)


@pytest.mark.parametrize(("letter", "picofarads"), [("B", 0.1), ("C", 0.25), ("D", 0.5)])
def test_tolerance_letters_below_ten_picofarads(letter: str, picofarads: float) -> None:
    """The same chart: C ±0.25 pF, D ±0.5 pF; B ±0.1 pF from the second table."""
    found = tolerance_of(letter, "capacitor", 4.7e-12)
    assert found is not None
    assert (found.high, found.absolute) == (pytest.approx(picofarads * 1e-12), True)


@pytest.mark.parametrize(("letter", "percent"), [("D", 0.5), ("F", 1), ("G", 2), ("J", 5), ("K", 10), ("M", 20)])
def test_tolerance_letters_of_resistors(letter: str, percent: float) -> None:
    """The same service manual's chart for resistors."""
    found = tolerance_of(letter, "resistor")
    assert found is not None
    assert found.high == percent / 100


# Table on the page 'Reading resistors' of a teaching site (developer.wildernesslabs.co), all 96 places.
PLACES = """
100 102 105 107 110 113 115 118 121 124 127 130 133 137 140 143 147 150 154 158 162 165 169 174 178 182 187 191 196
200 205 210 215 221 226 232 237 243 249 255 261 267 274 280 287 294 301 309 316 324 332 340 348 357 365 374 383 392
402 412 422 432 442 453 464 475 487 499 511 523 536 549 562 576 590 604 619 634 649 665 681 698 715 732 750 768 787
806 825 845 866 887 909 931 953 976"""
POWERS = {"Z": -3, "Y": -2, "R": -2, "X": -1, "S": -1, "A": 0, "B": 1, "H": 1, "C": 2, "D": 3, "E": 4, "F": 5}


def test_eia_96() -> None:
    assert EIA_96 == POWERS
    figures = PLACES.split()
    assert len(figures) == 96
    for place, each in enumerate(figures, 1):
        for letter, power in POWERS.items():
            assert values(read_eia_96(f"{place:02d}{letter}"), "resistor") == {float(f"{each}e{power}")}
    assert values(read_eia_96("66B"), "resistor") == {4750.0}  # the page's own example


# ResistorLabels.pdf (user-attachments/files 21391261): value, three-digit, four-digit and EIA-96 codes.
LABELS = """
5.1 5R1 5R10 -; 10 100 10R0 01X; 12 120 12R0 -; 13 130 13R0 12X; 47 470 47R0 -; 100 101 1000 01A; 180 181 1800 -
200 201 2000 30A; 220 221 2200 -; 330 331 3300 -; 470 471 4700 -; 680 681 6800 -; 1e3 102 1001 01B; 1500 152 1501 18B
2400 242 2401 -; 2700 272 2701 -; 3300 332 3301 -; 4700 472 4701 -; 5600 562 5601 -; 1e4 103 1002 01C; 18e3 183 1802 -
22e3 223 2202 -; 27e3 273 2702 -; 47e3 473 4702 -; 51e3 513 5102 -; 56e3 563 5602 -; 100e3 104 1003 01D
150e3 154 1503 18D; 220e3 224 2203 -; 470e3 474 4703 -; 1e6 105 1004 01E; 2.2e6 225 2204 -"""


@pytest.mark.parametrize("line", LABELS.strip().replace("\n", "; ").split("; "))
def test_chip_resistor_labels(line: str) -> None:
    ohms, *codes = line.split()
    for code in codes:
        if code != "-":
            assert float(ohms) in {each.value for each in read_marking(code, kind="resistor")}


@pytest.mark.parametrize(
    ("bands", "ohms", "percent", "ppm"),
    [
        # resistorcolorcodes.org, after IEC 60062
        ("brown black red gold", 1e3, 5, None), ("yellow violet red gold", 4.7e3, 5, None),
        ("red red orange gold", 22e3, 5, None), ("brown black black gold brown", 10, 1, None),
        # hirophysics.com laboratory sheet on colour codes
        ("yellow green orange silver", 45e3, 10, None), ("yellow white yellow brown gold", 4940, 5, None),
        ("violet grey green red silver brown", 78_500, 10, 100),
        # exercises with answers: ibooks 1036699383 page 66; 365electric.com
        ("yellow violet orange silver", 47e3, 10, None), ("yellow violet brown gold", 470, 5, None),
        # an answer sheet at pastes.io 73r2ljyii3
        ("white brown brown gold", 910, 5, None), ("brown red gold gold", 1.2, 5, None),
        ("orange orange black gold", 33, 5, None),
    ],
)  # fmt: skip
def test_worked_bands(bands: str, ohms: float, percent: float, ppm: float | None) -> None:
    best = read_marking(bands, kind="resistor")[0]
    assert best.tolerance is not None
    assert (best.value, best.tolerance.high) == (ohms, percent / 100)
    assert best.tempco == (None if ppm is None else pytest.approx(ppm * 1e-6))


def test_tolerances_and_temperature_coefficients_of_bands() -> None:
    """resistorcolorcodes.org; a public wiki page 'Resistor Bands'. Where charts disagree, all meanings are kept."""
    chart = {"brown": 1, "red": 2, "green": 0.5, "blue": 0.25, "violet": 0.1, "grey": 0.05, "gold": 5, "silver": 10,
             "orange": 0.05, "yellow": 0.02}  # fmt: skip
    for colour, percent in chart.items():
        assert percent in {meaning[0] for meaning in TOLERANCES[colour]}
    assert {meaning[0] for meaning in TOLERANCES["orange"]} >= {3.0}  # gist pwillard/a415d93f: orange 3 %, yellow 4 %
    assert {meaning[0] for meaning in TOLERANCES["yellow"]} >= {4.0}
    assert TEMPCOS == {"black": 250, "brown": 100, "red": 50, "orange": 15, "yellow": 25, "green": 20, "blue": 10,
                       "violet": 5, "grey": 1}  # fmt: skip


@pytest.mark.parametrize(
    ("bands", "farads", "percent", "volts"),
    # engineersgarage.com on polyester capacitors (value); headshotsmarathon.org (brown red green white yellow);
    # red 250 V and yellow 400 V: classcycles.fr chart
    [("brown black orange black red", 10e-9, 20, 250), ("red red yellow white red", 220e-9, 10, 250),
     ("brown red green white yellow", 1.2e-6, 10, 400)],
)  # fmt: skip
def test_polyester_bands(bands: str, farads: float, percent: float, volts: float) -> None:
    found = [each for each in read_bands(bands) if each.kind == "capacitor"]
    assert any(
        each.value == farads and each.voltage == volts and each.tolerance and each.tolerance.high == percent / 100
        for each in found
    )


@pytest.mark.parametrize(
    ("text", "henries"),
    # a distributor's forum, 4332 'part markings'; rfcafe.com chart of coil bands; a maker's page on colour dots
    [("4R7", 4.7e-6), ("100", 10e-6), ("101", 100e-6), ("green blue brown gold", 560e-6), ("grey red black", 82e-9),
     ("brown red brown", 120e-9), ("yellow violet red", 4700e-9)],
)  # fmt: skip
def test_coils(text: str, henries: float) -> None:
    assert henries in {each.value for each in read_marking(text, kind="inductor")}


def test_voltage_codes() -> None:
    """oriedza.blogspot.com, 'Capacitor code table'; agrees with a public parts-list table (jshebey/PushPin)."""
    table = {"0G": 4, "0L": 5.5, "0J": 6.3, "1A": 10, "1C": 16, "1E": 25, "1H": 50, "1J": 63, "1K": 80, "2A": 100,
             "2Q": 110, "2B": 125, "2C": 160, "2Z": 180, "2D": 200, "2P": 220, "2E": 250, "2F": 315, "2V": 350,
             "2G": 400, "2W": 450, "2H": 500, "2J": 630, "3A": 1000, "1V": 35, "2T": 150, "1D": 20, "1G": 40,
             "0E": 2.5, "3B": 1250}  # fmt: skip
    assert {code: volts_of(code) for code in table} == table


def test_can_letters() -> None:
    """elektronika24.pl, 'Oznaczenia SMD kondensatorow elektrolitycznych', with its example A475."""
    table = {"e": 2.5, "G": 4, "J": 6.3, "A": 10, "C": 16, "D": 20, "E": 25, "V": 35, "H": 50}
    assert {letter: CAN_VOLTS[letter] for letter in table} == table
    best = read_marking("A475")[0]
    assert (best.value, best.voltage) == (4.7e-6, 10)


def test_chip_ceramic_letters() -> None:
    """marsport.org.uk, 'SMD ceramic capacitors': the whole table, with its examples S3 and KA2."""
    table = """A1.0 B1.1 C1.2 D1.3 E1.5 F1.6 G1.8 H2.0 J2.2 K2.4 L2.7 M3.0 N3.3 P3.6 Q3.9 R4.3 S4.7 T5.1 U5.6 V6.2
               W6.8 X7.5 Y8.2 Z9.1 a2.5 b3.5 d4.0 e4.5 f5.0 m6.0 n7.0 t8.0 y9.0"""
    for letter, figures in ((each[0], each[1:]) for each in table.split()):
        assert values(read_chip_letters(f"{letter}2"), "capacitor") == {float(f"{figures}e-10")}
    assert values(read_chip_letters("S3"), "capacitor") == {4.7e-9}
    assert values(read_chip_letters("KA2"), "capacitor") == {100e-12}


@pytest.mark.parametrize(
    ("code", "low", "high", "change"),
    # EIA designations as reprinted in a chip capacitor catalogue (page 53) and at marvac.com
    [("X7R", -55, 125, "±15"), ("X5R", -55, 85, "±15"), ("Y5V", -30, 85, "−82/+22"), ("Z5U", 10, 85, "−56/+22"),
     ("Y5P", -30, 85, "±10"), ("X7E", -55, 125, "±4.7"), ("Y5F", -30, 85, "±7.5")],
)  # fmt: skip
def test_ceramic_characteristics(code: str, low: float, high: float, change: str) -> None:
    found = characteristic_of(code)
    assert found is not None
    assert found[1] == (low, high)
    assert change in found[0]


def test_three_digit_capacitors() -> None:
    """pedalprojects.co.uk and oriedza.blogspot.com: 8 and 9 as last digit are 0.01 and 0.1."""
    for code, farads in (("470", 47e-12), ("471", 470e-12), ("472", 4.7e-9), ("473", 47e-9), ("474", 470e-9),
                         ("475", 4.7e-6), ("476", 47e-6), ("478", 0.47e-12), ("479", 4.7e-12)):  # fmt: skip
        assert farads in values(read_digits(code), "capacitor")


def test_year_letters() -> None:
    """R = 2003 to W = 2008: encyclopedia article 'Ceramic capacitor'; E = 1994 to M = 2000: N. C. Braga's almanac.

    The same almanac prints N = 2002 to V = 2008, one year late against the first source; the rest of the cycle is from
    memory.
    """
    for letter, year in (("R", 2003), ("S", 2004), ("T", 2005), ("U", 2006), ("V", 2007), ("W", 2008), ("E", 1994),
                         ("F", 1995), ("H", 1996), ("J", 1997), ("K", 1998), ("L", 1999), ("M", 2000)):  # fmt: skip
        for month, sign in enumerate("123456789OND", 1):
            assert (year, month) in {(each.year, each.month) for each in read_dates(f"{letter}{sign}")}
    assert len(LETTERS) == 20


@pytest.mark.parametrize(
    ("code", "year", "week"),
    [("1208", 2012, 8),  # encyclopedia article 'Ceramic capacitor'
     ("7830", 1978, 30), ("8101", 1981, 1),  # classic computer mailing list, 6 April 1998
     ("8332", 1983, 32),  # instructables.com, 'How to read date codes on chips'
     ("9504", 1995, 4)],  # a university's page on chips, 'Manufacturer's date code'
)  # fmt: skip
def test_weeks(code: str, year: int, week: int) -> None:
    best = read_marking(code, kind="date")[0]
    assert (best.year, best.week) == (year, week)


def test_the_trap_of_1974() -> None:
    """The same mailing list: chips of the 7400 family made in 1974 carry two numbers alike. Both are shown."""
    kinds = {each.kind for each in read_marking("7432", (1974, 1975))}
    assert {"type number", "date"} <= kinds


def test_a_number_that_is_no_date() -> None:
    """A page on serial numbers: 8049 in a product of 1985 is the model number, 49 weeks or not."""
    readings = read_marking("8049", (1985, 1985))
    assert readings[0].kind == "type number"
