"""How yellow a part is, outside a job; the measuring card to print and the photo guide."""

from __future__ import annotations

from io import BytesIO
from typing import Any

from django.db import transaction
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils.http import urlencode
from django.utils.safestring import mark_safe
from django.views.decorators.http import require_http_methods, require_safe

from refettle.language import tr
from refettle.web import shelf
from refettle.web.probing import tool_cautions
from refettle.web.views.tools import address, gone, sent_file, under_way
from refettle.web.views.whitening_photo import CAUTIONS, TROUBLES, WAIT_S, Waiting, done, mark_context, picture
from refettle.web.yellows import NEUTRALS, TAKEN_WORDS, asked_of, map_work, typed_marks, yellow_view, yellow_work
from refettle.whitening.card import GUIDE, SIZES, CardError, card_of, card_pdf, card_svg
from refettle.whitening.picture import MAX_BYTES, PhotoError, open_picture

SCREEN_PX = 1600
MIME = {"svg": "image/svg+xml", "pdf": "application/pdf"}


@require_safe
def card(request: HttpRequest) -> HttpResponse:
    """The card in both sizes and the guide."""
    size = "a5" if request.GET.get("size") == "a5" else "a6"
    context = {
        "area": "tools",
        "sizes": SIZES,
        "size": size,
        "drawn": mark_safe(card_svg(size)[card_svg(size).index("<svg") :]),  # noqa: S308 - drawn by our own code
        "guide": GUIDE,
        "cautions": tool_cautions(("uv",)),
    }
    return render(request, "refettle/card.html", context)


@require_safe
def card_file(request: HttpRequest, name: str) -> HttpResponse:
    """`a6.pdf` and the like, to save or print."""
    size, _, ending = name.partition(".")
    try:
        made = card_of(size)
        if ending not in MIME:
            raise CardError(tr("'{ending}' found; allowed: svg, pdf", ending=ending[:10]))
        data = card_svg(made.size).encode() if ending == "svg" else card_pdf(made.size)
    except CardError as error:
        return render(
            request, "refettle/error.html", {"title": tr("No card in this form"), "text": str(error)}, status=404
        )
    response = HttpResponse(data, content_type=MIME[ending])
    response["Content-Disposition"] = f'attachment; filename="measuring-card-{made.size}.{ending}"'
    return response


@transaction.non_atomic_requests
@require_http_methods(["GET", "HEAD", "POST"])
def yellow(request: HttpRequest) -> HttpResponse:
    """The form; POST takes a photo and goes on to its marks."""
    error = ""
    typed = typed_marks(request.POST if request.method == "POST" else request.GET)
    if request.method == "POST":
        try:
            kept = sent_file(request, "photo", tr("Photo"), MAX_BYTES)
            open_picture(kept.data())
            return redirect(address("yellow-photo", [kept.token], typed))
        except (shelf.ShelfError, PhotoError) as trouble:
            error = str(trouble)
    context = {
        "area": "tools",
        "error": error,
        "typed": typed,
        "most": MAX_BYTES // 1_000_000,
        "taken_words": {key: tr(words) for key, words in TAKEN_WORDS.items()},
        "neutrals": {key: tr(words) for key, words in NEUTRALS.items()},
        "cautions": tool_cautions(CAUTIONS),
    }
    return render(request, "refettle/yellow.html", context, status=422 if error else 200)


@require_safe
def yellow_photo(request: HttpRequest, token: str) -> HttpResponse:
    """A photo with its marks, and what it says."""
    kept = shelf.find(token)
    if kept is None:
        return gone(request, "yellow")
    typed = typed_marks(request.GET)
    error, shown = "", None
    try:
        asked = asked_of(typed)
        if asked is not None:
            shown = yellow_view(done(yellow_work(kept, asked)), {})
    except Waiting as waiting:
        page = under_way(request, waiting.work)
        if page is not None:
            return page
    except (shelf.ShelfError, *TROUBLES) as trouble:
        error = str(trouble)
    context: dict[str, Any] = {
        "area": "tools",
        "image": reverse("yellow-image", args=[token]),
        "map": reverse("yellow-map", args=[token]) + f"?{urlencode(typed)}" if shown else "",
        "here": reverse("yellow-photo", args=[token]),
    }
    context |= mark_context(typed, shown, error, [])
    return render(request, "refettle/whitening_photo.html", context, status=422 if error else 200)


@require_safe
def yellow_image(request: HttpRequest, token: str) -> HttpResponse:
    """The photo upright and small enough for a page."""
    from PIL.Image import Resampling, fromarray

    kept = shelf.find(token)
    if kept is None:
        raise Http404(tr("The photo is no longer here; send it again."))
    try:
        found = open_picture(kept.data())
    except (shelf.ShelfError, PhotoError) as trouble:
        raise Http404(str(trouble)) from None
    small = fromarray(found.code)
    small.thumbnail((SCREEN_PX, SCREEN_PX), Resampling.BOX)
    out = BytesIO()
    small.save(out, "JPEG", quality=85)
    response = HttpResponse(out.getvalue(), content_type="image/jpeg")
    response["Cache-Control"] = "private, max-age=3600"
    return response


@require_safe
def yellow_map(request: HttpRequest, token: str) -> HttpResponse:
    """How even the marked parts are."""
    kept = shelf.find(token)
    if kept is None:
        raise Http404(tr("The photo is no longer here; send it again."))
    try:
        asked = asked_of(typed_marks(request.GET))
        if asked is None:
            raise Http404(tr("Nothing is marked on this photo."))
        return picture(done(map_work(kept, asked, done(yellow_work(kept, asked), WAIT_S)), WAIT_S))
    except (Waiting, shelf.ShelfError, *TROUBLES) as trouble:
        raise Http404(str(trouble)) from None
