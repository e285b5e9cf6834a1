"""Whitening in a job: what is due at the tub, parts in and out, what each part says, the next photo."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from django.conf import settings
from django.contrib import messages
from django.core.files.uploadedfile import UploadedFile
from django.db import transaction
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_http_methods

from refettle.book import batches, store
from refettle.book.log import LogError
from refettle.book.photos import PhotoError, store_photo
from refettle.book.state import JobState
from refettle.book.whitening import LIGHT_ONLY, STEP, Batch
from refettle.knowledge.peroxide import load_peroxide
from refettle.language import mark, tr
from refettle.web.batch_views import batch_views, part_view
from refettle.web.probing import tool_cautions
from refettle.web.signing import who
from refettle.web.views.common import (
    JobView,
    append,
    caution_views,
    get_working_job,
    new_token,
    number_from,
    write_once,
)
from refettle.web.wording import KINDS, describe
from refettle.web.yellows import NEUTRALS, TAKEN_WORDS

CAUTIONS = ("peroxide", "uv", "heat", "bromine-dust")
METHODS = {
    "bath": mark("in a bath"),
    "cream": mark("under a cream"),
    "light only": mark("light only, no peroxide"),
    "sun": mark("sun"),
}


# Photos are read and written before the entry's own transaction.
@transaction.non_atomic_requests
@require_http_methods(["GET", "HEAD", "POST"])
def whitening(request: HttpRequest, number: int) -> HttpResponse:
    """The page; POST writes one entry, or takes a photo and goes on to its marks."""
    view, state = get_working_job(number)
    if request.method != "POST":
        return _page(request, view, state)
    action = request.POST.get("action", "")
    try:
        if action == "photo":
            return redirect(_photo(request, number, state))
        if action == "turned":
            _turn(request, view, state)
        else:
            append(request, view.job, _entry(request, state, action))
    except (LogError, PhotoError) as error:
        return _page(request, view, state, str(error), action)
    return redirect(reverse("whitening", args=[number]))


def _photo(request: HttpRequest, number: int, state: JobState) -> str:
    """Keep the photo; where to mark it, or with the marks carried, where it is read."""
    file = request.FILES.get("photo")
    if not isinstance(file, UploadedFile):
        raise LogError(tr("photo: no file found; allowed: a JPEG, PNG or WebP photo with the card"), field="photo")
    folder: Path = settings.REFETTLE_PHOTOS
    sha = store_photo(file, folder).sha256
    form = request.POST
    query = "&".join(f"{k}={form[k]}" for k in ("taken", "neutral", "card") if form.get(k, "").isalnum())
    last = next((e for e in reversed(state.whitening.readings) if e.data.get("frame") == "card"), None)
    if last is not None and form.get("card") != "no":
        query += f"&carry={last.n}"
    return reverse("whitening-photo", args=[number, sha]) + f"?{query}"


def _turn(request: HttpRequest, view: JobView, state: JobState) -> None:
    """Write the turn in every job with parts in the batch."""
    batch = request.POST.get("batch", "")
    entry = {"kind": "turned", "batch": batch, "note": request.POST.get("note", "").strip()}
    others = batches.others_in(batch, view.number)

    def write() -> None:
        with transaction.atomic():
            for job in (view.job, *others):
                store.append(job, entry, who())

    if write_once(request, write) and others:
        told = ", ".join(str(job.number) for job in others)
        messages.info(request, f"Turned, written in this job and in job {told}.")


def _entry(request: HttpRequest, state: JobState, action: str) -> dict[str, Any]:
    form = request.POST
    if action == "in":
        return _in(request)
    if action in ("look", "done", "given-up"):
        why = {"look": "to look", "done": "done", "given-up": "given up"}[action]
        parts = [p for p in form.getlist("part") if p]
        return {"kind": "bath-out", "batch": form.get("batch", ""), "parts": parts, "why": why}
    if action == "back":
        return _back(state, form.get("batch", ""))
    if action == "caution":
        return {"kind": "caution", "caution": form.get("caution", "")}
    if action == "void":
        return _void(state, form.get("n", ""))
    allowed = "photo, in, turned, look, back, done, given-up, void, caution"
    raise LogError(
        tr("action: '{action}' found; allowed: {allowed}", action=action[:40], allowed=allowed), field="action"
    )


def _void(state: JobState, text: str) -> dict[str, Any]:
    last = _last(state)
    if last is None or str(last.n) != text:
        raise LogError(tr("n: {text} found; allowed: the last entry of whitening", text=text[:20]), field="n")
    return {"kind": "correction", "corrects": last.n, "with": None, "why": "taken back at once"}


def _last(state: JobState) -> Any:
    kinds = ("yellow", "bath-in", "turned", "bath-out")
    return next((e for e in reversed(state.entries) if e.kind in kinds and not e.void), None)


def _back(state: JobState, name: str) -> dict[str, Any]:
    """The parts that were out to look, in again on the same terms."""
    batch = state.whitening.batches.get(name)
    if batch is None or not batch.out:
        raise LogError(tr("batch: '{name}' found; allowed: one with parts out to look", name=name[:60]), field="batch")
    entry: dict[str, Any] = {"kind": "bath-in", "batch": name, "parts": batch.out, "note": "back in"}
    entry |= {k: v for k, v in batch.terms.items() if v not in (None, "")}
    first = next(e for e in state.entries if e.n == batch.n)  # what was held to, or why not, when they first went in
    return entry | {k: first.data[k] for k in ("go_ahead", "gates", "without") if k in first.data}


def _in(request: HttpRequest) -> dict[str, Any]:
    form = request.POST
    parts = [" ".join(p.split()) for p in form.get("parts", "").replace("\n", ",").split(",")]
    entry: dict[str, Any] = {
        "kind": "bath-in",
        "batch": " ".join(form.get("batch", "").split()),
        "parts": [p for p in parts if p],
        "method": form.get("method", ""),
        "lamp": " ".join(form.get("lamp", "").split()),
        "percent": number_from(form.get("percent", ""), tr("Strength"), "% w/w", high=100),
        "litres": number_from(form.get("litres", ""), tr("Litres"), "L", high=500),
        "mw_cm2": number_from(form.get("mw_cm2", ""), tr("Light at the part"), "mW/cm²", high=1000),
        "turn_every": number_from(form.get("turn_every", ""), tr("Turn every"), "min", low=1) or 60.0,
        "check_every": number_from(form.get("check_every", ""), tr("Look every"), "min", low=1) or 60.0,
        "gates": form.getlist("gate"),
        "note": form.get("note", "").strip(),
    }
    if form.get("professional") == "yes":
        entry["professional"] = True
    without = form.get("without", "").strip()
    if without:
        entry["without"] = without
    elif form.get("go_ahead", "").isdecimal():
        entry["go_ahead"] = int(form["go_ahead"])
    else:
        raise LogError(
            tr("go_ahead: none found; needed: a go-ahead for whitening, or why it is done without"), field="go_ahead"
        )
    return {k: v for k, v in entry.items() if v is not None}


# ---------------------------------------------------------------- the page


def _page(request: HttpRequest, view: JobView, state: JobState, error: str = "", action: str = "") -> HttpResponse:
    now = timezone.localtime()
    book, law = state.whitening, load_peroxide()
    views = caution_views(state.compiled.loaded, CAUTIONS, state.cautions_read)
    views = views or tool_cautions(CAUTIONS)
    earlier = {b.name: batches.earlier_batches(but=b.name) for b in book.batches.values()}
    parts = []
    for place, part in enumerate(book.parts, start=1):
        batch = book.batch_of(part)
        parts.append(part_view(book, part, earlier[batch.name] if batch else (), now, f"part-{place}"))
    given = [each for each in state.one_way if each.step == STEP and each.taken is None]
    open_now = batches.batches_open()
    join = request.GET.get("join", "")
    typed: dict[str, Any] = dict(request.POST.items()) if error else _joined(open_now, join)
    if book.readings and not error:
        typed.setdefault("taken", book.readings[-1].data.get("taken", "phone"))
    to_read = [c for c in views if c.caution.gate and not c.read]
    last = _last(state)
    others = {
        b.name: tuple(tr("job {number}", number=j.number) for j in batches.others_in(b.name, view.number))
        for b in book.batches.values()
        if not b.over
    }
    context = {
        "area": "bench",
        "job": view.job,
        "view": view,
        "batches": batch_views(book, now, others),
        "due": [d for b in batch_views(book, now, others) for d in b.due if d.late],
        "parts": parts,
        "dark": [d for d in book.due() if d.what == "dark"],
        "readings": list(reversed(book.readings)),
        "given": given,
        "fold": bool(book.batches)
        and not (given or error or join or to_read)
        and any(b.inside for b in book.batches.values()),
        "join": [name for name in open_now if name not in book.batches],
        "known": [p for p in book.parts if not _in_bath(book.batches.values(), p)],
        "gates": [(key, gate, key in LIGHT_ONLY) for key, gate in law.gates.items()],
        "methods": {key: tr(words) for key, words in METHODS.items()},
        "taken_words": {key: tr(words) for key, words in TAKEN_WORDS.items()},
        "neutrals": {key: tr(words) for key, words in NEUTRALS.items()},
        "last": last,
        "last_text": f"{tr(KINDS[last.kind])}: {describe(last.kind, last.data, state.compiled)}" if last else "",
        "cautions": views,
        "to_read": to_read,
        "typed": typed,
        "typed_gates": request.POST.getlist("gate") if error else [],
        "action": action,
        "error": error,
        "public": law.public_percent,
        "token": new_token(),
        "now": now,
    }
    return render(request, "refettle/whitening.html", context, status=422 if error else 200)


def _joined(open_now: Any, join: str) -> dict[str, Any]:
    """The form of a batch that another unit lies in."""
    terms = open_now.get(join)
    if terms is None:
        return {}
    return {"batch": join} | {k: f"{v:g}" if isinstance(v, float) else v for k, v in terms.items() if v is not None}


def _in_bath(every: Any, part: str) -> bool:
    made: list[Batch] = list(every)
    return any(part in b.inside for b in made)
