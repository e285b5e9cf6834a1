"""Getting the bench book ready: data folder, settings, database."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Callable
from pathlib import Path

from refettle.web.environment import EnvironmentVariableError, read_options
from refettle.web.home import Home, HomeError, prepare


class StartError(Exception):
    """The bench book cannot be opened; one line says why and what to do."""


def start(say: Callable[[str], None] = lambda line: None) -> Home:
    """Make the data folder if it is missing, set up Django, bring the database up to date.

    Parameters
    ----------
    say : callable
        Told in plain words when something is made or changed.

    Raises
    ------
    StartError
        A variable is wrong, the folder cannot be written, or the book is of a later version.
    """
    try:
        home = read_options(os.environ).home
        prepare(home)
    except (EnvironmentVariableError, HomeError) as error:
        raise StartError(str(error)) from None
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "refettle.web.settings")

    import django
    from django.core.exceptions import ImproperlyConfigured
    from django.db import DatabaseError

    try:
        django.setup()
        _bring_up_to_date(home, say)
    except ImproperlyConfigured as error:
        raise StartError(str(error)) from None
    except DatabaseError as error:
        raise StartError(f"{home.database} cannot be opened: {error}.") from None
    return home


def _bring_up_to_date(home: Home, say: Callable[[str], None]) -> None:
    from django.core.management import call_command
    from django.db import connection
    from django.db.migrations.executor import MigrationExecutor

    from refettle.book import guards

    executor = MigrationExecutor(connection)
    applied = set(executor.loader.applied_migrations)
    known = set(executor.loader.disk_migrations) | set(executor.loader.replacements)
    unknown = [name for app, name in sorted(applied - known) if app == "book"]
    if unknown:
        raise StartError(
            f"{home.database} was last used by a later version of Refettle ({unknown[-1]}); "
            "this one would not understand it. Install that version, or set REFETTLE_HOME to another folder."
        )
    plan = executor.migration_plan(executor.loader.graph.leaf_nodes())
    if plan:
        if any(app == "book" for app, _ in applied):
            copy = _copy(home.database, before=plan[0][0].name)
            say(f"Bringing the bench book up to date; the old one is kept as {copy}")
        else:
            say(f"Making a new bench book in {home.folder}")
        call_command("migrate", verbosity=0, interactive=False)
    lost = guards.missing(connection)
    if lost:
        raise StartError(
            f"{home.database} lacks {len(lost)} of its append-only guards ({lost[0]}); "
            "it was changed by another program. Restore a backup."
        )
    connection.close()


def _copy(database: Path, before: str) -> Path:
    """A whole copy of the database beside it, as it was before a migration."""
    copy = database.with_name(f"{database.stem}-before-{before}.sqlite3")
    source = sqlite3.connect(database)
    target = sqlite3.connect(copy)
    try:
        source.backup(target)
    finally:
        target.close()
        source.close()
    return copy
