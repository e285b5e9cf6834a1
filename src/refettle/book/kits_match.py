"""Parts of the stores held against what a kit's places need."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from refettle.book import stores_parts
from refettle.book.kept_texts import label
from refettle.book.models_stores import Part
from refettle.book.store import StoreError
from refettle.book.stores_values import rated_of_part
from refettle.language import tr
from refettle.parts.capacitor import Rated
from refettle.parts.kit_list import Wanted
from refettle.parts.substitutes import Assessment, compare

NEAR = (0.5, 3.0)
"""Parts whose value is from half to three times the wanted one are held against it: a choice."""
MOST_OFFERED = 8


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
    """A part of the stores by its code; `name` says where the code stands. Raises StoreError."""
    try:
        return stores_parts.find_part(code)
    except StoreError as error:
        raise StoreError(label(name) + str(error).removeprefix(tr("part")), name) from None
