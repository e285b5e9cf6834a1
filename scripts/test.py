"""Install what the tests need, headless Chromium included, and run them all.

    python3 scripts/test.py [options for pytest]

Chromium comes from the system: on Debian and Ubuntu it is installed with apt-get if it is missing (as root, or with
sudo); elsewhere install it yourself, and set CHROMIUM_FOR_TESTS if it is not on the path.
"""

from __future__ import annotations

import os
import shutil
import sys

from common import install, python, run

NAMES = ("chromium", "chromium-browser", "google-chrome")


def chromium() -> str:
    """The path of a Chromium, installed if need be."""
    chosen = os.environ.get("CHROMIUM_FOR_TESTS")
    if chosen:
        return chosen
    found = next((path for name in NAMES if (path := shutil.which(name))), None)
    if found is None and shutil.which("apt-get"):
        as_root = [] if os.geteuid() == 0 else ["sudo"]
        quiet = {"DEBIAN_FRONTEND": "noninteractive"}
        run(*as_root, "apt-get", "update", "-q", **quiet)
        run(*as_root, "apt-get", "install", "-y", "-q", "--no-install-recommends", "chromium", **quiet)
        found = shutil.which("chromium")
    if found is None:
        sys.exit("Chromium is not on the path: install it, or set CHROMIUM_FOR_TESTS to its path")
    return found


def main() -> None:
    install(".[dev]")
    browser = chromium()
    tools = python().parent
    run(tools / "ruff", "check", ".")
    run(tools / "ruff", "format", "--check", ".")
    run(tools / "lint-imports")
    run(tools / "mypy")
    run(python(), "-m", "pytest", *sys.argv[1:], CHROMIUM_FOR_TESTS=browser)


if __name__ == "__main__":
    main()
