"""The strip-down of a job: what comes off, where it lies on the tray, and back on in reverse order."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, get_args

from django.conf import settings
from django.core.files.uploadedfile import UploadedFile
from django.db import transaction
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils.safestring import mark_safe
from django.views.decorators.http import require_http_methods

from refettle.book.ledger import Ledger, Line
from refettle.book.log import LogEntry, LogError, TakenOff
from refettle.book.models import Photo
from refettle.book.photos import PhotoError, store_photo
from refettle.book.state import JobState
from refettle.drawing.tray import Lying, place_order, screws, tray_map
from refettle.language import decimal, mark, tr
from refettle.web.views.common import (
    CautionView,
    JobView,
    append,
    caution_views,
    get_working_job,
    new_token,
    number_from,
    qr,
    whole_from,
)
from refettle.web.wording import KINDS as KINDS_WORDS
from refettle.web.wording import describe

WHAT = get_args(TakenOff.model_fields["what"].annotation)
DRIVES = (
    mark("cross-head"),
    mark("cross-head, Japanese standard"),
    mark("slotted"),
    mark("hex socket"),
    mark("hex head"),
    mark("six-lobe"),
    mark("six-lobe with pin"),
    mark("three-wing"),
    mark("by hand"),
)
DRIVE_ADVICE = mark(
    "Cross-head of the Japanese standard: use its own driver; a pointed one cams out. Common practice, no source."
)
LOSSES = (
    mark("clips of plastic"),
    mark("insulator sheets between board and metal"),
    mark("mica and bush of the heat-sink screw, and its thermal paste"),
    mark("shields and their ground springs"),
    mark("light pipes and lamp hoods"),
    mark("springs of buttons"),
    mark("felt washers"),
    mark("cable clamps and strain relief"),
    mark("ferrites on leads"),
    mark("foam of the battery door, foot pads, labels"),
)
"""What gets lost between strip-down and refit: the bench's own list."""
KINDS = ("off", "back", "left-off")


@dataclass(frozen=True)
class Card:
    """One line that is still off, as the refit shows it. `key`: the number key that puts it back."""

    line: Line
    key: str = ""

    @property
    def size(self) -> str:
        """`12 mm, cross-head`."""
        length = decimal(self.line.length_mm, "g") + "\u202fmm" if self.line.length_mm else ""
        return ", ".join(part for part in (length, self.line.drive) if part)


# Photos are read and written before the entry's own transaction.
@transaction.non_atomic_requests
@require_http_methods(["GET", "HEAD", "POST"])
def strip_down(request: HttpRequest, number: int) -> HttpResponse:
    """The strip-down page; POST writes one entry."""
    view, state = get_working_job(number)
    if request.method != "POST":
        return _page(request, view, state)
    action = request.POST.get("action", "")
    kept = ""
    try:
        if action == "off":
            kept = _photo(request)
        append(request, view.job, _entry(request, state, action, kept))
    except (LogError, PhotoError) as error:
        return _page(request, view, state, str(error), kept)
    refit = "refit" if action in ("back", "left-off") or request.POST.get("do") == "refit" else "off"
    return redirect(reverse("strip-down", args=[number]) + f"?do={refit}")


def _photo(request: HttpRequest) -> str:
    """The photo sent, or the one kept when the form came back; empty for none."""
    file = request.FILES.get("photo")
    if isinstance(file, UploadedFile):
        folder: Path = settings.REFETTLE_PHOTOS
        return store_photo(file, folder).sha256
    kept = request.POST.get("photo_kept", "")
    return kept if kept and Photo.objects.filter(sha256=kept).exists() else ""


def _entry(request: HttpRequest, state: JobState, action: str, photo: str) -> dict[str, Any]:
    form = request.POST
    item = " ".join(form.get("item", "").split())
    if action == "off":
        return _off(form, state.ledger, item, photo)
    if action == "back":
        return {"kind": "back", "item": item, "count": whole_from(form.get("count", ""), "Count", high=500)}
    if action == "left-off":
        return {"kind": "left-off", "item": item, "why": form.get("why", "").strip()}
    if action == "void":
        n = whole_from(form.get("n", ""), tr("Entry"), high=100_000_000)
        if not any(e.n == n and e.kind in KINDS for e in state.entries):
            raise LogError(tr("n: {n} found; allowed: an entry of the strip-down", n=n), field="n")
        return {"kind": "correction", "corrects": n, "with": None, "why": "taken back at once"}
    if action == "caution":
        return {"kind": "caution", "caution": form.get("caution", "")}
    raise LogError(
        tr("action: '{action}' found; allowed: off, back, left-off, void, caution", action=action[:40]), field="action"
    )


def _off(form: Mapping[str, str], book: Ledger, item: str, photo: str) -> dict[str, Any]:
    if not item:
        raise LogError(tr("item: nothing found; allowed: a name by which you will know it at refit"), field="item")
    entry: dict[str, Any] = {
        "kind": "off",
        "item": item,
        "what": form.get("what", ""),
        "count": whole_from(form.get("count", ""), "Count", high=500),
        "drive": form.get("drive", "").strip(),
        "tray": " ".join(form.get("tray", "").split()),
        "place": form.get("place", "").strip(),
        "note": form.get("note", "").strip(),
    }
    length = number_from(form.get("length_mm", ""), tr("Length"), "mm", low=0.1, high=500)
    if length is not None:
        entry["length_mm"] = length
    if photo:
        entry["photo"] = photo
    line = book.lines.get(item)
    if line is None:
        entry["tray"] = entry["tray"] or next_place(book)
    else:
        _same_thing(line, entry)
    return {key: value for key, value in entry.items() if value != ""}


def _same_thing(line: Line, entry: Mapping[str, Any]) -> None:
    """More of what is on the tray already must be like it: else a long screw is lost among short ones."""
    names = {"length_mm": tr("length"), "drive": tr("drive"), "tray": tr("tray place")}
    for field, name in names.items():
        old, new = getattr(line, field), entry.get(field)
        if new and new != old:
            raise LogError(
                tr(
                    "{name}: '{item}' found with {name} {new}; it is on the tray already with {name} {old}; allowed: "
                    "the same, or a name of its own",
                    name=name,
                    item=line.item,
                    new=_figure(new),
                    old=_figure(old) if old else tr("not said"),
                ),
                field=field,
            )


def _figure(value: object) -> str:
    return f"{decimal(value, 'g')} mm" if isinstance(value, float) else f"'{value}'"


def next_place(book: Ledger) -> str:
    """The lowest number above every numbered place in use."""
    used = [int(line.tray) for line in book.lines.values() if line.tray.isdecimal() and len(line.tray) < 5]
    return str(max(used, default=0) + 1)


# ---------------------------------------------------------------- the page


def lying(book: Ledger) -> list[Lying]:
    """The lines as the drawings take them, in the order they came off."""
    return [
        Lying(
            line.item,
            line.what,
            line.tray,
            line.off,
            line.missing,
            line.length_mm,
            line.drive,
            line.missing > 0 and bool(line.why_left),
        )
        for line in book.lines.values()
    ]


def _last(state: JobState) -> LogEntry | None:
    """The last strip-down entry that counts."""
    return next((e for e in reversed(state.entries) if e.kind in KINDS and not e.void), None)


def _cautions(state: JobState) -> list[CautionView]:
    unit = state.compiled.loaded.unit_type
    fed = ["mains", "charged-capacitor"] if unit.power_on.feed == "mains" else []
    return caution_views(state.compiled.loaded, list(dict.fromkeys([*unit.cautions, *fed])), state.cautions_read)


def _page(request: HttpRequest, view: JobView, state: JobState, error: str = "", photo: str = "") -> HttpResponse:
    book, last = state.ledger, _last(state)
    typed = request.POST if error else None
    cards = [Card(line, str(n) if n < 10 else "") for n, line in enumerate(book.open_lines, start=1)]
    refit = request.GET.get("do", "refit" if last is not None and last.kind != "off" else "off") == "refit"
    if typed is not None:
        refit = typed.get("action") in ("back", "left-off")
    cautions = _cautions(state)
    there = lying(book)
    context = {
        "area": "bench",
        "job": view.job,
        "view": view,
        "refit": refit and bool(book.lines),
        "lines": sorted(book.lines.values(), key=lambda line: place_order(line.tray)),
        "cards": cards,
        "pieces": sum(card.line.missing for card in cards),
        "left": [line for line in book.lines.values() if line.missing and line.why_left],
        "to_read": [c for c in cautions if c.caution.gate and not c.read],
        "cautions": [c for c in cautions if c.read or not c.caution.gate],
        "last": last,
        "last_text": f"{tr(KINDS_WORDS[last.kind])}: {describe(last.kind, last.data, state.compiled)}" if last else "",
        "what": [(each, tr(each)) for each in WHAT],
        "drives": [(each, tr(each)) for each in DRIVES],
        "drive_advice": tr(DRIVE_ADVICE),
        "losses": [tr(each) for each in LOSSES],
        "next_place": next_place(book),
        "tray": mark_safe(tray_map(there)),  # noqa: S308 - drawn by our own code, which escapes what it is given
        "screws": mark_safe(screws(there)),  # noqa: S308
        "photo_kept": photo,
        "error": error,
        "typed": typed,
        "token": new_token(),
        "qr": qr(request, reverse("strip-down", args=[view.number])),
    }
    return render(request, "refettle/strip_down.html", context, status=422 if error else 200)
