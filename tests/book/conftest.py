"""A job to write in, and scripts that run beside the tests."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from refettle.book.models import Job
from refettle.book.store import open_job
from refettle.knowledge.loading import LoadedType, load_shipped_type

HERE = Path(__file__).parent


@pytest.fixture
def loaded() -> LoadedType:
    return load_shipped_type("larkmere-48")


@pytest.fixture
def job(db: None, loaded: LoadedType) -> Job:
    return open_job(loaded, serial="L48-0731", label="the grey one")


@pytest.fixture
def run_beside(tmp_path: Path) -> Callable[..., subprocess.Popen[str]]:
    """Start a script of this folder as a process of its own, on a bench book in `tmp_path`."""

    def run(script: str, *words: str) -> subprocess.Popen[str]:
        clean = {k: v for k, v in os.environ.items() if not k.startswith(("REFETTLE_", "DJANGO_"))}
        return subprocess.Popen(
            [sys.executable, str(HERE / script), *words],
            env={**clean, "REFETTLE_HOME": str(tmp_path / "home"), "PYTHONPATH": str(HERE)},
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )

    return run
