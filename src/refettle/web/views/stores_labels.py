"""Labels of parts and lots, on sheets to print."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.utils.safestring import mark_safe
from django.views.decorators.http import require_safe

from refettle import units
from refettle.book.models_stores import Lot, Part
from refettle.book.stores_search import MAX_LENGTH, find
from refettle.drawing.label_sheet import PAPERS, Label, LabelSheetError, Sheet, sheets
from refettle.language import mark, tr
from refettle.web.views.stores import around, printable, value_of

LAYOUTS = (
    ("A4, 3 by 8", Sheet()),
    ("A4, 4 by 12", Sheet("A4", 4, 12, 10, 8, 2.5, 0)),
    ("A4, 2 by 7", Sheet("A4", 2, 7, 15, 5, 2.5, 0)),
    (mark("Letter, 3 by 10"), Sheet("Letter", 3, 10, 12.7, 4.8, 3.2, 0)),
    (mark("Letter, 4 by 12"), Sheet("Letter", 4, 12, 12.7, 8, 3, 0)),
    (mark("Letter, 2 by 7"), Sheet("Letter", 2, 7, 20, 4.5, 4.5, 0)),
)
"""To start from: plain grids, no maker's."""
MOST_COPIES = 100


@dataclass(frozen=True)
class Wanted:
    """What is to be printed."""

    parts: tuple[Part, ...]
    lots: tuple[Lot, ...]
    missing: tuple[str, ...] = ()


@require_safe
def labels(request: HttpRequest) -> HttpResponse:
    """The form beside the sheets as they will be printed."""
    asked = request.GET
    wanted = _wanted(request)
    error, drawn, sheet, start, copies = "", [], Sheet(), 1, 1
    typed = {name: asked.get(name, "") for name in ("paper", "columns", "rows", "top", "left", "gap_x", "gap_y")}
    try:
        sheet = _sheet(asked)
        start = _whole(asked.get("start", "") or "1", "start", 1, sheet.cells)
        copies = _whole(asked.get("copies", "") or "1", "copies", 1, MOST_COPIES)
        made = [
            each
            for each in (*(_of_part(request, p) for p in wanted.parts), *(_of_lot(request, x) for x in wanted.lots))
            for _ in range(copies)
        ]
        if made:
            drawn = sheets(made, sheet, start, asked.get("outlines") == "1")
    except LabelSheetError as wrong:
        error = str(wrong)
    context = around(
        "stores-labels",
        wanted=wanted,
        sheets=[mark_safe(each) for each in drawn],  # noqa: S308 - drawn by our own code, which escapes
        sheet=sheet,
        shown={name: typed[name] if error and typed[name] else _shown(getattr(sheet, name)) for name in typed},
        papers=tuple(PAPERS),
        layouts=[(name, each) for name, each in LAYOUTS],
        start=asked.get("start", "") or start,
        copies=asked.get("copies", "") or copies,
        plain=asked.get("qr") == "code",
        outlines=asked.get("outlines") == "1",
        places=[p for p in Part.objects.order_by("place").values_list("place", flat=True).distinct() if p],
        place=asked.get("place", ""),
        error=error,
        chosen=[*(("part", p.code) for p in wanted.parts), *(("lot", str(x.pk)) for x in wanted.lots)],
    )
    return render(request, "refettle/stores_labels.html", context, status=422 if error else 200)


def _wanted(request: HttpRequest) -> Wanted:
    """Parts by code, lots by number, what lies in a place, or what was searched."""
    asked = request.GET
    codes = list(dict.fromkeys(printable(code)[:40] for code in asked.getlist("part") if code))[:500]
    found = {part.code: part for part in Part.objects.filter(code__in=codes)}
    numbers = list(dict.fromkeys(int(n) for n in asked.getlist("lot") if n.isdecimal() and len(n) < 10))[:500]
    lots = Lot.objects.filter(pk__in=numbers).select_related("part").in_bulk()
    parts = [found[code] for code in codes if code in found]
    if place := printable(asked.get("place", ""))[:120]:
        parts += [p for p in Part.objects.filter(place=place).order_by("code")[:500] if p.code not in found]
    if text := asked.get("q", "")[:MAX_LENGTH].strip():
        parts += [p for p in find(text).parts(0, 100) if p.code not in found]
    missing = [code for code in codes if code not in found] + [
        tr("lot {number}", number=n) for n in numbers if n not in lots
    ]
    return Wanted(tuple(parts), tuple(lots[n] for n in numbers if n in lots), tuple(missing))


def _sheet(asked: Any) -> Sheet:
    """The sheet as typed; a layout to start from where one was chosen. Raises LabelSheetError."""
    start = dict(LAYOUTS).get(asked.get("layout", ""), None)
    if start is not None:
        return start
    plain = dict(LAYOUTS)["Letter, 3 by 10"] if units.current() == "us" else Sheet()
    return Sheet(
        asked.get("paper", "") or plain.paper,
        _whole(asked.get("columns", "") or str(plain.columns), "columns", 1, 40),
        _whole(asked.get("rows", "") or str(plain.rows), "rows", 1, 40),
        *(_mm(asked.get(name, ""), name, getattr(plain, name)) for name in ("top", "left", "gap_x", "gap_y")),
    )


def _shown(value: float | int | str) -> str:
    return f"{value:g}" if isinstance(value, float) else str(value)


def _whole(typed: str, name: str, low: int, high: int) -> int:
    if not typed.isdecimal() or not low <= int(typed[:9]) <= high:
        raise LabelSheetError(
            name,
            tr("'{typed}' found; allowed: a whole number from {low} to {high}", typed=typed[:20], low=low, high=high),
        )
    return int(typed)


def _mm(typed: str, name: str, usual: float) -> float:
    if not typed.strip():
        return usual
    try:
        value = float(typed.strip().removesuffix("mm").replace(",", "."))
    except ValueError:
        value = float("nan")
    if not 0 <= value <= 100:
        raise LabelSheetError(name, tr("'{typed}' found; allowed: 0 to 100 mm", typed=typed[:20]))
    return value


def _address(request: HttpRequest, part: Part) -> str:
    return request.build_absolute_uri(reverse("stores-part", args=[part.code]))


def _of_part(request: HttpRequest, part: Part) -> Label:
    value = value_of(part)
    lines = [part.name, value, part.place]
    return Label(part.code, tuple(lines), part.code if request.GET.get("qr") == "code" else _address(request, part))


def _of_lot(request: HttpRequest, lot: Lot) -> Label:
    part = lot.part
    named = tr("lot {number}", number=lot.pk) + (f", {lot.code}" if lot.code else "")
    days = [tr("made {day:%Y-%m}", day=lot.made)] if lot.made else []
    days += [tr("since {day:%Y-%m-%d}", day=lot.since)] if lot.since else []
    state = "" if lot.proven else tr("unproven")
    lines = (named, ", ".join([*days, *([state] if state else [])]), value_of(part) or part.name, lot.source)
    plain = request.GET.get("qr") == "code"
    return Label(
        part.code,
        lines,
        f"{part.code} lot {lot.pk}" if plain else f"{_address(request, part)}#lot-{lot.pk}",
    )
