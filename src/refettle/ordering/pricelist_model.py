"""What reading a price list works with: cells, columns, what came out, what was refused."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal
from typing import Any, Literal

from refettle.language import tr

MAX_BYTES = 24_000_000
"""Of a file as it comes. Limits here are choices."""
MAX_UNPACKED = 60_000_000
"""Of an XLSX file, unpacked."""
MAX_ROWS, MAX_COLUMNS, MAX_CELLS = 60_000, 120, 1_000_000
MAX_SKU, MAX_NAME = 80, 300
MOST_PRICE, DECIMALS = Decimal(1_000_000), 6
"""Of one piece; it is kept to so many decimals."""
MOST_PIECES, MOST_DAYS, MOST_BREAKS = 1_000_000, 3_650, 20
HEAD_LINES = 30
"""The heading stands somewhere in these."""
PLAIN_ROLES = (
    "", "sku", "name", "price", "break", "pack", "per", "least", "multiple", "stock", "lead", "currency", "discount",
)  # fmt: skip
"""What a column may be, besides `price N`: the price of one when N or more are taken."""
PER = ("piece", "pack", "100", "1000")
DELIMITERS = {",": "comma", ";": "semicolon", "\t": "tab", "|": "bar"}


class PriceListError(ValueError):
    """Nothing of a file can be read safely, or a column's use cannot be; says what was found and what is allowed."""


@dataclass(frozen=True, slots=True)
class Number:
    """A number of a spreadsheet, as its cell shows it: with a currency or as a percentage. Exact, no mark to guess."""

    value: Decimal
    currency: str = ""
    percent: bool = False
    zeros: int = 0
    """Digits shown at least: a part number 00471 that was kept as 471."""

    def __str__(self) -> str:
        text = f"{self.value:f}"
        if "." in text:
            text = text.rstrip("0").rstrip(".")
        if self.zeros and text.isdigit():
            text = text.zfill(self.zeros)
        return f"{text} %" if self.percent else f"{text} {self.currency}".strip()


Cell = str | Number | date
"""An empty cell is an empty text."""


@dataclass(frozen=True, slots=True)
class Row:
    """One row: the line of the file it begins on, or of the sheet."""

    line: int
    cells: tuple[Cell, ...]


@dataclass(frozen=True)
class Sheet:
    """The rows of a file, before anything is known of its columns."""

    rows: tuple[Row, ...]
    encoding: str = ""
    delimiter: str = ""
    sheet: str = ""
    sheets: tuple[str, ...] = ()
    doubts: tuple[str, ...] = ()


@dataclass(frozen=True)
class Columns:
    """How a list is read.

    Attributes
    ----------
    roles : tuple of (heading, role)
        For each column, from the left; a role is one of PLAIN_ROLES or `price N`.
    header : int
        Line of the heading; 0 where there is none.
    head_lines : int
        Lines the heading has: 1 or 2.
    decimal : str
        `.` or `,`; empty: decided over all prices.
    per : str
        What a price is for: `piece`, `pack`, `100` or `1000`.
    counts : str
        What breaks and the minimum count: `pieces` or `packs`.
    currency : str
        Of cells that name none; empty where not known.
    delimiter, encoding, sheet : str
        Empty: found out.
    """

    roles: tuple[tuple[str, str], ...] = ()
    header: int = 0
    head_lines: int = 1
    decimal: str = ""
    per: str = "piece"
    counts: str = "pieces"
    currency: str = ""
    delimiter: str = ""
    encoding: str = ""
    sheet: str = ""

    def as_plain(self) -> dict[str, Any]:
        """For keeping as JSON."""
        return {**self.__dict__, "roles": [list(each) for each in self.roles]}


def role_of(text: str, where: str = "column") -> str:
    """A role as typed: `sku`, `price 100`, ... Raises PriceListError."""
    role = " ".join(text.strip().lower().split())
    if role in ("-", "none"):
        role = ""
    if found := re.fullmatch(r"price ?(\d{1,7})\+?", role):
        if not 1 <= int(found[1]) <= MOST_PIECES:
            raise PriceListError(
                tr(
                    "{where}: {text!r} found; allowed: a price from 1 to {most_pieces:,} pieces",
                    where=where,
                    text=text,
                    most_pieces=MOST_PIECES,
                )
            )
        return f"price {int(found[1])}"
    if role not in PLAIN_ROLES:
        allowed = ", ".join(PLAIN_ROLES[1:])
        raise PriceListError(
            tr(
                "{where}: {text!r} found; allowed: {allowed}, price 10, price 100 and so on",
                where=where,
                text=text[:40],
                allowed=allowed,
            )
        )
    return role


def columns_from(kept: Mapping[str, Any]) -> Columns:
    """What was kept as JSON, checked. Raises PriceListError."""

    def one_of(name: str, allowed: Sequence[str], default: str) -> str:
        value = str(kept.get(name, default) or default)
        if value not in allowed:
            shown = ", ".join(repr(each) for each in allowed)
            raise PriceListError(
                tr("{name}: {value!r} found; allowed: {shown}", name=name, value=value[:40], shown=shown)
            )
        return value

    def whole(name: str, default: int, high: int) -> int:
        value = kept.get(name, default)
        if not isinstance(value, int) or not 0 <= value <= high:
            raise PriceListError(
                tr(
                    "{name}: {value!r} found; allowed: a whole number from 0 to {high}",
                    name=name,
                    value=value,
                    high=high,
                )
            )
        return value

    pairs = kept.get("roles", [])
    if not isinstance(pairs, list | tuple) or len(pairs) > MAX_COLUMNS or any(len(each) != 2 for each in pairs):
        raise PriceListError(
            tr("roles: allowed: a heading and a role for each of up to {most} columns", most=MAX_COLUMNS)
        )
    currency = str(kept.get("currency", "") or "").upper()
    if currency and not re.fullmatch("[A-Z]{3}", currency):
        raise PriceListError(
            tr("currency: {currency!r} found; allowed: three letters, such as EUR", currency=currency[:10])
        )
    return Columns(
        roles=tuple((str(h), role_of(str(r), tr("column {n}", n=n))) for n, (h, r) in enumerate(pairs, 1)),
        header=whole("header", 0, HEAD_LINES * 100),
        head_lines=whole("head_lines", 1, 2) or 1,
        decimal=one_of("decimal", ("", ".", ","), ""),
        per=one_of("per", PER, "piece"),
        counts=one_of("counts", ("pieces", "packs"), "pieces"),
        currency=currency,
        delimiter=one_of("delimiter", ("", *DELIMITERS), ""),
        encoding=str(kept.get("encoding", "") or "")[:40],
        sheet=str(kept.get("sheet", "") or "")[:100],
    )


@dataclass(frozen=True, slots=True)
class Trouble:
    """A cell that could not be read: the line, the column's heading, what stood there, what may."""

    line: int
    column: str
    found: str
    allowed: str

    @property
    def says(self) -> str:
        """In one sentence."""
        where = f"{self.column}: " if self.column else ""
        return tr("{where}{found} found; allowed: {allowed}", where=where, found=self.found, allowed=self.allowed)


@dataclass(frozen=True, slots=True)
class Listed:
    """One thing a list offers.

    `breaks`: (from so many pieces, price of one), rising; `pack` pieces are sold together, `least` is the fewest.
    """

    sku: str
    breaks: tuple[tuple[int, Decimal], ...]
    currency: str
    name: str = ""
    pack: int = 1
    least: int = 1
    stock: int | None = None
    lead_days: int | None = None
    line: int = field(default=0, compare=False)


@dataclass(frozen=True)
class PriceRead:
    """A list as it was understood. `refused`: rows left out; `remarks`: rows taken without one of their cells."""

    sheet: Sheet
    columns: Columns
    offers: tuple[Listed, ...]
    refused: tuple[Trouble, ...]
    remarks: tuple[Trouble, ...]
    doubts: tuple[str, ...]
    decimal: str
    way: Literal["as said", "proposed"] = "as said"
