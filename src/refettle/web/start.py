"""Getting the bench book ready: data folder, settings, database."""

from __future__ import annotations

import atexit
import os
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from refettle.book.databases import (
    LEAST_VERSION,
    Database,
    PostgresqlServer,
    SqliteFile,
    copy_name,
    driver_is_there,
    dump,
)
from refettle.web.environment import EnvironmentVariableError, read_options
from refettle.web.home import Home, HomeError, prepare

if TYPE_CHECKING:
    from django.db.backends.base.base import BaseDatabaseWrapper

LOCK = 0x5EFE771E
"""Of the server: two programs that start at once bring the book up to date one after the other."""


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
        A variable is wrong, the folder cannot be written, the database cannot be reached, or the book is of a
        later version.
    """
    try:
        options = read_options(os.environ)
        prepare(options.home)
    except (EnvironmentVariableError, HomeError) as error:
        raise StartError(str(error)) from None
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "refettle.web.settings")
    if isinstance(options.database, PostgresqlServer) and not driver_is_there():
        raise StartError(
            f"{options.database} needs the package psycopg, which is not installed. "
            "Install it with: pip install 'refettle[postgresql]'"
        )

    import django
    from django.core.exceptions import ImproperlyConfigured

    try:
        django.setup()
    except ImproperlyConfigured as error:
        raise StartError(str(error)) from None
    atexit.register(_close)
    make_ready(options.database, options.home, say)
    return options.home


def _close() -> None:
    """A server is told that its client goes."""
    from django.db import connections

    connections.close_all()


def make_ready(
    database: Database, home: Home, say: Callable[[str], None] = lambda line: None, alias: str = "default"
) -> None:
    """Bring a database up to date, and see that this version can work with it.

    Raises
    ------
    StartError
        Saying what is wrong, and what to do.
    """
    from django.db import DatabaseError, connections

    connection = connections[alias]
    try:
        if isinstance(database, PostgresqlServer):
            _check_server(database, connection)
        with _alone(connection):
            _bring_up_to_date(database, connection, home, say)
    except DatabaseError as error:
        raise StartError(why(database, error)) from None
    finally:
        connection.close()


@contextmanager
def _alone(connection: BaseDatabaseWrapper) -> Iterator[None]:
    if connection.vendor != "postgresql":
        yield
        return
    with connection.cursor() as cursor:
        cursor.execute("SELECT pg_advisory_lock(%s)", [LOCK])
    try:
        yield
    finally:
        if connection.connection is not None and connection.is_usable():
            with connection.cursor() as cursor:
                cursor.execute("SELECT pg_advisory_unlock(%s)", [LOCK])


def why(database: Database, error: Exception) -> str:
    """One line for what the database said."""
    if isinstance(database, SqliteFile):
        return f"{database} cannot be opened: {error}."
    lines = [line.strip() for line in str(error).splitlines() if line.strip()]
    said = next((line for line in lines if "FATAL:" in line or "failed:" in line), lines[0] if lines else "no answer")
    said = said.rpartition("FATAL:")[2].rpartition("failed:")[2].strip().rstrip(".")
    return f"{database} cannot be opened: {said}. {_advice(database, said)}"


def _advice(server: PostgresqlServer, said: str) -> str:
    low = said.lower()
    if "does not exist" in low and "database" in low:
        return f"Make it as somebody who may: createdb --encoding=UTF8 --owner={server.user or 'YOU'} {server.name}"
    if "password" in low or "authentication" in low or "role" in low or "pg_hba" in low:
        return (
            "Put user and password into REFETTLE_DATABASE, the password alone into REFETTLE_DATABASE_PASSWORD_FILE, "
            "or both into PostgreSQL's own ~/.pgpass."
        )
    if "permission denied" in low or "read-only" in low:
        return _rights(server)
    return "See that the server runs and that REFETTLE_DATABASE names its host and port."


def _rights(server: PostgresqlServer) -> str:
    user = server.user or "YOU"
    return f"As its owner or a superuser: GRANT ALL ON SCHEMA public TO {user}; or make that user its owner"


def _check_server(server: PostgresqlServer, connection: BaseDatabaseWrapper) -> None:
    """Refuse a server or database that the book cannot be kept in."""
    from django.db.utils import NotSupportedError

    try:
        connection.ensure_connection()
    except NotSupportedError:
        raise StartError(f"{server} is of a PostgreSQL that is too old; allowed: {LEAST_VERSION} or later.") from None
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT current_setting('server_version'), current_setting('server_version_num')::int, "
            "current_setting('server_encoding'), current_schema(), "
            "coalesce(has_schema_privilege(current_schema(), 'CREATE'), false), "
            "to_regclass('django_migrations') IS NOT NULL, pg_is_in_recovery()"
        )
        version, number, encoding, schema, may_make, made, standby = cursor.fetchone()
    if number < LEAST_VERSION * 10_000:
        raise StartError(f"{server} is PostgreSQL {version}; allowed: {LEAST_VERSION} or later.")
    if encoding != "UTF8":
        raise StartError(f"{server} keeps text as {encoding}; allowed: UTF8. Make it with: createdb --encoding=UTF8")
    if standby:
        raise StartError(f"{server} is a standby, which only reads; allowed: the server that it follows.")
    if not may_make and not made:
        where = f"the schema '{schema}'" if schema else "no schema"
        raise StartError(f"{server}: this user may make no tables in {where}. {_rights(server)}.")


def _bring_up_to_date(
    database: Database, connection: BaseDatabaseWrapper, home: Home, say: Callable[[str], None]
) -> None:
    from django.core.management import call_command
    from django.db.migrations.executor import MigrationExecutor

    from refettle.book import guards

    executor = MigrationExecutor(connection)
    applied = set(executor.loader.applied_migrations)
    known = set(executor.loader.disk_migrations) | set(executor.loader.replacements)
    unknown = [name for app, name in sorted(applied - known) if app == "book"]
    if unknown:
        on_server = isinstance(database, PostgresqlServer)
        elsewhere = "REFETTLE_DATABASE to another database" if on_server else "REFETTLE_HOME to another folder"
        raise StartError(
            f"{database} was last used by a later version of Refettle ({unknown[-1]}); "
            f"this one would not understand it. Install that version, or set {elsewhere}."
        )
    plan = executor.migration_plan(executor.loader.graph.leaf_nodes())
    if plan:
        if any(app == "book" for app, _ in applied):
            before = next((each.name for each, _ in plan if each.app_label == "book"), plan[0][0].name)
            say(_kept(database, copy_name(database, home.folder, before=before)))
        elif isinstance(database, SqliteFile):
            say(f"Making a new bench book in {database.path.parent}")
        else:
            say(f"Making a new bench book in {database}")
        call_command("migrate", database=connection.alias, verbosity=0, interactive=False)
    lost = guards.missing(connection)
    if lost:
        raise StartError(
            f"{database} lacks {len(lost)} of its append-only guards ({lost[0]}); "
            "it was changed by another program. Restore a backup."
        )


def _kept(database: Database, copy: Path) -> str:
    """Keep the book as it is before a migration; says where."""
    if isinstance(database, SqliteFile):
        _copy(database.path, copy)
    elif not dump(database, copy):
        return (
            "Bringing the bench book up to date; no copy of the old one is kept, since there is no pg_dump of this "
            "server's version here. Every step is done whole or not at all."
        )
    return f"Bringing the bench book up to date; the old one is kept as {copy}"


def _copy(database: Path, copy: Path) -> None:
    """A whole copy of a database in a file."""
    source = sqlite3.connect(database)
    target = sqlite3.connect(copy)
    try:
        source.backup(target)
    finally:
        target.close()
        source.close()
