"""Who is at the pages: everybody signs in where sign-in is on, and what is written is signed with that name.

Where it is off, on this machine alone, REFETTLE_WHO signs, as on the command line.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from typing import Any
from urllib.parse import urlencode

from django.conf import settings
from django.contrib.auth import login
from django.core.exceptions import PermissionDenied
from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import redirect, render
from django.urls import Resolver404, resolve, reverse
from django.utils.cache import patch_cache_control
from django.utils.crypto import constant_time_compare
from django.utils.http import url_has_allowed_host_and_scheme

from refettle.book import second
from refettle.book.models_people import Person
from refettle.language import tr
from refettle.web import sessions
from refettle.web.middleware import READING

BACKEND = "django.contrib.auth.backends.ModelBackend"
OPEN = frozenset({"sign-in", "sign-in-code", "join", "set_language"})
"""Pages for who is not signed in yet."""
OWN = frozenset({"sign-in", "sign-in-code", "join", "sign-out", "me", "second", "phone", "set_language"})
"""Pages where also who only reads sends forms: about themselves."""

UNKEPT = frozenset({
    "sign-in", "sign-in-code", "join", "me", "second", "phone", "people", "people-one", "owners", "owner",
    "owner-export", "owner-erase",
    "closed", "log-file", "handover", "handover-full", "handover-pdf", "quote-sheet", "job-unpack", "job-unpack-look",
})  # fmt: skip
"""Pages about persons, which no browser keeps on its disk. The others it keeps until signing out: what was typed there
and could not be sent, for want of a network, is still in the form on going back."""
RENEW = "renew"
"""In the session of somebody who signed in with a password that many use: until there is another, no other page."""

HALF = "half"
"""In the session of somebody whose password was right and whose code is not typed yet; it signs nobody in."""
HALF_LASTS_S = 300

_signs: ContextVar[str] = ContextVar("signs", default="")


def person_of(request: HttpRequest) -> Person | None:
    """Who is signed in; None where sign-in is off, or nobody is."""
    if not settings.REFETTLE_SIGN_IN:
        return None
    user = request.user
    return user if isinstance(user, Person) and user.is_authenticated else None


def come_in(request: HttpRequest, person: Person, *, renew: bool = False) -> None:
    """Begin this person's session. `renew`: no other page opens before there is another password."""
    login(request, person, backend=BACKEND)
    sessions.note(request)
    request.session.clear_expired()
    request.session.pop(HALF, None)
    if renew:
        request.session[RENEW] = True


def half_in(request: HttpRequest, person: Person, *, renew: bool) -> None:
    """The password was right; keep that for as long as it takes to type a code. Whoever was signed in here is out."""
    request.session.flush()
    request.session[HALF] = {
        "person": person.pk,
        "as": person.get_session_auth_hash(),
        "until": time.time() + HALF_LASTS_S,
        "renew": renew,
    }
    request.session.set_expiry(HALF_LASTS_S)


def half_of(request: HttpRequest) -> tuple[Person, bool] | None:
    """Whose password was right here of late, and whether it must be another; None where nobody's, or something has
    changed since."""
    half = request.session.get(HALF)
    if half is None or half["until"] < time.time():
        return None
    person = Person.objects.filter(pk=half["person"], is_active=True).first()
    if person is None or not constant_time_compare(half["as"], person.get_session_auth_hash()):
        return None
    return person, bool(half["renew"])


def who() -> str:
    """The name beside what this request writes.

    Raises
    ------
    PermissionDenied
        Sign-in is on, and nobody is signed in.
    """
    if name := _signs.get():
        return name
    if settings.REFETTLE_SIGN_IN:
        raise PermissionDenied(tr("Nobody is signed in. Nothing was written."))
    return str(settings.REFETTLE_WHO)


@contextmanager
def as_person(person: Person | None) -> Iterator[None]:
    """What is written inside is signed by this person."""
    token = _signs.set(person.name if person else "")
    try:
        yield
    finally:
        _signs.reset(token)


def signed_in(request: HttpRequest) -> dict[str, Any]:
    """For templates: `person`, who is signed in."""
    return {"person": person_of(request)}


def safe_next(address: str) -> str:
    """Where to go after signing in: a page of this book, never elsewhere."""
    good = address.startswith("/") and url_has_allowed_host_and_scheme(address, allowed_hosts=None)
    return address if good else reverse("bench")


class SignIn:
    """Asks for sign-in before any view runs, whatever the address; who only reads sends no forms."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponseBase]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponseBase:
        if not settings.REFETTLE_SIGN_IN:
            return self.get_response(request)
        person = person_of(request)
        if person is None and _page(request) not in OPEN:
            return _ask(request)
        if person is not None and not person.writes and request.method not in READING and _page(request) not in OWN:
            text = tr(
                "{name} may read in this book, not write. Nothing was written. Ask an owner of the book.",
                name=person.name,
            )
            return render(request, "refettle/error.html", {"title": tr("Not written"), "text": text}, status=403)
        if person is not None and _page(request) not in OWN:
            if request.session.get(RENEW):
                return _go(request, reverse("me"))
            if second.must_have(person, settings.REFETTLE_SECOND_FACTOR):
                return _go(request, reverse("second"))
        with as_person(person):
            response = self.get_response(request)
        if _page(request) in UNKEPT:
            patch_cache_control(response, private=True, no_store=True)
        else:
            patch_cache_control(response, private=True)
        return response


def _go(request: HttpRequest, address: str) -> HttpResponseBase:
    return HttpResponse(headers={"HX-Redirect": address}) if getattr(request, "htmx", None) else redirect(address)


def _page(request: HttpRequest) -> str:
    try:
        return resolve(request.path_info).url_name or ""
    except Resolver404:
        return ""


def _ask(request: HttpRequest) -> HttpResponseBase:
    if _page(request) == "since":  # 286 ends htmx's polling; the page stays as it is, with what is typed there
        return render(request, "refettle/_since_signed_out.html", status=286)
    htmx = getattr(request, "htmx", None)
    if htmx:
        here = htmx.current_url_abs_path or reverse("bench")
        return HttpResponse(headers={"HX-Redirect": _sign_in(here)})
    if request.method not in READING:
        text = tr(
            "You are signed out. Nothing was written. Go back and copy what you typed, open the page again, "
            "sign in, and send it once more."
        )
        return render(request, "refettle/bare.html", {"title": tr("Not written"), "text": text}, status=403)
    return redirect(_sign_in(request.get_full_path()))


def _sign_in(after: str) -> str:
    return reverse("sign-in") + "?" + urlencode({"next": after}) if after != "/" else reverse("sign-in")
