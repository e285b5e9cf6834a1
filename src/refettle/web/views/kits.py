"""Kits: the list, and one version with what can be made of it now."""

from __future__ import annotations

from datetime import date
from typing import Any

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_http_methods, require_safe

from refettle.book import kits, kits_batch, kits_check, kits_cost
from refettle.book.models_kits import Kit, KitBatch, KitVersion
from refettle.book.models_stores import Part
from refettle.book.store import StoreError
from refettle.language import decimal, tr
from refettle.parts.kits import KitError, error_allowed
from refettle.web.kit_views import ERRORS, cautions_of, line_view, loaded_type, place, who_works
from refettle.web.signing import who
from refettle.web.views import stores
from refettle.web.views.common import new_token, whole_from, write_once
from refettle.web.views.library import listed_types

MORE = 10


def around(**more: Any) -> dict[str, Any]:
    """What every page about kits is given."""
    return stores.around("kits", token=new_token(), who=who(), **more)


def version_or_404(number: int) -> KitVersion:
    """The version of this number. Raises Http404."""
    try:
        return kits.find_version(number)
    except StoreError as error:
        raise Http404(str(error)) from None


@require_safe
def kits_page(request: HttpRequest) -> HttpResponse:
    """All kits: how many can be made, are ready, are wished for; batches on the bench."""
    names = {t.slug: t.name for t in listed_types()}
    rows: list[dict[str, Any]] = []
    for version in kits.newest():
        found = kits.buildable_now(version)
        rows.append(
            {
                "version": version,
                "type": names.get(version.slug, version.slug),
                "place": place(version),
                "now": found.count,
                "limits": kits.limiting(version, found),
                "ready": kits.ready_of(version),
                "to_make": kits.to_make(version),
                "lines": len(version.lines.all()),
            }
        )
    batches = [
        (batch, kits_batch.state_of(batch))
        for batch in KitBatch.objects.filter(done=None, dropped=None).select_related("version").order_by("pk")
    ]
    recalled = Kit.objects.filter(state=Kit.State.RECALLED).select_related("batch__version")
    context = around(
        rows=rows,
        batches=batches,
        recalled=recalled,
        own=kits_check.own_counts(max((row["lines"] for row in rows), default=1)) if rows else None,
        target_words=decimal(100 * kits_check.TARGET, "g") + "\u202f%",
    )
    return render(request, "refettle/kits.html", context)


@require_http_methods(["GET", "HEAD", "POST"])
def kit_version(request: HttpRequest, number: int) -> HttpResponse:
    """One version; POST begins a batch, notes a wish, or withdraws."""
    version = version_or_404(number)
    if request.method != "POST":
        return _page(request, version)
    action = request.POST.get("action", "")
    here = reverse("kit-version", args=[version.pk])
    try:
        if action == "begin":
            return _begin(request, version)
        if action == "wish":
            count, day = request.POST.get("count", ""), _day(request.POST.get("by", ""))
            write_once(request, lambda: kits.wish(version, count, who=who_works(request), by=day))
        elif action == "close":
            wished = kits.open_wishes(version).filter(pk=whole_from(request.POST.get("wish", ""), "Wish")).first()
            if wished is not None:
                write_once(request, lambda: kits.close_wish(wished))
        elif action == "withdraw":
            write_once(request, lambda: kits.withdraw(version))
        else:
            raise StoreError(
                tr("action: '{action}' found; allowed: begin, wish, close, withdraw", action=action[:40]), "action"
            )
    except ERRORS as error:
        return _page(request, version, str(error))
    return redirect(here)


def _day(text: str) -> date | None:
    if not text.strip():
        return None
    try:
        return date.fromisoformat(text.strip())
    except ValueError:
        raise StoreError(tr("by: '{text}' found; allowed: a day such as 2031-05-04", text=text[:40]), "by") from None


def _begin(request: HttpRequest, version: KitVersion) -> HttpResponse:
    made: list[KitBatch] = []
    fewer = request.POST.get("fewer") == "yes"
    count = request.POST.get("count", "")

    def write() -> None:
        made.append(kits_batch.begin(version, count, who=who_works(request), fewer=fewer))

    if not write_once(request, write) or not made:
        return redirect(reverse("kit-version", args=[version.pk]))
    messages.success(request, tr("Batch {batch} is begun: its parts are promised to it.", batch=made[0].pk))
    return redirect(reverse("kit-batch", args=[made[0].pk]))


def _page(request: HttpRequest, version: KitVersion, error: str = "") -> HttpResponse:
    found = kits.buildable_now(version)
    try:
        more = max(1, whole_from(request.GET.get("more", "") or str(MORE), tr("More kits"), high=500))
    except ERRORS as wrong:
        more, error = MORE, error or str(wrong)
    needs = kits.needs_of(version)
    free = kits.free_for(needs)
    by_code = {need.name: need for need in needs}
    codes = {code for need in needs for code in need.parts}
    parts = {part.code: part for part in Part.objects.filter(code__in=codes)}
    lines = [
        line_view(
            line,
            free=free.get(line.part.code, 0),
            enough=sum(free.get(code, 0) // line.quantity for code in by_code[str(line.n)].parts),
            limits=str(line.n) in found.limits,
            others=tuple(parts[code] for code in line.alternates if code in parts),
        )
        for line in version.lines.all()
    ]
    missing = kits.plan_for(version, found.count + more).missing
    older = KitVersion.objects.filter(
        slug=version.slug, revision=version.revision, region=version.region, number__lt=version.number
    ).order_by("-number")
    previous = older.first()
    cautions, mains = cautions_of(version)
    own = kits_check.own_counts(len(lines))
    kits_made = Kit.objects.filter(batch__version=version).order_by("-batch_id", "number")
    context = around(
        version=version,
        type_name=loaded.name if (loaded := loaded_type(version.slug)) else version.slug,
        place=place(version),
        lines=lines,
        found=found,
        limits=kits.limiting(version, found),
        more=more,
        then=found.count + more,
        missing=missing.items(),
        later=kits.later(version),
        previous=previous,
        changes=kits.differences(previous, version) if previous else [],
        wishes=kits.open_wishes(version),
        to_make=kits.to_make(version),
        batches=version.batches.order_by("-pk")[:20],
        kits_made=kits_made[:60],
        stock=kits.stock_of_kits(version),
        cost=_cost(version, found.count or MORE),
        cautions=cautions,
        mains=mains,
        own=own,
        one_in=round(1.0 / error_allowed(kits_check.TARGET, len(lines))),
        target_words=decimal(100 * kits_check.TARGET, "g") + "\u202f%",
        typed=request.POST if error else {},
        error=error,
    )
    return render(request, "refettle/kit_version.html", context, status=422 if error and request.POST else 200)


def _cost(version: KitVersion, count: int) -> kits_cost.Cost | None:
    try:
        return kits_cost.cost_of(version, min(count, kits_batch.MOST))
    except (KitError, *ERRORS):
        return None
