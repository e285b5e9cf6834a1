"""Stocktake: place by place, one part a screen, counted blind; what was counted is known from the ledger alone."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any
from urllib.parse import urlencode

from django.contrib import messages
from django.db.models import Count
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_http_methods

from refettle.book import stores
from refettle.book.models_stores import Movement, Part, Reservation
from refettle.book.store import StoreError
from refettle.book.stores_facts import LOOKED
from refettle.book.stores_moves import holder, open_reservations, quantity
from refettle.language import tr
from refettle.web.signing import who
from refettle.web.views.common import new_token, write_once
from refettle.web.views.stores import around, part_or_404, printable, value_of

LARGE, LARGE_SHARE = 3, 0.2
"""A difference above both asks for a second count (choices)."""
NOWHERE = "-"
SPANS = ((0, "today"), (6, "within 7 days"), (29, "within 30 days"))


@dataclass(frozen=True)
class Place:
    """A place with how far its count has come."""

    name: str
    parts: int
    counted: int

    @property
    def key(self) -> str:
        """As it stands in addresses."""
        return self.name or NOWHERE

    @property
    def done(self) -> bool:
        """True where each part was counted."""
        return self.counted >= self.parts

    @property
    def percent(self) -> str:
        """How far, for a bar."""
        return f"{100 * self.counted / self.parts:.1f}" if self.parts else "0"


def counted_since(first: date) -> set[int]:
    """Parts counted on or after a day; a lot that was looked at is not a count."""
    lines = Movement.objects.filter(kind=Movement.Kind.COUNTED, at__date__gte=first).exclude(note__startswith=LOOKED)
    return set(lines.values_list("part", flat=True))


def places(first: date) -> list[Place]:
    """Every place with parts, those begun and not done first."""
    done = counted_since(first)
    by_place: dict[str, int] = {}
    for place in Part.objects.filter(pk__in=done).values_list("place", flat=True):
        by_place[place] = by_place.get(place, 0) + 1
    rows = Part.objects.values("place").annotate(parts=Count("pk")).order_by("place")
    made = [Place(row["place"], row["parts"], by_place.get(row["place"], 0)) for row in rows]
    return sorted(made, key=lambda p: (p.done, not p.counted, p.name == "", p.name))


def _first_day(request: HttpRequest) -> tuple[int, date]:
    typed = request.POST.get("span") or request.GET.get("span") or "0"
    span = int(typed) if typed in {str(days) for days, _ in SPANS} else 0
    return span, timezone.localdate() - timedelta(days=span)


@require_http_methods(["GET", "HEAD", "POST"])
def count(request: HttpRequest) -> HttpResponse:
    """Choose a place, then count its parts one by one; POST writes a count or asks about it."""
    span, first = _first_day(request)
    if request.method == "POST":
        return _write(request, span, first)
    key = printable(request.GET.get("place", ""))[:120]
    if not key:
        context = around("stores-count", places=places(first), spans=SPANS, span=span)
        return render(request, "refettle/stores_count.html", context)
    wanted = request.GET.get("part", "")
    part = part_or_404(wanted) if wanted else _next(key, first, printable(request.GET.get("after", "")))
    typed = request.GET.get("count", "")[:7] + request.GET.get("tap", "")[:1]
    typed = {"back": typed[:-1], "clear": ""}.get(request.GET.get("do", ""), typed)
    return _screen(request, key, span, first, part, typed if typed.isdecimal() else "", request.GET.get("before", ""))


def _next(key: str, first: date, after: str) -> Part | None:
    """The next part of a place that was not counted; past `after` where one was put off."""
    left = Part.objects.filter(place="" if key == NOWHERE else key).exclude(pk__in=counted_since(first))
    return left.filter(code__gt=after).order_by("code").first() or left.order_by("code").first()


def _screen(
    request: HttpRequest,
    key: str,
    span: int,
    first: date,
    part: Part | None,
    typed: str = "",
    before: str = "",
    *,
    error: str = "",
    asked: dict[str, Any] | None = None,
) -> HttpResponse:
    name = "" if key == NOWHERE else key
    here = next((p for p in places(first) if p.name == name), Place(name, 0, 0))
    context = around(
        "stores-count",
        place=here,
        span=span,
        part=part,
        value=value_of(part) if part else "",
        lots=part.lots.filter(on_hand__gt=0).count() if part else 0,
        typed=typed,
        before=before if before.isdecimal() else "",
        asked=asked,
        error=error,
        digits="123456789",
        token=new_token(),
    )
    return render(request, "refettle/stores_count_part.html", context, status=422 if error else 200)


def _write(request: HttpRequest, span: int, first: date) -> HttpResponse:
    """Write the count where it is as expected or was confirmed; else ask for a second count, or show the difference."""
    form = request.POST
    part, key = part_or_404(form.get("part", "")[:60]), printable(form.get("place", ""))[:120] or NOWHERE
    before = form.get("before", "")
    try:
        found = quantity(form.get("count", ""), "counted", 0)
    except StoreError as error:
        return _screen(request, key, span, first, part, before=before, error=str(error))
    difference = found - part.on_hand
    confirmed = form.get("said") == f"{found} of {part.on_hand}"
    if difference and not confirmed:
        far = abs(difference) > max(LARGE, LARGE_SHARE * max(part.on_hand, found))
        if far and before != str(found):
            return _screen(request, key, span, first, part, before=str(found), asked={"again": True, "second": before})
        return _screen(request, key, span, first, part, str(found), before, asked=_asked(part, found, difference))
    named = [int(pk) for pk in form.getlist("let_go") if pk.isdecimal() and len(pk) < 10]
    letting = list(Reservation.objects.filter(pk__in=named, part=part, closed=None))
    try:
        write_once(request, lambda: stores.count(part, found, who=who(), let_go=letting))
    except StoreError as error:
        part.refresh_from_db()
        asked = _asked(part, found, found - part.on_hand)
        return _screen(request, key, span, first, part, str(found), before, error=str(error), asked=asked)
    if difference > 0:
        said = tr("{code}: {found} counted, {n} more than the ledger said.", code=part.code, found=found, n=difference)
    elif difference < 0:
        said = tr(
            "{code}: {found} counted, {n} fewer than the ledger said.", code=part.code, found=found, n=-difference
        )
    else:
        said = tr("{code}: {found} counted, as the ledger says.", code=part.code, found=found)
    messages.success(request, said)
    query = {"place": key, "after": part.code} | ({"span": str(span)} if span else {})
    return redirect(f"{reverse('stores-count')}?{urlencode(query)}")


def _asked(part: Part, found: int, difference: int) -> dict[str, Any]:
    """The difference, to be confirmed."""
    promised = open_reservations(part) if found < part.reserved else []
    return {
        "found": found,
        "expected": part.on_hand,
        "difference": abs(difference),
        "more": difference > 0,
        "said": f"{found} of {part.on_hand}",
        "promised": [(r.pk, f"{holder(r)}: {r.quantity}") for r in promised],
        "reserved": part.reserved,
    }
