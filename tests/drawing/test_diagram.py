"""The block diagram: well-formed, described, nothing on top of anything else, whatever the names."""

from __future__ import annotations

import re
from itertools import combinations, pairwise
from random import Random
from xml.etree.ElementTree import Element, fromstring

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from refettle.drawing import block_diagram
from refettle.drawing.diagram import BOX_H, suspicion_step
from refettle.drawing.layout import Placed, layered
from refettle.knowledge.errors import KnowledgeError
from refettle.knowledge.loading import LoadedType, load_shipped_type, parse_unit_type, shipped_types
from tests.knowledge.small import SMALL, changed

SVG = "{http://www.w3.org/2000/svg}"
SLUGS = sorted(shipped_types())


def tree(svg: str) -> Element:
    """The drawing as a tree; made by this package alone, so that no hostile XML is read."""
    return fromstring(svg)


def words(root: Element) -> str:
    return " ".join(text.text or "" for text in root.iter(f"{SVG}text"))


def some_suspicion(loaded: LoadedType) -> dict[str, float]:
    rng = Random(3)
    return {block: rng.random() ** 3 for block in loaded.blocks}


# ---------------------------------------------------------------- the shipped types


@pytest.mark.parametrize("slug", SLUGS)
@pytest.mark.parametrize("alone", [False, True])
@pytest.mark.parametrize("suspected", [False, True])
def test_every_shipped_type(slug: str, alone: bool, suspected: bool) -> None:
    loaded = load_shipped_type(slug)
    suspicion = some_suspicion(loaded) if suspected else None
    svg = block_diagram(loaded, suspicion, alone, ident="here")
    root = tree(svg)
    ids = [element.get("id") for element in root.iter() if element.get("id")]
    assert root.get("aria-labelledby", "").split() == ids == ["here-title", "here-desc"]
    assert root.findtext(f"{SVG}title") == f"Block diagram of {loaded.name}"
    finding = root.findtext(f"{SVG}desc") or ""
    if suspicion:
        worst = max(suspicion, key=lambda block: suspicion[block])
        assert finding.startswith(f"Most suspected: {loaded.blocks[worst].name} {100 * suspicion[worst]:.0f}\u202f%,")
    else:
        first = next(iter(loaded.unit_type.points.values()))
        assert finding.startswith(f"{len(loaded.blocks)} blocks. {first.name} shows ")
    assert len(list(root.iter(f"{SVG}rect"))) == len(loaded.blocks) + len(loaded.unit_type.points)
    assert len([e for e in root.iter() if e.get("data-edge")]) == sum(
        len(b.needs) for b in loaded.blocks.values()
    ) + sum(1 if isinstance(p.sees, str) else len(p.sees) for p in loaded.unit_type.points.values())
    # A page that allows no inline style can show it; a file of its own brings its sheet.
    assert not any("style" in element.attrib for element in root.iter())
    assert (root.find(f"{SVG}style") is not None) is alone
    assert not re.search(r"<script|\bon\w+=|href|url\(", svg)


@pytest.mark.parametrize("slug", SLUGS)
def test_boxes_lie_apart_and_inside(slug: str) -> None:
    loaded = load_shipped_type(slug)
    root = tree(block_diagram(loaded))
    wide, high = (float(root.get(side, "0")) for side in ("width", "height"))
    boxes = [[float(r.get(k, "nan")) for k in ("x", "y", "width", "height")] for r in root.iter(f"{SVG}rect")]
    for x, y, w, h in boxes:
        assert x >= 0
        assert y >= 0
        assert x + w <= wide + 0.5
        assert y + h <= high + 0.5
    for (x, y, w, h), (x2, y2, w2, h2) in combinations(boxes, 2):
        assert x + w < x2 or x2 + w2 < x or y + h < y2 or y2 + h2 < y


def test_the_same_drawing_every_time_and_suspicion_in_words_and_steps() -> None:
    loaded = parse_unit_type(SMALL, "small.yaml")
    drawn = block_diagram(loaded, {"feed": 0.5, "voice": 0.001})
    assert drawn == block_diagram(loaded, {"voice": 0.001, "feed": 0.5})
    root = tree(drawn)
    assert "50\u202f%" in words(root)
    assert "under 1\u202f%" in words(root)
    classes = [e.get("class", "") for e in root.iter(f"{SVG}g")]
    assert "bd-block bd-s4" in classes
    assert "bd-block bd-s0" in classes
    assert [suspicion_step(p) for p in (0, 0.019, 0.02, 0.08, 0.2, 0.4, 0.7, 1)] == [0, 0, 1, 2, 3, 4, 5, 5]


# ---------------------------------------------------------------- hostile names

HOSTILE = "\"><script>alert(1)</script>&amp; ]]> 'x' <!-- "


def with_names(name: str) -> LoadedType:
    quoted = "'" + name.replace("'", "''") + "'"
    text = changed("unit_type: Small", f"unit_type: {quoted}")
    text = changed("feed: {kind: reservoir}", f"feed: {{kind: reservoir, name: {quoted}, part: {quoted}}}", text)
    return parse_unit_type(changed("name: Sound", f"name: {quoted}", text), "hostile.yaml")


@pytest.mark.parametrize(
    "name", [HOSTILE, "W" * 120, "word " * 24, "\u202e\u05d0\u05d1 \U0001f4fb", "a  b", "&#x202f;"], ids=range(6)
)
def test_hostile_names(name: str) -> None:
    loaded = with_names(name)
    for svg in (block_diagram(loaded, alone=True), block_diagram(loaded, {"feed": 0.9})):
        root = tree(svg)
        assert root.findtext(f"{SVG}title") == f"Block diagram of {loaded.name}"
        assert not list(root.iter(f"{SVG}script"))
        assert loaded.blocks["feed"].name in (root.findtext(f"{SVG}desc") or "")
        titles = [title.text or "" for title in root.iter(f"{SVG}title")]
        assert any(title.startswith(loaded.blocks["feed"].name) for title in titles)  # in full, however it was cut
        assert all(len(text.text or "") <= 23 for text in root.iter(f"{SVG}text") if text.get("class") == "bd-text")


@pytest.mark.parametrize("escape", ["\\a", "\\0", "\\e", "\\uffff"])
def test_control_characters_in_a_name_are_refused(escape: str) -> None:
    with pytest.raises(KnowledgeError, match=r"hostile.yaml:1: unit_type: found the control character U\+"):
        parse_unit_type(changed("unit_type: Small", f'unit_type: "Sm{escape}all"'), "hostile.yaml")


# ---------------------------------------------------------------- layout


@st.composite
def graphs(draw: st.DrawFn) -> tuple[list[str], list[tuple[str, str]]]:
    """Nodes and edges without a circle, in an order that has nothing to do with them."""
    count = draw(st.integers(1, 16))
    pairs = [(f"n{a}", f"n{b}") for b in range(count) for a in range(b)]
    edges = draw(st.lists(st.sampled_from(pairs), max_size=30)) if pairs else []
    return draw(st.permutations([f"n{i}" for i in range(count)])), edges


def crossings(placed: Placed) -> int:
    """Pairs of lines that cross between two columns."""
    total = 0
    pieces: dict[int, list[tuple[float, float]]] = {}
    for route in placed.routes.values():
        for (column, row), (_, to_row) in pairwise(route):
            pieces.setdefault(column, []).append((row, to_row))
    for here in pieces.values():
        total += sum((a - c) * (b - d) < -1e-9 for (a, b), (c, d) in combinations(here, 2))
    return total


@given(graphs())
@settings(max_examples=60, deadline=None, derandomize=True)
def test_layout(graph: tuple[list[str], list[tuple[str, str]]]) -> None:
    nodes, edges = graph
    placed = layered(nodes, edges)
    assert set(placed.at) == set(nodes)
    assert set(placed.routes) == set(edges)
    for (a, b), route in placed.routes.items():
        assert (route[0], route[-1]) == (placed.at[a], placed.at[b])
        assert [column for column, _ in route] == list(range(route[0][0], route[-1][0] + 1))
        assert len(route) >= 2  # from left to right, through every column between
    for a, b in combinations(nodes, 2):
        if placed.at[a][0] == placed.at[b][0]:
            assert abs(placed.at[a][1] - placed.at[b][1]) >= 1 - 1e-6
    assert all(
        0 <= column < placed.columns and -1e-9 <= row <= placed.rows - 1 + 1e-9 for column, row in placed.at.values()
    )
    # Rows follow the order found; sweeping makes it no worse than the order given.
    assert crossings(placed) <= crossings(layered(nodes, edges, sweeps=0))


@pytest.mark.parametrize("slug", SLUGS)
def test_sweeping_pays_on_the_shipped_types(slug: str) -> None:
    loaded = load_shipped_type(slug)
    points = loaded.unit_type.points
    nodes = [*loaded.blocks, *(f"point:{p}" for p in points)]
    edges = [(need, block.id) for block in loaded.blocks.values() for need in block.needs]
    edges += [
        (b, f"point:{p}")
        for p, point in points.items()
        for b in ([point.sees] if isinstance(point.sees, str) else point.sees)
    ]
    swept, given_order = crossings(layered(nodes, edges)), crossings(layered(nodes, edges, sweeps=0))
    assert swept <= given_order


def test_a_line_does_not_run_through_a_box() -> None:
    """A need that skips a column passes between the boxes of that column."""
    placed = layered(["a", "b", "c", "d"], [("a", "b"), ("b", "c"), ("a", "c"), ("a", "d"), ("d", "c")])
    gap = BOX_H / (BOX_H + 16) / 2
    for route in placed.routes.values():
        for column, row in route[1:-1]:
            for other_column, other_row in placed.at.values():
                assert column != other_column or abs(row - other_row) > gap
