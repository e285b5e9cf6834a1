"""The board of a job: its capacitors, where each sits, which way round, how urgent; and readings of them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path, PurePath
from typing import Any

from django.conf import settings
from django.contrib import messages
from django.core.files.uploadedfile import UploadedFile
from django.db import transaction
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.http import urlencode
from django.utils.safestring import SafeString, mark_safe
from django.views.decorators.http import require_http_methods

from refettle.book import store
from refettle.book.files import FileError, keep, read_upload
from refettle.book.log import LogError
from refettle.book.models import Photo
from refettle.book.state import JobState
from refettle.drawing.board import board_map
from refettle.language import several, tr
from refettle.parts.board import Side
from refettle.parts.board_reading import read_board
from refettle.parts.board_text import BoardError
from refettle.parts.health import URGENCIES
from refettle.web.boards import ARROWS, MINUS, BoardView, CapacitorView, block_link, board_view
from refettle.web.careful import cautions, charge
from refettle.web.readings import SEEN, Judgement, judgement
from refettle.web.signing import who
from refettle.web.views.common import JobView, append, get_working_job, new_token, number_from, qr, write_once

SIDES: tuple[Side, ...] = ("front", "back")


ZOOM = 0.45  # of a photo's sides, in a close-up of one part
AWAY = {"up": (0.0, -1.0), "down": (0.0, 1.0), "left": (-1.0, 0.0), "right": (1.0, 0.0)}


@dataclass(frozen=True)
class Mark:
    """A capacitor marked on a photo: its middle, its name beside it, and where its minus sign is drawn, in px."""

    ref: str
    x: float
    y: float
    name_y: float
    minus: tuple[float, float] | None


@dataclass(frozen=True)
class PhotoView:
    """A photo of the job with the capacitors marked on it. Sizes in px of the picture as taken."""

    sha: str
    caption: str
    width: int
    height: int
    marks: tuple[Mark, ...] = ()
    close: bool = False

    @property
    def reach(self) -> float:
        """Radius of a mark."""
        return max(self.width, self.height) / (28 if not self.close else 40)

    @property
    def window(self) -> str:
        """What of the photo is shown: all of it, or the surroundings of its one mark."""
        if not self.close or len(self.marks) != 1:
            return f"0 0 {self.width} {self.height}"
        wide, high = ZOOM * self.width, ZOOM * self.height
        left = min(max(0.0, self.marks[0].x - wide / 2), self.width - wide)
        top = min(max(0.0, self.marks[0].y - high / 2), self.height - high)
        return f"{left:.0f} {top:.0f} {wide:.0f} {high:.0f}"


# Files are read and kept before the entry's own transaction.
@transaction.non_atomic_requests
@require_http_methods(["GET", "HEAD", "POST"])
def board(request: HttpRequest, number: int) -> HttpResponse:
    """The board page; POST keeps a board file, notes a capacitor, or judges and writes a reading."""
    view, state = get_working_job(number)
    if request.method != "POST":
        return _page(request, view, state)
    action = request.POST.get("action", "")
    ref = request.POST.get("ref", "").strip()
    here = reverse("board", args=[number])
    try:
        if action == "file":
            _keep_file(request, view)
            return redirect(here)
        if action == "caution":
            append(request, view.job, {"kind": "caution", "caution": request.POST.get("caution", "")})
            return redirect(_at(here, ref, "part"))
        if action == "note":
            append(request, view.job, _noted(request, state))
            photo = request.POST.get("photo", "")
            return redirect(f"{here}?{urlencode({'photo': photo})}#note" if photo else _at(here, ref, "part"))
        if action in ("judge", "reading"):
            return _reading(request, view, state, ref, write=action == "reading")
        raise LogError(
            tr("action: '{action}' found; allowed: file, note, judge, reading, caution", action=action[:40]),
            field="action",
        )
    except (LogError, FileError, BoardError) as error:
        return _page(request, view, state, str(error))


def _at(here: str, ref: str, anchor: str) -> str:
    return f"{here}?{urlencode({'ref': ref})}#{anchor}" if ref else here


# ---------------------------------------------------------------- writing


def _keep_file(request: HttpRequest, view: JobView) -> None:
    layout, netlist = request.FILES.get("file"), request.FILES.get("netlist")
    if not isinstance(layout, UploadedFile):
        raise LogError(tr("Board file: no file found; allowed: a board layout, or a parts list as CSV"), field="file")
    data = read_upload(layout, tr("Board file"))
    nets = read_upload(netlist, tr("Netlist")) if isinstance(netlist, UploadedFile) else None
    reading = read_board(data, nets)
    folder: Path = settings.REFETTLE_FILES
    entry: dict[str, Any] = {"kind": "board", "name": PurePath(layout.name or "board").name[:200]}

    def write() -> None:
        entry["file"] = keep(data, folder)
        if nets is not None:
            entry["netlist"] = keep(nets, folder)
        store.append(view.job, entry, who())

    if write_once(request, write):
        found = len(reading.electrolytics)
        parts = len(reading.board.parts)
        messages.success(
            request,
            several(
                "Kept: {parts} parts, {n} electrolytic.", "Kept: {parts} parts, {n} electrolytics.", found, parts=parts
            ),
        )


def _noted(request: HttpRequest, state: JobState) -> dict[str, Any]:
    form = request.POST
    entry: dict[str, Any] = {"kind": "capacitor", "ref": form.get("ref", "").strip()}
    entry["value"] = form.get("value", "").strip()
    for name in ("side", "minus", "note"):
        if form.get(name):
            entry[name] = form[name].strip()
    photo = form.get("photo", "")
    left = number_from(form.get("left", ""), tr("From the left"), "%", high=100)
    top = number_from(form.get("top", ""), tr("From the top"), "%", high=100)
    if photo:
        if photo not in {sha for _, sha, _ in state.photos}:
            raise LogError(tr("photo: one found that is not of this job; allowed: a photo of this job"), field="photo")
        if left is None or top is None:
            raise LogError(
                tr("Place: nothing found; allowed: tap the photo, or both percentages from 0 to 100"), field="x"
            )
        entry |= {"photo": photo, "x": round(left / 100, 4), "y": round(top / 100, 4)}
    return entry


def _reading(request: HttpRequest, view: JobView, state: JobState, ref: str, write: bool) -> HttpResponse:
    found = judgement(state, ref, block_link(state, ref), request.POST)
    if not write:
        return _page(request, view, state, judged=found)
    append(request, view.job, found.entry)
    messages.success(
        request,
        tr(
            "{ref}: {says} by its readings. {counts_for}",
            ref=ref,
            says=tr(found.verdict.says),
            counts_for=found.counts_for,
        ),
    )
    return redirect(_at(reverse("board", args=[view.number]), ref, "part"))


# ---------------------------------------------------------------- showing


def _page(
    request: HttpRequest, view: JobView, state: JobState, error: str = "", judged: Judgement | None = None
) -> HttpResponse:
    typed = request.POST if error or judged else None
    asked = typed or request.GET
    output = request.GET.get("toward", "").strip()[:100]
    page = board_view(state, settings.REFETTLE_FILES, output, timezone.localdate().year)
    wanted = asked.get("ref", "").strip()
    part = page.get(wanted)
    shown = next((p for p in photos(state) if p.sha == asked.get("photo", "")), None)
    context: dict[str, Any] = {
        "area": "bench",
        "job": view.job,
        "view": view,
        "page": page,
        "rows": page.capacitors,
        "part": part,
        "unknown": wanted if wanted and part is None and not typed else "",
        "before": [c for c in page.capacitors if c.before_power],
        "urgencies": {name: tr(text) for name, text in URGENCIES.items()},
        "map": whole_map(page),
        "photo_list": photos(state),
        "shown": shown,
        "minus": [(m, ARROWS[m]) for m in MINUS],
        "sides": SIDES,
        "error": error,
        "typed": typed,
        "token": new_token(),
        "qr": qr(request, reverse("board", args=[view.number])),
    }
    if part is not None:
        context |= _of_part(state, page, part) | {"judged": judged, "seen": SEEN}
    return render(request, "refettle/board.html", context, status=422 if error else 200)


def _of_part(state: JobState, page: BoardView, part: CapacitorView) -> dict[str, Any]:
    return {
        "close_up": close_up(page, part),
        "part_photo": next((p for p in photos(state, only=part.ref) if p.sha == part.photo), None),
        "link": block_link(state, part.ref),
        "cautions": cautions(state, [part], replacing=False),
        "charge": charge(part.rated),
    }


def photos(state: JobState, only: str = "") -> list[PhotoView]:
    """The job's photos with what was noted on each; `only` that part's mark, close up."""
    sizes = {p.sha256: (p.width, p.height) for p in Photo.objects.filter(sha256__in=[s for _, s, _ in state.photos])}
    made = []
    for _, sha, caption in state.photos:
        if sha not in sizes:
            continue
        width, height = sizes[sha]
        blank = PhotoView(sha, caption, width, height, close=bool(only))
        marks = tuple(
            _mark(blank, ref, each)
            for ref, each in state.noted.items()
            if each.get("photo") == sha and each.get("x") is not None and only in ("", ref)
        )
        made.append(replace(blank, marks=marks))
    return made


def _mark(photo: PhotoView, ref: str, noted: Mapping[str, Any]) -> Mark:
    x, y, r = noted["x"] * photo.width, noted["y"] * photo.height, photo.reach
    away = AWAY.get(str(noted.get("minus", "")))
    minus = (x + 1.7 * r * away[0], y + 1.7 * r * away[1]) if away is not None else None
    below = y < 4 * r or (away is not None and away[1] < 0)
    return Mark(ref, x, y, y + 1.9 * r if below else y - 1.9 * r, minus)


def whole_map(page: BoardView) -> SafeString:
    """Both sides of the board; nothing without a board that has places."""
    if page.reading is None or not any(p.placed for p in page.reading.board.parts):
        return mark_safe("")
    svg = board_map(page.reading, states=page.states, ident="whole-map")
    return mark_safe(svg)  # noqa: S308 - drawn by our own code, which escapes what it is given


def close_up(page: BoardView, part: CapacitorView, state: str = "next") -> SafeString:
    """The surroundings of a part, from its own side; nothing where the map cannot show it."""
    if page.reading is None or part.capacitor is None or not part.drawn:
        return mark_safe("")
    states = page.states | ({part.ref: state} if part.state == "in place" else {})
    svg = board_map(page.reading, (part.capacitor.part.side,), part.ref, states, ident="close-up")
    return mark_safe(svg)  # noqa: S308 - drawn by our own code, which escapes what it is given
