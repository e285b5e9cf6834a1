"""A linear regulator behind the reservoir: where it drops out, what ripple it lets through, how warm it gets.

Dropout goes by the valley of its input, heat by the mean: low mains is the worst for one, high mains for the other.
Thermal resistances add up, Tj = Ta + P (Rjc + Rcs + Rsa), from any maker's sheet. Typical figures: LM340/LM7805 sheet
(SNOSBT0L): 2 V dropout at 1 A, 8 mA own current, 35 V input, 150 °C at most, 125 °C to work with; junction to case
5 K/W, to free air 50 (ST) to 65 K/W (onsemi) in TO-220. What contact without paste or clip costs is an estimate.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np
from numpy.typing import ArrayLike

from refettle.language import tr
from refettle.supply.values import Floats, SupplyError, ranged

Missing = Literal["heat-sink", "pad", "paste", "clip"]
MISSING: tuple[Missing, ...] = get_args(Missing)
WORKING, SHUTDOWN = 125.0, 150.0
"""[°C] Highest junction to work with, and where it switches itself off or fails."""
DRY_PAD = 3.5
"""[K/W] case to sink over a dry insulator: estimate."""
DRY_METAL = 1.5
"""[K/W] case to sink, metal on metal without paste: estimate."""
LOOSE = 8.0
"""[K/W] case to sink without a clip or screw, where it touches at all: estimate."""


@dataclass(frozen=True, slots=True)
class Cooling:
    """Thermal resistances [K/W]; `sink_air` None: it has no heat sink by design."""

    junction_case: float = 5.0
    case_sink: float = 1.0
    sink_air: float | None = None
    junction_air: float = 65.0

    def __post_init__(self) -> None:
        ranged(tr("junction to case"), self.junction_case, 0.1, 200.0, "K/W", above=False)
        ranged(tr("case to sink"), self.case_sink, 0.0, 50.0, "K/W", above=False)
        ranged(tr("junction to air"), self.junction_air, 1.0, 500.0, "K/W", above=False)
        if self.sink_air is not None:
            ranged(tr("sink to air"), self.sink_air, 0.0, 200.0, "K/W", above=False)

    def path(self, missing: frozenset[Missing] = frozenset()) -> tuple[float, tuple[str, ...]]:
        """[K/W] junction to air with parts missing, and what else follows. SupplyError for an unknown part."""
        if unknown := missing - set(MISSING):
            raise SupplyError(
                tr("missing: found {unknown!r}; allowed: {missing}", unknown=min(unknown), missing=", ".join(MISSING))
            )
        if self.sink_air is None:
            said = (tr("it has no heat sink by design: nothing to leave out"),) if missing else ()
            return self.junction_air, said
        if "heat-sink" in missing:
            return self.junction_air, (tr("without its heat sink the tab cools by itself only"),)
        notes = []
        contact = self.case_sink
        if "pad" in missing:
            contact = max(contact, DRY_METAL)
            notes.append(
                tr("without the pad the tab lies bare on the heat sink: a short where the sink is on another net")
            )
        elif "paste" in missing:
            contact = max(contact, DRY_PAD)
            notes.append(tr("a dry insulator conducts about a third as well: estimate"))
        if "clip" in missing:
            contact = max(contact, LOOSE)
            notes.append(tr("without its clip or screw it may lift off and have no contact at all: estimate"))
        # What the bare tab gives off is the least.
        return min(self.junction_case + contact + self.sink_air, self.junction_air), tuple(notes)


@dataclass(frozen=True, slots=True)
class Regulator:
    """A linear regulator and the load behind it.

    `volt` [V] out; `ampere` [A] its load; `tolerance` of the volts as a part; `dropout` [V] at `dropout_ampere` [A] and
    `dropout_idle` at none (from memory: about 0.65 of it), on a straight line between; `rejection` [dB] of ripple;
    `quiescent` [A] own current; `limit` [A] current limit; `most_volt` [V] highest input.
    """

    name: str
    volt: float
    ampere: float
    tolerance: float = 0.04
    dropout: float = 2.0
    dropout_ampere: float = 1.0
    dropout_idle: float | None = None
    rejection: float = 62.0
    quiescent: float = 6e-3
    limit: float = 2.2
    most_volt: float = 35.0
    cooling: Cooling = Cooling()

    def __post_init__(self) -> None:
        where = tr("regulator {name}: ", name=self.name)
        ranged(where + "volts", self.volt, 0.5, 400.0, "V", above=False)
        ranged(where + "load", self.ampere, 0.0, 50.0, "A", above=False)
        ranged(where + "tolerance", self.tolerance, 0.0, 0.3, "", above=False)
        ranged(where + "dropout", self.dropout, 0.0, 10.0, "V", above=False)
        ranged(where + tr("current of the dropout"), self.dropout_ampere, 1e-4, 50.0, "A", above=False)
        if self.dropout_idle is not None:
            ranged(where + tr("dropout without load"), self.dropout_idle, 0.0, self.dropout, "V", above=False)
        ranged(where + tr("ripple rejection"), self.rejection, 0.0, 120.0, "dB", above=False)
        ranged(where + tr("own current"), self.quiescent, 0.0, 1.0, "A", above=False)
        ranged(where + tr("current limit"), self.limit, 1e-3, 50.0, "A", above=False)
        ranged(where + tr("highest input"), self.most_volt, 1.0, 500.0, "V", above=False)

    def dropout_at(self, ampere: ArrayLike) -> Floats:
        """[V] least difference between input and output at a load of `ampere` [A]."""
        idle = 0.65 * self.dropout if self.dropout_idle is None else self.dropout_idle
        found: Floats = idle + (self.dropout - idle) * np.asarray(ampere, dtype=np.float64) / self.dropout_ampere
        return found


@dataclass(frozen=True, slots=True)
class Regulated:
    """What a regulator makes of its input, in the shape of the variants.

    `headroom` [V] valley of the input over what it needs, negative where it drops out; `depth` [V] how far the rail
    dips; `share` of the time below; `mean` and `ripple` [V] of the rail, `least` its valley; `heat` [W].
    """

    headroom: Floats
    depth: Floats
    share: Floats
    mean: Floats
    ripple: Floats
    least: Floats
    heat: Floats


def regulate(
    regulator: Regulator,
    volt: Floats,
    *,
    load: ArrayLike = 1.0,
    setting: ArrayLike = 1.0,
    dropout: ArrayLike = 1.0,
) -> Regulated:
    """The rail behind a regulator whose input is `volt` [V], (..., instants) of one period.

    `load`, `setting` and `dropout` are factors on its load, volts and dropout: numbers or one for each variant. The
    load is taken as unchanged in a dip, and the output capacitor as too small to bridge one, so that a real dip is
    a little shallower.
    """
    ampere = regulator.ampere * np.asarray(load, dtype=np.float64)
    level = regulator.volt * np.asarray(setting, dtype=np.float64)
    needed = level + regulator.dropout_at(ampere) * np.asarray(dropout, dtype=np.float64)
    mean_in = np.mean(volt, axis=-1)
    passed = 10.0 ** (-regulator.rejection / 20.0) * (volt - mean_in[..., np.newaxis])
    held = level[..., np.newaxis] + passed
    starved = volt - (needed - level)[..., np.newaxis]
    rail = np.maximum(np.minimum(held, starved), 0.0)
    headroom = np.min(volt, axis=-1) - needed
    heat = np.mean((volt - rail) * ampere[..., np.newaxis], axis=-1) + mean_in * regulator.quiescent
    least = np.min(rail, axis=-1)
    return Regulated(
        headroom=headroom,
        depth=np.maximum(-headroom, 0.0),
        share=np.mean(volt < needed[..., np.newaxis], axis=-1),
        mean=np.mean(rail, axis=-1),
        ripple=np.max(rail, axis=-1) - least,
        least=least,
        heat=heat,
    )


def junction(watt: ArrayLike, kelvin_per_watt: float, air: ArrayLike) -> Floats:
    """[°C] Tj = Ta + P R; above SHUTDOWN no temperature that the part reaches, but a sign that it switches off."""
    found: Floats = np.asarray(air, dtype=np.float64) + kelvin_per_watt * np.asarray(watt, dtype=np.float64)
    return found


def most_watt(kelvin_per_watt: float, air: float, celsius: float = WORKING) -> float:
    """[W] what can be got rid of at `air` [°C] with the junction at `celsius`; 0 where the air is as warm."""
    return max(0.0, (celsius - air) / kelvin_per_watt)
