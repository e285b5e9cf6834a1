"""Netlists of both kinds of writing, and what is told where board and netlist differ."""

from __future__ import annotations

from dataclasses import replace

import pytest

from refettle.parts.board_layout import read_layout
from refettle.parts.board_netlist import ListedPin, differences, read_netlist
from refettle.parts.board_text import BoardError
from tests.parts.boards import PARTS, layout, netlist


@pytest.mark.parametrize("quoted", [True, False])
def test_it_works(quoted: bool) -> None:
    read = read_netlist(netlist(quoted))
    assert set(read.parts) == {p.ref for p in PARTS}
    assert read.parts["C1"].symbol == "Device:CP"
    assert read.parts["C2"].value == "100u 25V"
    assert read.pins["U2", "1"] == ListedPin("/~RESET", "~{RESET}", "input")
    assert read.pins["R1", "1"].name == ""  # a bare ~ is no name


def test_alias_of_a_symbol_has_its_pins() -> None:
    data = netlist(quoted=False).replace(
        b"(libpart (lib Sound) (part SND-1) (pins", b"(libpart (lib Sound) (part SND-9) (aliases (alias SND-1)) (pins"
    )
    assert read_netlist(data).pins["U2", "8"].name == "VCC"


@pytest.mark.parametrize("generation", [2017, 2024, 2026])
def test_board_and_its_netlist_agree(generation: int) -> None:
    assert differences(read_layout(layout(generation)), read_netlist(netlist())) == ()


def test_a_net_only_named_otherwise_is_no_difference() -> None:
    renamed = read_netlist(netlist().replace(b'"IN"', b'"RAW"'))
    assert differences(read_layout(layout(2024)), renamed) == ()


def test_differences_are_told() -> None:
    swapped = replace(PARTS[4], value="10uF", pads={"1": PARTS[4].pads["2"], "2": PARTS[4].pads["1"]})
    assert swapped.ref == "C2"
    board = read_layout(layout(2024, tuple(swapped if p.ref == "C2" else p for p in PARTS if p.ref != "C9")))
    assert differences(board, read_netlist(netlist(parts=tuple(p for p in PARTS if p.ref != "R2")))) == (
        "C9 is in the netlist and not on the board",
        "R2 is on the board and not in the netlist",
        "C2: 10uF on the board, 100u 25V in the netlist",
        "C2 pad 2: +5V on the board, GND in the netlist",
        "C2 pad 1: GND on the board, +5V in the netlist",
    )


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"(kicad_pcb)", "line 1: \\(kicad_pcb found; allowed: an s-expression netlist"),
        (b"(export\n(components\n(comp (value 1))))", "line 3: a part without designator"),
        (
            b"(export (nets\n(net (name A) (node (ref R1) (pin 1)))\n(net (name B) (node (ref R1) (pin 1)))))",
            "line 3: pin 1 of R1 is on A and on B; allowed: one net",
        ),
        (b"(export (nets\n(net (name A)", "line 2: the text ends inside the list \\(net begun on line 2"),
    ],
)
def test_refusals(data: bytes, said: str) -> None:
    with pytest.raises(BoardError, match=said):
        read_netlist(data)
