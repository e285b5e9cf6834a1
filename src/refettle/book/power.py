"""The gate before the first power-on: what must be read, confirmed and measured. No database and no framework."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from refettle.book.log import LogError
from refettle.knowledge.compile import FIRST_POWER, LIVE, CompiledType
from refettle.language import tr

LIMIT_AT_MOST = 5.0
"""The current limit at first power-on, at most so many times what a good unit draws (estimate; start lower)."""


def power_cautions(compiled: CompiledType) -> list[str]:
    """Gating cautions to be read before first power: that of first power, the unit's own, and those about mains where
    mains comes in."""
    unit, library = compiled.loaded.unit_type, compiled.loaded.library.cautions
    wanted = [FIRST_POWER, *unit.cautions, *(LIVE if unit.power_on.feed == "mains" else ())]
    return [c for c in dict.fromkeys(wanted) if c in library and library[c].gate]


def first_power_problems(compiled: CompiledType, data: Mapping[str, Any]) -> list[str]:
    """What still keeps the first power-on gate shut; empty if it may open.

    The five adapter facts must all be confirmed where an adapter feeds the unit; each rail with a
    reference must be measured to ground and not read as a short (below a tenth of a good unit's
    value, or below 1 ohm: common practice, no source).
    """
    unit = compiled.loaded.unit_type
    problems: list[str] = []
    if unit.adapter is not None:
        facts = dict(data.get("adapter") or {})
        for fact in ("output", "volts", "amps", "polarity", "plug"):
            if facts.get(fact) == "does not match":
                problems.append(tr("The adapter's {fact} does not match the unit: use another adapter.", fact=fact))
            elif fact not in facts and unit.power_on.feed == "adapter":
                problems.append(tr("The adapter's {fact} is not confirmed.", fact=fact))
    measured = dict(data.get("rails_ohm") or {})
    for key, rail in unit.power_on.rails.items():
        if key not in measured:
            problems.append(tr("{rail} to ground is not measured.", rail=rail.name))
            continue
        limit = max(1.0, (rail.to_ground_ohm or 10.0) / 10.0)
        if measured[key] < limit:
            problems.append(
                tr(
                    "{rail} to ground reads {ohms:g} Ω, below {limit:g} Ω: a short. Find it before power.",
                    rail=rail.name,
                    ohms=measured[key],
                    limit=limit,
                )
            )
    unknown = set(measured) - set(unit.power_on.rails)
    if unknown:
        allowed = ", ".join(unit.power_on.rails) or tr("none")
        raise LogError(
            tr("rails_ohm: '{unknown}' found; allowed: {allowed}", unknown=min(unknown), allowed=allowed),
            field="rails_ohm",
        )
    limit_now, good = data.get("limit_amps"), unit.power_on.current_amps
    if limit_now is None and not str(data.get("limiter", "")).strip():
        problems.append(tr("No current limit is set."))
    if limit_now is not None and good is not None and limit_now > LIMIT_AT_MOST * good:
        most = LIMIT_AT_MOST * good
        problems.append(
            tr(
                "A limit of {limit:g} A is above {most:.3g} A; a good unit draws {good:g} A.",
                limit=limit_now,
                most=most,
                good=good,
            )
        )
    return problems
