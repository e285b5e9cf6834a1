"""The stores as a CSV file, there and back: one line for each lot. All of a file is taken in, or nothing of it.

A cell that a spreadsheet would take for a formula is written with an apostrophe before it, and read without.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from django.db import transaction
from django.db.models import Prefetch

from refettle.book import stores
from refettle.book.models_stores import Lot, Part
from refettle.book.store import StoreError
from refettle.book.stores_lots import Came
from refettle.book.stores_moves import MOST, quantity
from refettle.book.stores_parts import FIELDS, by_code
from refettle.book.stores_values import ValueTextError, read_value, value_text
from refettle.language import tr

PART_COLUMNS = (
    "code", "name", "kind", "value", "mount", "maker", "place", "note", "gram", "shelf_days", "lead_days", "reorder_at",
    "no_reorder",
)  # fmt: skip
LOT_COLUMNS = ("count", "quarantined", "lot", "made", "since", "source", "price", "currency")
COLUMNS = (*PART_COLUMNS, *LOT_COLUMNS)
MAX_BYTES, MAX_ROWS = 10_000_000, 20_000
FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n")


class CsvError(StoreError):
    """A file that cannot be taken in; names the line and the column."""

    def __init__(self, line: int, message: str, field: str = "") -> None:
        self.line = line
        super().__init__(tr("line {line}: {message}", line=line, message=message) if line else message, field)


# ---------------------------------------------------------------- out


def safe_cell(value: Any) -> str:
    """A cell that no spreadsheet takes for a formula."""
    text = "" if value is None else str(value)
    return f"'{text}" if text.startswith((*FORMULA, "'")) else text


def export_csv() -> Iterator[str]:
    """Lines of a CSV file: parts with what can be said of them, and their lots with something in them."""
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\r\n")

    def line(cells: Iterator[Any]) -> str:
        buffer.seek(0)
        buffer.truncate()
        writer.writerow([safe_cell(cell) for cell in cells])
        return buffer.getvalue()

    yield line(iter(COLUMNS))
    held = Lot.objects.exclude(on_hand=0, quarantined=0).order_by("id")
    for part in Part.objects.order_by("code").prefetch_related(Prefetch("lots", queryset=held)).iterator(500):
        about = {c: getattr(part, c) for c in PART_COLUMNS if c != "value"} | {"value": value_text(part)}
        about["no_reorder"] = "yes" if part.no_reorder else ""
        for told in [_lot_cells(lot) for lot in part.lots.all()] or [{}]:
            yield line(about[c] if c in about else told.get(c, "") for c in COLUMNS)


def _lot_cells(lot: Lot) -> dict[str, Any]:
    price = "" if lot.price is None else f"{lot.price.normalize():f}"
    return {
        "count": lot.on_hand, "quarantined": lot.quarantined or "", "lot": lot.code, "made": lot.made or "",
        "since": lot.since or "", "source": lot.source, "price": price, "currency": lot.currency,
    }  # fmt: skip


# ---------------------------------------------------------------- in


@dataclass(frozen=True)
class Imported:
    """What was taken in."""

    parts: int
    lots: int
    pieces: int


@dataclass(frozen=True)
class _Row:
    line: int
    cells: dict[str, str]


def import_csv(raw: bytes, *, who: str, more: bool = False) -> Imported:
    """Take in parts and lots: all lines, or none.

    Parameters
    ----------
    raw : bytes
        UTF-8; cells parted by comma, semicolon or tab; the first line names the columns, any of `COLUMNS`. Numbers with
        a point or a comma, without signs between thousands.
    who : str
    more : bool
        Parts that the stores have already get further lots; else such a line is refused.

    Raises
    ------
    CsvError
        Naming line and column, what was found, what is allowed; nothing is taken in.
    """
    rows = _rows(raw)
    parts = lots = pieces = 0
    begun: dict[str, tuple[int, set[str]]] = {}
    with transaction.atomic():
        for row in rows:
            try:
                new, came = _take(row, begun, who, more)
            except CsvError:
                raise
            except StoreError as error:
                raise CsvError(row.line, str(error), error.field) from None
            parts += new
            lots += came > 0
            pieces += came
    return Imported(parts, lots, pieces)


def _rows(raw: bytes) -> list[_Row]:
    if len(raw) > MAX_BYTES:
        raise CsvError(0, tr("{n} bytes found; allowed: at most {most}", n=len(raw), most=MAX_BYTES))
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        raise CsvError(line, tr("bytes that are no UTF-8; allowed: text in UTF-8")) from None
    first = text.split("\n", 1)[0]
    mark = max(",;\t", key=first.count)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=mark, strict=True)
    rows: list[_Row] = []
    try:
        heads = [cell.strip().casefold().replace(" ", "_") for cell in next(reader, [])]
        _check_heads(heads)
        for cells in reader:
            if not any(cell.strip() for cell in cells):
                continue
            if len(cells) != len(heads):
                found = tr(
                    "{n} cells found; allowed: {allowed}, as the first line names", n=len(cells), allowed=len(heads)
                )
                raise CsvError(reader.line_num, found)
            if len(rows) >= MAX_ROWS:
                raise CsvError(
                    reader.line_num, tr("more than {most} lines; allowed: up to that many in one file", most=MAX_ROWS)
                )
            rows.append(_Row(reader.line_num, {h: _cell(c) for h, c in zip(heads, cells, strict=True)}))
    except csv.Error as error:
        raise CsvError(reader.line_num, tr("no CSV: {error}", error=error)) from None
    if not rows:
        raise CsvError(0, tr("no line with a part found; allowed: under the line that names the columns, one for each"))
    return rows


def _check_heads(heads: list[str]) -> None:
    for head in heads:
        if head not in COLUMNS:
            raise CsvError(
                1, tr("column '{column}' found; allowed: {allowed}", column=head[:40], allowed=", ".join(COLUMNS)), head
            )
        if heads.count(head) > 1:
            raise CsvError(1, tr("column '{column}' found twice; allowed: once", column=head), head)
    if "code" not in heads and "name" not in heads:
        raise CsvError(1, tr("no column 'code' or 'name' found; allowed: one of them at least"))


def _cell(text: str) -> str:
    text = text.strip()
    return text[1:] if len(text) > 1 and text[0] == "'" and text[1] in "=+-@'\t\r\n" else text


def _take(row: _Row, begun: dict[str, tuple[int, set[str]]], who: str, more: bool) -> tuple[int, int]:
    """One line: how many new parts it made, and how many pieces came."""
    cells = row.cells
    code, lot_code = cells.get("code", ""), cells.get("lot", "")
    part = by_code(code).first() if code else None
    key = code.casefold()
    if code and key in begun:
        earlier, lots = begun[key]
        if not lot_code or lot_code in lots:
            found = tr(
                "code: '{code}' found, as on line {line}; allowed: once, or each lot once", code=code, line=earlier
            )
            raise CsvError(row.line, found, "code")
    elif part is not None and not more:
        found = tr(
            "code: '{code}' found, which is in the stores already; allowed: a new one, or to add to it", code=code
        )
        raise CsvError(row.line, found, "code")
    new = part is None
    if part is None:
        told = {c: cells[c] for c in PART_COLUMNS if c in FIELDS and cells.get(c)}
        name = told.pop("name", "") or cells.get("value", "") or code
        part = stores.add_part(name=name, code=code, value=cells.get("value", ""), who=who, **told)
    else:
        _same(row, part)
    begun.setdefault(part.code.casefold(), (row.line, set()))[1].add(lot_code)
    count = quantity(cells.get("count") or 0, "count", 0)
    aside = quantity(cells.get("quarantined") or 0, "quarantined", 0)
    if count + aside > MOST:
        raise StoreError(tr("count: {count} found; allowed: at most {most}", count=count + aside, most=MOST), "count")
    came = Came(
        lot_code, _day(cells, "made"), _day(cells, "since"), cells.get("source", ""), cells.get("price") or None,
        cells.get("currency", ""),
    )  # fmt: skip
    if not count + aside:
        if any(cells.get(c) for c in LOT_COLUMNS[2:]):
            raise StoreError(tr("count: none found, with a lot; allowed: how many of it there are"), "count")
        return int(new), 0
    lot = stores.receive(part, count, who=who, came=came, note="taken over").lot if count else None
    if aside:
        stores.receive(
            part, aside, who=who, came=came if lot is None else None, lot=lot, quarantine=True, note="taken over"
        )
    return int(new), count + aside


def _same(row: _Row, part: Part) -> None:
    """What a further line says of a part that is there must be what the stores say."""
    for column in PART_COLUMNS[1:]:
        said = row.cells.get(column, "")
        if not said:
            continue
        has = value_text(part) if column == "value" else getattr(part, column)
        agrees = _value_agrees(said, part) if column == "value" else FIELDS[column](column, said) == has
        if not agrees:
            found = tr(
                "{column}: '{found}' found, and the stores say '{has}'; allowed: the same, or empty",
                column=column,
                found=said[:60],
                has=has,
            )
            raise StoreError(found, column)


def _value_agrees(said: str, part: Part) -> bool:
    try:
        read = read_value(said, part.kind, part.name)
    except ValueTextError as error:
        raise StoreError(tr("value: {error}", error=error), "value") from None
    return all(getattr(part, field) == value for field, value in read.items() if field != "kind")


def _day(cells: Mapping[str, str], column: str) -> date | None:
    text = cells.get(column, "")
    try:
        return date.fromisoformat(text) if text else None
    except ValueError:
        raise StoreError(
            tr("{column}: {found!r} found; allowed: a day such as 2031-03-02", column=column, found=text[:40]), column
        ) from None
