"""Where a capacitor sits, for replacing it, and what a rule finds: the values that the rules pass about."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from refettle.language import tr
from refettle.parts.capacitor import CapacitorError, within
from refettle.parts.circuit_roles import Role

Says = Literal["better", "acceptable", "check first", "refused"]
PlaceRole = Role | Literal["tuning"]
ROLES: tuple[PlaceRole, ...] = (
    "rail",
    "between rails",
    "bias",
    "filter",
    "timing",
    "tuning",
    "signal",
    "mains",
    "unknown",
)
EXACT: frozenset[str] = frozenset({"timing", "tuning", "signal"})
"""Roles whose value stays exact and of the same kind."""


@dataclass(frozen=True, slots=True)
class Place:
    """Where the part sits.

    `volt` [V] across it in use, DC, or AC on the mains; `switching`: in a switch-mode supply; `esr_least`, `esr_most`
    [ohm] that a regulator there wants (0 for `esr_least`: none is needed); `regulators` stand on the same rail;
    `leakage_most` [A]; `ripple` [A] it must carry; `safety` X across the mains, Y to ground or chassis; room in [m];
    `polarity_settled` is False where fitted, printed and measured polarity do not agree.
    """

    role: PlaceRole = "unknown"
    volt: float | None = None
    switching: bool = False
    esr_least: float | None = None
    esr_most: float | None = None
    regulators: tuple[str, ...] = ()
    leakage_most: float | None = None
    ripple: float | None = None
    safety: Literal["X", "Y"] | None = None
    room_diameter: float | None = None
    room_height: float | None = None
    polarity_settled: bool = True

    def __post_init__(self) -> None:
        if self.role not in ROLES:
            raise CapacitorError(tr("place {role!r} found; allowed: {roles}", role=self.role, roles=", ".join(ROLES)))
        for name, value, most, unit in (
            (tr("volts in use"), self.volt, 1e5, "V"),
            (tr("least ESR"), self.esr_least, 1e3, "Ω"),
            (tr("most ESR"), self.esr_most, 1e3, "Ω"),
            (tr("most leakage"), self.leakage_most, 1.0, "A"),
            (tr("ripple in use"), self.ripple, 1e3, "A"),
            (tr("room across"), self.room_diameter, 0.5, "m"),
            (tr("room in height"), self.room_height, 0.5, "m"),
        ):
            if value is not None:
                within(name, value, 0.0, most, unit, above=False)
        if self.esr_least is not None and self.esr_most is not None and self.esr_least > self.esr_most:
            raise CapacitorError(
                tr(
                    "least ESR {esr_least:g} Ω found; allowed: up to the most, {esr_most:g} Ω",
                    esr_least=self.esr_least,
                    esr_most=self.esr_most,
                )
            )

    @property
    def wants_esr(self) -> bool:
        """True where a regulator may need some ESR and nobody has said that it does not."""
        return self.esr_least != 0.0 and (bool(self.regulators) or self.esr_least is not None)


@dataclass(frozen=True, slots=True)
class Finding:
    """What one rule says of a candidate."""

    rule: str
    says: Says
    reason: str
    source: str
