"""What is said when a request cannot be read at all."""

from __future__ import annotations

from django.core.exceptions import RequestDataTooBig, TooManyFieldsSent, TooManyFilesSent
from django.http import HttpRequest, HttpResponse


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
