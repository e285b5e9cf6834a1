"""Columns of the book's own: JSON that is kept as it was written."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from django.db import models
from django.db.models.fields.json import KeyTransform, KeyTransformFactory


class _Key(KeyTransform):
    """A field of the JSON, in a form that PostgreSQL can compare."""

    @classmethod
    def named(cls, name: str) -> Callable[..., _Key]:
        return lambda *args, **kwargs: cls(name, *args, **kwargs)

    def as_postgresql(self, compiler: Any, connection: Any) -> tuple[str, Any]:
        sql, params = super().as_postgresql(compiler, connection)
        return f"({sql})::jsonb", params


class KeptJSONField(models.JSONField):
    """JSON as text: what was recorded comes back with its fields in their order and its numbers as they were.

    SQLite keeps JSON as text anyway. On PostgreSQL Django would choose `jsonb`, which orders the fields anew, writes
    numbers its own way and refuses the character U+0000; `json` keeps the text and checks it
    (PostgreSQL's manual, "JSON Types"). In return the database cannot compare whole columns of
    it, nor index them; single fields (`data__kind=`) it can, unless a text in it
    holds U+0000.
    """

    def db_type(self, connection: Any) -> str | None:
        return "json" if connection.vendor == "postgresql" else super().db_type(connection)

    def get_db_prep_save(self, value: Any, connection: Any) -> Any:
        made = super().get_db_prep_save(value, connection)
        if connection.vendor != "postgresql" or made is None:
            return made
        from psycopg.types.json import Json

        return Json(made.obj, dumps=made.dumps)

    def get_transform(self, lookup_name: str) -> Any:
        made = super().get_transform(lookup_name)
        return _Key.named(lookup_name) if isinstance(made, KeyTransformFactory) else made

    def select_format(self, compiler: Any, sql: str, params: Any) -> tuple[str, Any]:
        # As text: psycopg would read a json column itself, and Django would then read it a second time.
        if compiler.connection.vendor == "postgresql":
            return f"({sql})::text", params
        return super().select_format(compiler, sql, params)
