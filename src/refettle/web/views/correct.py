"""Putting an entry right: other content in its place, or none. The entry itself stays in the log."""

from __future__ import annotations

from typing import Any

from django.db import transaction
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_http_methods

from refettle.book.log import LogEntry, LogError, effective
from refettle.language import tr
from refettle.web import correcting
from refettle.web.views.common import JobView, append, get_job, new_token
from refettle.web.wording import KINDS, describe

BACKS = ("faults", "strip-down")
"""Pages, besides the job's own, from which an entry is put right."""


@transaction.non_atomic_requests
@require_http_methods(["GET", "HEAD", "POST"])
def correct(request: HttpRequest, number: int, n: int) -> HttpResponse:
    """The form for one entry; POST writes a correction."""
    view = get_job(number)
    entry = _counting(view, n)
    wanted = (request.POST or request.GET).get("back", "")
    back = wanted if wanted in BACKS and view.state else "job"
    if request.method != "POST":
        return _page(request, view, entry, back)
    why = request.POST.get("why", "").strip()
    try:
        content: dict[str, Any] | None = None
        if request.POST.get("action") != "void":
            content = correcting.content(entry.kind, entry.data, request.POST)
        append(request, view.job, {"kind": "correction", "corrects": n, "with": content, "why": why})
    except LogError as error:
        return _page(request, view, entry, back, str(error))
    return redirect(reverse(back, args=[number]) + (f"#entry-{n}" if back == "job" else ""))


def _counting(view: JobView, n: int) -> LogEntry:
    """The entry as it counts now. Raises Http404."""
    kinds = {e["n"]: e["kind"] for e in view.entries}
    if kinds.get(n) == "correction":
        raise Http404(tr("Entry {n} is a correction; correct the entry it names instead.", n=n))
    try:
        found = next((e for e in effective(view.entries) if e.n == n), None)
    except LogError as error:
        raise Http404(str(error)) from None
    if found is None:
        raise Http404(
            tr("Job {number} has no entry {n}; allowed: 1 to {last}.", number=view.number, n=n, last=len(kinds))
        )
    return found


def _page(request: HttpRequest, view: JobView, entry: LogEntry, back: str, error: str = "") -> HttpResponse:
    compiled = view.state.compiled if view.state else None
    typed = request.POST if error else None
    context = {
        "area": "bench",
        "job": view.job,
        "view": view,
        "entry": entry,
        "title": tr(KINDS.get(entry.kind, entry.kind)),
        "text": describe(entry.kind, entry.data, compiled),
        "fields": correcting.fields(entry.kind, entry.data, compiled, typed),
        "back": back,
        "error": error,
        "typed": typed,
        "token": new_token(),
    }
    return render(request, "refettle/correct.html", context, status=422 if error else 200)
