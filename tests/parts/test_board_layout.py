"""Layouts of every generation give the same board."""

from __future__ import annotations

from math import hypot

import pytest

from refettle.parts.board import Part, turned
from refettle.parts.board_layout import read_layout
from refettle.parts.board_text import BoardError
from tests.parts.boards import GENERATIONS, PARTS, VERSIONS, P, can, layout


def part(data: bytes, ref: str) -> Part:
    return next(p for p in read_layout(data).parts if p.ref == ref)


@pytest.mark.parametrize("generation", GENERATIONS)
def test_it_works(generation: int) -> None:
    board = read_layout(layout(generation))
    assert board.version == VERSIONS[generation]
    assert board.title == 'Larkmere 48, sound "board"'
    assert [p.ref for p in board.parts] == [p.ref for p in PARTS]
    assert {p.ref: p.value for p in board.parts} == {p.ref: p.value for p in PARTS}
    for read, made in zip(board.parts, PARTS, strict=True):
        assert {pad.number: pad.net for pad in read.pads} == {n: pad[2] for n, pad in made.pads.items()}
        assert read.side == ("back" if made.back else "front")
        assert read.surface_mount == made.smd


@pytest.mark.parametrize("generation", GENERATIONS)
def test_outline_with_rounded_corner(generation: int) -> None:
    board = read_layout(layout(generation))
    assert board.bounds == pytest.approx((0, 0, 0.130, 0.065))
    arc = next(line for line in board.outline if len(line) > 2)
    assert arc[0] == pytest.approx((0.125, 0))
    assert arc[-1] == pytest.approx((0.130, 0.005))
    assert all(hypot(x - 0.125, y - 0.005) == pytest.approx(0.005) for x, y in arc)


@pytest.mark.parametrize(
    ("turn", "second"), [(0, (2.5, 0)), (90, (0, -2.5)), (180, (-2.5, 0)), (270, (0, 2.5)), (-90, (0, 2.5))]
)
def test_pads_turn_counter_clockwise(turn: float, second: tuple[float, float]) -> None:
    pads = part(layout(2024, (can("C1", "1uF", 10, 20, turn, "A", "GND"),)), "C1").pads
    assert (pads[0].x, pads[0].y) == pytest.approx((0.010, 0.020))
    assert (pads[1].x, pads[1].y) == pytest.approx(((10 + second[0]) * 1e-3, (20 + second[1]) * 1e-3))


def test_turned_by_an_eighth() -> None:
    assert turned(1.0, 0.0, 45) == pytest.approx((0.5**0.5, -(0.5**0.5)))


@pytest.mark.parametrize("generation", GENERATIONS)
def test_plus_in_the_print(generation: int) -> None:
    c2 = part(layout(generation), "C2")  # turned by 90 degrees: (-2.1, -1.5) lies at (-1.5, 2.1)
    assert c2.plus_marks == (pytest.approx((0.050 - 0.0015, 0.020 + 0.0021)),)


@pytest.mark.parametrize("generation", GENERATIONS)
def test_body_round_or_box(generation: int) -> None:
    data = layout(generation)
    can_body, box = part(data, "C1").body, part(data, "C5").body
    assert can_body is not None
    assert box is not None
    assert can_body.round
    assert can_body.width == pytest.approx(0.0063)
    assert (can_body.x, can_body.y) == pytest.approx((0.03325, 0.020))
    assert not box.round
    assert (box.width, box.height) == pytest.approx((0.005, 0.0025))


def test_windows_line_ends_and_byte_order_mark() -> None:
    data = b"\xef\xbb\xbf" + layout(2017, newline="\r\n")
    assert len(read_layout(data).parts) == len(PARTS)


def test_net_by_number_only() -> None:
    data = layout(2017).replace(b'(net 1 "+5V")', b"(net 1)").replace(b"(net 1)\n", b'(net 1 "+5V")\n', 1)
    assert {pad.net for pad in part(data, "C5").pads} == {"+5V", "GND"}


@pytest.mark.parametrize("attr", ["through_hole dnp", "through_hole"])
def test_not_fitted(attr: str) -> None:
    spare = P(
        "C1", "1uF", "CP_Radial", (0, 0, 0), {}, attr=attr, extra={} if "dnp" in attr else {"Note": "Not populated"}
    )
    assert not part(layout(2024, (spare,)), "C1").fitted
    assert part(layout(2024), "C1").fitted


def test_designator_used_twice_is_noted() -> None:
    twice = (can("C1", "1uF", 0, 0, 0, "+5V", "GND"), can("C1", "1uF", 9, 0, 0, "+5V", "GND"))
    assert read_layout(layout(2024, twice)).notes == ("C1 stands 2 times on the board",)


def test_empty_board_is_noted() -> None:
    assert read_layout(b"(kicad_pcb (version 20211014))").notes == (
        "the layout has no outline; the map is cut to the parts",
        "the layout has no parts",
    )


@pytest.mark.parametrize(
    ("swap", "line", "said"),
    [
        ((b"(at 32 20 0)", b"(at 32 north 0)"), None, "'north' found; allowed: a number"),
        ((b"(at 32 20 0)", b"(at nan 20 0)"), None, "'nan' found"),
        ((b"(at 32 20 0)", b"(at 32)"), None, "1 numbers found; allowed: at least 2"),
        ((b"(at 32 20 0)", b"(at 32e9 20 0)"), None, "within 10 m"),
        ((b"(kicad_pcb", b"(kicad_sch"), 1, "(kicad_sch found; allowed: an s-expression board layout"),
        ((b"(kicad_pcb", b"hello (kicad_pcb"), 1, "begins with 'hello'"),
    ],
)
def test_refusals_name_line_found_and_allowed(swap: tuple[bytes, bytes], line: int | None, said: str) -> None:
    data = layout(2024)
    assert swap[0] in data
    bad = data.replace(*swap, 1)
    if line is None:
        place = bad.index(b'"Capacitor_THT:CP_Radial_D6.3mm_P2.50mm"')
        line = bad.count(b"\n", 0, place) + 1
    with pytest.raises(BoardError) as refusal:
        read_layout(bad)
    assert str(refusal.value).startswith(f"line {line}: ")
    assert said in str(refusal.value)
