"""Two connections that reach for the last part at once: one gets it, on either database."""

from __future__ import annotations

import os
import subprocess
import sys
from collections import Counter
from pathlib import Path

import pytest

PARTS, THREADS, PROCESSES = 15, 2, 2
SCRIPT = Path(__file__).parent / "take_last.py"


@pytest.fixture(params=["sqlite", "postgresql"])
def variables(request: pytest.FixtureRequest, tmp_path: Path) -> dict[str, str]:
    """For a process of its own: an empty bench book."""
    clean = {k: v for k, v in os.environ.items() if not k.startswith(("REFETTLE_", "DJANGO_"))}
    clean |= {"REFETTLE_HOME": str(tmp_path / "home"), "PYTHONPATH": str(SCRIPT.parent)}
    if request.param == "postgresql":
        clean["REFETTLE_DATABASE"] = request.getfixturevalue("postgres_database")
    return clean


def test_the_last_one_is_given_away_once(variables: dict[str, str]) -> None:
    def run(*words: str) -> subprocess.Popen[str]:
        pipe = subprocess.PIPE
        return subprocess.Popen(
            [sys.executable, str(SCRIPT), *words], env=variables, stdout=pipe, stderr=pipe, text=True
        )

    def said(process: subprocess.Popen[str]) -> str:
        out, err = process.communicate(timeout=180)
        assert process.returncode == 0, err
        return out

    said(run("make", str(PARTS)))
    running = [run("take", str(THREADS), f"p{n}") for n in range(PROCESSES)]
    got = Counter(line.split()[0] for process in running for line in said(process).splitlines())
    assert got == Counter({f"P{n}": 1 for n in range(PARTS)})
    assert said(run("check")).split() == ["0", str(PARTS), str(PARTS)]
