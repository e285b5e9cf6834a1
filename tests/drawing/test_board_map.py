"""The board map: well formed, classes only, minus where it belongs on both sides, labels apart."""

from __future__ import annotations

import re
from xml.etree import ElementTree as ET

import pytest

from refettle.drawing.board import board_map
from refettle.drawing.labels import Labels, overlap
from refettle.parts.board_reading import BoardReading, read_board
from tests.parts.boards import GENERATIONS, P, can, layout, netlist, two

SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture(scope="module")
def reading() -> BoardReading:
    return read_board(layout(2024), netlist())


def marked(drawing: str, side: str, ref: str) -> ET.Element:
    """The group of one capacitor on one side."""
    root = ET.fromstring(drawing)
    panel = next(item for item in root.iter(f"{SVG}svg") if item.get("data-side") == side)
    return next(item for item in panel.iter(f"{SVG}g") if item.get("data-ref") == ref)


def middle(path: ET.Element) -> tuple[float, float]:
    """Mean of the corners of a path made of M and L."""
    numbers = [float(n) for n in re.findall(r"-?\d+\.\d+", path.get("d") or "")]
    return sum(numbers[::2]) / len(numbers[::2]), sum(numbers[1::2]) / len(numbers[1::2])


@pytest.mark.parametrize("generation", GENERATIONS)
def test_it_works(generation: int) -> None:
    drawing = board_map(read_board(layout(generation), netlist()))
    root = ET.fromstring(drawing)
    title, desc = root.find(f"{SVG}title"), root.find(f"{SVG}desc")
    assert title is not None
    assert title.text == 'Electrolytic capacitors of Larkmere 48, sound "board"'
    assert desc is not None
    assert "6 electrolytic capacitors, the minus side dark: C1, 470\u2009µF 16\u2009V, on the front, minus right;" in (
        desc.text or ""
    )
    assert "C6, 10\u2009µF 25\u2009V, on the back, minus left" in (desc.text or "")
    assert "C7, 2.2\u2009µF 50\u2009V, on the front, polarity not agreed" in (desc.text or "")
    assert "To be looked at: C9." in (desc.text or "")
    assert root.get("aria-labelledby") == "board-map-title board-map-desc"
    sides = [item.get("data-side") for item in root.iter(f"{SVG}svg") if item.get("data-side")]
    assert sides == ["front", "back"]


def test_classes_only_unless_it_stands_alone(reading: BoardReading) -> None:
    assert "<style" not in board_map(reading)
    assert "<style" in board_map(reading, alone=True)
    for item in ET.fromstring(board_map(reading)).iter():
        assert not {"style", "fill", "stroke"} & set(item.keys())


def test_minus_lies_toward_its_pad_and_mirrored_behind(reading: BoardReading) -> None:
    drawing = board_map(reading)
    c1, c6 = marked(drawing, "front", "C1"), marked(drawing, "back", "C6")
    dark, body = (c1.find(f"{SVG}path[@class='{css}']") for css in ("bm-minus", "bm-body"))
    assert dark is not None
    assert body is not None
    # the half disc runs from the top of the can clockwise to its bottom: the right half
    assert re.match(r"M(\S+) (\S+)A\S+ \S+ 0 0 1 \1 (\S+)z", dark.get("d") or "")
    dark, body = (c6.find(f"{SVG}path[@class='{css}']") for css in ("bm-minus", "bm-body"))
    assert dark is not None
    assert body is not None
    assert middle(dark)[0] < middle(body)[0]  # pad 2 lies right of pad 1 from the front, left from behind


def test_joints_of_wired_parts_show_behind(reading: BoardReading) -> None:
    drawing = board_map(reading)
    joints = marked(drawing, "back", "C1").findall(f"{SVG}circle")
    plus, minus = joints
    assert minus.get("class") == "bm-pad bm-minus"
    assert float(minus.get("cx") or 0) < float(plus.get("cx") or 0)
    with pytest.raises(StopIteration):
        marked(drawing, "front", "C6")  # a surface-mount part shows on its own side only


def test_polarity_not_agreed_shows_no_minus(reading: BoardReading) -> None:
    c7 = marked(board_map(reading), "front", "C7")
    assert c7.find(f"{SVG}path[@class='bm-minus']") is None


def test_states_and_close_up(reading: BoardReading) -> None:
    states = {"C1": "next", "C2": "out", "C9": "done", "C3": "whatever"}
    drawing = board_map(reading, sides=("front",), around="C1", states=states)
    assert marked(drawing, "front", "C1").get("class") == "bm-cap bm-next"
    assert marked(drawing, "front", "C2").get("class") == "bm-cap bm-out"
    assert marked(drawing, "front", "C9").get("class") == "bm-cap bm-perhaps bm-done"
    assert ">C1 470\u2009µF 16\u2009V</text>" in drawing
    assert "drawn 4 : 1" in drawing
    with pytest.raises(StopIteration):
        marked(drawing, "front", "C3")  # too far away
    with pytest.raises(ValueError, match="around: 'C99' found"):
        board_map(reading, around="C99")


def test_text_is_escaped_and_ids_are_ours() -> None:
    odd = read_board(layout(2024, (can("C1<&>", "1u<b>", 0, 0, 0, "A&B", "GND"),)))
    root = ET.fromstring(board_map(odd, ident="two"))
    assert root.get("aria-labelledby") == "two-title two-desc"
    assert any(item.get("data-ref") == "C1<&>" for item in root.iter())


@pytest.mark.parametrize("data", [b"(kicad_pcb)", b"ref,value\nC1,1u\n", b"ref,value,x,y\nC1,1u CP,3,4\n"])
def test_boards_with_next_to_nothing(data: bytes) -> None:
    ET.fromstring(board_map(read_board(data)))


def test_upright_board_has_its_sides_beside_each_other() -> None:
    tall = read_board(
        layout(2024, (can("C1", "1u", 0, 0, 0, "A", "GND"), can("C2", "1u", 0, 90, 0, "A", "GND"))).replace(
            b"gr_", b"x_"
        )
    )
    root = ET.fromstring(board_map(tall))
    places = [(item.get("x"), item.get("y")) for item in root.iter(f"{SVG}svg") if item.get("data-side")]
    assert places[0][1] == places[1][1]
    assert places[0][0] != places[1][0]


def test_labels_keep_clear() -> None:
    parts = [(10.0 + 7 * n, 10.0, 15.0 + 7 * n, 15.0) for n in range(8)]
    labels = Labels(3.0, parts, (0, 0, 80, 40))
    for n, part in enumerate(parts):
        labels.place(f"C{100 + n}", part)
    for n, box in enumerate(labels.labels):
        assert not any(overlap(box, other) for other in labels.labels[n + 1 :])
        assert not any(overlap(box, part) for part in parts)


def test_crowded_board_is_drawn_in_time() -> None:
    many = tuple(P(f"C{n}", "1u", "CP_Radial", (n % 50 * 3, n // 50 * 3, 0), two("A", "GND")) for n in range(1000))
    assert board_map(read_board(layout(2024, many))).count("bm-label") == 2000
