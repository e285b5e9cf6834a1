"""The files of `refettle order`: needs as YAML or JSON, offers as CSV. Every mistake with its line."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from datetime import date
from decimal import Decimal, InvalidOperation
from typing import TYPE_CHECKING, Any

from refettle.cli.common import Refused, read_log_text

if TYPE_CHECKING:
    from refettle.knowledge.reading import Document
    from refettle.ordering import Acceptable, Need, Offer, Problem, Supplier, Terms

COLUMNS = ("supplier", "sku", "part", "from", "price", "pack", "minimum", "multiple", "stock", "lead_days", "breaks")
NEEDED = COLUMNS[:5]
TOP = {"today", "currency", "rates", "at_most_suppliers", "deadlines", "time_limit", "gap", "explain_seconds", "stock",
       "suppliers", "needs"}  # fmt: skip
OF_SUPPLIER = {"shipping", "free_from", "minimum_order", "most", "currency"}
OF_NEED = {"line", "job", "part", "quantity", "by", "matched_set", "or"}
OF_OTHER = {"part", "why", "penalty"}
MOST_BYTES = 8_000_000


def read_problem(names: Sequence[str], changes: Mapping[str, Any], today: date) -> Problem:
    """The problem that some files make together: one with needs, any number of price lists.

    `changes` are terms given otherwise; `today` holds where neither says a day. Raises Refused with the file, line,
    field, what was found and what is allowed.
    """
    from refettle.knowledge.errors import KnowledgeError
    from refettle.knowledge.reading import read_document
    from refettle.ordering import OrderingError, problem

    lists = [name for name in names if name.lower().endswith(".csv")]
    others = [name for name in names if name not in lists]
    if len(others) != 1:
        raise Refused(f"FILE: {len(others)} files with needs found; allowed: one (.yaml, .json); price lists are .csv")
    try:
        document = read_document(read_log_text("FILE", others[0]), others[0])
    except KnowledgeError as error:
        raise Refused(str(error)) from None
    orders = _Orders(document)
    offers: list[Offer] = []
    offer_lines: list[str] = []
    for name in lists:
        _read_list(name, offers, offer_lines)
    needs, suppliers = orders.needs(), orders.suppliers()
    try:
        return problem(needs, orders.stock(), offers, suppliers, orders.terms(changes, today))
    except OrderingError as error:
        if error.what == "offer" and error.number < len(offer_lines):
            raise Refused(f"{offer_lines[error.number]}: {error.says}") from None
        raise Refused(orders.where(error)) from None


class _Orders:
    """The file with needs. Methods raise Refused."""

    def __init__(self, document: Document) -> None:
        self.document = document
        self.data = self._mapping((), document.data, TOP)

    def refuse(self, path: tuple[str | int, ...], found: str, allowed: str) -> Refused:
        return Refused(str(self.document.mistake(path, found, allowed)))

    def where(self, error: Any) -> str:
        """What the checks refused, with its line."""
        path: tuple[str | int, ...] = (error.field,)
        if error.what == "need":
            path = ("needs", error.number, error.field)
        elif error.what in ("supplier", "stock"):
            key = "suppliers" if error.what == "supplier" else "stock"
            name = list(self.data.get(key) or {})[error.number : error.number + 1]
            path = (key, *name, error.field)
        line = self.document.line(path)
        return f"{self.document.file}:{line}: {error}" if line else f"{self.document.file}: {error}"

    def _mapping(self, path: tuple[str | int, ...], value: Any, allowed: set[str] | None = None) -> dict[str, Any]:
        if not isinstance(value, dict):
            raise self.refuse(path, _shown(value), "fields with values")
        for key in value:
            if allowed is not None and key not in allowed:
                raise self.refuse((*path, key), "a field that is not known here", ", ".join(sorted(allowed)))
        return value

    def _text(self, path: tuple[str | int, ...], value: Any, otherwise: str | None = None) -> str:
        if value is None and otherwise is not None:
            return otherwise
        if not isinstance(value, str | int) or isinstance(value, bool):
            raise self.refuse(path, _shown(value), "words")
        return str(value)

    def _money(self, path: tuple[str | int, ...], value: Any, otherwise: Decimal = Decimal(0)) -> Decimal:
        if value is None:
            return otherwise
        if isinstance(value, bool) or not isinstance(value, int | float | str):
            raise self.refuse(path, _shown(value), "an amount, as 4.95")
        try:
            amount = Decimal(str(value))
        except InvalidOperation:
            amount = Decimal("sNaN")
        if amount.is_snan():
            raise self.refuse(path, _shown(value), "an amount, as 4.95")
        return amount

    def _whole(self, path: tuple[str | int, ...], value: Any) -> int:
        if not isinstance(value, int) or isinstance(value, bool):
            raise self.refuse(path, _shown(value), "a whole number")
        return value

    def _day(self, path: tuple[str | int, ...], value: Any) -> date:
        try:
            return date.fromisoformat(value)
        except (TypeError, ValueError):
            raise self.refuse(path, _shown(value), "a day, as 2031-03-20") from None

    def suppliers(self) -> list[Supplier]:
        from refettle.ordering import Supplier

        out = []
        own = self._text(("currency",), self.data.get("currency"), "EUR")
        for name, given in self._mapping(("suppliers",), self.data.get("suppliers") or {}).items():
            path = ("suppliers", name)
            fields = self._mapping(path, given or {}, OF_SUPPLIER)
            optional = {key: self._money((*path, key), fields[key]) for key in ("free_from", "most")
                        if fields.get(key) is not None}  # fmt: skip
            out.append(Supplier(
                name,
                shipping=self._money((*path, "shipping"), fields.get("shipping")),
                minimum_order=self._money((*path, "minimum_order"), fields.get("minimum_order")),
                currency=self._text((*path, "currency"), fields.get("currency"), own),
                **optional,
            ))  # fmt: skip
        return out

    def stock(self) -> dict[str, int]:
        given = self._mapping(("stock",), self.data.get("stock") or {})
        return {part: self._whole(("stock", part), quantity) for part, quantity in given.items()}

    def needs(self) -> list[Need]:
        from refettle.ordering import Acceptable, Need

        given = self.data.get("needs")
        if not isinstance(given, list) or not given:
            raise self.refuse(("needs",), _shown(given), "a list of lines, each with part and quantity")
        out = []
        for n, value in enumerate(given):
            path: tuple[str | int, ...] = ("needs", n)
            fields = self._mapping(path, value, OF_NEED)
            for key in ("part", "quantity"):
                if key not in fields:
                    raise self.refuse(path, f"no {key}", "part and quantity in every line")
            parts = [Acceptable(self._text((*path, "part"), fields["part"]), "asked for")]
            others = fields.get("or") or []
            if not isinstance(others, list):
                raise self.refuse((*path, "or"), _shown(others), "a list of parts, each with why")
            parts += [self._other((*path, "or", m), other) for m, other in enumerate(others)]
            matched = fields.get("matched_set", False)
            if not isinstance(matched, bool):
                raise self.refuse((*path, "matched_set"), _shown(matched), "true or false")
            by = fields.get("by")
            out.append(Need(
                self._text((*path, "line"), fields.get("line"), f"line {n + 1}"),
                tuple(parts),
                self._whole((*path, "quantity"), fields["quantity"]),
                self._text((*path, "job"), fields.get("job"), "one job"),
                None if by is None else self._day((*path, "by"), by),
                matched,
            ))  # fmt: skip
        return out

    def _other(self, path: tuple[str | int, ...], value: Any) -> Acceptable:
        from refettle.ordering import Acceptable

        fields = self._mapping(path, value, OF_OTHER)
        part = self._text((*path, "part"), fields.get("part"))
        why = self._text((*path, "why"), fields.get("why"))
        return Acceptable(part, why, self._money((*path, "penalty"), fields.get("penalty")))

    def terms(self, changes: Mapping[str, Any], today: date) -> Terms:
        from refettle.ordering import Terms

        data = self.data
        given: dict[str, Any] = {"today": today}
        if data.get("today") is not None:
            given["today"] = self._day(("today",), data["today"])
        if data.get("at_most_suppliers") is not None:
            given["at_most_suppliers"] = self._whole(("at_most_suppliers",), data["at_most_suppliers"])
        for key in ("currency", "deadlines"):
            if data.get(key) is not None:
                given[key] = self._text((key,), data[key])
        for key in ("time_limit", "gap", "explain_seconds"):
            if data.get(key) is not None:
                given[key] = float(self._money((key,), data[key]))
        rates = self._mapping(("rates",), data.get("rates") or {})
        given["rates"] = {key: self._money(("rates", key), rate) for key, rate in rates.items()}
        return Terms(**(given | dict(changes)))


def _shown(value: Any) -> str:
    return "nothing" if value is None else repr(value)[:60]


def _read_list(name: str, offers: list[Offer], lines: list[str]) -> None:
    """The offers of a price list, added to `offers`, and where each begins to `lines`."""
    text = read_log_text("FILE", name)
    if len(text) > MOST_BYTES:
        raise Refused(f"{name}: {len(text):,} letters found; allowed: at most {MOST_BYTES:,}")
    rows = _rows(name, text)
    begun: dict[tuple[str, str], dict[str, str]] = {}
    kept: dict[tuple[str, str], list[tuple[str, dict[str, str]]]] = {}
    for where, cells in rows:
        key = cells["supplier"], cells["sku"]
        first = begun.setdefault(key, cells)
        for column in COLUMNS:
            if column in ("from", "price"):
                continue
            if not cells[column]:
                cells[column] = first[column]
            elif cells[column] != first[column]:
                raise Refused(f"{where}: {column}: found {cells[column]!r}; allowed: {first[column]!r} or nothing, "
                              f"as in the first line of {key[0]} {key[1]}")  # fmt: skip
        before = kept.setdefault(key, [])
        same = next((place for place, row in before if row["from"] == cells["from"]), None)
        if same:
            raise Refused(f"{where}: sku: found {key[1]!r} of {key[0]} from {cells['from']} a second time (first on "
                          f"{same.rsplit(':', 1)[-1]}); allowed: each break of a number once")  # fmt: skip
        before.append((where, cells))
    for of_sku in kept.values():
        offers.append(_offer(of_sku))
        lines.append(of_sku[0][0])


def _rows(name: str, text: str) -> list[tuple[str, dict[str, str]]]:
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    head: list[str] | None = None
    out: list[tuple[str, dict[str, str]]] = []
    try:
        for row in reader:
            if not any(cell.strip() for cell in row) or row[0].startswith("#"):
                continue
            where = f"{name}:{reader.line_num}"
            if head is None:
                head = _head(where, row)
                continue
            if len(row) != len(head):
                raise Refused(f"{where}: found {len(row)} cells; allowed: {len(head)}, as in the head")
            cells = dict.fromkeys(COLUMNS, "") | dict(zip(head, (cell.strip() for cell in row), strict=True))
            for column in ("supplier", "sku", "from", "price"):
                if not cells[column]:
                    raise Refused(f"{where}: {column}: found nothing; allowed: a value in every line")
            out.append((where, cells))
    except csv.Error as error:
        raise Refused(f"{name}:{reader.line_num}: found {error}; allowed: cells with commas between them") from None
    if head is None:
        raise Refused(f"{name}: nothing found; allowed: a head line ({', '.join(NEEDED)}, ...) and rows")
    return out


def _head(where: str, row: list[str]) -> list[str]:
    head = [cell.strip().casefold() for cell in row]
    wrong = next((cell for cell in head if cell not in COLUMNS or head.count(cell) > 1), None)
    missing = next((cell for cell in NEEDED if cell not in head), None)
    if wrong is not None or missing is not None:
        found = f"column {wrong!r}" if wrong is not None else f"no column {missing!r}"
        raise Refused(f"{where}: found {found}; allowed: {', '.join(COLUMNS)}, each once, the first five always")
    return head


def _offer(rows: list[tuple[str, dict[str, str]]]) -> Offer:
    from refettle.ordering import Offer, Tier

    where, cells = rows[0]
    tiers = sorted((Tier(_count(at, "from", row["from"]), _price(at, row["price"])) for at, row in rows),
                   key=lambda tier: tier.from_quantity)  # fmt: skip
    whole = {key: _count(where, key, cells[key]) for key in ("pack", "minimum", "multiple", "stock", "lead_days")
             if cells[key]}  # fmt: skip
    breaks: Any = cells["breaks"] or "all units"
    return Offer(cells["supplier"], cells["sku"], cells["part"], tuple(tiers), breaks=breaks, **whole)


def _count(where: str, column: str, cell: str) -> int:
    if not (cell.removeprefix("-").isascii() and cell.removeprefix("-").isdigit() and len(cell) <= 10):
        raise Refused(f"{where}: {column}: found {cell[:40]!r}; allowed: a whole number")
    return int(cell)


def _price(where: str, cell: str) -> Decimal:
    try:
        return Decimal(cell)
    except InvalidOperation:
        raise Refused(f"{where}: price: found {cell[:40]!r}; allowed: an amount with a point, as 0.25") from None
