"""Parts lists as CSV."""

from __future__ import annotations

import pytest

from refettle.parts.board_csv import read_parts_list
from refettle.parts.board_reading import facts, read_board
from refettle.parts.board_text import BoardError

LIST = """Ref;Value;X;Y;Side;Angle;Plus;Minus;Footprint
C1;470µF 16V;10;20,5;front;90;+5V;GND;CP_Radial_D8.0mm_P3.50mm
C2;10u;30;20;bottom;;AUDIO_OUT;Net-3;CP_Elec_5x5.4
R1;1k;;;;;;;
"""


def test_a_designator_of_any_length() -> None:
    """They are sorted by their numbers: the long one comes last, and is no error of the number's."""
    rows = "".join(f"C{number},10u 25V\n" for number in ("9" * 5000, "10", "2", "010"))
    refs = [each.ref for each in read_board(f"ref,value\n{rows}".encode()).capacitors]
    assert refs == ["C2", "C10", "C010", "C" + "9" * 5000]


def test_it_works() -> None:
    reading = read_board(LIST.encode())
    c1, c2 = reading.electrolytics
    assert (c1.value.farad, c1.value.volt) == (470e-6, 16)
    assert (c1.part.x, c1.part.y) == pytest.approx((0.010, 0.0205))
    assert c1.toward_minus == "up"  # turned by 90 degrees from plus on the left
    assert reading.polarity(c1).plus == "1"
    assert reading.polarity(c1).agreement == "agree"  # the list and the rail's name
    assert reading.seats["C1"].rail == "+5V"
    assert c2.part.side == "back"
    assert c2.toward_minus is None  # no angle: nobody knows which way it lies
    assert reading.seats["C2"].role == "signal"
    assert facts(reading)["notes"] == ["parts without x and y are listed and not drawn"]


def test_placement_file_has_y_upward() -> None:
    board = read_parts_list(b"Ref,Val,Package,PosX,PosY,Rot,Side\nC1,10uF,CP_Radial,12.5,-30,0,top\n")
    assert (board.parts[0].x, board.parts[0].y) == pytest.approx((0.0125, 0.030))


def test_quoted_cells_tabs_and_line_ends() -> None:
    board = read_parts_list(b'\xef\xbb\xbfref\tvalue\r\n"C1"\t"10 uF\t25 V"\r\n\r\nC2\t1u\r\n')
    assert [p.value for p in board.parts] == ["10 uF\t25 V", "1u"]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "line 1: the list is empty"),
        ("name,value\nC1,1u", "line 1: no column ref; found: name, value; allowed"),
        ("ref,side\nC1,front", "line 1: no column value"),
        ("ref,value,value\nC1,1,2", "line 1: two columns for value"),
        ("ref,value\nC1,1u\n,2u", "line 3: ref: empty"),
        ("ref,value\nC1,1u\nC1,2u", "line 3: ref: C1 found again; allowed: once \\(see line 2\\)"),
        ("ref,value\nC1,1u,front", "line 2: 3 cells found; allowed: 2"),
        ("ref,value,side\nC1,1u,inside", "line 2: side: 'inside' found; allowed: front or back"),
        ("ref,value,x,y\nC1,1u,left,2", "line 2: x: 'left' found; allowed: a number in mm"),
        ("ref,value,x,y\nC1,1u,1,", "line 2: y: empty; allowed: both x and y, or neither"),
        ("ref,value,x,y\nC1,1u,inf,1", "line 2: x: 'inf' found"),
        ('ref,value\nC1,"1u', "line 2: no readable list"),
    ],
)
def test_refusals(text: str, said: str) -> None:
    with pytest.raises(BoardError, match=said):
        read_parts_list(text.encode())


def test_bytes_that_are_no_text() -> None:
    with pytest.raises(BoardError, match="line 2: bytes that are no UTF-8"):
        read_parts_list(b"ref,value\nC1,1\xb5F")
