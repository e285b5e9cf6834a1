"""A linear supply at low, nominal and high mains, new and aged, with parts missing, with the spread of its parts."""

from __future__ import annotations

from typing import Any

from django.conf import settings
from django.core.files.uploadedfile import SimpleUploadedFile, UploadedFile
from django.db import transaction
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_http_methods, require_safe

from refettle.book.typefiles import NoSuchTypeError, load_named
from refettle.knowledge.errors import KnowledgeError
from refettle.knowledge.supply_files import LoadedSupply, parse_supply, supply_of
from refettle.language import tr
from refettle.supply.regulator import MISSING
from refettle.supply.report import CAUTIONS
from refettle.supply.values import SupplyError
from refettle.web import longwork, shelf
from refettle.web.probing import tool_cautions
from refettle.web.supplies import (
    FEEDS,
    SERVES,
    asked_of,
    file_of,
    typed_form,
    typed_options,
    work_out,
    work_spread,
)
from refettle.web.supply_views import spread_view, supply_view
from refettle.web.views.common import qr
from refettle.web.views.library import listed_types
from refettle.web.views.tools import gone, under_way

MOST_BYTES = 200_000
EXAMPLE = """\
supply: Bench amplifier
transformer: {volts: 12, amps: 1.5, regulation: 0.2}
rectifier: {wiring: bridge}
reservoir: {farad: 4700u, volts: 25}
regulators:
  rail12: {volts: 12, load_amps: 0.5, serves: sound, heat_sink: 8}
"""


@transaction.non_atomic_requests
@require_http_methods(["GET", "HEAD", "POST"])
def supply(request: HttpRequest) -> HttpResponse:
    """The forms; POST takes a form, a text or a file and goes on to what it does."""
    mistakes: list[str] = []
    typed = typed_form(request.POST)
    text = request.POST.get("text", "")
    action = request.POST.get("action", "")
    if request.method == "POST":
        try:
            if action == "form":
                text = file_of(typed)
                name = "the form"
            else:
                name, text = _sent(request, text)
            parse_supply(text, name)
            kept = shelf.put(SimpleUploadedFile(name, text.encode()), tr("Supply file"), MOST_BYTES)
            return redirect("supply-file", kept.token)
        except KnowledgeError as error:
            mistakes = [
                tr("{field}: found {found}; allowed: {allowed}", field=m.field, found=m.found, allowed=m.allowed)
                if action == "form"
                else str(m)
                for m in error.mistakes[:20]
            ]
        except shelf.ShelfError as trouble:
            mistakes = [str(trouble)]
    context = {
        "area": "tools",
        "mistakes": mistakes,
        "typed": typed,
        "text": text or EXAMPLE,
        "action": action,
        "feeds": {key: tr(words) for key, words in FEEDS.items()},
        "serves": SERVES,
        "rails": (1, 2),
        "types": [t for t in listed_types() if not t.mistakes and _section(t.slug)],
        "cautions": tool_cautions(CAUTIONS),
    }
    return render(request, "refettle/supply.html", context, status=422 if mistakes else 200)


def _sent(request: HttpRequest, text: str) -> tuple[str, str]:
    """Name and text of what was sent: a file, or what was written. Raises ShelfError."""
    file = request.FILES.get("file")
    if not isinstance(file, UploadedFile):
        if len(text) > MOST_BYTES:
            raise shelf.ShelfError(
                tr("Text: {count} characters found; allowed: up to {most}", count=len(text), most=MOST_BYTES)
            )
        return "the text", text
    if (file.size or 0) > MOST_BYTES:
        raise shelf.ShelfError(
            tr("Supply file: {size:.1f} MB found; allowed: up to 0.2 MB", size=(file.size or 0) / 1e6)
        )
    try:
        return file.name or "file", file.read().decode("utf-8-sig")
    except UnicodeDecodeError:
        raise shelf.ShelfError(tr("Supply file: no UTF-8 text found; allowed: a supply file in YAML")) from None


def _section(slug: str) -> LoadedSupply | None:
    """The supply of a unit type, if its file has one that can be used."""
    try:
        unit = load_named(slug, settings.REFETTLE_TYPES, settings.REFETTLE_KINDS)
        if unit.unit_type.supply is None:
            return None
        return supply_of(unit.unit_type.supply, unit.name, unit.file)
    except (KnowledgeError, NoSuchTypeError):
        return None


@require_safe
def supply_file(request: HttpRequest, token: str) -> HttpResponse:
    """What a supply does that was typed or sent."""
    kept = shelf.find(token)
    if kept is None:
        return gone(request, "supply")
    text = kept.data().decode()
    return _page(request, parse_supply(text, kept.name), token, reverse("supply-file", args=[token]), text)


@require_safe
def supply_of_type(request: HttpRequest, slug: str) -> HttpResponse:
    """What the supply of a unit type does."""
    loaded = _section(slug)
    if loaded is None:
        raise Http404(tr("No unit type '{slug}' with a supply section that can be used.", slug=slug))
    return _page(request, loaded, f"type {slug}", reverse("supply-type", args=[slug]), "")


def _page(request: HttpRequest, loaded: LoadedSupply, what: str, here: str, text: str) -> HttpResponse:
    typed, missing = typed_options(request.GET), request.GET.getlist("missing")
    error = ""
    worked = drawn = None
    try:
        asked = asked_of(typed, missing)
        key = (what, repr(loaded.supply), *asked.key)
        work = longwork.work(
            tr("Supply, {name}", name=loaded.name), ("supply", key), lambda w: work_out(loaded, asked, w)
        )
        page = under_way(request, work)
        if page is not None:
            return page
        error, worked = work.error, work.result
        if asked.variants and not error:
            work = longwork.work(
                tr("Variants of {name}", name=loaded.name),
                ("spread", key, asked.variants, asked.seed),
                lambda w: work_spread(loaded, asked, w),
            )
            page = under_way(request, work)
            if page is not None:
                return page
            error, drawn = work.error, work.result
    except (SupplyError, longwork.TooMuchWork) as trouble:
        error = str(trouble)
    context: dict[str, Any] = {
        "area": "tools",
        "loaded": loaded,
        "here": here,
        "text": text,
        "typed": typed,
        "missing": missing,
        "parts": MISSING,
        "error": error,
        "reading": supply_view(worked) if worked is not None else None,
        "spread": spread_view(drawn, loaded) if drawn is not None else None,
        "cautions": tool_cautions(CAUTIONS),
        "qr": qr(request, request.get_full_path()),
    }
    return render(request, "refettle/supply_file.html", context, status=422 if error else 200)
