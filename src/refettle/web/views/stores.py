"""The stores: the search box, the list, and the page of one part."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from functools import lru_cache
from typing import Any

from django.core.paginator import Page, Paginator
from django.db.models import F, Q, QuerySet
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import NoReverseMatch, reverse
from django.utils import timezone
from django.utils.safestring import mark_safe
from django.views.decorators.http import require_http_methods, require_safe

from refettle.book import reorder, reorder_fits, shelf_life
from refettle.book.models_stores import Lot, Part
from refettle.book.store import StoreError
from refettle.book.stores_facts import ledger_lines, on_order, prices, stand_ins, used_by_month
from refettle.book.stores_moves import age_key, open_reservations
from refettle.book.stores_parts import find_part
from refettle.book.stores_search import SHOWN_UNIT, Found, find
from refettle.drawing.months import month_bars
from refettle.language import local, mark, tr
from refettle.quantities import show
from refettle.web.views import stores_forms
from refettle.web.views.common import new_token, qr
from refettle.web.views.stores_use import still_working
from refettle.web.warm import ask_for_fits

PER_PAGE = 50
LINES_PER_PAGE = 25
PAGES = (
    ("stores", mark("In the stores")),
    ("stores-count", mark("Count")),
    ("stores-reorder", mark("To reorder")),
    ("stores-look-again", mark("To look at again")),
    ("stores-labels", mark("Labels")),
    ("stores-receive", mark("Receive")),
    ("stores-new", mark("New part")),
    ("kits", mark("Kits")),
    ("suppliers", mark("Suppliers")),
    ("orders", mark("Orders")),
)


def around(here: str, /, **more: Any) -> dict[str, Any]:
    """What every page of the stores is given: where it stands among the others."""
    links = []
    for name, label in PAGES:
        try:
            links.append({"name": name, "label": tr(label), "address": reverse(name)})
        except NoReverseMatch:
            continue
    return {"area": "stores", "stores_part": here, "stores_pages": links, **more}


@dataclass(frozen=True)
class Row:
    """One part in a list, with what is told of it."""

    part: Part
    value: str
    coming: int
    low: bool = False
    at: int | None = None
    unknown: bool = False
    """True where it is not worked out yet when to order it."""

    @property
    def standing(self) -> str:
        """In a word or two, whether it must be looked after."""
        if self.low:
            return mark("low")
        return mark("none left") if not self.part.on_hand and not self.part.quarantined else ""


def value_of(part: Part) -> str:
    """`4.7 µF 50 V 105 °C`; empty for what has no value."""
    said = [show(part.amount, SHOWN_UNIT.get(part.unit, ""), 4)] if part.amount is not None else []
    said += [show(part.volt, "V", 4)] if part.volt else []
    said += [show(part.celsius, "°C")] if part.celsius else []
    return " ".join(said)


def rows_of(parts: list[Part], today: date) -> list[Row]:
    """Parts with what is on order and whether they run low."""
    keys = [part.pk for part in parts]
    coming, levels = on_order(keys), reorder.levels(today, keys)
    if any(level.by == "not yet" for level in levels.values()):
        ask_for_fits()
    return [
        Row(
            part,
            value_of(part),
            coming.get(part.pk, 0),
            levels[part.pk].low,
            levels[part.pk].at,
            levels[part.pk].by == "not yet",
        )
        for part in parts
    ]


# ---------------------------------------------------------------- the list


@dataclass(frozen=True)
class Filters:
    """What the list was narrowed to."""

    low: bool = False
    quarantined: bool = False
    reserved: bool = False
    place: str = ""
    kind: str = ""

    @property
    def any(self) -> bool:
        """True where it was narrowed at all."""
        return self != Filters()


@require_safe
def stores(request: HttpRequest) -> HttpResponse:
    """The parts, searched and narrowed."""
    text = " ".join(request.GET.get("q", "").split())[:100]
    as_words = request.GET.get("as") == "words"
    filters = Filters(
        low=request.GET.get("low") == "1",
        quarantined=request.GET.get("quarantined") == "1",
        reserved=request.GET.get("reserved") == "1",
        place=printable(request.GET.get("place", ""))[:120],
        kind=printable(request.GET.get("kind", ""))[:40],
    )
    today = timezone.localdate()
    if filters.low and (waiting := still_working(request, today)) is not None:
        return waiting
    among = _narrowed(filters, today)
    found: Found | None = None
    if text:
        found = find(text, among, as_words)
        page: Page[Any] = Paginator(found.keys, PER_PAGE).get_page(request.GET.get("page"))
        first = page.start_index() - 1 if found.keys else 0
        parts = found.parts(first, first + PER_PAGE)
    else:
        page = Paginator(among.order_by("code"), PER_PAGE).get_page(request.GET.get("page"))
        parts = list(page.object_list)
    kept = request.GET.copy()
    for name in [name for name in kept if name == "page" or not kept[name]]:
        del kept[name]
    words = kept.copy()
    words["as"] = "words"
    context = around(
        "stores",
        query=text,
        as_words=as_words,
        found=found,
        filters=filters,
        page=page,
        rows=(rows := rows_of(parts, today)),
        unknown=any(row.unknown for row in rows),
        kept=kept.urlencode(),
        words_link=words.urlencode(),
        places=(told := _told(reorder_fits.of_parts()))[0],
        kinds=told[1],
        anything=bool(parts) or Part.objects.exists(),
    )
    return render(request, "refettle/stores.html", context)


@lru_cache(maxsize=2)
def _told(of: object) -> tuple[list[str], list[str]]:
    """Places and kinds that parts have; looked up anew once a part is changed."""
    told = [Part.objects.order_by(name).values_list(name, flat=True).distinct() for name in ("place", "kind")]
    return [p for p in told[0] if p], [k for k in told[1] if k]


def _narrowed(filters: Filters, today: date) -> QuerySet[Part]:
    parts = Part.objects.all()
    if filters.quarantined:
        parts = parts.filter(quarantined__gt=0)
    if filters.reserved:
        parts = parts.filter(reserved__gt=0)
    if filters.place:
        parts = parts.filter(place=filters.place)
    if filters.kind:
        parts = parts.filter(kind=filters.kind)
    if filters.low:
        parts = parts.filter(pk__in=[level.part for level in reorder.low(today)])
    return parts


# ---------------------------------------------------------------- one part


@dataclass(frozen=True)
class LotView:
    """A lot with its age in words."""

    lot: Lot
    age: str
    due: shelf_life.Due | None

    @property
    def price(self) -> str:
        """Of one, without trailing zeros."""
        return "" if self.lot.price is None else local(f"{self.lot.price:f}".rstrip("0").rstrip("."))


def printable(text: str) -> str:
    """What was asked for, without characters that no name has and PostgreSQL refuses."""
    return "".join(c for c in text if c.isprintable())


def part_or_404(code: str) -> Part:
    """The part of this code. Raises Http404 with the nearest ones."""
    try:
        return find_part(printable(code))
    except StoreError as error:
        raise Http404(str(error)) from None


@require_http_methods(["GET", "HEAD", "POST"])
def part(request: HttpRequest, code: str) -> HttpResponse:
    """A part's page; POST writes a line of its ledger, or changes what is said of it."""
    found = part_or_404(code)
    if request.method != "POST":
        if code != found.code:
            return redirect(reverse("stores-part", args=[found.code]))
        return _part_page(request, found)
    try:
        stores_forms.write(request, found)
    except StoreError as error:
        found.refresh_from_db()
        return _part_page(request, found, str(error))
    return redirect(reverse("stores-part", args=[found.code]))  # from its top: the message, and what there is now


def _part_page(request: HttpRequest, part: Part, error: str = "") -> HttpResponse:
    today = timezone.localdate()
    typed = request.POST if error else request.GET
    lines = part.movements.select_related("lot", "job").order_by("-pk")
    page = Paginator(lines, LINES_PER_PAGE).get_page(request.GET.get("page"))
    months = used_by_month(part, today=today)
    level = reorder.level_of(part, today)
    if level.by == "not yet":
        ask_for_fits()
    offers = prices(part)
    context = around(
        "part",
        part=part,
        value=value_of(part),
        coming=on_order([part.pk]).get(part.pk, 0),
        orders=_orders(part),
        level=level,
        lots=_lots(part, today),
        lines=ledger_lines(part, list(page.object_list)),
        page=page,
        promised=open_reservations(part),
        kit_lines=part.kit_lines.select_related("version").order_by("version")[:20],
        history=mark_safe(month_bars(months, what=part.code)),  # noqa: S308 - drawn from numbers and escaped
        used=sum(n for _, n in months),
        offers=offers,
        stand_ins=stand_ins(part),
        changes=[each for each in part.changes.order_by("-pk")[:10] if each.was],
        actions=stores_forms.offered(part),
        form=stores_forms.form_of(part, typed.get("do", ""), typed, bool(error)),
        error=error,
        token=new_token(),
        qr=qr(request, reverse("stores-part", args=[part.code])),
        today=today,
    )
    return render(request, "refettle/stores_part.html", context, status=422 if error else 200)


def _orders(part: Part) -> list[Any]:
    """Order lines of which pieces are to come."""
    lines = part.ordered.filter(order__sent__isnull=False, order__cancelled=None, order__closed=None)
    return list(lines.filter(pieces__gt=F("received") + F("gone")).select_related("order", "order__supplier"))


def _lots(part: Part, today: date) -> list[LotView]:
    """Lots that hold some, in the order in which they are used up."""
    lots = part.lots.filter(Q(on_hand__gt=0) | Q(quarantined__gt=0))
    made = []
    for lot in sorted(lots, key=lambda each: (age_key(each), each.pk)):
        due = shelf_life.due_of(lot, part, today)
        made.append(LotView(lot, age_words(shelf_life.lies_since(lot), today), due))
    return made


def age_words(since: date, today: date) -> str:
    """`12 d`, `7 months`, `3.5 years`."""
    days = max((today - since).days, 0)
    if days < 60:
        return f"{days}\u202fd"
    return tr("{days:.0f} months", days=days / 30.44) if days < 730 else tr("{days:.1f} years", days=days / 365.25)
