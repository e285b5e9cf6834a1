"""The gate before the first power-on."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from django.db import transaction
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_http_methods

from refettle import quantities
from refettle.book.log import LogError
from refettle.book.power import power_cautions
from refettle.book.state import JobState
from refettle.knowledge.compile import FIRST_POWER
from refettle.language import spoken, tr
from refettle.web.templatetags.bench import engineering
from refettle.web.views.common import JobView, append, caution_views, get_working_job, new_token, number_from

FACTS = ("output", "volts", "amps", "polarity", "plug")
HIGH = 3.0
"""A rail that reads so many times its reference is worth a second look (estimate)."""
OHMS = {"": 1.0, "k": 1e3, "M": 1e6}


@dataclass(frozen=True)
class Fact:
    """One of the five adapter facts, as the type's file gives it."""

    id: str
    name: str
    wanted: str
    given: str


@dataclass(frozen=True)
class RailView:
    """One rail to measure to ground before power."""

    id: str
    name: str
    volts: str
    reference: str
    typed: str
    unit: str


# The entry is written by the store in its own transaction.
@transaction.non_atomic_requests
@require_http_methods(["GET", "HEAD", "POST"])
def power_on(request: HttpRequest, number: int) -> HttpResponse:
    """The gate's page; POST writes what was confirmed and measured, or that a caution was read."""
    view, state = get_working_job(number)
    if request.method != "POST":
        return _page(request, view, state)
    try:
        if request.POST.get("action") == "caution":
            entry: dict[str, Any] = {"kind": "caution", "caution": request.POST.get("caution", "")}
        else:
            entry = _entry(request, state)
        append(request, view.job, entry)
    except LogError as error:
        return _page(request, view, state, str(error))
    return redirect(reverse("power-on", args=[number]))


def _entry(request: HttpRequest, state: JobState) -> dict[str, Any]:
    form, unit = request.POST, state.compiled.loaded.unit_type
    entry: dict[str, Any] = {"kind": "first-power", "note": form.get("note", "").strip()}
    if unit.adapter is not None:
        entry["adapter"] = {f: form[f"adapter-{f}"] for f in FACTS if form.get(f"adapter-{f}")}
    rails: dict[str, float] = {}
    for key, rail in unit.power_on.rails.items():
        value = _ohm(
            form.get(f"rail-{key}", ""),
            form.get(f"rail-{key}-unit", ""),
            tr("{name} to ground", name=spoken(rail.name)),
        )
        if value is not None:
            rails[key] = value
    entry["rails_ohm"] = rails
    limit = number_from(form.get("limit_amps", ""), tr("Current limit"), "A", low=0.001, high=100)
    if limit is not None:
        entry["limit_amps"] = limit
    entry["limiter"] = form.get("limiter", "").strip()
    entry["rattle"] = form.get("rattle", "").strip()
    return entry


def _ohm(text: str, prefix: str, name: str) -> float | None:
    """A resistance [Ω] from what was typed, which may carry its own prefix (1k5), and the unit chosen beside it."""
    if not text.strip():
        return None
    if prefix not in OHMS:
        raise LogError(
            tr("{name}: unit '{prefix}' found; allowed: Ω, kΩ, MΩ", name=name, prefix=prefix[:9]), field="rails_ohm"
        )
    if not any(c.isalpha() or c == "Ω" for c in text):
        value = number_from(text, name, "Ω", high=1e9)
        return None if value is None else value * OHMS[prefix]
    if prefix:
        raise LogError(
            tr(
                "{name}: '{text}' found beside {prefix}Ω; allowed: the unit once",
                name=name,
                text=text[:40],
                prefix=prefix,
            ),
            field="rails_ohm",
        )
    try:
        return quantities.parse(text, "Ω")
    except quantities.QuantityError as error:
        raise LogError(f"{name}: {error}", field="rails_ohm") from None


def _facts(state: JobState, typed: Any) -> list[Fact]:
    adapter = state.compiled.loaded.unit_type.adapter
    if adapter is None:
        return []
    given = dict((state.first_power or {}).get("adapter") or {})
    wanted = {
        "output": adapter.output,
        "volts": engineering(adapter.volts, "V"),
        "amps": tr("{amps} or more", amps=engineering(adapter.amps, "A")),
        "polarity": adapter.polarity,
        "plug": adapter.plug,
    }
    names = {"output": tr("AC or DC"), "volts": "Volts", "amps": "Amps", "polarity": "Polarity", "plug": "Plug"}
    return [Fact(f, names[f], wanted[f], (typed or {}).get(f"adapter-{f}", "") or given.get(f, "")) for f in FACTS]


def _rails(state: JobState, typed: Any) -> list[RailView]:
    given = dict((state.first_power or {}).get("rails_ohm") or {})
    made = []
    for key, rail in state.compiled.loaded.unit_type.power_on.rails.items():
        reference = tr("no reference")
        if rail.to_ground_ohm:
            reference = tr("about {to_ground_ohm} in a good unit", to_ground_ohm=engineering(rail.to_ground_ohm, "Ω"))
        value, unit = (f"{given[key]:g}", "") if key in given else ("", "")
        if typed:
            value, unit = typed.get(f"rail-{key}", ""), typed.get(f"rail-{key}-unit", "")
        made.append(RailView(key, rail.name, engineering(rail.volts, "V"), reference, value, unit))
    return made


def _doubts(state: JobState) -> list[str]:
    """Readings that do not shut the gate but want a second look: far above a good unit's."""
    given = dict((state.first_power or {}).get("rails_ohm") or {})
    said = []
    for key, rail in state.compiled.loaded.unit_type.power_on.rails.items():
        if rail.to_ground_ohm and given.get(key, 0.0) > HIGH * rail.to_ground_ohm:
            times = given[key] / rail.to_ground_ohm
            said.append(
                tr(
                    "{name} reads {times:.0f} times what a good unit reads: is the probe on the rail?",
                    name=rail.name,
                    times=times,
                )
            )
    return said


def _page(request: HttpRequest, view: JobView, state: JobState, error: str = "") -> HttpResponse:
    unit = state.compiled.loaded.unit_type
    typed = request.POST if error else None
    given = state.first_power or {}
    ids = [*power_cautions(state.compiled), *unit.cautions]
    context = {
        "area": "bench",
        "job": view.job,
        "view": view,
        "unit_type": unit,
        "power": unit.power_on,
        "facts": _facts(state, typed),
        "rails": _rails(state, typed),
        "cautions": caution_views(state.compiled.loaded, list(dict.fromkeys(ids)), state.cautions_read),
        "open": FIRST_POWER in state.gates_open,
        "doubts": _doubts(state),
        "rattles": state.take_in.get("rattle") == "rattles",
        "rattle": typed.get("rattle", "") if typed else given.get("rattle", ""),
        "problems": state.first_power_problems,
        "written": state.first_power is not None,
        "limit": typed.get("limit_amps", "") if typed else f"{given['limit_amps']:g}" if "limit_amps" in given else "",
        "limiter": typed.get("limiter", "") if typed else given.get("limiter", ""),
        "note": typed.get("note", "") if typed else given.get("note", ""),
        "error": error,
        "token": new_token(),
    }
    return render(request, "refettle/power_on.html", context, status=422 if error else 200)
