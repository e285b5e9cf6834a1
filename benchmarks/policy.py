"""What the advice costs against the exact optimum, on random units with one fault.

    python benchmarks/policy.py [--models 75] [--depth 2]

Eight faults, eight perfect repairs of 5 to 100 minutes, eight checks that err, each usable once. The optimum is exact
(dynamic programming over all states); the advice is followed through every outcome until its cost is known within
.1 %, and the upper end is printed. Takes about ten minutes for all.
"""

from __future__ import annotations

import os

os.environ["OPENBLAS_NUM_THREADS"] = os.environ["OMP_NUM_THREADS"] = "1"  # before numpy is imported

import argparse
import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from tests.faults.optimal import least_cost, solve
from tests.faults.policy import PRICES, advised, follow, follow_many, many_faults, one_fault


def ratios(price: str, models: int, depth: int) -> list[float]:
    """Cost of the advice over the optimum, one figure a model."""
    found = []
    for start in range(0, models, 5):
        problems = [one_fault(seed, PRICES[price]) for seed in range(start, min(start + 5, models))]
        table = solve(problems).cost
        for i, problem in enumerate(problems):
            followed = follow(problem, table[:, :, i], advised(depth), within=0.001)
            found.append(followed.at_most / float(table[-1, 0, i]))
    return found


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--models", type=int, default=75, help="at each price of checks")
    parser.add_argument("--depth", type=int, default=2, choices=(1, 2), help="steps looked ahead")
    args = parser.parse_args()
    print(f"{args.models} models a row, {args.depth} step(s) ahead\n")
    print("| minutes of a check | mean ratio | worst | within .5 % of the optimum | took [s] |\n|---|---|---|---|---|")

    def row(name: str, found: list[float], start: float) -> None:
        near = np.mean(np.array(found) <= 1.005)
        took = time.process_time() - start
        print(f"| {name} | {np.mean(found):.4f} | {max(found):.4f} | {near:.0%} | {took:.0f} |", flush=True)

    for price in PRICES:
        start = time.process_time()
        row(price, ratios(price, args.models, args.depth), start)
    start = time.process_time()
    several = [follow_many(*many_faults(s), args.depth)[0] / least_cost(many_faults(s)[0]) for s in range(args.models)]
    row("2 to 20, four faults, repairs that fail and harm", several, start)


if __name__ == "__main__":
    main()
