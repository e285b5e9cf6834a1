"""Lessons of many finished jobs put together: weights, cures, times and prices pooled, and how good the advice was.

Pure: no database and no framework. What was expected and found is added up lesson by lesson; only the sums are pooled,
so that ten thousand jobs take a moment.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from math import log
from statistics import median
from typing import Any

from refettle.knowledge.loading import LoadedType
from refettle.proving.calibration import Calibration, calibration
from refettle.proving.pooling import Pool, Pooled, Tally, pool_chances, pool_factors
from refettle.proving.times import Prior, RepairTime, repair_time

LEAST_MOVE = 0.02
"""A factor nearer to 1 than this is not worth writing down."""
FACTOR_LIMITS = (0.05, 20.0)
"""Of what is written to a job: estimate. Beyond, a unit type's file should be put right instead."""
DEFAULT_MINUTES = 30.0
"""[min] of a repair whose kind is not in the library any more: estimate."""


@dataclass(frozen=True, slots=True)
class Weight:
    """What was learned of a block: `factor` on its shipped weight, from `jobs` of its unit type that failed."""

    kind: str
    type: str
    block: str
    factor: Pooled
    jobs: int

    @property
    def moved(self) -> float:
        """How far from the shipped weight, either way: 0 is not at all."""
        return abs(log(self.factor.mean))


@dataclass(frozen=True, slots=True)
class CureRecord:
    """A repair of a kind, over all unit types: `tried` where something was there for it, `cured`, and the pooled
    chance with its interval; `said` is what its block kind says; minutes and prices as far as they were written down.
    """

    kind: str
    repair: str
    tried: float
    cured: float
    said: float
    chance: Pooled
    time: RepairTime | None
    price: float | None
    prices: int
    types: int


@dataclass(frozen=True, slots=True)
class Found:
    """A failure mode found: in how many jobs, parts of one added up; out of those of that unit type."""

    type: str
    mode: str
    found: float
    jobs: int


@dataclass(frozen=True, slots=True)
class Saved:
    """Bench minutes of jobs that ended with the unit working, beside replacing everything without looking [min]."""

    jobs: int
    spent: float
    replace_all: float

    @property
    def minutes(self) -> float:
        """Saved over all these jobs [min]; below 0 where it took longer."""
        return self.replace_all - self.spent


@dataclass(frozen=True)
class Experience:
    """All that the jobs of this bench, and of those that it has experience from, taught."""

    own: int = 0
    others: int = 0
    handed_over: int = 0
    parted_out: int = 0
    weights: tuple[Weight, ...] = ()
    cures: tuple[CureRecord, ...] = ()
    found: tuple[Found, ...] = ()
    advice: Calibration | None = None
    """Of this bench's own jobs."""
    outcome_loss: float | None = None
    """Mean of -ln(chance said of the exact outcome that came)."""
    saved: Saved | None = None
    ended: Mapping[str, tuple[int, int]] = field(default_factory=dict)
    """By unit type, of this bench's own jobs on units that failed: how many ended working, of how many."""
    pool: Pool | None = field(default=None, repr=False)

    @property
    def jobs(self) -> int:
        """Finished jobs that taught something."""
        return self.own + self.others

    def factors(self, loaded: LoadedType) -> dict[str, float]:
        """What to multiply the weights of a unit type's blocks with, for a new job; blocks that hardly move are left
        out."""
        if self.pool is None:
            return {}
        low, high = FACTOR_LIMITS
        out = {}
        for block, each in loaded.blocks.items():
            factor = min(high, max(low, self.pool.of(each.kind, _place(loaded.name, block)).mean))
            if abs(log(factor)) >= LEAST_MOVE:
                out[block] = float(f"{factor:.3g}")
        return out

    def time_of(self, kind: str, repair: str) -> RepairTime | None:
        """Minutes of a repair as written down in finished jobs; None where they never were."""
        return next((c.time for c in self.cures if (c.kind, c.repair) == (kind, repair)), None)


@dataclass
class _Sum:
    found: float = 0.0
    expected: float = 0.0
    jobs: int = 0


@dataclass
class _CureSum:
    by_type: dict[str, list[float]] = field(default_factory=dict)
    said: float = 0.0
    minutes: list[float] = field(default_factory=list)
    prices: list[float] = field(default_factory=list)


def gather(
    own: Iterable[Mapping[str, Any]],
    others: Iterable[Mapping[str, Any]] = (),
    minutes: Mapping[tuple[str, str], float] | None = None,
) -> Experience:
    """Put lessons together.

    Parameters
    ----------
    own, others : iterable of mappings
        Lessons in plain form (see `lesson`), of this bench and of others. Both count alike for weights, cures, times
        and prices; only the bench's own tell how good its advice was.
    minutes : mapping, optional
        (kind, repair) -> shipped estimate [min].
    """
    blocks: dict[tuple[str, str, str], _Sum] = {}
    cures: dict[tuple[str, str], _CureSum] = {}
    modes: dict[tuple[str, str], float] = {}
    failed: dict[str, int] = {}
    ends = {"handed over": 0, "parted out": 0}
    counts = [0, 0]
    said: list[tuple[float, bool, float]] = []
    spent: list[tuple[float, float]] = []
    ended: dict[str, tuple[int, int]] = {}
    for whose, lessons in enumerate((own, others)):
        for each in lessons:
            counts[whose] += 1
            ends[each["end"]] += 1
            name = each["type"]
            if each["failed"]:
                failed[name] = failed.get(name, 0) + 1
                for block, part in each["blocks"].items():
                    total = blocks.setdefault((part["kind"], name, block), _Sum())
                    total.found += part["found"]
                    total.expected += part["expected"]
                    total.jobs += 1
                for mode, chance in each["modes"].items():
                    modes[name, mode] = modes.get((name, mode), 0.0) + chance
            _add_cures(cures, each)
            if whose == 0:
                said += [(s, c, o) for s, c, o in each["checks"]]
                worked = each["works"] and each["end"] == "handed over"
                if each["failed"]:
                    before = ended.get(name, (0, 0))
                    ended[name] = (before[0] + worked, before[1] + 1)
                if worked:
                    spent.append((each["minutes"], each["replace_all"]))
    weights, pool = _weights(blocks)
    return Experience(
        own=counts[0],
        others=counts[1],
        handed_over=ends["handed over"],
        parted_out=ends["parted out"],
        weights=weights,
        cures=_cure_records(cures, minutes or {}),
        found=tuple(
            Found(name, mode, found, failed[name])
            for (name, mode), found in sorted(modes.items(), key=lambda item: (-item[1], item[0]))
        ),
        advice=calibration([s for s, _, _ in said], [c for _, c, _ in said]) if said else None,
        outcome_loss=-sum(log(max(1e-6, o)) for _, _, o in said) / len(said) if said else None,
        saved=Saved(len(spent), sum(s for s, _ in spent), sum(r for _, r in spent)) if spent else None,
        ended=ended,
        pool=pool,
    )


def gather_texts(own: Sequence[str], others: Sequence[str], minutes: Mapping[tuple[str, str], float]) -> Experience:
    """`gather`, of lessons as JSON."""
    return gather(map(json.loads, own), map(json.loads, others), minutes)


def _place(name: str, block: str) -> str:
    return f"{name}: {block}"


def _add_cures(cures: dict[tuple[str, str], _CureSum], lesson: Mapping[str, Any]) -> None:
    for each in lesson["cures"]:
        total = cures.setdefault((each["kind"], each["repair"]), _CureSum())
        pair = total.by_type.setdefault(lesson["type"], [0.0, 0.0])
        pair[0] += min(each["cured"], each["tried"])
        pair[1] += each["tried"]
        total.said = each["said"]
        if each.get("minutes"):
            total.minutes.append(each["minutes"])
        if each.get("parts"):
            total.prices.append(each["parts"])


def _weights(blocks: Mapping[tuple[str, str, str], _Sum]) -> tuple[tuple[Weight, ...], Pool | None]:
    if not blocks:
        return (), None
    tallies = [
        Tally(kind, _place(name, block), total.found, total.expected)
        for (kind, name, block), total in blocks.items()
        if total.expected > 0
    ]
    pool = pool_factors(tallies)
    rows = [
        Weight(kind, name, block, pool.of(kind, _place(name, block)), total.jobs)
        for (kind, name, block), total in blocks.items()
        if total.expected > 0
    ]
    return tuple(sorted(rows, key=lambda row: (-row.moved, row.type, row.block))), pool


def _cure_records(
    cures: Mapping[tuple[str, str], _CureSum], shipped: Mapping[tuple[str, str], float]
) -> tuple[CureRecord, ...]:
    if not cures:
        return ()
    tallies, said = [], {}
    for (kind, repair), total in cures.items():
        name = f"{kind}: {repair}"
        said[name] = min(0.99, max(0.01, total.said))
        tallies += [Tally(name, each, cured, tried) for each, (cured, tried) in total.by_type.items()]
    pool = pool_chances(tallies, shipped=said)
    rows = []
    for (kind, repair), total in cures.items():
        prior = Prior(max(1.0, shipped.get((kind, repair), DEFAULT_MINUTES)))
        rows.append(
            CureRecord(
                kind,
                repair,
                sum(tried for _, tried in total.by_type.values()),
                sum(cured for cured, _ in total.by_type.values()),
                total.said,
                pool.of(f"{kind}: {repair}"),
                repair_time(total.minutes, prior) if total.minutes else None,
                median(total.prices) if total.prices else None,
                len(total.prices),
                len(total.by_type),
            )
        )
    return tuple(sorted(rows, key=lambda row: (-row.tried, row.kind, row.repair)))
