"""The served book killed again and again while people write in it, and what is there afterwards.

    python benchmarks/killed.py [sqlite] [postgresql] [--rounds 500] [--seed 1] [--folder /tmp/killed]

`refettle serve` runs under load over HTTP, a command-line writer and backups beside it, and is killed with SIGKILL at a
random moment; on PostgreSQL the database server is killed with it, or alone, in every fifth round. After each: every
acknowledged entry is there once, nothing is half-written, every job replays, `refettle doctor` is content. After every
100 rounds the book is backed up, the backup restored, and every job replayed on both, equal byte by byte.

The commands are forks of one process that has loaded Refettle, so that a start takes little; at the end of a book some
are whole processes. Prints a table; exit status 1 where something was wrong. Linux, as whom PostgreSQL lets start.
"""

from __future__ import annotations

import argparse
import contextlib
import shutil
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from tests.support.load.cluster import Cluster
from tests.support.load.killing import Tally, kill_often


def row(t: Tally) -> str:
    """A line of the table."""
    counts = (t.rounds, sum(t.acknowledged.values()), t.kept, t.unanswered, t.backups, t.cut_off, t.jobs_replayed)
    told = " | ".join(f"{each:,}" for each in counts)
    return f"| {t.database} | {told} | {t.slowest_start:.1f} | {t.seconds / 60:.0f} | {len(t.wrong)} |"


def main() -> int:
    """Print how far it is on standard error, the tables at the end."""
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("databases", nargs="*", default=["sqlite", "postgresql"], metavar="DATABASE")
    asked.add_argument("--rounds", type=int, default=500, help="on each (500)")
    asked.add_argument("--per-book", type=int, default=100, help="rounds before a new book is begun (100)")
    asked.add_argument("--seed", type=int, default=1)
    asked.add_argument("--folder", type=Path, help="new, for the books; by default a temporary one, thrown away")
    args = asked.parse_args()
    folder = args.folder or Path(tempfile.mkdtemp(prefix="refettle-killed-"))
    told = time.monotonic()
    seen = 0

    def tell(tally: Tally) -> None:
        nonlocal told, seen
        for each in tally.wrong[seen:]:
            print(f"WRONG {each}", file=sys.stderr, flush=True)
        seen = len(tally.wrong)
        if time.monotonic() - told > 30:
            told = time.monotonic()
            print(row(tally), file=sys.stderr, flush=True)

    tallies = []
    if unknown := set(args.databases) - {"sqlite", "postgresql"}:
        asked.error(f"'{min(unknown)}' found; allowed: sqlite, postgresql")
    try:
        for name in args.databases:
            seen = 0
            with Cluster() if name == "postgresql" else contextlib.nullcontext() as cluster:
                tallies.append(
                    kill_often(
                        folder / name,
                        args.rounds,
                        cluster=cluster,
                        per_book=args.per_book,
                        seed=args.seed,
                        tell=tell,
                    )
                )
            tell(tallies[-1])
    finally:
        if args.folder is None:
            shutil.rmtree(folder, ignore_errors=True)
    print(
        "| database | kills | entries acknowledged | kept | cut off | backups made | backups cut off "
        "| jobs equal after restoring | slowest start [s] | minutes | wrong |"
    )
    print("|---" * 11 + "|")
    for tally in tallies:
        print(row(tally))
    for tally in tallies:
        print(f"\n{tally.database}: killed: {', '.join(f'{k} {n}' for k, n in sorted(tally.kills.items()))}")
        print(f"acknowledged: {', '.join(f'{k} {n}' for k, n in sorted(tally.acknowledged.items()))}")
        print(f"files without a name that kills left behind: {tally.unfinished}")
    return 1 if any(tally.wrong for tally in tallies) else 0


if __name__ == "__main__":
    sys.exit(main())
