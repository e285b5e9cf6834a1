"""The handover report of a job: one page, the full record, both as PDF; and the stage that ends the job."""

from __future__ import annotations

from typing import Any

from django.conf import settings
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils.http import urlencode
from django.views.decorators.http import require_http_methods, require_safe

from refettle.book.handover import ENDS
from refettle.book.handover_found import found_of, is_found
from refettle.book.handover_public import WARNING
from refettle.book.log import LogError
from refettle.book.state import JobState
from refettle.language import tr
from refettle.web import advising
from refettle.web.handing_over import Asked, context_of, pdf, report_of, without_photos
from refettle.web.handover_plots import reading_titles, whitening_plots
from refettle.web.print_pdf import PdfError, pdf_trouble
from refettle.web.views.common import JobView, append, get_job, new_token, qr


def _work_out(view: JobView, state: JobState) -> None:
    found_of(state)
    _ = state.findings


REPORT = advising.Needed("report", lambda view, state: state.is_found and is_found(state), _work_out)


@require_http_methods(["GET", "HEAD", "POST"])
def handover(request: HttpRequest, number: int) -> HttpResponse:
    """The one page; POST hands the unit over, which closes the job."""
    view = get_job(number)
    if request.method != "POST":
        return advising.still_working(request, view, REPORT) or _page(request, view, _asked(request))
    try:
        why = request.POST.get("why", "").strip()
        append(request, view.job, {"kind": "stage", "stage": "handed over", "why": why})
    except LogError as error:
        return _page(request, view, _asked(request), str(error))
    messages.success(request, tr("Handed over. The job is closed; its report stays here."))
    return redirect(reverse("handover", args=[number]))


@require_safe
def handover_full(request: HttpRequest, number: int) -> HttpResponse:
    """The full record: every entry, photo and figure."""
    view = get_job(number)
    return advising.still_working(request, view, REPORT) or _page(request, view, _asked(request, full=True))


@require_safe
def handover_pdf(request: HttpRequest, number: int) -> HttpResponse:
    """Either of them as PDF."""
    view, asked = get_job(number), _asked(request, full=request.GET.get("full") == "1")
    try:
        data = pdf(view, report_of(view, asked), asked, _qr(request, view, asked))
    except PdfError as error:
        return render(request, "refettle/error.html", {"title": tr("No PDF here"), "text": str(error)}, status=501)
    name = ("full-record" if asked.full else "handover") + ("-to-publish" if asked.public else "")
    response = HttpResponse(data, content_type="application/pdf")
    response["Content-Disposition"] = f'attachment; filename="job-{view.number}-{name}.pdf"'
    return response


def _asked(request: HttpRequest, full: bool = False) -> Asked:
    query = request.GET
    leave = frozenset(int(n) for n in query.getlist("leave") if n.isdecimal() and len(n) < 10)
    size = "letter" if query.get("size") == "letter" else "a4"
    return Asked(full, query.get("price") == "1", query.get("publishable") == "1", leave, size)


def _qr(request: HttpRequest, view: JobView, asked: Asked) -> Any:
    return "" if asked.public else qr(request, reverse("job", args=[view.number]))


def _page(request: HttpRequest, view: JobView, asked: Asked, error: str = "") -> HttpResponse:
    made = report_of(view, asked)
    every = report_of(view, without_photos(asked)).photos if asked.public else ()

    def source(sha256: str) -> str:
        return reverse("photo", args=[sha256, "screen"])

    context = context_of(made, asked, source, _qr(request, view, asked))
    context |= {
        "area": "bench",
        "job": view.job,
        "view": view,
        "state": view.state,
        "addresses": _addresses(view, asked),
        "pdf_missing": pdf_trouble(),
        "priced": asked.priced,
        "public": asked.public,
        "every_photo": every,
        "warning": tr(WARNING),
        "stage_form": view.state is not None and not asked.full and not asked.public and view.state.stage not in ENDS,
        "live_readings": reading_titles(view) if asked.full else (),
        "live_plots": whitening_plots(view) if asked.full else (),
        "error": error,
        "typed": request.POST if error else {},
        "token": new_token(),
        "currency": settings.REFETTLE_CURRENCY,
    }
    return render(request, "refettle/handover.html", context, status=422 if error else 200)


def _addresses(view: JobView, asked: Asked) -> dict[str, str]:
    words: list[tuple[str, str]] = []
    words += [("price", "1")] if asked.priced else []
    words += [("publishable", "1")] if asked.public else []
    words += [("leave", str(n)) for n in sorted(asked.leave)]
    printed = [*words, ("full", "1")] if asked.full else words

    def to(name: str, query: list[tuple[str, str]]) -> str:
        return reverse(name, args=[view.number]) + (f"?{urlencode(query)}" if query else "")

    return {
        "one": to("handover", words),
        "full": to("handover-full", words),
        "pdf": to("handover-pdf", printed),
        "letter": to("handover-pdf", [*printed, ("size", "letter")]),
    }
