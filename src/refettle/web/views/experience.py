"""What finished jobs have taught: weights, cures, times; how good the advice was; exchange between benches."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from django.conf import settings
from django.contrib import messages
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils.safestring import mark_safe
from django.views.decorators.http import require_http_methods, require_safe

from refettle.book import exchange, experience, records
from refettle.book.gathered import CureRecord, Experience, Found, Weight
from refettle.book.known_types import types_named
from refettle.book.lesson import WHOLE_UNIT
from refettle.book.typefiles import own_library
from refettle.drawing.calibration import calibration_chart
from refettle.knowledge.errors import KnowledgeError
from refettle.knowledge.loading import Library, LoadedType, load_library
from refettle.language import tr
from refettle.web.views.common import new_token, write_once

FIRST = 10
"""Lines of a list that goes no further."""
PER_PAGE = 25
MOST_UPLOAD = 20_000_000


@dataclass(frozen=True)
class WeightRow:
    """One weight as shown."""

    weight: Weight
    kind: str
    known: bool
    block: str
    way: str


@dataclass(frozen=True)
class CureRow:
    """One cure as shown; `disputed` has both sides as the block kind says."""

    cure: CureRecord
    kind: str
    known: bool
    name: str
    disputed: str
    agrees: bool


@require_http_methods(["GET", "HEAD", "POST"])
def experience_page(request: HttpRequest) -> HttpResponse:
    """What this bench has learned; POST takes in another bench's file, takes one out or puts it back."""
    if request.method != "POST":
        return _page(request)
    action = request.POST.get("action", "")
    try:
        if action == "import":
            write_once(request, lambda: _import(request))
        elif action in ("take-out", "put-back"):
            switch = exchange.take_out if action == "take-out" else exchange.put_back
            switch(request.POST.get("bench", ""))
        else:
            raise exchange.ExchangeError(
                tr("action: '{action}' found; allowed: import, take-out, put-back", action=action[:20])
            )
    except exchange.ExchangeError as error:
        return _page(request, str(error))
    return redirect(reverse("experience") + "#others")


def _import(request: HttpRequest) -> None:
    sent = request.FILES.get("file")
    if sent is None:
        raise exchange.ExchangeError(tr("file: nothing found; allowed: a file of another bench"))
    if (sent.size or 0) > MOST_UPLOAD:
        raise exchange.ExchangeError(
            tr(
                "file: {size:,} bytes found; allowed here: {most:,}; others by the command line",
                size=sent.size,
                most=MOST_UPLOAD,
            )
        )
    try:
        text = sent.read().decode("utf-8-sig")
    except UnicodeDecodeError:
        raise exchange.ExchangeError(tr("file: bytes that are no UTF-8 found; allowed: text in UTF-8")) from None
    merged = exchange.merge(text, request.POST.get("name", ""))
    messages.info(
        request,
        tr(
            "{new} new jobs, {longer} with a longer log, {had} had before, {own} of this bench.",
            new=merged.new,
            longer=merged.longer,
            had=merged.had + merged.differ,
            own=merged.own,
        ),
    )


def _page(request: HttpRequest, error: str = "") -> HttpResponse:
    left = experience.refresh(experience.AT_ONCE)
    learned = experience.experience()
    left += experience.behind(learned)
    library = _library()
    used = records.records_in_use()
    weights = Paginator(learned.weights, PER_PAGE).get_page(request.GET.get("weights"))
    cures = Paginator(learned.cures, PER_PAGE).get_page(request.GET.get("cures"))
    shown = [*(each.type for each in weights), *(each.type for each in learned.found[:FIRST])]
    named = types_named(shown)
    context = {
        "area": "experience",
        "learned": learned,
        "left": left,
        "weights": [_weight(library, named, each) for each in weights],
        "weights_page": weights,
        "cures": [_cure(library, each) for each in cures],
        "cures_page": cures,
        "found": [_found(named, each) for each in learned.found[:FIRST]],
        "troubles": experience.troubles()[:FIRST],
        "sources": exchange.sources(),
        "records": used,
        "rates": [r for name in records.categories() if (r := records.base_rates(name)) is not None] if used else [],
        "error": error,
        "name": request.POST.get("name", ""),
        "token": new_token(),
    }
    return render(request, "refettle/experience.html", context, status=422 if error else 200)


def _library() -> Library:
    try:
        return own_library(settings.REFETTLE_KINDS)
    except KnowledgeError:
        return load_library()


def _kind_name(library: Library, kind: str) -> str:
    known = library.kinds.get(kind)
    return known.name if known else kind.replace("-", " ")


def _block_name(named: Mapping[str, LoadedType], name: str, block: str) -> str:
    """A block's name, where its unit type is known and has it; else its id in words."""
    known = named.get(name)
    return known.blocks[block].name if known and block in known.blocks else block.replace("_", " ")


def _weight(library: Library, named: Mapping[str, LoadedType], weight: Weight) -> WeightRow:
    factor = weight.factor
    way = tr("surely more") if factor.low > 1 else tr("surely less") if factor.high < 1 else tr("may be luck")
    return WeightRow(
        weight,
        _kind_name(library, weight.kind),
        weight.kind in library.kinds,
        _block_name(named, weight.type, weight.block),
        way,
    )


def _cure(library: Library, cure: CureRecord) -> CureRow:
    kind = library.kinds.get(cure.kind)
    repair = kind.repairs.get(cure.repair) if kind else None
    source = (repair.source or "") if repair else ""
    return CureRow(
        cure,
        tr("The whole unit") if cure.kind == WHOLE_UNIT else _kind_name(library, cure.kind),
        cure.kind in library.kinds,
        repair.name if repair else cure.repair.replace("-", " "),
        source.removeprefix("disputed:").strip() if source.startswith("disputed") else "",
        cure.chance.low <= cure.said <= cure.chance.high,
    )


def _found(named: Mapping[str, LoadedType], found: Found) -> dict[str, object]:
    block, _, mode = found.mode.rpartition(".")
    known = named.get(found.type)
    at = known.blocks.get(block) if known else None
    name = at.modes[mode].name if at and mode in at.modes else mode.replace("-", " ")
    where = _block_name(named, found.type, block)
    return {"name": name, "block": where, "type": found.type, "found": found.found, "jobs": found.jobs}


@require_safe
def advice_page(request: HttpRequest) -> HttpResponse:
    """How good the advice was: said against found, and minutes beside replacing everything."""
    left = experience.refresh(experience.AT_ONCE)
    learned: Experience = experience.experience()
    left += experience.behind(learned)
    chart = ""
    if learned.advice is not None:
        # Drawn by our own code from numbers alone.
        chart = mark_safe(calibration_chart(learned.advice, said=tr("said to be bad"), came=tr("was bad")))  # noqa: S308
    saved = learned.saved
    context = {
        "area": "experience",
        "learned": learned,
        "left": left,
        "advice": learned.advice,
        "chart": chart,
        "saved": saved,
        "per_job": saved.minutes / saved.jobs if saved else 0.0,
        "better": learned.advice is not None and learned.advice.log_loss < learned.advice.plain_loss,
    }
    return render(request, "refettle/experience_advice.html", context)


@require_safe
def export_file(request: HttpRequest) -> HttpResponse:
    """The file for other benches."""
    experience.refresh(experience.AT_ONCE)
    answer = HttpResponse(exchange.export(), content_type="application/json; charset=utf-8")
    answer["Content-Disposition"] = 'attachment; filename="refettle-experience.json"'
    return answer
