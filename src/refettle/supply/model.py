"""A whole supply worked out: feed, rectifier, reservoir, regulators and loads; one case, or many variants at once."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from math import sqrt

import numpy as np
from numpy.typing import ArrayLike

from refettle.language import tr
from refettle.supply.feed import FlatSource, Winding
from refettle.supply.rectifier import (
    SILICON,
    Diode,
    Load,
    Rectifier,
    Reservoir,
    Source,
    Steady,
    steady_state,
)
from refettle.supply.regulator import Regulated, Regulator, regulate
from refettle.supply.values import Floats, SupplyError, ranged


@dataclass(frozen=True, slots=True)
class ReservoirPart:
    """The reservoir capacitor as fitted. None: not known.

    `farad` [F], `esr` [ohm] at twice the mains frequency; `tolerance` lowest and highest as parts; `volt` [V] rated;
    `ripple` [A rms] rated at 100 or 120 Hz and `celsius` [°C], its upper temperature; `endurance` [h]; `air` [°C]
    around it.
    """

    farad: float
    esr: float
    tolerance: tuple[float, float] = (-0.2, 0.2)
    volt: float | None = None
    ripple: float | None = None
    endurance: float | None = None
    celsius: float = 85.0
    air: float = 45.0

    def __post_init__(self) -> None:
        ranged("reservoir", self.farad, 1e-6, 1.0, "F", above=False)
        ranged("ESR", self.esr, 0.0, 100.0, "Ω", above=False)
        low, high = self.tolerance
        if not -0.9 <= low <= 0.0 <= high <= 2.0:
            raise SupplyError(
                tr("tolerance: found {low:g} to {high:g}; allowed: from -0.9 to 0, and 0 to 2", low=low, high=high)
            )
        for name, value, most, unit in (
            (tr("rated voltage"), self.volt, 1000.0, "V"),
            (tr("rated ripple current"), self.ripple, 100.0, "A"),
            ("endurance", self.endurance, 1e6, "h"),
        ):
            if value is not None:
                ranged(name, value, 0.0, most, unit)
        ranged(tr("upper temperature"), self.celsius, 40.0, 200.0, "°C", above=False)
        ranged(tr("air around the reservoir"), self.air, -20.0, 125.0, "°C", above=False)


@dataclass(frozen=True, slots=True)
class Fuse:
    """`ampere` [A] rated; `slow` time-lag; `primary` in the mains side; `melting` [A² s] pre-arcing, None: unknown."""

    ampere: float
    slow: bool = True
    primary: bool = True
    melting: float | None = None

    def __post_init__(self) -> None:
        ranged("fuse", self.ampere, 0.01, 50.0, "A", above=False)
        if self.melting is not None:
            ranged(tr("melting integral of the fuse"), self.melting, 1e-6, 1e5, "A² s", above=False)


@dataclass(frozen=True, slots=True)
class Spread:
    """Limits as factors (low, high): of mains, the feed's volts and resistance, ESR, load, dropout; `warmer` [K].

    The reservoir's capacitance goes by its own tolerance and the regulators' volts by theirs. `mains` None: the
    supply's own low and high.
    """

    mains: tuple[float, float] | None = None
    volt: tuple[float, float] = (0.97, 1.03)
    ohm: tuple[float, float] = (0.85, 1.2)
    esr: tuple[float, float] = (0.5, 1.5)
    load: tuple[float, float] = (0.85, 1.15)
    dropout: tuple[float, float] = (0.85, 1.15)
    warmer: tuple[float, float] = (-10.0, 10.0)

    def __post_init__(self) -> None:
        for name in ("mains", "volt", "ohm", "esr", "load", "dropout", "warmer"):
            limits = getattr(self, name)
            if limits is None:
                continue
            low, high = limits
            least, most = (-50.0, 50.0) if name == "warmer" else (0.01, 20.0)
            ranged(tr("spread of {name}", name=name), [low, high], least, most, "", above=False)
            if low > high:
                raise SupplyError(
                    tr("spread of {name}: found {low:g} to {high:g}; allowed: low first", name=name, low=low, high=high)
                )


@dataclass(frozen=True, slots=True)
class Supply:
    """A linear supply on one reservoir.

    `rectifier` None only where `feed` is a FlatSource wired straight to the reservoir. `loads` besides the regulators.
    `low` and `high` mains as factors; `mains_volt` [V rms]; `diode_air` [K/W] of one diode to the air; `air` [°C]
    inside the case; `bleeder` [ohm] fitted across the reservoir; `own_mains` False for a unit fed by an adapter;
    `spread` of its parts.
    """

    feed: Winding | FlatSource
    rectifier: Rectifier | None
    reservoir: ReservoirPart
    regulators: tuple[Regulator, ...] = ()
    loads: tuple[Load, ...] = ()
    mains_hz: float = 50.0
    mains_volt: float = 230.0
    low: float = 0.9
    high: float = 1.1
    harmonics: tuple[tuple[int, float, float], ...] = ()
    diode: Diode = SILICON
    dead_diode: bool = False
    diode_air: float = 50.0
    fuse: Fuse | None = None
    air: float = 40.0
    bleeder: float | None = None
    own_mains: bool = True
    spread: Spread = Spread()

    def __post_init__(self) -> None:
        if isinstance(self.feed, Winding) and self.rectifier is None:
            raise SupplyError(tr("rectifier: found none; allowed: half, full, bridge, as the feed is AC"))
        if not self.regulators and not self.loads:
            raise SupplyError(tr("load: found no regulator and no load; allowed: one or more"))
        ranged(tr("low mains"), self.low, 0.5, 1.0, tr("times nominal"), above=False)
        ranged(tr("high mains"), self.high, 1.0, 1.5, tr("times nominal"), above=False)
        ranged(tr("mains volts"), self.mains_volt, 50.0, 300.0, "V", above=False)
        ranged(tr("diode to air"), self.diode_air, 1.0, 500.0, "K/W", above=False)
        ranged(tr("air in the case"), self.air, -20.0, 90.0, "°C", above=False)
        if self.bleeder is not None:
            ranged("bleeder", self.bleeder, 1.0, 1e7, "Ω", above=False)


@dataclass(frozen=True, slots=True)
class Variant:
    """What differs from the supply as described: factors, or arrays (n,) with one for each variant.

    `mains`, `volt` of the feed, `ohm` of the feed, `farad`, `esr`, `load` of regulators and loads, `setting` and
    `dropout` of the regulators; `warmer` [K] of the air.
    """

    mains: ArrayLike = 1.0
    volt: ArrayLike = 1.0
    ohm: ArrayLike = 1.0
    farad: ArrayLike = 1.0
    esr: ArrayLike = 1.0
    load: ArrayLike = 1.0
    setting: ArrayLike = 1.0
    dropout: ArrayLike = 1.0
    warmer: ArrayLike = 0.0


NOMINAL = Variant()


@dataclass(frozen=True, slots=True)
class Worked:
    """A supply worked out: the reservoir's steady state and each regulator by name, in the shape of the variants."""

    steady: Steady
    regulated: Mapping[str, Regulated] = field(default_factory=dict)


def work_out(supply: Supply, variant: Variant = NOMINAL, *, steps: int = 512) -> Worked:
    """Steady state and rails of the variants. SupplyError as `steady_state`."""
    mains, load = _array(variant.mains), _array(variant.load)
    drawn = sum((r.ampere for r in supply.regulators), 0.0) * load
    own = sum((r.quiescent for r in supply.regulators), 0.0)
    loads = [_scaled(each, load) for each in supply.loads]
    if supply.regulators:
        loads.append(Load("current", drawn + own))
    if supply.bleeder is not None:
        loads.append(Load("resistance", supply.bleeder))
    part = supply.reservoir
    reservoir = Reservoir(part.farad * _array(variant.farad), part.esr * _array(variant.esr))
    if isinstance(supply.feed, FlatSource):
        # What a regulated adapter gives does not hang on the mains.
        volt = np.broadcast_to(_array(variant.volt), np.broadcast_shapes(np.shape(variant.volt), mains.shape))
        steady = _flat(supply, supply.feed, volt, _array(variant.ohm), loads, reservoir, steps)
    else:
        assert supply.rectifier is not None
        source = Source(
            sqrt(2.0) * supply.feed.volt * mains * _array(variant.volt),
            supply.feed.ohm * _array(variant.ohm),
            supply.harmonics,
        )
        steady = steady_state(
            source,
            supply.rectifier,
            reservoir,
            loads,
            supply.mains_hz,
            diode=supply.diode,
            dead_diode=supply.dead_diode,
            steps=steps,
        )
    rails = {
        each.name: regulate(each, steady.volt, load=load, setting=variant.setting, dropout=variant.dropout)
        for each in supply.regulators
    }
    return Worked(steady, rails)


def sharing_diodes(supply: Supply) -> int:
    """Diodes among which the rectifier's heat is shared; 0 without a rectifier."""
    if supply.rectifier is None:
        return 0
    whole = {"half": 1, "full": 2, "bridge": 4}[supply.rectifier]
    # Direct current, or a diode that is open, leaves half of them idle.
    idle = supply.dead_diode or isinstance(supply.feed, FlatSource)
    return max(1, whole // 2) if idle else whole


def unloaded_peak(supply: Supply) -> float:
    """[V] across the reservoir at high mains with nothing drawn: what the capacitor and the regulators must stand."""
    if isinstance(supply.feed, FlatSource):
        return supply.feed.volt
    drops = 0.5 if supply.rectifier != "bridge" else 1.0
    return max(0.0, sqrt(2.0) * supply.feed.volt * supply.high - drops)


def _array(value: ArrayLike) -> Floats:
    return np.asarray(value, dtype=np.float64)


def _scaled(load: Load, factor: Floats) -> Load:
    """More of a load: more current or power, or less resistance."""
    value = _array(load.value)
    return replace(load, value=value / factor if load.kind == "resistance" else value * factor)


def _flat(
    supply: Supply,
    feed: FlatSource,
    volt: Floats,
    ohm: Floats,
    loads: list[Load],
    reservoir: Reservoir,
    steps: int,
) -> Steady:
    """A source without ripple: through the rectifier if there is one, as a very slow alternating one would not be.

    Two diodes of a bridge, or one, carry the whole current all the time.
    """
    from refettle.supply.ring import load_current

    shape = np.broadcast_shapes(
        volt.shape, ohm.shape, np.shape(reservoir.farad), np.shape(reservoir.esr), *(np.shape(e.value) for e in loads)
    )
    series = {None: 0.0, "half": 1.0, "full": 1.0, "bridge": 2.0}[supply.rectifier]
    diode = supply.diode
    a = series * _array(diode.emission) * 0.025865
    whole = feed.ohm * ohm + series * _array(diode.ohm)
    low, high = np.zeros(shape), np.broadcast_to(feed.volt * volt, shape).copy()
    for _ in range(50):
        middle = 0.5 * (low + high)
        current = sum(
            (load_current(e.kind, _array(e.value), _array(e.knee), middle)[0] for e in loads), np.zeros(shape)
        )
        enough = feed.volt * volt - whole * current - a * np.log1p(current / _array(diode.saturation)) >= middle
        low, high = np.where(enough, middle, low), np.where(enough, high, middle)
    zero = np.zeros(shape)
    across = a * np.log1p(current / _array(diode.saturation)) + series * _array(diode.ohm) * current
    flat = np.ones(steps)
    return Steady(
        time=np.arange(steps) / (supply.mains_hz * steps),
        volt=low[..., np.newaxis] * flat,
        capacitor=zero[..., np.newaxis] * flat,
        rectifier=current[..., np.newaxis] * flat,
        load=current[..., np.newaxis] * flat,
        mean=low,
        ripple=zero,
        valley=low,
        peak=low,
        rectifier_rms=current,
        rectifier_peak=current,
        diode_rms=current,
        winding_rms=current,
        capacitor_rms=zero,
        load_mean=current,
        heat=current * across,
    )
