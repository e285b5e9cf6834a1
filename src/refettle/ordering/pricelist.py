"""Price lists as suppliers send them: CSV in any dialect, or XLSX, read into plain offers.

>>> read = read_list(b"Part no;Description;1+;100+\\nA1;Fuse 2 A;0,25;0,19\\n")
>>> read.offers[0].breaks
((1, Decimal('0.25')), (100, Decimal('0.19')))

In three steps, so that a person can look in between: `open_list` gives rows, `propose` says what the columns may be,
`understand` reads the rows by it. A row that cannot be read safely is refused with its line and cell; the whole file
only where nothing is safe.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import replace
from decimal import Decimal

from refettle.language import mark, several, tr
from refettle.ordering.pricelist_columns import propose
from refettle.ordering.pricelist_model import (
    MAX_BYTES,
    MOST_BREAKS,
    Columns,
    Listed,
    PriceListError,
    PriceRead,
    Row,
    Sheet,
    Trouble,
)
from refettle.ordering.pricelist_numbers import Mark, decide_mark
from refettle.ordering.pricelist_rows import Line, Plan, RowError, RowReader, plan_of
from refettle.ordering.pricelist_text import read_text
from refettle.ordering.pricelist_xlsx import is_xlsx, read_xlsx

__all__ = [
    "Columns",
    "Listed",
    "PriceListError",
    "PriceRead",
    "Trouble",
    "open_list",
    "propose",
    "read_list",
    "understand",
]

_OTHERS = (
    (b"\xd0\xcf\x11\xe0", mark("an old workbook (.xls) or one locked with a password")),
    (b"%PDF", "a PDF"),
    (b"\x1f\x8b", mark("a packed file")),
    (b"\x89PNG", "a picture"),
    (b"\xff\xd8\xff", "a picture"),
)


def open_list(data: bytes, columns: Columns | None = None) -> Sheet:
    """Rows of a file. Raises PriceListError."""
    columns = columns or Columns()
    if not data:
        raise PriceListError(tr("an empty file found; allowed: CSV or XLSX with a row for each part"))
    if len(data) > MAX_BYTES:
        raise PriceListError(
            tr(
                "{size:.0f} MB found; allowed: up to {most:.0f} MB",
                size=len(data) / 1e6,
                most=MAX_BYTES / 1e6,
            )
        )
    for start, kind in _OTHERS:
        if data.startswith(start):
            raise PriceListError(tr("{kind} found; allowed: CSV or XLSX: save it as one of these", kind=tr(kind)))
    if is_xlsx(data):
        return read_xlsx(data, columns.sheet)
    return read_text(data, columns.delimiter, columns.encoding)


def read_list(
    data: bytes, columns: Columns | None = None, currency: str = "", kept: Columns | None = None
) -> PriceRead:
    """All three steps. Without `columns` they are proposed, after `kept` of the last list where that fits.

    Raises
    ------
    PriceListError
        Nothing can be read safely.
    """
    if columns is not None:
        return understand(open_list(data, columns), columns, currency)
    sheet = open_list(data, Columns(sheet=kept.sheet) if kept is not None and _has_sheet(data, kept.sheet) else None)
    columns, doubts = propose(sheet, currency, kept)
    return understand(sheet, columns, currency, doubts)


def _has_sheet(data: bytes, sheet: str) -> bool:
    if not sheet or not is_xlsx(data):
        return False
    try:
        return sheet in read_xlsx(data).sheets
    except PriceListError:
        return False


def body_of(sheet: Sheet, columns: Columns) -> Sequence[Row]:
    """Rows below the heading."""
    if not columns.header:
        return sheet.rows
    at = next((i for i, row in enumerate(sheet.rows) if row.line == columns.header), -1)
    if at < 0:
        raise PriceListError(
            tr("heading: line {header} found, where nothing stands; allowed: a line of the list", header=columns.header)
        )
    return sheet.rows[at + columns.head_lines :]


def understand(sheet: Sheet, columns: Columns, currency: str = "", doubts: Sequence[str] = ()) -> PriceRead:
    """The rows as offers, by what the columns are.

    Parameters
    ----------
    sheet : Sheet
        From `open_list`.
    columns : Columns
        What each column is.
    currency : str
        The supplier's; it says which dollar a `$` is. Rows in another currency are refused.
    doubts : sequence of str
        Told before those found here.

    Raises
    ------
    PriceListError
        No column is the number or the price, or one role is given twice.
    """
    roles = [role for _, role in columns.roles]
    if "sku" not in roles:
        raise PriceListError(tr("no column is said to be the supplier's number (sku); allowed: one"))
    if not any(role.startswith("price") for role in roles):
        raise PriceListError(tr("no column is said to be the price; allowed: one, or one for each break"))
    for role, count in Counter(r for r in roles if r and r not in ("name", "break", "price")).items():
        if count > 1:
            raise PriceListError(tr("{count} columns are said to be {role}; allowed: one", count=count, role=role))
    if roles.count("price") > max(1, roles.count("break")) or ("break" in roles and "price" not in roles):
        raise PriceListError(
            tr(
                "{prices} columns are said to be the price and {breaks} a break; allowed: one price, or "
                "a price to the right of each break",
                prices=roles.count("price"),
                breaks=roles.count("break"),
            )
        )
    body = body_of(sheet, columns)
    prices = [i for i, role in enumerate(roles) if role.startswith("price")]
    mark = Mark(columns.decimal, True) if columns.decimal else decide_mark(_price_texts(body, prices))
    plan = plan_of(replace(columns, delimiter=sheet.delimiter), mark)
    told = [*sheet.doubts, *doubts, *([mark.doubt] if mark.doubt else [])]
    reader = RowReader(plan, columns.currency or currency)
    lines, refused = _lines(body, sheet, plan, reader, told)
    if reader.packed:
        told.append(
            several(
                "{n:,} row is in packs: the price is taken as that of one piece; say so if it is that of a pack",
                "{n:,} rows are in packs: the price is taken as that of one piece; say so if it is that of a pack",
                reader.packed,
            )
        )
    lines, refused = _one_currency(lines, refused, columns.currency or currency, told)
    offers, more, same = _together(lines, bool("break" in roles))
    refused = sorted([*refused, *more], key=lambda each: each.line)
    remarks = sorted(
        [*(Trouble(*each) for each in reader.remarks), *same, *_rising(offers)], key=lambda each: each.line
    )
    decimal = mark.mark or "."
    return PriceRead(sheet, columns, tuple(offers), tuple(refused), tuple(remarks), tuple(told), decimal)


def _price_texts(body: Sequence[Row], prices: Sequence[int]) -> list[str]:
    return [c for row in body for i in prices if i < len(row.cells) and isinstance(c := row.cells[i], str) and c]


def _lines(
    body: Sequence[Row], sheet: Sheet, plan: Plan, reader: RowReader, told: list[str]
) -> tuple[list[Line], list[Trouble]]:
    head = next((row.cells for row in sheet.rows if row.line == plan.columns.header), None)
    lines: list[Line] = []
    refused: list[Trouble] = []
    between = 0
    above: Line | None = None
    for row in body:
        if row.cells == head:
            continue
        try:
            line = reader.read(row, above)
        except RowError as error:
            refused.append(Trouble(row.line, error.column, error.found, error.allowed))
            above = None
            continue
        if line is None:
            between += 1
            above = None
            continue
        lines.append(line)
        above = line
    if between:
        told.append(
            tr(
                "{between:,} rows without number or price are taken as headings between or notes, and left out",
                between=between,
            )
        )
    return lines, refused


def _one_currency(
    lines: list[Line], refused: list[Trouble], wanted: str, told: list[str]
) -> tuple[list[Line], list[Trouble]]:
    """Rows in the list's currency; a list is in one."""
    found = Counter(line.currency for line in lines if line.currency)
    if not wanted and found:
        wanted = found.most_common(1)[0][0]
        if any(not line.currency for line in lines):
            told.append(tr("rows that name no currency are taken to be in {wanted}", wanted=wanted))
    if not wanted and lines:
        told.append(tr("no currency is named; say which it is"))
    kept, out = [], list(refused)
    for line in lines:
        line.currency = line.currency or wanted
        if line.currency == wanted:
            kept.append(line)
        else:
            out.append(
                Trouble(
                    line.line,
                    "currency",
                    line.currency,
                    tr("{wanted}, as the list and its supplier have it", wanted=wanted),
                )
            )
    if len(found) > 1:
        told.append(
            tr("several currencies are found: ") + ", ".join(f"{n:,} rows in {c}" for c, n in found.most_common())
        )
    return kept, out


def _listed(line: Line) -> Listed:
    return Listed(line.sku, tuple(line.breaks), line.currency, line.name, line.pack, line.least, line.stock,
                  line.lead_days, line.line)  # fmt: skip


def _together(lines: list[Line], by_lines: bool) -> tuple[list[Listed], list[Trouble], list[Trouble]]:
    """Rows of one number as one offer: its breaks where they stand in lines of their own, else a row said twice."""
    groups: dict[str, list[Line]] = defaultdict(list)
    for line in lines:
        groups[line.sku].append(line)
    offers: list[Listed] = []
    refused: list[Trouble] = []
    same: list[Trouble] = []
    for sku, group in groups.items():
        first = _listed(group[0])
        if len(group) == 1:
            offers.append(first)
            continue
        numbers = [each.line for each in group]
        if by_lines:
            merged, why = _merge(group)
            if merged is not None:
                offers.append(merged)
                continue
        elif all(_listed(each) == first for each in group[1:]):
            offers.append(first)
            same += [
                Trouble(
                    n, "sku", tr("'{sku}' again, the same as in line {numbers}", sku=sku, numbers=numbers[0]), "once"
                )
                for n in numbers[1:]
            ]
            continue
        else:
            why = tr("another price or terms")
        for each in group:
            others = ", ".join(str(n) for n in numbers if n != each.line)
            refused.append(
                Trouble(
                    each.line,
                    "sku",
                    tr("'{sku}' with {why} in line {others}", sku=sku, why=why, others=others[:60]),
                    tr("one price for a number"),
                )
            )
    return offers, refused, same


def _merge(group: list[Line]) -> tuple[Listed | None, str]:
    breaks: dict[int, Decimal] = {}
    first = group[0]
    for line in group:
        if line.pack != first.pack:
            return None, tr("another pack")
        for pieces, price in line.breaks:
            if breaks.setdefault(pieces, price) != price:
                return None, tr("another price from {pieces:,} pieces", pieces=pieces)
    if len(breaks) > MOST_BREAKS:
        return None, tr("more than {most_breaks} breaks", most_breaks=MOST_BREAKS)
    said = [line.least for line in group if line.least > line.breaks[0][0] + first.pack - 1]
    lowest = min(breaks)
    least = max(max(said, default=1), lowest)
    least += -least % first.pack
    stocks = [line.stock for line in group if line.stock is not None]
    days = [line.lead_days for line in group if line.lead_days is not None]
    name = next((line.name for line in group if line.name), "")
    return Listed(first.sku, tuple(sorted(breaks.items())), first.currency, name, first.pack, least,
                  min(stocks) if stocks else None, max(days) if days else None, first.line), ""  # fmt: skip


def _rising(offers: Sequence[Listed]) -> list[Trouble]:
    """Offers that cost more a piece when more are taken: read as they stand, and said."""
    out = []
    for offer in offers:
        for (_, dear), (pieces, price) in zip(offer.breaks, offer.breaks[1:], strict=False):
            if price > dear:
                out.append(
                    Trouble(
                        offer.line,
                        "breaks",
                        tr("'{sku}' costs more a piece from {pieces:,}", sku=offer.sku, pieces=pieces),
                        tr("a price that falls; taken as it stands"),
                    )
                )
                break
    return out
