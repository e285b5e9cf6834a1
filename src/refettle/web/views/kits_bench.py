"""A batch at the bench: one value at a time into the bags, then each kit checked a second time. For a phone."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils.http import urlencode
from django.views.decorators.http import require_http_methods

from refettle.book import kits_batch, kits_check
from refettle.book.kits_batch import BatchState, LineState
from refettle.book.models_kits import Kit, KitBatch, KitStep
from refettle.book.models_stores import Part
from refettle.book.store import StoreError
from refettle.book.stores_moves import quantity, spread
from refettle.language import tr
from refettle.parts.kits import KitError, Scale
from refettle.web.kit_views import ERRORS, cautions_of, line_view, place, value_of, who_works
from refettle.web.views.common import number_from, whole_from, write_once
from refettle.web.views.kits import around

ACTIONS = ("fill", "short", "fewer", "weigh", "codes", "drop")


@dataclass(frozen=True)
class RunView:
    """Bags that take one part: its lots, the oldest first."""

    first: int
    last: int
    each: int
    part: Part
    value: str
    lots: tuple[tuple[str, int], ...]


def batch_or_404(number: int) -> KitBatch:
    """The batch of this number. Raises Http404."""
    try:
        return kits_batch.find_batch(number)
    except StoreError as error:
        raise Http404(str(error)) from None


@require_http_methods(["GET", "HEAD", "POST"])
def batch_page(request: HttpRequest, number: int) -> HttpResponse:
    """The value that is filled now, or the kit that is checked now; POST writes one step."""
    batch = batch_or_404(number)
    if request.method != "POST":
        return _page(request, batch)
    action = request.POST.get("action", "")
    try:
        if action not in ACTIONS:
            raise StoreError(
                tr("action: '{action}' found; allowed: {actions}", action=action[:40], actions=", ".join(ACTIONS)),
                "action",
            )
        error = _act(request, batch, action)
    except ERRORS as refused:
        error = str(refused)
    if error:
        batch.refresh_from_db()
        return _page(request, batch, error)
    keep = {name: request.POST[name] for name in ("who", "by") if request.POST.get(name)}
    return redirect(reverse("kit-batch", args=[batch.pk]) + (f"?{urlencode(keep)}" if keep else ""))


def _act(request: HttpRequest, batch: KitBatch, action: str) -> str:
    """Write what the form says; what is wrong with it, where something is. Raises StoreError, KitError, LogError."""
    form, who = request.POST, who_works(request)
    line = whole_from(form.get("line", ""), "Line")
    if action == "fill":
        return _fill(request, batch, line, who)
    if action == "short":
        lacking, note = form.get("lacking", ""), form.get("note", "")
        write_once(request, lambda: kits_batch.short(batch, line, lacking, who=who, note=note))
        messages.success(request, tr("Written as a shortage. Get the parts or make fewer kits, then go on."))
    elif action == "fewer":
        count = form.get("count", "")
        write_once(request, lambda: kits_batch.make_fewer(batch, count, who=who))
    elif action == "drop":
        why = form.get("why", "")
        write_once(request, lambda: kits_batch.drop(batch, who=who, why=why))
    else:
        return _check(request, batch, action, who)
    return ""


def _fill(request: HttpRequest, batch: KitBatch, line: int, who: str) -> str:
    if not request.POST.get("counted", "").strip():
        raise StoreError(tr("counted: nothing found; allowed: the pieces in the full line of bags"), "counted")
    found, should = quantity(request.POST["counted"], "counted", 0), kits_batch.expected(batch, line)
    if found != should:
        write_once(request, lambda: kits_batch.miscounted(batch, line, found, who=who))
        over = abs(found - should)
        if found > should:
            return tr(
                "counted {found}, and {should} belong in: {over} too many. Written as a mistake. "
                "Find the bag that is wrong, put it right, count again",
                found=found,
                should=should,
                over=over,
            )
        return tr(
            "counted {found}, and {should} belong in: {over} too few. Written as a mistake. "
            "Find the bag that is wrong, put it right, count again",
            found=found,
            should=should,
            over=over,
        )
    if write_once(request, lambda: kits_batch.fill(batch, line, found, who=who)):
        messages.success(request, tr("Line {line} is in the bags: {found} counted.", line=line, found=found))
    return ""


def _check(request: HttpRequest, batch: KitBatch, action: str, who: str) -> str:
    form = request.POST
    number = whole_from(form.get("kit", ""), "Kit")
    made: list[Kit | KitStep] = []
    if action == "codes":
        codes = kits_check.codes_from(form.get("codes", ""))
        written = write_once(request, lambda: made.append(kits_check.check_by_codes(batch, number, codes, who=who)))
    else:
        gram = number_from(form.get("gram", ""), tr("Weight"), "g")
        if gram is None:
            raise StoreError(tr("weight: nothing found; allowed: what the scale shows [g]"), "gram")
        scale, tare = scale_from(form, batch)
        written = write_once(
            request,
            lambda: made.append(kits_check.check_by_weight(batch, number, gram, who=who, scale=scale, tare=tare)),
        )
    if not written or not made:
        return ""
    if isinstance(made[0], Kit) and made[0].state == Kit.State.RECALLED:
        messages.warning(request, f"{made[0].code} is right, but recalled: {made[0].note}. It is not to be sold.")
        return ""
    if isinstance(made[0], Kit):
        messages.success(request, tr("{code} is ready.", code=made[0].code))
        return ""
    return tr(
        "kit {number}: {said}. Written as a mistake. Open it, put it right, check it again",
        number=number,
        said=tr(made[0].data["said"]),
    )


def scale_from(form: Mapping[str, Any], batch: KitBatch) -> tuple[Scale, float]:
    """The scale as typed, or the one used last; and what the bags weigh [g]. Raises KitError, LogError."""
    last = kits_check.last_scale(batch)

    def typed(name: str, label: str, otherwise: float, part: float = 1.0) -> float:
        found = number_from(str(form.get(name, "")), label, "g" if part == 1.0 else "%")
        return otherwise if found is None else found * part

    scale = Scale(
        typed("resolution", tr("Step of the scale"), last.resolution),
        typed("spread", tr("Spread of the scale"), last.spread),
        typed("part_spread", tr("Spread of parts"), last.part_spread, 0.01),
        typed("lot_spread", tr("Spread of lots"), last.lot_spread, 0.01),
    )
    return scale, typed("tare", tr("Bags"), 0.0)


# ---------------------------------------------------------------- showing


def _page(request: HttpRequest, batch: KitBatch, error: str = "") -> HttpResponse:
    state = kits_batch.state_of(batch)
    typed = request.POST if error else {}
    cautions, mains = cautions_of(batch.version)
    here = state.current
    context = around(
        batch=batch,
        version=batch.version,
        place=place(batch.version),
        state=state,
        done=sum(each.filled for each in state.lines),
        all=len(state.lines),
        here=here,
        view=line_view(here.line) if here else None,
        runs=_runs(here) if here else (),
        bag=kits_batch.bag_code(batch, here.line) if here else "",
        cautions=cautions,
        mains=mains,
        typed=typed,
        error=error,
        worker=who_works(request),
        most=batch.count - 1,
        least=max(state.kits, default=0) or 1,
        **(_checking(request, state, typed) if state.filled and state.open else {}),
    )
    return render(request, "refettle/kit_batch.html", context, status=422 if error else 200)


def _runs(here: LineState) -> tuple[RunView, ...]:
    parts = {part.code: part for part in Part.objects.filter(code__in={run.part for run in here.runs})}
    made = []
    for run in here.runs:
        part = parts[run.part]
        try:
            lots = tuple((str(lot), n) for lot, n in spread(part, run.pieces, None))
        except StoreError:
            lots = ()
        made.append(RunView(run.first, run.last, run.each, part, value_of(part), lots))
    return tuple(made)


def _checking(request: HttpRequest, state: BatchState, typed: Mapping[str, Any]) -> dict[str, Any]:
    """The kit that is checked now, by which way, and whether weight proves anything."""
    left = state.to_check
    asked = request.POST.get("kit") or request.GET.get("kit", "")
    number = int(asked) if asked.isdecimal() and int(asked) in left else left[0]
    try:
        scale, tare = scale_from(typed, state.batch)
    except (KitError, *ERRORS):
        scale, tare = kits_check.last_scale(state.batch), 0.0
    planned = kits_check.weight_plan(state, number, scale, tare)
    by = request.POST.get("by") or request.GET.get("by", "")
    if by not in ("weight", "codes"):
        by = "weight" if planned.proves else "codes"
    worker = who_works(request)
    return {
        "number": number,
        "code": kits_batch.kit_code(state.batch, number),
        "left": left,
        "by": by,
        "planned": planned,
        "scale": scale,
        "part_percent": f"{100 * scale.part_spread:g}",
        "lot_percent": f"{100 * scale.lot_spread:g}",
        "same": kits_check.same_person(state, worker),
        "bags": len(state.lines),
    }
