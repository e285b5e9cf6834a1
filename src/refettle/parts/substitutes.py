"""What may replace a capacitor: each candidate against each rule, with the reason and where the rule comes from.

A candidate is refused if any rule refuses it; else it is better if a rule finds it better and none leaves something to
be checked; else acceptable. What the sheet does not say is never taken for granted: where it matters, the finding says
what to look up first, and where it can hurt somebody the candidate is refused.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from refettle.language import tr
from refettle.parts.board_capacitors import Capacitor
from refettle.parts.capacitor import CapacitorError, CapacitorKind, Rated
from refettle.parts.circuit_roles import Seat
from refettle.parts.substitute_place import Finding, Place
from refettle.parts.substitute_rules import RULES


@dataclass(frozen=True, slots=True)
class Assessment:
    """A candidate against all rules that apply to it."""

    candidate: Rated
    findings: tuple[Finding, ...]

    @property
    def says(self) -> Literal["better", "acceptable", "refused"]:
        """The whole in one word; acceptable holds only after `check_first`."""
        said = {finding.says for finding in self.findings}
        if "refused" in said:
            return "refused"
        return "better" if "better" in said and "check first" not in said else "acceptable"

    @property
    def check_first(self) -> tuple[Finding, ...]:
        """What must be looked up or measured before it is fitted."""
        return tuple(finding for finding in self.findings if finding.says == "check first")

    @property
    def refusals(self) -> tuple[Finding, ...]:
        """Why it is refused."""
        return tuple(finding for finding in self.findings if finding.says == "refused")


def assess(original: Rated, candidate: Rated, place: Place | None = None) -> Assessment:
    """One candidate for one original in its place; without a place, what depends on it is to be checked."""
    where = place or Place()
    found: list[Finding] = []
    for rule in RULES:
        found += rule(original, candidate, where)
    return Assessment(candidate, tuple(found))


def compare(original: Rated, candidates: Iterable[Rated], place: Place | None = None) -> tuple[Assessment, ...]:
    """Every candidate, the best first: better, acceptable, refused; then fewer checks, more found better, as given."""
    order = {"better": 0, "acceptable": 1, "refused": 2}
    assessed = [assess(original, candidate, place) for candidate in candidates]
    return tuple(
        sorted(
            assessed,
            key=lambda a: (
                order[a.says],
                len(a.refusals),
                len(a.check_first),
                -sum(finding.says == "better" for finding in a.findings),
            ),
        )
    )


_KIND_OF_BOARD: dict[str, CapacitorKind] = {
    "aluminium": "aluminium",
    "polarised": "aluminium",
    "tantalum": "tantalum",
    "polymer": "polymer",
    "bipolar": "bipolar",
}


def rated_of(capacitor: Capacitor, kind: CapacitorKind | None = None) -> Rated:
    """A board's capacitor as an original to replace; `kind` where the board does not tell it.

    A part that is only known to be polarised is taken for aluminium. CapacitorError where kind or value is not known.
    """
    known = kind or _KIND_OF_BOARD.get(capacitor.kind)
    if known is None:
        raise CapacitorError(tr("{ref}: the board does not tell its kind; allowed: a kind by hand", ref=capacitor.ref))
    if capacitor.value.farad is None:
        raise CapacitorError(tr("{ref}: no capacitance on the board; allowed: a value by hand", ref=capacitor.ref))
    size = capacitor.size
    surface = capacitor.part.surface_mount
    return Rated(
        known,
        capacitor.value.farad,
        capacitor.value.volt,
        pitch=size.pitch,
        diameter=size.diameter,
        height=size.length,
        mount="surface" if surface else None,
        name=capacitor.ref,
    )


def place_of(seat: Seat, volt: float | None = None, polarity_settled: bool = True) -> Place:
    """Where a board's capacitor sits, as a place; `volt` [V] in use, where it was measured."""
    return Place(
        role=seat.role,
        volt=volt,
        regulators=seat.regulators,
        safety=seat.safety,
        polarity_settled=polarity_settled,
    )
