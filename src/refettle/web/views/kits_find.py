"""Found by its code: one kit with what went into it; and a lot with the kits it went into, and its recall."""

from __future__ import annotations

from typing import Any

from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_http_methods, require_safe

from refettle.book import kits_check, kits_cost, kits_settle, kits_trace, store
from refettle.book.models_kits import Kit, KitBatch
from refettle.book.models_stores import Lot
from refettle.book.store import StoreError
from refettle.language import tr
from refettle.web.kit_views import ERRORS, cautions_of, line_view, place, who_works
from refettle.web.views.common import qr, whole_from, write_once
from refettle.web.views.kits import around

ACTIONS = ("sell", "use", "apart", "mistake")


@require_safe
def find_form(request: HttpRequest) -> HttpResponse:
    """A code as typed or scanned, to its page."""
    code = request.GET.get("code", "").strip().rstrip("/").rsplit("/", 1)[-1][:40]
    return redirect(reverse("kit-find", args=[code]) if code else reverse("kits"))


@require_http_methods(["GET", "HEAD", "POST"])
def kit_page(request: HttpRequest, code: str) -> HttpResponse:
    """One kit; the code of a bag, or of a kit that is not ready, leads to its batch."""
    kit = Kit.objects.filter(code__iexact=code.strip()).select_related("batch__version", "job").first()
    if kit is None:
        return _elsewhere(code)
    if request.method != "POST":
        return _kit(request, kit)
    action = request.POST.get("action", "")
    try:
        if action not in ACTIONS:
            raise StoreError(
                tr("action: '{action}' found; allowed: {actions}", action=action[:40], actions=", ".join(ACTIONS)),
                "action",
            )
        write_once(request, lambda: _act(request, kit, action))
    except ERRORS as error:
        kit.refresh_from_db()
        return _kit(request, kit, str(error))
    return redirect(reverse("kit-find", args=[kit.code]))


def _elsewhere(code: str) -> HttpResponse:
    head, dash, _ = code.strip().upper().partition("-")
    if dash and head[:1] in ("K", "B") and head[1:].isdecimal() and len(head) < 10:
        batch = KitBatch.objects.filter(pk=int(head[1:])).first()
        if batch is not None:
            return redirect(reverse("kit-batch", args=[batch.pk]))
    raise Http404(
        tr("There is no kit '{code}'. A code is printed on the label: K, the batch, a dash, the kit.", code=code[:40])
    )


def _act(request: HttpRequest, kit: Kit, action: str) -> None:
    form, who = request.POST, who_works(request)
    if action == "sell":
        kits_trace.sell(kit, to=form.get("to", ""), price=form.get("price", ""), note=form.get("note", ""))
    elif action == "use":
        job = store.find_job(whole_from(form.get("job", ""), "Job"))
        kits_settle.use(kit, job, who=who, note=form.get("note", ""))
    elif action == "mistake":
        kits_check.note_mistake(kit, who=who, note=form.get("note", ""))
    else:
        bad = {each.line.n: 0 for each in kits_trace.lots_of(kit)}
        bad = {n: whole_from(form.get(f"bad-{n}", ""), tr("Bad pieces, line {n}", n=n)) for n in bad}
        kits_trace.take_apart(kit, who=who, bad=bad, recalled=_recalled(form.get("lot", "")), note=form.get("note", ""))


def _recalled(text: str) -> Lot | None:
    return Lot.objects.filter(pk=whole_from(text, tr("Lot"))).first() if text.strip() else None


def _kit(request: HttpRequest, kit: Kit, error: str = "") -> HttpResponse:
    version = kit.batch.version
    held = kits_trace.lots_of(kit)
    cautions, mains = cautions_of(version)
    steps = kit.batch.steps.filter(data__kit=kit.number).exclude(kind="filled").order_by("pk")
    cost = kits_cost.cost_of(version, 10)
    context = around(
        kit=kit,
        version=version,
        place=place(version),
        held=[(each, line_view(each.line)) for each in held],
        lines=sorted({each.line.n: each.line for each in held}.items()),
        lots=sorted({each.lot.pk: each.lot for each in held}.items()),
        steps=steps,
        cautions=cautions,
        mains=mains,
        jobs=store.bench() if kit.state == Kit.State.READY else (),
        ask=cost.price.price,
        qr=qr(request, reverse("kit-find", args=[kit.code])),
        typed=request.POST if error else {},
        error=error,
    )
    return render(request, "refettle/kit_one.html", context, status=422 if error else 200)


@require_http_methods(["GET", "HEAD", "POST"])
def lot_page(request: HttpRequest, number: int) -> HttpResponse:
    """The kits that a lot went into; POST recalls it."""
    lot = Lot.objects.filter(pk=number).select_related("part").first()
    if lot is None:
        raise Http404(tr("There is no lot {number}.", number=number))
    error = ""
    if request.method == "POST":
        try:
            why = request.POST.get("why", "")
            write_once(request, lambda: kits_trace.recall(lot, who=who_works(request), why=why))
            return redirect(reverse("kit-lot", args=[lot.pk]))
        except ERRORS as refused:
            error = str(refused)
    found = kits_trace.reach(lot)
    context: dict[str, Any] = around(
        lot=lot,
        found=found,
        any=any((found.marked, found.sold, found.used, found.being_made, found.others)),
        typed=request.POST if error else {},
        error=error,
    )
    return render(request, "refettle/kit_lot.html", context, status=422 if error else 200)
