"""Money and figures as lists write them, also against the Unicode CLDR through Babel."""

from __future__ import annotations

import random
from contextlib import suppress
from decimal import Decimal

import pytest
from babel.core import get_global
from babel.numbers import NumberFormatError, format_decimal, list_currencies, parse_decimal
from hypothesis import given
from hypothesis import strategies as st

from refettle.ordering.pricelist_figures import lead_in, pack_in_text, percent_in, pieces_in, stock_in
from refettle.ordering.pricelist_model import Number
from refettle.ordering.pricelist_numbers import (
    CURRENCIES,
    FigureError,
    Mark,
    currency_in,
    decide_mark,
    mark_of,
    money_in,
    part,
    to_piece,
)

POINT, COMMA = Mark(".", True), Mark(",", True)
LOCALES = ("en_US", "en_IN", "de_DE", "de_CH", "fr_FR", "nl_NL", "es_ES", "it_IT", "pl_PL", "sv_SE", "pt_BR", "cs_CZ")


@pytest.mark.parametrize("locale", LOCALES)
@given(value=st.decimals("0.01", "9999999.99", places=2))
def test_amounts_as_countries_write_them(locale: str, value: Decimal) -> None:
    """Written by Babel from the CLDR; read back by the mark that the CLDR has for the country."""
    text = format_decimal(value, format=None, locale=locale, decimal_quantization=False)
    mark = COMMA if format_decimal(Decimal("1.5"), locale=locale)[1] == "," else POINT
    money = money_in(text, mark)
    assert money is not None
    assert money.value == value == parse_decimal(text, locale=locale)


@given(st.integers(1, 999_999_999), st.integers(0, 4), st.sampled_from(("en_US", "de_DE")), st.booleans())
def test_the_decimal_mark_is_told_only_where_babel_would_agree(
    digits: int, places: int, locale: str, group: bool
) -> None:
    """What is read as sure has no other reading by Babel's strict rules."""
    value = Decimal(digits).scaleb(-places)
    text = format_decimal(value, format="#,##0.####" if group else "0.####", locale=locale)
    readings = {}
    for mark, name in ((".", "en_US"), (",", "de_DE")):
        try:
            readings[mark] = parse_decimal(text, locale=name, strict=True)
        except NumberFormatError:
            continue
    said = mark_of(text)
    if said in (".", ","):
        assert readings[said] == value
        other = readings.get("," if said == "." else ".")
        assert other is None or other == value or text.startswith("0")
    elif said == "?":
        assert len(set(readings.values())) == 2


def test_codes_of_currencies_are_those_of_the_cldr() -> None:
    """Each code is one of the CLDR; each that is legal tender somewhere by the CLDR's territories is here."""
    assert list_currencies("en") >= CURRENCIES
    tender = {
        code
        for uses in get_global("territory_currencies").values()
        for code, _, until, legal in uses
        if legal and until is None
    }
    # Babel's CLDR may lag behind or run ahead of changes of the last years.
    assert len(tender - CURRENCIES) <= 6, sorted(tender - CURRENCIES)


@pytest.mark.parametrize(
    ("cell", "mark", "value", "currency"),
    [
        ("€ 1.234,56", COMMA, "1234.56", "EUR"),
        ("1,234.56 USD", POINT, "1234.56", "USD"),
        ("1'234.50", POINT, "1234.50", ""),
        ("1’234.50 CHF", POINT, "1234.50", "CHF"),
        ("Fr. 12.50", POINT, "12.50", "CHF"),
        ("12,-", COMMA, "12", ""),
        ("12.–", POINT, "12", ""),
        ("1 234,5 kr", COMMA, "1234.5", "SEK"),
        ("£0.05", POINT, "0.05", "GBP"),
        (".5", POINT, "0.5", ""),
        ("１２.５", POINT, "12.5", ""),
        ("1,5E-2", COMMA, "0.015", ""),
        ("0.20 EUR each", POINT, "0.20", "EUR"),
        ("1,23,456.00", POINT, "123456", ""),
    ],
)
def test_prices_in_cells(cell: str, mark: Mark, value: str, currency: str) -> None:
    money = money_in(cell, mark)
    assert money is not None
    assert (money.value, money.currency) == (Decimal(value), currency)


@pytest.mark.parametrize(
    "cell",
    ["-1.50", "(1.50)", "1.50-", "0", "0.00", "call", "POA", "1.2.3", "1,2,3.4", "1.5 2.5", "5 apples", "1:30", "€"],
)
def test_what_is_no_price_is_refused(cell: str) -> None:
    with pytest.raises(FigureError):
        money_in(cell, POINT)


def test_a_price_may_say_for_how_many_it_is() -> None:
    for text, per in (("12.50/100", 100), ("12.50 EUR / 1000 pcs", 1000), ("0.20 per pc", 1), ("0.20", 0)):
        money = money_in(text, POINT)
        assert money is not None
        assert money.per == per


def test_a_dollar_is_that_of_the_supplier() -> None:
    assert currency_in("$") == "USD"
    assert currency_in("$", "AUD") == "AUD"
    assert currency_in("kr", "DKK") == "DKK"
    assert currency_in("€", "USD") == "EUR"


@pytest.mark.parametrize(
    ("texts", "mark", "sure"),
    [
        (["1,234", "2,50"], ",", True),
        (["1,234", "1,234.50"], ".", True),
        (["1.234.567", "1.234"], ",", True),
        (["12", "7"], ".", True),
        (["1,234", "2,500"], "", False),
        (["1,25", "1,5", "2.50"], ",", False),
    ],
)
def test_the_mark_is_decided_over_the_whole_column(texts: list[str], mark: str, sure: bool) -> None:
    decided = decide_mark(texts)
    assert (decided.mark, decided.sure, bool(decided.doubt)) == (mark, sure, not sure)


def test_what_may_be_two_amounts_is_refused_until_the_mark_is_said() -> None:
    with pytest.raises(FigureError, match=r"1\.234 or 1234"):
        money_in("1,234", decide_mark(["1,234"]))
    assert money_in("1,234", COMMA).value == Decimal("1.234")  # type: ignore[union-attr]
    assert money_in("1,234", POINT).value == 1234  # type: ignore[union-attr]


def test_price_of_one_is_exact_to_six_decimals() -> None:
    assert to_piece(Decimal("12.345"), 1000) == Decimal("0.012345")
    assert to_piece(Decimal(10), 3) == Decimal("3.333333")
    assert str(to_piece(Decimal("0.3"), 1)) == "0.30"
    assert to_piece(Decimal(200), 1, Decimal("12.5")) == 175
    with pytest.raises(FigureError):
        to_piece(Decimal("0.001"), 10_000)


@pytest.mark.parametrize(
    ("cell", "pieces"),
    [("10+", 10), ("100 pcs", 100), ("1'000", 1000), ("1,000", 1000), ("1k", 1000), ("10-99", 10), ("ab 25", 25),
     ("≥ 5", 5), ("10.0", 10), ("-", None), ("/10", 10), ("pack of 10", 10)],
)  # fmt: skip
def test_pieces(cell: str, pieces: int | None) -> None:
    assert pieces_in(cell) == pieces


@pytest.mark.parametrize("cell", ["ten", "1.5", "-3", "0", "10000000", "1,23"])
def test_what_is_no_number_of_pieces(cell: str) -> None:
    with pytest.raises(FigureError, match="whole number"):
        pieces_in(cell)


@pytest.mark.parametrize(
    ("cell", "stock"),
    [(">1000", 1000), ("in stock", None), ("call", None), ("out of stock", 0), ("0", 0), ("1.250 Stk", 1250),
     ("250+", 250), ("120 (300 on order)", 120), ("auf Lager", None), ("no", 0), (Number(Decimal(7)), 7)],
)  # fmt: skip
def test_stock(cell: str | Number, stock: int | None) -> None:
    assert stock_in(cell) == stock


@pytest.mark.parametrize(
    ("cell", "days"),
    [("3-5 days", 5), ("2 wks", 14), ("5", 5), ("5 working days", 7), ("24 h", 1), ("2 Wochen", 14), ("1 month", 30),
     ("3 Werktage", 5), ("ex stock", 0), ("ca. 10 Tage", 10), (Number(Decimal(4)), 4)],
)  # fmt: skip
def test_lead_time(cell: str | Number, days: int) -> None:
    assert lead_in(cell) == days
    assert lead_in("2", "weeks") == 14


def test_words_that_are_no_lead_time_or_stock() -> None:
    for read in (lead_in, stock_in):
        with pytest.raises(FigureError):
            read("as soon as may be")


def test_discounts() -> None:
    assert percent_in("15 %", False) == 15
    assert percent_in("-7,5%", False) == Decimal("7.5")
    assert percent_in(Number(Decimal(15), percent=True), False) == 15
    for cell in ("0.15", "100", "-", "half"):
        if cell == "-":
            assert percent_in(cell, False) == 0
            continue
        with pytest.raises(FigureError, match="discount"):
            percent_in(cell, False)


@pytest.mark.parametrize(
    ("text", "pack"),
    [("Fuse 2 A, pack of 10", 10), ("Fuse /10", 10), ("100u/10V", 1), ("100u/10", 1), ("Screws 100 pcs/bag", 100),
     ("10er Pack Sicherung", 10), ("Reel of 1000", 1000), ("Film 100 nF x 50", 50), ("Set of belts", 1),
     ("M3 x 10 mm", 1)],
)  # fmt: skip
def test_pack_in_a_name(text: str, pack: int) -> None:
    assert pack_in_text(text) == pack


@pytest.mark.parametrize("price", ["1e40", "1e308", "1e-40"])
def test_no_price_is_too_long_to_be_rounded(price: str) -> None:
    with pytest.raises(FigureError, match="for one found; allowed: more than 0, up to 1,000,000"):
        to_piece(Decimal(price), 1)


@given(st.text(max_size=40))
def test_no_cell_breaks_the_reader(text: str) -> None:
    part(text)
    for read in (lambda c: money_in(c, POINT), pieces_in, stock_in, lead_in, lambda c: percent_in(c, True)):
        with suppress(FigureError):  # any text may be refused, in words
            read(text)
    assert pack_in_text(text) >= 1


def test_random_amounts_survive_a_column() -> None:
    """A column of amounts with cents, in any of the ways, is read as it was meant."""
    rng = random.Random(4)
    for locale in LOCALES:
        values = [Decimal(rng.randrange(1, 10 ** rng.randrange(2, 8))) / 100 for _ in range(40)] + [Decimal("1.25")]
        texts = [format_decimal(v, format="#,##0.00", locale=locale) for v in values]
        mark = decide_mark(texts)
        assert [money_in(t, mark).value for t in texts] == values  # type: ignore[union-attr]
