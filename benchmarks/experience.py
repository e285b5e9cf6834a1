"""How long experience takes to work out from 10,000 finished jobs, and how well pooled chances foretell real repairs.

    python benchmarks/experience.py [--jobs 10000] [--repeats 5] [--records repairs.csv] [--chart chart.svg]

Prints markdown tables. Times stand beside a reference run on the same machine: adding up the same tallies in a plain
Python loop. The records are those of community repair events in the Open Repair Data Standard, as CSV with the columns
product_category, product_age, repair_status, event_date; repairs of later years are foretold from earlier ones.
"""

from __future__ import annotations

import os

os.environ["OPENBLAS_NUM_THREADS"] = os.environ["OMP_NUM_THREADS"] = "1"  # before numpy is imported

import argparse
import csv
import platform
import time
from collections import defaultdict
from collections.abc import Callable
from pathlib import Path
from statistics import median

import numpy as np

from refettle.drawing.calibration import calibration_chart
from refettle.proving.calibration import Calibration, calibration, log_loss
from refettle.proving.pooling import Tally, pool_chances, pool_factors
from refettle.proving.times import Prior, repair_time


def finished(jobs: int, seed: int = 1) -> tuple[list[Tally], list[Tally], dict[str, list[float]]]:
    """Tallies of failures and cures, and minutes by kind: 40 block kinds, 60 unit types of 12 blocks each."""
    rng = np.random.default_rng(seed)
    blocks = [rng.choice(40, 12, replace=False) for _ in range(60)]
    factor = rng.gamma(2.0, 0.5, 40)
    failures, cures, minutes = [], [], defaultdict(list)
    for _ in range(jobs):
        unit = int(rng.integers(60))
        for kind in blocks[unit]:
            found = float(rng.random() < min(0.9, 0.08 * factor[kind]))
            failures.append(Tally(f"kind {kind}", f"type {unit}", found, 0.08))
        kind = int(rng.choice(blocks[unit]))
        cures.append(Tally(f"kind {kind}", f"type {unit}", float(rng.random() < 0.7), 1.0))
        minutes[f"kind {kind}"].append(float(np.exp(rng.normal(3.4, 0.6))))
    return failures, cures, minutes


def reference(failures: list[Tally], cures: list[Tally]) -> int:
    """The same tallies added up in a plain loop."""
    sums: dict[tuple[str, str], float] = defaultdict(float)
    for each in (*failures, *cures):
        sums[each.kind, each.type] += each.count
    return len(sums)


def experience(failures: list[Tally], cures: list[Tally], minutes: dict[str, list[float]]) -> int:
    """Weights, cures and repair times, all of them."""
    prior = Prior(30.0)
    times = [repair_time(each, prior) for each in minutes.values()]
    return len(pool_factors(failures).types) + len(pool_chances(cures).types) + len(times)


def seconds(work: Callable[[], int], repeats: int) -> float:
    """Median of `repeats` runs."""
    taken = []
    for _ in range(repeats):
        start = time.perf_counter()
        work()
        taken.append(time.perf_counter() - start)
    return median(taken)


def band(age: str) -> str:
    """Age [year] in bands: few records have one, and fewer the same."""
    if not age:
        return "age not known"
    return next((f"under {top}" for top in (5, 10, 20) if float(age) < top), "20 and over")


def foretold(path: Path, year: str, status: str) -> tuple[int, int, dict[str, float], Calibration]:
    """Cases learned from and foretold, the log loss of three ways, and the calibration of the pooled one."""
    with path.open(encoding="utf-8", newline="") as file:
        rows = [row for row in csv.DictReader(file) if row["repair_status"] != "Unknown"]
    learned = [row for row in rows if row["event_date"] < year]
    unseen = [row for row in rows if row["event_date"] >= year]
    shares: dict[str, list[float]] = defaultdict(lambda: [0.0, 0.0])
    tallies = []
    for row in learned:
        came = float(row["repair_status"] == status)
        tallies.append(Tally(row["product_category"], band(row["product_age"]), came, 1.0))
        for key in ("", row["product_category"]):
            shares[key][0] += came
            shares[key][1] += 1.0
    pool = pool_chances(tallies)
    came_true = [row["repair_status"] == status for row in unseen]
    whole = shares[""][0] / shares[""][1]
    bare = [shares[c][0] / shares[c][1] if c in shares else whole for c in (row["product_category"] for row in unseen)]
    pooled = [pool.of(row["product_category"], band(row["product_age"])).mean for row in unseen]
    loss = {
        "overall": log_loss([whole] * len(unseen), came_true),
        "category": log_loss(bare, came_true),
        "pooled": log_loss(pooled, came_true),
    }
    return len(learned), len(unseen), loss, calibration(pooled, came_true)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--jobs", type=int, default=10_000)
    parser.add_argument("--repeats", type=int, default=5)
    parser.add_argument("--records", type=Path)
    parser.add_argument("--chart", type=Path, help="where to write the calibration chart of the records")
    args = parser.parse_args()
    failures, cures, minutes = finished(args.jobs)
    experience(failures, cures, minutes)  # what is loaded once
    once = seconds(lambda: reference(failures, cures), args.repeats)
    taken = seconds(lambda: experience(failures, cures, minutes), args.repeats)
    print(f"Python {platform.python_version()}, {platform.machine()}, median of {args.repeats}\n")
    print("| finished jobs | tallies | experience | adding up in a loop | ratio |")
    print("| --- | --- | --- | --- | --- |")
    print(f"| {args.jobs} | {len(failures) + len(cures)} | {taken:.2f} s | {once:.3f} s | {taken / once:.1f} |")
    if args.records is None:
        return
    print("\n| status | learned from | tried on | overall | category | pooled |")
    print("| --- | --- | --- | --- | --- | --- |")
    for status in ("Fixed", "End of life"):
        for year in ("2018", "2020", "2022", "2023", "2024"):
            many, rest, loss, _ = foretold(args.records, year, status)
            cells = " | ".join(f"{value:.4f}" for value in loss.values())
            print(f"| {status} | {many} before {year} | {rest} since | {cells} |")
    print("\n| Fixed, learned before 2023: said | cases | foretold | found | 90 % interval |")
    print("| --- | --- | --- | --- | --- |")
    found = foretold(args.records, "2023", "Fixed")[3]
    if args.chart is not None:
        args.chart.write_text(calibration_chart(found, said="said to be fixed", came="fixed") + "\n", encoding="utf-8")
    for each in found.bins:
        inside = f"{each.rate_low:.3f} to {each.rate_high:.3f}"
        print(
            f"| {each.low:.1f} to {each.high:.1f} | {each.cases} | {each.predicted:.3f} | {each.rate:.3f} | {inside} |"
        )


if __name__ == "__main__":
    main()
