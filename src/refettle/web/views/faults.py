"""Fault finding: what to do now, why, and one tap to log it."""

from __future__ import annotations

import re
from typing import Any
from urllib.parse import urlencode

from django.db import transaction
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_http_methods

from refettle.book.learned import experience_entry
from refettle.book.log import LogError
from refettle.book.state import JobState
from refettle.faults import GOOD
from refettle.language import spoken, tr
from refettle.web import advising, finding
from refettle.web.boards import parts_named
from refettle.web.views.common import (
    JobView,
    append,
    diagram,
    get_working_job,
    new_token,
    number_from,
    qr,
    whole_from,
)
from refettle.web.views.money import costs_needed, over_of


# The entry is written by the store in its own transaction; working out the next step needs none.
@transaction.non_atomic_requests
@require_http_methods(["GET", "HEAD", "POST"])
def faults(request: HttpRequest, number: int) -> HttpResponse:
    """The fault-finding page; POST writes one entry."""
    view, state = get_working_job(number)
    chosen = request.GET.get("step", "")
    if request.method != "POST":
        needed = costs_needed() if state.money.accepted else advising.ADVICE
        return advising.still_working(request, view, needed) or _page(request, view, state, chosen)
    step = request.POST.get("step", "")
    try:
        entry = _entry(request, state, step)
        append(request, view.job, entry)
    except LogError as error:
        return _page(request, view, state, step or chosen, str(error))
    address = reverse("faults", args=[number])
    if entry["kind"] not in ("check", "repair") and request.POST.get("chosen"):
        address += "?" + urlencode({"step": step})
    return redirect(address)


def _page(request: HttpRequest, view: JobView, state: JobState, chosen: str, error: str = "") -> HttpResponse:
    typed = request.POST if error else None
    page = finding.build(view, state, chosen, typed)
    by_block = {s.block: s.chance for s in (*page.suspects, *page.suspects_rest)}
    context = {
        "area": "bench",
        "job": view.job,
        "view": view,
        "page": page,
        "step": page.step,
        "all_steps": finding.all_steps(state.compiled),
        "must_save": state.data_left,
        "on_board": _on_board(state, page.step.info.block) if page.step else [],
        "diagram": diagram(state.compiled.loaded, by_block),
        "over": over_of(view, state),
        "learned": experience_entry(state.entries),
        "token": new_token(),
        "typed": typed,
        "error": error,
        "qr": qr(request, reverse("faults", args=[view.number])),
    }
    return render(request, "refettle/faults.html", context, status=422 if error else 200)


def _on_board(state: JobState, block: str) -> list[str]:
    """Capacitors that the block's `part` names: each is looked at on the board."""
    resolved = state.compiled.loaded.blocks.get(block)
    return [ref for ref in parts_named(resolved.part if resolved else None) if re.fullmatch(r"[CE]C?\d+", ref)]


def _entry(request: HttpRequest, state: JobState, step: str) -> dict[str, Any]:
    """The entry a form asks for. Raises LogError."""
    form = request.POST
    action = form.get("action", "")
    if action == "caution":
        return {"kind": "caution", "caution": form.get("caution", "")}
    if action == "saved":
        return {"kind": "saved", "what": form.get("what", ""), "how": form.get("how", ""), "note": form.get("note", "")}
    if action in ("proof", "consent"):
        return {"kind": action, "repair": step, "text": form.get("text", "").strip()}
    if action == "repair":
        return _repair(request, step)
    if action == "check":
        return _check(request, state, step)
    raise LogError(
        tr("action: '{action}' found; allowed: check, repair, caution, saved, proof, consent", action=action[:40]),
        field="action",
    )


def _repair(request: HttpRequest, step: str) -> dict[str, Any]:
    form = request.POST
    entry: dict[str, Any] = {"kind": "repair", "repair": step, "note": form.get("note", "").strip()}
    for key, name, unit in (("minutes", tr("Minutes"), "min"), ("parts", tr("Parts"), tr("bench currency"))):
        value = number_from(form.get(key, ""), name, unit)
        if value is not None:
            entry[key] = value
    return entry


def _check(request: HttpRequest, state: JobState, step: str) -> dict[str, Any]:
    form = request.POST
    entry: dict[str, Any] = {
        "kind": "check",
        "check": step,
        "value": form.get("value", "").strip(),
        "note": form.get("note", "").strip(),
        "run": "new" if form.get("run") == "new" else "same",
    }
    minutes = number_from(form.get("minutes", ""), tr("Minutes"), "min")
    if minutes is not None:
        entry["minutes"] = minutes
    if not form.get("trials"):
        if not form.get("outcome"):
            raise LogError(tr("outcome: nothing found; allowed: tap one of the outcomes"), field="outcome")
        entry["outcome"] = form["outcome"]
        return entry
    info = state.compiled.steps.get(step)
    names = [GOOD, *(o for o in info.outcomes if o != GOOD)] if info else []
    counts = {
        o: whole_from(form.get(f"count-{n}", ""), tr("Trials “{outcome}”", outcome=spoken(o)))
        for n, o in enumerate(names, start=1)
    }
    entry["counts"] = {o: n for o, n in counts.items() if n}
    if not entry["counts"]:
        raise LogError(tr("trials: no count found; allowed: at least one trial"), field="counts")
    return entry
