"""Minutes to a working unit with weights learned from finished jobs, against the shipped weights.

    python benchmarks/learned_weights.py [--benches 3] [--learn 200] [--jobs 30] [--factor 3] [--first 1]

On each simulated bench the true weight of every block kind is `factor` times the shipped one, or its inverse, at
random. Its finished jobs, spread over the shipped unit types, are pooled; what each job found is taken as known. Then
the same new units are repaired by the advice with the shipped, the learned and the true weights, one step ahead.
Prints a markdown table and the mean saving with its standard error over the units.
"""

from __future__ import annotations

import os

os.environ["OPENBLAS_NUM_THREADS"] = os.environ["OMP_NUM_THREADS"] = "1"  # before numpy is imported

import argparse
from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from refettle import faults
from refettle.faults.model import Model
from refettle.faults.simulate import World, follow_advice
from refettle.knowledge.compile import OWNER, compile_type
from refettle.knowledge.loading import load_shipped_type, shipped_types
from refettle.proving.pooling import Tally, pool_factors

MOST_PRIOR = 0.4
EXPECTED_FROM = 1500
"""Simulated faulty units that say how often each block is expected to be found at fault under the shipped weights."""


@dataclass(frozen=True)
class Shipped:
    """A shipped unit type: its model, the kind of each block, and its outputs."""

    name: str
    model: Model
    kinds: dict[str, str]
    points: list[str]


def load(slug: str) -> Shipped:
    compiled = compile_type(load_shipped_type(slug))
    kinds = {block: each.kind for block, each in compiled.loaded.unit_type.blocks.items()}
    points = [step.id for step in compiled.steps.values() if step.is_point]
    return Shipped(slug, replace(compiled.model, give_up=3000.0), kinds, points)


def weighted(model: Model, factor: Callable[[str], float]) -> Model:
    """The model with the prior of every mode times the factor of its block."""
    modes = [m if m.other else replace(m, prior=min(MOST_PRIOR, m.prior * factor(m.block))) for m in model.modes]
    return replace(model, modes=type(model.modes)(modes))


def found(model: Model, points: list[str], units: int, seed: list[int]) -> dict[str, float]:
    """In how many of so many faulty units each block has a fault."""
    out: dict[str, float] = defaultdict(float)
    for unit in range(units):
        present = World(model, points, np.random.default_rng([*seed, unit])).present
        for block in {model.modes[i].block for i in present if not model.modes[i].other}:
            out[block] += 1.0
    return out


def bench(types: list[Shipped], seed: int, learn: int, jobs: int, factor: float) -> dict[str, list[float]]:
    """Minutes of each new unit by each set of weights."""
    rng = np.random.default_rng(seed)
    kinds = sorted({kind for each in types for kind in each.kinds.values()})
    truth = {kind: factor ** float(rng.choice([-1.0, 1.0])) for kind in kinds}
    each_learn = learn // len(types)
    tallies, worlds = [], {}
    for unit in types:
        worlds[unit.name] = weighted(unit.model, lambda b, k=unit.kinds: truth.get(k.get(b, ""), 1.0))  # type: ignore[misc]
        expected = found(unit.model, unit.points, EXPECTED_FROM, [seed, 99])
        seen = found(worlds[unit.name], unit.points, each_learn, [seed, 5])
        for block, kind in unit.kinds.items():
            if expected[block]:
                share = expected[block] / EXPECTED_FROM
                tallies.append(Tally(kind, f"{unit.name} {block}", seen[block], share * each_learn))
    pool = pool_factors(tallies)
    minutes: dict[str, list[float]] = defaultdict(list)
    for unit in types:
        learned = {block: pool.of(kind, f"{unit.name} {block}").mean for block, kind in unit.kinds.items()}
        advisers = {
            "shipped": unit.model,
            "learned": weighted(unit.model, lambda b, f=learned: f.get(b, 1.0)),  # type: ignore[misc]
            "true": worlds[unit.name],
        }
        skip = frozenset(check.id for check in unit.model.checks if check.id.startswith(OWNER))
        options = faults.Options(depth=1, skip=skip, support=400)
        for name, adviser in advisers.items():
            sets = faults.enumerate_sets(adviser, cap=6000)
            for job in range(jobs // len(types)):
                world = World(worlds[unit.name], unit.points, np.random.default_rng([seed, 7, job]))
                world.model = adviser
                minutes[name].append(follow_advice(world, sets, options).minutes)
    return minutes


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--benches", type=int, default=3)
    parser.add_argument("--learn", type=int, default=200)
    parser.add_argument("--jobs", type=int, default=30, help="new units of each bench, spread over the unit types")
    parser.add_argument("--factor", type=float, default=3.0)
    parser.add_argument("--first", type=int, default=1, help="seed of the first bench")
    args = parser.parse_args()
    types = [load(slug) for slug in shipped_types()]
    whole: dict[str, list[float]] = defaultdict(list)
    print("| bench | new units | shipped [min] | learned [min] | true [min] | saved by learning |")
    print("| --- | --- | --- | --- | --- | --- |", flush=True)
    for seed in range(args.first, args.first + args.benches):
        minutes = bench(types, seed, args.learn, args.jobs, args.factor)
        for name, each in minutes.items():
            whole[name] += each
        row(str(seed), minutes)
    row("all", whole)
    gain = np.array(whole["shipped"]) - np.array(whole["learned"])
    mean = float(np.mean(whole["shipped"]))
    print(f"\nsaved {gain.mean() / mean:.0%}, standard error {gain.std(ddof=1) / len(gain) ** 0.5 / mean:.0%}")


def row(name: str, minutes: dict[str, list[float]]) -> None:
    shipped, learned, true = (float(np.mean(minutes[key])) for key in ("shipped", "learned", "true"))
    units = len(minutes["shipped"])
    print(
        f"| {name} | {units} | {shipped:.0f} | {learned:.0f} | {true:.0f} | {1 - learned / shipped:.0%} |", flush=True
    )


if __name__ == "__main__":
    main()
