"""Hostile input for everything that reads what others wrote, and what came of it.

    python benchmarks/fuzz.py all|READER[,READER] [--inputs 100000] [--seed 1] [--seconds 60] [--keep FOLDER]

Inputs are made from valid examples: bytes flipped, pieces cut, repeated and put together, numbers and words at the
edges, deep nesting, long lines, other encodings, and values changed inside JSON, YAML, CSV, ZIP, XML and PNG with the
sums around them right again. Each is read in a process of its own under a watchdog. A failure is any error but the
reader's own, an error without words, more than 2 s of processor time, or more than 500 MB; the input is kept in
FOLDER, made smaller.
Ctrl-C stops and shows what was found until then. Exit status 1 where something failed. Linux only: it reads /proc.
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from tests.support.hostile.readers import READERS
from tests.support.hostile.watching import Result, try_readers


def row(r: Result) -> None:
    """Print a line of the table."""
    counts = " | ".join(f"{each:,}" for each in (r.inputs, r.read, r.refused, r.failed))
    print(f"| {r.reader} | {counts} | {r.slowest:.2f} | {r.peak:.0f} | {r.cpu:.0f} |", flush=True)


def keep(result: Result, folder: Path) -> None:
    """Write the inputs that failed into `folder`."""
    if not result.failures:
        return
    folder.mkdir(parents=True, exist_ok=True)
    for n, failure in enumerate(result.failures, start=1):
        name = folder / f"{result.reader.replace(' ', '-')}-{n}-{failure.kind.replace(' ', '-')}"
        name.write_bytes(failure.data)
        print(f"  {result.reader}, {failure.count} inputs, first {failure.number}: {failure.kind} {failure.where}")
        print(f"    {' '.join(failure.said.split())[:200]}\n    kept in {name} ({len(failure.data)} bytes)", flush=True)


def main() -> int:
    """Print a line for each failure and a table for all."""
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("readers", help="all, or names: " + ", ".join(READERS))
    asked.add_argument("--inputs", type=int, default=100_000, help="for each reader (100000)")
    asked.add_argument("--seed", type=int, default=1)
    asked.add_argument("--first", type=int, default=0, help="number of the first input: to go on, or to repeat one")
    asked.add_argument("--seconds", type=float, default=60.0, help="[s] of processor time for each reader at most (60)")
    asked.add_argument("--keep", type=Path, default=Path("hostile"), help="folder for inputs that failed (hostile)")
    args = asked.parse_args()
    names = list(READERS) if args.readers == "all" else args.readers.split(",")
    if unknown := [name for name in names if name not in READERS]:
        asked.error(f"{unknown[0]!r} found; allowed: all, {', '.join(READERS)}")
    told = time.monotonic()

    def progress(result: Result) -> None:
        nonlocal told
        if sys.stderr.isatty() and time.monotonic() - told > 0.5:
            told = time.monotonic()
            print(f"\r{result.reader}: {result.inputs:,} inputs, {result.failed} failed   ", end="", file=sys.stderr)

    results: list[Result] = []
    print("| reader | inputs | read | refused | failed | slowest [s] | most memory [MB] | processor [s] |")
    print("| --- | --- | --- | --- | --- | --- | --- | --- |", flush=True)
    try:
        for name in names:
            for result in try_readers([name], args.seed, args.inputs, args.seconds, progress, args.first):
                results.append(result)
                row(result)
    except KeyboardInterrupt:
        print("\nstopped", file=sys.stderr)
    for result in results:
        keep(result, args.keep)
    return int(any(r.failures for r in results))


if __name__ == "__main__":
    sys.exit(main())
