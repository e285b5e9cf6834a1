"""What the two scripts share: an environment of the project's own, made with the standard library alone."""

from __future__ import annotations

import os
import subprocess
import sys
import venv
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
ENVIRONMENT = ROOT / ".venv"
CONSTRAINTS = ROOT / "constraints.txt"


def python() -> Path:
    """The environment's Python."""
    return ENVIRONMENT / ("Scripts/python.exe" if os.name == "nt" else "bin/python")


def run(*command: str | Path, **more: str) -> None:
    """Run a command in the project's folder; stop with its status if it fails."""
    print("+", *(str(c) for c in command), flush=True)
    done = subprocess.run([str(c) for c in command], cwd=ROOT, env={**os.environ, **more}, check=False)
    if done.returncode:
        sys.exit(done.returncode)


def install(what: str) -> None:
    """Make the environment if need be, and install `what` (the package, or the package with extras) into it."""
    if sys.version_info < (3, 11):  # noqa: UP036 - a clear line for an older Python
        sys.exit(f"Python 3.11 or newer is needed; this is {sys.version.split()[0]}")
    if not python().exists():
        print(f"Making an environment in {ENVIRONMENT}", flush=True)
        try:
            venv.create(ENVIRONMENT, with_pip=True)
        except subprocess.CalledProcessError:
            sys.exit("Python's own venv module does not work here; on Debian: apt-get install python3-venv")
    run(python(), "-m", "pip", "install", "--quiet", "--disable-pip-version-check", "-c", CONSTRAINTS, "-e", what)
