"""The second factor: its code when signing in, and the page where one switches it on and off."""

from __future__ import annotations

import logging
from typing import Any
from urllib.parse import urlencode

from django.conf import settings
from django.contrib import messages
from django.contrib.auth import update_session_auth_hash
from django.db import transaction
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_http_methods

from refettle.book import people
from refettle.book import second as factors
from refettle.book.models_people import Person, SecondFactor
from refettle.language import tr
from refettle.web.signing import come_in, half_of, person_of, safe_next
from refettle.web.views.common import qr_of
from refettle.web.views.people import me_of

SHOWN = "second"
"""In the session: the secret that is shown to an app, until a code of it was typed."""
log = logging.getLogger("refettle.security")


def _typed(request: HttpRequest) -> str:
    return request.POST.get("paper", "").strip() or request.POST.get("code", "")


# A try is counted also where the request ends in a refusal.
@transaction.non_atomic_requests
@sensitive_post_parameters()
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def code(request: HttpRequest) -> HttpResponse:
    """Asks for the code, after the password was right; goes on to the page that was asked for."""
    after = safe_next(request.POST.get("next", "") or request.GET.get("next", ""))
    if not settings.REFETTLE_SIGN_IN or person_of(request) is not None:
        return redirect(after)
    half = half_of(request)
    if half is None:
        return redirect(reverse("sign-in") + "?" + urlencode({"next": after}))
    person, renew = half
    error, status = "", 200
    if request.method == "POST":
        address = request.META.get("REMOTE_ADDR", "")
        try:
            if factors.check(person, _typed(request), address):
                come_in(request, person, renew=renew)
                return redirect(after)
            error, status = factors.not_right(), 422
            log.warning("code refused: %r, from %s", person.name, address)
        except people.TooManyTriesError as wrong:
            error, status = str(wrong), 429
            log.warning("code not looked at, too many tries: %r, from %s", person.name, address)
    context = {"next": after, "whose": person, "error": error}
    return render(request, "refettle/sign_in_code.html", context, status=status)


@transaction.non_atomic_requests
@sensitive_post_parameters()
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def second(request: HttpRequest) -> HttpResponse:
    """One's own second factor: on, off, codes on paper. Each asks for the password again."""
    person = me_of(request)
    factor = factors.factor_of(person)
    error, codes = "", list[str]()
    if request.method == "POST":
        try:
            codes = _change(request, person, factor)
            if not codes:
                return redirect(reverse("me" if request.POST.get("action") == "off" else "second"))
        except (people.PeopleError, people.TooManyTriesError) as wrong:
            error = str(wrong)
        factor = factors.factor_of(person)
    secret = "" if factor else str(request.session.get(SHOWN, ""))
    address = factors.address_for_app(person, secret) if secret else ""
    context: dict[str, Any] = {
        "area": "me",
        "error": error,
        "factor": factor,
        "left": factor.paper_codes.count() if factor else 0,
        "codes": codes,
        "secret": " ".join(secret[at : at + 4] for at in range(0, len(secret), 4)),
        "address": address,
        "picture": qr_of(address, 5) if address else "",
        "must": factors.must_have(person, settings.REFETTLE_SECOND_FACTOR),
        "now": timezone.localtime(),
    }
    return render(request, "refettle/second.html", context, status=422 if error else 200)


def _change(request: HttpRequest, person: Person, factor: SecondFactor | None) -> list[str]:
    """Do what was asked; codes for paper, where there are new ones to show."""
    action, secret = request.POST.get("action", ""), str(request.session.get(SHOWN, ""))
    allowed = ("codes", "off") if factor else ("begin", "on") if secret else ("begin",)
    if action not in allowed:
        raise people.PeopleError(
            tr("action: '{action}' found; allowed: {actions}", action=action[:20], actions=", ".join(allowed))
        )
    if action == "on":
        made = factors.switch_on(person, secret, request.POST.get("code", ""))
        request.session.pop(SHOWN, None)
        update_session_auth_hash(request, person)
        return made
    address = request.META.get("REMOTE_ADDR", "")
    if people.check(person.name, request.POST.get("password", ""), address) is None:
        raise people.PeopleError(tr("password now: it is another one; allowed: the one you signed in with"))
    if factor is None:
        request.session[SHOWN] = factors.new_secret()
        return []
    if not factors.check(person, _typed(request), address):
        raise people.PeopleError(factors.not_right(), "code")
    if action == "codes":
        return factors.new_codes(factor)
    factors.switch_off(person)
    update_session_auth_hash(request, person)
    messages.success(request, tr("You sign in by the password alone now. Every other device of yours is signed out."))
    return []
