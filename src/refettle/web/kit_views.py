"""What the pages about kits share: values in words, cautions, who works."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from django.conf import settings
from django.http import HttpRequest

from refettle.book.files import FileError, fetch
from refettle.book.log import LogError
from refettle.book.models_kits import KitLine, KitVersion
from refettle.book.models_stores import Part
from refettle.book.store import StoreError
from refettle.book.stores_values import rated_of_part, value_words
from refettle.book.typefiles import NoSuchTypeError, available, load_named
from refettle.knowledge.errors import KnowledgeError
from refettle.knowledge.loading import Library, LoadedType, load_library
from refettle.language import mark, tr
from refettle.money.amounts import MoneyError
from refettle.parts.board_reading import BoardReading, read_board
from refettle.parts.board_text import BoardError
from refettle.parts.capacitor import POLAR, CapacitorError
from refettle.parts.kits import KitError
from refettle.quantities import THIN
from refettle.web.signing import who
from refettle.web.views.common import CautionView

ERRORS = (StoreError, KitError, MoneyError, CapacitorError, LogError, FileError, BoardError)
POLARITY = {
    "aluminium": mark("stripe or dark half to minus"),
    "low-impedance": mark("stripe or dark half to minus"),
    "polymer": mark("bar to plus on flat ones, stripe to minus on cans"),
    "tantalum": mark("bar or plus sign to plus"),
    "bipolar": mark("either way round"),
}
"""How the print of a kind tells its polarity: common practice, no source."""
MAINS_VOLT = 200.0
"""Capacitors for so much and more [V] are taken for mains parts, or for those behind its rectifier: a choice."""


@dataclass(frozen=True)
class LineView:
    """A line of a kit as pages and labels show it."""

    line: KitLine
    value: str
    polarity: str
    mains: bool
    free: int = 0
    enough: int = 0
    limits: bool = False
    others: tuple[Part, ...] = ()


def value_of(part: Part) -> str:
    """`100 µF 25 V 105 °C`; the part's name where it has no value."""
    return value_words(part).replace(THIN, "\u202f") or part.name


def is_mains(part: Part) -> bool:
    """True for a part that belongs to the mains side: a safety class, or rated for the rectified mains."""
    return bool(part.rated.get("safety")) or (part.unit == Part.Unit.FARAD and (part.volt or 0.0) >= MAINS_VOLT)


def line_view(line: KitLine, **more: Any) -> LineView:
    """A line with its value, polarity and whether it is a mains part."""
    return LineView(line, value_of(line.part), tr(POLARITY.get(line.part.kind, "")), is_mains(line.part), **more)


def loaded_type(slug: str) -> LoadedType | None:
    """The unit type of a kit; None where its file is gone or cannot be used."""
    if slug not in available(settings.REFETTLE_TYPES):
        return None
    try:
        return load_named(slug, settings.REFETTLE_TYPES, settings.REFETTLE_KINDS)
    except (KnowledgeError, NoSuchTypeError):
        return None


def library() -> Library:
    """The cautions in use."""
    folder = settings.REFETTLE_KINDS
    return load_library(folder if folder.is_dir() and any(folder.iterdir()) else None)


def cautions_of(version: KitVersion) -> tuple[list[CautionView], bool]:
    """The cautions of fitting this kit, and whether any of it is for a competent person: mains parts, a mains unit."""
    loaded = loaded_type(version.slug)
    parts = [line.part for line in version.lines.all()]
    mains = any(is_mains(part) for part in parts)
    mains = mains or (loaded is not None and loaded.unit_type.power_on.feed == "mains")
    ids = list(loaded.unit_type.cautions) if loaded is not None else []
    ids += ["mains"] * mains + ["charged-capacitor", "solder-fume"]
    rated = [found for part in parts if (found := rated_of_part(part)) is not None]
    if any(each.kind in POLAR for each in rated):
        ids.append("burst")
    if any(each.wet for each in rated):
        ids.append("leaked-electrolyte")
    known = (loaded.library if loaded is not None else library()).cautions
    return [CautionView(c, known[c]) for c in dict.fromkeys(ids) if c in known], mains


def board_of(version: KitVersion) -> tuple[BoardReading | None, str]:
    """The board file of a version, read; or why not."""
    if not version.board:
        return None, ""
    try:
        return read_board(fetch(version.board, settings.REFETTLE_FILES)), ""
    except (FileError, BoardError) as error:
        return None, str(error)


def who_works(request: HttpRequest) -> str:
    """The name beside what is written: of who is signed in; without sign-in as typed on the page, else the bench's."""
    if settings.REFETTLE_SIGN_IN:
        return who()
    return (request.POST.get("who") or request.GET.get("who") or who()).strip()[:200]


def place(version: KitVersion) -> str:
    """Board revision and region, as far as they are said."""
    return ", ".join(
        x for x in (tr("board {revision}", revision=version.revision) if version.revision else "", version.region) if x
    )
