"""Is this adapter safe for this unit?"""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_safe

from refettle.knowledge.supply_files import rails_with, stands_open
from refettle.language import mark, tr
from refettle.supply.adapter import POLARITIES, check_adapter
from refettle.supply.values import SupplyError
from refettle.web.adapters import needed_of, offered_of, typed_adapter
from refettle.web.probing import tool_cautions
from refettle.web.views.library import listed_types, load_or_404

SHORT = {
    "safe": (mark("Safe for this unit"), mark("by everything that was asked")),
    "not safe": (mark("Not safe for this unit"), mark("do not plug it in")),
    "not known": (mark("Not known yet"), mark("do not plug it in before what is missing is known")),
}


@require_safe
def adapter(request: HttpRequest) -> HttpResponse:
    """The page. Everything stands in the address; nothing is written."""
    typed = typed_adapter(request.GET)
    slug, of_type, supply = request.GET.get("type", ""), "", None
    if slug:
        loaded = load_or_404(slug)
        unit = loaded.unit_type
        of_type = loaded.name
        if unit.adapter is not None:
            fact = unit.adapter
            typed = {
                "output": fact.output,
                "volt": f"{fact.volts:g}",
                "ampere": f"{fact.amps:g}",
                "polarity": fact.polarity,
                "plug": fact.plug,
            } | typed
        supply = unit.supply
        stands = stands_open(supply)
        if stands is not None:
            typed = {"most_open": f"{stands:.3g}"} | typed
    found, error = None, ""
    try:
        needed = needed_of(typed)
        asked = any(name.startswith("a_") for name in typed)
        if needed is not None and asked:
            offered = offered_of(typed)
            rails = rails_with(supply, offered)
            found = check_adapter(needed, offered, [rails] if rails is not None else [])
    except SupplyError as trouble:
        error = str(trouble)
    ids = found.cautions if found is not None else ("mains", "charged-capacitor", "first-power", "burst", "heat")
    headline, meaning = (tr(each) for each in (SHORT[found.verdict] if found is not None else ("", "")))
    context = {
        "area": "tools",
        "typed": typed,
        "type": slug,
        "of_type": of_type,
        "types": listed_types(),
        "found": found,
        "headline": headline,
        "meaning": meaning,
        "error": error,
        "polarities": POLARITIES,
        "cautions": tool_cautions(ids),
    }
    return render(request, "refettle/adapter.html", context, status=422 if error else 200)
