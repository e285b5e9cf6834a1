"""A capacitor as its sheet or print gives it: what health, limits and substitutes are worked out from."""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite
from typing import Literal, get_args

from refettle.language import tr

CapacitorKind = Literal[
    "aluminium", "low-impedance", "bipolar", "tantalum", "polymer", "film", "ceramic", "mica", "paper"
]
KINDS: tuple[CapacitorKind, ...] = get_args(CapacitorKind)
WET: frozenset[str] = frozenset({"aluminium", "low-impedance", "bipolar"})
"""Kinds with a liquid electrolyte, which dries out."""
POLAR: frozenset[str] = frozenset({"aluminium", "low-impedance", "tantalum", "polymer"})
"""Kinds with a plus and a minus."""
ELECTROLYTIC: frozenset[str] = POLAR | WET
Mount = Literal["radial", "axial", "surface"]
MOUNTS: tuple[Mount, ...] = get_args(Mount)
SAFETY_CLASSES: frozenset[str] = frozenset({"X1", "X2", "X3", "Y1", "Y2", "Y3", "Y4"})
"""IEC 60384-14 (X3, Y3 and Y4 in its earlier editions)."""


class CapacitorError(ValueError):
    """A figure that no capacitor or circuit has; the message names it, what was found and what is allowed."""


def within(name: str, value: float, low: float, high: float, unit: str, *, above: bool = True) -> float:
    """`value` if it is finite and above `low` (or from `low`, with `above` False) up to `high`; else CapacitorError."""
    if not isfinite(value) or value > high or value < low or (above and value == low):
        start = "above" if above else "from"
        raise CapacitorError(
            tr(
                "{name} {value:g} {unit} found; allowed: {start} {low:g} to {high:g} {unit}",
                name=name,
                value=value,
                unit=unit,
                start=start,
                low=low,
                high=high,
            )
        )
    return value


@dataclass(frozen=True, slots=True)
class AtFrequency:
    """A quantity that means nothing without its frequency: `value` [ohm or A], `hertz` [Hz], `celsius` [°C]."""

    value: float
    hertz: float
    celsius: float = 20.0

    def __post_init__(self) -> None:
        within("figure", self.value, 0.0, 1e6, tr("ohm or A"))
        within("frequency", self.hertz, 0.0, 1e8, "Hz")
        within("temperature", self.celsius, -60.0, 200.0, "°C")


@dataclass(frozen=True, slots=True)
class Rated:
    """What a capacitor is rated for. None: the print or sheet does not say.

    `farad` [F]; `volt` [V], DC, or AC for a safety class; `celsius` upper category temperature [°C]; `tolerance`
    lowest and highest as fractions; `esr` and `ripple` with their frequency; `endurance` [h] at rated voltage and
    `celsius`; `leakage` [A] at rated voltage; `pitch`, `diameter`, `height` [m]; `safety` classes such as X2;
    `stored` [year] since it was made or last under voltage.
    """

    kind: CapacitorKind
    farad: float
    volt: float | None = None
    celsius: float | None = None
    tolerance: tuple[float, float] | None = None
    esr: AtFrequency | None = None
    ripple: AtFrequency | None = None
    endurance: float | None = None
    leakage: float | None = None
    pitch: float | None = None
    diameter: float | None = None
    height: float | None = None
    mount: Mount | None = None
    safety: frozenset[str] = frozenset()
    stored: float | None = None
    name: str = ""

    def __post_init__(self) -> None:
        if self.kind not in KINDS:
            raise CapacitorError(tr("kind {kind!r} found; allowed: {kinds}", kind=self.kind, kinds=", ".join(KINDS)))
        within("capacitance", self.farad, 1e-13, 10.0, "F", above=False)
        limits = {
            "volt": (tr("rated voltage"), 1e5, "V"),
            "endurance": ("endurance", 1e6, "h"),
            "pitch": ("pitch", 0.3, "m"),
            "diameter": ("diameter", 0.3, "m"),
            "height": ("height", 0.5, "m"),
            "leakage": ("leakage", 1.0, "A"),
        }
        for field, (name, most, unit) in limits.items():
            value = getattr(self, field)
            if value is not None:
                within(name, value, 0.0, most, unit)
        if self.celsius is not None:
            within(tr("upper temperature"), self.celsius, 40.0, 250.0, "°C", above=False)
        if self.stored is not None:
            within(tr("years stored"), self.stored, 0.0, 150.0, "years", above=False)
        if self.tolerance is not None and not -1.0 < self.tolerance[0] <= 0.0 <= self.tolerance[1] <= 2.0:
            raise CapacitorError(
                tr("tolerance {tolerance} found; allowed: from above -1 to 0, and 0 to 2", tolerance=self.tolerance)
            )
        if unknown := self.safety - SAFETY_CLASSES:
            raise CapacitorError(
                tr(
                    "safety class {unknown!r} found; allowed: {safety_classes}",
                    unknown=min(unknown),
                    safety_classes=", ".join(sorted(SAFETY_CLASSES)),
                )
            )

    @property
    def polar(self) -> bool:
        """True where it has a plus and a minus."""
        return self.kind in POLAR

    @property
    def wet(self) -> bool:
        """True where it has a liquid electrolyte."""
        return self.kind in WET
