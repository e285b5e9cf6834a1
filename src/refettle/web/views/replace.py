"""Replacing, one for one: the working view at the bench. One out, one in, the right way round, then the next."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from django.conf import settings
from django.contrib import messages
from django.db import transaction
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.http import urlencode
from django.views.decorators.http import require_http_methods

from refettle.book.log import LogEntry, LogError
from refettle.book.state import JobState
from refettle.language import mark, tr
from refettle.parts.capacitor import CapacitorError
from refettle.parts.capacitor_text import read_capacitor
from refettle.parts.substitutes import Assessment
from refettle.web.boards import ARROWS, MINUS, BoardView, CapacitorView, Group, board_view, groups, judge_new
from refettle.web.careful import cautions, charge
from refettle.web.views.board import close_up, photos
from refettle.web.views.common import JobView, append, get_working_job, new_token, number_from
from refettle.web.wording import describe

WAYS = (
    ("fitted", mark("As fitted"), mark("the stripe on the part itself")),
    ("printed", mark("As printed"), mark("the sign on the board")),
    ("by_net", mark("By net"), mark("the pad at ground, or the more negative, by meter")),
)
SAYS = {"better": mark("better"), "acceptable": mark("accepted"), "refused": mark("refused")}


@dataclass(frozen=True)
class Way:
    """One of the three ways to tell where the minus lies; `known` is what `source` says of it, `seen` that it is so."""

    name: str
    title: str
    how: str
    source: str
    known: str
    value: str
    confirm: bool
    seen: bool


@dataclass(frozen=True)
class Step:
    """What the bench does now. `do`: out, in, test, done, none."""

    do: str
    part: CapacitorView | None = None
    group: Group | None = None


@transaction.non_atomic_requests
@require_http_methods(["GET", "HEAD", "POST"])
def replace(request: HttpRequest, number: int) -> HttpResponse:
    """The working view; POST takes a part out, puts one in, or takes the last of these back."""
    view, state = get_working_job(number)
    if request.method != "POST":
        if request.htmx and request.GET.get("new") is not None:  # type: ignore[attr-defined]
            return _verdict(request, state)
        return _page(request, view, state)
    action, ref = request.POST.get("action", ""), request.POST.get("ref", "").strip()
    output = request.POST.get("toward", "").strip()[:100]
    page = _board(state, output)
    keep = {"toward": output} if output else {}
    try:
        if action == "caution":
            append(request, view.job, {"kind": "caution", "caution": request.POST.get("caution", "")})
            keep |= {"ref": ref} if ref else {}
        elif action == "out":
            append(request, view.job, _out(request, page, ref))
        elif action == "in":
            append(request, view.job, _in(request, page, ref))
            messages.success(request, tr("{ref} is in.", ref=ref))
        elif action == "undo":
            _undo(request, view, state)
        elif action == "assess":
            return _page(request, view, state, typed=request.POST)
        else:
            allowed = "out, in, undo, assess, caution"
            raise LogError(
                tr("action: '{action}' found; allowed: {allowed}", action=action[:40], allowed=allowed), field="action"
            )
    except LogError as error:
        return _page(request, view, state, typed=request.POST, error=str(error))
    address = reverse("replace", args=[number])
    return redirect(f"{address}?{urlencode(keep)}" if keep else address)


def _board(state: JobState, output: str) -> BoardView:
    return board_view(state, settings.REFETTLE_FILES, output, timezone.localdate().year)


# ---------------------------------------------------------------- writing


def _out(request: HttpRequest, page: BoardView, ref: str) -> dict[str, Any]:
    form = request.POST
    part = page.get(ref)
    if part is None:
        known = ", ".join(c.ref for c in page.capacitors[:40]) or tr("none; note it on the board page")
        raise LogError(tr("ref: '{ref}' found; allowed: {known}", ref=ref[:40], known=known), field="ref")
    value = form.get("value", "").strip()
    try:
        value = _with_kind(value, part)
    except CapacitorError as error:
        if form.get("unread") != "yes" or not value:
            raise LogError(tr("Value: {error}", error=error), field="value") from None
    entry: dict[str, Any] = {"kind": "part-out", "ref": ref, "value": value}
    for name, title, _ in WAYS:
        said = form.get(name, "")
        if said not in MINUS:
            found = f"'{said[:40]}'" if said else tr("nothing")
            raise LogError(
                tr(
                    "{title}: {found} found; allowed: {allowed}",
                    title=tr(title),
                    found=found,
                    allowed=", ".join(tr(m) for m in MINUS),
                ),
                field=name,
            )
        filed = {"printed": part.printed, "by_net": part.by_net}.get(name)
        if filed and said == filed and form.get(f"{name}_seen") != "yes":
            raise LogError(
                tr(
                    "{title}: the file says {filed}; look at the board, then tick that it is so",
                    title=tr(title),
                    filed=tr(filed),
                ),
                field=name,
            )
        entry[name] = said
    for name in ("resolved", "minus", "others_out", "note"):
        if form.get(name, "").strip():
            entry[name] = form[name].strip()
    return entry


def _with_kind(value: str, part: CapacitorView) -> str:
    """The value with its kind, which the board tells where the text does not: what goes in is held against it.

    CapacitorError where it cannot be read, or nothing tells the kind.
    """
    try:
        read_capacitor(value)
    except CapacitorError:
        if part.rated is None:
            raise
        read_capacitor(value, part.rated.kind)
        return f"{value} {part.rated.kind}"
    return value


def _in(request: HttpRequest, page: BoardView, ref: str) -> dict[str, Any]:
    form = request.POST
    part, value, minus = page.get(ref), form.get("new", "").strip(), form.get("minus", "")
    why = form.get("why", "").strip()
    if not value:
        raise LogError(
            tr("What goes in: nothing found; allowed: what is printed on it, such as 100u 25V 105C"), field="new"
        )
    if minus not in MINUS:
        raise LogError(
            tr("Its minus: nothing found; allowed: {allowed}", allowed=", ".join(tr(m) for m in MINUS)), field="minus"
        )
    entry: dict[str, Any] = {"kind": "part-in", "ref": ref, "value": value, "minus": minus}
    if part is not None and part.rated is not None and not why:
        try:
            found = judge_new(part, value)
        except CapacitorError as error:
            raise LogError(tr("What goes in: {error}", error=error), field="new") from None
        if found.says == "refused":
            reasons = "; ".join(f.reason for f in found.refusals)
            raise LogError(
                tr(
                    "What goes in: '{value}' found for {ref}, where {before} came out ({reasons}); allowed: "
                    "a part that can stand in for it, or the reason below",
                    value=value[:60],
                    ref=ref,
                    before=part.value,
                    reasons=reasons,
                ),
                field="new",
            )
    if why:
        entry["why"] = why
    price = number_from(form.get("price", ""), tr("Price"), tr("bench currency"))
    if price is not None:
        entry["price"] = price
    return entry


def _undo(request: HttpRequest, view: JobView, state: JobState) -> None:
    """Take back the last part out or in, if it is still the one the page showed."""
    last = _last(state)
    if last is None or str(last.n) != request.POST.get("n", ""):
        raise LogError(tr("undo: the last part out or in is another by now; look at the page again"), field="n")
    append(
        request,
        view.job,
        {"kind": "correction", "corrects": last.n, "with": None, "why": "taken back at the bench"},
    )


def _last(state: JobState) -> LogEntry | None:
    found = [e for e in state.entries if e.kind in ("part-out", "part-in") and not e.void]
    return found[-1] if found else None


# ---------------------------------------------------------------- showing


def _step(state: JobState, page: BoardView, made: list[Group], ref: str, also: bool, go_on: bool) -> Step:
    out = [c for c in page.capacitors if c.state == "out"]
    asked = page.get(ref)
    if out and not (also and asked is not None and asked.state != "out"):
        part = asked if asked in out else out[-1]
        return Step("in", part, _group_of(made, part))
    if asked is not None:
        return Step("out", asked, _group_of(made, asked))
    pending = [(c, group) for group in made for c in group.members if c.state == "in place"]
    last = _last(state)
    if last is not None and last.kind == "part-in" and not go_on:
        group = next((g for g in made if any(c.ref == last.data["ref"] for c in g.members)), None)
        tested = any(e.kind == "check" and not e.void and e.n > last.n for e in state.entries)
        if group is not None and group.complete and not tested:
            return Step("test", group=group)
    if pending:
        return Step("out", *pending[0])
    return Step("done" if page.queue else "none")


def _group_of(made: list[Group], part: CapacitorView | None) -> Group | None:
    return next((g for g in made if part in g.members), None)


def _page(
    request: HttpRequest,
    view: JobView,
    state: JobState,
    typed: Mapping[str, str] | None = None,
    error: str = "",
) -> HttpResponse:
    asked = typed if typed is not None else request.GET
    page = _board(state, asked.get("toward", "").strip()[:100])
    made = groups(page)
    ref = asked.get("ref", "").strip()
    step = _step(state, page, made, ref, bool(asked.get("also")), bool(asked.get("on")))
    part, last = step.part, _last(state)
    queue = page.queue
    context: dict[str, Any] = {
        "area": "bench",
        "job": view.job,
        "view": view,
        "page": page,
        "step": step,
        "part": part,
        "unknown": ref if ref and page.get(ref) is None else "",
        "groups": made,
        "done": sum(c.state == "done" for c in queue),
        "all": len(queue),
        "out_now": state.ledger.out_now,
        "last": (last.n, describe(last.kind, last.data, state.compiled)) if last is not None else None,
        "minus": [(m, ARROWS[m]) for m in MINUS],
        "also": bool(asked.get("also")),
        "typed": typed,
        "error": error,
        "token": new_token(),
        "cautions": cautions(state, queue if part is None else [part], replacing=True),
    }
    if part is not None:
        context |= _of_part(state, page, part, typed)
    if step.do in ("test", "done"):
        context["test"] = _test(state)
    return render(request, "refettle/replace.html", context, status=422 if error else 200)


def _of_part(state: JobState, page: BoardView, part: CapacitorView, typed: Mapping[str, str] | None) -> dict[str, Any]:
    form = typed or {}
    ways = tuple(_way(part, name, tr(title), tr(how), form) for name, title, how in WAYS)
    new = form.get("new", "")
    return {
        "close_up": close_up(page, part),
        "part_photo": next((p for p in photos(state, only=part.ref) if p.sha == part.photo), None),
        "charge": charge(part.rated),
        "ways": ways,
        "disagree": len({w.value for w in ways if w.value}) > 1 and form.get("action") == "out",
        "arrow": ARROWS.get(part.place.minus, "") if part.place is not None else "",
        "used": sorted({p.new for p in state.ledger.places.values() if p.new}),
        "verdict": _judged(part, new) if new.strip() else None,
    }


def _way(part: CapacitorView, name: str, title: str, how: str, form: Mapping[str, str]) -> Way:
    known = {"printed": part.printed, "by_net": part.by_net}.get(name) or ""
    told = dict(part.told).get({"printed": "by print", "by_net": "by net"}.get(name, ""), "")
    if name == "by_net" and part.seat is not None and told and told != "does not tell":
        told += f" ({part.seat.plus_confidence})"
    noted = str((part.noted or {}).get("minus") or "") if name == "fitted" else ""
    return Way(
        name,
        title,
        how,
        tr("Noted by hand") if noted else tr("By the file"),
        noted or (told if told and told != "does not tell" else known),
        form.get(name, known),
        bool(known),
        form.get(f"{name}_seen") == "yes",
    )


@dataclass(frozen=True)
class Judged:
    """A new part against the old, for the page."""

    says: str
    text: str
    found: Assessment | None = None


def _judged(part: CapacitorView, text: str) -> Judged:
    try:
        found = judge_new(part, text)
    except CapacitorError as error:
        return Judged(tr("cannot be read"), str(error))
    return Judged(tr(SAYS[found.says]), "", found)


def _verdict(request: HttpRequest, state: JobState) -> HttpResponse:
    part = _board(state, "").get(request.GET.get("ref", ""))
    text = request.GET.get("new", "").strip()
    verdict = _judged(part, text) if part is not None and text else None
    return render(request, "refettle/_replace_verdict.html", {"verdict": verdict})


def _test(state: JobState) -> tuple[str, str]:
    """The function test: the point complained of first, else the type's first."""
    points = [point for point, _ in state.complaints] + [s.id for s in state.compiled.steps.values() if s.is_point]
    step = state.compiled.steps[points[0]]
    return step.id, step.name.removeprefix("Look: ")
