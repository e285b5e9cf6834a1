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
from dataclasses import replace

import numpy as np

from refettle import faults
from refettle.faults.model import Model
from refettle.faults.simulate import World, follow_advice
from refettle.knowledge.compile import OWNER, CompiledType, compile_type, weighted
from refettle.knowledge.loading import load_shipped_type, shipped_types
from refettle.proving.pooling import Tally, pool_factors

EXPECTED_FROM = 1500
"""Simulated faulty units that say how often each block is expected to be found at fault under the shipped weights."""
Minutes = dict[str, list[float]]
"""Of each new unit, by each set of weights: shipped, learned, true."""


def shipped() -> list[CompiledType]:
    """The shipped unit types; nobody gives up."""
    out = []
    for slug in shipped_types():
        compiled = compile_type(load_shipped_type(slug))
        out.append(replace(compiled, model=replace(compiled.model, give_up=3000.0)))
    return out


def points_of(compiled: CompiledType) -> list[str]:
    """Its outputs."""
    return [step.id for step in compiled.steps.values() if step.is_point]


def of_owner(model: Model) -> frozenset[str]:
    """The questions to the owner, which a simulated unit has nobody to answer."""
    return frozenset(check.id for check in model.checks if check.id.startswith(OWNER))


def found(model: Model, points: list[str], units: int, seed: list[int]) -> dict[str, float]:
    """In how many of so many faulty units each block has a fault."""
    out: dict[str, float] = defaultdict(float)
    for unit in range(units):
        present = World(model, points, np.random.default_rng([*seed, unit])).present
        for block in {model.modes[i].block for i in present if not model.modes[i].other}:
            out[block] += 1.0
    return out


def bench(types: list[CompiledType], seed: int, learn: int, jobs: int, factor: float) -> Minutes:
    """Minutes of each new unit by each set of weights."""
    rng = np.random.default_rng(seed)
    kinds = sorted({block.kind for each in types for block in each.loaded.blocks.values()})
    truth = {kind: factor ** float(rng.choice([-1.0, 1.0])) for kind in kinds}
    each_learn = learn // len(types)
    tallies, trues = [], []
    for compiled in types:
        name, blocks, points = compiled.loaded.name, compiled.loaded.blocks.values(), points_of(compiled)
        trues.append(weighted(compiled, tuple((b.id, truth[b.kind]) for b in blocks)))
        expected = found(compiled.model, points, EXPECTED_FROM, [seed, 99])
        seen = found(trues[-1].model, points, each_learn, [seed, 5])
        for block in blocks:
            if expected[block.id]:
                share = expected[block.id] / EXPECTED_FROM
                tallies.append(Tally(block.kind, f"{name} {block.id}", seen[block.id], share * each_learn))
    pool = pool_factors(tallies)
    minutes: Minutes = defaultdict(list)
    for compiled, true in zip(types, trues, strict=True):
        name, blocks, points = compiled.loaded.name, compiled.loaded.blocks.values(), points_of(compiled)
        learned = weighted(compiled, tuple((b.id, pool.of(b.kind, f"{name} {b.id}").mean) for b in blocks))
        options = faults.Options(depth=1, skip=of_owner(compiled.model), support=400)
        for which, adviser in {"shipped": compiled, "learned": learned, "true": true}.items():
            sets = faults.enumerate_sets(adviser.model, cap=6000)
            for job in range(jobs // len(types)):
                world = World(true.model, points, np.random.default_rng([seed, 7, job]))
                world.model = adviser.model
                minutes[which].append(follow_advice(world, sets, options).minutes)
    return minutes


Bench = Callable[[list[CompiledType], int, int, int, float], Minutes]


def parser(description: str, benches: int, jobs: int) -> argparse.ArgumentParser:
    """What a run over simulated benches is asked, with its defaults."""
    out = argparse.ArgumentParser(description=description, formatter_class=argparse.RawDescriptionHelpFormatter)
    out.add_argument("--benches", type=int, default=benches)
    out.add_argument("--learn", type=int, default=200)
    out.add_argument("--jobs", type=int, default=jobs, help="new units of each bench, spread over the unit types")
    out.add_argument("--factor", type=float, default=3.0)
    out.add_argument("--first", type=int, default=1, help="seed of the first bench")
    return out


def simulated(bench: Bench, args: argparse.Namespace) -> None:
    """The table of all benches, and the mean saving."""
    types = shipped()
    whole: Minutes = defaultdict(list)
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


def row(name: str, minutes: Minutes) -> None:
    """One line of the table."""
    base, learned, true = (float(np.mean(minutes[key])) for key in ("shipped", "learned", "true"))
    cells = f"{len(minutes['shipped'])} | {base:.0f} | {learned:.0f} | {true:.0f} | {1 - learned / base:.0%}"
    print(f"| {name} | {cells} |", flush=True)


def main() -> None:
    simulated(bench, parser(__doc__, benches=3, jobs=30).parse_args())


if __name__ == "__main__":
    main()
