"""The tray of a strip-down: its numbered places with what lies in them, and the screws beside each other to scale.

Sizes are millimetres. The screws are drawn life-size as long as they fit, so that paper printed at 100 % serves as a
gauge: a long screw in a short hole goes into the board.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from html import escape

from refettle.drawing.labels import LETTER
from refettle.language import tr, tr_in

WIDTH = 92.0  # [mm]; a phone's page
COLUMNS = 2
GAP = 2.0
HEAD, LETTERS, STEP = 6.0, 3.3, 4.4
LONGEST = 78.0  # [mm] of shank that fits; a longer one has all drawn smaller
_THREAD = 1.5  # [mm] between the marks of the thread; not the screw's own pitch


@dataclass(frozen=True)
class Lying:
    """One line of the strip-down as it lies on the tray: `off` came off, `missing` of them are not back yet."""

    item: str
    what: str
    tray: str
    off: int
    missing: int
    length_mm: float | None = None
    drive: str = ""
    left_off: bool = False

    @property
    def says(self) -> str:
        """`4 × screw of the lid, 12 mm`."""
        length = f", {self.length_mm:g}\u202fmm" if self.length_mm else ""
        return f"{self.off} × {self.item}{length}"

    @property
    def state(self) -> str:
        """In words, as the drawing's shapes say it."""
        if not self.missing:
            return tr_in("of what was off", "back")
        if self.left_off:
            return tr("{missing} left off", missing=self.missing)
        return tr("still off") if self.missing == self.off else tr("{missing} still off", missing=self.missing)


def place_order(place: str) -> tuple[list[tuple[int, int, str]], str]:
    """Sorts places as people do: 2 before 10, then A; nothing last."""
    parts = re.findall(r"\d+|\D+", place)
    keyed = [(0, int(p), "") if p.isdecimal() and len(p) < 10 else (1, 0, p.casefold()) for p in parts]
    return keyed or [(2, 0, "")], place


def by_place(lines: Iterable[Lying]) -> dict[str, list[Lying]]:
    """Place -> what lies there, in the places' order; those without a place under the empty name, last."""
    found: dict[str, list[Lying]] = {}
    for line in lines:
        found.setdefault(line.tray, []).append(line)
    return dict(sorted(found.items(), key=lambda each: place_order(each[0])))


def _wrapped(text: str, wide: float) -> list[str]:
    """The text in rows of at most `wide` [mm]; a long word is cut."""
    most = max(4, int(wide / (LETTER * LETTERS)))
    rows = [""]
    for word in text.split(" "):
        while len(word) > most:
            rows.append(word[:most])
            word = word[most:]
        if rows[-1] and len(rows[-1]) + 1 + len(word) > most:
            rows.append(word)
        else:
            rows[-1] = f"{rows[-1]} {word}".strip()
    return [row for row in rows if row]


def tray_map(lines: Sequence[Lying], ident: str = "tray") -> str:
    """SVG text of the tray. Empty for no lines.

    Parameters
    ----------
    lines : sequence of Lying
    ident : str
        Prefix of the ids inside, unique on the page.
    """
    if not lines:
        return ""
    places = by_place(lines)
    cell = (WIDTH - GAP * (COLUMNS - 1)) / COLUMNS
    body: list[str] = []
    top = 0.5
    names = list(places)
    for start in range(0, len(names), COLUMNS):
        row = names[start : start + COLUMNS]
        drawn = [_cell(places[name], cell) for name in row]
        high = max(height for _, height in drawn)
        for column, (name, (inside, _)) in enumerate(zip(row, drawn, strict=True)):
            x = 0.5 + column * (cell - 0.5 + GAP)
            done = not any(line.missing for line in places[name])
            body.append(
                f'<g class="tm-place{" tm-done" if done else ""}" transform="translate({x:.2f} {top:.2f})">'
                f'<rect class="tm-box" width="{cell - 0.5:.2f}" height="{high:.2f}" rx="2"/>'
                f'<text class="tm-number" x="2" y="5.6" font-size="5">{escape(name or tr("no place"))}</text>'
                f"{inside}</g>"
            )
        top += high + GAP
    told = ". ".join(
        (tr("Place {tray}: ", tray=name) if name else tr("Place not named: "))
        + ", ".join(f"{line.says}, {line.state}" for line in there)
        for name, there in places.items()
    )
    return _svg("tray-map", top, ident, tr("Tray, by its places"), told, body, life_size=False)


def _cell(lines: Sequence[Lying], wide: float) -> tuple[str, float]:
    """What stands in one place, and the height of the place [mm]."""
    y, out = HEAD + 1.0, []
    for line in lines:
        for row in _wrapped(line.says, wide - 5.0):
            y += STEP
            out.append(f'<text class="tm-item" x="2" y="{y - 1:.2f}" font-size="{LETTERS}">{escape(row)}</text>')
        y += STEP
        if line.missing:
            mark = f'<rect class="tm-open" x="2" y="{y - 3.6:.2f}" width="2.6" height="2.6"/>'
        else:
            mark = f'<path class="tm-tick" d="M2 {y - 2.2:.2f}l1 1.2 1.9-2.8"/>'
        weight = "tm-off" if line.missing and not line.left_off else "tm-state"
        out.append(
            f'{mark}<text class="{weight}" x="6" y="{y - 1:.2f}" font-size="{LETTERS}">{escape(line.state)}</text>'
        )
        y += 1.0
    return "".join(out), y + 1.0


def screws(lines: Sequence[Lying], ident: str = "screws") -> str:
    """SVG text of everything with a length, shortest first, to one scale. Empty if nothing has one."""
    long = sorted((line for line in lines if line.length_mm), key=lambda line: line.length_mm or 0.0)
    if not long:
        return ""
    longest = max(line.length_mm or 0.0 for line in long)
    scale = min(1.0, LONGEST / longest)
    body, y = [], 0.5
    for line in long:
        for row in _wrapped(f"{line.length_mm:g}\u202fmm: {line.item}, {_where(line)}", WIDTH):
            y += STEP
            body.append(f'<text class="tm-item" x="0" y="{y - 1:.2f}" font-size="{LETTERS}">{escape(row)}</text>')
        body.append(_screw(line, y + 3.4, scale))
        y += 8.0
    bar = 10.0
    body.append(
        f'<path class="tm-scale" d="M4 {y + 1:.2f}v2.4h{bar * scale:.2f}v-2.4"/>'
        f'<text class="tm-item" x="{6 + bar * scale:.2f}" y="{y + 3.4:.2f}" font-size="{LETTERS}">'
        f"{bar:g}\u202fmm{_size_words(scale)}</text>"
    )
    told = "; ".join(f"{line.length_mm:g} mm {line.item}, {_where(line)}" for line in long)
    return _svg("tray-screws", y + 6.0, ident, tr("Screws beside each other, to scale"), told, body, life_size=True)


def _where(line: Lying) -> str:
    return (tr("place {tray}", tray=line.tray) if line.tray else tr("no place")) + (
        f", {line.state}" if not line.missing else ""
    )


def _size_words(scale: float) -> str:
    return (
        tr(", life-size when printed at 100 %") if scale == 1.0 else tr(", drawn at {scale:.0%} of life", scale=scale)
    )


def _screw(line: Lying, y: float, scale: float) -> str:
    """A head, and a shank of the length; round and plain, as any driver's head looks from the side."""
    length = (line.length_mm or 0.0) * scale
    if line.what != "screw":
        return f'<rect class="tm-shank" x="4" y="{y - 1.2:.2f}" width="{length:.2f}" height="2.4"/>'
    marks = "".join(f"M{4 + x * _THREAD:.2f} {y - 1.2:.2f}l.6 2.4" for x in range(1, int(length / _THREAD)))
    return (
        f'<path class="tm-head" d="M4 {y - 2.8:.2f}a3.6 3.6 0 0 0 0 5.6z"/>'
        f'<rect class="tm-shank" x="4" y="{y - 1.2:.2f}" width="{length:.2f}" height="2.4"/>'
        + (f'<path class="tm-thread" d="{marks}"/>' if marks else "")
    )


def _svg(name: str, height: float, ident: str, title: str, told: str, body: Sequence[str], life_size: bool) -> str:
    size = f' width="{WIDTH:g}mm" height="{height:.1f}mm"' if life_size else ""
    return (
        f'<svg class="{name}" xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH:g} {height:.2f}"{size} role="img" '
        f'aria-labelledby="{ident}-title {ident}-desc"><title id="{ident}-title">{escape(title)}</title>'
        f'<desc id="{ident}-desc">{escape(told)}</desc>{"".join(body)}</svg>'
    )
