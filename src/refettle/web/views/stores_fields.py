"""Fields of the stores' forms, and what was typed into them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from django.conf import settings
from django.utils import timezone

from refettle.book import stores
from refettle.book.models_stores import Lot, Part
from refettle.book.store import StoreError
from refettle.language import tr


@dataclass(frozen=True)
class Field:
    """One field of a form: `kind` is text, number, date, area, choice, check or checks."""

    name: str
    label: str
    kind: str = "text"
    hint: str = ""
    needed: bool = False
    options: tuple[tuple[str, str], ...] = ()
    value: str = ""
    chosen: tuple[str, ...] = ()


@dataclass(frozen=True)
class Form:
    """A form as shown."""

    do: str
    title: str
    lead: str
    button: str
    fields: tuple[Field, ...]


# ---------------------------------------------------------------- reading what was typed


def text(form: Mapping[str, Any], name: str) -> str:
    """What was typed into a field, without ends."""
    return str(form.get(name, "")).replace("\r\n", "\n").strip()


def day(form: Mapping[str, Any], name: str) -> date | None:
    """A day typed as 2031-04-01, a month as 2031-04, a week as printed by makers (3114), or nothing."""
    typed = text(form, name)
    if not typed:
        return None
    try:
        if typed.isdecimal() and len(typed) == 4:
            week = int(typed[2:])
            if 1 <= week <= 53:
                year = int(typed[:2])
                century = 2000 if year <= timezone.localdate().year % 100 else 1900
                return date.fromisocalendar(century + year, min(week, 52), 1)
        return date.fromisoformat(typed if len(typed) != 7 else f"{typed}-01")
    except ValueError:
        pass
    raise StoreError(
        tr(
            "{name}: '{typed}' found; allowed: a day such as 2031-04-01, a month such as 2031-04, or "
            "year and week as printed, such as 3114",
            name=name,
            typed=typed[:40],
        ),
        name,
    )


def lot_from(part: Part, form: Mapping[str, Any]) -> Lot | None:
    """The lot chosen; None: the oldest first."""
    typed = text(form, "lot")
    if not typed:
        return None
    lot = Lot.objects.filter(part=part, pk=int(typed)).first() if typed.isdecimal() and len(typed) < 10 else None
    if lot is None:
        raise StoreError(tr("lot: '{typed}' found; allowed: a lot of {code}", typed=typed[:40], code=part.code), "lot")
    return lot


def came_from(form: Mapping[str, Any]) -> stores.Came:
    """What was said of a lot that comes in."""
    return stores.Came(
        code=text(form, "lot_code"),
        made=day(form, "made"),
        since=day(form, "since"),
        source=text(form, "source"),
        price=text(form, "price") or None,
        currency=text(form, "currency"),
    )


def lot_name(lot: Lot) -> str:
    """A lot by its code, or by when it came."""
    return lot.code or tr("lot {number}", number=lot.pk) + (f", {lot.source}" if lot.source else "")


def lot_fields(part: Part | None = None) -> list[Field]:
    """What is asked of a lot that comes in."""
    return [
        Field("source", tr("From whom"), hint=tr("Supplier, fair, bag in the drawer.")),
        Field("lot_code", tr("Lot or date code as printed")),
        Field("made", tr("Made"), hint=tr("A day, a month 2031-04, or year and week as printed: 3114.")),
        Field("price", tr("Paid for one, {currency}", currency=settings.REFETTLE_CURRENCY), "number"),
    ]
