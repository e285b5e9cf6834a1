"""The block diagram of a unit type, coloured by suspicion where that is given."""

from __future__ import annotations

from collections.abc import Mapping
from html import escape

from refettle.drawing.layout import layered
from refettle.knowledge.loading import LoadedType
from refettle.language import spoken, tr

BOX_W, BOX_H = 130, 46
GAP_X, GAP_Y = 10, 40
MARGIN = 14

# Used when a drawing stands alone as a file; on a page the page's own sheet applies.
ALONE = """
.bd-box{fill:#fffdf7;stroke:#3a352c;stroke-width:1.4}
.bd-bench .bd-box{stroke-dasharray:5 3}
.bd-point .bd-box{fill:#efe8d8}
.bd-line{fill:none;stroke:#6d6557;stroke-width:1.2}
.bd-arrow{fill:#6d6557}
.bd-text{font:600 12px system-ui,sans-serif;fill:#26221b}
.bd-sub{font:11px system-ui,sans-serif;fill:#5d5649}
.bd-s1 .bd-box{fill:#fbeede}.bd-s2 .bd-box{fill:#f6d9b5}.bd-s3 .bd-box{fill:#eebd82}
.bd-s4 .bd-box{fill:#e09a4b}.bd-s5 .bd-box{fill:#cf7a1e}
"""


def suspicion_step(chance: float) -> int:
    """0 to 5: which step of the single-hue ramp a suspicion takes."""
    return sum(chance >= edge for edge in (0.02, 0.08, 0.2, 0.4, 0.7))


def block_diagram(
    loaded: LoadedType,
    suspicion: Mapping[str, float] | None = None,
    alone: bool = False,
    ident: str = "block-diagram",
) -> str:
    """SVG text of a unit type's blocks and points, signals running from top to bottom.

    Parameters
    ----------
    loaded : LoadedType
    suspicion : mapping of block id to chance, optional
        Colours the boxes and is printed in them.
    alone : bool
        True for a file of its own: carries its colours with it.
    ident : str
        Prefix of the ids inside, unique on the page.

    Returns
    -------
    str
        With a title and a description that says the finding.
    """
    unit = loaded.unit_type
    points = {f"point:{key}": point for key, point in unit.points.items()}
    edges = [(need, b.id) for b in loaded.blocks.values() for need in b.needs]
    for key, point in points.items():
        edges += [(block, key) for block in ([point.sees] if isinstance(point.sees, str) else point.sees)]
    nodes = [*loaded.blocks, *points]
    placed = layered(nodes, edges)

    def corner(layer: int, across: float) -> tuple[float, float]:
        return MARGIN + across * (BOX_W + GAP_X), MARGIN + layer * (BOX_H + GAP_Y)

    width = 2 * MARGIN + placed.rows * (BOX_W + GAP_X) - GAP_X
    height = 2 * MARGIN + placed.columns * (BOX_H + GAP_Y) - GAP_Y
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" class="block-diagram" viewBox="0 0 {width:.0f} {height:.0f}" '
        f'width="{width:.0f}" height="{height:.0f}" role="img" aria-labelledby="{ident}-title {ident}-desc">',
        f'<title id="{ident}-title">{escape(tr("Block diagram of {name}", name=loaded.name))}</title>',
        f'<desc id="{ident}-desc">{escape(_description(loaded, suspicion))}</desc>',
    ]
    if alone:
        parts.append(f"<style>{ALONE}</style>")
    for (a, b), route in placed.routes.items():
        parts.append(_line([corner(*spot) for spot in route], f"{a} to {b.removeprefix('point:')}"))
    for node in nodes:
        x, y = corner(*placed.at[node])
        if node in points:
            parts.append(_box(x, y, spoken(points[node].name), tr("point"), "bd-point"))
            continue
        block = loaded.blocks[node]
        chance = suspicion.get(node, 0.0) if suspicion is not None else None
        css = "bd-block" + (" bd-bench" if block.bench_gear else "")
        if chance is not None:
            css += f" bd-s{suspicion_step(chance)}"
        sub = _percent(chance) if chance is not None else (block.part or "")
        if block.bench_gear:
            sub = tr("bench, {part}", part=sub) if sub else tr("bench gear")
        parts.append(_box(x, y, spoken(block.name), sub, css))
    parts.append("</svg>")
    return "".join(parts)


def _percent(chance: float) -> str:
    if chance < 0.005:
        return tr("under 1\u202f%")
    return f"{100 * chance:.0f}\u202f%"


def _description(loaded: LoadedType, suspicion: Mapping[str, float] | None) -> str:
    if suspicion:
        worst = sorted(((b, suspicion.get(b, 0.0)) for b in loaded.blocks), key=lambda item: -item[1])[:3]
        named = ", ".join(f"{spoken(loaded.blocks[b].name)} {_percent(p)}" for b, p in worst)
        return tr("Most suspected: {named}.", named=named)
    ways = []
    for point in loaded.unit_type.points.values():
        sees = [point.sees] if isinstance(point.sees, str) else point.sees
        ways.append(
            tr(
                "{name} shows {sees}",
                name=spoken(point.name),
                sees=", ".join(spoken(loaded.blocks[s].name) for s in sees),
            )
        )
    return tr("{blocks} blocks. ", blocks=len(loaded.blocks)) + "; ".join(ways) + "."


def _line(spots: list[tuple[float, float]], label: str) -> str:
    middle = BOX_W / 2
    x, y = spots[0][0] + middle, spots[0][1] + BOX_H
    path = [f"M{x:.1f} {y:.1f}"]
    for n, (left, top) in enumerate(spots[1:], start=1):
        end = n == len(spots) - 1
        to_x, to_y = left + middle, top - (5 if end else 0)
        half = (to_y - y) / 2
        path.append(f"C{x:.1f} {y + half:.1f} {to_x:.1f} {to_y - half:.1f} {to_x:.1f} {to_y:.1f}")
        x, y = to_x, to_y
        if not end:
            y = top + BOX_H
            path.append(f"L{x:.1f} {y:.1f}")
    arrow = f'<path class="bd-arrow" d="M{x:.1f} {y + 5:.1f}l-3.5 -7h7z"/>'
    return f'<g class="bd-edge" data-edge="{escape(label)}"><path class="bd-line" d="{"".join(path)}"/>{arrow}</g>'


def _box(x: float, y: float, name: str, sub: str, css: str) -> str:
    lines = _wrap(name, 18)
    radius = 22 if "bd-point" in css else 4
    out = [
        f'<g class="{css}"><title>{escape(name)}{": " + escape(sub) if sub else ""}</title>',
        f'<rect class="bd-box" x="{x:.1f}" y="{y:.1f}" width="{BOX_W}" height="{BOX_H}" rx="{radius}"/>',
    ]
    sub_here = sub if len(lines) == 1 or len(sub) <= 16 else sub[:15] + "…"
    total = len(lines) * 13 + (12 if sub_here else 0)
    baseline = y + (BOX_H - total) / 2 + 10.5
    for line in lines:
        out.append(f'<text class="bd-text" x="{x + BOX_W / 2:.1f}" y="{baseline:.1f}" text-anchor="middle">')
        out.append(f"{escape(line)}</text>")
        baseline += 13
    if sub_here:
        out.append(f'<text class="bd-sub" x="{x + BOX_W / 2:.1f}" y="{baseline:.1f}" text-anchor="middle">')
        out.append(f"{escape(sub_here)}</text>")
    out.append("</g>")
    return "".join(out)


def _wrap(text: str, width: int) -> list[str]:
    """At most two lines of about `width` letters, cut with an ellipsis."""
    words, lines = text.split(), [""]
    for word in words:
        if len(lines[-1]) + len(word) + 1 <= width or not lines[-1]:
            lines[-1] = f"{lines[-1]} {word}".strip()
        else:
            lines.append(word)
    if len(lines) > 2:
        lines = [lines[0], lines[1][: width - 1] + "…"]
    return [line if len(line) <= width + 2 else line[: width + 1] + "…" for line in lines]
