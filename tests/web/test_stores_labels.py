"""Labels: what the QR says is read back, nothing is clipped, sheets and positions are as asked."""

from __future__ import annotations

import re
from typing import Any

import numpy as np
import pytest
from django.test import Client
from hypothesis import given
from hypothesis import strategies as st

from refettle.book import stores
from refettle.book.models_stores import Part
from refettle.book.stores_parts import add_part
from refettle.book.stores_search import find
from refettle.drawing import label_sheet
from refettle.drawing.label_sheet import Label, LabelSheetError, Sheet, fitted, sheets, width
from refettle.web.views.stores_labels import LAYOUTS
from tests.support.qr import read_qr
from tests.web.pages import get, text_of

DOTS = 12
"""[1/mm] 300 dpi, as a plain office printer."""


def printed(svg: str) -> np.ndarray[Any, Any]:
    """The QR codes of a sheet as a printer would put them on paper: black and white, 300 dpi."""
    across, tall = (float(each) for each in re.findall(r'viewBox="0 0 ([\d.]+) ([\d.]+)"', svg)[0])
    paper = np.full((round(tall * DOTS), round(across * DOTS)), 255, np.uint8)
    for x, y, scale, path in re.findall(r'translate\(([\d.]+) ([\d.]+)\) scale\(([\d.]+)\)"[^>]* d="([^"]+)"', svg):
        for column, row, run in re.findall(r"M(\d+) (\d+)h(\d+)", path):
            left, top = float(x) + int(column) * float(scale), float(y) + int(row) * float(scale)
            right, bottom = left + int(run) * float(scale), top + float(scale)
            paper[round(top * DOTS) : round(bottom * DOTS), round(left * DOTS) : round(right * DOTS)] = 0
    return paper


def read_back(svg: str) -> list[str]:
    """What OpenCV's own reader finds in each label."""
    paper, found = printed(svg), []
    for x, y, scale, path in re.findall(r'translate\(([\d.]+) ([\d.]+)\) scale\(([\d.]+)\)"[^>]* d="([^"]+)"', svg):
        modules = max(int(c) + int(n) for c, n in re.findall(r"M(\d+) \d+h(\d+)", path)) + label_sheet.QUIET
        side = modules * float(scale) * DOTS
        left, top = float(x) * DOTS, float(y) * DOTS
        cut = paper[int(top) : int(top + side) + 1, int(left) : int(left + side) + 1]
        found.append(read_qr(cut))
    return found


@pytest.mark.parametrize(("name", "sheet"), LAYOUTS)
def test_every_layout_is_read_back_and_fits_its_paper(name: str, sheet: Sheet) -> None:
    address = "http://192.168.178.45:8765/stores/C4u7-50V-105C/"
    label = Label("C4u7-50V-105C", ("radial electrolytic, low height", "4.7 µF 50 V 105 °C", "drawer 12"), address)
    drawn = sheets([label] * (sheet.cells + 1), sheet)
    assert len(drawn) == 2
    assert read_back(drawn[0])[:: sheet.cells - 1] == [address, address]
    right, bottom = sheet.corner(sheet.cells - 1)
    assert right + sheet.wide == pytest.approx(sheet.size[0] - sheet.left)
    assert bottom + sheet.high == pytest.approx(sheet.size[1] - sheet.top)


def test_a_part_used_sheet_goes_on_where_it_is_free() -> None:
    sheet = Sheet()
    drawn = sheets([Label(f"P{n}", (), f"P{n}") for n in range(4)], sheet, start=22)
    assert [svg.count("label-qr") for svg in drawn] == [3, 1]
    first = re.findall(r"translate\(([\d.]+) ([\d.]+)\)", drawn[0])[0]
    x, y = sheet.corner(21)
    assert x < float(first[0]) < x + sheet.wide
    assert y < float(first[1]) < y + sheet.high
    assert read_back(drawn[1]) == ["P3"]


@given(
    st.text(st.characters(codec="utf-8", exclude_categories=("C", "Z")), min_size=1, max_size=40),
    st.lists(st.text(max_size=200), max_size=4),
    st.integers(1, 5),
    st.integers(1, 14),
)
def test_no_text_leaves_its_label(head: str, lines: list[str], columns: int, rows: int) -> None:
    sheet = Sheet(columns=columns, rows=rows)
    drawn = sheets([Label(head, tuple(lines), "A")], sheet)[0]
    for x, y, size, bold, text in re.findall(
        r'<text x="([\d.]+)" y="([\d.]+)" font-size="([\d.]+)"( font-weight)?[^>]*>([^<]*)', drawn
    ):
        assert float(size) >= label_sheet.SMALLEST - 0.01
        assert float(x) + 0 >= sheet.left
        assert float(y) <= sheet.top + sheet.high
        assert float(y) - float(size) >= sheet.top - 0.3
        plain = re.sub(r"&[a-z#0-9]+;", "x", text)
        one = len(plain) == 1  # a single letter is as wide as it is
        assert one or float(x) + width(plain, float(size) - 0.01, bool(bold)) <= sheet.left + sheet.wide + 0.3


def test_a_long_name_is_made_smaller_then_wrapped_then_cut() -> None:
    assert fitted("C4u7-50", 40, 1, 4.0)[1] == 4.0
    small, size = fitted("C4u7-50V-105C-A", 30, 1, 4.0)
    assert (len(small), size < 4.0) == (1, True)
    assert len(fitted("a radial electrolytic of low height", 30, 2, 3.0)[0]) == 2
    cut, size = fitted("a radial electrolytic of low height " * 9, 30, 2, 3.0)
    assert cut[-1].endswith("…")
    assert size == label_sheet.SMALLEST


@pytest.mark.parametrize(
    ("field", "wrong"),
    [("paper", {"paper": "A3"}), ("columns", {"columns": 0}), ("columns", {"columns": 11}), ("rows", {"rows": 40}),
     ("top", {"top": -1.0}), ("left", {"left": 101.0})],
)  # fmt: skip
def test_a_sheet_that_cannot_be(field: str, wrong: dict[str, Any]) -> None:
    with pytest.raises(LabelSheetError, match=f"^{field}: .*found.*allowed") as refused:
        Sheet(**wrong)
    assert refused.value.field == field


def test_a_code_too_fine_to_read_is_refused() -> None:
    with pytest.raises(LabelSheetError, match="dots of"):
        sheets([Label("A", (), "http://example.invalid/" + "x" * 300)], Sheet(columns=5, rows=20, top=5))


# ---------------------------------------------------------------- the page


def bare(page: str) -> list[str]:
    return re.findall(r'<svg class="label-sheet".*?</svg>', page, re.S)


@pytest.fixture
def part(db: None) -> Part:
    made = add_part(name="radial electrolytic", who="Ada", code="C4u7-50", value="4u7 50v", place="drawer 1")
    stores.receive(made, 5, who="Ada", came=stores.Came(code="3114", source="a fair"))
    return made


def test_the_qr_is_the_address_of_the_page_or_the_plain_code(client: Client, part: Part) -> None:
    page = get(client, f"/stores/labels/?part={part.code}")
    assert read_back(bare(page)[0]) == ["http://testserver/stores/C4u7-50/"]
    assert "@page" not in page
    lot = part.lots.get()
    page = get(client, f"/stores/labels/?lot={lot.pk}")
    assert read_back(bare(page)[0]) == [f"http://testserver/stores/C4u7-50/#lot-{lot.pk}"]
    assert "3114" in bare(page)[0]
    said = read_back(bare(get(client, f"/stores/labels/?lot={lot.pk}&qr=code"))[0])[0]
    assert said == f"C4u7-50 lot {lot.pk}"
    assert [each.code for each in find(said).parts()] == ["C4u7-50"]


def test_a_place_copies_and_a_start(client: Client, part: Part) -> None:
    page = get(client, "/stores/labels/?place=drawer+1&copies=5&start=22&paper=Letter&columns=3&rows=8")
    assert [svg.count("label-qr") for svg in bare(page)] == [3, 2]
    assert "labels-letter" in page
    assert 'width="215.9mm"' in page


def test_what_cannot_be_is_said_and_kept(client: Client, part: Part) -> None:
    page = get(client, f"/stores/labels/?part={part.code}&columns=30", 422)
    assert "columns: 30 found" in text_of(page)
    assert 'name="columns" inputmode="numeric" value="30"' in page
    assert "Not in the stores: NONE" in text_of(get(client, "/stores/labels/?part=NONE"))
    for wrong in ("start=25", "copies=0", "top=x", "paper=A3", "rows=1.5"):
        get(client, f"/stores/labels/?part={part.code}&{wrong}", 422)


@pytest.mark.parametrize(("file", "bold"), [("DejaVuSans.ttf", False), ("DejaVuSans-Bold.ttf", True)])
def test_no_letter_is_wider_than_it_is_taken_for(file: str, bold: bool) -> None:
    from PIL import ImageFont

    try:
        font = ImageFont.truetype(file, 1000)
    except OSError:
        pytest.skip(f"no {file} here")
    letters = [chr(n) for n in (*range(0x20, 0x7F), *range(0xA1, 0x180), *map(ord, "Ωµ–°…\u2009"))]
    assert [c for c in letters if font.getlength(c) / 1000 > width(c, 1.0, bold)] == []
