"""Signs travelling through a unit: which failure modes show where.

A failure mode puts *signs* (dead, hum, ...) on what its block delivers. Along each need, a sign that
comes in goes out changed, unchanged or not at all. A set of faults shows the union of what each
shows alone, because signs travel one by one; that is what keeps inference over sets of faults exact
and fast.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from graphlib import CycleError, TopologicalSorter

Passes = Mapping[str, str | None]


@dataclass(frozen=True)
class Node:
    """A block as the graph sees it: what it needs, and how signs pass along each need."""

    id: str
    needs: Mapping[str, Passes] = field(default_factory=dict)
    passes: Passes = field(default_factory=dict)


def _passed(sign: str, along: Passes, through: Passes) -> str | None:
    for rules in (along, through):
        if sign in rules:
            return rules[sign]
        if "*" in rules:
            return rules["*"]
    return sign


def reach(
    nodes: Sequence[Node], source: str, signs: Iterable[str], without: frozenset[str] = frozenset()
) -> dict[str, frozenset[str]]:
    """Signs seen at each block when `source` alone shows `signs`.

    Parameters
    ----------
    nodes : sequence of Node
        The blocks, in any order.
    source : str
        The block at fault.
    signs : iterable of str
        What it puts on its output.
    without : frozenset of str
        Blocks that are bypassed: they add nothing of their own and pass what comes in unchanged.

    Returns
    -------
    dict
        Block id -> signs; blocks with none are left out.

    Raises
    ------
    ValueError
        If the needs form a circle, naming it.
    """
    by_id = {node.id: node for node in nodes}
    try:
        order = list(TopologicalSorter({n.id: set(n.needs) for n in nodes}).static_order())
    except CycleError as error:
        raise ValueError("needs form a circle: " + " needs ".join(reversed(error.args[1]))) from None
    state: dict[str, set[str]] = {} if source in without else {source: set(signs)}
    for here in order:
        node = by_id[here]
        out = state.get(here, set())
        for need, along in node.needs.items():
            for sign in state.get(need, ()):
                passed = sign if here in without else _passed(sign, along, node.passes)
                if passed is not None:
                    out.add(passed)
        if out:
            state[here] = out
    return {block: frozenset(found) for block, found in state.items()}
