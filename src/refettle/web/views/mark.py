"""Reading what is printed on a part: every reading, ranked, with its reasons; colour bands also by tapping colours."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils.safestring import mark_safe
from django.views.decorators.http import require_safe

from refettle.drawing.bands import COLOURS, resistor
from refettle.language import mark, tr
from refettle.parts.markings import KINDS, MarkingError, Reading, read_marking

SHOWN = 5
MOST_BANDS = 6
GAP, UNREADABLE = "|", "?"
COLOUR_WORDS = (
    mark("black"), mark("brown"), mark("red"), mark("orange"), mark("yellow"), mark("green"), mark("blue"),
    mark("violet"), mark("grey"), mark("white"), mark("gold"), mark("silver"), mark("pink"),
)  # fmt: skip
"""The names of the bands, for the catalogues: pages show them as they are kept."""
EXAMPLES = (
    ("104K", mark("ceramic or film capacitor, or a chip resistor")),
    ("4K7", mark("a letter stands for the point")),
    ("100µF 16V 105°C", mark("electrolytic")),
    ("yellow violet red gold", mark("colour bands")),
    ("01C", mark("chip resistor of the 96 series")),
    ("R5", mark("date letters, with the unit’s years")),
    ("4?2", mark("? for what cannot be read")),
)


@dataclass(frozen=True)
class Piece:
    """One piece of the text with its readings; `equal`: how many share the first rank."""

    text: str
    first: tuple[Reading, ...]
    rest: tuple[Reading, ...]
    equal: int

    @property
    def tied(self) -> frozenset[int]:
        """Ranks that more than one reading holds."""
        ranks = [reading.rank for reading in (*self.first, *self.rest)]
        return frozenset(rank for rank in ranks if ranks.count(rank) > 1)


def years_from(text: str) -> tuple[int, int] | None:
    """`1983-1986` or `1984`; None for nothing. Raises MarkingError."""
    pieces = text.replace("–", "-").replace("to", "-").split("-")
    if not text.strip():
        return None
    if len(pieces) > 2 or not all(piece.strip().isdecimal() and len(piece.strip()) == 4 for piece in pieces):
        raise MarkingError(tr("years '{text}' found; allowed: two years as 1983-1986, or one", text=text[:40]))
    return int(pieces[0]), int(pieces[-1])


def pieces_of(readings: list[Reading]) -> list[Piece]:
    """Readings by the piece of the text they read, in its order."""
    by_piece: dict[str, list[Reading]] = {}
    for reading in readings:
        by_piece.setdefault(reading.piece, []).append(reading)
    return [
        Piece(text, tuple(found[:SHOWN]), tuple(found[SHOWN:]), sum(r.rank == found[0].rank for r in found))
        for text, found in by_piece.items()
    ]


def tapped(bands: str, add: str, drop: bool) -> list[str]:
    """The bands so far with one more, or one fewer; what is no colour is left out."""
    row = [word for word in bands.split() if word in (*COLOURS, GAP, UNREADABLE)]
    if drop:
        return row[:-1]
    if add == GAP and (GAP in row or not row):
        return row
    colours = [word for word in row if word != GAP]
    if add in COLOURS or add == UNREADABLE:
        return [*row, add] if len(colours) < MOST_BANDS else row
    return [*row, add] if add == GAP else row


@require_safe
def marking(request: HttpRequest) -> HttpResponse:
    """The page: a text, or bands by tapping. Everything stands in the address; nothing is written."""
    form = request.GET
    tapping = "bands" in form
    row = tapped(form.get("bands", ""), form.get("add", ""), "drop" in form)
    if "clear" in form:
        row = []
    text = " ".join(row) if tapping else form.get("text", "").strip()
    kind = form.get("kind", "")
    years = form.get("years", "").strip()
    count = sum(word != GAP for word in row)
    readings: list[Reading] = []
    error = ""
    if text and (not tapping or count >= 3):
        try:
            readings = read_marking(text, years_from(years), kind or None, latest_year=date.today().year)
        except MarkingError as trouble:
            error = str(trouble)
    if not tapping and readings and readings[0].system.startswith(("colour", "bands", "five bands", "single")):
        row = _row_of(text)
    drawn = resistor(row, readings[0].says if readings else "") if row else ""
    context = {
        "area": "mark",
        "text": text,
        "typed": "" if tapping else form.get("text", ""),
        "kind": kind,
        "years": years,
        "kinds": KINDS,
        "tapping": tapping,
        "row": row,
        "bands": " ".join(row) if tapping else "",
        "more": max(0, 3 - count),
        "full": count >= MOST_BANDS,
        "colours": COLOURS,
        "drawn": mark_safe(drawn),  # noqa: S308 - drawn by our own code, which escapes what it is given
        "pieces": pieces_of(readings),
        "asked": bool(text) and not error and (not tapping or count >= 3),
        "error": error,
        "examples": [(text, tr(what)) for text, what in EXAMPLES],
    }
    return render(request, "refettle/mark.html", context, status=422 if error else 200)


def _row_of(text: str) -> list[str]:
    """Colour names written out in a text; nothing where any is abbreviated, since it may be another colour."""
    words = text.casefold().replace(",", " ").replace("|", " | ").split()
    return words if all(word in (*COLOURS, GAP, UNREADABLE) for word in words) else []
