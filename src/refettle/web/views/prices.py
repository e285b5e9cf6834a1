"""Suppliers: the list, one supplier with its prices and what changed, one number, which part it is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlencode

from django.conf import settings
from django.contrib import messages
from django.core.paginator import Paginator
from django.db.models import Count, Q, QuerySet
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.safestring import mark_safe
from django.views.decorators.http import require_http_methods, require_safe

from refettle.book import files, prices, prices_links
from refettle.book.models_prices import Offer, PriceList, Sold, Supplier
from refettle.book.models_stores import Part
from refettle.book.prices import PriceError
from refettle.book.prices_changes import Change, Changes, changes, history
from refettle.drawing.prices import change_bar, price_steps
from refettle.language import tr
from refettle.ordering.pricelist_writing import write_list
from refettle.web.signing import who
from refettle.web.views.common import new_token, write_once
from refettle.web.views.stores import around, value_of

PER_PAGE = 50
FIRST_CHANGES, MOST_CHANGES = 10, 200
PROPOSED = 40
TERMS = ("name", "currency", "shipping", "free_from", "minimum", "lead_days", "address", "note")


def get_supplier(number: int) -> Supplier:
    """The supplier, or Http404."""
    supplier = Supplier.objects.filter(pk=number).first()
    if supplier is None:
        raise Http404(tr("There is no supplier {number}.", number=number))
    return supplier


def _typed(request: HttpRequest) -> dict[str, str]:
    return {name: request.POST.get(name, "") for name in TERMS}


def terms_of(supplier: Supplier) -> dict[str, str]:
    """A supplier's terms as its form shows them."""
    shown = {name: getattr(supplier, name) for name in TERMS}
    return {name: "" if value is None else f"{value}" for name, value in shown.items()}


# ---------------------------------------------------------------- all suppliers


@require_http_methods(["GET", "HEAD", "POST"])
def suppliers(request: HttpRequest) -> HttpResponse:
    """Who sells parts; POST adds one."""
    error, field, typed = "", "", {"currency": str(settings.REFETTLE_CURRENCY), "lead_days": "5"}
    if request.method == "POST":
        typed = _typed(request)
        made: list[Supplier] = []
        try:
            write_once(request, lambda: made.append(prices.add_supplier(prices.read_terms(typed))))
            return redirect("supplier-import", made[0].pk) if made else redirect("suppliers")
        except PriceError as trouble:
            error, field = str(trouble), trouble.field
    numbers = _counts(Offer.objects.filter(current=True))
    parts = _counts(Sold.objects.filter(ended=None))
    newest: dict[int, PriceList] = {}
    for each in PriceList.objects.order_by("valid_from", "id").defer("refused", "remarks", "doubts"):
        newest[each.supplier_id] = each
    context = around(
        "suppliers",
        suppliers=[
            (each, newest.get(each.pk), numbers.get(each.pk, 0), parts.get(each.pk, 0))
            for each in Supplier.objects.all()
        ],
        typed=typed,
        error=error,
        wrong=field,
        token=new_token(),
        address=reverse("suppliers"),
    )
    return render(request, "refettle/prices_suppliers.html", context, status=422 if error else 200)


def _counts(rows: QuerySet[Any]) -> dict[int, int]:
    """How many rows each supplier has."""
    return dict(rows.order_by().values_list("supplier").annotate(Count("pk")))


# ---------------------------------------------------------------- one supplier


@dataclass(frozen=True)
class OfferRow:
    """One number of the list, with the part it is."""

    offer: Offer
    part: Part | None

    @property
    def one(self) -> str:
        """Price of one from the first break."""
        return str(self.offer.breaks[0][1])

    @property
    def more(self) -> str:
        """The other breaks: `10: 0.22, 100: 0.19`."""
        return ", ".join(f"{pieces:,}: {price}" for pieces, price in self.offer.breaks[1:])


@dataclass(frozen=True)
class ChangeRow:
    """One change with its bar."""

    change: Change
    bar: str

    @property
    def percent(self) -> str:
        """`+12 %`, with one decimal below ten."""
        share = 100 * self.change.share
        text = f"{share:+.0f}" if abs(share) >= 10 else f"{share:+.1f}"
        return f"{text.replace('-', '−')} %"


def change_rows(found: Sequence[Change]) -> list[ChangeRow]:
    """Changes as drawn; the bars share one scale."""
    most = max((abs(each.share) for each in found), default=0.0)
    return [
        ChangeRow(each, mark_safe(change_bar(each.share, most)) if each.way in ("up", "down") else "")  # noqa: S308
        for each in found
    ]


def offer_rows(supplier: Supplier, offers: Sequence[Offer]) -> list[OfferRow]:
    """Offers with the parts they are."""
    sold = Sold.objects.filter(supplier=supplier, ended=None, sku__in=[o.sku for o in offers]).select_related("part")
    parts = {each.sku: each.part for each in sold}
    return [OfferRow(each, parts.get(each.sku)) for each in offers]


@require_http_methods(["GET", "HEAD", "POST"])
def supplier(request: HttpRequest, number: int) -> HttpResponse:
    """One supplier; POST changes its terms, or whether it is used."""
    found = get_supplier(number)
    if request.method != "POST":
        return _page(request, found)
    action = request.POST.get("action", "")
    try:
        if action == "terms":
            typed = _typed(request)
            write_once(request, lambda: prices.change_supplier(found, prices.read_terms(typed)))
        elif action in ("use", "rest"):
            found.used = action == "use"
            found.save(update_fields=["used"])
        else:
            raise PriceError(tr("action: '{action}' found; allowed: terms, use, rest", action=action[:20]))
    except PriceError as error:
        return _page(request, get_supplier(number), str(error), error.field)
    return redirect("supplier", number)


def _page(request: HttpRequest, found: Supplier, error: str = "", wrong: str = "") -> HttpResponse:
    text = " ".join(request.GET.get("q", "").split())[:80]
    only = request.GET.get("only", "")
    rows = found.offers.filter(current=True)
    for word in text.split():
        rows = rows.filter(Q(sku__icontains=word) | Q(name__icontains=word))
    sold = Sold.objects.filter(supplier=found, ended=None)
    if only == "parts":
        rows = rows.filter(sku__in=sold.values("sku"))
    page = Paginator(rows.order_by("pk"), PER_PAGE).get_page(request.GET.get("page"))
    lists = list(found.lists.order_by("-valid_from", "-id"))
    newest = lists[0] if lists else None
    told = changes(newest) if newest else Changes(None, ())
    moved = change_rows([each for each in told.changes if each.way in ("up", "down")])
    context = around(
        "suppliers",
        supplier=found,
        lists=lists,
        newest=newest,
        waits=newest is not None and newest.valid_from > timezone.localdate(),
        changes=told,
        moved=moved[:FIRST_CHANGES],
        more_moved=max(0, len(moved) - FIRST_CHANGES),
        gone=told.of("gone")[:FIRST_CHANGES],
        page=page,
        rows=offer_rows(found, list(page.object_list)),
        query=text,
        only=only,
        numbers=found.offers.filter(current=True).count(),
        parts=sold.filter(sku__in=found.offers.filter(current=True).values("sku")).count(),
        anything_in_stores=Part.objects.exists(),
        typed=_typed(request) if error else terms_of(found),
        error=error,
        wrong=wrong,
        token=new_token(),
        address=reverse("supplier", args=[found.pk]),
    )
    return render(request, "refettle/prices_supplier.html", context, status=422 if error else 200)


@require_safe
def price_list(request: HttpRequest, number: int, list_number: int) -> HttpResponse:
    """One list: what it changed, rows left out, what was doubted."""
    found = get_supplier(number)
    made = found.lists.filter(pk=list_number).first()
    if made is None:
        raise Http404(tr("{supplier} has no list {number}.", supplier=found.name, number=list_number))
    told = changes(made)
    context = around(
        "suppliers",
        supplier=found,
        list=made,
        changes=told,
        rows=change_rows(told.changes[:MOST_CHANGES]),
        left=max(0, len(told.changes) - MOST_CHANGES),
    )
    return render(request, "refettle/prices_list.html", context)


@require_safe
def list_file(request: HttpRequest, number: int, list_number: int) -> HttpResponse:
    """The file of a list as it came."""
    made = get_supplier(number).lists.filter(pk=list_number).first()
    if made is None:
        raise Http404(tr("Supplier {supplier} has no list {number}.", supplier=number, number=list_number))
    try:
        data = files.fetch(made.sha256, settings.REFETTLE_FILES)
    except files.FileError as error:
        raise Http404(str(error)) from None
    answer = HttpResponse(data, content_type="application/octet-stream")
    name = "".join(c if c.isascii() and (c.isalnum() or c in "._-") else "-" for c in made.name) or "list"
    answer["Content-Disposition"] = f'attachment; filename="{name}"'
    return answer


@require_safe
def prices_csv(request: HttpRequest, number: int) -> HttpResponse:
    """The current prices as CSV, with nothing in it that a spreadsheet would work out."""
    found = get_supplier(number)
    text = write_list(prices.listed(each) for each in found.offers.filter(current=True).order_by("pk"))
    answer = HttpResponse(text.encode("utf-8-sig"), content_type="text/csv; charset=utf-8")
    answer["Content-Disposition"] = f'attachment; filename="prices-{found.pk}.csv"'
    return answer


# ---------------------------------------------------------------- one number, and which part it is


@require_http_methods(["GET", "HEAD", "POST"])
def number_page(request: HttpRequest, number: int) -> HttpResponse:
    """One number of a supplier: its price over all lists, and which part it is; POST says so or takes it back."""
    found = get_supplier(number)
    sku = (request.POST if request.method == "POST" else request.GET).get("sku", "")[:80]
    offers = found.offers.filter(sku=sku).select_related("list").order_by("-list__valid_from", "-id")
    latest = offers.first()
    if latest is None:
        raise Http404(tr("{supplier} has no number '{sku}'.", supplier=found.name, sku=sku))
    error, code = "", ""
    if request.method == "POST":
        action, code = request.POST.get("action", ""), request.POST.get("part", "").strip()
        try:
            if action == "unlink":
                prices_links.unlink(found, sku)
            elif action == "link":
                part = Part.objects.filter(code__iexact=code).first()
                if part is None:
                    raise PriceError(
                        tr("part: '{code}' found; allowed: the code of a part in the stores", code=code[:40]), "part"
                    )
                prices_links.link(found, [(sku, part.pk)], who())
            else:
                raise PriceError(tr("action: '{action}' found; allowed: link, unlink", action=action[:20]))
            return redirect(f"{reverse('supplier-number', args=[number])}?{urlencode({'sku': sku})}")
        except PriceError as trouble:
            error = str(trouble)
    points = history(found, sku)
    sold = Sold.objects.filter(supplier=found, sku=sku, ended=None).select_related("part").first()
    # Drawn by our own code, which escapes what it is given.
    drawing = mark_safe(price_steps([(p.since, p.price) for p in points], found.currency, timezone.localdate()))  # noqa: S308
    context = around(
        "suppliers",
        supplier=found,
        offer=latest,
        current=latest.current,
        points=list(reversed(points)),
        drawing=drawing,
        sold=sold,
        value=value_of(sold.part) if sold else "",
        typed=code,
        error=error,
        token=new_token(),
    )
    return render(request, "refettle/prices_number.html", context, status=422 if error else 200)


@require_http_methods(["GET", "HEAD", "POST"])
def links(request: HttpRequest, number: int) -> HttpResponse:
    """Which numbers may be which parts: a list to tick; nothing is linked without a tick."""
    found = get_supplier(number)
    error = ""
    ticked = request.POST.getlist("link")
    if request.method == "POST":
        try:
            pairs = [_pair(each) for each in ticked]
            if not pairs:
                raise PriceError(tr("nothing ticked found; allowed: one line or more"), "link")
            made: list[int] = []
            write_once(request, lambda: made.append(prices_links.link(found, pairs, who())))
            if made:
                messages.info(request, f"{made[0]} number{'' if made[0] == 1 else 's'} linked.")
            return redirect("supplier-links", number)
        except PriceError as trouble:
            error = str(trouble)
    after = request.GET.get("after", "")
    told = prices_links.propose(found, PROPOSED, int(after) if after.isdecimal() and len(after) < 10 else 0)
    context = around(
        "suppliers",
        supplier=found,
        proposals=[(each, value_of(each.part), f"{each.part.pk} {each.offer.sku}") for each in told.proposals],
        after=told.after,
        begun=bool(after),
        ticked=ticked,
        parts=Part.objects.count(),
        error=error,
        token=new_token(),
    )
    return render(request, "refettle/prices_links.html", context, status=422 if error else 200)


def _pair(text: str) -> tuple[str, int]:
    key, _, sku = text.partition(" ")
    if not key.isdecimal() or len(key) > 9 or not sku:
        raise PriceError(tr("link: '{text}' found; allowed: a line of this page", text=text[:40]))
    return sku, int(key)
