"""Reads an openly documented s-expression board layout, versions of 2017 to today.

Older files say `module`, `fp_text reference` and number their nets; newer ones `footprint`, `property "Reference"`,
and from 2026 name the nets without numbers. All are taken as they come, whatever version they state.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable
from math import atan2, ceil, cos, hypot, isfinite, pi, radians, sin

from refettle.language import mark, tr
from refettle.parts.board import Board, Body, Pad, Part, Side, Spot, turned
from refettle.parts.board_text import BoardError, Node, Reader, all_of, child, word, words

MAX_PARTS = 10_000
MAX_PADS = 200_000
MAX_SPOTS = 500_000
_MM = 1e-3
_MARKS = 8  # polarity signs kept for one part
_LIMIT = 10.0  # [m]; no board is larger
_EDGE = "Edge.Cuts"
_ALLOWED = mark("an s-expression board layout, (kicad_pcb ...)")
_NOT_FITTED = re.compile(r"\b(?:dnp|dnf|dni|do not (?:populate|fit)|not (?:populated|fitted))\b", re.IGNORECASE)
_SIGNS = {"+": 1, "-": -1, "−": -1, "–": -1}


def read_layout(data: bytes) -> Board:
    """Read a board layout.

    Parameters
    ----------
    data : bytes
        The file's content.

    Raises
    ------
    BoardError
        With the line: no board layout, cut short, nested too deep, too large, a number that is none.
    """
    reader = Reader(data)
    root = reader.root(tr(_ALLOWED))
    if root != "kicad_pcb":
        raise BoardError(tr("({root} found; allowed: {allowed}", root=root, allowed=tr(_ALLOWED)), reader.line)
    nets: dict[str, str] = {}
    parts: list[Part] = []
    outline: list[tuple[Spot, ...]] = []
    version = title = ""
    pads = spots = 0
    for name in reader.children():
        line = reader.line
        if name in ("module", "footprint"):
            part, edges = _part(reader.node(), line, nets)
            parts.append(part)
            outline += edges
            pads += len(part.pads)
            if len(parts) > MAX_PARTS or pads > MAX_PADS:
                raise BoardError(
                    tr("more than {most_parts} parts or {most_pads} pads", most_parts=MAX_PARTS, most_pads=MAX_PADS),
                    line,
                )
        elif name.startswith("gr_") and name not in ("gr_text", "gr_text_box"):
            node = reader.node()
            if word(child(node, "layer")) == _EDGE:
                outline.append(_stroke(node, line))
                spots += len(outline[-1])
                if spots > MAX_SPOTS:
                    raise BoardError(tr("more than {most} corners in the outline", most=MAX_SPOTS), line)
        elif name == "net":
            found = words(reader.node())
            if len(found) > 1:
                nets[found[0]] = found[1]
        elif name == "version":
            version = word(reader.node())
        elif name == "title_block":
            title = word(child(reader.node(), "title"))
        else:
            reader.skip()
    reader.end()
    notes = [tr("{ref} stands {count} times on the board", ref=ref, count=count) for ref, count in _repeated(parts)]
    if not outline:
        notes.append(tr("the layout has no outline; the map is cut to the parts"))
    if not parts:
        notes.append(tr("the layout has no parts"))
    return Board(tuple(parts), tuple(line for line in outline if line), version, title, tuple(notes))


def _repeated(parts: list[Part]) -> list[tuple[str, int]]:
    counted = Counter(part.ref for part in parts if part.pads and part.ref[-1:].isdigit())
    return [(ref, count) for ref, count in counted.items() if count > 1]


def _number(text: str | Node, line: int, what: str) -> float:
    try:
        value = float(text) if isinstance(text, str) else float("nan")
    except ValueError:
        value = float("nan")
    if not isfinite(value):
        seen = text if isinstance(text, str) else "a list"
        raise BoardError(tr("{field}: {typed!r} found; allowed: a number", field=what, typed=seen), line)
    return value


def _numbers(node: Node | None, line: int, least: int) -> list[float]:
    found = [] if node is None else words(node)
    name = node[0] if node else "place"
    values = [_number(text, line, f"{name}") for text in found if text not in ("unlocked", "locked")]
    if len(values) < least:
        raise BoardError(
            tr("{name}: {count} numbers found; allowed: at least {least}", name=name, count=len(values), least=least),
            line,
        )
    return values


def _spot(node: Node | None, line: int) -> Spot:
    """A place in metres."""
    x, y = (value * _MM for value in _numbers(node, line, 2)[:2])
    if abs(x) > _LIMIT or abs(y) > _LIMIT:
        raise BoardError(
            tr("a place {across:g}, {down:g} mm found; allowed: within 10 m", across=x / _MM, down=y / _MM), line
        )
    return x, y


def _part(node: Node, line: int, nets: dict[str, str]) -> tuple[Part, list[tuple[Spot, ...]]]:
    footprint = node[1] if len(node) > 1 and isinstance(node[1], str) else ""
    place = child(node, "at")
    x, y = _spot(place, line) if place is not None else (0.0, 0.0)
    turn = _numbers(place, line, 2)[2:] if place is not None else []
    angle = turn[0] if turn else 0.0
    side: Side = "back" if word(child(node, "layer")).startswith("B.") else "front"
    fields: dict[str, str] = {}
    about = [word(child(node, "descr")), word(child(node, "tags"))]
    attributes = words(child(node, "attr"))
    pads: list[Pad] = []
    edges: list[tuple[Spot, ...]] = []
    print_: list[tuple[str, str, Node]] = []  # layer, kind, node
    signs: list[tuple[int, Spot]] = []

    def place_of(spot: Spot) -> Spot:
        turned_x, turned_y = turned(spot[0], spot[1], angle)
        return round(x + turned_x, 9), round(y + turned_y, 9)

    for item in node:
        if not isinstance(item, list) or not item:
            continue
        kind = item[0]
        if kind == "property":
            said = words(item)
            if len(said) > 1:
                fields[said[0]] = said[1]
        elif kind == "fp_text":
            said = words(item)
            if len(said) < 2:
                continue
            if said[0] in ("reference", "value"):
                fields.setdefault(said[0].capitalize(), said[1])
            elif said[1].strip() in _SIGNS:
                signs.append((_SIGNS[said[1].strip()], place_of(_spot(child(item, "at"), line))))
        elif kind == "pad":
            pad = _pad(item, line, nets, place_of)
            if pad is not None:
                pads.append(pad)
        elif isinstance(kind, str) and kind.startswith("fp_"):
            layer = word(child(item, "layer"))
            if layer == _EDGE:
                edges.append(tuple(place_of(spot) for spot in _stroke(item, line)))
            elif layer.endswith((".SilkS", ".Fab", ".CrtYd")):
                print_.append((layer[2:], kind, item))
    signs += [(1, place_of(cross)) for cross in _crosses(print_, line)]
    body = _body(print_, line)
    if body is not None:
        cx, cy = place_of((body.x, body.y))
        body = Body(cx, cy, round(body.width, 9), round(body.height, 9), body.round)
    ref = fields.pop("Reference", "")
    value = fields.pop("Value", "")
    dnp = "dnp" in attributes or word(child(node, "dnp")) == "yes"
    part = Part(
        ref=ref,
        value=value,
        footprint=footprint,
        side=side,
        x=x,
        y=y,
        angle=angle,
        pads=tuple(pads),
        body=body,
        about=" ".join(text for text in about if text),
        fields=fields,
        plus_marks=tuple(spot for sign, spot in signs if sign > 0)[:_MARKS],
        minus_marks=tuple(spot for sign, spot in signs if sign < 0)[:_MARKS],
        surface_mount=bool(pads) and not any(pad.through for pad in pads),
        fitted=not (dnp or any(_NOT_FITTED.search(text) for text in (value, *fields.values()))),
        line=line,
    )
    return part, edges


def _pad(node: Node, line: int, nets: dict[str, str], place_of: Callable[[Spot], Spot]) -> Pad | None:
    said = words(node)
    if len(said) < 3 or said[1] == "np_thru_hole":
        return None
    place = child(node, "at")
    x, y = place_of(_spot(place, line))
    turn = _numbers(place, line, 2)[2:]
    size = _numbers(child(node, "size"), line, 1)
    net = words(child(node, "net"))
    name = (net[1] if len(net) > 1 else nets.get(net[0], net[0])) if net else ""
    return Pad(
        number=said[0],
        x=x,
        y=y,
        width=size[0] * _MM,
        height=size[-1] * _MM,
        angle=turn[0] if turn else 0.0,
        round=said[2] in ("circle", "oval"),
        through=said[1] == "thru_hole",
        net="" if name.startswith("unconnected-") else name,
        name=word(child(node, "pinfunction")),
        type=word(child(node, "pintype")),
    )


def _stroke(node: Node, line: int) -> tuple[Spot, ...]:
    """Corners of a line, arc, circle, rectangle, polygon or curve; arcs in steps of at most 10 degrees."""
    kind = str(node[0])[3:]
    if kind == "line":
        return _spot(child(node, "start"), line), _spot(child(node, "end"), line)
    if kind == "rect":
        (x1, y1), (x2, y2) = _spot(child(node, "start"), line), _spot(child(node, "end"), line)
        return (x1, y1), (x2, y1), (x2, y2), (x1, y2), (x1, y1)
    if kind == "circle":
        cx, cy = _spot(child(node, "center"), line)
        x, y = _spot(child(node, "end"), line)
        return _arc((cx, cy), (x, y), 2 * pi)
    if kind == "arc":
        start, end = _spot(child(node, "start"), line), _spot(child(node, "end"), line)
        middle = child(node, "mid")
        if middle is not None:
            return _arc_through(start, _spot(middle, line), end)
        return _arc(start, end, radians(_numbers(child(node, "angle"), line, 1)[0]))
    if kind in ("poly", "curve"):
        points = child(node, "pts")
        spots = [_spot(point, line) for point in all_of(points, "xy")] if points is not None else []
        if kind == "curve" and len(spots) == 4:
            return _bezier(spots)
        return (*spots, spots[0]) if spots else ()
    return ()


def _arc(centre: Spot, start: Spot, sweep: float) -> tuple[Spot, ...]:
    """From `start` round `centre` by `sweep` [rad], clockwise as seen (y is downward)."""
    dx, dy = start[0] - centre[0], start[1] - centre[1]
    radius, first = hypot(dx, dy), atan2(dy, dx)
    steps = max(1, min(36, ceil(abs(sweep) / radians(10))))
    angles = [first + sweep * step / steps for step in range(steps + 1)]
    return tuple((centre[0] + radius * cos(a), centre[1] + radius * sin(a)) for a in angles)


def _arc_through(start: Spot, middle: Spot, end: Spot) -> tuple[Spot, ...]:
    (ax, ay), (bx, by), (cx, cy) = start, middle, end
    area = 2 * (ax * (by - cy) + bx * (cy - ay) + cx * (ay - by))
    if abs(area) < 1e-15:
        return start, middle, end
    a, b, c = ax * ax + ay * ay, bx * bx + by * by, cx * cx + cy * cy
    centre = (
        (a * (by - cy) + b * (cy - ay) + c * (ay - by)) / area,
        (a * (cx - bx) + b * (ax - cx) + c * (bx - ax)) / area,
    )
    first, half, last = (atan2(y - centre[1], x - centre[0]) for x, y in (start, middle, end))
    sweep = (last - first) % (2 * pi)
    if (half - first) % (2 * pi) > sweep:
        sweep -= 2 * pi
    return _arc(centre, start, sweep)


def _bezier(spots: list[Spot]) -> tuple[Spot, ...]:
    out = []
    for step in range(17):
        t = step / 16
        weights = ((1 - t) ** 3, 3 * t * (1 - t) ** 2, 3 * t * t * (1 - t), t**3)
        out.append(
            (
                sum(w * x for w, (x, _) in zip(weights, spots, strict=True)),
                sum(w * y for w, (_, y) in zip(weights, spots, strict=True)),
            )
        )
    return tuple(out)


def _body(print_: list[tuple[str, str, Node]], line: int) -> Body | None:
    """The part's outline before turning: from the fabrication drawing, else the print, else the courtyard."""
    for layer in ("Fab", "SilkS", "CrtYd"):
        spots: list[Spot] = []
        ring: tuple[float, float, float] | None = None
        for where, kind, node in print_:
            if where != layer or kind == "fp_text_box":
                continue
            if kind == "fp_circle":
                cx, cy = _spot(child(node, "center"), line)
                x, y = _spot(child(node, "end"), line)
                radius = hypot(x - cx, y - cy)
                spots += [(cx - radius, cy - radius), (cx + radius, cy + radius)]
                if ring is None or radius > ring[2]:
                    ring = cx, cy, radius
            else:
                spots += _stroke(node, line)
        if not spots:
            continue
        left, right = min(x for x, _ in spots), max(x for x, _ in spots)
        top, bottom = min(y for _, y in spots), max(y for _, y in spots)
        if ring is not None and 2 * ring[2] >= 0.85 * max(right - left, bottom - top):
            return Body(ring[0], ring[1], 2 * ring[2], 2 * ring[2], True)
        return Body((left + right) / 2, (top + bottom) / 2, right - left, bottom - top)
    return None


def _crosses(print_: list[tuple[str, str, Node]], line: int) -> list[Spot]:
    """Plus signs drawn as two short lines that cross in their middles."""
    found: list[Spot] = []
    seen: dict[tuple[str, bool, int, int], float] = {}
    for layer, kind, node in print_:
        if kind != "fp_line" or layer == "CrtYd":
            continue
        (x1, y1), (x2, y2) = _spot(child(node, "start"), line), _spot(child(node, "end"), line)
        length = hypot(x2 - x1, y2 - y1)
        level, upright = abs(y2 - y1) < 1e-6, abs(x2 - x1) < 1e-6
        if level == upright or not 0.2e-3 <= length <= 4e-3:
            continue
        middle = (x1 + x2) / 2, (y1 + y2) / 2
        where = round(middle[0] / 5e-5), round(middle[1] / 5e-5)
        other = seen.get((layer, not level, *where))
        if other is not None and 0.8 < other / length < 1.25:
            found.append(middle)
        seen[layer, level, *where] = length
    return found
