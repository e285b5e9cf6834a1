"""The files read in a job: captures and recordings, what each said and counted for, their plots, before and after."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from django.db import transaction
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_http_methods, require_POST, require_safe
from django_htmx.http import HttpResponseClientRefresh

from refettle.book.evidence import Place, places
from refettle.book.files import FileError
from refettle.book.log import LogEntry, LogError
from refettle.book.state import JobState
from refettle.captures import CaptureError
from refettle.language import decimal, mark, spoken, tr
from refettle.sound import SoundError, SoundReading
from refettle.sound.compare import compare
from refettle.supply.ripple_compare import RippleChange, compare_ripple
from refettle.supply.ripple_wave import RippleError
from refettle.web import longwork, ripples, shelf, sounds
from refettle.web.captures import choices_of, typed_of
from refettle.web.keeping import Filed, keep_file, reading_entry
from refettle.web.plots import PlotView
from refettle.web.probing import SUPPLY, tool_cautions
from refettle.web.views.common import JobView, append, get_working_job, new_token
from refettle.web.views.tool_capture import read_work
from refettle.web.views.tool_ripple import ripple_work
from refettle.web.views.tool_sound import sound_work
from refettle.web.views.tools import address, under_way

TROUBLES = (CaptureError, RippleError, SoundError, longwork.TooMuchWork, shelf.ShelfError, FileError)
MOST_WAIT_S = 300.0
METHOD_WORDS = {"ripple": mark("Ripple"), "sound": mark("Sound")}


@dataclass(frozen=True)
class Card:
    """One reading in the list: its figures, and what it counted for."""

    n: int
    entry: LogEntry
    title: str
    place: str
    figures: Mapping[str, str]
    counts: tuple[str, ...]
    note: str
    before: int | None
    name: str


class _Waiting(Exception):  # noqa: N818 - reads as what it is
    """Work is under way; the page says how far."""

    def __init__(self, work: longwork.Work) -> None:
        super().__init__(work.title)
        self.work = work


def _done(work: longwork.Work, wait: float) -> Any:
    """The result of work. Raises _Waiting while there is none, ShelfError with the words of what went wrong."""
    if wait:
        work.wait(wait)
    if not work.over or (work.state == "stopped" and work.result is None):
        raise _Waiting(work)
    if work.error:
        raise shelf.ShelfError(work.error)
    return work.result


def _read(
    method: str, held: shelf.Held, form: Mapping[str, str], wait: float = 0.0
) -> tuple[Any, ripples.Asked | None, dict[str, str]]:
    """A file read as its options say: the result, what was asked of a ripple, and the options."""
    if method == "ripple":
        corrections, typed = typed_of(form), ripples.typed_ripple(form)
        choices = choices_of(corrections)
        asked = ripples.asked_of(typed, choices.ac_coupled)
        if asked is None:
            raise RippleError(tr("mains: nothing found; allowed: 50 or 60 Hz"))
        capture = _done(read_work(held, corrections, choices), wait)
        return _done(ripple_work(held, corrections | typed, asked, capture), wait), asked, corrections | typed
    if method == "sound":
        options = sounds.typed_sound(form)
        return _done(sound_work(held, options, sounds.asked_of(options)), wait), None, options
    raise LogError(tr("method: '{method}' found; allowed: ripple, sound", method=method[:20]), field="method")


# The file is kept before the entry's own transaction.
@transaction.non_atomic_requests
@require_http_methods(["GET", "HEAD", "POST"])
def readings(request: HttpRequest, number: int) -> HttpResponse:
    """The list; POST keeps a file of the shelf and writes its entry."""
    view, state = get_working_job(number)
    if request.method != "POST":
        return _page(request, view, state)
    try:
        entry = _kept_entry(request, state)
        append(request, view.job, entry)
    except _Waiting:
        return _page(
            request, view, state, tr("The file is still being read. Go back to it, and keep it when it is done.")
        )
    except (LogError, *TROUBLES) as error:
        return _page(request, view, state, str(error))
    except OSError as error:
        return _page(
            request,
            view,
            state,
            tr("The file could not be kept: {error}.", error=(error.strerror or str(error)).lower()),
        )
    return redirect(reverse("readings", args=[number]))


def _kept_entry(request: HttpRequest, state: JobState) -> dict[str, Any]:
    form = request.POST.dict()
    kept = shelf.find(str(form.get("file", ""))[:40])
    if kept is None:
        raise LogError(tr("file: it is no longer at hand; allowed: send it again"), field="file")
    method, place = str(form.get("method", "")), str(form.get("place", ""))
    plain = {k: str(v) for k, v in form.items()}
    result, asked, typed = _read(method, kept, plain | {"place": ""}, MOST_WAIT_S)
    return reading_entry(
        state,
        "ripple" if method == "ripple" else "sound",
        place,
        keep_file(kept),
        kept.name,
        typed,
        result,
        asked,
        plain,
    )


def _cards(state: JobState) -> list[Card]:
    named: dict[tuple[str, str], Place] = {
        (method, p.id): p for method in ("ripple", "sound") for p in places(state.compiled, method)
    }
    last: dict[tuple[str, str], int] = {}
    cards = []
    for entry in _entries(state):
        method, where = str(entry.data["method"]), str(entry.data["place"])
        place = named.get((method, where))
        cards.append(
            Card(
                n=entry.n,
                entry=entry,
                title=spoken(METHOD_WORDS[method]),
                place=place.name if place else where,
                figures=entry.data.get("figures", {}),
                counts=tuple(_counts(state, entry)),
                note=str(entry.data.get("note", "")),
                before=last.get((method, where)),
                name=str(entry.data["name"]),
            )
        )
        if not entry.void:
            last[method, where] = entry.n
    return cards[::-1]


def _entries(state: JobState) -> list[LogEntry]:
    """Files read, those that were taken back included."""
    return [e for e in state.entries if e.kind == "reading"]


def _counts(state: JobState, entry: LogEntry) -> list[str]:
    said = []
    for check, grades in entry.data.get("decides", {}).items():
        step = state.compiled.steps.get(check)
        name = step.name.removeprefix("Look: ") if step else check
        said.append(
            f"{spoken(name)}: "
            + ", ".join(f"{spoken(outcome)} {decimal(value, '.2g')}" for outcome, value in grades.items())
        )
    return said


def _page(request: HttpRequest, view: JobView, state: JobState, error: str = "") -> HttpResponse:
    context = {
        "area": "bench",
        "job": view.job,
        "view": view,
        "cards": _cards(state),
        "ripple_places": places(state.compiled, "ripple"),
        "sound_places": places(state.compiled, "sound"),
        "cautions": tool_cautions(dict.fromkeys((*state.compiled.loaded.unit_type.cautions, *SUPPLY))),
        "error": error,
        "token": new_token(),
    }
    return render(request, "refettle/readings.html", context, status=422 if error else 200)


@transaction.non_atomic_requests
@require_POST
def read_again(request: HttpRequest, number: int, n: int) -> HttpResponse:
    """Put a kept file on the shelf once more, to be read with other figures on its tool page."""
    _, state = get_working_job(number)
    entry = next((e for e in _entries(state) if e.n == n), None)
    if entry is None:
        raise Http404(tr("Job {number} has no reading {n}.", number=number, n=n))
    try:
        with Filed(str(entry.data["file"]), str(entry.data["name"])).reading() as file:
            kept = shelf.put_again(file, str(entry.data["name"]))
    except shelf.ShelfError:
        return redirect(reverse("reading", args=[number, n]))  # which says what became of the file
    options = {str(k): str(v) for k, v in entry.data.get("options", {}).items()}
    asked = options | {"job": str(number), "place": str(entry.data["place"])}
    return redirect(address("ripple-file" if entry.data["method"] == "ripple" else "sound-file", [kept.token], asked))


@require_safe
def reading(request: HttpRequest, number: int, n: int) -> HttpResponse:
    """One file read again as its entry says, with its plots, beside the one before it at the same place."""
    view, state = get_working_job(number)
    card = next((c for c in _cards(state) if c.n == n), None)
    if card is None:
        raise Http404(tr("Job {number} has no reading {n}.", number=number, n=n))
    error, context = "", {}
    try:
        result = _again(card.entry)
        before = next((c for c in _cards(state) if c.n == card.before), None)
        context = _shown(result, _again(before.entry) if before else None)
    except _Waiting as waiting:
        page = under_way(request, waiting.work)
        if page is not None:
            return page
    except TROUBLES as trouble:
        error = str(trouble)
    if getattr(request, "htmx", False):  # only the page that says how far it is asks so
        return HttpResponseClientRefresh()
    context |= {
        "area": "bench",
        "job": view.job,
        "view": view,
        "card": card,
        "error": error,
        "cautions": tool_cautions(SUPPLY),
    }
    return render(request, "refettle/reading.html", context, status=422 if error else 200)


def _again(entry: LogEntry, wait: float = 0.0) -> Any:
    options = {str(k): str(v) for k, v in entry.data.get("options", {}).items()}
    held = Filed(str(entry.data["file"]), str(entry.data["name"]))
    return _read(str(entry.data["method"]), held, options, wait)[0]


class StillBeingReadError(Exception):
    """A file is still being read."""


def first_plot(entry: LogEntry, ident: str, wait: float) -> PlotView:
    """The first plot of a reading, waited for at most so long [s].

    Raises
    ------
    StillBeingReadError
        It is not read by then.
    CaptureError and the other `TROUBLES`
        The file cannot be read again.
    """
    try:
        shown = _shown(_again(entry, wait), None, ident)
    except _Waiting:
        raise StillBeingReadError from None
    made: PlotView = shown["sound" if "sound" in shown else "ripple"].plots[0]
    return made


def _shown(result: Any, before: Any, ident: str = "reading") -> dict[str, Any]:
    if isinstance(result, SoundReading):
        old = before if isinstance(before, SoundReading) else None
        changes = sounds.change_view(compare(old, result)) if old else None
        return {"sound": sounds.sound_view(result, old, ident), "changes": changes}
    shown: dict[str, Any] = {"ripple": ripples.ripple_view(result.reading, result.verdict, ident)}
    if isinstance(before, ripples.Read):
        changed: tuple[RippleChange, ...] = compare_ripple(before.reading, result.reading)
        shown["ripple_changes"] = changed
        shown["ripple_before"] = ripples.ripple_view(before.reading, before.verdict, ident="before").plots[:1]
    return shown


@require_safe
def reading_plot(request: HttpRequest, number: int, n: int) -> HttpResponse:
    """The first plot of a reading, for its place in the list."""
    _, state = get_working_job(number)
    entry = next((e for e in _entries(state) if e.n == n), None)
    if entry is None:
        raise Http404(tr("Job {number} has no reading {n}.", number=number, n=n))
    context: dict[str, Any] = {"number": number, "n": n}
    try:
        shown = _shown(_again(entry), None, f"plot-{n}")
        context["plots"] = shown["sound" if "sound" in shown else "ripple"].plots[:1]
    except _Waiting:
        context["waiting"] = True
    except TROUBLES as trouble:
        context["error"] = str(trouble)
    return render(request, "refettle/readings/_plots.html", context)
