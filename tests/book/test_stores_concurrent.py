"""Two connections that reach for the last part at once: one gets it."""

from __future__ import annotations

import subprocess
from collections import Counter
from collections.abc import Callable

from tests.book.conftest import said

PARTS, THREADS, PROCESSES = 15, 2, 2


def test_the_last_one_is_given_away_once(run_beside: Callable[..., subprocess.Popen[str]]) -> None:
    script = "take_last.py"
    said(run_beside(script, "make", str(PARTS)))
    running = [run_beside(script, "take", str(THREADS), f"p{n}") for n in range(PROCESSES)]
    got = Counter(line.split()[0] for process in running for line in said(process).splitlines())
    assert got == Counter({f"P{n}": 1 for n in range(PARTS)})
    assert said(run_beside(script, "check")).split() == ["0", str(PARTS), str(PARTS)]
