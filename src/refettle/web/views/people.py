"""Signing in and out, a phone, one's own password, and the page on which owners see to people."""

from __future__ import annotations

import logging
from collections.abc import Callable
from functools import wraps
from typing import Any
from urllib.parse import urlencode, urlsplit

from django.conf import settings
from django.contrib import messages
from django.contrib.auth import logout, update_session_auth_hash
from django.core.exceptions import PermissionDenied
from django.db import transaction
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.cache import never_cache
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_http_methods

from refettle.book import people, second
from refettle.book.models_people import Person, name_key
from refettle.book.passwords import is_common
from refettle.language import mark, tr
from refettle.web import sessions
from refettle.web.serve import is_loopback
from refettle.web.signing import RENEW, come_in, half_in, person_of, safe_next
from refettle.web.views.common import qr_of

WRONG = mark("Name or password is wrong. Nobody is signed in.")
log = logging.getLogger("refettle.security")
View = Callable[..., HttpResponse]


def _off() -> Http404:
    return Http404(
        tr("Sign-in is off: the bench book is open on this machine only. docs/network.md says how to open it.")
    )


def me_of(request: HttpRequest) -> Person:
    """Who is signed in. Raises Http404 where sign-in is off."""
    person = person_of(request)
    if person is None:
        raise _off()
    return person


def owners_only(view: View) -> View:
    """Refuses everybody but owners of the book, in words."""

    @wraps(view)
    def seen(request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponse:
        if not me_of(request).owns:
            raise PermissionDenied(tr("Only an owner of the book sees to people."))
        return view(request, *args, **kwargs)

    return seen


# ---------------------------------------------------------------- in and out


# Hashing a password takes a while; nobody is kept from writing meanwhile.
@transaction.non_atomic_requests
@sensitive_post_parameters("password")
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def sign_in(request: HttpRequest) -> HttpResponse:
    """Asks for name and password; goes on to the page that was asked for."""
    if not settings.REFETTLE_SIGN_IN:
        return redirect(reverse("bench"))
    after = safe_next(request.POST.get("next", "") or request.GET.get("next", ""))
    if person_of(request) is not None and request.method != "POST":
        return redirect(after)
    error, status, name = "", 200, request.POST.get("name", "")
    if request.method == "POST":
        try:
            password, address = request.POST.get("password", ""), request.META.get("REMOTE_ADDR", "")
            person = people.check(name, password, address)
            if person is not None:
                if second.factor_of(person) is not None:
                    half_in(request, person, renew=is_common(password))
                    return redirect(reverse("sign-in-code") + "?" + urlencode({"next": after}))
                come_in(request, person, renew=is_common(password))
                return redirect(after)
            error, status = tr(WRONG), 422
            log.warning("sign-in refused: %s, from %s", _told(name), address)
        except people.TooManyTriesError as wrong:
            error, status = str(wrong), 429
            log.warning("sign-in not looked at, too many tries: %s, from %s", _told(name), address)
    context = {"next": after, "name": name[:80], "error": error}
    return render(request, "refettle/sign_in.html", context, status=status)


def _told(name: str) -> str:
    """Who it was said to be, for the lines where the server was started: a password gets typed as a name at times."""
    return repr(name) if Person.objects.filter(key=name_key(name)).exists() else "an unknown name"


@require_http_methods(["POST"])
def sign_out(request: HttpRequest) -> HttpResponse:
    """Ends this session, or all of the person's."""
    person = me_of(request)
    if request.POST.get("where") == "everywhere":
        people.sign_out_everywhere(person)
    logout(request)
    gone = redirect(reverse("sign-in"))
    if request.is_secure() or is_loopback(urlsplit(request.build_absolute_uri("/")).hostname or ""):
        # Pages and photos that the browser kept; by plain HTTP it would not listen.
        gone.headers["Clear-Site-Data"] = '"cache", "storage"'
    return gone


@transaction.non_atomic_requests
@sensitive_post_parameters()
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def me(request: HttpRequest) -> HttpResponse:
    """One's own page: a new password, where one is signed in, signing out."""
    person, error = me_of(request), ""
    if request.method == "POST" and request.POST.get("action") == "end":
        if not sessions.end(person, request.POST.get("session", ""), request):
            messages.info(request, tr("That device is signed out already."))
        return redirect(reverse("me"))
    if request.method == "POST":
        form = request.POST
        try:
            if people.check(person.name, form.get("old", ""), request.META.get("REMOTE_ADDR", "")) is None:
                raise people.PeopleError(
                    tr("password now: it is another one; allowed: the one you signed in with"), "old"
                )
            if form.get("new", "") != form.get("again", ""):
                raise people.PeopleError(tr("once more: it differs from the new password; allowed: the same"), "again")
            people.set_password(person, form.get("new", ""))
            update_session_auth_hash(request, person)
            request.session.pop(RENEW, None)
            messages.success(request, tr("The password is changed. Every other device of yours is signed out."))
            return redirect(reverse("me"))
        except (people.PeopleError, people.TooManyTriesError) as wrong:
            error = str(wrong)
    context = {
        "area": "me",
        "error": error,
        "renew": request.session.get(RENEW, False),
        "devices": sessions.signed_in_at(person, request),
        "factor": second.factor_of(person),
    }
    return render(request, "refettle/me.html", context, status=422 if error else 200)


# ---------------------------------------------------------------- a phone


def phone_address(request: HttpRequest) -> str:
    """Where a phone finds the book; empty where it cannot."""
    here = request.build_absolute_uri("/")
    if not is_loopback(urlsplit(here).hostname or ""):
        return here
    return str(settings.REFETTLE_ADDRESS)


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def phone(request: HttpRequest) -> HttpResponse:
    """The book's address as a QR code; POST makes a link that signs a phone in once."""
    address = phone_address(request)
    context: dict[str, Any] = {"area": "me", "address": address, "code": qr_of(address, 5) if address else ""}
    if request.method == "POST":
        person = me_of(request)
        if not address:
            raise Http404(tr("No phone finds the book at this address."))
        link = address.rstrip("/") + reverse("join", args=[people.make_link(person)])
        context |= {"link": link, "link_code": qr_of(link, 5), "minutes": int(people.LINK_LASTS.total_seconds() // 60)}
    return render(request, "refettle/phone.html", context)


# Opening the link uses nothing up: mail and chat programs open links by themselves.
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def join(request: HttpRequest, secret: str) -> HttpResponse:
    """The page a phone comes to by its link; POST signs it in."""
    if not settings.REFETTLE_SIGN_IN:
        raise _off()
    if request.method == "POST":
        person = people.use_link(secret)
        if person is not None:
            come_in(request, person)
            return redirect(reverse("bench"))
    else:
        person = people.whose_link(secret)
    return render(request, "refettle/join.html", {"whose": person}, status=200 if person else 404)


# ---------------------------------------------------------------- people


@transaction.non_atomic_requests
@sensitive_post_parameters("password")
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@owners_only
def everybody(request: HttpRequest) -> HttpResponse:
    """Who may sign in; POST adds somebody."""
    error, form = "", request.POST
    if request.method == "POST":
        try:
            made = people.add(form.get("name", ""), form.get("role", ""), form.get("password", ""))
            messages.success(
                request,
                tr("{name} may sign in: {role}.", name=made.name, role=tr(str(made.get_role_display()))),
            )
            return redirect(reverse("people"))
        except people.PeopleError as wrong:
            error = str(wrong)
    context = {
        "area": "me",
        "everybody": Person.objects.select_related("second_factor"),
        "roles": Person.Role.choices,
        "typed": {"name": form.get("name", ""), "role": form.get("role", "bench")},
        "error": error,
    }
    return render(request, "refettle/people.html", context, status=422 if error else 200)


@transaction.non_atomic_requests
@sensitive_post_parameters("password")
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@owners_only
def one(request: HttpRequest, number: int) -> HttpResponse:
    """One person: role, password, second factor, barred or not."""
    found = Person.objects.filter(pk=number).first()
    if found is None:
        raise Http404(tr("Nobody of this number signs in."))
    error = ""
    if request.method == "POST":
        try:
            messages.success(request, _change(request, found))
            return redirect(reverse("people"))
        except people.PeopleError as wrong:
            error = str(wrong)
            found.refresh_from_db()
    context = {
        "area": "me",
        "found": found,
        "factor": second.factor_of(found),
        "roles": Person.Role.choices,
        "error": error,
    }
    return render(request, "refettle/people_one.html", context, status=422 if error else 200)


def _change(request: HttpRequest, found: Person) -> str:
    form, action = request.POST, request.POST.get("action", "")
    if action == "role":
        people.set_role(found, form.get("role", ""))
        return f"{found.name}: {found.get_role_display()}."
    if action == "password":
        people.set_password(found, form.get("password", ""))
        if found == request.user:
            update_session_auth_hash(request, found)
        return tr("{name} has a new password, and is signed out everywhere.", name=found.name)
    if action == "bar":
        people.bar(found)
        return tr("{name} is barred and signed out everywhere. What they wrote keeps their name.", name=found.name)
    if action == "return":
        people.let_in_again(found)
        return tr("{name} may sign in again.", name=found.name)
    if action == "second":
        if found == request.user:
            raise people.PeopleError(
                tr("second factor: it is your own; allowed: to switch it off under your name, with a code"), "action"
            )
        if not second.switch_off(found):
            raise people.PeopleError(tr("second factor: {name} has none", name=found.name), "action")
        return tr("{name} signs in by the password alone now, and is signed out everywhere.", name=found.name)
    raise people.PeopleError(
        tr("action: '{action}' found; allowed: role, password, bar, return, second", action=action[:20]), "action"
    )
