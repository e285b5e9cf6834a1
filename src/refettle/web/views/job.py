"""One job: its head, what stands open, photos, and the log."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from django.conf import settings
from django.contrib import messages
from django.db import transaction
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_safe

from refettle.book import store, waiting
from refettle.book.log import LogError, write_jsonl
from refettle.book.photos import PhotoError, store_photo
from refettle.book.privacy_check import erased_in
from refettle.book.privacy_find import erased_photos
from refettle.book.state import LEVELS, JobState
from refettle.book.stores_parts import find_part
from refettle.language import mark, several, tr
from refettle.web.signing import who
from refettle.web.views.bench import kept_next
from refettle.web.views.common import JobView, append, get_job, new_token, number_from, qr, whole_from, write_once
from refettle.web.wording import GEAR_WORDS, LEVEL_WORDS, lines

STAGES = (
    mark("take-in"),
    mark("fault finding"),
    mark("finishing"),
    mark("proving"),
    mark("waiting"),
    mark("handed over"),
    mark("parted out"),
)
LOG_SHOWN = 100
ANCHORS = {
    "photo": "photos",
    "count": "facts",
    "gear": "gear",
    "access": "access",
    "stage": "stage",
    "want": "parts",
    "let-go": "parts",
}
"""Where the page goes on after an action."""


# Photos are read and written before the entry's own transaction.
@transaction.non_atomic_requests
@require_http_methods(["GET", "HEAD", "POST"])
def job(request: HttpRequest, number: int) -> HttpResponse:
    """The job page; POST writes one entry."""
    view = get_job(number)
    if request.method != "POST":
        return _page(request, view)
    action = request.POST.get("action", "")
    try:
        if action == "photo":
            _photos(request, view)
        else:
            append(request, view.job, _entry(request, action))
    except (LogError, PhotoError) as error:
        return _page(request, view, str(error))
    return redirect(reverse("job", args=[number]) + f"#{ANCHORS.get(action, 'log')}")


def _entry(request: HttpRequest, action: str) -> dict[str, Any]:
    form = request.POST
    if action == "note":
        return {"kind": "note", "text": form.get("text", "").strip()}
    if action == "time":
        minutes = number_from(form.get("minutes", ""), tr("Minutes"), "min")
        if minutes is None:
            raise LogError(tr("minutes: nothing found; allowed: a number above 0 [min]"), field="minutes")
        return {"kind": "time", "minutes": minutes, "what": form.get("what", "").strip()}
    if action == "gear":
        return {
            "kind": "gear",
            "gear": form.get("gear", ""),
            "outcome": form.get("outcome", ""),
            "note": form.get("note", "").strip(),
        }
    if action == "access":
        return {"kind": "access", "level": form.get("level", "")}
    if action == "stage":
        return {
            "kind": "stage",
            "stage": form.get("stage", ""),
            "waits_for": form.get("waits_for", "").strip(),
            "why": form.get("why", "").strip(),
        }
    if action == "count":
        return {"kind": "take-in", "accessories": _count(request)}
    if action == "saved":
        return {"kind": "saved", "what": form.get("what", "").strip(), "how": form.get("how", "")}
    if action == "want":
        return _want(request)
    if action == "let-go":
        wanted = whole_from(form.get("wanted", ""), "Wanted", high=10**9)
        return {"kind": "part-let-go", "wanted": wanted, "why": form.get("why", "").strip()}
    raise LogError(
        tr(
            "action: '{action}' found; allowed: note, time, gear, access, stage, saved, count, want, let-go, photo",
            action=action[:40],
        ),
        field="action",
    )


def _want(request: HttpRequest) -> dict[str, Any]:
    """A part that the job wants, as typed. Raises LogError."""
    form = request.POST
    code = form.get("part", "").strip()
    what, by = form.get("what", "").strip(), form.get("by", "").strip()
    if code:
        try:
            part = find_part(code)
        except store.StoreError as error:
            raise LogError(str(error), field="part") from None
        code, what = part.code, what or part.name
    refs = [each for each in form.get("refs", "").replace(",", " ").split() if each]
    count = whole_from(form.get("count", "") or str(max(1, len(refs))), "Pieces")
    more = {"part": code, "refs": refs, "by": by}
    return {"kind": "part-wanted", "what": what, "count": count, **{k: v for k, v in more.items() if v}}


def _count(request: HttpRequest) -> dict[str, str]:
    """The accessories of the count form, as far as they were looked at."""
    form = request.POST
    names = {key.removeprefix("name-"): str(value) for key, value in form.items() if key.startswith("name-")}
    counted = {name: str(form.get(f"accessory-{n}", "")) for n, name in names.items()}
    counted = {name: how for name, how in counted.items() if how}
    if not counted:
        raise LogError(
            tr("accessories: nothing counted; allowed: here, missing or not looked at for each"), field="count"
        )
    return counted


def _photos(request: HttpRequest, view: JobView) -> None:
    files = request.FILES.getlist("photo")
    if not files:
        raise LogError(tr("photo: no file found; allowed: JPEG, PNG or WebP photos of at most 60 MB"), field="photo")
    folder: Path = settings.REFETTLE_PHOTOS
    caption = request.POST.get("caption", "").strip()

    refused: list[str] = []
    kept = 0

    def write() -> None:
        nonlocal kept
        taken = []
        for file in files:
            try:
                taken.append(store_photo(file, folder))
            except PhotoError as error:
                refused.append(f"{file.name}: {error}")
        kept = len(taken)
        now = timezone.now().replace(microsecond=0)
        by = who()
        store.append_all(
            view.job,
            [{"at": now, "who": by, "kind": "photo", "photo": p.sha256, "caption": caption} for p in taken],
        )

    if write_once(request, write) and kept:
        messages.success(request, several("{n} photo kept.", "{n} photos kept.", kept))
    if refused and kept:
        messages.error(request, tr("{count} not kept. {why}", count=len(refused), why=" ".join(refused)))
    elif refused:
        raise LogError(" ".join(refused), field="photo")


def _page(request: HttpRequest, view: JobView, error: str = "") -> HttpResponse:
    state = view.state
    log = lines(view.entries, state.compiled if state else None)
    every = request.GET.get("log") == "all"
    erasure, altered = erased_in(view.job)
    context: dict[str, Any] = {
        "area": "bench",
        "erasure": erasure,
        "altered": altered,
        "gone_photos": erased_photos() if erasure else (),
        "job": view.job,
        "view": view,
        "state": state,
        "log": log if every else log[:LOG_SHOWN],
        "log_more": 0 if every else max(0, len(log) - LOG_SHOWN),
        "error": error,
        "typed": request.POST if error else None,
        "token": new_token(),
        "stages": STAGES,
        "qr": qr(request, reverse("job", args=[view.number])),
        "parts": waiting.waiting().get(view.number) if view.job.closed is None else None,
        "today": timezone.localdate(),
    }
    if state is not None:
        context |= _of_state(view, state)
    return render(request, "refettle/job.html", context, status=422 if error else 200)


def _of_state(view: JobView, state: JobState) -> dict[str, Any]:
    unit = state.compiled.loaded.unit_type
    today = timezone.localdate()
    return {
        "ended": state.stage in store.ENDS,
        "next": kept_next(view),
        "uncounted": [] if state.take_in.get("accessories") else list(enumerate(unit.accessories)),
        "unit_type": unit,
        "slug": view.job.unit.type_version.slug,
        "level": tr(LEVEL_WORDS[LEVELS[state.level]]),
        "levels": [(level, tr(LEVEL_WORDS[level]), n == state.level) for n, level in enumerate(LEVELS)],
        "gear": [_gear(state, g.id, today) for g in state.compiled.model.gear if g.id not in ("eye", "ear", "owner")],
        "open_points": _open_points(state),
        "must_save": state.data_left,
        "accessories": sorted((state.take_in.get("accessories") or {}).items()),
        "condition": sorted((state.take_in.get("condition") or {}).items()),
        "complaints": [
            (state.compiled.steps[point].name.removeprefix("Look: "), outcome) for point, outcome in state.complaints
        ],
    }


def _gear(state: JobState, gear: str, today: Any) -> tuple[str, str, str]:
    known = state.gear.get(gear)
    if known is None:
        status = tr("not checked")
    elif known[0] != today:
        status = tr("last checked {day:%Y-%m-%d}", day=known[0])
    else:
        status = tr("proven today") if known[1] else tr("bad today")
    return gear, tr(GEAR_WORDS.get(gear, gear)), status


def _open_points(state: JobState) -> list[tuple[str, str]]:
    """What stands open, in words, each with the page that settles it."""
    found: list[tuple[str, str]] = []
    if not state.photos:
        found.append(
            (tr("No photo yet. Photograph all sides and every fixing before a screwdriver goes in."), "photos")
        )
    if not state.take_in.get("accessories") and state.compiled.loaded.unit_type.accessories:
        found.append((tr("What came with it has not been counted."), "count"))
    if "first-power" not in state.gates_open:
        problems = state.first_power_problems
        words = tr("The first power-on gate is shut.") + (f" {problems[0]}" if problems else "")
        found.append((words, "power-on"))
    if state.compiled.loaded.unit_type.must_save and "data-saved" not in state.gates_open:
        found.append((tr("Data that must be saved before a battery comes out has not been dealt with."), "saved"))
    return found


@require_safe
def log_file(request: HttpRequest, number: int) -> HttpResponse:
    """The log as a file, one entry a line."""
    view = get_job(number)
    response = HttpResponse(write_jsonl(view.entries), content_type="application/jsonl; charset=utf-8")
    response.headers["Content-Disposition"] = f'attachment; filename="job-{number}-log.jsonl"'
    return response
