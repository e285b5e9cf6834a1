"""What is said when a request cannot be read at all."""

from __future__ import annotations

import sys

from django.core.exceptions import RequestDataTooBig, TooManyFieldsSent, TooManyFilesSent
from django.db import InterfaceError, OperationalError, connection
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.template import loader

from refettle.book.whole import is_full
from refettle.language import tr


def bad_request(request: HttpRequest, exception: Exception) -> HttpResponse:
    """Names the limit that was passed."""
    if isinstance(exception, RequestDataTooBig):
        text, status = tr("The form holds more than 5 MB of text; allowed: less. Send long logs as a file."), 413
    elif isinstance(exception, TooManyFilesSent):
        text, status = tr("More than 50 files found; allowed: 50 at a time."), 413
    elif isinstance(exception, TooManyFieldsSent):
        text, status = tr("More than 2000 fields found; allowed: 2000 in one form."), 413
    else:
        text, status = tr("The request cannot be read. Open the page again from its address and retry."), 400
    return refused(text, status)


def refused(text: str, status: int) -> HttpResponse:
    """A page of its own for what was turned away before any view; made without the request, which may not be read."""
    page = loader.render_to_string("refettle/bare.html", {"title": tr("Not written"), "text": text})
    return HttpResponse(page, status=status)


def not_found(request: HttpRequest, exception: Exception) -> HttpResponse:
    """Says what is not there."""
    said = exception.args[0] if exception.args and isinstance(exception.args[0], str) else ""
    text = said or tr("Nothing lies at {path}.", path=request.path)
    return render(request, "refettle/error.html", {"title": tr("Not found"), "text": text}, status=404)


def forbidden(request: HttpRequest, exception: Exception | None = None) -> HttpResponse:
    """Refused, with what was said."""
    said = exception.args[0] if exception and exception.args and isinstance(exception.args[0], str) else ""
    text = said or tr("This page is not for reading here.")
    return render(request, "refettle/error.html", {"title": tr("Refused"), "text": text}, status=403)


def server_error(request: HttpRequest) -> HttpResponse:
    """A fault of our own; made without a request, so that nothing more can fail. A full disk, and a database server
    that is gone, are no faults of ours."""
    error = sys.exc_info()[1]  # Django asks while it handles what was raised
    if is_full(error):
        return _full()
    if isinstance(error, (OperationalError, InterfaceError)) and connection.vendor == "postgresql":
        return _gone()
    text = tr(
        "The bench book failed at this page. Nothing half-done was written. Go back and try again; "
        "if it fails again, the lines it printed where it was started say why."
    )
    page = loader.render_to_string("refettle/bare.html", {"title": tr("A fault of the bench book"), "text": text})
    return HttpResponse(page, status=500)


def _full() -> HttpResponse:
    text = tr(
        "The disk that the bench book is kept on is full. What you sent was not written, and nothing half-done. Make "
        "room on it, then go back and send it once more: what you typed is still in the form."
    )
    page = loader.render_to_string("refettle/bare.html", {"title": tr("The disk is full"), "text": text})
    return HttpResponse(page, status=507)


def _gone() -> HttpResponse:
    text = tr(
        "The database server that the book is kept on does not answer. It may have stopped just as it was writing: "
        "when it is back, look whether what you sent is there before you send it once more."
    )
    page = loader.render_to_string("refettle/bare.html", {"title": tr("The database does not answer"), "text": text})
    return HttpResponse(page, status=503, headers={"Retry-After": "5"})


def busy(request: HttpRequest) -> HttpResponse:
    """Somebody else wrote for so long that this waited in vain."""
    text = tr(
        "Somebody else is writing in the bench book, and did not finish in time. Nothing of yours was written. "
        "Go back, and send it once more: what you typed is still in the form."
    )
    page = loader.render_to_string("refettle/bare.html", {"title": tr("The book is busy"), "text": text})
    return HttpResponse(page, status=503, headers={"Retry-After": "5"})
