"""A photo of a job read for yellowness: marks, what it says, kept in the log; later its map and its pair."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from django.db import transaction
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils.http import urlencode
from django.views.decorators.http import require_http_methods, require_safe

from refettle.book.log import LogEntry, LogError
from refettle.book.models import Photo
from refettle.book.whitening import Whitening
from refettle.book.yellow import left_since, yellow_entry
from refettle.language import SOURCE, speaking, tr
from refettle.web import longwork
from refettle.web.probing import tool_cautions
from refettle.web.views.common import append, get_working_job, new_token
from refettle.web.views.tools import under_way
from refettle.web.yellows import (
    NEUTRALS,
    TAKEN_WORDS,
    Asked,
    Stored,
    asked_again,
    asked_of,
    map_work,
    mark_rows,
    pair_work,
    typed_marks,
    yellow_view,
    yellow_work,
)
from refettle.whitening.picture import PhotoError
from refettle.whitening.reading import PhotoReading
from refettle.whitening.regions import RegionError

TROUBLES = (PhotoError, RegionError, longwork.TooMuchWork)
WAIT_S = 60.0
CAUTIONS = ("peroxide", "uv", "heat", "bromine-dust")


class Waiting(Exception):  # noqa: N818 - reads as what it is
    """Work is under way; the page says how far."""

    def __init__(self, work: longwork.Work) -> None:
        super().__init__(work.title)
        self.work = work


def done(work: longwork.Work, wait: float = 0.0) -> Any:
    """The result of work. Raises Waiting while there is none, PhotoError with the words of what went wrong."""
    if wait:
        work.wait(wait)
    if not work.over or (work.state == "stopped" and work.result is None):
        raise Waiting(work)
    if work.error:
        raise PhotoError("refused", work.error)
    return work.result


def firsts(
    state: Whitening, reading: PhotoReading, wait: float, but: int = 0
) -> tuple[list[tuple[str, PhotoReading]], int | None]:
    """Per part the reading of the photo that shows how it came, and the entry's number of the first."""
    found, number = [], None
    for region in reading.regions:
        entry = state.first_reading(region.name, reading.rough)
        if entry is None or region.name == reading.reference or (but and entry.n >= but):
            continue
        try:
            before = _again(entry, wait)
        except (*TROUBLES, Http404):
            continue
        found.append((region.name, before))
        number = entry.n if number is None else min(number, entry.n)
    return found, number


def _again(entry: LogEntry, wait: float) -> PhotoReading:
    source, asked = _source(entry)
    made: PhotoReading = done(yellow_work(source, asked), wait)
    return made


def _source(entry: LogEntry) -> tuple[Stored, Asked]:
    photo = Photo.objects.filter(sha256=entry.data["photo"]).first()
    if photo is None:
        raise PhotoError("gone", tr("entry {n}: found no such photo in the book; allowed: one that is kept", n=entry.n))
    return Stored(photo, tr("photo of entry {n}", n=entry.n)), asked_again(entry)


# ---------------------------------------------------------------- marking


@transaction.non_atomic_requests
@require_http_methods(["GET", "HEAD", "POST"])
def photo(request: HttpRequest, number: int, sha256: str) -> HttpResponse:
    """A photo with its marks and what it says; POST keeps the reading."""
    view, state = get_working_job(number)
    found = get_object_or_404(Photo, sha256=sha256)
    typed = typed_marks(request.POST if request.method == "POST" else request.GET)
    source, error = Stored(found), ""
    shown, left, reading = None, {}, None
    carried = _carried(state.whitening, typed)
    try:
        asked = asked_of(typed, carried)
        if asked is not None:
            reading = done(yellow_work(source, asked), WAIT_S if request.method == "POST" else 0.0)
            before, first = firsts(state.whitening, reading, WAIT_S)
            left = left_since(before, reading)
            shown = yellow_view(reading, left)
            if request.method == "POST":
                note = request.POST.get("note", "").strip()
                if not all(each.read for each in reading.regions):  # why not is kept in words
                    with speaking(SOURCE):
                        reading = done(yellow_work(source, asked), WAIT_S)
                append(request, view.job, yellow_entry(sha256, reading, asked.neutral, left, first, note))
                return redirect(reverse("whitening", args=[number]))
    except Waiting as waiting:
        page = under_way(request, waiting.work)
        if page is not None and request.method != "POST":
            return page
        error = tr("The photo is still being read. Keep it when it is done.")
    except (LogError, *TROUBLES) as trouble:
        error = str(trouble)
    context: dict[str, Any] = {
        "area": "bench",
        "job": view.job,
        "view": view,
        "number": number,
        "image": reverse("photo", args=[sha256, "screen"]),
        "map": reverse("whitening-map", args=[number, sha256]) + f"?{urlencode(typed)}" if shown else "",
        "here": reverse("whitening-photo", args=[number, sha256]),
        "known": state.whitening.parts,
        "carry": carried.n if carried is not None else None,
        "can_keep": shown is not None,
    }
    context |= mark_context(typed, shown, error, state.whitening.parts)
    return render(request, "refettle/whitening_photo.html", context, status=422 if error else 200)


def mark_context(typed: Mapping[str, str], shown: Any, error: str, parts: list[str]) -> dict[str, Any]:
    """What the marking page shows, in a job and outside one."""
    return {
        "typed": typed,
        "rows": mark_rows(typed, parts),
        "shown": shown,
        "error": error,
        "taken_words": {key: tr(words) for key, words in TAKEN_WORDS.items()},
        "neutrals": {key: tr(words) for key, words in NEUTRALS.items()},
        "cautions": tool_cautions(CAUTIONS),
        "token": new_token(),
    }


def _carried(state: Whitening, typed: Mapping[str, str]) -> LogEntry | None:
    text = typed.get("carry", "")
    return next((e for e in state.readings if str(e.n) == text and e.data.get("frame") == "card"), None)


@require_safe
def photo_map(request: HttpRequest, number: int, sha256: str) -> HttpResponse:
    """The map of a photo being looked at."""
    _, state = get_working_job(number)
    source = Stored(get_object_or_404(Photo, sha256=sha256))
    typed = typed_marks(request.GET)
    try:
        asked = asked_of(typed, _carried(state.whitening, typed))
        if asked is None:
            raise Http404(tr("Nothing is marked on this photo."))
        reading = done(yellow_work(source, asked), WAIT_S)
        return picture(done(map_work(source, asked, reading), WAIT_S))
    except (Waiting, *TROUBLES) as trouble:
        raise Http404(str(trouble)) from None


def picture(data: bytes) -> HttpResponse:
    """A PNG that is made again each time."""
    response = HttpResponse(data, content_type="image/png")
    response["Cache-Control"] = "private, max-age=600"
    return response


# ---------------------------------------------------------------- kept


@require_safe
def kept(request: HttpRequest, number: int, n: int) -> HttpResponse:
    """One photo read again as its entry says, beside the first one under the same correction."""
    view, state = get_working_job(number)
    entry = _entry(state.whitening, n)
    error, shown = "", None
    first: int | None = None
    try:
        reading = _again(entry, 0.0)
        before, first = firsts(state.whitening, reading, WAIT_S, but=n)
        shown = yellow_view(reading, left_since(before, reading))
    except Waiting as waiting:
        page = under_way(request, waiting.work)
        if page is not None:
            return page
    except TROUBLES as trouble:
        error = str(trouble)
    context = {
        "area": "bench",
        "job": view.job,
        "view": view,
        "number": number,
        "entry": entry,
        "shown": shown,
        "error": error,
        "first": first,
        "first_entry": next((e for e in state.whitening.readings if e.n == first), None),
        "cautions": tool_cautions(CAUTIONS),
    }
    return render(request, "refettle/whitening_kept.html", context, status=422 if error else 200)


def _entry(state: Whitening, n: int) -> LogEntry:
    found = next((e for e in state.readings if e.n == n), None)
    if found is None:
        raise Http404(tr("No photo was read in entry {n}.", n=n))
    return found


@require_safe
def kept_picture(request: HttpRequest, number: int, n: int, which: str) -> HttpResponse:
    """`map`, `before` or `after` of a kept reading, made again from the photo."""
    _, state = get_working_job(number)
    entry = _entry(state.whitening, n)
    try:
        source, asked = _source(entry)
        reading = done(yellow_work(source, asked), WAIT_S)
        if which == "map":
            return picture(done(map_work(source, asked, reading), WAIT_S))
        _, first = firsts(state.whitening, reading, WAIT_S, but=n)
        if first is None:
            raise Http404(tr("There is no earlier photo to stand beside it."))
        earlier = _entry(state.whitening, first)
        old, old_asked = _source(earlier)
        both = done(pair_work((old, old_asked, _again(earlier, WAIT_S)), (source, asked, reading)), WAIT_S)
        return picture(both[0] if which == "before" else both[1])
    except (Waiting, *TROUBLES) as trouble:
        raise Http404(str(trouble)) from None
