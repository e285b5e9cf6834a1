"""refettle book: the bench book as a whole; moving it to another database."""

from __future__ import annotations

import argparse
import sys
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

from refettle.cli.common import DOES_NOT_HOLD, DONE, Refused, open_book, print_json

if TYPE_CHECKING:
    from refettle.book.databases import Database
    from refettle.book.moving import Moved
    from refettle.web.home import Home

EXAMPLES = """\
examples:
  refettle book move --to postgresql://ada@127.0.0.1:5432/bench --password-file ~/bench-password
  refettle book move --to /home/ada/bench/book.sqlite3

Stop the bench book before. Every row is copied, counted and hashed on both sides, and every job replayed; the
old book is left as it is. Photos, files, unit types and block kinds stay in the data folder.
exit status: 1 when the copy was not equal (nothing is kept then)
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.epilog = EXAMPLES
    actions = parser.add_subparsers(title="actions", metavar="ACTION", required=True)
    move = actions.add_parser("move", help="copy the whole book into another, empty database, and prove it equal")
    move.add_argument(
        "--to", metavar="DATABASE", required=True, help="a file's path, or postgresql://user@host:port/name"
    )
    move.add_argument("--password-file", metavar="FILE", help="the password for it, on one line")
    move.add_argument("--json", action="store_true", help="as JSON")
    move.set_defaults(run=run_move)


def _target(args: argparse.Namespace) -> Database:
    from refettle.book.databases import DatabaseNameError, parse_database, read_password

    password = ""
    if args.password_file is not None:
        try:
            password = read_password(Path(args.password_file).expanduser())
        except ValueError as error:
            raise Refused(f"--password-file: found '{args.password_file}'; allowed: {error}") from None
    try:
        return parse_database(args.to, password)
    except DatabaseNameError as error:
        raise Refused(f"--to: {error}") from None


def run_move(args: argparse.Namespace) -> int:
    target = _target(args)
    home = open_book()

    from django.conf import settings

    source: Database = settings.REFETTLE_DATABASE
    if str(source) == str(target):
        raise Refused(f"--to: found {target}, where the book is now; allowed: another database")
    from refettle.book.serving import ServedError, alone

    try:
        with alone(home.folder, source):
            moved = _moved_whole(target, home)
    except ServedError as error:
        raise Refused(f"{error}. Nothing was moved", DOES_NOT_HOLD) from None
    if args.json:
        print_json({"from": str(source), "to": str(target), "tables": [asdict(each) for each in moved]})
        return DONE
    rows = sum(each.rows for each in moved)
    jobs = next(each.rows for each in moved if each.table == "book_job")
    print(f"{source}\n  is now also in\n{target}")
    print(f"{rows} rows in {len(moved)} tables and {jobs} jobs, equal on both sides.")
    print(f"From now on: REFETTLE_DATABASE={target}")
    print("The old book is as it was; what is written there from now on is not in the new one.")
    return DONE


def _moved_whole(target: Database, home: Home) -> list[Moved]:
    """Moved; or refused, and a file that was made for it is taken away again."""
    from refettle.book.databases import SqliteFile

    new = target.path if isinstance(target, SqliteFile) and not target.path.exists() else None
    kept = False
    try:
        moved = _move(target, home)
        kept = True
    finally:
        if new is not None and not kept:
            for ending in ("", "-wal", "-shm"):
                new.with_name(new.name + ending).unlink(missing_ok=True)
    return moved


def _move(target: Database, home: Home) -> list[Moved]:
    from django.db import DatabaseError, connections

    from refettle.book.moving import TARGET, MoveError, connect, move, refuse_unless_empty
    from refettle.web.start import StartError, make_ready, why

    def say(line: str) -> None:
        print(line, file=sys.stderr)

    connect(target)
    try:
        refuse_unless_empty(target)
        make_ready(target, home, say, TARGET)
    except (MoveError, StartError) as error:
        raise Refused(f"--to: {error}") from None
    except DatabaseError as error:
        raise Refused(f"--to: {why(target, error)}") from None
    try:
        return move(say=say)
    except MoveError as error:
        raise Refused(f"{error}. Nothing was kept in {target}.", DOES_NOT_HOLD) from None
    finally:
        connections[TARGET].close()
