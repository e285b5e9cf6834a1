"""Append-only, kept by the database itself: triggers that refuse to change or delete what was recorded.

SQLite rebuilds a table for many schema changes and loses its triggers with it: a later migration that
touches a guarded table must run `install` again. `missing` is asked at every start.

There is one exception, for what an owner may ask to be erased: a text of a row of ERASABLE may be altered, and only to
what the newest row of `book_erasedtext` for that row and column says, word for word. That table is append-only itself,
so every alteration there ever was stands in it.
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
    "book_erasure",
    "book_erasedtext",
    "book_erasedphoto",
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
UNIQUE = {
    "book_entry": ("job_id", "n"),
    "book_typeversion": ("sha256",),
    "book_erasedtext": ("erasure_id", "of_table", "of_row", "of_column"),
    "book_erasedphoto": ("sha256",),
}
"""What makes a row of NO_CHANGE unique, besides its id, where anything does."""
ERASED = "book_erasedtext"
ERASABLE: dict[str, tuple[tuple[str, ...], tuple[str, ...]]] = {
    "book_entry": (("who", "data"), ("id", "job_id", "n", "at", "kind")),
    "book_movement": (
        ("note",),
        ("id", "part_id", "lot_id", "at", "who", "kind", "on_hand", "quarantined", "job_id", "entry", "corrects_id"),
    ),
    "book_kitstep": (
        ("data",),
        ("id", "batch_id", "line_id", "kind", "quantity", "movement_id", "who", "at"),
    ),
    "book_receipt": (
        ("note",),
        ("id", "line_id", "movement_id", "pieces", "gone", "instead", "delivery", "who", "at"),
    ),
}
"""Table -> the columns whose text may be altered as an erasure says, and all its others, which never change."""


def _as_erased(table: str, vendor: str) -> str:
    """The condition under which an update is one that an erasure names."""
    same, text = ("IS", "") if vendor == "sqlite" else ("IS NOT DISTINCT FROM", "::text")
    may, never = ERASABLE[table]

    def newest(column: str) -> str:
        return (
            f"(SELECT text FROM {ERASED} WHERE of_table = '{table}' AND of_row = OLD.id "  # noqa: S608 - names of ours
            f"AND of_column = '{column}' ORDER BY id DESC LIMIT 1)"
        )

    parts = [f"EXISTS (SELECT 1 FROM {ERASED} WHERE of_table = '{table}' AND of_row = OLD.id)"]  # noqa: S608
    parts += [f'NEW."{each}" {same} OLD."{each}"' for each in never]
    parts += [f'(NEW."{each}"{text} {same} OLD."{each}"{text} OR NEW."{each}"{text} = {newest(each)})' for each in may]
    return " AND ".join(parts)


def _sqlite(erasing: bool) -> dict[str, str]:
    """Trigger name -> statement."""
    made: dict[str, str] = {}

    def add(table: str, event: str, what: str, when: str = "") -> None:
        name = f"{table}_no_{event.lower()}"
        made[name] = (
            f"CREATE TRIGGER {name} BEFORE {event} ON {table} FOR EACH ROW {when}"
            f"BEGIN SELECT RAISE(ABORT, '{table} is append-only: {what} refused'); END"
        )

    for table in NO_CHANGE:
        # No answer (NULL) is no leave.
        named = f"WHEN (COALESCE(({_as_erased(table, 'sqlite')}), 0)) = 0 " if erasing and table in ERASABLE else ""
        add(table, "UPDATE", "UPDATE", named)
        # INSERT OR REPLACE would delete the old row without firing a delete trigger.
        same = " AND ".join(f"{column} = NEW.{column}" for column in UNIQUE.get(table, ("id",)))
        exists = f"WHEN EXISTS (SELECT 1 FROM {table} WHERE id = NEW.id OR ({same})) "  # noqa: S608
        add(table, "INSERT", "a second row of the same key", exists)
    for table in NO_DELETE:
        add(table, "DELETE", "DELETE")
    return made


def _postgresql(erasing: bool) -> dict[str, str]:
    made: dict[str, str] = {}
    for table in NO_DELETE:
        events = "UPDATE OR DELETE" if table in NO_CHANGE else "DELETE"
        function = _function(table) if erasing and table in ERASABLE else "book_append_only"
        made[f"{table}_append_only"] = (
            f"CREATE TRIGGER {table}_append_only BEFORE {events} ON {table} FOR EACH ROW EXECUTE FUNCTION {function}()"
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


def _function(table: str) -> str:
    return f"{table}_append_only_but_erased"


def _functions() -> list[str]:
    """PostgreSQL's functions for the tables of ERASABLE."""
    return [
        f"""
CREATE OR REPLACE FUNCTION {_function(table)}() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF TG_OP = 'UPDATE' THEN
        IF {_as_erased(table, "postgresql")} THEN
            RETURN NEW;
        END IF;
    END IF;
    RAISE EXCEPTION '% is append-only: % refused', TG_TABLE_NAME, TG_OP
        USING ERRCODE = 'integrity_constraint_violation';
END $$
"""
        for table in ERASABLE
    ]


def statements(vendor: str, erasing: bool = True) -> dict[str, str]:
    """The triggers for a database vendor, by name. Raises NotImplementedError for an unknown vendor.

    `erasing` False: as they were before there was a table of what was erased.
    """
    if vendor == "sqlite":
        return _sqlite(erasing)
    if vendor == "postgresql":
        return _postgresql(erasing)
    raise NotImplementedError(f"database '{vendor}'; allowed: sqlite, postgresql")


def _table(trigger: str) -> str:
    return next(table for table in NO_DELETE if trigger.startswith(f"{table}_"))


def install(apps: Any, schema_editor: Any) -> None:
    """Make the triggers that are missing, on the tables there are. For RunPython, after each new guarded table."""
    connection = schema_editor.connection
    with connection.cursor() as cursor:
        there = set(connection.introspection.table_names(cursor))
    wanted = statements(connection.vendor, erasing=ERASED in there)
    lost = [name for name in missing(connection) if _table(name) in there]
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            for function in (POSTGRESQL_FUNCTION, *_functions()):
                cursor.execute(function)
        for name in lost:
            cursor.execute(wanted[name])


def install_without_erasing(apps: Any, schema_editor: Any) -> None:
    """Make all triggers again, as they were before there was a table of what was erased. For RunPython, backwards."""
    remove(apps, schema_editor)
    connection = schema_editor.connection
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            cursor.execute(POSTGRESQL_FUNCTION)
        for name, statement in statements(connection.vendor, erasing=False).items():
            if not _table(name).startswith("book_eras"):
                cursor.execute(statement)


def install_anew(apps: Any, schema_editor: Any) -> None:
    """Make all triggers again, as they are now. For RunPython, where what they say has changed."""
    remove(apps, schema_editor)
    install(apps, schema_editor)


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
            for function in ("book_append_only", *map(_function, ERASABLE)):
                cursor.execute(f"DROP FUNCTION IF EXISTS {function}()")


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
