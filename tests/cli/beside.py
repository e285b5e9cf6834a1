"""Running the command line as a process of its own, with an empty data folder."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

CLEAN = {k: v for k, v in os.environ.items() if not k.startswith(("REFETTLE_", "DJANGO_"))}
Ended = subprocess.CompletedProcess[bytes]
Beside = Callable[..., Ended]


def go(home: Path, *words: str, fed: bytes | None = None) -> Ended:
    """`refettle words...`, with `fed` on standard input; warnings are errors there too."""
    return subprocess.run(
        [sys.executable, "-W", "error", "-m", "refettle.cli.main", *words],
        env={**CLEAN, "REFETTLE_HOME": str(home)},
        input=fed,
        capture_output=True,
        check=False,
        timeout=120,
    )


def as_json(run: Ended) -> Any:
    """What was printed, which must be all of it, and nothing said on the side."""
    assert run.stderr == b""
    return json.loads(run.stdout)


def refused(run: Ended) -> str:
    """The one clear line of a refusal: exit status 2, nothing on standard output."""
    assert (run.returncode, run.stdout) == (2, b""), run.stderr.decode()
    (line,) = run.stderr.decode().splitlines()
    assert line.startswith("refettle: ")
    return line.removeprefix("refettle: ")


def in_process(capfdbinary: pytest.CaptureFixture[bytes], *words: str) -> Ended:
    """The same without a new process, for the many ways in which input can be bad."""
    from refettle.cli.main import main

    status = main(list(words))
    out, err = capfdbinary.readouterr()
    return subprocess.CompletedProcess(list(words), status, out, err)
