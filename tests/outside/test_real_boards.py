"""Real boards, against what their own netlists, schematics and tracks say, read here by other means.

A home computer's main board of 248 parts (format of 2017) with its netlist, and the demonstration boards that Debian
packages with the layout program (formats of 2021). Neither is kept with this project: tests skip where they are absent.
"""

from __future__ import annotations

import re
import shutil
import subprocess
import tempfile
import time
from collections import Counter
from functools import cache
from math import hypot
from pathlib import Path

import pytest

from refettle.drawing.board import board_map
from refettle.parts.board_layout import read_layout
from refettle.parts.board_reading import BoardReading, read_board

REAL = Path(__file__).parents[2].parent / "shared" / "data" / "board"
CACHE = Path(tempfile.gettempdir()) / "refettle-test-boards"
PACKAGE = "kicad-demos"


@cache
def real() -> tuple[str, str]:
    """Layout and netlist of the main board."""
    layout, netlist = REAL / "home-computer.kicad_pcb", REAL / "home-computer.net"
    if not (layout.is_file() and netlist.is_file()):
        pytest.skip(f"the real board is not at {REAL}")
    return layout.read_text(), netlist.read_text()


@cache
def reading() -> BoardReading:
    layout, netlist = real()
    return read_board(layout.encode(), netlist.encode())


def listed_nets(netlist: str) -> dict[tuple[str, str], str]:
    """(designator, pin) -> net, by regular expression."""
    out = {}
    for name, pins in re.findall(
        r'\(net \(code \d+\) \(name ("[^"]*"|\S+)\)(.*?)(?=\(net \(code|\Z)', netlist, re.DOTALL
    ):
        for ref, pin in re.findall(r"\(node \(ref ([^\s()]+)\) \(pin ([^\s()]+)\)\)", pins):
            out[ref, pin] = name.strip('"')
    return out


def test_all_parts_and_nets_are_read() -> None:
    layout, _ = real()
    board = reading().board
    assert len(board.parts) == int(re.findall(r"\(modules (\d+)\)", layout)[0]) == 248
    assert len(board.nets) == int(re.findall(r"\(nets (\d+)\)", layout)[0]) - 1  # the first is the empty one
    assert [round(1e3 * edge, 2) for edge in board.bounds] == [12.7, 12.7, 346.08, 162.56]


def test_exactly_its_electrolytics_with_their_values() -> None:
    _, netlist = real()
    parts = re.findall(
        r"\(comp \(ref (\S+)\)\s+\(value ([^)]*)\).*?\(libsource \(lib \S+\) \(part (\S+)\)", netlist, re.DOTALL
    )
    truth = {ref: value for ref, value, symbol in parts if symbol == "CP1"}
    assert len(truth) == 20
    without = read_board(real()[0].encode())
    for found in (reading(), without):
        assert {c.ref: c.part.value for c in found.electrolytics} == truth
        assert not found.perhaps
        assert {c.ref: f"{1e6 * (c.value.farad or 0):.0f}uF" for c in found.electrolytics} == truth


def test_nets_of_every_pad_as_the_netlist_has_them() -> None:
    nets = listed_nets(real()[1])
    for capacitor in reading().electrolytics:
        for pad in capacitor.part.pads:
            assert pad.net == nets[capacitor.ref, pad.number]


def test_the_one_place_where_board_and_netlist_differ() -> None:
    """Two gates' inputs are swapped on the board, as layouts do for a shorter way."""
    assert reading().differences == (
        "U42 pad 11: /PSG/JB1 on the board, /PSG/JB2 in the netlist",
        "U42 pad 13: /PSG/JB2 on the board, /PSG/JB1 in the netlist",
    )


def track_ends(layout: str) -> dict[str, list[tuple[float, float]]]:
    """Net -> ends of its tracks in mm, by regular expression."""
    names = {
        code: name.strip('"') for code, name in re.findall(r'^  \(net (\d+) ("[^"]*"|\S+)\)', layout, re.MULTILINE)
    }
    ends: dict[str, list[tuple[float, float]]] = {}
    line = r"\(segment \(start (\S+) (\S+)\) \(end (\S+) (\S+)\) .*?\(net (\d+)\)"
    for x1, y1, x2, y2, code in re.findall(line, layout):
        ends.setdefault(names[code], []).extend([(float(x1), float(y1)), (float(x2), float(y2))])
    return ends


def off_their_tracks(layout: str, found: BoardReading) -> list[str]:
    """Pads of electrolytics at which no track of their net ends, grounds aside (they may hang in a copper area)."""
    ends = track_ends(layout)
    out = []
    for capacitor in found.electrolytics:
        for number in {pad.number for pad in capacitor.part.pads}:
            pads = [p for p in capacitor.part.pads if p.number == number]
            if "GND" in pads[0].net or pads[0].net not in ends:
                continue
            near = min(hypot(x - 1e3 * p.x, y - 1e3 * p.y) for x, y in ends[pads[0].net] for p in pads)
            if near > 500 * max(pads[0].width, pads[0].height):
                out.append(f"{capacitor.ref} pad {number}: {near:.2f} mm away")
    return out


def test_places_are_where_the_tracks_end() -> None:
    assert off_their_tracks(real()[0], reading()) == []


def test_polarity_told_three_ways_agrees() -> None:
    found = reading()
    assert {found.polarity(c).agreement for c in found.electrolytics} == {"agree"}
    assert all(c.by_print == "1" for c in found.electrolytics)
    by_net = [c.ref for c in found.electrolytics if found.polarity(c).by_net is not None]
    assert by_net == ["C59", "C60", "C61", "C62", "C63", "C64", *(f"C{n}" for n in range(65, 72)), "C76", "C77"]


def test_where_they_sit() -> None:
    """Checked by hand in the netlist."""
    seats = reading().seats
    rails = {
        ref: seats[ref].rail for ref in seats if seats[ref].role == "rail" and seats[ref].rail not in ("VCC", None)
    }
    assert {ref: rails[ref] for ref in ("C66", "C67", "C69", "C70")} == {
        "C66": "VDD", "C67": "VSS", "C69": "VCCRGB", "C70": "VCCVDP",
    }  # fmt: skip
    ends = {ref: {end.ref for end in seats[ref].ends} for ref in seats if seats[ref].role == "signal"}
    assert ends["C76"] == {"U48", "J3", "J5"}
    assert ends["C59"] == {"U47", "J2", "J5"}
    assert ends["C72"] == {"U4", "U48"}
    assert ends["C74"] == {"SLOT1", "U48"}
    assert Counter(seats[c.ref].role for c in reading().electrolytics) == {"signal": 12, "rail": 6, "bias": 2}


def test_no_sound_and_no_picture_list_their_ways_first() -> None:
    sound = reading().toward("AUDIO")
    assert [w.ref for w in sound if w.how == "in series"] == ["C76", "C72", "C73", "C74", "C75"]
    assert sound[0].ref == "C76"
    assert [w.ref for w in reading().toward("J2")][:2] == ["C59", "C77"]


def test_read_and_drawn_in_under_a_second() -> None:
    layout, netlist = (text.encode() for text in real())
    took = []
    for _ in range(5):
        begun = time.process_time()
        drawing = board_map(read_board(layout, netlist))
        took.append(time.process_time() - begun)
    assert min(took) < 1.0
    assert len(drawing) < 300_000


@cache
def demos() -> Path:
    """The packaged boards, fetched once with the machine's own package tools into a folder outside the project."""
    boards = CACHE / "usr/share/kicad/demos"
    if boards.is_dir():
        return boards
    apt, dpkg = shutil.which("apt-get"), shutil.which("dpkg")
    if apt is None or dpkg is None:
        pytest.skip(f"no package tools here to fetch {PACKAGE} with")
    CACHE.mkdir(parents=True, exist_ok=True)
    try:
        for before in (None, [apt, "-qq", "update"]):
            if before is not None:
                subprocess.run(before, capture_output=True, timeout=120, check=False)
            if not subprocess.run(
                [apt, "-qq", "download", PACKAGE], cwd=CACHE, capture_output=True, timeout=120
            ).returncode:
                break
        package = next(CACHE.glob(f"{PACKAGE}_*.deb"), None)
        if package is None:
            pytest.skip(f"{PACKAGE} cannot be fetched here")
        subprocess.run([dpkg, "-x", str(package), str(CACHE)], capture_output=True, timeout=120, check=True)
    except (OSError, subprocess.SubprocessError) as error:
        pytest.skip(f"{PACKAGE} cannot be fetched here: {error}")
    return boards


def polarised_in_schematic(folder: Path) -> set[str]:
    """Designators drawn with a polarised capacitor's symbol, by regular expression."""
    out = set()
    for sheet in folder.glob("*.kicad_sch"):
        text = sheet.read_text()
        for symbol, rest in re.findall(
            r'\n  \(symbol \(lib_id "([^"]*)"\)(.*?)(?=\n  \(symbol |\n  \(sheet|\Z)', text, re.DOTALL
        ):
            if re.search(r":CP(small)?$", symbol):
                out.add(re.findall(r'"Reference" "([^"]*)"', rest)[0])
    return out


BOARDS = {
    "complex_hierarchy": 5,
    "ecc83": 1,
    "interf_u": 4,
    "stickhub": 1,
    "test_xil_95108": 5,
    "flat_hierarchy": 3,
    "kit-dev-coldfire-xilinx_5213": 4,
}


@pytest.mark.parametrize("name", BOARDS)
def test_packaged_boards_yield_exactly_their_electrolytics(name: str) -> None:
    for path in sorted((demos() / name).glob("*.kicad_pcb")):
        layout = path.read_text()
        found = read_board(layout.encode())
        assert int(found.board.version) > 20171130
        assert {c.ref for c in found.electrolytics} == polarised_in_schematic(path.parent)
        assert len(found.electrolytics) == BOARDS[name]
        assert all(c.value.farad for c in found.electrolytics)
        assert off_their_tracks(layout, found) == []
        assert {found.polarity(c).agreement for c in found.electrolytics} <= {"agree", "one sign only"}


@pytest.mark.parametrize("name", ["pic_programmer", "sonde xilinx", "video"])
def test_electrolytics_on_prints_without_polarity_are_left_to_the_eye(name: str) -> None:
    """Their schematics say polarised, their prints do not: none is missed, none is claimed for sure."""
    path = next((demos() / name).glob("*.kicad_pcb"))
    found, truth = read_board(path.read_bytes()), polarised_in_schematic(path.parent)
    sure, perhaps = {c.ref for c in found.electrolytics}, {c.ref for c in found.perhaps}
    assert sure <= truth <= sure | perhaps


def test_every_packaged_board_is_read_and_drawn() -> None:
    paths = sorted(demos().glob("*/*.kicad_pcb"))
    assert len(paths) >= 10
    for path in paths:
        data = path.read_bytes()
        assert len(read_layout(data).parts) == len(re.findall(rb"\n  \((?:footprint|module) ", data))
        assert board_map(read_board(data)).endswith("</svg>")
