"""Moving the bench book from one database to another without loss: SQLite to PostgreSQL, back, or either to its like.

Every row of every table is written as it is, ids, times and the number the next row would get included. Then both
sides are counted and hashed, and every job is replayed on both; only if nothing differs is anything kept. The source
is read and locked meanwhile, and left as it is.

How rows are compared (`row_text`): every value in one spelling of its own kind, so that the two databases' ways of
keeping it do not matter.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, date, datetime
from decimal import Decimal
from typing import Any

from django.apps import apps
from django.db import DEFAULT_DB_ALIAS, DatabaseError, connections, models, transaction
from django.db.backends.base.base import BaseDatabaseWrapper
from django.db.migrations.recorder import MigrationRecorder

from refettle.book import guards, store
from refettle.book.databases import Database
from refettle.book.log import LogError
from refettle.book.models import Job
from refettle.faults import ModelError
from refettle.knowledge.errors import KnowledgeError

TARGET = "target"
BATCH = 200
MADE_BY_MIGRATING = ("auth_permission", "django_content_type", "django_migrations")
"""Tables that hold rows as soon as they are there; the source's rows take their place."""


class MoveError(Exception):
    """The book cannot be moved, or what came out differs; says what and where. Nothing was kept."""


@dataclass(frozen=True)
class Moved:
    """One table on both sides: rows, and the SHA-256 over all of them."""

    table: str
    rows: int
    sha256: str


Say = Callable[[str], None]


def _quiet(line: str) -> None:
    return


def connect(database: Database, alias: str = TARGET) -> BaseDatabaseWrapper:
    """Make a database known to Django beside the one in use."""
    default = connections.settings[DEFAULT_DB_ALIAS]
    made = connections.configure_settings({DEFAULT_DB_ALIAS: dict(default), alias: database.settings()})
    connections.settings[alias] = made[alias]
    return connections[alias]


def tables() -> list[type[models.Model]]:
    """The models of all tables of a bench book."""
    found: list[type[models.Model]] = [*apps.get_models(include_auto_created=True), MigrationRecorder.Migration]
    return sorted(
        (m for m in found if m._meta.managed and not m._meta.proxy and not m._meta.swapped),
        key=lambda m: m._meta.db_table,
    )


def refuse_unless_empty(database: Database, alias: str = TARGET) -> None:
    """See that the target holds nothing. Tables of a bench book without rows are no matter.

    Raises
    ------
    MoveError
        Naming what was found.
    """
    connection = connections[alias]
    ours = {m._meta.db_table for m in tables()}
    with connection.cursor() as cursor:
        there = connection.introspection.table_names(cursor)
        strange = sorted(set(there) - ours)
        if strange:
            raise MoveError(f"{database} holds the table '{strange[0]}' of another program; allowed: an empty database")
        for table in sorted(set(there) - set(MADE_BY_MIGRATING)):
            cursor.execute(f"SELECT count(*) FROM {connection.ops.quote_name(table)}")  # noqa: S608
            (count,) = cursor.fetchone()
            if count:
                raise MoveError(f"{database} holds {count} rows in '{table}'; allowed: an empty database")


def move(source: str = DEFAULT_DB_ALIAS, target: str = TARGET, say: Say = _quiet, *, lock: bool = True) -> list[Moved]:
    """Copy all rows to a target whose tables were just made, and prove that both are equal.

    Parameters
    ----------
    source, target : str
        Django's names of the two, both brought up to date.
    say : callable
        Told how far it is.
    lock : bool
        False, on a server: others go on writing, and the source is read as it is at one moment.

    Returns
    -------
    list of Moved
        By table.

    Raises
    ------
    MoveError
        A row that the target cannot hold, or a difference. The target is then without rows again.
    """
    models_ = tables()
    try:
        with transaction.atomic(using=source), transaction.atomic(using=target):
            _hold_still(connections[source], models_, lock)
            _refuse_strange_tables(connections[source], models_)
            for model in models_:  # before anything is copied: rows that belong to these go with them
                if model._meta.db_table in MADE_BY_MIGRATING:
                    model._base_manager.using(target).all().delete()
            for model in models_:
                _copy(model, source, target)
            for model in models_:
                _keep_counting(model, connections[source], connections[target])
            connections[target].check_constraints()
            say("Counting and hashing both.")
            moved = [_compare(model, source, target) for model in models_]
            say("Replaying every job on both.")
            _compare_jobs(source, target)
            lost = guards.missing(connections[target])
            if lost:
                raise MoveError(f"the copy lacks {len(lost)} of its append-only guards ({lost[0]})")
    except DatabaseError as error:
        raise MoveError(f"the database refused: {_line(error)}") from None
    if connections[target].vendor == "postgresql":
        with connections[target].cursor() as cursor:
            cursor.execute("ANALYZE")
    return moved


def _line(error: Exception) -> str:
    return next(iter(str(error).splitlines()), type(error).__name__)


def _hold_still(connection: BaseDatabaseWrapper, models_: list[type[models.Model]], lock: bool) -> None:
    """The source as it is at one moment; with `lock`, no other program writes in it meanwhile.

    SQLite's transactions here hold its write lock already.
    """
    if connection.vendor != "postgresql":
        return
    names = ", ".join(connection.ops.quote_name(m._meta.db_table) for m in models_)
    with connection.cursor() as cursor:
        cursor.execute("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ")
        if lock:
            cursor.execute(f"LOCK TABLE {names} IN SHARE MODE")


def _refuse_strange_tables(connection: BaseDatabaseWrapper, models_: list[type[models.Model]]) -> None:
    known = {m._meta.db_table for m in models_}
    with connection.cursor() as cursor:
        strange = sorted(set(connection.introspection.table_names(cursor)) - known)
    if strange:
        raise MoveError(f"the book holds the table '{strange[0]}', none of Refettle's: it would be left behind")


# ---------------------------------------------------------------- rows


def _rows(model: type[models.Model], alias: str) -> Iterator[models.Model]:
    return model._base_manager.using(alias).order_by("pk").iterator(chunk_size=BATCH)


def _copy(model: type[models.Model], source: str, target: str) -> None:
    batch: list[models.Model] = []
    for row in _rows(model, source):
        batch.append(row)
        if len(batch) == BATCH:
            _write(model, batch, target)
            batch = []
    if batch:
        _write(model, batch, target)


def _write(model: type[models.Model], rows: list[models.Model], target: str) -> None:
    try:
        with transaction.atomic(using=target):
            _insert(model, rows, target)
        return
    except (DatabaseError, ValueError):
        if len(rows) == 1:
            raise
    for row in rows:  # one of them cannot be: say which
        try:
            with transaction.atomic(using=target):
                _insert(model, [row], target)
        except (DatabaseError, ValueError) as error:
            raise MoveError(f"{model._meta.db_table}, id {row.pk}: the target refused it: {_line(error)}") from None


def _insert(model: type[models.Model], rows: list[models.Model], target: str) -> None:
    """Write rows as they are: `raw` leaves out what fields would do by themselves before saving."""
    fields = model._meta.concrete_fields
    size = max(1, connections[target].ops.bulk_batch_size(fields, rows))
    for start in range(0, len(rows), size):
        part = rows[start : start + size]
        model._base_manager._insert(part, fields=fields, using=target, raw=True)  # type: ignore[attr-defined]


def _keep_counting(model: type[models.Model], source: BaseDatabaseWrapper, target: BaseDatabaseWrapper) -> None:
    """The next row gets the number that it would have got in the source."""
    key = model._meta.pk
    if not isinstance(key, models.AutoField) or key.column is None:
        return
    table = model._meta.db_table
    highest = model._base_manager.using(target.alias).aggregate(highest=models.Max("pk"))["highest"] or 0
    _set_counter(target, table, key.column, max(highest, counter(source, table, key.column)))


def counter(connection: BaseDatabaseWrapper, table: str, column: str) -> int:
    """The last number a table gave to a row by itself; 0 before the first."""
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            cursor.execute("SELECT pg_get_serial_sequence(%s, %s)", [connection.ops.quote_name(table), column])
            (sequence,) = cursor.fetchone()
            cursor.execute(f"SELECT last_value, is_called FROM {sequence}")  # noqa: S608
            last, called = cursor.fetchone()
            return int(last) if called else 0
        cursor.execute("SELECT seq FROM sqlite_sequence WHERE name = %s", [table])
        row = cursor.fetchone()
        return int(row[0]) if row else 0


def _set_counter(connection: BaseDatabaseWrapper, table: str, column: str, last: int) -> None:
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            cursor.execute(
                "SELECT setval(pg_get_serial_sequence(%s, %s), %s, %s)",
                [connection.ops.quote_name(table), column, max(last, 1), last > 0],
            )
            return
        cursor.execute("DELETE FROM sqlite_sequence WHERE name = %s", [table])
        if last:
            cursor.execute("INSERT INTO sqlite_sequence (name, seq) VALUES (%s, %s)", [table, last])


# ---------------------------------------------------------------- comparing


def _plain(value: Any) -> Any:
    """A value in one spelling, whichever database it comes from."""
    if isinstance(value, float) and value == 0:
        return 0.0  # SQLite keeps no -0.0
    if isinstance(value, datetime):
        return value.astimezone(UTC).isoformat()
    if isinstance(value, (date, Decimal)):
        return str(value)
    if isinstance(value, (bytes, memoryview)):
        return bytes(value).hex()
    return value


def row_text(row: models.Model) -> str:
    """A row as one line of JSON: column and value, in order."""
    values = {f.column: _plain(getattr(row, f.attname)) for f in row._meta.concrete_fields}
    return json.dumps(values)


def table_digest(model: type[models.Model], alias: str) -> Moved:
    """Rows of a table counted and hashed, in order of their ids."""
    digest, rows = hashlib.sha256(), 0
    for row in _rows(model, alias):
        digest.update(row_text(row).encode("ascii") + b"\n")
        rows += 1
    return Moved(model._meta.db_table, rows, digest.hexdigest())


def _compare(model: type[models.Model], source: str, target: str) -> Moved:
    ours, theirs = table_digest(model, source), table_digest(model, target)
    if ours == theirs:
        return ours
    if ours.rows != theirs.rows:
        raise MoveError(f"{ours.table}: {ours.rows} rows here, {theirs.rows} in the copy")
    for a, b in zip(_rows(model, source), _rows(model, target), strict=True):
        if row_text(a) != row_text(b):
            fields = [str(f.column) for f in model._meta.concrete_fields if _differ(a, b, f.attname)]
            raise MoveError(f"{ours.table}, id {a.pk}: differs in the copy in {', '.join(fields)}")
    raise MoveError(f"{ours.table}: differs in the copy")


def _differ(a: models.Model, b: models.Model, name: str) -> bool:
    return bool(_plain(getattr(a, name)) != _plain(getattr(b, name)))


@contextmanager
def reading(alias: str) -> Iterator[None]:
    """What asks for the book inside gets it from this database."""
    kept = connections[DEFAULT_DB_ALIAS]
    connections[DEFAULT_DB_ALIAS] = connections[alias]
    try:
        yield
    finally:
        connections[DEFAULT_DB_ALIAS] = kept


def _compare_jobs(source: str, target: str) -> None:
    with reading(source):
        numbers = list(Job.objects.order_by("number").values_list("number", flat=True))
    for number in numbers:
        outcomes = []
        for alias in (source, target):
            with reading(alias):
                outcomes.append(_outcome(number))
        if outcomes[0] != outcomes[1]:
            raise MoveError(f"job {number}: its log says something else in the copy")


def _outcome(number: int) -> tuple[Any, Any]:
    """A job's log and what follows from it; or, where it no longer replays, what is said."""
    job = store.find_job(number)
    entries = store.entries(job)
    try:
        return entries, store.job_state(job)
    except (LogError, KnowledgeError, ModelError) as error:
        return entries, str(error)
