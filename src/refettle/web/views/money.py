"""Time and money of a job: go on or not, the quote and its answer, the timer, what went out, warranty."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import timedelta
from typing import Any

from django.conf import settings
from django.contrib import messages
from django.db import transaction
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_safe

from refettle.book import quoting, records, store
from refettle.book.experience import experience
from refettle.book.log import LogError
from refettle.book.models import Job
from refettle.book.state import JobState
from refettle.language import mark, tr
from refettle.money import Work
from refettle.web import advising
from refettle.web.advising import Needed
from refettle.web.signing import who
from refettle.web.views.common import (
    JobView,
    advice_of,
    append,
    get_working_job,
    new_token,
    number_from,
    qr,
    whole_from,
    write_once,
)

SORTS = ("parts", "post", "fee", "other")
VALID_DAYS = 30
WARRANTY_DAYS = 90
LIKELY = 8
ANCHORS = {
    "outgoing": "outgoings",
    "time": "time",
    "values": "values",
    "warranty": "warranty",
    "returned": "warranty",
    "quote": "quotes",
    "answer": "quotes",
    "part-out": "quotes",
}
CHOICE_WORDS = {"finish": mark("Finish it"), "sell as is": mark("Sell it as it is"), "part out": mark("Part it out")}
PRICE_WORDS = {"working": mark("working"), "as_is": mark("as is"), "for_parts": mark("for parts")}


@dataclass(frozen=True)
class ScopeLine:
    """One thing a quote may take in, as the form shows it."""

    name: str
    chosen: bool
    words: str
    minutes: str = ""
    parts: str = ""
    work: bool = False


@require_http_methods(["GET", "HEAD", "POST"])
def money(request: HttpRequest, number: int) -> HttpResponse:
    """The page; POST writes one entry."""
    view, state = get_working_job(number)
    if request.method != "POST":
        return advising.still_working(request, view, costs_needed(request)) or _page(request, view, state)
    action = request.POST.get("action", "")
    try:
        if action == "returned":
            return _came_back(request, view)
        append(request, view.job, _entry(request, state, action))
    except LogError as error:
        return _page(request, view, state, str(error))
    if action == "timer":
        return redirect(_back(request, number))
    return redirect(reverse("money", args=[number]) + f"#{ANCHORS.get(action, '')}".rstrip("#"))


def _back(request: HttpRequest, number: int) -> str:
    """The page of this job that the timer was tapped on."""
    back = request.POST.get("back", "")
    home = reverse("job", args=[number])
    return back if back.startswith(home) and "//" not in back and "\\" not in back else reverse("money", args=[number])


def _entry(request: HttpRequest, state: JobState, action: str) -> dict[str, Any]:
    """The entry that a form asks for. Raises LogError."""
    form = request.POST
    makers = {
        "timer": _timer,
        "time": _time,
        "outgoing": _outgoing,
        "quote": _quote,
        "answer": _answer,
        "part-out": _part_out,
        "values": _values,
        "warranty": _warranty,
    }
    if action not in makers:
        raise LogError(
            tr(
                "action: '{action}' found; allowed: {allowed}",
                action=action[:40],
                allowed=", ".join((*makers, "returned")),
            ),
            field="action",
        )
    return makers[action](form)


def _text(form: Mapping[str, Any], name: str) -> str:
    return str(form.get(name, "")).replace("\r\n", "\n").strip()


def _timer(form: Mapping[str, Any]) -> dict[str, Any]:
    entry: dict[str, Any] = {"kind": "timer", "do": _text(form, "do"), "what": _text(form, "what")}
    minutes = number_from(_text(form, "minutes"), tr("Minutes"), "min")
    return entry | ({"minutes": minutes} if minutes is not None else {})


def _time(form: Mapping[str, Any]) -> dict[str, Any]:
    minutes = number_from(_text(form, "minutes"), tr("Minutes"), "min")
    if minutes is None:
        raise LogError(tr("minutes: nothing found; allowed: a number above 0 [min]"), field="minutes")
    return {"kind": "time", "minutes": minutes, "what": _text(form, "what")}


def _outgoing(form: Mapping[str, Any]) -> dict[str, Any]:
    return {
        "kind": "outgoing",
        "what": _text(form, "what"),
        "amount": _text(form, "amount"),
        "currency": settings.REFETTLE_CURRENCY,
        "sort": _text(form, "sort"),
    }


def _quote(form: Mapping[str, Any]) -> dict[str, Any]:
    scope = {name: _text(form, f"words-{n}") for n, name in enumerate(quoting.SCOPES) if form.get(f"scope-{n}")}
    options = {}
    for number, line in enumerate(_text(form, "options").split("\n"), start=1):
        key, sign, words = line.partition(":")
        if line.strip() and not (sign and key.strip()):
            raise LogError(
                tr("options, line {number}: '{line}' found; allowed: name: words", number=number, line=line[:60]),
                field="options",
            )
        if line.strip():
            options[key.strip()] = words.strip()
    return {
        "kind": "quote",
        **{name: _text(form, name) for name in ("p50", "p90", "ceiling", "valid_until")},
        "currency": settings.REFETTLE_CURRENCY,
        "scope": scope,
        "options": options,
        "note": _text(form, "note"),
    }


def _answer(form: Mapping[str, Any]) -> dict[str, Any]:
    entry: dict[str, Any] = {
        "kind": "answer",
        "answer": _text(form, "answer"),
        "words": _text(form, "words"),
        "quote": whole_from(_text(form, "quote"), tr("Quote"), high=100_000_000),
    }
    return entry | ({"ceiling": _text(form, "agreed")} if _text(form, "agreed") else {})


def _part_out(form: Mapping[str, Any]) -> dict[str, Any]:
    return {"kind": "answer", "to": "parting out", "answer": _text(form, "answer"), "words": _text(form, "words")}


def _values(form: Mapping[str, Any]) -> dict[str, Any]:
    entry: dict[str, Any] = {"kind": "values", "currency": settings.REFETTLE_CURRENCY}
    for name in ("bought", "working", "as_is", "for_parts", "sold", "post"):
        if _text(form, name):
            entry[name] = _text(form, name)
    fee = number_from(_text(form, "fee_percent"), tr("Selling fee"), "%", high=100)
    if fee is not None:
        entry["fee_percent"] = fee
    if len(entry) == 2:
        raise LogError(tr("values: nothing found; allowed: at least one amount"), field="values")
    return entry


def _warranty(form: Mapping[str, Any]) -> dict[str, Any]:
    days = whole_from(_text(form, "days"), tr("Days"), high=3650)
    entry = {"kind": "warranty", "days": days, "covers": _text(form, "covers"), "note": _text(form, "note")}
    return entry | ({"starts": _text(form, "starts")} if _text(form, "starts") else {})


def _came_back(request: HttpRequest, view: JobView) -> HttpResponse:
    """Write why it came back, and open a job for the same unit. Raises LogError."""
    made: list[Job] = []
    why = _text(request.POST, "why")
    if len(why) < 3:
        raise LogError(tr("why: nothing found; allowed: why it came back, 3 characters or more"), field="why")

    def write() -> None:
        with transaction.atomic():
            try:
                job = store.open_job(store.loaded_type(view.job.unit.type_version), unit=view.job.unit)
            except store.StoreError as error:
                raise LogError(str(error), field="unit") from None
            store.append(view.job, {"kind": "returned", "why": why, "job": job.number}, who())
            said = f"Came back after job {view.number}: {why}"[:20_000]
            store.append(job, {"kind": "take-in", "said": said}, who())
            made.append(job)

    if not write_once(request, write) or not made:
        return redirect(reverse("money", args=[view.number]))
    messages.success(request, tr("Job {number} is open for the same unit.", number=made[0].number))
    return redirect(reverse("job", args=[made[0].number]))


# ---------------------------------------------------------------- showing


def costs_of(view: JobView, state: JobState, extra: tuple[Work, ...] = ()) -> quoting.Costs:
    """What the job has cost and is still to cost, at the bench's rate."""
    return quoting.costs(
        state,
        float(settings.REFETTLE_RATE),
        settings.REFETTLE_CURRENCY,
        customer=view.customer,
        advice=advice_of(view, state),
        extra=extra,
        times=quoting.learned_times(state, experience().time_of),
        ends=records.ends_for(state.compiled.loaded.unit_type, timezone.localtime(view.job.opened).date()),
    )


def costs_needed(request: HttpRequest | None = None) -> Needed:
    """What a page with the job's costs needs; with a request, those of the work chosen on the page of its money."""
    asked = request.GET if request is not None and request.GET.get("work") else None
    try:
        extra = _extra(_scopes(asked)) if request is not None else ()
    except LogError:
        extra = ()

    def are_there(view: JobView, state: JobState) -> bool:
        times = quoting.learned_times(state, experience().time_of)
        return quoting.are_there(state, float(settings.REFETTLE_RATE), view.customer, extra, times)

    return Needed(f"costs {extra}", are_there, lambda view, state: costs_of(view, state, extra))


def over_of(view: JobView, state: JobState) -> quoting.Over | None:
    """Whether to stop and ask; worked out only where a quote was accepted."""
    return quoting.over_ceiling(state, costs_of(view, state)) if state.money.accepted else None


def _scopes(form: Mapping[str, Any] | None) -> list[ScopeLine]:
    """The lines of the quote's form, as chosen or as they start."""
    made = []
    for n, (name, work) in enumerate(quoting.SCOPES.items()):
        chosen = bool(form.get(f"scope-{n}")) if form else work is None
        made.append(
            ScopeLine(
                name,
                chosen,
                _text(form, f"words-{n}") if form else "",
                (_text(form, f"minutes-{n}") if form else "") or (f"{work.minutes:g}" if work else ""),
                (_text(form, f"parts-{n}") if form else "") or (f"{work.parts:g}" if work else ""),
                work is not None,
            )
        )
    return made


def _extra(scopes: list[ScopeLine]) -> tuple[Work, ...]:
    """The work chosen besides the repair. Raises LogError."""
    made = []
    for line in scopes:
        if line.work and line.chosen:
            minutes = number_from(line.minutes, tr("Minutes, {name}", name=line.name), "min") or 0.0
            parts = number_from(line.parts, f"Parts, {line.name}", settings.REFETTLE_CURRENCY) or 0.0
            made.append(Work(line.name, minutes, None, parts))
    return tuple(made)


def _page(request: HttpRequest, view: JobView, state: JobState, error: str = "") -> HttpResponse:
    typed = request.POST if error else None
    asked = request.GET if request.GET.get("work") else None
    form = typed if typed and typed.get("action") == "quote" else asked
    scopes = _scopes(form)
    try:
        extra = _extra(scopes)
    except LogError as wrong:
        error, extra = error or str(wrong), ()
    found = costs_of(view, state, extra)
    now, ended = timezone.now(), state.stage in store.ENDS
    made = quoting.decision(state, found) if not view.customer else None
    missing = [tr(PRICE_WORDS[p]) for p in quoting.PRICES if state.money.value(p, found.currency) is None]
    context = {
        "area": "bench",
        "job": view.job,
        "view": view,
        "state": state,
        "money": state.money,
        "costs": found,
        "whole": {name: f"{getattr(found, name):.2f}" for name in ("p50", "p90", "ceiling")},
        "likely": [(n, 100 * share, m) for n, share, m in found.to_come.likely if m >= 0.5][:LIKELY],
        "decision": made,
        "choice": tr(CHOICE_WORDS[made.best]) if made else "",
        "choices": [(tr(CHOICE_WORDS[k]), v, made.chances[k], k == made.best) for k, v in made.values.items()]
        if made
        else [],
        "missing": missing,
        "hour": quoting.hours(state, found) if not view.customer else None,
        "hour_late": quoting.hours(state, found, found.to_come.minutes_p90) if not view.customer else None,
        "over": over_of(view, state),
        "scopes": scopes,
        "typed": typed or {},
        "valid_until": (now.date() + timedelta(days=VALID_DAYS)).isoformat(),
        "sorts": SORTS,
        "foreign": state.money.foreign(found.currency),
        "ended": ended,
        "warranty_days": WARRANTY_DAYS,
        "today": timezone.localdate(),
        "late": bool(state.money.running and state.money.running.over_midnight(timezone.localtime(now))),
        "last_quote": state.money.quotes[-1] if state.money.quotes else None,
        "currency": found.currency,
        "error": error,
        "token": new_token(),
    }
    return render(request, "refettle/money.html", context, status=422 if error else 200)


@require_safe
def quote_sheet(request: HttpRequest, number: int, n: int) -> HttpResponse:
    """A quote as a sheet to print and sign."""
    view, state = get_working_job(number)
    quoted = next((q for q in state.money.quotes if q.n == n), None)
    if quoted is None:
        raise Http404(tr("Job {number} has no quote {n}.", number=number, n=n))
    context = {
        "area": "bench",
        "job": view.job,
        "view": view,
        "quoted": quoted,
        "qr": qr(request, reverse("money", args=[number])),
        "now": timezone.now(),
    }
    return render(request, "refettle/quote_sheet.html", context)
