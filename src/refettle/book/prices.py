"""Suppliers and their price lists in the book: a list is read, looked at, then taken in; old ones stay.

The newest list of a supplier, by the day it holds from, is current. Nothing of an older one is changed or lost.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal, InvalidOperation
from pathlib import Path
from typing import Any

from django.conf import settings
from django.db import IntegrityError, transaction

from refettle.book import files
from refettle.book.models_prices import Offer, PriceList, Sold, Supplier
from refettle.book.models_stores import Part
from refettle.language import mark, tr
from refettle.ordering import model as ordering
from refettle.ordering.pricelist import Listed, PriceListError, PriceRead, read_list
from refettle.ordering.pricelist_model import Columns, columns_from
from refettle.ordering.pricelist_numbers import CURRENCIES

MOST_TERMS = Decimal(1_000_000)
AHEAD = timedelta(days=366)
"""A list may hold from a day to come, up to this far."""
BATCH = 400


class PriceError(ValueError):
    """A supplier or list that cannot be taken; `field` where it is one of a form's."""

    def __init__(self, message: str, field: str = "") -> None:
        super().__init__(message)
        self.field = field


# ---------------------------------------------------------------- suppliers


def read_terms(typed: Mapping[str, str]) -> dict[str, Any]:
    """A supplier's name and terms as typed in a form. Raises PriceError naming the field."""
    name = " ".join(typed.get("name", "").split())
    if not 1 <= len(name) <= 120:
        raise PriceError(tr("name: {n} letters found; allowed: 1 to 120", n=len(name)), "name")
    currency = typed.get("currency", "").strip().upper() or str(settings.REFETTLE_CURRENCY)
    if currency not in CURRENCIES:
        raise PriceError(
            tr("currency: '{currency}' found; allowed: three letters of ISO 4217, such as EUR", currency=currency[:20]),
            "currency",
        )
    days = typed.get("lead_days", "").strip() or "5"
    if not re.fullmatch(r"\d{1,4}", days) or int(days) > 3650:
        raise PriceError(
            tr("lead days: '{days}' found; allowed: a whole number from 0 to 3650", days=days[:20]), "lead_days"
        )
    free = _amount(typed, "free_from", mark("free from"))
    made = {
        "name": name,
        "currency": currency,
        "shipping": _amount(typed, "shipping", mark("shipping")) or Decimal(0),
        "free_from": free,
        "minimum": _amount(typed, "minimum", mark("smallest order")) or Decimal(0),
        "lead_days": int(days),
    }
    for field, most in ((mark("address"), 1000), (mark("note"), 4000)):
        text = typed.get(field, "").replace("\r\n", "\n").strip()
        if len(text) > most:
            raise PriceError(
                tr("{field}: {n} letters found; allowed: up to {most}", field=tr(field), n=len(text), most=most), field
            )
        made[field] = text
    return made


def _amount(typed: Mapping[str, str], field: str, name: str) -> Decimal | None:
    text = typed.get(field, "").strip()
    if not text:
        return None
    try:
        value = Decimal(text.replace(",", "."))
    except InvalidOperation:
        value = Decimal("NaN")
    if value.is_nan() or not 0 <= value <= MOST_TERMS or value != round(value, 2):
        raise PriceError(
            tr(
                "{name}: '{text}' found; allowed: an amount from 0 to {most:,} with two decimals",
                name=tr(name),
                text=text[:20],
                most=MOST_TERMS,
            ),
            field,
        )
    return value


def add_supplier(terms: Mapping[str, Any]) -> Supplier:
    """A supplier with terms from `read_terms`. Raises PriceError if there is one of that name."""
    if Supplier.objects.filter(name__iexact=terms["name"]).exists():
        raise PriceError(
            tr("name: '{name}' found, which is a supplier already; allowed: another name", name=terms["name"]), "name"
        )
    try:
        with transaction.atomic():
            return Supplier.objects.create(**terms)
    except IntegrityError:
        raise PriceError(tr("name: '{name}' found, which is a supplier already", name=terms["name"]), "name") from None


def change_supplier(supplier: Supplier, terms: Mapping[str, Any]) -> None:
    """Other terms. The currency stays once there are prices in it. Raises PriceError."""
    if terms["currency"] != supplier.currency and supplier.lists.exists():
        raise PriceError(
            tr(
                "currency: {found} found; allowed: {allowed}, which its price lists are in",
                found=terms["currency"],
                allowed=supplier.currency,
            ),
            "currency",
        )
    if Supplier.objects.filter(name__iexact=terms["name"]).exclude(pk=supplier.pk).exists():
        raise PriceError(
            tr("name: '{name}' found, which is another supplier; allowed: another name", name=terms["name"]), "name"
        )
    for field, value in terms.items():
        setattr(supplier, field, value)
    supplier.save()


def find_supplier(text: str) -> Supplier:
    """By name, by the beginning of it, or by number. Raises PriceError."""
    said = text.strip()
    found = list(Supplier.objects.filter(name__iexact=said)) or list(Supplier.objects.filter(name__istartswith=said))
    if not found and re.fullmatch(r"\d{1,9}", said):
        found = list(Supplier.objects.filter(pk=int(said)))
    if said and len(found) == 1:
        return found[0]
    names = ", ".join(f"'{each.name}'" for each in (found or Supplier.objects.all())[:12]) or tr("none yet")
    raise PriceError(
        tr("supplier: '{text}' found; allowed: one of {allowed}", text=text[:60], allowed=names), "supplier"
    )


# ---------------------------------------------------------------- lists


def kept_columns(supplier: Supplier) -> Columns | None:
    """How its columns were read the last time."""
    try:
        return columns_from(supplier.columns) if supplier.columns else None
    except PriceListError:
        return None


def look(supplier: Supplier, data: bytes, columns: Columns | None = None) -> PriceRead:
    """A list as it would be understood; nothing is written. Raises PriceError."""
    try:
        return read_list(data, columns, supplier.currency, kept_columns(supplier))
    except PriceListError as error:
        raise PriceError(str(error), "file") from None


@dataclass(frozen=True)
class Taken:
    """A list that was taken in."""

    list: PriceList
    read: PriceRead
    current: bool
    """False where a newer list of the supplier is there already."""


def take_in(
    supplier: Supplier,
    data: bytes,
    name: str,
    who: str,
    *,
    columns: Columns | None = None,
    valid_from: date,
    today: date,
    folder: Path | None = None,
) -> Taken:
    """Read a list and keep its file and its prices.

    Parameters
    ----------
    supplier : Supplier
        Whose list it is.
    data : bytes
        The file.
    name : str
        What the file is called.
    who : str
        Who takes it in.
    columns : Columns, optional
        What each column is; else as the last time, else as proposed.
    valid_from, today : date
        The day its prices hold from, up to a year ahead; and the day it is.
    folder : Path, optional
        Where files are kept; by default the book's.

    Raises
    ------
    PriceError
        Nothing safe to read, another currency than the supplier's, a day too far ahead, or the newest list once more.
    """
    if valid_from > today + AHEAD or valid_from.year < 1970:
        raise PriceError(
            tr("valid from: {day} found; allowed: a day from 1970-01-01 to {last}", day=valid_from, last=today + AHEAD),
            "valid_from",
        )
    name = " ".join(name.split())[:200] or "price list"
    read = look(supplier, data, columns)
    if not read.offers:
        first = "; ".join(tr("line {n}: {says}", n=each.line, says=each.says) for each in read.refused[:2])
        raise PriceError(
            tr("no row can be read safely. {first}", first=first or tr("No row has a number and a price.")), "file"
        )
    currency = read.offers[0].currency
    if currency and currency != supplier.currency:
        raise PriceError(
            tr(
                "currency: a list in {found} found; allowed: {allowed}, which {supplier} is kept in",
                found=currency,
                allowed=supplier.currency,
                supplier=supplier.name,
            ),
            "file",
        )
    kept = read.columns.as_plain()
    sha256 = files.keep(data, folder or settings.REFETTLE_FILES)
    with transaction.atomic():
        Supplier.objects.select_for_update().get(pk=supplier.pk)
        newest = current_list(supplier)
        if (
            newest is not None
            and newest.sha256 == sha256
            and newest.columns == kept
            and newest.valid_from == valid_from
        ):
            raise PriceError(
                tr("file: the list of {day:%Y-%m-%d} once more; allowed: another list", day=newest.created), "file"
            )
        current = newest is None or newest.valid_from <= valid_from
        made = PriceList.objects.create(
            supplier=supplier, name=name, sha256=sha256, columns=kept, valid_from=valid_from, rows=len(read.offers),
            refused=[[each.line, each.says] for each in read.refused],
            remarks=[[each.line, each.says] for each in read.remarks],
            doubts=list(read.doubts), who=who,
        )  # fmt: skip
        if current:
            Offer.objects.filter(supplier=supplier, current=True).update(current=False)
        Offer.objects.bulk_create([_row(made, supplier, each, current) for each in read.offers], batch_size=BATCH)
        supplier.columns = kept
        supplier.save(update_fields=["columns"])
    return Taken(made, read, current)


def _row(made: PriceList, supplier: Supplier, offer: Listed, current: bool) -> Offer:
    return Offer(
        list=made, supplier=supplier, sku=offer.sku, name=offer.name, pack=offer.pack,
        breaks=[[pieces, f"{price:f}"] for pieces, price in offer.breaks], least=offer.least,
        currency=supplier.currency, stock=offer.stock, lead_days=offer.lead_days, current=current,
    )  # fmt: skip


def listed(offer: Offer) -> Listed:
    """A kept offer as plain values."""
    return Listed(offer.sku, breaks_of(offer), offer.currency, offer.name, offer.pack, offer.least, offer.stock,
                  offer.lead_days)  # fmt: skip


def breaks_of(offer: Offer) -> tuple[tuple[int, Decimal], ...]:
    """(from so many pieces, price of one), rising."""
    return tuple((int(pieces), Decimal(price)) for pieces, price in offer.breaks)


def current_list(supplier: Supplier, today: date | None = None) -> PriceList | None:
    """The newest list by the day it holds from; of those that hold `today`, where it is given."""
    lists = supplier.lists.all()
    if today is not None:
        lists = lists.filter(valid_from__lte=today)
    return lists.order_by("-valid_from", "-id").first()


# ---------------------------------------------------------------- for ordering


def offers(
    parts: Iterable[Part], today: date, suppliers: Iterable[Supplier] | None = None
) -> tuple[tuple[ordering.Offer, ...], tuple[ordering.Supplier, ...]]:
    """What may be ordered of these parts today, and the terms of who sells it, as `refettle.ordering` takes them.

    Of each supplier in use, the list that holds today counts; an offer without days takes the supplier's. A part is
    called by its code.
    """
    codes = {part.pk: part.code for part in parts}
    chosen = Supplier.objects.filter(used=True) if suppliers is None else [s for s in suppliers if s.used]
    found: list[ordering.Offer] = []
    terms: list[ordering.Supplier] = []
    for supplier in chosen:
        made = current_list(supplier, today)
        if made is None:
            continue
        sold = dict(
            Sold.objects.filter(supplier=supplier, ended=None, part__in=list(codes)).values_list("sku", "part_id")
        )
        rows = [row for some in _some(list(sold)) for row in made.offers.filter(sku__in=some)]
        if not rows:
            continue
        terms.append(
            ordering.Supplier(
                supplier.name, supplier.shipping, supplier.free_from, supplier.minimum, None, supplier.currency
            )
        )
        found += [
            ordering.Offer(
                supplier=supplier.name,
                sku=row.sku,
                part=codes[sold[row.sku]],
                tiers=tuple(ordering.Tier(pieces, price) for pieces, price in breaks_of(row)),
                pack=row.pack,
                minimum=max(1, -(-row.least // row.pack)),
                stock=row.stock,
                lead_days=supplier.lead_days if row.lead_days is None else row.lead_days,
            )
            for row in rows
        ]
    return tuple(found), tuple(terms)


def _some(keys: list[str]) -> Iterable[list[str]]:
    for start in range(0, len(keys), BATCH):
        yield keys[start : start + BATCH]
