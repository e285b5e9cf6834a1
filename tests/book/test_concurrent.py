"""Threads and processes that write at once lose nothing and leave no gap."""

from __future__ import annotations

import json
import subprocess
from collections.abc import Callable
from typing import Any

COUNT, THREADS, PROCESSES = 15, 3, 3


def test_numbers_run_without_gap_or_loss(
    run_beside: Callable[..., subprocess.Popen[str]], read_beside: Callable[[str], list[tuple[Any, ...]]]
) -> None:
    first = run_beside("open_one.py")
    out, err = first.communicate(timeout=60)
    assert (first.returncode, out.strip()) == (0, "1"), err
    running = [run_beside("append_many.py", str(COUNT), str(THREADS), f"p{p}") for p in range(PROCESSES)]
    acknowledged: dict[int, str] = {}
    for process in running:
        out, err = process.communicate(timeout=120)
        assert process.returncode == 0, err
        for line in out.splitlines():
            n, text = line.split(" ", 1)
            assert int(n) not in acknowledged
            acknowledged[int(n)] = text
    total = COUNT * THREADS * PROCESSES
    assert sorted(acknowledged) == list(range(1, total + 1))
    rows = read_beside("SELECT n, CAST(data AS text) FROM book_entry ORDER BY n")
    assert {n: json.loads(data)["text"] for n, data in rows} == acknowledged
