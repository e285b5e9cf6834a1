"""Unit types, block kinds, cautions, help: what the bench knows before a unit comes in."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from django.conf import settings
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.views.decorators.http import require_safe

from refettle.book.typefiles import available, load_named
from refettle.knowledge.errors import KnowledgeError
from refettle.knowledge.loading import Library, LoadedType, load_library
from refettle.knowledge.schema import SIGNS, BlockKind, Check, FailureMode, Repair
from refettle.language import mark, spoken, tr
from refettle.web.views.common import CautionView, diagram, qr
from refettle.web.wording import GEAR_WORDS, LEVEL_WORDS

FED = {"mains": mark("fed from the mains"), "adapter": mark("fed by an adapter"), "batteries": mark("fed by batteries")}


@dataclass(frozen=True)
class ListedType:
    """A unit type in the list; with mistakes where its file cannot be used."""

    slug: str
    name: str
    family: str = ""
    maker: str = ""
    years: str = ""
    fed: str = ""
    own: bool = False
    blocks: int = 0
    mistakes: tuple[str, ...] = ()


def listed_types() -> list[ListedType]:
    """Every unit type that can be chosen, by family and name."""
    made = []
    for slug, file in available(settings.REFETTLE_TYPES).items():
        try:
            loaded = load_named(slug, settings.REFETTLE_TYPES, settings.REFETTLE_KINDS)
        except KnowledgeError as error:
            made.append(ListedType(slug, slug, own=file.own, mistakes=tuple(str(m) for m in error.mistakes[:20])))
            continue
        unit = loaded.unit_type
        years = tr("{first} to {last}", first=unit.years[0], last=unit.years[1]) if unit.years else ""
        made.append(
            ListedType(
                slug,
                loaded.name,
                unit.family,
                unit.maker or "",
                years,
                spoken(FED[unit.power_on.feed]),
                file.own,
                len(loaded.blocks),
            )
        )
    return sorted(made, key=lambda t: (t.family, t.name))


def library() -> Library:
    """The block kinds, point kinds and cautions in use."""
    folder = settings.REFETTLE_KINDS
    return load_library(folder if folder.is_dir() and any(folder.iterdir()) else None)


def load_or_404(slug: str) -> LoadedType:
    """A unit type by slug, never by path. Raises Http404 with what is wrong."""
    if slug not in available(settings.REFETTLE_TYPES):
        raise Http404(tr("There is no unit type '{slug}'.", slug=slug))
    try:
        return load_named(slug, settings.REFETTLE_TYPES, settings.REFETTLE_KINDS)
    except KnowledgeError as error:
        raise Http404(tr("The file of unit type '{slug}' cannot be used. {error}", slug=slug, error=error)) from None


# ---------------------------------------------------------------- unit types


@require_safe
def types(request: HttpRequest) -> HttpResponse:
    """The unit types."""
    context = {"area": "types", "types": listed_types(), "folder": settings.REFETTLE_TYPES}
    return render(request, "refettle/types.html", context)


@require_safe
def unit_type(request: HttpRequest, slug: str) -> HttpResponse:
    """One unit type."""
    loaded = load_or_404(slug)
    unit = loaded.unit_type
    blocks = list(loaded.blocks.values())
    names = {b.id: b.name for b in blocks}
    context = {
        "area": "types",
        "slug": slug,
        "loaded": loaded,
        "unit_type": unit,
        "fed": spoken(FED[unit.power_on.feed]),
        "blocks": [(b, [names[n] for n in b.needs], len(b.modes), len(b.checks), len(b.repairs)) for b in blocks],
        "points": [(p, loaded.library.points[p.shows], _seen(p.sees, names)) for p in unit.points.values()],
        "cautions": [CautionView(c, loaded.library.cautions[c]) for c in unit.cautions],
        "diagram": diagram(loaded),
        "qr": qr(request, reverse("type", args=[slug])),
    }
    return render(request, "refettle/type.html", context)


def _seen(sees: str | list[str], names: dict[str, str]) -> str:
    return ", ".join(spoken(names[s]) for s in ([sees] if isinstance(sees, str) else sees))


@require_safe
def type_file(request: HttpRequest, slug: str) -> HttpResponse:
    """The file of a unit type as it is."""
    if slug not in available(settings.REFETTLE_TYPES):
        raise Http404(tr("There is no unit type '{slug}'.", slug=slug))
    path = available(settings.REFETTLE_TYPES)[slug].path
    response = HttpResponse(path.read_bytes(), content_type="text/plain; charset=utf-8")
    response.headers["Content-Disposition"] = f'attachment; filename="{slug}.yaml"'
    return response


# ---------------------------------------------------------------- block kinds


@require_safe
def kinds(request: HttpRequest) -> HttpResponse:
    """The block kinds."""
    found = sorted(library().kinds.values(), key=lambda k: (k.bench_gear, spoken(k.name)))
    return render(request, "refettle/kinds.html", {"area": "kinds", "kinds": found})


@dataclass(frozen=True)
class StepText:
    """A check or repair of a kind, with its cautions in full."""

    id: str
    step: Check | Repair
    access: str
    gear: str
    cautions: list[CautionView]
    shows: list[tuple[str, str]]


@require_safe
def kind(request: HttpRequest, kind_id: str) -> HttpResponse:
    """One block kind."""
    known = library()
    if kind_id not in known.kinds:
        raise Http404(tr("There is no block kind '{kind}'.", kind=kind_id))
    found = known.kinds[kind_id]
    total = sum(m.share for m in found.modes.values())
    checks = [_step(k, c, found, known) for k, c in found.checks.items()]
    repairs = [_step(k, r, found, known) for k, r in found.repairs.items()]
    named = {c.id: c for step in (*checks, *repairs) for c in step.cautions}
    context: dict[str, Any] = {
        "area": "kinds",
        "kind": found,
        "cautions": list(named.values()),
        "modes": [(m, m.share / total, _effects(m), _rate(m)) for m in found.modes.values()],
        "checks": checks,
        "repairs": repairs,
    }
    return render(request, "refettle/kind.html", context)


def _effects(mode: FailureMode) -> str:
    return "; ".join(spoken(SIGNS[sign]) for sign in mode.effect)


def _rate(mode: FailureMode) -> str:
    if not isinstance(mode.active, dict):
        return "" if mode.active >= 1 else tr("shows on {count:.0f} of 100 looks", count=100 * mode.active)
    rates = (
        tr("{condition} on {count:.0f}", condition=spoken(condition), count=100 * rate)
        for condition, rate in mode.active.items()
    )
    return tr("shows, of 100 looks: {rates}", rates=", ".join(rates))


def _step(key: str, step: Check | Repair, kind: BlockKind, known: Library) -> StepText:
    ids = list(dict.fromkeys([*step.cautions, *kind.cautions]))
    names = {k: spoken(m.name) for k, m in kind.modes.items()}
    shows: list[tuple[str, str]] = []
    gear = ""
    if isinstance(step, Check):
        gear = spoken(GEAR_WORDS.get(step.gear, step.gear))
        for outcome, causes in step.outcomes.items():
            shows.append((spoken(outcome), "; ".join(names.get(c, spoken(SIGNS.get(c, c))) for c in causes)))
    else:
        shows = [(names.get(m, m), tr("about {count:.0f} in 100", count=100 * p)) for m, p in step.fixes.items()]
    cautions = [CautionView(c, known.cautions[c]) for c in ids if c in known.cautions]
    return StepText(key, step, spoken(LEVEL_WORDS[step.access]), gear, cautions, shows)


# ---------------------------------------------------------------- cautions, help


@require_safe
def cautions(request: HttpRequest) -> HttpResponse:
    """Every caution in full."""
    found = [CautionView(key, c) for key, c in library().cautions.items()]
    return render(request, "refettle/cautions.html", {"area": "cautions", "cautions": found})


@require_safe
def help_page(request: HttpRequest) -> HttpResponse:
    """How a job flows, the words, the figures, the keys."""
    return render(request, "refettle/help.html", {"area": "help", "rate": settings.REFETTLE_RATE})
