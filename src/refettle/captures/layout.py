"""How a text file of numbers is laid out: where the numbers begin, what separates them, what each column holds.

Nothing is known about makers. Every pair of separator and decimal mark is tried on the head of the file; the one that
turns the longest run of lines into rows of like cells wins, and among equals the one with more columns.
"""

from __future__ import annotations

import csv
import re
from dataclasses import dataclass
from itertools import pairwise

from refettle.captures.cells import MISSING, OVER, Style, when
from refettle.captures.model import CaptureError, Choices
from refettle.language import tr

MAX_LINE = 65_536
"""Characters in a line."""
HEAD_LINES = 2_000
HEAD_BYTES = 2_000_000
_TAIL = 300
"""Lines of the head on which the pairs are tried; the one that wins is then tried on all."""
NAMES = {",": "comma", ";": "semicolon", "\t": "tab", "|": "bar", " ": "space"}
_SET_OFF = re.compile(r"\d[\s'’]\d{3}")
_PAIRS = ((",", "."), (";", "."), (";", ","), ("\t", "."), ("\t", ","), ("|", "."), ("|", ","), (" ", "."), (" ", ","))


@dataclass(frozen=True, slots=True)
class Layout:
    """Where and how the numbers stand.

    `kinds` has one letter for each column: N number, W date or clock time, U number with its unit, T words, E empty.
    `first` is the line of the first row, from 1, and `at` its place in the bytes. `head` is what stands above as cells,
    with the line of each; `lines` the same uncut.
    """

    separator: str
    style: Style
    kinds: str
    first: int
    at: int
    head: tuple[tuple[int, tuple[str, ...]], ...]
    lines: tuple[str, ...]
    sample: tuple[tuple[str, ...], ...]
    doubts: tuple[str, ...] = ()

    @property
    def columns(self) -> tuple[int, ...]:
        """The columns with something to read."""
        return tuple(n for n, kind in enumerate(self.kinds) if kind in "NWU")


def split(line: str, separator: str) -> list[str]:
    """The cells of a line, stripped; quotes are honoured."""
    if separator == " ":
        return line.replace('"', "").split()
    if '"' in line:
        return [cell.strip() for cell in next(csv.reader([line], delimiter=separator, skipinitialspace=True), [])]
    return [cell.strip() for cell in line.split(separator)]


def head_lines(data: bytes, skip: int = 0) -> list[str]:
    """The first lines, whole, `skip` more than usual. CaptureError where one is too long to be a row of readings."""
    lines: list[str] = []
    at = 0
    while at < len(data) and len(lines) < HEAD_LINES + skip and at < HEAD_BYTES + 100 * skip:
        end = data.find(b"\n", at, at + MAX_LINE + 1)
        if end < 0:
            if len(data) - at > MAX_LINE:
                what = tr(
                    "a line of more than {most} characters found; allowed: one row of readings in each line",
                    most=MAX_LINE,
                )
                raise CaptureError(what, len(lines) + 1)
            end = len(data)
        lines.append(data[at:end].decode("utf-8", "replace"))
        at = end + 1
    return lines


def kind_of(cell: str, style: Style) -> str:
    """N, W, U, E or T for one cell."""
    if not cell:
        return "E"
    if (number := style.number(cell)) is not None:
        word = cell.casefold()
        return "M" if number != number and (word in MISSING or word in OVER) else "N"
    if when(cell) is not None:
        return "W"
    return "U" if style.measured(cell) is not None else "T"


@dataclass(slots=True)
class _Try:
    """One pair of separator and decimal mark on the head of the file: the run of like rows that it finds."""

    separator: str
    style: Style
    rows: list[list[str]]
    kinds: list[str]
    begin: int = 0
    end: int = 0
    pattern: str = ""

    @property
    def score(self) -> tuple[bool, int, bool, int]:
        width = sum(kind in "NWU" for kind in self.pattern)
        # Words between the numbers are taken only where nothing else fits.
        return "T" not in self.pattern, self.end - self.begin, width > 1, -self.thousands

    @property
    def thousands(self) -> int:
        other = "," if self.style.decimal == "." else "."
        cells = (cell for row in self.rows[self.begin : self.end][:50] for cell in row)
        return sum(other in cell or bool(_SET_OFF.search(cell)) for cell in cells)


def _merge(pattern: str, kinds: str) -> str | None:
    """The common pattern of two rows, or None where they are not alike; gaps go with anything."""
    if len(kinds) > len(pattern):
        if kinds[len(pattern) :].strip("EM"):
            return None
        pattern += "E" * (len(kinds) - len(pattern))
    merged = list(pattern)
    for n, kind in enumerate(kinds):
        if kind != merged[n]:
            if merged[n] in "EM" or kind in "EM":
                merged[n] = max(merged[n], kind, key="EMTUWN".index)
            else:
                return None
    return None if pattern[len(kinds) :].strip("EM") else "".join(merged)


def _attempt(lines: list[str], separator: str, style: Style, words: bool) -> _Try:
    """The longest run of rows that are alike and hold a number."""
    rows = [split(line, separator) for line in lines]
    kinds = ["".join(kind_of(cell, style) for cell in row) for row in rows]
    best = _Try(separator, style, rows, kinds)
    begin, pattern = 0, ""
    for n in range(len(rows) + 1):
        this = kinds[n] if n < len(rows) else "T"
        blank = n < len(rows) and (not lines[n].strip() or lines[n].lstrip().startswith(("#", "%")))
        if blank and pattern:
            continue
        usable = not blank and any(k in "NU" for k in this) and (words or "T" not in this)
        usable = usable or (bool(pattern) and "M" in this and not this.strip("EM"))  # a row of marked gaps goes on
        merged = _merge(pattern, this) if usable and pattern else None
        if merged is not None:
            pattern = merged
            continue
        if pattern and n - begin > best.end - best.begin:
            best.begin, best.end, best.pattern = begin, n, pattern
        begin, pattern = n, this if usable else ""
    return best


def _best(lines: list[str], pairs: list[tuple[str, str]]) -> _Try | None:
    """The pair with the longest run of like rows, or None where none has any."""
    there = {separator for separator, _ in pairs if any(separator in line for line in lines)}
    decimals = dict.fromkeys(decimal for _, decimal in pairs)
    useful = [(s, d) for s, d in pairs if s in there]
    # Separators that are not there all give the same single column: one of them stands for all.
    useful += [next((s, d) for s, d in pairs if d == decimal and s not in there) for decimal in decimals
               if any(d == decimal and s not in there for s, d in pairs)]  # fmt: skip
    best: _Try | None = None
    for words in (False, True):
        for separator, decimal in sorted(useful, key=pairs.index):
            found = _attempt(lines, separator, Style(decimal), words)
            if found.pattern and (best is None or found.score > best.score):
                best = found
        if best is not None and (best.end - best.begin > 1 or words):
            break
    return best


def find_layout(data: bytes, choices: Choices) -> Layout:
    """The layout of a text whose lines end in a newline.

    Raises
    ------
    CaptureError
        No rows of numbers in the head of the file, or a line that is far too long.
    """
    skip = choices.skip or 0
    lines = head_lines(data, skip)
    if skip >= len(lines):
        raise CaptureError(
            tr("skip: {skip} lines found, the file has {lines}; allowed: fewer", skip=skip, lines=len(lines))
        )
    body = lines[skip:]
    pairs = [(s, d) for s, d in _PAIRS if choices.separator in (None, s) and choices.decimal in (None, d)]
    if any('"' in line for line in body):  # in quotes, the decimal mark may be the separator as well
        pairs.append((",", ","))
    best = _best(body[-_TAIL:], pairs)
    if len(body) > _TAIL and best is not None:
        best = _attempt(body, best.separator, best.style, "T" in best.pattern)
    if best is None or not best.pattern:
        best = _best(body, pairs)
    if best is None:
        raise CaptureError(
            tr(
                "no row of numbers found in the first {lines} lines; allowed: rows of numbers under any "
                "heading, in columns parted by comma, semicolon, tab, bar or spaces",
                lines=len(lines),
            ),
            None,
            "skip" if len(lines) >= HEAD_LINES else None,
        )
    best, doubts = _second_thoughts(best, body, choices)
    doubts += _heading_of_fewer(best)
    begin = _above_a_bad_line(best)
    while begin > 0 and _continues(best, begin - 1):  # headings beside the numbers, or rows of marked gaps
        begin -= 1
    doubts += _numbers_above(best, begin, skip)
    first = skip + begin
    at = 0
    for _ in lines[:first]:
        at = data.index(b"\n", at) + 1
    head = tuple((skip + n + 1, tuple(row)) for n, row in enumerate(best.rows[:begin]))
    if begin < best.begin:
        beside = [n for n, kind in enumerate(best.pattern) if kind in "EM"]
        head += tuple(
            (skip + n + 1, tuple(best.rows[n][c] for c in beside if c < len(best.rows[n])))
            for n in range(begin, best.begin)
        )
    if choices.skip is not None and choices.skip > 0:
        above = lines[:skip]
        head = (*((n + 1, tuple(split(line, best.separator))) for n, line in enumerate(above)), *head)
    return Layout(
        best.separator,
        best.style,
        best.pattern.replace("M", "E"),
        first + 1,
        at,
        head,
        tuple(lines[:first]),
        tuple(tuple(row) for row in best.rows[begin : best.end]),
        doubts,
    )


def _above_a_bad_line(best: _Try) -> int:
    """The first row of the numbers, a single bad line between like rows notwithstanding: reading then names it."""
    begin = best.begin
    while begin >= 3:
        above = begin - 2
        while above >= 0 and _merge(best.pattern, best.kinds[above]) == best.pattern and "N" in best.kinds[above]:
            above -= 1
        if begin - 2 - above < 2:
            break
        begin = above + 1
    return begin


def _numbers_above(best: _Try, begin: int, skip: int) -> tuple[str, ...]:
    """Rows of numbers above the numbers that something parts from them."""
    alike = [
        skip + n + 1
        for n, kinds in enumerate(best.kinds[:begin])
        if "N" in kinds and not kinds.strip("NEMU") and len(kinds) == len(best.pattern) > 1
    ]
    if not alike:
        return ()
    return (
        tr("lines {first} to {last} above the numbers: numbers too, not read", first=alike[0], last=alike[-1])
        if len(alike) > 1
        else tr("line {first} above the numbers: numbers too, not read", first=alike[0]),
    )


def _heading_of_fewer(best: _Try) -> tuple[str, ...]:
    """Commas that part columns and mark decimals too: the heading has fewer columns than the rows."""
    above = next((row for row in reversed(best.rows[: best.begin]) if any(row)), None)
    if best.separator != "," or above is None or not all(kind_of(cell, best.style) == "T" for cell in above):
        return ()
    rows = best.rows[best.begin : best.end]
    wide = len(best.pattern)
    if not 2 <= len(above) < wide or any("." in cell for row in rows[:100] for cell in row[1:]):
        return ()
    return (
        tr(
            "the heading has {above} columns, the rows have {wide}: if the comma marks decimals too, "
            "these values are wrong; save the file with semicolons or decimal points",
            above=len(above),
            wide=wide,
        ),
    )


def _continues(best: _Try, n: int) -> bool:
    """Whether line `n` has the numbers where the rows below have them, with words only where those are empty."""
    kinds = best.kinds[n]
    if "M" in kinds and not kinds.strip("EM") and len(kinds) == len(best.pattern):
        return True
    if len(kinds) > len(best.pattern) or not any(k in "EM" for k in best.pattern):
        return False
    return len(kinds) == len(best.pattern) and all(
        (kind == wanted) if wanted in "NWU" else True for kind, wanted in zip(kinds, best.pattern, strict=True)
    )


def _second_thoughts(best: _Try, lines: list[str], choices: Choices) -> tuple[_Try, tuple[str, ...]]:
    """Commas between whole numbers may be decimal marks: settled by the heading or by zeros, else said."""
    if best.separator != "," or choices.separator is not None or choices.decimal is not None or len(best.pattern) != 2:
        return best, ()
    rows = [row for row in best.rows[best.begin : best.end] if len(row) == 2]
    if not rows or not all(
        re.fullmatch(r"[+-]?\d{1,15}", a) and re.fullmatch(r"\d+([eE][+-]?\d+)?", b) for a, b in rows
    ):
        return best, ()
    above = [row for row in best.rows[: best.begin] if any(row)]
    if above and len(above[-1]) == 2 and all(_titles(cell, best.style) for cell in above[-1]):
        return best, ()  # a heading for each of two columns
    one_heading = bool(above) and sum(map(bool, above[-1])) == len(above[-1]) == 1 and ":" not in above[-1][0]
    first = [int(row[0]) for row in rows]
    counting = len(first) > 1 and all(b > a for a, b in pairwise(first))
    parted = [row_line for row_line in lines[: best.begin] if ";" in row_line or "\t" in row_line]
    one_heading |= bool(parted) and all(re.search(r",(?!\d)|(?<!\d),", text) is None for text in lines[: best.begin])
    zeros = any(len(row[1]) > 1 and row[1].startswith("0") for row in rows)
    if zeros or one_heading or (len({len(row[1]) for row in rows}) == 1 and len(rows[0][1]) > 1 and not counting):
        single = _attempt(lines, ";", Style(","), False)
        if single.pattern:
            sure = zeros or one_heading
            return single, () if sure else (tr("the comma is taken as the decimal mark, of one column"),)
    return best, () if counting else (tr("the comma is taken as the separator of two columns of whole numbers"),)


def _titles(cell: str, style: Style) -> bool:
    """Whether a cell may be the heading of one column."""
    return kind_of(cell, style) == "T" and ";" not in cell and "\t" not in cell
