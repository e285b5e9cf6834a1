"""What is printed of kits: labels of kits and bags, and the contents sheet that goes into the bag."""

from __future__ import annotations

from dataclasses import dataclass

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.utils import timezone
from django.utils.safestring import SafeString, mark_safe
from django.views.decorators.http import require_safe

from refettle.book import kits_batch, kits_check, kits_trace
from refettle.book.models_kits import Kit, KitLine, KitStep
from refettle.book.models_stores import Part
from refettle.drawing.board import board_map
from refettle.web.kit_views import board_of, cautions_of, line_view, loaded_type, place, value_of
from refettle.web.views.common import qr
from refettle.web.views.kits import around, version_or_404
from refettle.web.views.kits_bench import batch_or_404


@dataclass(frozen=True)
class BagLabel:
    """What is printed on one bag."""

    code: str
    value: str
    line: KitLine
    part: str
    pieces: int
    polarity: str
    mains: bool
    lots: str
    who: str
    qr: SafeString


def code_qr(text: str) -> SafeString:
    """A QR code as large as its place: of a bare code, for a scanner that types, or of an address."""
    import segno

    code = segno.make(text, error="m", micro=False)
    made: str = code.svg_inline(scale=2, border=2, omitsize=True, svgclass="qr", lineclass="qr-ink")
    made = made.replace("<svg ", '<svg aria-hidden="true" ', 1)  # the code stands beside it in letters
    return mark_safe(made)  # noqa: S308 - an SVG of squares


@require_safe
def labels(request: HttpRequest, number: int) -> HttpResponse:
    """Labels of a batch: one for each kit, or with `what=bags` one for each bag, of one line or of all."""
    batch = batch_or_404(number)
    state = kits_batch.state_of(batch)
    _, mains = cautions_of(batch.version)
    loaded = loaded_type(batch.version.slug)
    what = "bags" if request.GET.get("what") == "bags" else "kits"
    chosen = request.GET.get("line", "")
    context = around(
        batch=batch,
        version=batch.version,
        type_name=loaded.name if loaded else batch.version.slug,
        place=place(batch.version),
        what=what,
        line=chosen,
        mains=mains,
        pieces=sum(each.line.quantity for each in state.lines),
        spares=sum(each.line.spares for each in state.lines),
        now=timezone.now(),
    )
    if what == "bags":
        context["bags"] = [
            label for each in state.lines if chosen in ("", str(each.line.n)) for label in _bag_labels(each, state)
        ]
    else:
        context["kits"] = [
            (code, n, state.kits.get(n), code_qr(request.build_absolute_uri(reverse("kit-find", args=[code]))))
            for n in range(1, batch.count + 1)
            for code in [kits_batch.kit_code(batch, n)]
        ]
    return render(request, "refettle/kit_labels.html", context)


def _bag_labels(each: kits_batch.LineState, state: kits_batch.BatchState) -> list[BagLabel]:
    """One label for each kit's bag of a line, with its lots once it is filled."""
    view = line_view(each.line)
    code = kits_batch.bag_code(state.batch, each.line)
    picture = code_qr(code)
    parts = {part.code: part for part in Part.objects.filter(code__in={run.part for run in each.runs})}
    made = []
    for run in each.runs:
        value = value_of(parts[run.part])
        for n in range(run.first, run.last + 1):
            steps = [step for step in each.steps if kits_batch.pieces_in(step, n)]
            lots = ", ".join(dict.fromkeys(str(step.movement.lot) for step in steps if step.movement))
            who = next((f"{step.who}, {step.at:%Y-%m-%d}" for step in steps), "")
            made.append(
                BagLabel(
                    code, value, each.line, run.part, each.line.quantity, view.polarity, view.mains, lots, who, picture
                )
            )
    return made


@require_safe
def contents(request: HttpRequest, number: int) -> HttpResponse:
    """The contents sheet of a version, or with `kit=CODE` of one kit: list, board map, cautions."""
    version = version_or_404(number)
    kit = Kit.objects.filter(batch__version=version, code__iexact=request.GET.get("kit", "")).first()
    reading, trouble = board_of(version)
    cautions, mains = cautions_of(version)
    loaded = loaded_type(version.slug)
    back = reverse("kit-find", args=[kit.code]) if kit else reverse("kit-version", args=[version.pk])
    checked = (
        kit.batch.steps.filter(kind=KitStep.Kind.CHECKED, data__kit=kit.number).order_by("-pk").first() if kit else None
    )
    used = {each.line.n: each.lot.part for each in kits_trace.lots_of(kit)} if kit else {}
    lines = [(line_view(line), used.get(line.n, line.part)) for line in version.lines.all()]
    context = around(
        version=version,
        kit=kit,
        checked=checked,
        type_name=loaded.name if loaded else version.slug,
        place=place(version),
        lines=[(view, part, value_of(part)) for view, part in lines],
        pieces=sum(view.line.quantity for view, _ in lines),
        spares=sum(view.line.spares for view, _ in lines),
        map=mark_safe(board_map(reading)) if reading else "",  # noqa: S308 - drawn by our own code
        trouble=trouble,
        cautions=cautions,
        mains=mains,
        target=kits_check.TARGET,
        qr=qr(request, back),
        now=timezone.now(),
    )
    return render(request, "refettle/kit_sheet.html", context)
