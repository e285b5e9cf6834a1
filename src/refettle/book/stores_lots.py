"""Lots: what is known of parts that came together."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal, InvalidOperation
from typing import Any

from django.conf import settings
from django.utils import timezone

from refettle.book.kept_texts import label
from refettle.book.models_stores import Lot, Part
from refettle.book.store import StoreError
from refettle.book.stores_moves import said
from refettle.language import tr


@dataclass(frozen=True)
class Came:
    """Where parts came from: what is written with their lot.

    `code` lot or date code as printed; `made` by its date code; `since` in store since, by default the day they came;
    `source` supplier or donor; `price` of one, in `currency`, by default the bench's.
    """

    code: str = ""
    made: date | None = None
    since: date | None = None
    source: str = ""
    price: Decimal | str | float | None = None
    currency: str = ""


def price_of(value: Any, field: str = "price") -> Decimal | None:
    """A price of one part, up to four digits after the point; None where nothing was said. Raises StoreError."""
    if value is None or (isinstance(value, str) and not value.strip()):
        return None
    try:
        price = Decimal(str(value).strip().replace(",", "."))
        good = price.is_finite() and 0 <= price <= 1_000_000 and price == round(price, 4)
    except InvalidOperation:
        good = False
    if not good:
        raise StoreError(
            tr(
                "{field}: {found!r} found; allowed: such as 0.12, from 0 to 1000000, at most 4 digits after the point",
                field=label(field),
                found=value,
            ),
            field,
        )
    return abs(price)


def new_lot(part: Part, came: Came, at: datetime | None, *, proven: bool) -> Lot:
    day = timezone.localdate(at or timezone.now())
    price = price_of(came.price)
    currency = (came.currency.strip().upper() or settings.REFETTLE_CURRENCY) if price is not None else ""
    if price is not None and not (len(currency) == 3 and currency.isascii() and currency.isalpha()):
        raise StoreError(
            tr("currency: {currency!r} found; allowed: three letters such as EUR", currency=came.currency), "currency"
        )
    for field, value in (("made", came.made), ("since", came.since)):
        if value is not None and not date(1900, 1, 1) <= value <= timezone.localdate():
            raise StoreError(
                tr(
                    "{field}: {found} found; allowed: from 1900 to today, {today}",
                    field=label(field),
                    found=value,
                    today=timezone.localdate(),
                ),
                field,
            )
    return Lot.objects.create(
        part=part,
        code=said(came.code, "lot code", 80),
        made=came.made,
        since=came.since or day,
        source=said(came.source, "source", 200),
        price=price,
        currency=currency,
        proven=proven,
    )
