"""Minutes to a working unit on simulated jobs: following the advice against the order most people use.

    python benchmarks/advice.py [--jobs 200] [--depth 1]

Prints a markdown table, one row for each shipped unit type.
"""

from __future__ import annotations

import argparse
import os
from dataclasses import replace

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np

from refettle import faults
from refettle.faults.simulate import World, fixed_order, follow_advice
from refettle.knowledge.compile import OWNER, CompiledType, compile_type
from refettle.knowledge.loading import load_shipped_type, shipped_types


def parts_of_fixed_order(compiled: CompiledType) -> tuple[str | None, list[int]]:
    """The look-over of the whole board, and the repairs of the unit as a whole (replace all capacitors)."""
    unit = compiled.loaded.unit_type
    visual = next((key for key, check in unit.checks.items() if check.looks_at), None)
    whole = [compiled.model.repair_index[key] for key, repair in unit.repairs.items() if len(repair.fixes) > 1]
    return visual, sorted(whole, key=lambda r: -len(compiled.model.repairs[r].fixes))[:1]


def compare(slug: str, jobs: int, depth: int, seed: int = 7, cap: int = 12_000) -> dict[str, float]:
    """Mean minutes of both ways of working on the same simulated units, and the share of advice jobs cured."""
    compiled = compile_type(load_shipped_type(slug))
    model = replace(compiled.model, give_up=3000.0)
    sets = faults.enumerate_sets(model, cap=cap)
    points = [s.id for s in compiled.steps.values() if s.is_point]
    skip = frozenset(c.id for c in model.checks if c.id.startswith(OWNER))
    options = faults.Options(depth=depth, skip=skip, support=800)
    visual, first = parts_of_fixed_order(compiled)
    advice, fixed = [], []
    for job in range(jobs):
        advice.append(follow_advice(World(model, points, np.random.default_rng([seed, job])), sets, options))
        fixed.append(fixed_order(World(model, points, np.random.default_rng([seed, job])), sets, visual, first))
    return {
        "advice": float(np.mean([o.minutes for o in advice])),
        "fixed": float(np.mean([o.minutes for o in fixed])),
        "advice_parts": float(np.mean([o.parts for o in advice])),
        "fixed_parts": float(np.mean([o.parts for o in fixed])),
        "cured": float(np.mean([o.works for o in advice])),
        "fixed_cured": float(np.mean([o.works for o in fixed])),
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--jobs", type=int, default=200)
    parser.add_argument("--depth", type=int, default=1, choices=(1, 2))
    parser.add_argument("types", nargs="*")
    args = parser.parse_args()
    print("| unit type | advice [min] | fixed order [min] | saved | parts, advice | parts, fixed | cured |")
    print("|---|---|---|---|---|---|---|")
    for slug in args.types or shipped_types():
        r = compare(slug, args.jobs, args.depth)
        saved = 1 - r["advice"] / r["fixed"]
        print(
            f"| {slug} | {r['advice']:.0f} | {r['fixed']:.0f} | {saved:.0%} | {r['advice_parts']:.1f} | "
            f"{r['fixed_parts']:.1f} | {r['cured']:.0%} / {r['fixed_cured']:.0%} |",
            flush=True,
        )


if __name__ == "__main__":
    main()
