"""refettle backup and refettle restore: keeping the whole bench book safe, and getting it back."""

from __future__ import annotations

import argparse
import os
import shutil
import sys
import tempfile
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

from refettle.cli.common import BAD_INPUT, DOES_NOT_HOLD, DONE, Refused, open_book, print_json, table
from refettle.quantities import whole

if TYPE_CHECKING:
    from refettle.book.backup_store import BackupError, Store

EXAMPLES = """\
examples:
  refettle backup /media/ada/bench-disk/backups            make one now, keep the newest 14
  refettle backup list /media/ada/bench-disk/backups
  refettle backup verify /media/ada/bench-disk/backups     restore the newest into a temporary book and replay every job

The book may be in use meanwhile. Photos and files are copied once. Nothing secret is copied: no password, no key.
exit status: 1 when no backup was made, something the book names was lacking, or a backup does not hold
"""
ACTIONS = ("verify", "list")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.epilog = EXAMPLES
    parser.usage = "refettle backup [verify | list] FOLDER [--keep N] [--which DATE] [--json]"
    parser.add_argument("words", metavar="FOLDER", nargs="+", help="where the backups are; best on another disk")
    parser.add_argument("--keep", type=_keep, metavar="N", help="backups to keep; by default 14")
    parser.add_argument("--which", metavar="DATE", default="", help="verify this one; by default the newest")
    parser.add_argument("--json", action="store_true", help="as JSON")
    parser.set_defaults(run=run)


def _keep(text: str) -> int:
    number = whole(text)
    if number is None or not 1 <= number <= 100_000:
        raise argparse.ArgumentTypeError(f"'{text}' found; allowed: 1 to 100000")
    return number


def run(args: argparse.Namespace) -> int:
    action, words = (args.words[0], args.words[1:]) if args.words[0] in ACTIONS else ("", args.words)
    if len(words) != 1:
        raise Refused(f"'{' '.join(args.words)}' found; allowed: one folder, after verify or list if one of these")
    if args.keep is not None and action:
        raise Refused(f"--keep with {action}; allowed: when a backup is made")
    if args.which and action != "verify":
        raise Refused("--which without verify; allowed: with verify")
    folder = Path(words[0]).expanduser().absolute()
    if action == "list":
        return _list(folder, args.json)
    return _verify(folder, args.which, args.json) if action else _make(folder, args.keep, args.json)


def _said(error: BackupError) -> Refused:
    return Refused(str(error), error.status)


def _tell(line: str) -> None:
    if sys.stderr.isatty():
        print(line, file=sys.stderr)


def _size(count: float) -> str:
    return f"{count / 1e9:.1f} GB" if count >= 1e9 else f"{count / 1e6:.1f} MB"


# ---------------------------------------------------------------- making


def _make(folder: Path, keep: int | None, as_json: bool) -> int:
    from refettle.book.databases import SqliteFile
    from refettle.web.environment import EnvironmentVariableError, read_options

    try:
        options = read_options(os.environ)
    except EnvironmentVariableError as error:
        raise Refused(str(error)) from None
    if isinstance(options.database, SqliteFile) and not options.database.path.exists():
        raise Refused(f"{options.database}: no bench book there to back up; allowed: set REFETTLE_HOME to its folder")
    open_book()
    from refettle.book.backup import KEEP, BackupError, back_up

    try:
        made = back_up(folder, KEEP if keep is None else keep, _tell)
    except BackupError as error:
        raise _said(error) from None
    if as_json:
        print_json(asdict(made))
    else:
        print(f"Backup {made.name} in {made.folder}")
        print(f"{made.jobs} jobs, {made.entries} entries, {made.files} files, {_size(made.bytes)}, of it new: "
              f"{_size(made.new_bytes)}.")  # fmt: skip
        if made.removed:
            print(f"Old backups taken away: {', '.join(made.removed)}")
        if made.same_disk:
            print("It is on the same disk as the book: if that disk dies, both are gone. Name a folder on another.")
        for line in made.trouble:
            print(f"Lacking: {line}", file=sys.stderr)
    return DOES_NOT_HOLD if made.trouble else DONE


# ---------------------------------------------------------------- looking


def _store(folder: Path) -> Store:
    from refettle.book.backup_store import Store

    return Store(folder)


def _list(folder: Path, as_json: bool) -> int:
    from refettle.book.backup_store import BackupError, contents

    kept = _store(folder)
    try:
        kept.need()
    except BackupError as error:
        raise _said(error) from None
    rows: list[dict[str, Any]] = []
    for each in kept.every():
        body = each.body
        facts: dict[str, Any] = {"backup": each.name, "usable": body is not None, "wrong": each.wrong}
        if body is not None:
            facts |= {
                "jobs": len(body["jobs"]),
                "entries": sum(job["entries"] for job in body["jobs"].values()),
                "files": len(body["files"]),
                "bytes": sum(contents(body).values()),
                "lacking": len(body["trouble"]),
                "refettle": body["refettle"],
            }
        rows.append(facts)
    if as_json:
        print_json(rows)
    elif not rows:
        print(f"{folder} holds no backups yet.")
    else:
        heads = ["backup", "jobs", "entries", "files", "size", "lacking"]
        cells = [
            [r["backup"], str(r["jobs"]), str(r["entries"]), str(r["files"]), _size(r["bytes"]), str(r["lacking"])]
            if r["usable"]
            else [r["backup"], r["wrong"], "", "", "", ""]
            for r in rows
        ]
        print(table([heads, *cells]))
    return DONE if all(r["usable"] for r in rows) else DOES_NOT_HOLD


# ---------------------------------------------------------------- verifying


def _verify(folder: Path, which: str, as_json: bool) -> int:
    from refettle.book.backup_restore import damaged, fill, needed
    from refettle.book.backup_store import BackupError

    kept = _store(folder)
    try:
        listed = kept.choose(which)
        body = needed(listed)
        with kept.alone(), tempfile.TemporaryDirectory(prefix="refettle-verify-", ignore_cleanup_errors=True) as place:
            wrong = damaged(kept, body)
            if not wrong:
                fill(kept, body, Path(place) / "home", _tell, whole=False)
                wrong = _replayed(body, Path(place) / "home")
    except BackupError as error:
        raise _said(error) from None
    except OSError as error:
        raise Refused(f"{folder}: {(error.strerror or str(error)).lower()}", DOES_NOT_HOLD) from None
    entries = sum(job["entries"] for job in body["jobs"].values())
    if as_json:
        facts = {"backup": listed.name, "holds": not wrong, "jobs": len(body["jobs"]), "entries": entries}
        print_json({**facts, "files": len(body["files"]), "wrong": wrong, "lacking": body["trouble"]})
    else:
        for line in wrong:
            print(f"Wrong: {line}")
        for line in body["trouble"]:
            print(f"Lacking when it was made: {line}")
        done = (
            f"{len(body['jobs'])} jobs replay as they did, {entries} entries and {len(body['files'])} files are equal"
        )
        print(f"Backup {listed.name} {'does not hold' if wrong else 'holds: ' + done}.")
    return DOES_NOT_HOLD if wrong else DONE


def _replayed(body: dict[str, Any], home: Path) -> list[str]:
    """Open the restored book as it would be opened, and hold it against what was backed up."""
    for name in [name for name in os.environ if name.startswith("REFETTLE_")]:
        del os.environ[name]
    os.environ.update({**body["settings"], "REFETTLE_HOME": str(home)})
    from refettle.web.start import StartError, start

    _tell("Replaying every job.")
    try:
        start(_tell)
    except StartError as error:
        return [str(error)]

    from django.db import connections

    from refettle.book.backup_restore import differences

    try:
        return differences(body)
    finally:
        connections.close_all()
        shutil.rmtree(home, ignore_errors=True)


# ---------------------------------------------------------------- restoring

RESTORE_EXAMPLES = """\
examples:
  refettle restore /media/ada/bench-disk/backups --dry-run          say what would be there, change nothing
  refettle restore /media/ada/bench-disk/backups                    the newest, into the data folder
  refettle restore /media/ada/bench-disk/backups --which 2031-03-02T03-15-00Z --to /home/ada/bench

Stop the bench book before. A data folder that holds a book is refused; with --replace it is moved aside, not deleted.
exit status: 1 when the backup is damaged or cannot be written (nothing is changed then)
"""


def add_restore_arguments(parser: argparse.ArgumentParser) -> None:
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.epilog = RESTORE_EXAMPLES
    parser.add_argument("folder", metavar="FOLDER", help="where the backups are")
    parser.add_argument("--which", metavar="DATE", default="", help="this one; by default the newest")
    parser.add_argument("--to", metavar="HOME", help="the data folder; by default REFETTLE_HOME or the usual one")
    parser.add_argument("--replace", action="store_true", help="move a book that is there aside, and take its place")
    parser.add_argument("--dry-run", action="store_true", help="say what would be done, change nothing")
    parser.add_argument("--json", action="store_true", help="as JSON")
    parser.set_defaults(run=run_restore)


def run_restore(args: argparse.Namespace) -> int:
    from refettle.book.backup_restore import plan, restore
    from refettle.book.backup_store import BackupError
    from refettle.web.home import default_folder

    if args.to is not None and not args.to.strip():
        raise Refused("--to: nothing found; allowed: a folder")
    named = args.to if args.to is not None else os.environ.get("REFETTLE_HOME")
    home = Path(named).expanduser().absolute() if named else default_folder(os.environ)
    kept = _store(Path(args.folder).expanduser().absolute())
    try:
        listed = kept.choose(args.which)
        if args.dry_run:
            done = plan(listed, home)
        else:
            with kept.alone():
                done = restore(kept, listed, home, replace=args.replace, say=_tell)
    except BackupError as error:
        raise _said(error) from None
    except OSError as error:
        raise Refused(f"{args.folder}: {(error.strerror or str(error)).lower()}", BAD_INPUT) from None
    barred = args.dry_run and (bool(done.served) or (bool(done.there) and not args.replace))
    if args.json:
        print_json({**asdict(done), "done": not args.dry_run, "refused": barred})
        return DOES_NOT_HOLD if barred else DONE
    word = "would be" if args.dry_run else "is"
    print(f"Backup {done.name} {word} in {done.home}")
    print(f"{done.jobs} jobs, {done.entries} entries, {done.files} files, {_size(done.bytes)}.")
    for line in done.trouble:
        print(f"Lacking when it was made: {line}")
    if done.there:
        print(f"In that folder {'is' if args.dry_run else 'was'}: {', '.join(done.there)}.")
        given_way = args.replace or not args.dry_run
        print(f"It {word} moved aside to {done.aside}" if given_way else "Without --replace this is refused.")
    if done.served:
        print(f"It is being served {done.served}: until that is stopped this is refused.")
    for name, value, here in _other_settings(done.settings):
        print(f"The book was used with {name}={value}; here it would be {here}.")
    if os.environ.get("REFETTLE_DATABASE"):
        print(
            "REFETTLE_DATABASE is set, and names another database than the restored one: take it away, or copy the "
            "restored book there with: refettle book move --to"
        )
    if not args.dry_run:
        print("Look it over with: refettle doctor")
    return DOES_NOT_HOLD if barred else DONE


def _other_settings(were: dict[str, str]) -> list[tuple[str, str, str]]:
    """Settings that the restored book would be used with otherwise: which, as it was, as it would be."""
    from refettle.web.environment import EnvironmentVariableError, read_options

    try:
        options = read_options({k: v for k, v in os.environ.items() if k != "REFETTLE_HOME"})
    except EnvironmentVariableError:
        return []  # said when the book is opened
    here = {"TZ": options.time_zone, "CURRENCY": options.currency, "RATE": str(options.rate)}
    now = {f"REFETTLE_{name}": value for name, value in here.items()}
    return [(name, were[name], value) for name, value in now.items() if were.get(name, value) != value]
