"""How many random text files are misread, and how long a large one takes beside numpy.loadtxt.

    python benchmarks/captures.py [--files 10000] [--megabytes 50]

The random files are those of tests/captures/random_files.py, with numbers that the tests do not use. The large file is
read in processes of their own, whose seconds and peak memory are printed.
"""

from __future__ import annotations

import argparse
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))
from tests.captures.random_files import random_file

FIRST = 3_000_000


def write(path: Path, megabytes: float, gaps: bool) -> int:
    """Time and two channels, the second now and then empty. The number of rows."""
    rows = int(megabytes * 1e6 / 29)
    with path.open("w") as file:
        file.write("t (s),CH1 (V),CH2 (V)\n")
        for n in range(rows):
            second = "" if gaps and n % 1000 == 0 else f"{8 - (n % 89) * 0.01:.4f}"
            file.write(f"{n * 8e-5:.8e},{8 + (n % 97) * 0.01:.4f},{second}\n")
    return rows


def child(what: str, path: Path) -> None:
    begin = time.perf_counter()
    if what == "read":
        from refettle.captures import read_capture

        found = read_capture(path.read_bytes())
        assert len(found.channels) == 2
    else:
        np.loadtxt(path, delimiter=",", skiprows=1)
    print(time.perf_counter() - begin, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3)


def measured(what: str, path: Path) -> tuple[float, float]:
    """[s] and [MB] of one reading in a process of its own."""
    run = subprocess.run(
        [sys.executable, __file__, "--child", what, str(path)], capture_output=True, text=True, check=True
    )
    seconds, memory = run.stdout.split()
    return float(seconds), float(memory)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--files", type=int, default=10_000)
    parser.add_argument("--megabytes", type=float, default=50.0)
    parser.add_argument("--child", nargs=2, help=argparse.SUPPRESS)
    args = parser.parse_args()
    if args.child:
        child(args.child[0], Path(args.child[1]))
        return
    wrong = {seed: said for seed in range(FIRST, FIRST + args.files) if (said := random_file(seed).misread())}
    refused = sum(said.startswith("refused") for said in wrong.values())
    print(f"{args.files} random files: {len(wrong)} misread, of these {refused} refused")
    for seed, said in list(wrong.items())[:5]:
        print(f"  {seed}: {said}")
    with tempfile.TemporaryDirectory() as folder:
        for gaps in (False, True):
            path = Path(folder) / "large.csv"
            rows = write(path, args.megabytes, gaps)
            seconds, memory = measured("read", path)
            line = f"{path.stat().st_size / 1e6:.0f} MB, {rows} rows{', with gaps' if gaps else ''}: "
            line += f"{seconds:.1f} s, {memory:.0f} MB of memory"
            if not gaps:
                beside, plain = measured("loadtxt", path)
                line += f"; numpy.loadtxt {beside:.1f} s, {plain:.0f} MB: {seconds / beside:.2f} times"
            print(line)


if __name__ == "__main__":
    main()
