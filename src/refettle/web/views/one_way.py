"""The steps of a job that cannot be undone: what each asks for first, the go-ahead, and that it was done."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.files.uploadedfile import UploadedFile
from django.db import transaction
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_http_methods

from refettle.book.log import LogError
from refettle.book.models import Photo
from refettle.book.photos import PhotoError, store_photo
from refettle.book.state import JobState
from refettle.knowledge.one_way import Ask, OneWayStep, one_way_steps
from refettle.language import tr
from refettle.web.views.common import JobView, append, caution_views, get_working_job, new_token, whole_from
from refettle.web.wording import describe


@dataclass(frozen=True)
class AskView:
    """One thing asked for, with what was typed or kept for it. `done`: the log shows it already."""

    id: str
    ask: Ask
    typed: str = ""
    photo: str = ""
    done: bool = False


@dataclass(frozen=True)
class Given:
    """A go-ahead on which nothing was done yet, in words."""

    n: int
    step: str
    name: str
    what: str
    text: str
    cautions: tuple[Any, ...]


# Photos are read and written before the entry's own transaction.
@transaction.non_atomic_requests
@require_http_methods(["GET", "HEAD", "POST"])
def one_way(request: HttpRequest, number: int) -> HttpResponse:
    """The page of all these steps, or with `?step=` the form of one; POST writes one entry."""
    view, state = get_working_job(number)
    if request.method != "POST":
        return _page(request, view, state, request.GET.get("step", ""))
    step, action = request.POST.get("step", ""), request.POST.get("action", "")
    kept: dict[str, str] = {}
    try:
        if action == "go-ahead":
            entry = _go_ahead(request, step, kept)
        elif action == "caution":
            entry = {"kind": "caution", "caution": request.POST.get("caution", "")}
        else:
            entry = _entry(request, state, action, step)
        append(request, view.job, entry)
    except (LogError, PhotoError) as error:
        return _page(request, view, state, step, str(error), kept, action)
    following = f"?step={step}" if action == "caution" and step in one_way_steps() else ""
    return redirect(reverse("one-way", args=[number]) + following)


def _go_ahead(request: HttpRequest, step: str, kept: dict[str, str]) -> dict[str, Any]:
    """The entry; photos are stored as they are read, and `kept` grows by them."""
    form, known = request.POST, one_way_steps().get(step)
    entry: dict[str, Any] = {"kind": "go-ahead", "step": step, "what": form.get("what", "").strip(), "shown": {}}
    for key, ask in known.asks.items() if known else []:
        if ask.by == "photo" and (sha := _photo(request, key)):
            kept[key] = sha
        elif ask.by == "text" and (words := form.get(f"shown-{key}", "").strip()):
            entry["shown"][key] = words
    return entry | {"photos": kept, "consent": form.get("consent", "").strip(), "note": form.get("note", "").strip()}


def _photo(request: HttpRequest, key: str) -> str:
    """The photo sent for one ask, or the one kept when the form came back; empty for none."""
    file = request.FILES.get(f"photo-{key}")
    if isinstance(file, UploadedFile):
        folder: Path = settings.REFETTLE_PHOTOS
        return store_photo(file, folder).sha256
    kept = request.POST.get(f"kept-{key}", "")
    return kept if kept and Photo.objects.filter(sha256=kept).exists() else ""


def _entry(request: HttpRequest, state: JobState, action: str, step: str) -> dict[str, Any]:
    form = request.POST
    n = whole_from(form.get("n", ""), "Entry", high=100_000_000)
    given = next((each for each in state.one_way if each.go_ahead == n and each.taken is None), None)
    if action in ("done", "not-done") and given is None:
        raise LogError(tr("n: {n} found; allowed: a go-ahead on which nothing was done yet", n=n), field="n")
    if action == "done" and given is not None:
        note = form.get("note", "").strip()
        return {"kind": "one-way", "step": given.step, "what": given.what, "go_ahead": n, "note": note}
    if action == "not-done":
        return {"kind": "correction", "corrects": n, "with": None, "why": "it was not done"}
    if action == "without":
        without, what = form.get("without", "").strip(), form.get("what", "").strip()
        return {"kind": "one-way", "step": step, "what": what, "without": without}
    raise LogError(
        tr("action: '{action}' found; allowed: go-ahead, done, not-done, without, caution", action=action[:40]),
        field="action",
    )


def _asks(step: OneWayStep, state: JobState, typed: Any, kept: dict[str, str]) -> list[AskView]:
    return [
        AskView(
            key,
            ask,
            typed.get(f"shown-{key}", "") if typed else "",
            kept.get(key, ""),
            ask.by == "saved" and state.data_settled,
        )
        for key, ask in step.asks.items()
    ]


def _given(state: JobState) -> list[Given]:
    entries = {e.n: e for e in state.entries}
    made = []
    for each in state.one_way:
        if each.go_ahead is None or each.taken is not None:
            continue
        known = one_way_steps().get(each.step)
        cautions = caution_views(state.compiled.loaded, known.cautions if known else [], state.cautions_read)
        text = describe("go-ahead", entries[each.go_ahead].data, state.compiled)
        made.append(Given(each.go_ahead, each.step, each.name, each.what, text, tuple(cautions)))
    return made


def _page(
    request: HttpRequest,
    view: JobView,
    state: JobState,
    step: str = "",
    error: str = "",
    kept: dict[str, str] | None = None,
    action: str = "",
) -> HttpResponse:
    steps = one_way_steps()
    known = steps.get(step)
    typed = request.POST if error else None
    views = caution_views(state.compiled.loaded, known.cautions if known else [], state.cautions_read)
    context = {
        "area": "bench",
        "job": view.job,
        "view": view,
        "steps": steps,
        "step_id": step if known else "",
        "step": known,
        "asks": _asks(known, state, typed, kept or {}) if known else [],
        "cautions": views,
        "to_read": [c for c in views if c.caution.gate and not c.read],
        "given": _given(state),
        "taken": [each for each in state.one_way if each.taken is not None],
        "customer": view.customer,
        "typed": typed or {},
        "action": action,
        "error": error,
        "token": new_token(),
    }
    return render(request, "refettle/one_way.html", context, status=422 if error else 200)
