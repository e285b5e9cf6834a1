"""Install what the tests need (headless Chromium, the circuit simulator ngspice, PostgreSQL), and run them all.

    python3 scripts/test.py [options for pytest]

Chromium, ngspice, PostgreSQL and Pango come from the system: on Debian and Ubuntu they are installed with apt-get if
they are missing (as root, or with sudo); elsewhere install them yourself, and set CHROMIUM_FOR_TESTS if it is not on
the path. Without options for pytest, what touches the bench book's database is run a second time on PostgreSQL.
"""

from __future__ import annotations

import ctypes.util
import os
import shutil
import sys
from pathlib import Path

from common import install, python, run

ON_A_SERVER = ("tests/book", "tests/web", "tests/cli", "tests/test_units.py", "tests/browser/test_whole_job.py",
               "tests/browser/test_flows.py")  # fmt: skip
"""What touches the bench book's database; of the browser's tests, whole jobs."""
NAMES = ("chromium", "chromium-browser", "google-chrome")


def from_debian(*packages: str) -> None:
    """Install Debian packages, where this is a Debian."""
    if not shutil.which("apt-get"):
        return
    as_root = [] if os.geteuid() == 0 else ["sudo"]
    quiet = {"DEBIAN_FRONTEND": "noninteractive"}
    run(*as_root, "apt-get", "update", "-q", **quiet)
    run(*as_root, "apt-get", "install", "-y", "-q", "--no-install-recommends", *packages, **quiet)


def chromium() -> str:
    """The path of a Chromium, installed if need be."""
    chosen = os.environ.get("CHROMIUM_FOR_TESTS")
    if chosen:
        return chosen
    found = next((path for name in NAMES if (path := shutil.which(name))), None)
    if found is None:
        from_debian("chromium")
        found = shutil.which("chromium")
    if found is None:
        sys.exit("Chromium is not on the path: install it, or set CHROMIUM_FOR_TESTS to its path")
    return found


def simulator() -> None:
    """See that ngspice, which the supply model is checked against, is there."""
    if shutil.which("ngspice") is None:
        from_debian("ngspice")
    if shutil.which("ngspice") is None:
        sys.exit("ngspice is not on the path: install it")


def page_layout() -> None:
    """See that Pango, which the PDF pages are set with, is there."""
    if ctypes.util.find_library("pangoft2-1.0") is None:
        from_debian("libpango-1.0-0", "libpangoft2-1.0-0", "libharfbuzz-subset0")


def database_server() -> None:
    """See that PostgreSQL, which the bench book runs on too, is there."""
    if not shutil.which("initdb") and not any(Path("/usr/lib/postgresql").glob("*/bin/initdb")):
        from_debian("postgresql")


def main() -> None:
    install(".[dev]")
    browser = chromium()
    simulator()
    page_layout()
    database_server()
    tools = python().parent
    run(tools / "ruff", "check", ".")
    run(tools / "ruff", "format", "--check", ".")
    run(tools / "lint-imports")
    run(tools / "mypy")
    run(python(), "-m", "pytest", *sys.argv[1:], CHROMIUM_FOR_TESTS=browser)
    if not sys.argv[1:]:
        run(python(), "-m", "pytest", *ON_A_SERVER, "--database=postgresql", "-n", "2", CHROMIUM_FOR_TESTS=browser)


if __name__ == "__main__":
    main()
