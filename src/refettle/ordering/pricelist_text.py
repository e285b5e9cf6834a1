"""Bytes of a list as text, and the text as rows: encoding, delimiter, quotes."""

from __future__ import annotations

import codecs
import csv
import io
import re
from collections import Counter
from itertools import islice

from refettle.language import tr
from refettle.ordering.pricelist_model import (
    DELIMITERS,
    MAX_CELLS,
    MAX_COLUMNS,
    MAX_ROWS,
    PriceListError,
    Row,
    Sheet,
)

MAX_CELL = 4_000
"""Letters in a cell; more is a quote that was opened and never closed."""
MAX_CELL_LINES = 30
_MARKS = (
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF32_LE, "utf-32-le"),
    (codecs.BOM_UTF32_BE, "utf-32-be"),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
)
_NO_CP1252 = b"\x81\x8d\x8f\x90\x9d"
"""Bytes the western code page of Windows has no letter for."""
_CONTROL = re.compile(r"[\x00-\x08\x0b\x0e-\x1a\x1c-\x1f]")


def decode(data: bytes, encoding: str = "") -> tuple[str, str, tuple[str, ...]]:
    """The text, its encoding, doubts. Raises PriceListError for what is no text."""
    doubts: tuple[str, ...] = ()
    for mark, name in _MARKS:
        if data.startswith(mark):
            data, encoding = data[len(mark) :], name
            break
    if not encoding:
        encoding, doubts = _guess(data)
    try:
        text = data.decode(encoding)
    except LookupError:
        raise PriceListError(
            tr(
                "encoding: {encoding!r} found; allowed: such as utf-8, utf-16, cp1252, cp850, iso-8859-15",
                encoding=encoding,
            )
        ) from None
    except (UnicodeError, ValueError) as error:
        at = getattr(error, "start", 0)
        line = data[:at].count(b"\n") + 1
        raise PriceListError(
            tr(
                "line {line}: bytes that are no {encoding} found; allowed: text in one encoding",
                line=line,
                encoding=encoding,
            )
        ) from None
    if not isinstance(text, str):
        raise PriceListError(tr("encoding: {encoding!r} found; allowed: one of text, such as utf-8", encoding=encoding))
    text = text.rstrip("\x1a\0")
    head = text[: 1 << 16]
    if (found := _CONTROL.search(head)) and (found[0] == "\0" or len(_CONTROL.findall(head)) > 20):
        raise PriceListError(
            tr(
                "line {start}: character {found:#04x} found, no text; allowed: CSV or other text with columns, or XLSX",
                start=text.count(chr(10), 0, found.start()) + 1,
                found=ord(found[0]),
            )
        )
    return text, encoding, doubts


def _guess(data: bytes) -> tuple[str, tuple[str, ...]]:
    head = data[:4096]
    if b"\0" in head:
        half = len(head) // 2
        odd, even = head[1::2].count(0), head[0::2].count(0)
        if max(odd, even) > 0.3 * half and min(odd, even) < 0.05 * half + 1:
            return ("utf-16-le" if odd > even else "utf-16-be"), ()
    try:
        data.decode("utf-8")
        return "utf-8", ()
    except UnicodeDecodeError:
        pass
    if any(byte in data for byte in _NO_CP1252):
        return "cp850", (tr("the letters are taken as those of code page 850; look at ä, é, ñ in the names"),)
    if b"\xa4" in data and b"\x80" not in data:
        return "iso-8859-15", (tr("the byte A4 is taken as the euro sign"),)
    return "cp1252", ()


def read_text(data: bytes, delimiter: str = "", encoding: str = "") -> Sheet:
    """Rows of a text with columns. Raises PriceListError."""
    text, encoding, doubts = decode(data, encoding)
    skipped = 0
    if found := re.match(r'"?sep=(.)"?\r?\n', text):
        delimiter = delimiter or (found[1] if found[1] in DELIMITERS else "")
        text, skipped = text[found.end() :], 1
    if not text.strip():
        raise PriceListError(tr("nothing but blanks found; allowed: a list with a row for each part"))
    delimiter = delimiter or _delimiter(text)
    try:
        rows = _rows(text, delimiter, skipped, quotes=True)
    except _OpenQuoteError as trouble:
        rows = _rows(text, delimiter, skipped, quotes=False)
        doubts += (
            tr("line {line}: a quote is opened and not closed; quotes are taken as plain signs", line=trouble.line),
        )
    if not rows:
        raise PriceListError(tr("no row with anything in it found; allowed: a row for each part"))
    return Sheet(tuple(rows), encoding, delimiter, doubts=doubts)


class _OpenQuoteError(Exception):
    def __init__(self, line: int) -> None:
        super().__init__(line)
        self.line = line


def _delimiter(text: str) -> str:
    """The one that parts most lines into the same number of columns, two or more."""
    best, score = "", 0.0
    head = text[:400_000]
    for candidate in DELIMITERS:
        try:
            records = list(islice(csv.reader(io.StringIO(head, newline=""), delimiter=candidate), 300))
        except csv.Error:
            continue
        counts = Counter(len(row) for row in records if any(cell.strip() for cell in row))
        if not counts:
            continue
        # Among equally steady delimiters, that with more columns; a comma may only mark decimals.
        steady = {n: share / sum(counts.values()) for n, share in counts.items() if n >= 2}
        found = max((share * (1 + min(n, 12) / 12) for n, share in steady.items()), default=0.0)
        if candidate == ",":
            found *= 0.9
        if found > score:
            best, score = candidate, found
    if not best:
        raise PriceListError(
            tr("one column found; allowed: columns parted by comma, semicolon, tab or bar, the same in every line")
        )
    return best


def _rows(text: str, delimiter: str, skipped: int, *, quotes: bool) -> list[Row]:
    stream = io.StringIO(text, newline="")
    if quotes:
        reader = csv.reader(stream, delimiter=delimiter)
    else:
        reader = csv.reader(stream, delimiter=delimiter, quoting=csv.QUOTE_NONE)
    rows: list[Row] = []
    cells, before = 0, 0
    while True:
        line = before + 1 + skipped
        try:
            record = next(reader)
        except StopIteration:
            break
        except csv.Error as error:
            if quotes:
                raise _OpenQuoteError(line) from None
            raise PriceListError(
                tr(
                    "line {line}: {error} found; allowed: cells of up to {most:,} letters",
                    line=line,
                    error=error,
                    most=MAX_CELL,
                )
            ) from None
        spans, before = reader.line_num - before, reader.line_num
        if quotes and (spans > MAX_CELL_LINES or any(len(cell) > MAX_CELL for cell in record)):
            raise _OpenQuoteError(line)
        kept = [cell.strip() for cell in record]
        while kept and not kept[-1]:
            kept.pop()
        if not kept:
            continue
        cells += len(kept)
        check_size(line, len(rows) + 1, len(kept), cells)
        if not quotes and any(len(cell) > MAX_CELL for cell in kept):
            raise PriceListError(
                tr(
                    "line {line}: a cell of more than {most:,} letters found; allowed: up to that",
                    line=line,
                    most=MAX_CELL,
                )
            )
        rows.append(Row(line, tuple(kept)))
    return rows


def check_size(line: int, rows: int, columns: int, cells: int) -> None:
    """Refuse what is too large for a list of prices. Raises PriceListError."""
    if columns > MAX_COLUMNS:
        raise PriceListError(
            tr(
                "line {line}: {count} columns found; allowed: up to {most}",
                line=line,
                count=columns,
                most=MAX_COLUMNS,
            )
        )
    if rows > MAX_ROWS:
        raise PriceListError(tr("more than {most:,} rows found; allowed: up to that; part the list", most=MAX_ROWS))
    if cells > MAX_CELLS:
        raise PriceListError(tr("more than {most:,} cells found; allowed: up to that", most=MAX_CELLS))
