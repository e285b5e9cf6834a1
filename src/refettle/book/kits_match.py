"""Parts of the stores held against what a kit's places need."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from refettle.book.models_stores import Part
from refettle.book.store import StoreError
from refettle.parts.capacitor import AtFrequency, CapacitorError, Rated
from refettle.parts.kit_list import Wanted
from refettle.parts.substitutes import Assessment, compare

NEAR = (0.5, 3.0)
"""Parts whose value is from half to three times the wanted one are held against it: a choice."""
MOST_OFFERED = 8
MM = 1e-3


@dataclass(frozen=True)
class Offered:
    """A part of the stores for a place: what the rules find, and how many are free."""

    part: Part
    assessment: Assessment | None

    @property
    def says(self) -> str:
        """better, acceptable, refused; 'as named' where the list names the part itself."""
        return self.assessment.says if self.assessment is not None else "as named"

    @property
    def reasons(self) -> tuple[str, ...]:
        """Why it is refused, or what is to be checked first."""
        if self.assessment is None:
            return ()
        return tuple(f.reason for f in self.assessment.refusals or self.assessment.check_first)


@dataclass(frozen=True)
class Matched:
    """One value of a list with what the stores have for it, the best first."""

    wanted: Wanted
    offered: tuple[Offered, ...] = field(default=())


def rated_of_part(part: Part) -> Rated | None:
    """A part of the stores as a capacitor; None where it is none, or its lines do not make one."""
    if part.unit != Part.Unit.FARAD or part.amount is None:
        return None
    more: dict[str, Any] = {}
    for name in ("esr", "ripple"):
        given = part.rated.get(name)
        if isinstance(given, Mapping):
            more[name] = AtFrequency(**given)
    for name in ("endurance", "leakage"):
        if isinstance(part.rated.get(name), int | float):
            more[name] = float(part.rated[name])
    safety = part.rated.get("safety") or []
    tolerance = part.rated.get("tolerance")
    try:
        return Rated(
            part.kind or "aluminium",  # type: ignore[arg-type]
            part.amount,
            part.volt,
            part.celsius,
            tolerance=tuple(tolerance) if isinstance(tolerance, list) and len(tolerance) == 2 else None,
            pitch=part.pitch_mm * MM if part.pitch_mm else None,
            diameter=part.diameter_mm * MM if part.diameter_mm else None,
            height=part.height_mm * MM if part.height_mm else None,
            mount=part.mount or None,  # type: ignore[arg-type]
            safety=frozenset([safety] if isinstance(safety, str) else safety),
            name=part.code,
            **more,
        )
    except (CapacitorError, TypeError):
        return None


def match(wanted: Sequence[Wanted]) -> list[Matched]:
    """For each value the parts of the stores that may serve, the best first; those refused come last.

    Raises
    ------
    StoreError
        A part that the list names and the stores do not know.
    """
    made = []
    for each in wanted:
        if each.part:
            made.append(Matched(each, (Offered(find_part(each.part), None),)))
            continue
        assert each.rated is not None
        near = Part.objects.filter(
            unit=Part.Unit.FARAD,
            amount__gte=NEAR[0] * each.rated.farad,
            amount__lte=NEAR[1] * each.rated.farad,
        )
        known = {part.code: part for part in near.order_by("code")}
        candidates = [rated for part in known.values() if (rated := rated_of_part(part)) is not None]
        found = [Offered(known[a.candidate.name], a) for a in compare(each.rated, candidates)]
        made.append(Matched(each, tuple(sorted(found, key=lambda o: _order(each.rated, o)))[:MOST_OFFERED]))
    return made


def _order(wanted: Rated | None, offered: Offered) -> tuple[Any, ...]:
    """Not refused first; then the value and voltage nearest; then those in stock."""
    part = offered.part
    off = abs((part.amount or 0.0) / wanted.farad - 1.0) if wanted else 0.0
    over = abs((part.volt or 0.0) / (wanted.volt or part.volt or 1.0) - 1.0) if wanted else 0.0
    return offered.says == "refused", round(off, 3), not part.free, round(over, 3), part.code


def find_part(code: str, name: str = "part") -> Part:
    """A part of the stores by its code. Raises StoreError."""
    part = Part.objects.filter(code__iexact=code.strip()).first()
    if part is None:
        raise StoreError(f"{name}: '{code[:60]}' found; allowed: the code of a part in the stores", name)
    return part
