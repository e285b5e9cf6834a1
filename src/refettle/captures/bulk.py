"""The rows of numbers themselves, piece by piece: fast where a piece is plain, cell by cell where it is not."""

from __future__ import annotations

from dataclasses import dataclass, field
from math import floor, isfinite, log10

import numpy as np

from refettle.captures.cells import Style, is_over, rescale, unit_of, when
from refettle.captures.layout import MAX_LINE, Layout, split
from refettle.captures.model import CaptureError, CaptureStopped, Floats, Progress, Stop
from refettle.language import several, tr
from refettle.quantities import whole

PIECE = 1 << 20
MAX_VALUES = 40_000_000
"""Numbers in one file: 320 MB as they are kept."""
MAX_FOOT = 65_536
_DAY = 86_400.0
_PLAIN = frozenset("0123456789.+-e")


@dataclass(slots=True)
class Table:
    """The columns read, with what was left out and why.

    A column of dates or clock times is in seconds. `over` counts cells marked as beyond the range, per column;
    `unit` is the SI unit of a column whose cells carry their units.
    """

    columns: dict[int, Floats]
    units: dict[int, str] = field(default_factory=dict)
    over: dict[int, int] = field(default_factory=dict)
    last: tuple[tuple[str, ...], ...] = ()
    understood: list[str] = field(default_factory=list)
    doubts: list[str] = field(default_factory=list)


class _Slow:
    """Cell by cell, for anything with gaps, dates, units or quotes."""

    def __init__(self, layout: Layout) -> None:
        self.layout = layout
        self.columns = layout.columns
        self.over = dict.fromkeys(self.columns, 0)
        self.units: dict[int, set[str]] = {}
        self.short = 0
        self.marks = 0
        month_first = any(
            kind == "W" and len(cells := row[n].replace("/", ".").replace("-", ".").split(".")) > 2
            and 12 < (whole(cells[1]) or 0) < 32
            for row in layout.sample for n, kind in enumerate(layout.kinds[: len(row)])
        )  # fmt: skip
        self.month_first = month_first

    def row(self, line: str) -> list[float] | str:
        """The numbers of one line, or what is wrong with it."""
        layout = self.layout
        cells = split(line, layout.separator)
        kinds = layout.kinds
        if len(cells) > len(kinds) and any(cells[len(kinds) :]):
            return tr("{cells} columns found; allowed: {kinds}, as above", cells=len(cells), kinds=len(kinds))
        if len(cells) <= self.columns[0] or (len(cells) < 2 <= len(self.columns)):
            return several(
                "{cells} column found; allowed: {kinds}, as above",
                "{cells} columns found; allowed: {kinds}, as above",
                len(cells),
                cells=len(cells),
                kinds=len(kinds),
            )
        values: list[float] = []
        for n in self.columns:
            cell = cells[n] if n < len(cells) else ""
            self.short += n >= len(cells)
            value = self._cell(n, cell, kinds[n])
            if value is None:
                return tr("column {n}: {cell!r} found; allowed: a number", n=n + 1, cell=cell[:40])
            following = cells[n + 1] if kinds[n + 1 : n + 2] == "T" and n + 1 < len(cells) else ""
            if kinds[n] == "N" and following and (found := unit_of(following)):
                value = rescale(value, found[1])
                self.units.setdefault(n, set()).add(found[0])
            values.append(value)
        return (
            values if any(value == value for value in values) or self.marks else tr("no number found; allowed: numbers")
        )

    def _cell(self, n: int, cell: str, kind: str) -> float | None:
        if kind == "W":
            found = when(cell, self.month_first)
            if found is None:
                return None
            return (0.0 if found[0] is None else _DAY * found[0]) + (found[1] or 0.0)
        if kind == "U" and (measured := self.layout.style.measured(cell)):
            self.units.setdefault(n, set()).add(measured[1])
            return rescale(measured[0], measured[2])
        value = self.layout.style.number(cell)
        if value is not None and value != value:
            self.marks = 1
            self.over[n] += is_over(cell)
        return value


def _gaps_marked(piece: bytes, separator: bytes) -> bytes:
    """Empty cells as nan."""
    twice, last = separator * 2, separator + b"\n"
    if twice in piece:
        piece = piece.replace(twice, separator + b"nan" + separator).replace(twice, separator + b"nan" + separator)
    if last in piece:
        piece = piece.replace(last, separator + b"nan\n")
    if b"\n" + separator in piece or piece.startswith(separator):
        piece = (b"\n" + piece).replace(b"\n" + separator, b"\nnan" + separator)[1:]
    return piece


def _plain_piece(piece: bytes, layout: Layout) -> Floats | None:
    """The piece as an array (rows, all columns up to the last with something in it), or None where it is not plain."""
    separator, width = layout.separator, max(layout.columns) + 1
    mark = layout.style.decimal.encode()
    allowed = b"0123456789+-eE\n \r" + mark + separator.encode()
    if piece.translate(None, allowed):
        return None
    if separator == " ":
        lines = piece.split(b"\n")[:-1]
        if any(len(line.split()) != len(layout.kinds) for line in lines):
            return None
        text = b",".join(piece.replace(mark, b".").split())
        rows = len(lines)
        full = len(layout.kinds)
    else:
        raw = np.frombuffer(piece, np.uint8)
        ends = np.flatnonzero(raw == 10)
        marks = np.flatnonzero(raw == ord(separator))
        full = len(layout.kinds)
        counts = np.diff(np.searchsorted(marks, ends), prepend=0)
        if ends.size == 0 or np.any(counts != full - 1) or int(np.diff(ends, prepend=-1).max()) > MAX_LINE:
            return None
        if more := full - width:  # trailing separators with nothing behind them, all of them at once
            shorter = piece.replace(more * separator.encode() + b"\n", b"\n")
            if len(shorter) != len(piece) - more * ends.size:
                return None
            piece, full = shorter, width
        rows = int(ends.size)
        piece = _gaps_marked(piece, separator.encode()) if full > 1 else piece
        text = piece.translate(bytes.maketrans(separator.encode() + mark + b"\n", b",.,"))[:-1]
    try:
        values = np.fromstring(text.decode("ascii"), dtype=np.float64, sep=",")
    except (ValueError, DeprecationWarning):
        return None
    if values.size != rows * full:
        return None
    return values.reshape(rows, full)


def read_rows(
    data: bytes,
    layout: Layout,
    rows: tuple[int, int] | None = None,
    progress: Progress | None = None,
    stop: Stop | None = None,
) -> Table:
    """Read every row below the head.

    Raises
    ------
    CaptureError
        A line between the numbers that holds something else, or more numbers than can be held.
    CaptureStopped
    """
    slow = _Slow(layout)
    columns = layout.columns
    simple = all(layout.kinds[n] == "N" for n in columns) and "T" not in layout.kinds
    simple = simple and not any(k in "TW" for k in layout.kinds[: max(columns) + 1])
    pieces: list[Floats] = []
    understood: list[str] = []
    doubts: list[str] = []
    at, line, count = layout.at, layout.first, 0
    foot: str | None = None
    while at < len(data) and foot is None:
        if stop is not None and stop():
            raise CaptureStopped(tr("reading was stopped"))
        if progress is not None:
            progress(at / len(data))
        end = at + PIECE
        if end >= len(data):
            end = len(data)
        else:
            end = data.rfind(b"\n", at, end) + 1
            if end <= at:
                what = tr(
                    "a line of more than {most} characters found; allowed: one row of readings in each line",
                    most=MAX_LINE,
                )
                raise CaptureError(what, line)
        piece = data[at:end]
        whole = piece.endswith(b"\n")
        plain = _plain_piece(piece if whole else piece + b"\n", layout) if simple else None
        if plain is not None:
            values = plain[:, columns]
            done = piece.count(b"\n")
        else:
            wanted = None if rows is None else rows[1] - count
            values, done, foot = _slow_piece(piece, data, end, line, slow, understood, doubts, wanted)
        pieces.append(values)
        count += values.shape[0]
        if count * len(columns) > MAX_VALUES:
            raise CaptureError(
                f"more than {MAX_VALUES:,} numbers found; allowed: up to that many".replace(",", " "), line
            )
        if rows is not None and count >= rows[1]:
            break
        line, at = line + done, end
    table = np.concatenate(pieces) if pieces else np.empty((0, len(columns)))
    if rows is not None:
        if rows[0] > table.shape[0]:
            raise CaptureError(
                tr(
                    "rows: from {rows} found, the file has {shape}; allowed: up to that",
                    rows=rows[0],
                    shape=table.shape[0],
                )
            )
        table = table[rows[0] - 1 : rows[1]]
        understood.append(
            tr("rows {rows} to {shape} only, as chosen", rows=rows[0], shape=rows[0] - 1 + table.shape[0])
        )
    units: dict[int, str] = {}
    for n, found in slow.units.items():
        if len(found) > 1:
            raise CaptureError(
                tr(
                    "column {n}: units {found} found; allowed: one kind of unit",
                    n=n + 1,
                    found=", ".join(sorted(found)),
                )
            )
        units[n] = found.pop()
    if slow.short:
        doubts.append(tr("{short} cells missing at the ends of lines: taken as gaps", short=slow.short))
    held = {n: np.ascontiguousarray(table[:, k]) for k, n in enumerate(columns)}
    return Table(held, units, slow.over, _last_cells(data, layout), understood, doubts)


def _slow_piece(
    piece: bytes,
    data: bytes,
    end: int,
    line: int,
    slow: _Slow,
    understood: list[str],
    doubts: list[str],
    wanted: int | None,
) -> tuple[Floats, int, str | None]:
    """Rows of a piece cell by cell; what is not a row ends the numbers if no row follows it."""
    texts = piece.decode("utf-8", "replace").split("\n")
    complete = piece.endswith(b"\n")
    if complete:
        texts.pop()
    found: list[list[float]] = []
    comments = 0
    foot: str | None = None
    for n, text in enumerate(texts):
        if wanted is not None and len(found) >= wanted:
            break
        if not text.strip() or text.lstrip().startswith(("#", "%")):
            comments += bool(text.strip())
            continue
        if len(text) > MAX_LINE:
            what = tr("a line of {count} characters found; allowed: up to {most}", count=len(text), most=MAX_LINE)
            raise CaptureError(what, line + n)
        row = slow.row(text)
        if isinstance(row, list):
            found.append(row)
            continue
        last = n == len(texts) - 1 and end == len(data)
        if last and not complete:
            doubts.append(tr("line {n}, the last, is cut short and not read", n=line + n))
            foot = ""
            break
        rest = [*texts[n + 1 :], *data[end : end + MAX_FOOT].decode("utf-8", "replace").split("\n")]
        if len(data) - end > MAX_FOOT or any(t.strip() and isinstance(slow.row(t), list) for t in rest):
            raise CaptureError(row, line + n)
        more = sum(bool(t.strip()) for t in rest) + 1
        doubts.append(
            tr(
                "line {n}: {strip!r} ends the numbers; {more} such lines are not read",
                n=line + n,
                strip=text.strip()[:40],
                more=more,
            )
        )
        foot = text
        break
    if comments:
        understood.append(tr("{comments} lines of remarks between the numbers passed over", comments=comments))
    width = len(slow.columns)
    return np.array(found, dtype=np.float64).reshape(len(found), width), len(texts), foot


def _last_cells(data: bytes, layout: Layout) -> tuple[tuple[str, ...], ...]:
    """The cells of the last few rows, for how finely they are printed."""
    tail = data[max(layout.at, len(data) - 4096) :].decode("utf-8", "replace").split("\n")[1:]
    return tuple(tuple(split(text, layout.separator)) for text in tail if text.strip())


def printed_step(cells: list[str], style: Style) -> float:
    """One in the last place of the largest of these numbers, by the places and the figures that any of them has.

    0.5 beside 0.49975 is printed to 0.00001; 1.000000e+02 to 0.0001. 0 where there is no number but 0.
    """
    found: list[tuple[float, float, int]] = []
    for cell in cells:
        text = cell.strip().lower().replace(style.decimal, ".")
        if not text or not set(text) <= _PLAIN:
            continue
        digits, _, exponent = text.partition("e")
        whole, _, part = digits.lstrip("+-").partition(".")
        try:
            size, place = abs(float(text)), 10.0 ** (int(exponent or 0) - len(part))
        except (ValueError, OverflowError):
            continue
        if size > 0.0 and isfinite(size) and place > 0.0:
            found.append((size, place, len((whole + part).lstrip("0"))))
    if not found:
        return 0.0
    figures = max(count for _, _, count in found)
    return max(min(place, 10.0 ** (floor(log10(size)) + 1 - figures)) for size, place, _ in found)
