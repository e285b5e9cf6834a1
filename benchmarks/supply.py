"""How long a supply's steady state takes, beside a general circuit simulator on the same supplies.

    python benchmarks/supply.py [--supplies 36] [--variants 10000]

Prints markdown tables. The simulator is ngspice, which marches through the start-up; each supply is run in a process of
its own, and all of them once more in one process, so that starting it counts for nothing. Both sides take one core.
"""

from __future__ import annotations

import os

os.environ["OPENBLAS_NUM_THREADS"] = os.environ["OMP_NUM_THREADS"] = "1"  # before numpy is imported

import argparse
import platform
import sys
import time
from collections.abc import Callable
from pathlib import Path
from statistics import median

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from tests.outside.test_supply_against_simulator import ours, supplies
from tests.support.spice import simulate

from refettle.knowledge.loading import load_shipped_type
from refettle.knowledge.supply_files import supply_of
from refettle.supply.rectifier import Load, Reservoir, Source, steady_state
from refettle.supply.spread import monte_carlo


def took(work: Callable[[], object], repeats: int) -> float:
    """[s] Median of some runs, after one that does not count."""
    work()
    times = []
    for _ in range(repeats):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return median(times)


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--supplies", type=int, default=36)
    parser.add_argument("--variants", type=int, default=10_000)
    args = parser.parse_args()
    circuits = supplies()[: args.supplies]
    print(
        f"{platform.python_version()}, numpy {np.__version__}, {os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}\n"
    )

    own = [took(lambda c=circuit: ours(c), 9) for circuit in circuits]
    alone = [took(lambda c=circuit: simulate([c]), 1) for circuit in circuits]
    start = time.perf_counter()
    traces = simulate(circuits)
    together = (time.perf_counter() - start) / len(circuits)
    off = [
        (abs(steady.mean / trace.mean - 1), abs(steady.ripple / trace.ripple - 1))
        for steady, trace in zip((ours(c) for c in circuits), traces, strict=True)
    ]
    ratios = [slow / fast for slow, fast in zip(alone, own, strict=True)]
    print("| one steady state | median [ms] | slowest [ms] | times as long, median (least) |")
    print("|---|---|---|---|")
    print(f"| ours | {1e3 * median(own):.2f} | {1e3 * max(own):.2f} | 1 |")
    least = f"{median(ratios):.0f} ({min(ratios):.0f})"
    print(f"| simulator, a process for each | {1e3 * median(alone):.0f} | {1e3 * max(alone):.0f} | {least} |")
    print(f"| simulator, all in one process | {1e3 * together:.0f} | | {together / median(own):.0f} |")
    print(f"\nLargest difference: mean {max(m for m, _ in off):.3%}, ripple {max(r for _, r in off):.3%}.\n")

    print("| many variants | s | µs a variant |")
    print("|---|---|---|")
    volts = np.linspace(11.0, 15.0, 1000)
    thousand = took(
        lambda: steady_state(
            Source(volts, 0.6), "bridge", Reservoir(4700e-6, 0.08), Load("current", 1.0), 50.0, steps=256
        ),
        3,
    )
    print(f"| 1,000 steady states at once | {thousand:.2f} | {1e3 * thousand:.0f} |")
    for slug, aged in (("larkmere-48", (1.0, 1.0)), ("corrigan-duo", (1.0, 1.0)), ("corrigan-duo", (0.3, 10.0))):
        section = load_shipped_type(slug).unit_type.supply
        assert section is not None
        supply = supply_of(section, slug, slug).supply
        seconds = took(lambda s=supply, a=aged: monte_carlo(s, args.variants, 1, aged=a), 1)
        words = f"{slug}, {args.variants:,} variants" + (
            "" if aged == (1.0, 1.0) else ", reservoir at 30 % with 10 times its ESR"
        )
        print(f"| {words} | {seconds:.2f} | {1e6 * seconds / args.variants:.0f} |")


if __name__ == "__main__":
    main()
