"""What is said when a request cannot be read at all."""

from __future__ import annotations

from django.core.exceptions import RequestDataTooBig, TooManyFieldsSent, TooManyFilesSent
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.template import loader


def bad_request(request: HttpRequest, exception: Exception) -> HttpResponse:
    """Names the limit that was passed."""
    if isinstance(exception, RequestDataTooBig):
        text, status = "The form holds more than 5 MB of text; allowed: less. Send long logs as a file.", 413
    elif isinstance(exception, TooManyFilesSent):
        text, status = "More than 50 files found; allowed: 50 at a time.", 413
    elif isinstance(exception, TooManyFieldsSent):
        text, status = "More than 2000 fields found; allowed: 2000 in one form.", 413
    else:
        text, status = "The request cannot be read. Open the page again from its address and retry.", 400
    return HttpResponse(text + "\n", status=status, content_type="text/plain; charset=utf-8")


def not_found(request: HttpRequest, exception: Exception) -> HttpResponse:
    """Says what is not there."""
    said = exception.args[0] if exception.args and isinstance(exception.args[0], str) else ""
    text = said or f"Nothing lies at {request.path}."
    return render(request, "refettle/error.html", {"title": "Not found", "text": text}, status=404)


def forbidden(request: HttpRequest, exception: Exception | None = None) -> HttpResponse:
    """Refused, with what was said."""
    said = exception.args[0] if exception and exception.args and isinstance(exception.args[0], str) else ""
    text = said or "This page is not for reading here."
    return render(request, "refettle/error.html", {"title": "Refused", "text": text}, status=403)


def server_error(request: HttpRequest) -> HttpResponse:
    """A fault of our own; made without a request, so that nothing more can fail."""
    text = (
        "The bench book failed at this page. Nothing half-done was written. Go back and try again; "
        "if it fails again, the lines it printed where it was started say why."
    )
    page = loader.render_to_string("refettle/bare.html", {"title": "A fault of the bench book", "text": text})
    return HttpResponse(page, status=500)


def busy(request: HttpRequest) -> HttpResponse:
    """Somebody else wrote for so long that this waited in vain."""
    text = (
        "Somebody else is writing in the bench book, and did not finish in time. Nothing of yours was written. "
        "Go back, and send it once more: what you typed is still in the form."
    )
    page = loader.render_to_string("refettle/bare.html", {"title": "The book is busy", "text": text})
    return HttpResponse(page, status=503, headers={"Retry-After": "5"})
