"""The pull reader: what it reads, and that nothing makes it run away."""

from __future__ import annotations

import time
import tracemalloc
from contextlib import suppress

import pytest
from hypothesis import given
from hypothesis import strategies as st

from refettle.parts.board_layout import read_layout
from refettle.parts.board_netlist import read_netlist
from refettle.parts.board_reading import read_board
from refettle.parts.board_text import MAX_BYTES, MAX_DEPTH, BoardError, Node, Reader
from tests.parts.boards import layout, netlist

WORD = st.text("abcXYZ019._-+/~*${}µΩ", min_size=1, max_size=8)
TREE = st.recursive(WORD | st.text(max_size=12), lambda inner: st.lists(inner, max_size=5), max_leaves=30)


def written(tree: object) -> str:
    if isinstance(tree, str):
        escaped = (
            tree.replace("\\", "\\\\")
            .replace('"', '\\"')
            .replace("\n", "\\n")
            .replace("\r", "\\r")
            .replace("\t", "\\t")
        )
        return f'"{escaped}"'
    assert isinstance(tree, list)
    return f"({' '.join(written(item) for item in tree)})"


def whole(data: bytes) -> Node:
    reader = Reader(data)
    reader.root("a test")
    found = reader.node()
    reader.end()
    return found


@given(st.lists(TREE, max_size=6))
def test_what_is_written_is_read_back(trees: list[object]) -> None:
    assert whole(written(["name", *trees]).encode()) == ["name", *trees]


@given(st.lists(TREE, max_size=6))
def test_skipping_ends_where_taking_ends(trees: list[object]) -> None:
    data = f"(root {written(['a', *trees])} (b 1))".encode()
    for take in (True, False):
        reader = Reader(data)
        reader.root("a test")
        names = []
        for name in reader.children():
            names.append(name)
            if take:
                reader.node()
            else:
                reader.skip()
        assert names == ["a", "b"]


@given(st.binary(max_size=200))
def test_any_bytes_are_read_or_refused(data: bytes) -> None:
    for read in (read_layout, read_netlist, read_board):
        with suppress(BoardError):
            read(data)


@given(st.integers(0, 10_000), st.binary(max_size=3))
def test_a_damaged_board_is_read_or_refused(place: int, junk: bytes) -> None:
    data = layout(2024)
    place %= len(data)
    with suppress(BoardError):
        read_board(data[:place] + junk + data[place + 2 :], netlist())


@pytest.mark.parametrize("share", [0.05, 0.3, 0.6, 0.9, 0.999])
def test_a_truncated_board_is_refused_with_its_last_line(share: float) -> None:
    data = layout(2017)
    cut = data[: int(len(data) * share)]
    with pytest.raises(BoardError, match=r"ends inside the list|opened and never closed") as refusal:
        read_layout(cut)
    assert refusal.value.line is not None
    assert refusal.value.line <= cut.count(b"\n") + 1


def test_the_list_left_open_is_named() -> None:
    with pytest.raises(BoardError, match=r"line 3: the text ends inside the list \(pad begun on line 3"):
        read_layout(b"(kicad_pcb\n (zone)\n (pad 1")


@pytest.mark.parametrize("depth", [MAX_DEPTH + 1, 2_000_000])
@pytest.mark.parametrize("name", ["module", "zone"])
def test_deep_nesting_is_refused(depth: int, name: str) -> None:
    data = b"(kicad_pcb\n(" + name.encode() + b" " + b"(x " * depth + b")" * depth + b"))"
    with pytest.raises(BoardError, match=f"line 2: lists nested more than {MAX_DEPTH} deep"):
        read_layout(data)


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"", "line 1: the text is empty"),
        (b"(kicad_pcb)\n(kicad_pcb)", "line 2: '\\(' after the end"),
        (b'(kicad_pcb\n(net 1 "GND))', "line 2: a quote"),
        (b'(kicad_pcb\n(net 1 "\xff\xfe"))', "line 2: bytes that are no UTF-8"),
        (b"(kicad_pcb (net 1 " + b"x " * 2_100_000 + b"))", "more than 2000000 words"),
        (b"(kicad_pcb " + b"x " * 2_100_000 + b")", "more than 2000000 words"),
    ],
)
def test_other_refusals(data: bytes, said: str) -> None:
    with pytest.raises(BoardError, match=said):
        read_layout(data)


def test_too_many_parts_are_refused() -> None:
    with pytest.raises(BoardError, match="more than 10000 parts"):
        read_layout(b"(kicad_pcb " + b"(module a)" * 10_001 + b")")


def test_size_is_refused_before_reading() -> None:
    with pytest.raises(BoardError, match="allowed: up to 128 MB"):
        Reader(bytes(MAX_BYTES + 1))


@pytest.mark.slow
def test_forty_megabytes_of_tracks_take_no_memory() -> None:
    track = b'  (segment (start 88.9 45.4) (end 88.9 45.8) (width 0.35) (layer "F.Cu") (net 12))\n'
    data = layout(2024).rstrip()[:-1] + track * (40_000_000 // len(track)) + b")\n"
    tracemalloc.start()
    begun = time.perf_counter()
    board = read_layout(data)
    took = time.perf_counter() - begun
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert len(board.parts) == 21
    assert peak < 5_000_000  # beside the 40 MB of the text itself
    assert took < 60  # some 3 s alone; tracing and other jobs on the machine make it slower
