"""The handover report as pages, PDF and files show it: one way for the browser and the command line."""

from __future__ import annotations

import base64
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from importlib.resources import files
from pathlib import Path
from typing import Any

from django.conf import settings
from django.template.loader import render_to_string
from django.utils import timezone
from django.utils.safestring import SafeString, mark_safe

from refettle.book.handover import handover
from refettle.book.handover_model import Handover, PhotoPair, Recorded
from refettle.book.handover_model import Photo as ReportPhoto
from refettle.book.handover_photos import RULE
from refettle.book.handover_public import publishable
from refettle.book.models import Photo
from refettle.book.personal import personal_words
from refettle.book.photos import PhotoError, copy_path, original_path
from refettle.web.handover_plots import drawn_plots
from refettle.web.print_pdf import pdf_of, photo_address, small_photo
from refettle.web.views.common import JobView
from refettle.web.wording import lines

FIGURES, WEAR, PAIRS = 8, 6, 2
"""So many of each stand on the one page; the rest is in the full record."""
FULL_PX, ONE_PX = 800, 420
"""Longest side of a photo in print [px]: half a page wide, and small on the one page."""
SIZES = {"a4": "A4", "letter": "letter"}
Source = Callable[[str], str]
"""Where a photo is fetched from, by its sha256."""


@dataclass(frozen=True)
class Asked:
    """What report is wanted. `leave`: entries whose photos are left out."""

    full: bool = False
    priced: bool = False
    public: bool = False
    leave: frozenset[int] = frozenset()
    size: str = "a4"


@dataclass(frozen=True)
class Shown:
    """A photo with where it is fetched from; empty where its file is missing."""

    photo: ReportPhoto
    src: str


@dataclass(frozen=True)
class ShownPair:
    """Two photos side by side."""

    words: str
    before: ReportPhoto
    after: ReportPhoto
    before_src: str
    after_src: str


def report_of(view: JobView, asked: Asked) -> Handover:
    """The report of a job, without personal data where it is to be published."""
    compiled = view.state.compiled if view.state is not None else None
    said = {line.n: line for line in lines(view.entries, compiled)}

    def describe(entry: Mapping[str, Any]) -> Recorded:
        line = said[entry["n"]]
        return Recorded(
            line.n, line.at, line.who, line.kind, line.title, line.text, line.note, line.photo, line.corrected_by,
            line.corrects,
        )  # fmt: skip

    made = handover(
        view.job,
        view.state,
        view.entries,
        timezone.localdate(),
        trouble=view.trouble,
        currency=settings.REFETTLE_CURRENCY,
        priced=asked.priced and not asked.public,
        describe=describe,
        without=asked.leave,
    )
    return publishable(made, personal_words(view.job, view.entries)) if asked.public else made


def context_of(made: Handover, asked: Asked, source: Source, qr: SafeString | str = "") -> dict[str, Any]:
    """What the templates of the report need."""
    there = _there(made)
    pairs = [_pair(pair, source) for pair in made.pairs if {pair.before.sha256, pair.after.sha256} <= there]
    shown = {id_ for pair in pairs for id_ in (pair.before.n, pair.after.n)}
    singles = [Shown(p, source(p.sha256) if p.sha256 in there else "") for p in made.photos if p.n not in shown]
    both = [m for m in made.measured if m.before and m.after]
    figures = made.measured if asked.full else (both or [m for m in made.measured if "unpowered" not in m.where])
    wear = made.wear if asked.full else made.wear[:WEAR]
    figures = figures if asked.full else figures[:FIGURES]
    return {
        "r": made,
        "full": asked.full,
        "qr": "" if asked.public else qr,
        "figures": figures,
        "figures_more": len(made.measured) - len(figures),
        "wear": wear,
        "wear_more": len(made.wear) - len(wear),
        "pairs": pairs,
        "shown_pairs": [] if asked.full else pairs[:PAIRS],
        "singles": singles if asked.full else [],
        "left_out": asked.leave,
        "rule": RULE,
    }


def _pair(pair: PhotoPair, source: Source) -> ShownPair:
    return ShownPair(pair.words, pair.before, pair.after, source(pair.before.sha256), source(pair.after.sha256))


def _there(made: Handover) -> set[str]:
    """Photos whose file is in the folder."""
    folder: Path = settings.REFETTLE_PHOTOS
    wanted = [photo.sha256 for photo in made.photos]
    return {
        row.sha256
        for row in Photo.objects.filter(sha256__in=wanted)
        if copy_path(folder, row.sha256, "screen").exists() or original_path(folder, row.sha256, row.format).exists()
    }


# ---------------------------------------------------------------- documents


def _css(size: str) -> SafeString:
    folder = files("refettle.web") / "static" / "refettle"
    text = "".join((folder / name).read_text("utf-8") for name in ("handover.css", "handover-document.css"))
    return mark_safe(f"{text}@page {{ size: {SIZES[size]}; }}")  # noqa: S308 - our own style sheets


def _document(context: Mapping[str, Any], size: str, fit: str = "") -> str:
    return render_to_string("refettle/handover_document.html", {**context, "css": _css(size), "fit": fit})


def pdf(view: JobView, made: Handover, asked: Asked, qr: SafeString | str = "") -> bytes:
    """The report as PDF. Raises print_pdf.PdfError where none can be written here."""
    longest = FULL_PX if asked.full else ONE_PX
    context = context_of(made, asked, lambda sha: photo_address(sha, longest), qr)
    context["plots"] = drawn_plots(view) if asked.full else ()
    fits: Sequence[str] = ("",) if asked.full else ("", "fit-1", "fit-2")
    return pdf_of([_document(context, asked.size, fit) for fit in fits], settings.REFETTLE_PHOTOS)


def html_file(view: JobView, made: Handover, asked: Asked) -> str:
    """The report as one HTML file that needs no other, its photos in it."""

    def source(sha256: str) -> str:
        try:
            data = small_photo(sha256, FULL_PX, settings.REFETTLE_PHOTOS)
        except (PhotoError, OSError):
            return ""
        return "data:image/jpeg;base64," + base64.b64encode(data).decode()

    context = context_of(made, asked, source)
    context["plots"] = drawn_plots(view) if asked.full else ()
    return _document(context, asked.size)


def without_photos(asked: Asked) -> Asked:
    """The same with no photo left out."""
    return replace(asked, leave=frozenset())
