"""Ten at work on one job at once for ten minutes, over HTTP, while two read its pages.

    python benchmarks/workers.py [sqlite] [postgresql] [--minutes 10] [--workers 10] [--think 0.5,2.5] [--seed 1]

Notes, times, checks, photos and corrections of own notes, with so many seconds of thought between; `refettle serve` as
it is. Afterwards no entry is lost, double or out of order, and every correction points at what it corrects. Prints a
table; exit status 1 where something was wrong, a status of 500 or more, or a wait of more than 20 s among it.
"""

from __future__ import annotations

import argparse
import contextlib
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from tests.support.load.cluster import Cluster
from tests.support.load.workers import Worked, work

WHATS = ("writing an entry", "writing a photo", "reading a page")


def rows(w: Worked) -> list[str]:
    """Lines of the table."""
    made = []
    for what in WHATS:
        count, half, most, longest = w.wait(what)
        made.append(f"| {w.database} | {what} | {count:,} | {half:.2f} | {most:.2f} | {longest:.2f} |")
    return made


def main() -> int:
    """Print the table, and what was wrong."""
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("databases", nargs="*", default=["sqlite", "postgresql"], metavar="DATABASE")
    asked.add_argument("--minutes", type=float, default=10.0)
    asked.add_argument("--workers", type=int, default=10)
    asked.add_argument("--think", default="0.5,2.5", help="[s] between two entries of one, from,to (0.5,2.5)")
    asked.add_argument("--seed", type=int, default=1)
    args = asked.parse_args()
    if unknown := set(args.databases) - {"sqlite", "postgresql"}:
        asked.error(f"'{min(unknown)}' found; allowed: sqlite, postgresql")
    low, _, high = args.think.partition(",")
    all_worked = []
    for name in args.databases:
        with (
            tempfile.TemporaryDirectory(prefix="refettle-workers-") as folder,
            Cluster() if name == "postgresql" else contextlib.nullcontext() as cluster,
        ):
            worked = work(
                Path(folder),
                60 * args.minutes,
                cluster=cluster,
                workers=args.workers,
                think=(float(low), float(high)),
                seed=args.seed,
            )
        all_worked.append(worked)
        counts = ", ".join(f"{kind} {count}" for kind, count in sorted(worked.counts().items()))
        print(f"{worked.database}: {worked.entries:,} entries in {worked.seconds / 60:.1f} min ({counts})", flush=True)
        print(f"wrong: {len(worked.wrong)}", *worked.wrong[:20], sep="\n  ", flush=True)
    print("\n| database | what | count | p50 [s] | p95 [s] | longest [s] |\n|---|---|---|---|---|---|")
    for worked in all_worked:
        print(*rows(worked), sep="\n")
    return 1 if any(worked.wrong for worked in all_worked) else 0


if __name__ == "__main__":
    sys.exit(main())
