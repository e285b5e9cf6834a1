"""The same delivery sent twice at once, from threads and processes: it is written once."""

from __future__ import annotations

import subprocess
from collections import Counter
from collections.abc import Callable

from tests.book.conftest import said


def test_one_delivery_counts_once(run_beside: Callable[..., subprocess.Popen[str]]) -> None:
    script = "receive_twice.py"
    said(run_beside(script, "make"))
    running = [run_beside(script, "receive", "2", "form") for _ in range(2)]
    told = Counter(line for process in running for line in said(process).splitlines())
    assert told == Counter(written=5, again=15)
    assert said(run_beside(script, "check")).split() == ["15", "85", "5"]
