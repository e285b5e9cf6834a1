"""Price lists as they come: any dialect is read back, nasty files are read row by row or refused in words."""

from __future__ import annotations

import csv
import io
from decimal import Decimal
from itertools import pairwise

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from refettle.language import speaking
from refettle.ordering.pricelist import Columns, Listed, PriceListError, PriceRead, open_list, propose, read_list
from refettle.ordering.pricelist_model import MAX_BYTES, columns_from
from refettle.ordering.pricelist_writing import write_list, written_columns


def prices(read: PriceRead) -> dict[str, list[tuple[int, str]]]:
    return {o.sku: [(n, str(p)) for n, p in o.breaks] for o in read.offers}


# ---------------------------------------------------------------- there and back

WORDS = st.text(st.characters(codec="utf-8", exclude_categories=("C", "Z")), min_size=1, max_size=12)
SKUS = st.from_regex(r"[A-Z]{1,3}-[0-9]{1,6}", fullmatch=True)
MONEY = st.integers(1, 9_999_999).map(lambda cents: Decimal(cents) / 100)


@st.composite
def offers(draw: st.DrawFn) -> Listed:
    steps = sorted(draw(st.sets(st.sampled_from((1, 5, 10, 25, 100, 1000)), min_size=1, max_size=4)))
    pack = draw(st.sampled_from((1, 1, 5, 10)))
    least = steps[0] + -steps[0] % pack
    return Listed(
        sku=draw(SKUS),
        breaks=tuple((n, draw(MONEY)) for n in steps),
        currency="EUR",
        name=" ".join(draw(st.lists(WORDS, min_size=1, max_size=4))),
        pack=pack,
        least=least,
        stock=draw(st.none() | st.integers(0, 99_999)),
        lead_days=draw(st.none() | st.integers(0, 90)),
    )


@settings(max_examples=60, suppress_health_check=[HealthCheck.too_slow])
@given(
    rows=st.lists(offers(), min_size=1, max_size=8, unique_by=lambda o: o.sku),
    delimiter=st.sampled_from(",;\t|"),
    decimal=st.sampled_from(".,"),
    encoding=st.sampled_from(("utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-32")),
)
def test_a_list_in_any_dialect_is_read_back_equal(
    rows: list[Listed], delimiter: str, decimal: str, encoding: str
) -> None:
    data = write_list(rows, delimiter, decimal).encode(encoding)
    said = written_columns(rows)
    columns = Columns(said.roles, header=1, decimal=decimal, delimiter=delimiter)
    read = read_list(data, columns if encoding != "utf-16-le" else Columns(
        said.roles, header=1, decimal=decimal, delimiter=delimiter, encoding="utf-16-le"))  # fmt: skip
    assert (read.refused, read.offers) == ((), tuple(rows))


@given(st.lists(offers(), min_size=3, max_size=8, unique_by=lambda o: o.sku), st.sampled_from(";\t|"))
@settings(max_examples=40, suppress_health_check=[HealthCheck.too_slow])
def test_columns_of_a_plain_list_are_proposed_rightly(rows: list[Listed], delimiter: str) -> None:
    read = read_list(write_list(rows, delimiter).encode())
    assert [role for _, role in read.columns.roles] == [role for _, role in written_columns(rows).roles]


@pytest.mark.parametrize("head", ["Part no;1+;10+;100+", "Part no;Qty 1;Qty 10;Qty 100", "Part no;1;10;100"])
def test_a_list_is_read_the_same_in_every_language(head: str) -> None:
    """Roles are kept with the supplier, headings stand in files: neither is a text to translate."""
    data = f"{head}\nA1;0.30;0.25;0.19\nA2;0.40;0.35;0.29\nA3;0.41;0.36;0.30\n".encode()
    english = read_list(data)
    with speaking("de"):
        german = read_list(data)
        assert write_list(english.offers).startswith("Part no;")
    assert german.columns.roles == english.columns.roles
    assert prices(german) == prices(english) != {}


@given(st.binary(max_size=400))
@settings(max_examples=150)
def test_any_bytes_are_read_or_refused_in_words(data: bytes) -> None:
    try:
        read_list(data)
    except PriceListError as error:
        assert "allowed" in str(error)  # noqa: PT017


@given(st.lists(st.lists(st.text(max_size=8), max_size=6), max_size=8), st.sampled_from(",;\t|"))
@settings(max_examples=150)
def test_any_table_is_read_or_refused_in_words(rows: list[list[str]], delimiter: str) -> None:
    out = io.StringIO()
    csv.writer(out, delimiter=delimiter).writerows([["sku", "price", "stock"], *rows])
    try:
        read = read_list(out.getvalue().encode("utf-8", "replace"))
    except PriceListError as error:
        assert "allowed" in str(error)  # noqa: PT017
        return
    for offer in read.offers:
        assert offer.sku.isprintable()
        assert all(price > 0 for _, price in offer.breaks)
        assert all(a[0] < b[0] for a, b in pairwise(offer.breaks))


# ---------------------------------------------------------------- shapes lists come in

SHAPES = {
    "a column for each break": (
        "Order code;Description;1+;10+;100 pcs\nA;Fuse;0.50;0.45;0.40\n",
        {"A": [(1, "0.50"), (10, "0.45"), (100, "0.40")]},
    ),
    "pairs of columns": (
        "Order code;Description;Qty 1;Price 1;Qty 2;Price 2\nA;Fuse;1;0.50;100;0.40\n",
        {"A": [(1, "0.50"), (100, "0.40")]},
    ),
    "a line for each break": (
        "Order code;Description;Qty;Unit price\nA;Fuse;1;0.50\nA;Fuse;100;0.40\nB;Belt;1;1.00\nB;Belt;5;0.90\n",
        {"A": [(1, "0.50"), (100, "0.40")], "B": [(1, "1.00"), (5, "0.90")]},
    ),
    "the number on the first line only": (
        "Order code;Description;Qty;Unit price\nA;Fuse;1;0.50\n;;100;0.40\nB;Belt;1;1.00\n;;5;0.90\n",
        {"A": [(1, "0.50"), (100, "0.40")], "B": [(1, "1.00"), (5, "0.90")]},
    ),
    "a price for a hundred": (
        "Order code;Description;Price per 100\nA;Screw;12.50\n",
        {"A": [(1, "0.125")]},
    ),
    "a price for a pack": (
        "Order code;Description;Pack size;Price per pack\nA;Fuse;10;2.50\n",
        {"A": [(1, "0.25")]},
    ),
    "what a price is for in its own column": (
        "Order code;Description;Price unit;Price\nA;Screw;1000;12.50\nB;Fuse;1;0.5\n",
        {"A": [(1, "0.0125")], "B": [(1, "0.50")]},
    ),
    "a discount": (
        "Order code;Description;Price;Discount %\nA;Fuse;2.00;15\n",
        {"A": [(1, "1.70")]},
    ),
    "a heading of two lines": (
        "Order code;Description;Price in EUR;;\n;;1+;10+;100+\nA;Fuse;0.50;0.45;0.40\n",
        {"A": [(1, "0.50"), (10, "0.45"), (100, "0.40")]},
    ),
    "in German": (
        "Stand Mai\n\nArt.-Nr.;Bezeichnung;VE;ab 1;ab 10\nA;Sicherung;1;1.234,50 €;0,45 €\n",
        {"A": [(1, "1234.50"), (10, "0.45")]},
    ),
    "breaks headed as quantities": (
        "Part no;Description;Qty 1;Qty 10;Qty 100\nA;x;0.5;0.4;0.3\n",
        {"A": [(1, "0.50"), (10, "0.40"), (100, "0.30")]},
    ),
    "with tax and without": ("Code;Desc;Price excl. VAT;Price incl. VAT\nA;x;2.50;3.00\n", {"A": [(1, "2.50")]}),
    "a list price beside": ("Code;Desc;RRP;Net price\nA;x;2.50;1.50\n", {"A": [(1, "1.50")]}),
    "the maker's number beside": (
        "Manufacturer part number;Manufacturer;Order code;Unit Price\nM-1;Quarrel;A;2.50\n",
        {"A": [(1, "2.50")]},
    ),
    "with a line for the spreadsheet": ("sep=;\nsku;price\nA;0.50\n", {"A": [(1, "0.50")]}),
}  # fmt: skip


@pytest.mark.parametrize("shape", SHAPES)
def test_shapes(shape: str) -> None:
    text, wanted = SHAPES[shape]
    read = read_list(text.encode())
    assert prices(read) == wanted
    assert read.refused == ()


def test_terms_of_an_offer() -> None:
    read = read_list(
        b"Part no;Description;Pack;MOQ;Multiple;Stock;Lead time (weeks);Price\n"
        b"A;Fuse;10;15;4;>1000;2;0.10\nB;Fuse pack of 5;;;;in stock;3-5 days;0.20\n"
    )
    a, b = read.offers
    assert (a.pack, a.least, a.stock, a.lead_days) == (20, 20, 1000, 14)  # packs of 10, in fours: by twenties
    assert (b.pack, b.least, b.stock, b.lead_days) == (5, 5, None, 5)
    assert any("price is taken as that of one piece" in doubt for doubt in read.doubts)


def test_breaks_that_count_packs() -> None:
    columns = Columns(roles=(("no", "sku"), ("pack", "pack"), ("1+", "price 1"), ("10+", "price 10")), header=1,
                      per="pack", counts="packs")  # fmt: skip
    (offer,) = read_list(b"no;pack;1+;10+\nA;100;5.00;4.00\n", columns).offers
    assert offer.breaks == ((1, Decimal("0.05")), (1000, Decimal("0.04")))
    assert offer.least == 100


# ---------------------------------------------------------------- nasty rows


@pytest.mark.parametrize(
    ("row", "column", "found"),
    [
        ("A;Fuse;-0.50", "price", "'-0.50'"),
        ("A;Fuse;0", "price", "'0'"),
        ("A;Fuse;call", "price", "no price: 'call'"),
        ("A;Fuse;", "price", "no price"),
        (";Fuse;0.50", "sku", "no number"),
        ("1.23E+12;Fuse;0.50", "sku", "a spreadsheet may have made of a number"),
        (f"{'A' * 81};Fuse;0.50", "sku", "81 letters"),
        ("A\x07;Fuse;0.50", "sku", "control character"),
        ("A;Fuse;0.50 CHF", "currency", "CHF"),
        ("A;Fuse;5. May", "price", "'5. May'"),
        ("A;Fuse;1,234", "price", "'1,234'"),
    ],
)
def test_a_row_that_is_not_safe_is_left_out_by_name(row: str, column: str, found: str) -> None:
    read = read_list(f"sku;name;price\nZ;Belt;1.50\n{row}\nY;Cord;2,5\n".encode(), currency="EUR")
    assert [o.sku for o in read.offers] == ["Z", "Y"]
    (trouble,) = read.refused
    assert (trouble.line, trouble.column) == (3, column)
    assert found in trouble.found
    assert "allowed" in trouble.says


def test_commas_for_columns_and_for_decimals_too_are_not_read_as_whole_amounts() -> None:
    read = read_list(b"sku,name,price\nA,x,1,50\nB,y,2,75\nC,z,3\n")
    assert prices(read) == {"C": [(1, "3.00")]}
    assert "'1' with '50' beside it under no heading" in read.refused[0].found


def test_a_number_twice() -> None:
    read = read_list(b"sku;price\nA;1.50\nA;1.50\nB;2.50\nB;2.60\nC;1.00\n")
    assert sorted(prices(read)) == ["A", "C"]
    assert [(t.line, "another price" in t.found) for t in read.refused] == [(4, True), (5, True)]
    assert [(t.line, "the same as in line 2" in t.found) for t in read.remarks] == [(3, True)]


def test_rows_between_are_no_offers() -> None:
    text = "sku;name;price\nFuses;;\nA;Fuse;0.50\nsku;name;price\nB;Belt;1.50\n;;\nPrices without tax;;\n"
    read = read_list(text.encode())
    assert prices(read) == {"A": [(1, "0.50")], "B": [(1, "1.50")]}
    assert read.refused == ()
    assert any(doubt.startswith("2 rows without number or price") for doubt in read.doubts)


def test_quoted_newlines_keep_the_line_numbers() -> None:
    read = read_list(b'sku,name,price\nA,"Fuse\n2 A",0.50\nB,Belt,none of it\n')
    assert (read.offers[0].name, read.offers[0].line) == ("Fuse 2 A", 2)
    assert read.refused[0].line == 4


def test_a_quote_never_closed_costs_no_rows() -> None:
    rows = "".join(f"A-{i};Cable {i};0.50\n" for i in range(60))
    read = read_list(f'sku;name;price\nX;"19 inch rack;9.50\n{rows}'.encode())
    assert len(read.offers) == 61
    assert any("a quote is opened and not closed" in doubt for doubt in read.doubts)


@pytest.mark.parametrize(
    ("data", "encoding"),
    [
        ("sku;name;price\nA;Elko 100 µF für Netzteil;€ 1,50\n".encode("cp1252"), "cp1252"),
        ("sku;name;price\nA;Elko 100 µF für Netzteil;€ 1,50\n".encode("utf-16"), "utf-16-le"),
        ("sku;name;price\nA;Elko 100 µF für Netzteil;€ 1,50\n".encode("utf-16-be"), "utf-16-be"),
        ("sku;name;price\nA;Elko 100 µF für Netzteil;€ 1,50\n".encode("iso-8859-15"), "iso-8859-15"),
        ("\ufeffsku;name;price\r\nA;Elko 100 µF für Netzteil;€ 1,50\r\n".encode(), "utf-8"),
        ("sku;name;price\rA;Elko 100 µF für Netzteil;€ 1,50\r".encode(), "utf-8"),
        ("sku;name;price\nA;Elko 100 µF für Netzteil;EUR 1,50\n".encode("cp850"), "cp850"),
    ],
)
def test_encodings(data: bytes, encoding: str) -> None:
    read = read_list(data)
    assert read.sheet.encoding == encoding
    (offer,) = read.offers
    assert (offer.name, offer.currency) == ("Elko 100 µF für Netzteil", "EUR")


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (b"", "an empty file"),
        (b" \n \n", "nothing but blanks"),
        (b"just some words\nand more of them\n", "one column"),
        (b"\xd0\xcf\x11\xe0\xa1\xb1", "an old workbook"),
        (b"%PDF-1.7", "a PDF"),
        (b"PK\x03\x04rest", "a broken zip file"),
        (b"sku;price\n\0\0\0\0\0\0\1\2;1\n" + b"\0" * 40, "no text"),
        (b"sku;price;" + b"x;" * 400 + b"\nA;1;" + b"x;" * 400, "columns found; allowed: up to 120"),
        (b"x" * (MAX_BYTES + 1), "MB found"),
        (b"sku;name;note\nA;b;c\n", "no column is said to be the price"),
    ],
)
def test_what_is_no_list_is_refused_whole(data: bytes, says: str) -> None:
    with pytest.raises(PriceListError, match=says) as trouble:
        read_list(data)
    assert "allowed" in str(trouble.value)


def test_too_many_rows_are_refused() -> None:
    with pytest.raises(PriceListError, match="more than 60,000 rows"):
        read_list(b"sku;price\n" + b"".join(b"A%d;1.5\n" % i for i in range(60_001)))


# ---------------------------------------------------------------- columns kept


def test_columns_are_found_again_in_another_order() -> None:
    first = read_list(b"Nr;Was;Geld\nA;Fuse;0,50\n", Columns(
        roles=(("Nr", "sku"), ("Was", "name"), ("Geld", "price")), header=1, decimal=","))  # fmt: skip
    second = read_list(b"News of May\n\nGeld;Neu;Nr;Was\n1,234;x;A;Fuse\n", kept=first.columns)
    assert prices(second) == {"A": [(1, "1.234")]}  # the mark said for the last list holds
    third, doubts = propose(open_list(b"Nr;Was;Preis\nA;Fuse;0,50\n"), "EUR", first.columns)
    assert "'geld'" in doubts[0]
    assert ("Preis", "price") in third.roles


def test_columns_survive_being_kept() -> None:
    columns = read_list(b"Part no;Description;1+;10+\nA;Fuse;0,50;0,45\n").columns
    assert columns_from(columns.as_plain()) == columns
    for wrong in (
        {"roles": [["a", "colour"]]},
        {"decimal": "x"},
        {"per": "dozen"},
        {"currency": "EURO"},
        {"header": -1},
    ):
        with pytest.raises(PriceListError, match="allowed"):
            columns_from({**columns.as_plain(), **wrong})


def test_two_columns_of_one_role_are_refused() -> None:
    with pytest.raises(PriceListError, match="2 columns are said to be sku"):
        read_list(b"a;b;c\n1;2;3\n", Columns(roles=(("a", "sku"), ("b", "sku"), ("c", "price")), header=1))
    with pytest.raises(PriceListError, match="a price to the right of each break"):
        read_list(b"a;b;c\n1;2;3\n", Columns(roles=(("a", "sku"), ("b", "price"), ("c", "price")), header=1))


# ---------------------------------------------------------------- out again


@pytest.mark.parametrize("text", ["=1+1", "+A1", "-2", "@SUM(A1)", "'=1", "a=b", "'quoted'"])
def test_no_formula_goes_out_and_the_text_comes_back(text: str) -> None:
    offer = Listed(text, ((1, Decimal("0.50")),), "EUR", name=text)
    written = write_list([offer])
    cells = next(csv.reader(io.StringIO(written.splitlines()[1]), delimiter=";"))
    assert not cells[0].startswith(("=", "+", "-", "@", "\t"))
    assert not cells[1].startswith(("=", "+", "-", "@", "\t"))
    assert read_list(written.encode(), written_columns([offer])).offers == (offer,)
