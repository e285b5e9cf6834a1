"""No test touches the data folder of whoever runs it. `--database=postgresql`: the bench book on a server."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from tests.support.postgres import postgres_database, postgres_url  # noqa: F401 - fixtures


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption(
        "--database",
        choices=("sqlite", "postgresql"),
        default="sqlite",
        help="where the bench book of the tests is kept; a PostgreSQL server is started for it",
    )


def pytest_configure(config: pytest.Config) -> None:
    """What is shown in the tests is what stands in the catalogues now, not when the package was installed."""
    from compile_texts import compile_all

    compile_all(only_stale=True)


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """On a server only what touches the database is run: the rest would do the same again."""
    if config.getoption("--database") == "sqlite":
        return
    touching = {"db", "transactional_db", "book_variables", "book"}
    kept = [i for i in items if i.get_closest_marker("django_db") or touching & set(getattr(i, "fixturenames", ()))]
    config.hook.pytest_deselected(items=[i for i in items if i not in kept])
    items[:] = kept


@pytest.fixture(scope="session")
def on_postgresql(request: pytest.FixtureRequest) -> bool:
    """True if the bench book of the tests is on a server."""
    return bool(request.config.getoption("--database") == "postgresql")


@pytest.fixture(scope="session")
def django_db_modify_db_settings(
    request: pytest.FixtureRequest, on_postgresql: bool, django_db_modify_db_settings_parallel_suffix: None
) -> None:
    """Put the tests' database where the option says, before pytest-django makes it."""
    if not on_postgresql:
        return
    from django.conf import settings
    from django.db import connections

    from refettle.book.databases import parse_database

    # A run on PostgreSQL that skips everything would look like one that passed.
    try:
        url = request.getfixturevalue("postgres_url")
    except pytest.skip.Exception as skipped:
        pytest.fail(f"--database=postgresql: {skipped}")
    del connections["default"]
    settings.DATABASES["default"] = parse_database(url).settings()
    connections.settings = connections.configure_settings(settings.DATABASES)


@pytest.fixture
def book_variables(request: pytest.FixtureRequest, on_postgresql: bool, tmp_path: Path) -> dict[str, str]:
    """For a process of its own: a bench book in `tmp_path`, its tables on the server if the option says so."""
    variables = {"REFETTLE_HOME": str(tmp_path / "home")}
    if on_postgresql:
        variables["REFETTLE_DATABASE"] = request.getfixturevalue("postgres_database")
    return variables


@pytest.fixture(autouse=True)
def own_folders(settings: Any, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Point the folders of the bench book to an empty place; the database of tests is in memory."""
    home = tmp_path_factory.mktemp("home")
    for name in ("photos", "files", "types", "kinds"):
        (home / name).mkdir()
        setattr(settings, f"REFETTLE_{name.upper()}", home / name)
    settings.REFETTLE_HOME = home
    return home
