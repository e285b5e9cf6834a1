"""No test touches the data folder of whoever runs it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from tests.support.postgres import postgres_database, postgres_url  # noqa: F401 - fixtures


@pytest.fixture(autouse=True)
def own_folders(settings: Any, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Point the folders of the bench book to an empty place; the database of tests is in memory."""
    home = tmp_path_factory.mktemp("home")
    for name in ("photos", "files", "types", "kinds"):
        (home / name).mkdir()
        setattr(settings, f"REFETTLE_{name.upper()}", home / name)
    settings.REFETTLE_HOME = home
    return home
