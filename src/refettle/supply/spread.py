"""A supply with the spread of its parts: the worst case, and many variants drawn at random.

Each figure is drawn evenly between its limits, independently of the others. How far parts spread is an estimate except
where the part's own tolerance is given; a shop that has measured its parts puts its own figures in.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass

import numpy as np

from refettle.language import tr
from refettle.supply.model import Spread as Spread
from refettle.supply.model import Supply, Variant, Worked, unloaded_peak, work_out
from refettle.supply.regulator import SHUTDOWN, Missing, junction
from refettle.supply.values import Floats, SupplyError

STEPS = 256
"""Instants in one mains period for many variants: within 0.1 % in mean and 0.5 % in ripple of twice as many."""
MOST = 100_000
_AT_ONCE = 1000
PERCENTS = (1, 5, 25, 50, 75, 95, 99)
WAVE_PERCENTS = (2.5, 25.0, 50.0, 75.0, 97.5)
"""Of the reservoir's volts at each instant, for drawing: 19 of 20, half of them, the middle."""


@dataclass(frozen=True, slots=True)
class Quantity:
    """One figure over all variants: `values` (count,), NaN where the rail breaks down; `percentiles` by per cent."""

    name: str
    unit: str
    values: Floats
    percentiles: Mapping[int, float]

    def histogram(self, bins: int = 40) -> tuple[Floats, Floats]:
        """Edges and counts, for drawing. Empty where no variant holds."""
        kept = self.values[~np.isnan(self.values)]
        if not kept.size:
            return np.zeros(0), np.zeros(0)
        counts, edges = np.histogram(kept, bins=bins)
        return edges, counts.astype(np.float64)


@dataclass(frozen=True, slots=True)
class RailSpread:
    """A regulator over all variants: shares of them that drop out, and that would shut down; headroom [V], dip depth
    [V], heat [W], junction [°C] (above SHUTDOWN only a sign)."""

    name: str
    drops_out: float
    shuts_down: float
    headroom: Quantity
    depth: Quantity
    heat: Quantity
    junction: Quantity


@dataclass(frozen=True, slots=True)
class MonteCarlo:
    """Many variants: how many, from which seed, the share whose rail breaks down, and the figures.

    `times` [s] and `waves` [V], (5, instants): WAVE_PERCENTS of the first thousand at each instant of a mains period.
    """

    count: int
    seed: int
    broken_down: float
    mean: Quantity
    ripple: Quantity
    valley: Quantity
    capacitor_rms: Quantity
    rails: tuple[RailSpread, ...]
    times: Floats
    waves: Floats


@dataclass(frozen=True, slots=True)
class WorstCase:
    """Every figure at the limit that is worst for headroom, and that is worst for heat, by regulator name.

    `headroom`, `depth` [V] and `share` at low mains; `heat` [W] and `junction` [°C] at high mains, None above SHUTDOWN.
    """

    name: str
    headroom: float
    depth: float
    share: float
    heat: float
    junction: float | None


def monte_carlo(
    supply: Supply,
    count: int,
    seed: int,
    spread: Spread | None = None,
    *,
    aged: tuple[float, float] = (1.0, 1.0),
    missing: Iterable[Missing] = (),
    progress: Callable[[float], None] | None = None,
    stop: Callable[[], bool] | None = None,
) -> MonteCarlo:
    """Many variants drawn at random.

    Parameters
    ----------
    supply : Supply
    count : int
        10 to 100,000.
    seed : int
        0 or more; the same seed gives the same variants.
    spread : Spread, optional
        By default the supply's own.
    aged : (float, float)
        Part of the reservoir's capacitance that is left, and factor on its ESR, before the spread.
    missing : "heat-sink", "pad", "paste", "clip"
    progress, stop : callables, optional
        Told the share done, 0 to 1; asked after each thousand whether those so far are enough.

    Raises
    ------
    SupplyError
        Figures out of range.
    """
    if not 10 <= count <= MOST:
        raise SupplyError(tr("variants: found {count}; allowed: 10 to {most:,}", count=count, most=MOST))
    if seed < 0:
        raise SupplyError(tr("seed: found {seed}; allowed: 0 or more", seed=seed))
    gone = frozenset(missing)
    spread = spread or supply.spread
    random = np.random.default_rng(seed)
    low, high = supply.reservoir.tolerance
    settings = [each.tolerance for each in supply.regulators] or [0.0]
    limits = {
        "mains": spread.mains or (supply.low, supply.high),
        "volt": spread.volt,
        "ohm": spread.ohm,
        "farad": (aged[0] * (1.0 + low), aged[0] * (1.0 + high)),
        "esr": (aged[1] * spread.esr[0], aged[1] * spread.esr[1]),
        "load": spread.load,
        "setting": (1.0 - max(settings), 1.0 + max(settings)),
        "dropout": spread.dropout,
        "warmer": spread.warmer,
    }
    drawn = {name: random.uniform(*between, size=count) for name, between in limits.items()}
    pieces: list[dict[str, Floats]] = []
    for start in range(0, count, _AT_ONCE):
        variant = Variant(**{name: each[start : start + _AT_ONCE] for name, each in drawn.items()})
        worked = work_out(supply, variant, steps=STEPS)
        if start == 0:
            times, waves = worked.steady.time, _waves(worked.steady.volt)
        pieces.append(_figures(supply, worked, variant, gone))
        if progress is not None:
            progress(min(1.0, (start + _AT_ONCE) / count))
        if stop is not None and stop():
            break
    found = {name: np.concatenate([each[name] for each in pieces]) for name in pieces[0]}
    lost = np.isnan(found["mean"]) | (found["mean"] < 0.05 * unloaded_peak(supply))
    for values in found.values():
        values[lost] = np.nan
    rails = []
    for n, regulator in enumerate(supply.regulators):
        headroom, hot = found[f"headroom {n}"], found[f"junction {n}"]
        rails.append(
            RailSpread(
                name=regulator.name,
                drops_out=float(np.mean((headroom < 0.0) | lost)),
                shuts_down=float(np.mean(hot > SHUTDOWN)),
                headroom=_quantity(tr("headroom"), "V", headroom),
                depth=_quantity(tr("depth of the dips"), "V", found[f"depth {n}"]),
                heat=_quantity(tr("heat"), "W", found[f"heat {n}"]),
                junction=_quantity(tr("junction"), "°C", hot),
            )
        )
    return MonteCarlo(
        count=len(lost),
        seed=seed,
        broken_down=float(np.mean(lost)),
        mean=_quantity(tr("reservoir, mean"), "V", found["mean"]),
        ripple=_quantity(tr("reservoir, ripple"), "V", found["ripple"]),
        valley=_quantity(tr("reservoir, valley"), "V", found["valley"]),
        capacitor_rms=_quantity(tr("reservoir, ripple current"), "A", found["capacitor_rms"]),
        rails=tuple(rails),
        times=times,
        waves=waves,
    )


def worst_case(
    supply: Supply,
    spread: Spread | None = None,
    *,
    aged: tuple[float, float] = (1.0, 1.0),
    missing: Iterable[Missing] = (),
) -> tuple[WorstCase, ...]:
    """Both worst cases of every regulator. SupplyError as `monte_carlo`."""
    gone = frozenset(missing)
    spread = spread or supply.spread
    low, high = supply.reservoir.tolerance
    mains = spread.mains or (supply.low, supply.high)
    found = []
    for n, regulator in enumerate(supply.regulators):
        up = 1.0 + regulator.tolerance
        # First for headroom, then for heat: strong feed, firm reservoir, low rail.
        variant = Variant(
            mains=np.array(mains),
            volt=np.array(spread.volt),
            ohm=np.array(spread.ohm[::-1]),
            farad=aged[0] * np.array([1.0 + low, 1.0 + high]),
            esr=aged[1] * np.array(spread.esr[::-1]),
            load=np.full(2, spread.load[1]),
            setting=np.array([up, 2.0 - up]),
            dropout=np.array([spread.dropout[1], spread.dropout[0]]),
            warmer=np.full(2, spread.warmer[1]),
        )
        figures = _figures(supply, work_out(supply, variant), variant, gone)
        hot = float(figures[f"junction {n}"][1])
        found.append(
            WorstCase(
                name=regulator.name,
                headroom=float(figures[f"headroom {n}"][0]),
                depth=float(figures[f"depth {n}"][0]),
                share=float(figures[f"share {n}"][0]),
                heat=float(figures[f"heat {n}"][1]),
                junction=hot if hot <= SHUTDOWN else None,
            )
        )
    return tuple(found)


def _figures(supply: Supply, worked: Worked, variant: Variant, missing: frozenset[Missing]) -> dict[str, Floats]:
    """Each figure of each variant."""
    steady = worked.steady
    found = {
        "mean": steady.mean,
        "ripple": steady.ripple,
        "valley": steady.valley,
        "capacitor_rms": steady.capacitor_rms,
    }
    for n, regulator in enumerate(supply.regulators):
        rail = worked.regulated[regulator.name]
        ohm, _ = regulator.cooling.path(missing)
        found |= {
            f"headroom {n}": rail.headroom,
            f"depth {n}": rail.depth,
            f"share {n}": rail.share,
            f"heat {n}": rail.heat,
            f"junction {n}": junction(rail.heat, ohm, supply.air + np.asarray(variant.warmer)),
        }
    return found


def _waves(volt: Floats) -> Floats:
    kept = volt[np.isfinite(volt).all(axis=-1)]
    return np.percentile(kept, WAVE_PERCENTS, axis=0) if len(kept) else np.full((5, volt.shape[-1]), np.nan)


def _quantity(name: str, unit: str, values: Floats) -> Quantity:
    kept = values[~np.isnan(values)]
    points = np.percentile(kept, PERCENTS) if kept.size else np.full(len(PERCENTS), np.nan)
    return Quantity(name, unit, values, dict(zip(PERCENTS, points.tolist(), strict=True)))
