"""XLSX as rows, with what a spreadsheet can do to a list said: dates, formulas, errors. Sizes are looked at first."""

from __future__ import annotations

import io
import re
import warnings
import zipfile
from datetime import date, datetime, time, timedelta
from decimal import Decimal
from functools import lru_cache
from typing import Any

from refettle.language import mark, tr
from refettle.ordering.pricelist_model import MAX_COLUMNS, MAX_UNPACKED, Cell, Number, PriceListError, Row, Sheet
from refettle.ordering.pricelist_numbers import currency_in
from refettle.ordering.pricelist_text import MAX_CELL, check_size

LAST_LINE = 1_048_576
"""Lines a sheet has at most."""
MAX_MEMBERS, MAX_SHEETS = 2_000, 60
MAX_TAGS, MAX_ASIDE = 4_000_000, 2_000_000
"""Marks `<` in sheets and texts, by which the time of reading goes, some half a minute at most; and bytes of any other
part that is read, such as the styles."""
_ALLOWED = mark("a workbook of at most 60 MB unpacked, or CSV")


def is_xlsx(data: bytes) -> bool:
    """Whether these bytes are a zip file, as a workbook is."""
    return data.startswith(b"PK\x03\x04")


def read_xlsx(data: bytes, sheet: str = "") -> Sheet:
    """Rows of one sheet: that named, else the one with most rows. Raises PriceListError."""
    formulas = _look_first(data)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", UserWarning)  # of extensions that do not matter for cells
        return _read(data, sheet, formulas)


def _read(data: bytes, sheet: str, formulas: bool) -> Sheet:
    import openpyxl

    try:
        book = openpyxl.load_workbook(io.BytesIO(data), read_only=True, data_only=True, keep_links=False)
    except PriceListError:
        raise
    except Exception as error:  # openpyxl raises whatever its parsers do
        raise PriceListError(
            tr(
                "a workbook that cannot be read found ({error}); allowed: {allowed}",
                error=_short(error),
                allowed=tr(_ALLOWED),
            )
        ) from None
    try:
        shown = [each for each in book.worksheets if each.sheet_state == "visible"] or list(book.worksheets)
        names = tuple(each.title for each in shown)
        if not shown:
            raise PriceListError(tr("no sheet found; allowed: {allowed}", allowed=tr(_ALLOWED)))
        if sheet and sheet not in names:
            raise PriceListError(tr("sheet: {sheet!r} found; allowed: {names}", sheet=sheet, names=", ".join(names)))
        doubts: list[str] = []
        if sheet:
            rows = _rows(book[sheet])
        else:
            best: tuple[int, str, list[Row]] = (-1, "", [])
            for each in shown[:MAX_SHEETS]:
                found = _rows(each)
                if len(found) > best[0]:
                    best = (len(found), each.title, found)
            _, sheet, rows = best
            if len(names) > 1:
                others = ", ".join(name for name in names if name != sheet)
                doubts.append(
                    tr(
                        "sheet {sheet!r} has most rows and is read; not read: {others}",
                        sheet=sheet,
                        others=others[:200],
                    )
                )
    except PriceListError:
        raise
    except Exception as error:
        raise PriceListError(
            tr(
                "a sheet that cannot be read found ({error}); allowed: {allowed}",
                error=_short(error),
                allowed=tr(_ALLOWED),
            )
        ) from None
    finally:
        book.close()
    if not rows:
        raise PriceListError(tr("no row with anything in it found; allowed: a row for each part"))
    if formulas:
        doubts.append(tr("some cells hold formulas; what they last came to is read, nothing is worked out anew"))
    return Sheet(tuple(rows), "xlsx", "", sheet, names, tuple(doubts))


def _short(error: Exception) -> str:
    return " ".join(f"{type(error).__name__}: {error}".split())[:120]


def _look_first(data: bytes) -> bool:
    """Sizes as the zip's directory tells them, which reading never goes beyond; True if there are formulas."""
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as packed:
            members = packed.infolist()
            names = {each.filename for each in members}
            if len(members) > MAX_MEMBERS:
                raise PriceListError(
                    tr(
                        "{count:,} files in one workbook found; allowed: {most:,}",
                        count=len(members),
                        most=MAX_MEMBERS,
                    )
                )
            total = sum(each.file_size for each in members)
            if total > MAX_UNPACKED:
                raise PriceListError(
                    tr(
                        "a workbook of {total:,.0f} MB unpacked found; allowed: {allowed}",
                        total=total / 1e6,
                        allowed=tr(_ALLOWED),
                    )
                )
            if any(each.flag_bits & 1 for each in members):
                raise PriceListError(tr("a file locked with a password found; allowed: one without"))
            if "xl/workbook.xml" not in {name.lstrip("/") for name in names}:
                kind = tr("an OpenDocument file") if "content.xml" in names else tr("a zip file that is no workbook")
                raise PriceListError(tr("{kind} found; allowed: XLSX or CSV: save it as one of these", kind=kind))
            formulas, tags = False, 0
            for each in members:
                low = each.filename.lower()
                if not low.endswith((".xml", ".rels")):
                    continue
                if "worksheets/" not in low and "sharedstrings" not in low:
                    if each.file_size > MAX_ASIDE and not low.startswith(("xl/drawings", "xl/charts", "customxml")):
                        size = f"{each.file_size / 1e6:.1f} MB"
                        raise PriceListError(
                            tr(
                                "{file}: {size} found; allowed: up to {most:.0f} MB",
                                file=each.filename,
                                size=size,
                                most=MAX_ASIDE / 1e6,
                            )
                        )
                    with packed.open(each) as part:
                        _no_entities(each.filename, part.read(4096))
                    continue
                with packed.open(each) as part:
                    found, more = _scan(each.filename, part)
                formulas |= found
                tags += more
                if tags > MAX_TAGS:
                    raise PriceListError(
                        tr("a workbook of too many cells found; allowed: {allowed}", allowed=tr(_ALLOWED))
                    )
            return formulas
    except (zipfile.BadZipFile, zipfile.LargeZipFile, NotImplementedError, EOFError, OSError, ValueError) as error:
        if isinstance(error, PriceListError):
            raise
        raise PriceListError(
            tr("a broken zip file found ({error}); allowed: {allowed}", error=_short(error), allowed=tr(_ALLOWED))
        ) from None
    except Exception as error:  # zlib's own
        raise PriceListError(
            tr("a broken zip file found ({error}); allowed: {allowed}", error=_short(error), allowed=tr(_ALLOWED))
        ) from None


def _no_entities(name: str, head: bytes) -> None:
    if b"<!DOCTYPE" in head or b"<!ENTITY" in head:
        raise PriceListError(tr("{name}: a document type found; allowed: none in a workbook", name=name))


def _scan(name: str, part: Any) -> tuple[bool, int]:
    """Whether a sheet has formulas, and how many marks it has."""
    block, tail, tags, formulas = part.read(1 << 18), b"", 0, False
    _no_entities(name, block[:4096])
    while block and tags <= MAX_TAGS:
        tags += block.count(b"<")
        joined = tail + block
        formulas = formulas or b"<f>" in joined or b"<f " in joined
        tail = block[-2:]
        block = part.read(1 << 18)
    return formulas, tags


def _rows(sheet: Any) -> list[Row]:
    if not hasattr(sheet, "reset_dimensions"):
        return []  # a sheet of a chart
    from openpyxl.cell.read_only import EMPTY_CELL

    sheet.reset_dimensions()  # what it says of its own size may be anything
    rows: list[Row] = []
    cells = 0
    nothing: Any = None
    for line, record in enumerate(sheet.iter_rows(max_col=MAX_COLUMNS + 1), 1):
        if line > LAST_LINE:
            raise PriceListError(
                tr("line {line:,} of a sheet found; allowed: up to {last_line:,}", line=line, last_line=LAST_LINE)
            )
        if record is nothing:  # the same tuple is given for all lines that are not there
            continue
        width = len(record)
        while width and record[width - 1] is EMPTY_CELL:
            width -= 1
        kept: list[Cell] = [_cell(each) for each in record[:width]]
        while kept and kept[-1] == "":
            kept.pop()
        if not kept:
            nothing = record
            continue
        cells += len(kept)
        check_size(line, len(rows) + 1, len(kept), cells)
        rows.append(Row(line, tuple(kept)))
    return rows


def _cell(cell: Any) -> Cell:
    value = cell.value
    if value is None:
        return ""
    if isinstance(value, str):
        return value.strip()[: MAX_CELL + 1]
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int | float):
        return _number(value, str(cell.number_format or ""))
    if isinstance(value, datetime):
        return value.date()
    if isinstance(value, date):
        return value
    if isinstance(value, time | timedelta):
        return tr("the time {value}", value=value)
    return str(value).strip()[:MAX_CELL]


def _number(value: int | float, shown: str) -> Cell:
    """A spreadsheet's number has 15 digits (ECMA-376 keeps IEC 60559 doubles; programs show 15)."""
    text = str(value) if isinstance(value, int) else format(value, ".15g")
    exact = Decimal(text)
    if not exact.is_finite():
        return text
    percent, zeros, currency = _format(shown)
    return Number(exact * 100 if percent else exact, currency, percent, zeros)


@lru_cache(maxsize=512)
def _format(shown: str) -> tuple[bool, int, str]:
    """Percent, digits at least, currency of a number format (ECMA-376 part 1, 18.8.31)."""
    bare = re.sub(r"\\.|_.|\*.", "", shown).split(";")[0]
    quoted = " ".join("".join(each) for each in re.findall(r'"([^"]*)"|\[\$([^\]-]*)', bare))
    rest = re.sub(r'"[^"]*"|\[[^\]]*\]', "", bare)
    word = quoted or re.sub(r"[#0.,%?/ ;@()-]|General", "", rest)
    zeros = len(shown) if re.fullmatch("0{2,18}", shown) else 0
    return "%" in rest, zeros, currency_in(word)
