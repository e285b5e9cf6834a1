"""Append-only, kept by the database itself: triggers that refuse to change or delete what was recorded.

SQLite rebuilds a table for many schema changes and loses its triggers with it: a later migration that
touches a guarded table must run `install` again. `missing` is asked at every start.
"""

from __future__ import annotations

from typing import Any

from django.db.backends.base.base import BaseDatabaseWrapper

NO_CHANGE = (
    "book_entry",
    "book_typeversion",
    "book_movement",
    "book_partchange",
    "book_kitline",
    "book_kitstep",
    "book_orderplan",
    "book_receipt",
)
"""Rows are neither updated nor deleted."""
NO_DELETE = (
    *NO_CHANGE,
    "book_job",
    "book_unit",
    "book_photo",
    "book_part",
    "book_lot",
    "book_reservation",
    "book_offer",
    "book_kitversion",
    "book_kitbatch",
    "book_kit",
    "book_orderline",
    "book_person",
)
"""Rows are not deleted."""
UNIQUE = {"book_entry": ("job_id", "n"), "book_typeversion": ("sha256",)}
"""What makes a row of NO_CHANGE unique, besides its id, where anything does."""


def _sqlite() -> dict[str, str]:
    """Trigger name -> statement."""
    made: dict[str, str] = {}

    def add(table: str, event: str, what: str, when: str = "") -> None:
        name = f"{table}_no_{event.lower()}"
        made[name] = (
            f"CREATE TRIGGER {name} BEFORE {event} ON {table} FOR EACH ROW {when}"
            f"BEGIN SELECT RAISE(ABORT, '{table} is append-only: {what} refused'); END"
        )

    for table in NO_CHANGE:
        add(table, "UPDATE", "UPDATE")
        # INSERT OR REPLACE would delete the old row without firing a delete trigger.
        same = " AND ".join(f"{column} = NEW.{column}" for column in UNIQUE.get(table, ("id",)))
        exists = f"WHEN EXISTS (SELECT 1 FROM {table} WHERE id = NEW.id OR ({same})) "  # noqa: S608
        add(table, "INSERT", "a second row of the same key", exists)
    for table in NO_DELETE:
        add(table, "DELETE", "DELETE")
    return made


def _postgresql() -> dict[str, str]:
    made: dict[str, str] = {}
    for table in NO_DELETE:
        events = "UPDATE OR DELETE" if table in NO_CHANGE else "DELETE"
        made[f"{table}_append_only"] = (
            f"CREATE TRIGGER {table}_append_only BEFORE {events} ON {table} "
            "FOR EACH ROW EXECUTE FUNCTION book_append_only()"
        )
        made[f"{table}_no_truncate"] = (
            f"CREATE TRIGGER {table}_no_truncate BEFORE TRUNCATE ON {table} "
            "FOR EACH STATEMENT EXECUTE FUNCTION book_append_only()"
        )
    return made


POSTGRESQL_FUNCTION = """
CREATE OR REPLACE FUNCTION book_append_only() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    RAISE EXCEPTION '% is append-only: % refused', TG_TABLE_NAME, TG_OP
        USING ERRCODE = 'integrity_constraint_violation';
END $$
"""


def statements(vendor: str) -> dict[str, str]:
    """The triggers for a database vendor, by name. Raises NotImplementedError for an unknown vendor."""
    if vendor == "sqlite":
        return _sqlite()
    if vendor == "postgresql":
        return _postgresql()
    raise NotImplementedError(f"database '{vendor}'; allowed: sqlite, postgresql")


def _table(trigger: str) -> str:
    return next(table for table in NO_DELETE if trigger.startswith(f"{table}_"))


def install(apps: Any, schema_editor: Any) -> None:
    """Make the triggers that are missing, on the tables there are. For RunPython, after each new guarded table."""
    connection = schema_editor.connection
    wanted = statements(connection.vendor)
    with connection.cursor() as cursor:
        there = set(connection.introspection.table_names(cursor))
    lost = [name for name in missing(connection) if _table(name) in there]
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            cursor.execute(POSTGRESQL_FUNCTION)
        for name in lost:
            cursor.execute(wanted[name])


def remove(apps: Any, schema_editor: Any) -> None:
    """Take the triggers away. For RunPython, backwards."""
    connection = schema_editor.connection
    postgresql = connection.vendor == "postgresql"
    with connection.cursor() as cursor:
        there = set(connection.introspection.table_names(cursor))
        for name in statements(connection.vendor):
            if _table(name) not in there:
                continue
            on_table = f" ON {_table(name)}" if postgresql else ""
            cursor.execute(f"DROP TRIGGER IF EXISTS {name}{on_table}")
        if postgresql:
            cursor.execute("DROP FUNCTION IF EXISTS book_append_only()")


def missing(connection: BaseDatabaseWrapper) -> list[str]:
    """Names of the triggers that should be in the database and are not, or are switched off."""
    query = (
        "SELECT tgname FROM pg_trigger JOIN pg_class ON pg_class.oid = tgrelid "
        "WHERE NOT tgisinternal AND tgenabled IN ('O', 'A') AND relnamespace = current_schema()::regnamespace"
        if connection.vendor == "postgresql"
        else "SELECT name FROM sqlite_master WHERE type = 'trigger'"
    )
    with connection.cursor() as cursor:
        cursor.execute(query)
        there = {row[0] for row in cursor.fetchall()}
    return [name for name in statements(connection.vendor) if name not in there]
