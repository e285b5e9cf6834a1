"""The board map: both sides of a board, its electrolytics marked with their minus side, other parts faint.

Seen from in front and, mirrored, from behind, so that the joints lie where the iron finds them. The minus side is the
dark half, with a bar in it; that stays readable in grey on paper. Sizes in the drawing are millimetres.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from html import escape
from math import atan2, cos, hypot, sin

from refettle.drawing.labels import LETTER, Box, Labels
from refettle.language import several, tr
from refettle.parts.board import Body, Pad, Part, Side, corners
from refettle.parts.board_capacitors import Capacitor
from refettle.parts.board_reading import BoardReading
from refettle.quantities import THIN, show

MARGIN = 7.0
HEAD = 7.0
FOOT = 6.0
LETTERS = 3.4
SMALL = 110.0  # [mm]; a smaller board is drawn larger than life
CLOSE_UP = 22.0  # [mm] of the board around a part
RING = 1.2
_ALWAYS_NAMED = ("connector", "switch", "speaker")
STATES = ("next", "out", "done")  # what the bench has done with a capacitor

# Used when a drawing stands alone as a file; on a page the page's own sheet applies.
ALONE = """
.bm-ground{fill:#fffdf7}
.bm-edge{fill:none;stroke:#3a352c;stroke-width:.5}
.bm-part{fill:#f4efe3;stroke:#a39a88;stroke-width:.2}
.bm-pads{fill:none;stroke:#cfc7b6;stroke-width:1.1;stroke-linecap:round}
.bm-name{fill:#7a7263;font-family:system-ui,sans-serif}
.bm-body{fill:#fff;stroke:#26221b;stroke-width:.45}
.bm-ghost{fill:none;stroke:#26221b;stroke-width:.25;stroke-dasharray:1 .7}
.bm-perhaps .bm-body{stroke-dasharray:1.2 .8}
.bm-minus{fill:#26221b}
.bm-bar{fill:none;stroke:#fff;stroke-width:.45}
.bm-plus{fill:none;stroke:#26221b;stroke-width:.45}
.bm-pad{fill:#fff;stroke:#26221b;stroke-width:.35}
.bm-pad.bm-minus{fill:#26221b}
.bm-fine{stroke-width:.25}
.bm-label{fill:#26221b;font-family:system-ui,sans-serif;font-weight:700;stroke:#fffdf7;stroke-width:.7;paint-order:stroke}
.bm-head{fill:#26221b;font-family:system-ui,sans-serif;font-weight:600}
.bm-lead{fill:none;stroke:#26221b;stroke-width:.2}
.bm-scale{fill:none;stroke:#3a352c;stroke-width:.4}
.bm-ring{fill:none;stroke:#b4530a;stroke-width:.9}
.bm-tick{fill:none;stroke:#26221b;stroke-width:.7}
.bm-out .bm-body{fill:none;stroke-dasharray:.8 .8}
.bm-out .bm-minus,.bm-done .bm-minus{fill-opacity:.45}
"""


def board_map(
    reading: BoardReading,
    sides: Sequence[Side] = ("front", "back"),
    around: str | None = None,
    states: Mapping[str, str] | None = None,
    alone: bool = False,
    ident: str = "board-map",
) -> str:
    """SVG text of a board with its electrolytics.

    Parameters
    ----------
    reading : BoardReading
    sides : sequence of "front", "back"
        Drawn one below the other, or side by side for an upright board; a small board larger than life.
    around : str, optional
        Designator: a close-up of that part's surroundings, with values.
    states : mapping of designator to "next", "out" or "done", optional
        What the bench has done: a ring, an empty dashed body, a tick.
    alone : bool
        True for a file of its own: carries its colours with it.
    ident : str
        Prefix of the ids inside, unique on the page.

    Raises
    ------
    ValueError
        `around` is no part of the board that has a place.
    """
    window = _window(reading, around)
    width, height = 1e3 * (window[2] - window[0]), 1e3 * (window[3] - window[1])
    scale = 1
    while scale < 16 and scale * max(width, height) < SMALL:
        scale *= 2
    width, height = scale * width + 2 * MARGIN, scale * height + 2 * MARGIN
    beside = height > width and len(sides) > 1
    total_w = width * len(sides) if beside else width
    total_h = (height + HEAD if beside else (height + HEAD) * len(sides)) + FOOT
    out = [
        f'<svg xmlns="http://www.w3.org/2000/svg" class="board-map" viewBox="0 0 {total_w:.1f} {total_h:.1f}" '
        f'width="{total_w:.1f}mm" height="{total_h:.1f}mm" role="img" aria-labelledby="{ident}-title {ident}-desc">',
        f'<title id="{ident}-title">{escape(_title(reading, around))}</title>',
        f'<desc id="{ident}-desc">{escape(_description(reading, sides))}</desc>',
    ]
    if alone:
        out.append(f"<style>{ALONE}</style>")
        out.append(f'<rect class="bm-ground" width="{total_w:.1f}" height="{total_h:.1f}"/>')
    for n, side in enumerate(sides):
        at = (n * width, HEAD) if beside else (0.0, n * (height + HEAD) + HEAD)
        frame = (at[0], at[1], at[0] + width, at[1] + height)
        out += _Panel(reading, side, window, frame, scale, states or {}, around is not None).drawn()
    out.append(_scale_bar(scale, total_h))
    out.append("</svg>")
    return "".join(out)


def _window(reading: BoardReading, around: str | None) -> Box:
    """What of the board is drawn [m]: all of it with the parts that hang over its edge, or a close-up."""
    if around is not None:
        part = next((p for p in reading.board.parts if p.ref == around and p.placed), None)
        if part is None:
            raise ValueError(tr("around: {around!r} found; allowed: a part of the board with a place", around=around))
        reach = CLOSE_UP / 1e3
        return part.x - reach, part.y - reach, part.x + reach, part.y + reach
    left, top, right, bottom = reading.board.bounds
    for part in reading.board.parts:
        body = _body_of(part)
        if part.placed and body is not None:
            reach_x, reach_y = body.width / 2, body.height / 2
            if round(part.angle) % 180 == 90:
                reach_x, reach_y = reach_y, reach_x
            left, right = min(left, body.x - reach_x), max(right, body.x + reach_x)
            top, bottom = min(top, body.y - reach_y), max(bottom, body.y + reach_y)
    return left, top, right, bottom


def _scale_bar(scale: int, foot: float) -> str:
    y = foot - 3
    said = f"10{THIN}mm" + (tr(", drawn {scale} : 1", scale=scale) if scale > 1 else "")
    return (
        f'<path class="bm-scale" d="M{MARGIN} {y - 1:.1f}v2m0 -1h{10 * scale}m0 -1v2"/>'
        f'<text class="bm-head" x="{MARGIN + 10 * scale + 2}" y="{y + 1:.1f}" font-size="3">{said}</text>'
    )


def _title(reading: BoardReading, around: str | None) -> str:
    name = reading.board.title or tr("the board")
    return (
        tr("Surroundings of {around} on {name}", around=around, name=name)
        if around is not None
        else tr("Electrolytic capacitors of {name}", name=name)
    )


def _description(reading: BoardReading, sides: Sequence[Side]) -> str:
    told = []
    for capacitor in reading.electrolytics:
        if capacitor.part.placed and (capacitor.part.side in sides or not capacitor.part.surface_mount):
            told.append(_said(reading, capacitor))
    more = tr("; and {told} more", told=len(told) - 60) if len(told) > 60 else ""
    count = several("{n} electrolytic capacitor", "{n} electrolytic capacitors", len(told))
    perhaps = (
        tr(" To be looked at: {perhaps}.", perhaps=", ".join(c.ref for c in reading.perhaps[:30]))
        if reading.perhaps
        else ""
    )
    return (
        tr(
            "{count}, the minus side dark: {told}{more}.{perhaps}",
            count=count,
            told="; ".join(told[:60]),
            more=more,
            perhaps=perhaps,
        )
        if told
        else f"{count}.{perhaps}"
    )


def _said(reading: BoardReading, capacitor: Capacitor) -> str:
    polarity = reading.polarity(capacitor)
    words = [capacitor.ref, _value(capacitor), tr("on the {side}", side=tr(capacitor.part.side))]
    if not capacitor.part.fitted:
        words.append(tr("not fitted"))
    if polarity.agreement == "no polarity":
        words.append(tr("bipolar"))
    elif polarity.plus is None:
        words.append(tr("polarity not agreed"))
    elif capacitor.toward_minus is not None:
        words.append(tr("minus {toward_minus}", toward_minus=tr(capacitor.toward_minus)))
    return ", ".join(word for word in words if word)


def _value(capacitor: Capacitor) -> str:
    if capacitor.value.farad is None:
        return capacitor.part.value
    volts = f" {show(capacitor.value.volt, 'V')}" if capacitor.value.volt is not None else ""
    return f"{show(capacitor.value.farad, 'F')}{volts}"


@dataclass
class _Panel:
    """One side of the board; places on the board [m] become places in the drawing."""

    reading: BoardReading
    side: Side
    window: Box
    frame: Box
    scale: int
    states: Mapping[str, str]
    close: bool

    def spot(self, x: float, y: float) -> tuple[float, float]:
        """A place of the board in the drawing; the back is mirrored."""
        across = self.window[2] - x if self.side == "back" else x - self.window[0]
        return self.frame[0] + MARGIN + self.mm(across), self.frame[1] + MARGIN + self.mm(y - self.window[1])

    def mm(self, metres: float) -> float:
        """A length of the board in the drawing."""
        return 1e3 * self.scale * metres

    def inside(self, x: float, y: float) -> bool:
        """True within the window."""
        return self.window[0] <= x <= self.window[2] and self.window[1] <= y <= self.window[3]

    def drawn(self) -> list[str]:
        """The panel as pieces of SVG."""
        board = self.reading.board
        left, top, right, bottom = self.frame
        head = tr("Front") if self.side == "front" else tr("Back, seen from behind")
        out = [
            f'<text class="bm-head" x="{left + MARGIN:.1f}" y="{top - 1:.1f}" font-size="4">{head}</text>',
            # an inner drawing of the same measure cuts off what stands over its edge
            f'<svg class="bm-side" data-side="{self.side}" x="{left:.1f}" y="{top:.1f}" width="{right - left:.1f}" '
            f'height="{bottom - top:.1f}" viewBox="{left:.1f} {top:.1f} {right - left:.1f} {bottom - top:.1f}">',
        ]
        asked = {c.ref: c for c in (*self.reading.electrolytics, *self.reading.perhaps) if c.part.placed}
        shown = [c for c in asked.values() if self.inside(c.part.x, c.part.y) and self._seen(c.part)]
        if not self.close:
            edges = "".join(_path([self.spot(*spot) for spot in line]) for line in board.outline)
            out.append(f'<path class="bm-edge" d="{edges}"/>' if edges else "")
        others = [p for p in board.parts if p.placed and p.ref not in asked and self.inside(p.x, p.y)]
        bodies = "".join(self._shape(p, p.body) for p in others if p.side == self.side and p.body is not None)
        out.append(f'<path class="bm-part" d="{bodies}"/>' if bodies else "")
        joints = [pad for p in others for pad in p.pads if pad.through or p.side == self.side]
        out.append(f'<path class="bm-pads" d="{"".join(self._dot(pad) for pad in joints)}"/>' if joints else "")
        labels = Labels(LETTERS, [self._reach(c) for c in shown], self.frame)
        placed = [labels.place(self._text(c), self._reach(c)) for c in shown]
        out += [self._name(p, labels) for p in others if self._seen(p)]
        out += [self._capacitor(c) for c in shown]
        out += [*placed, "</svg>"]
        return [piece for piece in out if piece]

    def _seen(self, part: Part) -> bool:
        return part.side == self.side or any(pad.through for pad in part.pads)

    def _text(self, capacitor: Capacitor) -> str:
        query = "?" if capacitor.kind == "perhaps" else ""
        return f"{capacitor.ref}{query} {_value(capacitor)}".strip() if self.close else f"{capacitor.ref}{query}"

    def _dot(self, pad: Pad) -> str:
        x, y = self.spot(pad.x, pad.y)
        return f"M{x:.1f} {y:.1f}h0" if self.inside(pad.x, pad.y) else ""

    def _reach(self, capacitor: Capacitor) -> Box:
        """The room a capacitor takes in the drawing, with the ring of the next one."""
        room = self._room(capacitor.part)
        if self.states.get(capacitor.ref) != "next":
            return room
        x, y, r = _round_it(room)
        return x - r, y - r, x + r, y + r

    def _room(self, part: Part) -> Box:
        spots: list[tuple[float, float]] = []
        for pad in part.pads:
            (x, y), r = self.spot(pad.x, pad.y), self._joint_size(pad)
            spots += [(x - r, y - r), (x + r, y + r)]
        body = _body_of(part)
        if body is not None and body.round:
            (x, y), r = self.spot(body.x, body.y), self.mm(body.width) / 2
            spots += [(x - r, y - r), (x + r, y + r)]
        elif body is not None:
            spots += [self.spot(*corner) for corner in corners(body, part.angle)]
        spots = spots or [self.spot(part.x, part.y)]
        across, down = [x for x, _ in spots], [y for _, y in spots]
        return min(across), min(down), max(across), max(down)

    def _capacitor(self, capacitor: Capacitor) -> str:
        part, state = capacitor.part, self.states.get(capacitor.ref, "")
        css = "bm-cap" + (" bm-perhaps" if capacitor.kind == "perhaps" else "")
        css += f" bm-{state}" if state in STATES else ""
        seat = self.reading.seats[capacitor.ref]
        told = escape(f"{_said(self.reading, capacitor)}: {seat.text}")
        out = [f'<g class="{css}" data-ref="{escape(capacitor.ref)}"><title>{told}</title>']
        polarity = self.reading.polarity(capacitor)
        body = _body_of(part)
        ends = self._ends(part, polarity.plus)
        if part.side == self.side and body is not None:
            out.append(f'<path class="bm-body" d="{self._shape(part, body)}"/>')
            if ends is not None:
                out.append(self._minus(part, body, *ends))
        else:
            if body is not None:
                out.append(f'<path class="bm-ghost" d="{self._shape(part, body)}"/>')
            out += [self._joint(pad, polarity.plus) for pad in part.pads]
        x, y, r = _round_it(self._room(part))
        if state == "next":
            out.append(f'<path class="bm-ring" d="{_ring(x, y, r)}"/>')
        elif state == "done":
            strokes = f"l{0.35 * r:.2f} {0.4 * r:.2f} {0.7 * r:.2f} {-0.8 * r:.2f}"
            out.append(f'<path class="bm-tick" d="M{x - r / 2:.2f} {y:.2f}{strokes}"/>')
        return "".join([*out, "</g>"])

    def _shape(self, part: Part, body: Body) -> str:
        if body.round:
            return _ring(*self.spot(body.x, body.y), self.mm(body.width) / 2)
        return _path([self.spot(*corner) for corner in corners(body, part.angle)]) + "z"

    def _ends(self, part: Part, plus: str | None) -> tuple[tuple[float, float], tuple[float, float]] | None:
        """Middles of the plus and of the minus pads in the drawing."""
        found = []
        for pads in ([p for p in part.pads if p.number == plus], [p for p in part.pads if p.number not in ("", plus)]):
            if plus is None or not pads:
                return None
            found.append(self.spot(sum(p.x for p in pads) / len(pads), sum(p.y for p in pads) / len(pads)))
        (x1, y1), (x2, y2) = found
        return (found[0], found[1]) if hypot(x2 - x1, y2 - y1) > 0.05 else None

    def _minus(self, part: Part, body: Body, plus: tuple[float, float], minus: tuple[float, float]) -> str:
        """The dark half or end of the body, a bar in it, and a plus in the other."""
        toward = atan2(minus[1] - plus[1], minus[0] - plus[0])
        x, y = self.spot(body.x, body.y)
        if body.round:
            r = self.mm(body.width) / 2
            dx, dy = -r * sin(toward), r * cos(toward)
            dark = f"M{x - dx:.2f} {y - dy:.2f}A{r:.2f} {r:.2f} 0 0 1 {x + dx:.2f} {y + dy:.2f}z"
            reach, sign = r * 0.55, r * 0.3
        else:
            spots = [self.spot(*corner) for corner in corners(body, part.angle)]
            along = [(sx - x) * cos(toward) + (sy - y) * sin(toward) for sx, sy in spots]
            across = [(sy - y) * cos(toward) - (sx - x) * sin(toward) for sx, sy in spots]
            end, side = max(along), max(across)
            start = end - min(end, max(0.3 * 2 * end, 0.8))
            box = [(start, -side), (end, -side), (end, side), (start, side)]
            turned = [(x + u * cos(toward) - v * sin(toward), y + u * sin(toward) + v * cos(toward)) for u, v in box]
            dark = _path(turned) + "z"
            reach, sign = (start + end) / 2, min(side * 0.55, (end - start) * 0.4)
        mx, my = x + reach * cos(toward), y + reach * sin(toward)
        px, py = x - reach * cos(toward), y - reach * sin(toward)
        return (
            f'<path class="bm-minus" d="{dark}"/><path class="bm-bar" d="M{mx - sign:.2f} {my:.2f}h{2 * sign:.2f}"/>'
            f'<path class="bm-plus" d="M{px - sign:.2f} {py:.2f}h{2 * sign:.2f}"/>'
            f'<path class="bm-plus" d="M{px:.2f} {py - sign:.2f}v{2 * sign:.2f}"/>'
        )

    def _joint_size(self, pad: Pad) -> float:
        return max(0.7, self.mm(min(pad.width, pad.height)) / 2)

    def _joint(self, pad: Pad, plus: str | None) -> str:
        x, y = self.spot(pad.x, pad.y)
        r = self._joint_size(pad)
        minus = plus is not None and pad.number not in ("", plus)
        out = f'<circle class="bm-pad{" bm-minus" if minus else ""}" cx="{x:.2f}" cy="{y:.2f}" r="{r:.2f}"/>'
        if plus is None:
            return out
        bar = f"M{x - 0.6 * r:.2f} {y:.2f}h{1.2 * r:.2f}"
        upright = "" if minus else f"M{x:.2f} {y - 0.6 * r:.2f}v{1.2 * r:.2f}"
        return f'{out}<path class="{"bm-bar" if minus else "bm-plus"} bm-fine" d="{bar}{upright}"/>'

    def _name(self, part: Part, labels: Labels) -> str:
        """The designator of a chip or connector, for finding one's way; left out where it would hide a label."""
        body = part.body
        known = self.reading.circuit.parts.get(part.ref)
        if body is None or known is None:
            return ""
        if len(part.pads) < 3 and known.kind not in _ALWAYS_NAMED:
            return ""
        spots = [self.spot(*corner) for corner in corners(body, part.angle)]
        wide = max(x for x, _ in spots) - min(x for x, _ in spots)
        high = max(y for _, y in spots) - min(y for _, y in spots)
        x, y = self.spot(body.x, body.y)
        upright = high > wide
        size = min(0.8 * LETTERS, 0.8 * min(wide, high), max(wide, high) / (LETTER * len(part.ref)))
        half_l, half_h = LETTER * size * len(part.ref) / 2, size / 2
        dx, dy = (half_h, half_l) if upright else (half_l, half_h)
        box = (x - dx, y - dy, x + dx, y + dy)
        if size < 1.0 or labels.taken(box):
            return ""
        turn = f' transform="rotate(-90 {x:.2f} {y:.2f})"' if upright else ""
        return (
            f'<text class="bm-name" x="{x:.2f}" y="{y + 0.36 * size:.2f}" font-size="{size:.2f}" '
            f'text-anchor="middle"{turn}>{escape(part.ref)}</text>'
        )


def _body_of(part: Part) -> Body | None:
    """The printed body, or one around the pads where the print shows none."""
    if part.body is not None:
        return part.body
    if not part.pads:
        return None
    x, y = sum(p.x for p in part.pads) / len(part.pads), sum(p.y for p in part.pads) / len(part.pads)
    reach = max(hypot(p.x - x, p.y - y) for p in part.pads)
    return Body(x, y, 2 * reach + 2.5e-3, 2 * reach + 2.5e-3, True)


def _round_it(box: Box) -> tuple[float, float, float]:
    """Middle and radius of the ring around a box that marks the next capacitor."""
    left, top, right, bottom = box
    return (left + right) / 2, (top + bottom) / 2, hypot(right - left, bottom - top) / 2 + RING


def _path(spots: Sequence[tuple[float, float]]) -> str:
    return "M" + "L".join(f"{x:.2f} {y:.2f}" for x, y in spots) if spots else ""


def _ring(x: float, y: float, r: float) -> str:
    return f"M{x - r:.2f} {y:.2f}a{r:.2f} {r:.2f} 0 1 0 {2 * r:.2f} 0a{r:.2f} {r:.2f} 0 1 0 {-2 * r:.2f} 0z"
