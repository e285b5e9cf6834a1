"""Proving: the grid of the acceptance list, a tap for each trial; soaks, the safety record, what may be said."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.safestring import SafeString, mark_safe
from django.views.decorators.http import require_http_methods

from refettle.book.log import LogEntry, LogError
from refettle.book.proving import PROVING_KINDS, Proving, proving_cautions
from refettle.book.proving_sheet import Place, Sheet, compare_cells, neighbours, place_at, rows, sheet
from refettle.book.state import JobState
from refettle.drawing.decision_lines import decision_lines
from refettle.language import mark, tr
from refettle.web.views.common import (
    JobView,
    append,
    caution_views,
    get_working_job,
    new_token,
    number_from,
    qr,
    whole_from,
)
from refettle.web.wording import KINDS, describe

ACTIONS = ("good", "bad", "say", "want", "soak-start", "soak-good", "soak-bad", "tested", "referred", "void", "caution")
SAID = (mark("not tested"), mark("not present"), mark("not applicable"))


@require_http_methods(["GET", "HEAD", "POST"])
def proving(request: HttpRequest, number: int) -> HttpResponse:
    """The proving page; POST writes one entry."""
    view, state = get_working_job(number)
    at = request.POST.get("at", "") or request.GET.get("at", "")
    if request.method != "POST":
        return _page(request, view, state, at)
    try:
        place = place_at(state.proving, at)
        append(request, view.job, _entry(request, state, place))
    except LogError as error:
        return _page(request, view, state, at, str(error))
    return redirect(reverse("proving", args=[number]) + f"?at={place.at}")


def _entry(request: HttpRequest, state: JobState, place: Place) -> dict[str, Any]:
    form, action = request.POST, request.POST.get("action", "")
    cell = {"row": place.cell.row, "condition": place.cell.condition}
    if action in ("good", "bad"):
        return {"kind": "trial", **cell, action: 1}
    if action == "say":
        return {"kind": "cell", **cell, "said": form.get("said", ""), "why": form.get("why", "").strip()}
    if action == "want":
        cell["condition"] = form.get("condition", "").strip() or cell["condition"]
        trials = whole_from(form.get("trials", ""), "Trials", high=10_000)
        return {"kind": "want", **cell, "trials": trials, "why": form.get("why", "").strip()}
    if action == "soak-start":
        minutes = number_from(form.get("minutes", ""), tr("Minutes"), "min", low=1)
        usual = state.proving.lines[cell["row"]].minutes
        return {"kind": "soak", **cell, "what": "started", "minutes": minutes if minutes is not None else usual}
    if action in ("soak-good", "soak-bad"):
        outcome, note = action.removeprefix("soak-"), form.get("note", "").strip()
        return {"kind": "soak", **cell, "what": "ended", "outcome": outcome, "note": note}
    if action in ("tested", "referred"):
        return _safety(request, action)
    if action == "void":
        n = whole_from(form.get("n", ""), tr("Entry"), high=100_000_000)
        if not any(e.n == n and e.kind in PROVING_KINDS and not e.void for e in state.entries):
            raise LogError(tr("n: {n} found; allowed: an entry of proving", n=n), field="n")
        return {"kind": "correction", "corrects": n, "with": None, "why": "taken back at once"}
    if action == "caution":
        return {"kind": "caution", "caution": form.get("caution", "")}
    raise LogError(
        tr("action: '{action}' found; allowed: {actions}", action=action[:40], actions=", ".join(ACTIONS)),
        field="action",
    )


def _safety(request: HttpRequest, action: str) -> dict[str, Any]:
    form = request.POST
    made: dict[str, Any] = {"kind": "safety", "what": action, "by": form.get("by", "").strip()}
    made["note"] = form.get("note", "").strip()
    if action == "referred":
        return made
    measured = {}
    for number, line in enumerate(form.get("measured", "").splitlines(), start=1):
        name, sign, value = line.partition(":")
        if line.strip() and not (sign and name.strip() and value.strip()):
            raise LogError(
                tr(
                    "measured, line {number}: '{text}' found; allowed: name: value",
                    number=number,
                    text=line.strip()[:60],
                ),
                field="measured",
            )
        if line.strip():
            measured[name.strip()] = value.strip()
    made |= {"measured": measured, "instrument": form.get("instrument", "").strip()}
    return made | {"result": form.get("result", "")}


def _last(state: JobState) -> LogEntry | None:
    """The last entry of proving that counts."""
    return next((e for e in reversed(state.entries) if e.kind in PROVING_KINDS and not e.void), None)


def _page(request: HttpRequest, view: JobView, state: JobState, at: str, error: str = "") -> HttpResponse:
    made, now = state.proving, timezone.now()
    try:
        place = place_at(made, at)
    except LogError as trouble:
        place, error = place_at(made, ""), error or str(trouble)
    before, after, following = neighbours(made, place.at)
    cautions = caution_views(
        state.compiled.loaded, proving_cautions(state.compiled.loaded.unit_type), state.cautions_read
    )
    last, found = _last(state), sheet(made, place)
    context = {
        "area": "bench",
        "job": view.job,
        "view": view,
        "proving": made,
        "rows": rows(made),
        "again": [p for row in rows(made) for p in row.places if p.cell.again and p.cell.status == "open"],
        "not_tested": made.statement.lines("not tested"),
        "still_open": made.statement.lines("open"),
        "place": place,
        "sheet": found,
        "decision_lines": _drawn(made, place, found),
        "before": before,
        "after": after,
        "following": following,
        "soaks": [(place_of(made, key), soak, soak.standing(now)) for key, soak in made.running.items()],
        "now": now,
        "said": SAID,
        "to_read": [c for c in cautions if c.caution.gate and not c.read],
        "cautions": [c for c in cautions if c.read or not c.caution.gate],
        "last": last,
        "last_text": f"{tr(KINDS[last.kind])}: {describe(last.kind, last.data, state.compiled)}" if last else "",
        "customer": view.customer,
        "error": error,
        "typed": request.POST if error else {},
        "token": new_token(),
        "qr": qr(request, reverse("proving", args=[view.number])),
        **_comparison(request, made),
    }
    return render(request, "refettle/proving.html", context, status=422 if error else 200)


def _drawn(made: Proving, place: Place, found: Sheet) -> SafeString:
    """The sequential test as a drawing; nothing where none is offered."""
    if found.sequential is None:
        return mark_safe("")
    each = found.sequential
    svg = decision_lines(each.test, made.order.get(place.key, ()), each.decision)
    return mark_safe(svg)  # noqa: S308 - drawn by our own code, which escapes what it is given


def place_of(made: Proving, key: tuple[str, str]) -> Place:
    """The cell of a row and condition."""
    return next(p for row in rows(made) for p in row.places if p.key == key)


def _comparison(request: HttpRequest, made: Proving) -> dict[str, Any]:
    """The two cells asked for, compared; and those that can be."""
    first, second = request.GET.get("first", ""), request.GET.get("second", "")
    found: dict[str, Any] = {"first": first, "second": second}
    found["comparable"] = [p for row in rows(made) for p in row.places if p.cell.counts.tries]
    if first and second:
        try:
            found["compared"] = compare_cells(made, first, second)
        except LogError as error:
            found["compare_error"] = str(error)
    return found
