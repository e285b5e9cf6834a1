"""Middleware of our own: content policy, upload limit, one transaction per writing request."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from django.conf import settings
from django.db import OperationalError, transaction
from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.utils import translation
from django.utils.cache import patch_vary_headers

from refettle.language import LANGUAGES, speaking, tr
from refettle.units import showing, system_of
from refettle.web.serve import is_loopback
from refettle.web.views.errors import busy, refused

GetResponse = Callable[[HttpRequest], HttpResponseBase]

POLICY = (
    "default-src 'self'; img-src 'self' data: blob:; object-src 'none'; base-uri 'none'; "
    "form-action 'self'; frame-ancestors 'none'"
)
RECORDINGS = "/tools/sound/"
ARCHIVES = "/jobs/unpack/"
READING = frozenset({"GET", "HEAD", "OPTIONS", "TRACE"})


PERMISSIONS = "camera=(), geolocation=(), microphone=(), payment=(), usb=()"
"""A photo is taken by the phone's own camera program; no page needs any of these."""
DAY_S = 24 * 3600


class ContentPolicy:
    """Nothing is loaded from elsewhere, nothing inline runs, nobody else's page takes anything of ours in.

    By TLS browsers are told to come by TLS alone from now on; over plain HTTP they would not believe it (RFC
    6797, 8.1).
    """

    def __init__(self, get_response: GetResponse) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponseBase:
        response = self.get_response(request)
        response.headers.setdefault("Content-Security-Policy", POLICY)
        response.headers.setdefault("Cross-Origin-Resource-Policy", "same-origin")
        response.headers.setdefault("X-Frame-Options", "DENY")  # for browsers that know no frame-ancestors
        response.headers.setdefault("Permissions-Policy", PERMISSIONS)
        if settings.REFETTLE_HTTPS and request.is_secure():
            response.headers["Strict-Transport-Security"] = f"max-age={settings.REFETTLE_HSTS_DAYS * DAY_S}"
            response.headers.setdefault("Cross-Origin-Opener-Policy", "same-origin")
        return response


class TlsAlone:
    """With REFETTLE_HTTPS nothing is answered over plain HTTP but to this machine itself, which sees to the book."""

    def __init__(self, get_response: GetResponse) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponseBase:
        if settings.REFETTLE_HTTPS and not request.is_secure() and not is_loopback(request.META.get("REMOTE_ADDR", "")):
            said = tr("This bench book is reached over TLS alone: its address begins with https. Nothing was done.\n")
            return HttpResponse(said, status=403, content_type="text/plain; charset=utf-8")
        return self.get_response(request)


class Language:
    """Shows the page in the language somebody chose, else in the bench's, else in what the browser asks for.

    Units likewise: those of the bench, else of the browser's region.
    """

    def __init__(self, get_response: GetResponse) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponseBase:
        language = request.COOKIES.get(settings.LANGUAGE_COOKIE_NAME, "")
        if language not in LANGUAGES:
            language = settings.REFETTLE_LANGUAGE or translation.get_language_from_request(request)
        units = settings.REFETTLE_UNITS or system_of(request.headers.get("Accept-Language", "").split(",")[0])
        with translation.override(language), speaking(language), showing(units):
            response = self.get_response(request)
        response.headers.setdefault("Content-Language", language)
        patch_vary_headers(response, ("Accept-Language", "Cookie"))
        return response


class UploadLimit:
    """Refuses what is too large before any of it is read, and says the limit."""

    def __init__(self, get_response: GetResponse) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponseBase:
        length = request.META.get("CONTENT_LENGTH") or "0"
        limit: int = settings.REFETTLE_MAX_REQUEST_BYTES
        each = tr("60 MB for each file. Send fewer files at a time")
        if request.path.startswith(RECORDINGS):
            most: int = settings.REFETTLE_MAX_RECORDING_BYTES
            limit = 2 * most + 1_000_000  # one before and one after
            each = tr("{most:.0f} MB for each recording. Cut out the part that matters", most=most / 1e6)
        elif request.path == ARCHIVES:
            most = settings.REFETTLE_MAX_ARCHIVE_BYTES
            limit = most + 1_000_000
            each = tr(
                "{most:.0f} MB for a packed job. Larger ones by refettle job unpack on the machine itself",
                most=most / 1e6,
            )
        if length.isdecimal() and int(length) > limit:
            said = tr(
                "The upload is {length:.0f} MB; allowed: {limit:.0f} MB at once and {each}.",
                length=int(length) / 1e6,
                limit=limit / 1e6,
                each=each,
            )
            return refused(said, 413)
        return self.get_response(request)


class AtomicWrites:
    """Runs the view of a writing request in one transaction: all of it is kept, or nothing.

    Reading requests run without one, so that they never wait for a writer nor make one wait. A view marked
    with Django's `non_atomic_requests` opens its transaction itself, after its slow part.
    """

    def __init__(self, get_response: GetResponse) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponseBase:
        return self.get_response(request)

    def process_view(
        self, request: HttpRequest, view: Callable[..., HttpResponseBase], args: Any, kwargs: Any
    ) -> HttpResponseBase | None:
        if request.method in READING or "default" in getattr(view, "_non_atomic_requests", ()):
            return None
        try:
            with transaction.atomic():
                return view(request, *args, **kwargs)
        except OperationalError as error:
            said = self.process_exception(request, error)
            if said is None:
                raise
            return said

    def process_exception(self, request: HttpRequest, error: Exception) -> HttpResponseBase | None:
        """A book that somebody else held for too long is no fault: it says so, and that nothing was written."""
        if not (isinstance(error, OperationalError) and "locked" in str(error)):
            return None
        return busy(request)
