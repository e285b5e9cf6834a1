"""Offers as CSV that opens safely in a spreadsheet: nothing in it is a formula."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable

from refettle.ordering.pricelist_model import Columns, Listed

RISKY = ("=", "+", "-", "@", "\t", "\r", "\n")
"""A cell that begins so may be worked out as a formula (OWASP, CSV injection)."""


def safe(text: str) -> str:
    """A text cell with an apostrophe before what a spreadsheet would take as a formula; reading takes it off again."""
    return f"'{text}" if text.removeprefix("'").startswith(RISKY) else text


def write_list(offers: Iterable[Listed], delimiter: str = ";", decimal: str = ".") -> str:
    """A list with one price column for each break that occurs."""
    kept = list(offers)
    steps = sorted({pieces for offer in kept for pieces, _ in offer.breaks})
    out = io.StringIO()
    writer = csv.writer(out, delimiter=delimiter, lineterminator="\r\n")
    heads = ["Part no", "Description", "Pack", "Minimum", "Stock", "Lead time, days", "Currency"]
    writer.writerow([*heads, *(f"{pieces}+" for pieces in steps)])
    for offer in kept:
        prices = dict(offer.breaks)
        row = [
            safe(offer.sku),
            safe(offer.name),
            offer.pack,
            offer.least,
            "" if offer.stock is None else offer.stock,
            "" if offer.lead_days is None else offer.lead_days,
            offer.currency,
        ]
        money = [f"{prices[s]:f}".replace(".", decimal) if s in prices else "" for s in steps]
        writer.writerow([*row, *money])
    return out.getvalue()


def written_columns(offers: Iterable[Listed]) -> Columns:
    """How a list that `write_list` wrote is read."""
    steps = sorted({pieces for offer in offers for pieces, _ in offer.breaks})
    roles = ("sku", "name", "pack", "least", "stock", "lead", "currency")
    heads = ("Part no", "Description", "Pack", "Minimum", "Stock", "Lead time, days", "Currency")
    return Columns(roles=(*zip(heads, roles, strict=True), *((f"{s}+", f"price {s}") for s in steps)), header=1)
