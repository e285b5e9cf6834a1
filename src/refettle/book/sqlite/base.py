"""A connection to an SQLite file that waits for its turn before it writes (`turns`).

The turn is taken before a transaction begins, and let go when it was committed, rolled back, or the connection closed,
however that came about. A single statement that writes outside of a transaction takes it for as long as it runs.
"""

from __future__ import annotations

import sqlite3
from functools import partial
from pathlib import Path
from typing import Any

from django.db import OperationalError
from django.db.backends.sqlite3 import base

from refettle.book.turns import Turn, turns_of

MOST_WAIT_S = 60.0
"""[s] For one's turn: a choice. Nobody waits longer, whatever goes wrong."""
LEAST_S = 5.0
"""[s] For another program's transaction, of one who has waited long already: a choice."""
WRITING = ("INSERT", "UPDATE", "DELETE", "REPLACE")


class DatabaseWrapper(base.DatabaseWrapper):
    """As Django's own, in turn."""

    _turn: Turn | None = None

    def take_turn(self) -> Turn | None:
        """The turn of this thread; None where there is nobody to share with. Raises OperationalError."""
        name = self.settings_dict["NAME"]
        if self.is_in_memory_db():
            return None
        try:
            return turns_of(Path(name)).take(MOST_WAIT_S)
        except TimeoutError as error:
            raise OperationalError(f"database is locked: {error} in {MOST_WAIT_S:g} s") from None

    def _let_go(self) -> None:
        if self._turn is not None:
            self._turn.let_go()
            self._turn = None

    def _start_transaction_under_autocommit(self) -> None:
        self._let_go()  # a transaction that ended in no way that is known here
        self._turn = self.take_turn()
        try:
            self._begin(self._turn.waited if self._turn else 0.0)
        except BaseException:
            self._let_go()
            raise

    def _begin(self, waited: float) -> None:
        """BEGIN, waiting for other programs so long that both waits together are bounded."""
        most = float(self.settings_dict["OPTIONS"].get("timeout", 5.0))
        left = max(min(LEAST_S, most), most - waited)
        if left > most - 1.0:
            super()._start_transaction_under_autocommit()  # type: ignore[misc]
            return
        self.connection.execute(f"PRAGMA busy_timeout = {1000 * left:.0f}")
        try:
            super()._start_transaction_under_autocommit()  # type: ignore[misc]
        finally:
            self.connection.execute(f"PRAGMA busy_timeout = {1000 * most:.0f}")

    def _commit(self) -> None:
        super()._commit()  # type: ignore[misc]
        self._let_go()  # where it fails a rollback follows

    def _rollback(self) -> None:
        try:
            super()._rollback()  # type: ignore[misc]
        finally:
            self._let_go()

    def _close(self) -> None:
        try:
            super()._close()  # type: ignore[misc]
        finally:
            self._let_go()

    def _set_autocommit(self, autocommit: bool) -> None:
        try:
            super()._set_autocommit(autocommit)  # type: ignore[misc]
        finally:
            if autocommit:
                self._let_go()

    def create_cursor(self, name: Any = None) -> Any:
        return self.connection.cursor(factory=partial(_Cursor, book=self))


class _Cursor(base.SQLiteCursorWrapper):
    """A cursor whose single statements take the turn where no transaction has it."""

    def __init__(self, connection: sqlite3.Connection, *, book: DatabaseWrapper) -> None:
        super().__init__(connection)
        self._book = book

    def _turn(self, query: str) -> Turn | None:
        alone = not self.connection.in_transaction and query.lstrip()[:7].upper().startswith(WRITING)
        return self._book.take_turn() if alone else None

    def execute(self, query: str, params: Any = None) -> Any:
        turn = self._turn(query)
        try:
            return super().execute(query, params)
        finally:
            if turn is not None:
                turn.let_go()

    def executemany(self, query: str, param_list: Any) -> Any:
        turn = self._turn(query)
        try:
            return super().executemany(query, param_list)
        finally:
            if turn is not None:
                turn.let_go()
