"""What the tool pages share: the list of them, files sent for a look, long work and stopping it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from django.core.files.uploadedfile import UploadedFile
from django.db import transaction
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils.http import url_has_allowed_host_and_scheme, urlencode
from django.views.decorators.http import require_POST, require_safe
from django_htmx.http import HttpResponseClientRefresh

from refettle.language import tr
from refettle.web import longwork, shelf


@require_safe
def tools(request: HttpRequest) -> HttpResponse:
    """The list."""
    return render(request, "refettle/tools.html", {"area": "tools"})


@transaction.non_atomic_requests
@require_POST
def stop_work(request: HttpRequest, token: str) -> HttpResponse:
    """Ask long work to stop, and go back to its page."""
    found = longwork.find(token)
    if found is None:
        raise Http404(tr("That work is no longer under way."))
    found.stop()
    found.wait(2.0)
    back = request.POST.get("back", "")
    safe = url_has_allowed_host_and_scheme(back, {request.get_host()})
    return redirect(back if safe and back.startswith("/") else reverse("tools"))


def sent_file(request: HttpRequest, field: str, name: str, most: int) -> shelf.Kept:
    """The file of a form, on the shelf. Raises ShelfError."""
    file = request.FILES.get(field)
    if not isinstance(file, UploadedFile):
        raise shelf.ShelfError(
            tr("{name}: no file found; allowed: a file of 1 byte to {most:.0f} MB", name=name, most=most / 1e6)
        )
    return shelf.put(file, name, most)


def gone(request: HttpRequest, back: str) -> HttpResponse:
    """The page for a file that is no longer on the shelf; `back`: the name of the address to send it again."""
    return render(request, "refettle/gone.html", {"area": "tools", "back": back}, status=404)


def under_way(request: HttpRequest, work: longwork.Work) -> HttpResponse | None:
    """How far it is, or that it was stopped with nothing to show; None once there is something to show."""
    htmx = bool(getattr(request, "htmx", False))
    if work.over and htmx:
        return HttpResponseClientRefresh()
    here = request.get_full_path()
    context: dict[str, Any] = {"area": "tools", "work": work, "here": here}
    if not work.over:
        return render(request, "refettle/_progress.html" if htmx else "refettle/working.html", context)
    if work.state == "stopped" and work.result is None:
        if "again" in request.GET:
            longwork.forget(work.key)
            return redirect(_without_again(request))
        again = f"{here}{'&' if '?' in here else '?'}again=1"
        return render(request, "refettle/stopped.html", context | {"again": again})
    return None


def _without_again(request: HttpRequest) -> str:
    pairs = [(k, v) for k, values in request.GET.lists() for v in values if k != "again"]
    return f"{request.path}?{urlencode(pairs)}" if pairs else request.path


def address(name: str, args: list[Any], typed: Mapping[str, str]) -> str:
    """An address with what was typed in its query."""
    query = {k: v for k, v in typed.items() if v}
    where = reverse(name, args=args)
    return f"{where}?{urlencode(query)}" if query else where
