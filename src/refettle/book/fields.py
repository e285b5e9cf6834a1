"""Columns of the book's own: JSON that is kept as it was written."""

from __future__ import annotations

from typing import Any

from django.db import models


class KeptJSONField(models.JSONField):
    """JSON as text: what was recorded comes back with its fields in their order and its numbers as they were.

    SQLite keeps JSON as text anyway. On PostgreSQL Django would choose `jsonb`, which orders the fields anew, writes
    numbers its own way and refuses the character U+0000; `json` keeps the text and checks it
    (PostgreSQL's manual, "JSON Types"). In return the database cannot compare such columns, nor index them.
    """

    def db_type(self, connection: Any) -> str | None:
        return "json" if connection.vendor == "postgresql" else super().db_type(connection)

    def get_db_prep_value(self, value: Any, connection: Any, prepared: bool = False) -> Any:
        made = super().get_db_prep_value(value, connection, prepared)
        if connection.vendor != "postgresql":
            return made
        from psycopg.types.json import Json

        return Json(made.obj, dumps=made.dumps)

    def select_format(self, compiler: Any, sql: str, params: Any) -> tuple[str, Any]:
        # As text: psycopg would read a json column itself, and Django would then read it a second time.
        if compiler.connection.vendor == "postgresql":
            return f"({sql})::text", params
        return super().select_format(compiler, sql, params)
