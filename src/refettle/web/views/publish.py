"""What may go out of a job: the text to sell a unit of own stock with, and the story for those who film and write."""

from __future__ import annotations

from typing import TypeVar
from urllib.parse import urlencode

from django.contrib import messages
from django.http import HttpRequest, HttpResponse, HttpResponseBase, StreamingHttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_safe

from refettle.book.handover_photos import photos_of
from refettle.book.handover_public import WARNING
from refettle.book.listing import ListingError
from refettle.language import carried, tr
from refettle.web.publishing import archive_name, archive_of, listing_of, story_of
from refettle.web.views.common import get_working_job

Sent = TypeVar("Sent", bound=HttpResponseBase)
MOST = 10_000
"""Photos that may be left out at once."""
FIRST = 60
"""Scenes of the story shown; the archive holds all."""


def without_from(request: HttpRequest) -> frozenset[int]:
    """Entries whose photos are left out; what is no number of an entry is passed over."""
    asked = request.GET.getlist("leave")[:MOST]
    return frozenset(int(each) for each in asked if each.isascii() and each.isdecimal() and len(each) <= 9)


@require_safe
def publish(request: HttpRequest, number: int) -> HttpResponse:
    """The page."""
    view, state = get_working_job(number)
    without = without_from(request)
    made, refused = None, ""
    try:
        made = listing_of(view.job, state, view.entries, without)
    except ListingError as error:
        refused = str(error)
    told = story_of(view.job, state, view.entries, without)
    photos = photos_of(state.entries)
    asked = urlencode([("leave", n) for n in sorted(without & {photo.n for photo in photos})])
    context = {
        "area": "bench",
        "job": view.job,
        "view": view,
        "state": state,
        "listing": made,
        "rows": 6 + made.text.count("\n") if made else 0,
        "refused": refused,
        "story": told,
        "scenes": told.scenes[:FIRST],
        "more": max(0, len(told.scenes) - FIRST),
        "photos": [(photo, photo.n in without) for photo in photos],
        "left": len([photo for photo in photos if photo.n in without]),
        "photo_warning": tr(WARNING),
        "asked": f"?{asked}" if asked else "",
    }
    return render(request, "refettle/publish.html", context)


@require_safe
def listing_file(request: HttpRequest, number: int) -> HttpResponse:
    """The listing as a text file."""
    view, state = get_working_job(number)
    try:
        made = listing_of(view.job, state, view.entries, without_from(request))
    except ListingError as error:
        messages.error(request, str(error))
        return redirect(reverse("publish", args=[number]))
    response = HttpResponse(made.text, content_type="text/plain; charset=utf-8")
    return _named(response, f"job-{number}-listing.txt")


@require_safe
def story_file(request: HttpRequest, number: int) -> HttpResponseBase:
    """The story as a ZIP archive, sent while it is made."""
    view, state = get_working_job(number)
    made = story_of(view.job, state, view.entries, without_from(request))
    response = StreamingHttpResponse(carried(archive_of(made, state)), content_type="application/zip")
    return _named(response, archive_name(made))


def _named(response: Sent, name: str) -> Sent:
    response.headers["Content-Disposition"] = f'attachment; filename="{name}"'
    response.headers["X-Content-Type-Options"] = "nosniff"
    response.headers["Cache-Control"] = "no-store"
    return response
