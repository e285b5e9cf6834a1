"""Labels with QR codes on a sheet: a grid of any rows, columns and margins, one SVG for each sheet, in millimetres.

Text is set so that it surely fits: widths are those of the widest of the usual sans-serif fonts (DejaVu Sans, by hand);
a line that is too long is made smaller, then wrapped, and ends in `…` where even that does not do. A QR code keeps its
quiet zone of four modules (ISO/IEC 18004, from memory), and no module is finer than `FINEST`.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from html import escape
from typing import Any

import segno

from refettle.language import tr

PAPERS = {"A4": (210.0, 297.0), "Letter": (215.9, 279.4)}
"""Width and height [mm]: ISO 216, ANSI/ASME Y14.1."""
FINEST = 0.25
"""[mm] A module below is not read surely by a phone at hand's length (estimate)."""
QUIET = 4
PAD = 1.5
"""[mm] Kept free along a label's edge; sheets are cut and fed by about so much beside."""
LARGEST, SMALLEST = 4.4, 1.9
"""[mm] Height of letters; the smallest is 5.4 pt."""
LEAD = 1.2
LEAST_HIGH, LEAST_WIDE, MOST_CELLS = 9.0, 20.0, 500
_NARROW, _WIDE = frozenset("iljtfrI.,:;'|!()[]/-· \u2009"), frozenset("mwMWΩ@%—©®¼½¾ÆæŒœ…ĲŉŴŵĦ")
_SIGNS, _COMMON = frozenset("#&+<=>^~×±÷¬µμħ"), frozenset("µμ–’‘“”•°\u2009\u202f")


class LabelSheetError(ValueError):
    """A sheet or label that cannot be printed; names the field, what was found, what is allowed."""

    def __init__(self, field: str, message: str) -> None:
        self.field = field
        super().__init__(f"{field}: {message}")


@dataclass(frozen=True)
class Sheet:
    """A sheet of labels: `rows` by `columns`; `top` and `left` margins are the same at the other edge [mm]."""

    paper: str = "A4"
    columns: int = 3
    rows: int = 8
    top: float = 8.0
    left: float = 7.0
    gap_x: float = 2.5
    gap_y: float = 0.0

    def __post_init__(self) -> None:
        if self.paper not in PAPERS:
            raise LabelSheetError(
                "paper", tr("'{paper}' found; allowed: {papers}", paper=self.paper[:20], papers=", ".join(PAPERS))
            )
        for name in ("columns", "rows"):
            if not 1 <= getattr(self, name) <= 40:
                raise LabelSheetError(name, tr("{name} found; allowed: 1 to 40", name=getattr(self, name)))
        for name in ("top", "left", "gap_x", "gap_y"):
            if not 0 <= getattr(self, name) <= 100:
                raise LabelSheetError(name, tr("{name:g} mm found; allowed: 0 to 100 mm", name=getattr(self, name)))
        if self.wide < LEAST_WIDE:
            raise LabelSheetError(
                "columns",
                tr(
                    "{columns} found, which leaves {wide:.1f} mm for one; allowed: labels of {least_wide:g} mm "
                    "or more across",
                    columns=self.columns,
                    wide=max(self.wide, 0),
                    least_wide=LEAST_WIDE,
                ),
            )
        if self.high < LEAST_HIGH:
            raise LabelSheetError(
                "rows",
                tr(
                    "{rows} found, which leaves {high:.1f} mm for one; allowed: labels of {least_high:g} mm or "
                    "more high",
                    rows=self.rows,
                    high=max(self.high, 0),
                    least_high=LEAST_HIGH,
                ),
            )

    @property
    def size(self) -> tuple[float, float]:
        """Of the paper [mm]."""
        return PAPERS[self.paper]

    @property
    def wide(self) -> float:
        """Width of one label [mm]."""
        return (self.size[0] - 2 * self.left - (self.columns - 1) * self.gap_x) / self.columns

    @property
    def high(self) -> float:
        """Height of one label [mm]."""
        return (self.size[1] - 2 * self.top - (self.rows - 1) * self.gap_y) / self.rows

    @property
    def cells(self) -> int:
        """Labels on a sheet."""
        return self.rows * self.columns

    def corner(self, place: int) -> tuple[float, float]:
        """Left top corner [mm] of a place, counted from 0 along the rows."""
        row, column = divmod(place, self.columns)
        return self.left + column * (self.wide + self.gap_x), self.top + row * (self.high + self.gap_y)


@dataclass(frozen=True)
class Label:
    """What stands on one label: a head line, lines below it, and what the QR code says."""

    head: str
    lines: tuple[str, ...]
    code: str


def width(text: str, size: float, bold: bool = False) -> float:
    """Width [mm] of a text in letters of a size [mm], at most: no usual sans-serif font is wider."""
    return sum(map(_letter, text)) * size * (1.1 if bold else 1.0)


def _letter(letter: str) -> float:
    """Width of a letter in its size."""
    if letter in _NARROW:
        return 0.45
    if letter in _WIDE or (ord(letter) > 0x17F and letter not in _COMMON):
        return 1.08
    if letter in _SIGNS:
        return 0.84
    return 0.79 if letter.isupper() else 0.66


def fitted(text: str, wide: float, lines: int, size: float, bold: bool = False) -> tuple[list[str], float]:
    """A text in at most so many lines, as large as it goes from `size` down to SMALLEST, and its size."""
    while True:
        broken = list(_broken(text, wide, size, bold))
        if len(broken) <= lines:
            return broken, size
        if size <= SMALLEST:
            break
        size = max(SMALLEST, size - 0.1)
    kept = broken[:lines]
    while kept[-1] and width(kept[-1] + "…", size, bold) > wide:
        kept[-1] = kept[-1][:-1]
    return [*kept[:-1], kept[-1].rstrip() + "…"], size


def _broken(text: str, wide: float, size: float, bold: bool) -> Iterator[str]:
    """Lines broken between words, within a word only where it alone is too long."""
    line = ""
    for word in text.split(" "):  # thin spaces hold a value and its unit together
        trial = f"{line} {word}".strip()
        if width(trial, size, bold) <= wide:
            line = trial
            continue
        if line:
            yield line
        while width(word, size, bold) > wide and len(word) > 1:
            end = next(n for n in range(len(word) - 1, 0, -1) if n == 1 or width(word[:n], size, bold) <= wide)
            yield word[:end]
            word = word[end:]
        line = word
    if line:
        yield line


def sheets(labels: Sequence[Label], sheet: Sheet, start: int = 1, outlines: bool = False) -> list[str]:
    """One SVG text for each sheet.

    Parameters
    ----------
    labels : sequence of Label
    sheet : Sheet
    start : int
        Place of the first label on the first sheet, from 1: the earlier ones are used up.
    outlines : bool
        Draw where the labels end, for a trial on plain paper.

    Raises
    ------
    LabelSheetError
        No such place, or a QR code that would be too fine.
    """
    if not 1 <= start <= sheet.cells:
        raise LabelSheetError(
            "start", tr("{start} found; allowed: 1 to {cells} on this sheet", start=start, cells=sheet.cells)
        )
    if len(labels) > MOST_CELLS:
        raise LabelSheetError(
            "labels",
            tr("{labels} found; allowed: up to {most_cells} at once", labels=len(labels), most_cells=MOST_CELLS),
        )
    across, tall = sheet.size
    made = []
    places = list(enumerate(labels, start - 1))
    for number in range(0, (places[-1][0] if places else 0) + 1, sheet.cells):
        mine = [(at - number, label) for at, label in places if number <= at < number + sheet.cells]
        inside = "".join(_label(label, *sheet.corner(at), sheet, outlines) for at, label in mine)
        name = (
            tr(
                "Sheet {cells}: {mine} labels, from {head}",
                cells=number // sheet.cells + 1,
                mine=len(mine),
                head=mine[0][1].head,
            )
            if mine
            else tr("Empty sheet")
        )
        made.append(
            f'<svg class="label-sheet" xmlns="http://www.w3.org/2000/svg" width="{across:g}mm" height="{tall:g}mm" '
            f'viewBox="0 0 {across:g} {tall:g}" role="img" aria-label="{escape(name)}"><rect class="label-paper" '
            f'width="{across:g}" height="{tall:g}" fill="#fff"/>{inside}</svg>'
        )
    return made


def _label(label: Label, x: float, y: float, sheet: Sheet, outlines: bool) -> str:
    wide, high = sheet.wide, sheet.high
    side = min(high - 0.6, 0.42 * wide)
    drawn, module = _code(label.code, x + 0.3, y + (high - side) / 2, side)
    if module < FINEST:
        raise LabelSheetError(
            "labels",
            tr(
                "{wide:.1f} x {high:.1f} mm found, which prints the QR code of {head} with dots of {module:.2f} "
                "mm; allowed: {finest:g} mm or more: larger labels, or the plain code in it",
                wide=wide,
                high=high,
                head=label.head,
                module=module,
                finest=FINEST,
            ),
        )
    left, room = x + side + 0.3 + PAD / 2, wide - side - 0.3 - 1.5 * PAD
    text = _text(label, left, y, room, high)
    edge = (
        f'<rect x="{x:.2f}" y="{y:.2f}" width="{wide:.2f}" height="{high:.2f}" fill="none" stroke="#999" '
        'stroke-width="0.15"/>'
    )
    return (edge if outlines else "") + drawn + text


def _text(label: Label, left: float, y: float, room: float, high: float) -> str:
    free = high - 2 * PAD
    most = max(1, min(2, int(free / (SMALLEST * LEAD) / 2)))
    head, size = fitted(label.head, room, most, min(LARGEST, max(SMALLEST, free / 3.2)), bold=True)
    rows: list[tuple[str, float, bool]] = [(line, size, True) for line in head]
    left_high = free - len(head) * size * LEAD
    small = min(3.0, max(SMALLEST, 0.72 * size))
    wanted = [line for line in label.lines if line.strip()]
    for place, line in enumerate(wanted):
        lines_left = int(left_high / (small * LEAD) + 1e-9)
        if lines_left < 1 and small > SMALLEST:
            small = SMALLEST
            lines_left = int(left_high / (small * LEAD) + 1e-9)
        if lines_left < 1:
            break
        share = max(1, lines_left - (len(wanted) - place - 1))
        broken, at = fitted(line, room, 1, small)
        if share > 1 and (broken[0].endswith("…") or at < 0.8 * small):
            broken, at = fitted(line, room, 2, small)
        rows += [(each, at, False) for each in broken]
        left_high -= len(broken) * at * LEAD
    total = sum(size * LEAD for _, size, _ in rows)
    top, made = y + max(PAD, (high - total) / 2), []
    for line, size, bold in rows:
        top += size * LEAD
        made.append(
            f'<text x="{left:.2f}" y="{top - 0.3 * size:.2f}" font-size="{size:.2f}"'
            f'{" font-weight=" + chr(34) + "bold" + chr(34) if bold else ""} fill="#000" '
            f'font-family="Liberation Sans, DejaVu Sans, Arial, sans-serif">{escape(line)}</text>'
        )
    return "".join(made)


def _code(said: str, x: float, y: float, side: float) -> tuple[str, float]:
    """A QR code with its quiet zone in a square, and the size of one module [mm]."""
    matrix: Any = segno.make(said, error="m", micro=False).matrix
    count = len(matrix) + 2 * QUIET
    module = side / count
    runs = []
    for row, cells in enumerate(matrix):
        column = 0
        while column < len(cells):
            end = column
            while end < len(cells) and cells[end]:
                end += 1
            if end > column:
                runs.append(f"M{column + QUIET} {row + QUIET}h{end - column}v1h{column - end}z")
            column = end + 1
    return (
        f'<path class="label-qr" transform="translate({x:.3f} {y:.3f}) scale({module:.5f})" fill="#000" '
        f'shape-rendering="crispEdges" d="{"".join(runs)}"/>',
        module,
    )
