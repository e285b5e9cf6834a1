"""The same delivery sent twice at once, from threads and processes: it is written once, on either database."""

from __future__ import annotations

import os
import subprocess
import sys
from collections import Counter
from pathlib import Path

import pytest

SCRIPT = Path(__file__).parent / "receive_twice.py"


@pytest.fixture(params=["sqlite", "postgresql"])
def variables(request: pytest.FixtureRequest, tmp_path: Path) -> dict[str, str]:
    """For a process of its own: an empty bench book."""
    clean = {k: v for k, v in os.environ.items() if not k.startswith(("REFETTLE_", "DJANGO_"))}
    clean |= {"REFETTLE_HOME": str(tmp_path / "home"), "PYTHONPATH": str(SCRIPT.parent)}
    if request.param == "postgresql":
        clean["REFETTLE_DATABASE"] = request.getfixturevalue("postgres_database")
    return clean


def test_one_delivery_counts_once(variables: dict[str, str]) -> None:
    def run(*words: str) -> subprocess.Popen[str]:
        pipe = subprocess.PIPE
        return subprocess.Popen(
            [sys.executable, str(SCRIPT), *words], env=variables, stdout=pipe, stderr=pipe, text=True
        )

    def said(process: subprocess.Popen[str]) -> str:
        out, err = process.communicate(timeout=180)
        assert process.returncode == 0, err
        assert "Traceback" not in err, err
        return out

    said(run("make"))
    running = [run("receive", "2", "form") for _ in range(2)]
    told = Counter(line for process in running for line in said(process).splitlines())
    assert told == Counter(written=5, again=15)
    assert said(run("check")).split() == ["15", "85", "5"]
