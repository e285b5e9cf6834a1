"""A job to write in, and scripts that run beside the tests."""

from __future__ import annotations

import os
import sqlite3
import subprocess
import sys
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

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
def run_beside(book_variables: dict[str, str]) -> Callable[..., subprocess.Popen[str]]:
    """Start a script of this folder as a process of its own, on a bench book of the test's own."""

    def run(script: str, *words: str) -> subprocess.Popen[str]:
        clean = {k: v for k, v in os.environ.items() if not k.startswith(("REFETTLE_", "DJANGO_"))}
        return subprocess.Popen(
            [sys.executable, str(HERE / script), *words],
            env={**clean, **book_variables, "PYTHONPATH": str(HERE)},
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )

    return run


@pytest.fixture
def read_beside(book_variables: dict[str, str]) -> Callable[[str], list[tuple[Any, ...]]]:
    """The rows of a query on that bench book, without Refettle."""

    def read(query: str) -> list[tuple[Any, ...]]:
        if "REFETTLE_DATABASE" in book_variables:
            import psycopg

            with psycopg.connect(book_variables["REFETTLE_DATABASE"]) as server:
                return server.execute(query).fetchall()
        with closing(sqlite3.connect(Path(book_variables["REFETTLE_HOME"]) / "book.sqlite3")) as database:
            return database.execute(query).fetchall()

    return read


def said(process: subprocess.Popen[str]) -> str:
    """What a script printed, at its end; it must have ended well."""
    out, err = process.communicate(timeout=180)
    assert process.returncode == 0, err
    assert "Traceback" not in err, err
    return out
