"""What the stores ask for: parts to reorder, lots to look at again."""

from __future__ import annotations

from dataclasses import dataclass

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_safe

from refettle.book import reorder, shelf_life
from refettle.book.models_stores import Lot, Part
from refettle.book.store import StoreError
from refettle.book.stores_facts import Price, prices_of
from refettle.language import tr
from refettle.web.probing import tool_cautions
from refettle.web.signing import who
from refettle.web.views.common import CautionView, new_token, write_once
from refettle.web.views.stores import age_words, around, value_of
from refettle.web.views.stores_use import still_working

PER_PAGE = 50
MOST_NUMBER = 1_000_000_000


@dataclass(frozen=True)
class ToOrder:
    """A part that is low."""

    part: Part
    value: str
    level: reorder.Level
    price: Price | None


@require_safe
def to_reorder(request: HttpRequest) -> HttpResponse:
    """What is at or below its reorder point, the barest first, and why."""
    today = timezone.localdate()
    if (waiting := still_working(request, today)) is not None:
        return waiting
    low = reorder.low(today)
    page = Paginator(low, PER_PAGE).get_page(request.GET.get("page"))
    parts = Part.objects.in_bulk([level.part for level in page.object_list])
    asked = prices_of(parts.values())
    rows = [
        ToOrder(part, value_of(part), level, next(iter(asked[part.pk]), None))
        for level in page.object_list
        if (part := parts.get(level.part)) is not None
    ]
    context = around(
        "stores-reorder",
        rows=rows,
        page=page,
        service=round(100 * reorder.SERVICE),
        fill_days=reorder.FILL_DAYS,
        anything=Part.objects.exists(),
    )
    return render(request, "refettle/stores_reorder.html", context)


@dataclass(frozen=True)
class ToLookAt:
    """A lot that is due."""

    due: shelf_life.Due
    value: str
    age: str


@dataclass(frozen=True)
class Group:
    """Lots to which the same is done, with its cautions in front."""

    rule: shelf_life.Rule | None
    todo: str
    rows: list[ToLookAt]
    cautions: list[CautionView]


@require_http_methods(["GET", "HEAD", "POST"])
def look_again(request: HttpRequest) -> HttpResponse:
    """Lots that lie too long; POST says that one was looked at."""
    error = ""
    if request.method == "POST":
        try:
            return _done(request)
        except StoreError as wrong:
            error = str(wrong)
    today = timezone.localdate()
    due = shelf_life.due(today)
    groups = []
    for rule in (*shelf_life.RULES, None):
        mine = [ToLookAt(d, value_of(d.part), age_words(d.since, today)) for d in due if d.rule == rule]
        if mine:
            cautions = tool_cautions(rule.cautions) if rule else []
            groups.append(Group(rule, mine[0].due.todo, mine, cautions))
    context = around(
        "stores-look-again",
        groups=groups,
        late=sum(d.late for d in due),
        soon_days=shelf_life.SOON_DAYS,
        rules=shelf_life.RULES,
        typed=request.POST if error else {},
        error=error,
        token=new_token(),
        today=today,
    )
    return render(request, "refettle/stores_look_again.html", context, status=422 if error else 200)


def _done(request: HttpRequest) -> HttpResponse:
    """Write that a lot was looked at. Raises StoreError."""
    typed = request.POST.get("lot", "")
    number = int(typed) if typed.isdecimal() and len(typed) < 10 else 0
    lot = Lot.objects.filter(pk=number).select_related("part").first()
    if lot is None:
        raise StoreError(tr("lot: '{typed}' found; allowed: the number of a lot on this page", typed=typed[:40]), "lot")
    what = request.POST.get("what", "")
    if write_once(request, lambda: shelf_life.done(lot, who=who(), what=what)):
        messages.success(
            request, tr("{code}, {lot}: looked at. Its time in store begins anew.", code=lot.part.code, lot=lot)
        )
    return redirect(reverse("stores-look-again"))
