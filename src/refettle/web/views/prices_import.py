"""Reading a price list in three steps: the file, how it is understood, yes."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any
from urllib.parse import urlencode

from django.conf import settings
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_http_methods

from refettle.book import files, prices
from refettle.book.models_prices import Supplier
from refettle.book.prices import PriceError
from refettle.language import mark, tr
from refettle.ordering.pricelist import PriceListError, PriceRead, open_list, propose, understand
from refettle.ordering.pricelist_columns import headings
from refettle.ordering.pricelist_model import DELIMITERS, MAX_BYTES, Columns, Sheet, columns_from
from refettle.web.signing import who
from refettle.web.views.common import new_token, write_once
from refettle.web.views.prices import get_supplier
from refettle.web.views.stores import around

ROLES = (
    ("", mark("not read")),
    ("sku", mark("the supplier's number")),
    ("name", mark("what it is")),
    ("price", mark("the price")),
    ("step", mark("the price from so many pieces")),
    ("break", mark("from so many pieces")),
    ("pack", mark("pieces in a pack")),
    ("per", mark("what the price is for")),
    ("least", mark("fewest sold")),
    ("multiple", mark("sold in steps of")),
    ("stock", mark("in stock")),
    ("lead", mark("days until it comes")),
    ("currency", mark("currency")),
    ("discount", mark("discount in percent")),
)
PER = (
    ("piece", mark("one piece")),
    ("pack", mark("a pack")),
    ("100", mark("100 pieces")),
    ("1000", mark("1000 pieces")),
)
MOST_HELD = 4
_HELD: dict[tuple[str, Columns], Sheet] = {}
FIRST = 8
EXAMPLES = 4


@dataclass(frozen=True)
class ColumnRow:
    """One column as the form shows it."""

    number: int
    heading: str
    examples: str
    role: str
    from_pieces: str

    @property
    def choices(self) -> list[tuple[str, str]]:
        """What a column can be, and how that is said."""
        return [(key, tr(words)) for key, words in ROLES]

    @property
    def step(self) -> bool:
        """Whether the pieces of a break are asked for."""
        return self.role == "step"


@require_http_methods(["GET", "HEAD", "POST"])
def import_page(request: HttpRequest, number: int) -> HttpResponse:
    """The form for a file; the file as it would be read; POST keeps the file, or takes its prices in."""
    supplier = get_supplier(number)
    address = reverse("supplier-import", args=[number])
    try:
        if request.method == "POST":
            if request.POST.get("action") == "upload":
                return redirect(f"{address}?{urlencode(_upload(request))}")
            return _take(request, supplier)
        if request.GET.get("file"):
            return _preview(request, supplier, request.GET)
    except PriceError as error:
        return _page(request, supplier, str(error))
    return _page(request, supplier)


def _page(request: HttpRequest, supplier: Supplier, error: str = "", **more: Any) -> HttpResponse:
    context = around(
        "suppliers",
        supplier=supplier,
        error=error,
        token=new_token(),
        address=reverse("supplier-import", args=[supplier.pk]),
        per_choices=[(key, tr(words)) for key, words in PER],
        delimiter_choices=[(name, name) for name in DELIMITERS.values()],
        **more,
    )
    return render(request, "refettle/prices_import.html", context, status=422 if error else 200)


def _upload(request: HttpRequest) -> dict[str, str]:
    sent = request.FILES.get("file")
    if sent is None:
        raise PriceError(tr("file: nothing found; allowed: a price list, CSV or XLSX"))
    data = sent.read(MAX_BYTES + 1)
    try:
        sheet = open_list(data)
    except PriceListError as error:
        raise PriceError(f"{sent.name}: {error}") from None
    sha256 = files.keep(data, settings.REFETTLE_FILES)
    _held(sha256, Columns(), sheet)
    return {"file": sha256, "name": (sent.name or "price list")[:200]}


def _fetch(sha256: str) -> bytes:
    try:
        return files.fetch(sha256, settings.REFETTLE_FILES)
    except (files.FileError, ValueError):
        raise PriceError(
            tr("file: '{sha256}' found, which is not kept here; allowed: upload it again", sha256=sha256[:12])
        ) from None


def _held(sha256: str, columns: Columns, sheet: Sheet) -> Sheet:
    """Keep the rows of the last files at hand: they are looked at several times while columns are set."""
    _HELD[sha256, columns] = sheet
    while len(_HELD) > MOST_HELD:
        _HELD.pop(next(iter(_HELD)), None)
    return sheet


def _rows(sha256: str, columns: Columns) -> Sheet:
    held = _HELD.get((sha256, columns))
    return held if held is not None else _held(sha256, columns, open_list(_fetch(sha256), columns))


def _preview(
    request: HttpRequest, supplier: Supplier, typed: Mapping[str, str], error: str = "", said: Columns | None = None
) -> HttpResponse:
    """The file as it would be read: by `said`, by what was typed, or as proposed."""
    sha256, name = typed.get("file", ""), typed.get("name", "")[:200] or "price list"
    _fetch(sha256)
    kept = prices.kept_columns(supplier)
    around_file: dict[str, Any] = {"sha256": sha256, "name": name}
    try:
        doubts: tuple[str, ...] = ()
        if said is not None:
            columns = said
            sheet = _rows(sha256, _way(said))
        elif typed.get("said"):
            columns, sheet = _typed_columns(sha256, typed)
        else:
            sheet = _rows(sha256, Columns())
            if kept is not None and kept.sheet in sheet.sheets:
                sheet = _rows(sha256, Columns(sheet=kept.sheet))
            columns, doubts = propose(sheet, supplier.currency, kept)
    except PriceListError as trouble:
        return _page(request, supplier, error or str(trouble), **around_file)
    around_file |= {
        "columns": columns,
        "column_rows": _column_rows(sheet, columns),
        "columns_json": json.dumps(columns.as_plain(), ensure_ascii=False),
        "sheets": sheet.sheets,
        "delimiter_word": DELIMITERS.get(sheet.delimiter, ""),
        "valid_from": typed.get("valid_from") or timezone.localdate().isoformat(),
    }
    try:
        read = understand(sheet, columns, supplier.currency, doubts)
    except PriceListError as trouble:
        return _page(request, supplier, error or str(trouble), **around_file)
    if not read.offers and not error:
        error = tr("No row can be read safely this way. Look at what each column is.")
    return _page(request, supplier, error, read=read, first=read.offers[:FIRST], dialect=_dialect(read), **around_file)


def _dialect(read: PriceRead) -> str:
    sheet = read.sheet
    if sheet.sheet:
        return tr("sheet {sheet!r} of a workbook", sheet=sheet.sheet)
    return tr(
        "columns parted by {delimiter}, letters as {encoding}",
        delimiter=tr(DELIMITERS.get(sheet.delimiter, sheet.delimiter)),
        encoding=sheet.encoding,
    )


def _way(columns: Columns) -> Columns:
    """What matters for the rows, of how a list is read."""
    return Columns(delimiter=columns.delimiter, encoding=columns.encoding, sheet=columns.sheet)


def _typed_columns(sha256: str, typed: Mapping[str, str]) -> tuple[Columns, Sheet]:
    """Columns as the form has them. Raises PriceListError."""
    words = {word: mark for mark, word in DELIMITERS.items()}
    fields = ("decimal", "per", "counts", "currency", "encoding", "sheet")
    plain: dict[str, Any] = {name: typed.get(name, "") for name in fields}
    plain["delimiter"] = words.get(typed.get("delimiter", ""), "")
    for name, least in (("header", "0"), ("head_lines", "1")):
        text = typed.get(name, "").strip() or least
        if not text.isdecimal() or len(text) > 5:
            raise PriceListError(
                tr("{name}: '{text}' found; allowed: a whole number", name=name.replace("_", " "), text=text[:20])
            )
        plain[name] = int(text)
    bare = columns_from(plain)
    sheet = _rows(sha256, _way(bare))
    at = next((i for i, row in enumerate(sheet.rows) if row.line == bare.header), -1)
    if bare.header and at < 0:
        raise PriceListError(
            tr("heading: line {line} found, where nothing stands; allowed: a line of the list", line=bare.header)
        )
    names = headings(sheet.rows, at, bare.head_lines)
    roles = []
    for number, heading in enumerate(names, 1):
        role = typed.get(f"c{number}", "")
        if role == "step":
            role = f"price {typed.get(f'f{number}', '').strip() or '1'}"
        roles.append([heading, role])
    return columns_from({**plain, "roles": roles}), sheet


def _column_rows(sheet: Sheet, columns: Columns) -> list[ColumnRow]:
    at = next((i for i, row in enumerate(sheet.rows) if row.line == columns.header), -1)
    body = sheet.rows[at + columns.head_lines if at >= 0 else 0 :][:60]
    made = []
    for i, (heading, role) in enumerate(columns.roles):
        seen = dict.fromkeys(str(row.cells[i])[:40] for row in body if i < len(row.cells) and row.cells[i] != "")
        step = role.split()[1] if role.startswith("price ") else ""
        made.append(ColumnRow(i + 1, heading, " · ".join(list(seen)[:EXAMPLES]), "step" if step else role, step))
    return made


def _take(request: HttpRequest, supplier: Supplier) -> HttpResponse:
    typed = request.POST
    try:
        columns = columns_from(json.loads(typed.get("columns", "") or "{}"))
    except (ValueError, TypeError, AttributeError, RecursionError) as error:
        said = (
            str(error) if isinstance(error, PriceListError) else tr("columns: they cannot be read; look at them again")
        )
        raise PriceError(said) from None
    try:
        valid_from = date.fromisoformat(typed.get("valid_from", ""))
    except ValueError:
        found = typed.get("valid_from", "")[:20]
        raise PriceError(tr("valid from: '{found}' found; allowed: a day such as 2031-05-01", found=found)) from None
    data = _fetch(typed.get("file", ""))
    taken: list[prices.Taken] = []

    def write() -> None:
        taken.append(
            prices.take_in(
                supplier,
                data,
                typed.get("name", ""),
                who(),
                columns=columns,
                valid_from=valid_from,
                today=timezone.localdate(),
            )
        )

    try:
        write_once(request, write)
    except PriceError as error:
        return _preview(request, supplier, typed, str(error), columns)
    if taken:
        made = taken[0]
        left = tr(", {rows} rows left out", rows=len(made.read.refused)) if made.read.refused else ""
        said = tr("{numbers} numbers taken in{left}.", numbers=made.list.rows, left=left)
        if not made.current:
            said += " " + tr("A newer list is there already and stays the current one.")
        messages.info(request, said)
    return redirect("supplier", supplier.pk)
