"""Workbooks as price lists: what a spreadsheet does to numbers is said, and what is too large is refused at once."""

from __future__ import annotations

import io
import time
import zipfile
from datetime import date
from decimal import Decimal
from typing import Any

import openpyxl
import pytest

from refettle.ordering.pricelist import Columns, PriceListError, read_list

AT_ONCE_S = 5.0
"""Far above what a refusal takes (hundredths), far below what unpacking would."""


def book(rows: list[list[Any]], **formats: str) -> bytes:
    made = openpyxl.Workbook()
    sheet = made.active
    assert sheet is not None
    for row in rows:
        sheet.append(row)
    for place, shown in formats.items():
        sheet[place].number_format = shown
    out = io.BytesIO()
    made.save(out)
    return out.getvalue()


def test_a_workbook_with_a_title_merged_over_its_columns() -> None:
    made = openpyxl.Workbook()
    sheet = made.active
    assert sheet is not None
    sheet["A1"] = "Prices of Tarn Components"
    sheet.merge_cells("A1:E1")
    for row in ([], ["Part no", "Description", "1+", "100+", "Stock"], ["A", "Fuse 2 A", 0.25, 0.19, ">1000"]):
        sheet.append(row)
    sheet.append(["Belts"])
    sheet.merge_cells("A5:E5")
    sheet.append([4711, "Fuse 2 A", 0.1 + 0.2, None, 12])  # the same text again: a shared string
    out = io.BytesIO()
    made.save(out)
    read = read_list(out.getvalue(), currency="EUR")
    assert [(o.sku, o.breaks, o.stock, o.line) for o in read.offers] == [
        ("A", ((1, Decimal("0.25")), (100, Decimal("0.19"))), 1000, 4),
        ("4711", ((1, Decimal("0.3")),), 12, 6),
    ]
    assert (read.columns.header, read.refused) == (3, ())


def test_numbers_mean_what_their_cells_show() -> None:
    rows = [["Part no", "Price", "Discount"], [471, 1.25, 0.15], ["B", 2, 0]]
    read = read_list(book(rows, A2="00000", B2='#,##0.00 "€"', B3="[$€-407]#,##0.00", C2="0%"))
    first, second = read.offers
    assert (first.sku, first.breaks, first.currency) == ("00471", ((1, Decimal("1.0625")),), "EUR")
    assert (second.breaks, second.currency) == (((1, Decimal(2)),), "EUR")


@pytest.mark.parametrize(
    ("row", "found"),
    [
        ([date(2026, 5, 1), "x", 1.5], "the date 2026-05-01"),
        (["A", "x", date(2026, 5, 1)], "the date 2026-05-01, which a spreadsheet may have made of a number"),
        (["A", "x", "=1+1"], "no price"),
        (["A", "x", -1.5], "'-1.5'"),
        (["A", "x", True], "'yes'"),
        ([1234567890123456789, "x", 1.5], "a number a spreadsheet may have rounded"),
    ],
)
def test_what_a_spreadsheet_spoilt_is_left_out(row: list[Any], found: str) -> None:
    read = read_list(book([["Part no", "Text", "Price"], row, ["Z", "z", 1.5]]))
    assert [o.sku for o in read.offers] == ["Z"]
    assert read.refused[0].line == 2
    assert found in read.refused[0].found
    assert any("formulas" in doubt for doubt in read.doubts) == (row[-1] == "=1+1")


def test_the_sheet_with_most_rows_is_read_or_the_one_named() -> None:
    made = openpyxl.Workbook()
    first = made.active
    assert first is not None
    first.title = "Terms"
    first.append(["Shipping", 5])
    second = made.create_sheet("May")
    for row in (["sku", "price"], ["A", 1.5], ["B", 2.5]):
        second.append(row)
    hidden = made.create_sheet("Costs")
    for n in range(9):
        hidden.append([f"H{n}", n])
    hidden.sheet_state = "hidden"
    out = io.BytesIO()
    made.save(out)
    read = read_list(out.getvalue())
    assert (read.sheet.sheet, read.sheet.sheets, len(read.offers)) == ("May", ("Terms", "May"), 2)
    assert "not read: Terms" in read.doubts[0]
    with pytest.raises(PriceListError, match="sheet: 'June' found; allowed: Terms, May"):
        read_list(out.getvalue(), Columns(sheet="June"))


def test_a_sheet_that_says_it_is_huge_is_read_as_it_is() -> None:
    rows: list[list[Any]] = [["sku", "price"], ["A", 1.5]]
    data = book(rows)
    made = openpyxl.load_workbook(io.BytesIO(data))
    sheet = made.active
    assert sheet is not None
    sheet["XFD1048576"] = "x"  # the last cell there is
    out = io.BytesIO()
    made.save(out)
    began = time.perf_counter()
    assert len(read_list(out.getvalue()).offers) == 1
    assert time.perf_counter() - began < AT_ONCE_S


def zipped(**members: bytes) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as packed:
        for name, data in members.items():
            packed.writestr(name.replace("__", "/").replace("_xml", ".xml"), data)
    return out.getvalue()


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (zipped(xl__workbook_xml=b"<x/>", xl__sharedStrings_xml=b"0" * 200_000_000), "200 MB unpacked"),
        (zipped(xl__workbook_xml=b'<!DOCTYPE a [<!ENTITY b "c">]><a>&b;</a>'), "a document type"),
        (
            zipped(content_xml=b"<x/>", mimetype=b"application/vnd.oasis.opendocument.spreadsheet"),
            "an OpenDocument file",
        ),
        (zipped(xl__workbook_xml=b"<x/>", xl__sharedStrings_xml=b"<si><t/></si>" * 2_000_000), "too many cells"),
        (zipped(xl__workbook_xml=b"<x/>", xl__styles_xml=b"<xf/>" * 900_000), "styles.xml: 4.5 MB found"),
        (zipped(readme=b"words"), "a zip file that is no workbook"),
        (zipped(xl__workbook_xml=b"<x/>"), "a workbook that cannot be read"),
        (book([["sku", "price"]])[:-30], "a broken zip file"),
        (zipped(xl__workbook_xml=b"<x/>", **{f"f{n}": b"" for n in range(2_100)}), "files in one workbook"),
    ],
    ids=["bomb", "entities", "opendocument", "strings", "styles", "zip", "hollow", "cut", "many"],
)
def test_what_is_no_workbook_is_refused_at_once(data: bytes, says: str) -> None:
    began = time.perf_counter()
    with pytest.raises(PriceListError, match=says) as trouble:
        read_list(data)
    assert "allowed" in str(trouble.value)
    assert time.perf_counter() - began < AT_ONCE_S


def test_a_directory_that_lies_about_its_sizes_is_not_believed() -> None:
    """The size in the zip's directory is made small: no more than that is ever unpacked, and the sum is wrong."""
    data = bytearray(zipped(xl__workbook_xml=b"<x/>" + b" " * 90_000_000))
    size = (90_000_004).to_bytes(4, "little")
    for at in [i for i in range(len(data) - 4) if data[i : i + 4] == size]:
        data[at : at + 4] = (1000).to_bytes(4, "little")
    began = time.perf_counter()
    with pytest.raises(PriceListError, match="allowed"):
        read_list(bytes(data))
    assert time.perf_counter() - began < AT_ONCE_S
