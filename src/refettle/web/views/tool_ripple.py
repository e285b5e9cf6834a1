"""Ripple read from a capture: C and ESR in circuit, dead diodes, what cannot be told, and a verdict on the part."""

from __future__ import annotations

from django.db import transaction
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_http_methods, require_safe

from refettle.captures import Capture, CaptureError
from refettle.language import tr
from refettle.supply.ripple_wave import RippleError
from refettle.web import longwork, shelf
from refettle.web.captures import capture_view, choices_of, typed_of
from refettle.web.keeping import keep_view, known
from refettle.web.probing import SUPPLY, tool_cautions
from refettle.web.ripples import LOAD_WORDS, RECTIFIER_WORDS, Asked, Read, asked_of, read, ripple_view, typed_ripple
from refettle.web.views.tool_capture import MOST_BYTES, read_work
from refettle.web.views.tools import address, gone, sent_file, under_way


def _form() -> dict[str, object]:
    return {
        "area": "tools",
        "rectifiers": {key: tr(words) for key, words in RECTIFIER_WORDS.items()},
        "load_kinds": {key: tr(words) for key, words in LOAD_WORDS.items()},
        "most": MOST_BYTES // 1_000_000,
        "cautions": tool_cautions(SUPPLY),
    }


@transaction.non_atomic_requests
@require_http_methods(["GET", "HEAD", "POST"])
def ripple(request: HttpRequest) -> HttpResponse:
    """The form; POST takes the file and goes on to its reading."""
    error = ""
    sent = request.POST if request.method == "POST" else request.GET
    typed = typed_of(sent) | typed_ripple(sent)
    of_type = known(typed) if request.method != "POST" else {}
    if request.method == "POST":
        try:
            kept = sent_file(request, "file", tr("Capture"), MOST_BYTES)
            return redirect(address("ripple-file", [kept.token], typed))
        except shelf.ShelfError as trouble:
            error = str(trouble)
    context = _form() | {"error": error, "typed": of_type | typed, "of_type": bool(of_type)}
    return render(request, "refettle/ripple.html", context, status=422 if error else 200)


@require_safe
def ripple_file(request: HttpRequest, token: str) -> HttpResponse:
    """The reading of a file with what the address says of the supply."""
    kept = shelf.find(token)
    if kept is None:
        return gone(request, "ripple")
    corrections, typed = typed_of(request.GET), typed_ripple(request.GET)
    error, done, capture, asked = "", None, None, None
    try:
        choices = choices_of(corrections)
        work = read_work(kept, corrections, choices)
        page = under_way(request, work)
        if page is not None:
            return page
        error, capture = work.error, work.result
        asked = asked_of(typed, choices.ac_coupled)
        if capture is not None and asked is not None:
            work = ripple_work(kept, corrections | typed, asked, capture)
            page = under_way(request, work)
            if page is not None:
                return page
            error, done = work.error, work.result
    except (CaptureError, RippleError, longwork.TooMuchWork) as trouble:
        error = str(trouble)
    context = _form() | {
        "kept": kept,
        "typed": corrections | typed,
        "error": error,
        "reading": ripple_view(done.reading, done.verdict) if done is not None else None,
        "capture": capture_view(capture, kept.name, "whole") if capture is not None else None,
        "correct": address("capture-file", [kept.token], corrections),
        "corrections": corrections,
        "keep": keep_view("ripple", typed, done, asked) if done is not None else None,
    }
    return render(request, "refettle/ripple_file.html", context, status=422 if error else 200)


def ripple_work(kept: shelf.Held, typed: dict[str, str], asked: Asked, capture: Capture) -> longwork.Work:
    """The ripple of a capture read: a Read as its result. Raises TooMuchWork."""

    def run(work: longwork.Work) -> Read:
        work.tick(0.3, tr("Fitting a supply to the ripple"))
        return read(capture, asked)

    return longwork.work(
        tr("Ripple of {name}", name=kept.name), ("ripple", kept.token, tuple(sorted(typed.items()))), run
    )
