"""`refettle book move` with a copy that goes wrong in one value: spoil_move.py TARGET."""

import sys
from typing import Any

from refettle.book import databases
from refettle.cli.main import main

connect_settings = databases.SqliteFile.settings


def spoil() -> None:
    from refettle.book import moving

    plain = moving._insert

    def insert(model: Any, rows: Any, target: str) -> None:
        for row in rows:
            if model._meta.db_table == "book_unit" and row.pk == 2:
                row.label += "!"
        plain(model, rows, target)

    moving._insert = insert


def settings(file: Any) -> Any:
    if str(file) == sys.argv[1]:  # asked when the target is opened: Django is set up by then
        spoil()
    return connect_settings(file)


databases.SqliteFile.settings = settings  # type: ignore[method-assign]
sys.exit(main(["book", "move", "--to", sys.argv[1]]))
