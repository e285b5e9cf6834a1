"""A capture looked at: sent, what was understood, corrected, drawn."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from django.db import transaction
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_http_methods, require_safe

from refettle.captures import Capture, CaptureError, Choices, read_capture
from refettle.language import tr
from refettle.web import longwork, shelf
from refettle.web.captures import (
    COUPLINGS,
    DECIMALS,
    MOST_CHANNELS,
    SEPARATORS,
    TIME_UNITS,
    UNITS,
    capture_view,
    choices_of,
    mark_words,
    stretch_of,
    typed_of,
)
from refettle.web.probing import SUPPLY, tool_cautions
from refettle.web.views.tools import address, gone, sent_file, under_way

MOST_BYTES = 60_000_000


@transaction.non_atomic_requests
@require_http_methods(["GET", "HEAD", "POST"])
def capture(request: HttpRequest) -> HttpResponse:
    """The form; POST takes the file and goes on to what was understood of it."""
    error = ""
    typed = typed_of(request.POST)
    if request.method == "POST":
        try:
            kept = sent_file(request, "file", tr("Capture"), MOST_BYTES)
            return redirect(address("capture-file", [kept.token], typed))
        except shelf.ShelfError as trouble:
            error = str(trouble)
    context = {
        "area": "tools",
        "error": error,
        "typed": typed,
        "most": MOST_BYTES // 1_000_000,
        "cautions": tool_cautions(SUPPLY),
    }
    return render(request, "refettle/capture.html", context, status=422 if error else 200)


@dataclass(frozen=True)
class ChannelTyped:
    """One channel's corrections."""

    number: int
    name: str
    unit: str
    probe: str
    scale: str


def _bytes(capture: Capture) -> int:
    return sum(channel.values.nbytes for channel in capture.channels)


def read_work(kept: shelf.Held, typed: Mapping[str, str], choices: Choices) -> longwork.Work:
    """The reading of a file with these corrections: a Capture as its result. Raises TooMuchWork."""

    def run(work: longwork.Work) -> Capture:
        def progress(share: float) -> None:
            work.tick(share, tr("Reading the file"))

        return read_capture(kept.data(), kept.name, choices, progress=progress, stop=work.asked_to_stop)

    key = ("capture", kept.token, tuple(sorted(typed.items())))
    return longwork.work(tr("Reading {name}", name=kept.name), key, run, size=_bytes)


@require_safe
def capture_file(request: HttpRequest, token: str) -> HttpResponse:
    """What was understood of a file with the corrections in the address, and its plot."""
    kept = shelf.find(token)
    if kept is None:
        return gone(request, "capture")
    typed = typed_of(request.GET)
    error, found, stretch = "", None, None
    try:
        work = read_work(kept, typed, choices_of(typed))
        page = under_way(request, work)
        if page is not None:
            return page
        error, found = work.error, work.result
        stretch = stretch_of(request.GET, found) if found is not None else None
    except (CaptureError, longwork.TooMuchWork) as trouble:
        error = str(trouble)
    here = address("capture-file", [kept.token], typed)
    reading = capture_view(found, kept.name, stretch=stretch, fine=here) if found is not None else None
    words = mark_words()
    context = {
        "area": "tools",
        "kept": kept,
        "typed": typed,
        "error": error,
        "reading": reading,
        "rows": _channels(found, typed),
        "here": here,
        "drawn": {name: request.GET.get(name, "")[:40] for name in ("from", "to")},
        "stretch": stretch,
        "as_ripple": address("ripple-file", [kept.token], typed),
        "correct_open": bool(error or typed or (reading and reading.doubts)),
        "separators": [(each, words[each]) for each in SEPARATORS],
        "decimals": [(each, words[each]) for each in DECIMALS],
        "time_units": TIME_UNITS,
        "units": UNITS,
        "couplings": COUPLINGS,
        "cautions": tool_cautions(SUPPLY),
    }
    return render(request, "refettle/capture_file.html", context, status=422 if error else 200)


def _channels(found: Capture | None, typed: Mapping[str, str]) -> list[ChannelTyped]:
    """The channels that can be corrected: those read, or those already corrected where nothing could be read."""
    names = [c.name for c in found.channels][:MOST_CHANNELS] if found is not None else []
    count = max(
        [len(names), *(n for n in range(1, MOST_CHANNELS + 1) if f"unit_{n}" in typed or f"probe_{n}" in typed)]
    )
    names += [tr("channel {n}", n=n) for n in range(len(names) + 1, count + 1)]
    return [
        ChannelTyped(n, name, *(typed.get(f"{what}_{n}", "") for what in ("unit", "probe", "scale")))
        for n, name in enumerate(names, 1)
    ]
