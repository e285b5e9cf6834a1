"""What the law and the label say of a strength of hydrogen peroxide. The figures come in from a dated file.

Classes and limits change; each answer carries the date of the file, and goes stale.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

from refettle.language import tr
from refettle.whitening.values import WhiteningError

STALE_DAYS = 730
"""[d] After this the file is said to be old: choice."""


@dataclass(frozen=True, slots=True)
class HazardClass:
    """One class of CLP: `code` as on the label, from `low` to below `high` [% w/w]."""

    code: str
    name: str
    low: float
    high: float
    says: str
    source: str


@dataclass(frozen=True, slots=True)
class AirLimit:
    """One limit for peroxide in air [ppm]."""

    limit: str
    ppm: float
    source: str


@dataclass(frozen=True, slots=True)
class Gate:
    """What must be true before a bath is made or a lamp switched on, and why."""

    id: str
    says: str
    why: str


@dataclass(frozen=True, slots=True)
class PeroxideLaw:
    """Law, classes and rules as of one date. `public_percent` and `licence_percent` [% w/w]."""

    as_of: date
    public_percent: float
    licence_percent: float
    law: str
    public_says: str
    pending: tuple[str, ...]
    classes: tuple[HazardClass, ...]
    air: tuple[AirLimit, ...]
    never_mix: tuple[str, ...]
    never_seal: tuple[str, ...]
    never_leave: tuple[str, ...]
    gates: Mapping[str, Gate]


def classes_of(law: PeroxideLaw, percent: float) -> tuple[HazardClass, ...]:
    """The classes that a solution of `percent` [% w/w] carries."""
    return tuple(each for each in law.classes if each.low <= percent < each.high)


def refuse_above(law: PeroxideLaw, name: str, percent: float, professional: bool) -> None:
    """WhiteningError where `percent` [% w/w] is above what the public, or a licence, may have."""
    most = law.licence_percent if professional else law.public_percent
    if percent <= most + 1e-9:
        return
    if professional:
        raise WhiteningError(
            tr(
                "{name}: {percent:.4g} % w/w found; allowed: up to {most:g} % w/w, the most that a "
                "licence allows ({law})",
                name=name,
                percent=percent,
                most=most,
                law=law.law,
            )
        )
    raise WhiteningError(
        tr(
            "{name}: {percent:.4g} % w/w found; allowed: up to {most:g} % w/w for the public "
            "({law}), more only for those who choose it as professional or licensed users",
            name=name,
            percent=percent,
            most=most,
            law=law.law,
        )
    )


def stale(law: PeroxideLaw, today: date) -> str:
    """A line saying that the file is old, or nothing."""
    days = (today - law.as_of).days
    return tr("law and classes as of {as_of}: look for newer ones", as_of=law.as_of) if days > STALE_DAYS else ""
