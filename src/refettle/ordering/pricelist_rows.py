"""One row of a list as what it offers; a cell that cannot be read names itself."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal
from math import lcm

from refettle.language import tr
from refettle.ordering.pricelist_figures import (
    lead_in,
    pack_in_text,
    percent_in,
    pieces_in,
    stock_in,
)
from refettle.ordering.pricelist_model import MAX_NAME, MAX_SKU, MOST_BREAKS, MOST_PIECES, Cell, Columns, Number, Row
from refettle.ordering.pricelist_numbers import (
    FigureError,
    Mark,
    Money,
    currency_in,
    is_empty,
    money_in,
    shown,
    to_piece,
)

SKU = f"the supplier's number, up to {MAX_SKU} letters"
_POWER = re.compile(r"\d(?:[.,]\d+)?E\+\d{1,3}")
_NEUTRAL = re.compile(r"^'(?='?[=+\-@\t\r])")
"""The apostrophe that `pricelist_writing.safe` puts before what a spreadsheet would work out."""


@dataclass
class Line:
    """What one row says, before rows of one number are put together."""

    line: int
    sku: str
    name: str = ""
    breaks: list[tuple[int, Decimal]] = field(default_factory=list)
    currency: str = ""
    pack: int = 1
    least: int = 1
    stock: int | None = None
    lead_days: int | None = None


class RowError(ValueError):
    """A cell of a row that bars the whole row."""

    def __init__(self, column: str, found: str, allowed: str) -> None:
        super().__init__(column)
        self.column, self.found, self.allowed = column, found, allowed


@dataclass(frozen=True)
class Plan:
    """The columns by what they are: `prices` are (pieces from which, or the column that tells it, price column)."""

    columns: Columns
    mark: Mark
    single: dict[str, int]
    names: tuple[int, ...]
    prices: tuple[tuple[int | str, int], ...]
    """(5, column): from 5 pieces; ('3', column): from as many as column 3 says."""
    lead_unit: str
    percent: bool

    def heading(self, column: int) -> str:
        """Heading of a column, or its number."""
        name = self.columns.roles[column][0] if column < len(self.columns.roles) else ""
        return name or tr("column {column}", column=column + 1)


def plan_of(columns: Columns, mark: Mark) -> Plan:
    """The columns put in order."""
    single: dict[str, int] = {}
    names: list[int] = []
    prices: list[tuple[int | str, int]] = []
    waiting: int | None = None
    for i, (_, role) in enumerate(columns.roles):
        if role == "name":
            names.append(i)
        elif role == "break":
            waiting = i
        elif role == "price":
            prices.append((str(waiting) if waiting is not None else 1, i))
            waiting = None
        elif role.startswith("price "):
            prices.append((int(role.split()[1]), i))
        elif role:
            single.setdefault(role, i)
    if waiting is not None and len(prices) == 1 and prices[0][0] == 1:
        prices = [(str(waiting), prices[0][1])]  # the break stands behind the price
    lead = columns.roles[single["lead"]][0].lower() if "lead" in single else ""
    weeks = bool(re.search(r"\b(?:weeks?|wks?|wochen?|weken|semaines?)\b", lead))
    percent = "%" in columns.roles[single["discount"]][0] if "discount" in single else False
    return Plan(columns, mark, single, tuple(names), tuple(prices), "weeks" if weeks else "days", percent)


def sku_of(cell: Cell) -> str:
    """The supplier's number as text. Raises FigureError where a spreadsheet has spoilt it."""
    if isinstance(cell, date):
        raise FigureError(tr("{cell}, which a spreadsheet may have made of a number", cell=shown(cell)), SKU)
    if isinstance(cell, Number):
        if cell.percent or abs(cell.value) >= 10**15:
            raise FigureError(
                tr("{cell}, a number a spreadsheet may have rounded", cell=shown(cell)), SKU + tr(", kept as text")
            )
        return str(Number(cell.value, zeros=cell.zeros))
    text = " ".join(_NEUTRAL.sub("", cell, count=1).split())
    if _POWER.fullmatch(text):
        raise FigureError(
            tr("{cell}, which a spreadsheet may have made of a number", cell=shown(cell)), SKU + tr(", kept as text")
        )
    if not text.isprintable():
        raise FigureError(tr("{cell} with a control character", cell=shown(cell)), SKU)
    if len(text) > MAX_SKU:
        raise FigureError(tr("{count} letters, {start}", count=len(text), start=shown(text)), SKU)
    return text


class RowReader:
    """Reads rows by a plan; `remarks` collects cells a row was taken without."""

    def __init__(self, plan: Plan, known: str) -> None:
        self.plan = plan
        self.known = known
        self.remarks: list[tuple[int, str, str, str]] = []
        self.packed = 0
        """Rows in packs of which nothing but the list's way of reading says that the price is for one piece."""

    def read(self, row: Row, above: Line | None) -> Line | None:
        """What the row says; None where it is no offer: a heading between, a footer. Raises RowError."""
        plan, cells = self.plan, row.cells
        priced = [(at, i) for at, i in plan.prices if i < len(cells) and not is_empty(cells[i])]
        filled = sum(1 for cell in cells if cell != "")
        at = plan.single["sku"]
        sku = self._try(row, at, sku_of) if at < len(cells) and cells[at] != "" else ""
        if not priced:
            if filled == 1 or not sku:
                return None
            raise RowError(
                plan.heading(plan.prices[0][1]), tr("no price"), tr("an amount more than 0 in one price column")
            )
        if not sku:
            counted = any(isinstance(a, str) and int(a) < len(cells) and cells[int(a)] != "" for a, _ in priced)
            if above is None or not counted:
                raise RowError(plan.heading(at), tr("no number"), SKU)
            sku = above.sku
        line = Line(row.line, sku, self._name(row))
        self._pack(line, row, above if above is not None and above.sku == sku else None)
        self._prices(line, row, priced)
        self._rest(line, row)
        return line

    def _try(self, row: Row, column: int, read: object) -> str:
        try:
            return read(row.cells[column])  # type: ignore[operator, no-any-return]
        except FigureError as error:
            raise RowError(self.plan.heading(column), error.found, error.allowed) from None

    def _cell(self, row: Row, role: str) -> Cell:
        at = self.plan.single.get(role, -1)
        return row.cells[at] if 0 <= at < len(row.cells) else ""

    def _remark(self, row: Row, column: str, found: str, allowed: str) -> None:
        self.remarks.append((row.line, column, found, allowed))

    def _name(self, row: Row) -> str:
        said = [str(row.cells[i]) for i in self.plan.names if i < len(row.cells) and row.cells[i] != ""]
        text = " ".join(_NEUTRAL.sub("", " ".join(each.split()), count=1) for each in said)
        clean = "".join(c if c.isprintable() else " " for c in text)
        if clean != text:
            self._remark(row, "name", tr("a control character"), tr("printable letters; it is left out"))
        if len(clean) > MAX_NAME:
            self._remark(
                row,
                "name",
                tr("{clean} letters", clean=len(clean)),
                tr("up to {most}; the rest is left out", most=MAX_NAME),
            )
        return " ".join(clean[:MAX_NAME].split())

    def _pack(self, line: Line, row: Row, above: Line | None) -> None:
        cell = self._cell(row, "pack")
        at = self.plan.single.get("pack", 0)
        try:
            if cell != "" and isinstance(cell, str) and pack_in_text(cell) > 1:
                line.pack = pack_in_text(cell)
            elif cell != "" and not is_empty(cell):
                line.pack = pieces_in(cell) or 1
            elif above is not None:
                line.pack = above.pack
            else:
                line.pack = pack_in_text(line.name)
        except FigureError as error:
            raise RowError(self.plan.heading(at), error.found, error.allowed) from None

    def _per(self, line: Line, row: Row) -> int:
        """Pieces a price is for."""
        cell = self._cell(row, "per")
        word = str(cell).strip().lower()
        if is_empty(cell):
            word = self.plan.columns.per
        if word in ("piece", "pc", "pcs", "each", "ea", "stk", "st", "stück", "unit"):
            return 1
        if word in ("pack", "pk", "bag", "ve", "vpe", "pkt", "box"):
            return line.pack
        try:
            return pieces_in(cell if not is_empty(cell) else word) or 1
        except FigureError as error:
            column = self.plan.heading(self.plan.single.get("per", 0))
            raise RowError(column, error.found, tr("piece, pack, or a number of pieces such as 100")) from None

    def _prices(self, line: Line, row: Row, priced: Sequence[tuple[int | str, int]]) -> None:
        plan = self.plan
        per = self._per(line, row)
        if line.pack > 1 and plan.columns.per == "piece" and is_empty(self._cell(row, "per")):
            self.packed += 1
        discount = self._discount(row)
        times = line.pack if plan.columns.counts == "packs" else 1
        found: dict[int, Decimal] = {}
        for at, column in priced:
            heading = plan.heading(column)
            self._torn(row, column, heading)
            try:
                money = money_in(row.cells[column], plan.mark, self.known)
                if money is None:
                    continue
                self._currency(line, money, heading)
                pieces: int | None
                if isinstance(at, str):
                    heading = plan.heading(int(at))
                    pieces = pieces_in(row.cells[int(at)] if int(at) < len(row.cells) else "")
                    pieces = 1 if pieces is None else pieces
                else:
                    pieces = at
                pieces *= times if pieces > 1 or times == 1 else 1
                one = to_piece(money.value, money.per or per, discount)
            except FigureError as error:
                raise RowError(heading, error.found, error.allowed) from None
            if found.get(pieces, one) != one:
                raise RowError(
                    heading, tr("two prices from {pieces:,} pieces", pieces=pieces), tr("one price for each break")
                )
            found[pieces] = one
        if not found:
            raise RowError(plan.heading(priced[0][1]), tr("no price"), tr("an amount more than 0"))
        line.breaks = sorted(found.items())
        if len(line.breaks) > MOST_BREAKS:
            raise RowError("breaks", str(len(found)), tr("up to {most_breaks}", most_breaks=MOST_BREAKS))
        if line.breaks[-1][0] > MOST_PIECES:
            raise RowError(
                "breaks",
                tr("{breaks:,} pieces", breaks=line.breaks[-1][0]),
                tr("up to {most_pieces:,}", most_pieces=MOST_PIECES),
            )
        said = self._cell(row, "currency")
        if said != "":
            currency = currency_in(str(said), self.known)
            heading = plan.heading(plan.single["currency"])
            if not currency:
                raise RowError(heading, shown(said), tr("a currency, such as EUR or €"))
            if line.currency and currency != line.currency:
                raise RowError(
                    heading,
                    tr("{currency} beside a price in {line_currency}", currency=currency, line_currency=line.currency),
                    tr("the same currency in a row"),
                )
            line.currency = currency

    def _torn(self, row: Row, column: int, heading: str) -> None:
        """Commas that part columns and mark decimals too: the hundredths stand alone in a column nobody named."""
        columns = self.plan.columns
        if columns.delimiter != "," or not columns.header or column + 1 >= len(row.cells):
            return
        unnamed = column + 1 >= len(columns.roles) or columns.roles[column + 1] == ("", "")
        price, beside = str(row.cells[column]), str(row.cells[column + 1])
        if unnamed and re.fullmatch(r"\D{0,4}\d+", price) and re.fullmatch(r"\d{1,4}\D{0,4}", beside):
            raise RowError(
                heading,
                tr("'{price}' with '{beside}' beside it under no heading", price=price, beside=beside),
                tr("a price in one cell; save the list with semicolons or decimal points"),
            )

    def _currency(self, line: Line, money: Money, heading: str) -> None:
        if money.currency and line.currency and money.currency != line.currency:
            raise RowError(
                heading,
                tr("{currency} beside {line_currency}", currency=money.currency, line_currency=line.currency),
                tr("the same currency in a row"),
            )
        line.currency = money.currency or line.currency

    def _discount(self, row: Row) -> Decimal:
        cell = self._cell(row, "discount")
        if cell == "":
            return Decimal(0)
        try:
            return percent_in(cell, self.plan.percent)
        except FigureError as error:
            raise RowError(self.plan.heading(self.plan.single["discount"]), error.found, error.allowed) from None

    def _rest(self, line: Line, row: Row) -> None:
        single = self.plan.single
        try:
            for role in ("least", "multiple"):
                if role in single and (pieces := pieces_in(self._cell(row, role), 0)):
                    if role == "multiple":
                        line.pack = lcm(line.pack, pieces)
                    else:
                        line.least = pieces * (line.pack if self.plan.columns.counts == "packs" else 1)
        except FigureError as error:
            raise RowError(self.plan.heading(single[role]), error.found, error.allowed) from None
        if line.pack > MOST_PIECES:
            raise RowError(
                "pack", tr("{pack:,} pieces", pack=line.pack), tr("up to {most_pieces:,}", most_pieces=MOST_PIECES)
            )
        line.least = max(line.least, line.breaks[0][0])
        line.least += -line.least % line.pack
        for role, read in (("stock", stock_in), ("lead", lambda cell: lead_in(cell, self.plan.lead_unit))):
            if role not in single or self._cell(row, role) == "":
                continue
            try:
                value = read(self._cell(row, role))
            except FigureError as error:
                self._remark(row, self.plan.heading(single[role]), error.found, error.allowed + tr("; left out"))
                continue
            if role == "stock":
                line.stock = value
            else:
                line.lead_days = value
