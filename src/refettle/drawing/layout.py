"""Layered layout of a graph without circles, left to right.

The usual four steps (Sugiyama, Tagawa & Toda 1981, from memory): a layer for each node by longest path, dummy nodes
on long edges, fewer crossings by sweeping, then places. For small graphs: a unit type has at most some 120 blocks.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise


@dataclass(frozen=True)
class Placed:
    """Where everything goes: node -> (column, row), edge -> list of (column, row) it passes."""

    at: Mapping[str, tuple[int, float]]
    routes: Mapping[tuple[str, str], list[tuple[int, float]]]
    columns: int
    rows: float


def _layers(nodes: Sequence[str], edges: Sequence[tuple[str, str]]) -> dict[str, int]:
    after: dict[str, list[str]] = {n: [] for n in nodes}
    before: dict[str, list[str]] = {n: [] for n in nodes}
    for a, b in edges:
        after[a].append(b)
        before[b].append(a)
    layer: dict[str, int] = {}
    waiting = {n: len(before[n]) for n in nodes}
    ready = [n for n in nodes if not waiting[n]]
    while ready:
        here = ready.pop(0)
        layer[here] = max((layer[p] + 1 for p in before[here]), default=0)
        for n in after[here]:
            waiting[n] -= 1
            if not waiting[n]:
                ready.append(n)
    # A node that nothing feeds sits beside what it feeds, not far to the left.
    for n in nodes:
        if not before[n] and after[n]:
            layer[n] = max(0, min(layer[m] for m in after[n]) - 1)
    return layer


def layered(nodes: Sequence[str], edges: Sequence[tuple[str, str]], sweeps: int = 12) -> Placed:
    """Place `nodes` joined by `edges` (from, to); the graph must have no circle."""
    layer = _layers(nodes, edges)
    count = max(layer.values(), default=0) + 1
    columns: list[list[str]] = [[] for _ in range(count)]
    for n in nodes:
        columns[layer[n]].append(n)
    chains: dict[tuple[str, str], list[str]] = {}
    links: list[tuple[str, str]] = []
    for a, b in dict.fromkeys(edges):
        chain = [a]
        for column in range(layer[a] + 1, layer[b]):
            dummy = f"\0{a}\0{b}\0{column}"
            columns[column].append(dummy)
            layer[dummy] = column
            chain.append(dummy)
        chain.append(b)
        chains[a, b] = chain
        links += pairwise(chain)
    near: dict[int, dict[str, list[str]]] = {-1: {}, 1: {}}
    for a, b in links:
        near[1].setdefault(a, []).append(b)
        near[-1].setdefault(b, []).append(a)
    columns = _fewer_crossings(columns, near, links, sweeps)
    place = _places(columns, near)
    routes = {edge: [(layer[n], place[n]) for n in chain] for edge, chain in chains.items()}
    at = {n: (layer[n], place[n]) for n in nodes}
    return Placed(at, routes, count, max(place.values(), default=0.0) + 1)


def _fewer_crossings(
    columns: list[list[str]],
    near: Mapping[int, Mapping[str, list[str]]],
    links: Sequence[tuple[str, str]],
    sweeps: int,
) -> list[list[str]]:
    best, best_crossings = [list(c) for c in columns], _crossings(columns, links)
    for sweep in range(sweeps):
        side = -1 if sweep % 2 == 0 else 1
        order = range(1, len(columns)) if side == -1 else range(len(columns) - 2, -1, -1)
        for i in order:
            fixed = {n: k for k, n in enumerate(columns[i + side])}
            own = {n: k for k, n in enumerate(columns[i])}

            def key(n: str, fixed: dict[str, int] = fixed, own: dict[str, int] = own, side: int = side) -> float:
                spots = [fixed[m] for m in near[side].get(n, []) if m in fixed]
                return sum(spots) / len(spots) if spots else float(own[n])

            columns[i] = sorted(columns[i], key=lambda n: (key(n), own[n]))
        crossings = _crossings(columns, links)
        if crossings < best_crossings:
            best, best_crossings = [list(c) for c in columns], crossings
    return best


def _crossings(columns: list[list[str]], links: Sequence[tuple[str, str]]) -> int:
    where = {n: (i, k) for i, column in enumerate(columns) for k, n in enumerate(column)}
    by_column: dict[int, list[tuple[int, int]]] = {}
    for a, b in links:
        by_column.setdefault(where[a][0], []).append((where[a][1], where[b][1]))
    total = 0
    for pairs in by_column.values():
        for i, (a1, b1) in enumerate(pairs):
            for a2, b2 in pairs[i + 1 :]:
                total += (a1 - a2) * (b1 - b2) < 0
    return total


def _places(columns: list[list[str]], near: Mapping[int, Mapping[str, list[str]]]) -> dict[str, float]:
    """Rows, pulled towards neighbours, at least one apart (dummies may sit closer)."""
    place = {n: float(k) for column in columns for k, n in enumerate(column)}
    for _ in range(24):
        for column in columns:
            wish: list[float] = []
            for n in column:
                spots = [place[m] for side in (-1, 1) for m in near[side].get(n, [])]
                wish.append(sum(spots) / len(spots) if spots else place[n])
            out = _apart(wish, [0.45 if n[0] == "\0" else 1.0 for n in column])
            place.update(zip(column, out, strict=True))
    low = min(place.values(), default=0.0)
    return {n: p - low for n, p in place.items()}


def _apart(wish: list[float], size: list[float]) -> list[float]:
    """Nearest rows to the wishes, in order, with half of each neighbour's size between (pool adjacent violators)."""
    offset, shifts = 0.0, []
    for i, s in enumerate(size):
        if i:
            offset += (size[i - 1] + s) / 2
        shifts.append(offset)
    blocks: list[list[float]] = []  # sum, count
    for w, shift in zip(wish, shifts, strict=True):
        blocks.append([w - shift, 1.0])
        while len(blocks) > 1 and blocks[-2][0] / blocks[-2][1] > blocks[-1][0] / blocks[-1][1]:
            last = blocks.pop()
            blocks[-1][0] += last[0]
            blocks[-1][1] += last[1]
    flat = [total / count for total, count in blocks for _ in range(int(count))]
    return [f + shift for f, shift in zip(flat, shifts, strict=True)]
