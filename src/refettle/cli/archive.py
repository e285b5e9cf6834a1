"""refettle job pack and unpack: one job as one file, for another bench."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

from refettle.cli.common import DOES_NOT_HOLD, DONE, Refused, open_book, print_json

if TYPE_CHECKING:
    from refettle.book.models import Job


def add_packing(actions: Any, job_number: Callable[[str], int], find: Callable[[int], Job]) -> None:
    """The two actions, under `refettle job`."""
    pack = actions.add_parser(
        "pack",
        help="write a job into one file, for another bench",
        description="Log, unit type, photos and files of a job in one zip file. Exit status 1: something it names is "
        "not in the book; the file is written all the same.",
        epilog="example: refettle job pack 3 job-3.zip --without-owner",
    )
    pack.add_argument("number", metavar="JOB", type=job_number)
    pack.add_argument("file", metavar="FILE.zip", help="a new file")
    pack.add_argument("--without-owner", action="store_true", help="leave out the owner's name and contact")
    pack.add_argument("--json", action="store_true", help="as JSON")
    pack.set_defaults(run=lambda args: run_pack(args, find))

    unpack = actions.add_parser(
        "unpack",
        help="take in a job that another bench packed",
        description="Everything is checked before anything is written. The job gets the next number; its entries keep "
        "theirs and move nothing in the stores. Exit status 1: it is here already.",
        epilog="example: refettle job unpack job-3.zip",
    )
    unpack.add_argument("file", metavar="FILE.zip")
    unpack.add_argument("--again", action="store_true", help="also if it is here already, as a job of its own")
    unpack.add_argument("--json", action="store_true", help="as JSON")
    unpack.set_defaults(run=run_unpack)


def run_pack(args: argparse.Namespace, find: Callable[[int], Job]) -> int:
    """Pack a job."""
    open_book()
    from refettle.book.archive import ArchiveError, pack

    try:
        packed = pack(find(args.number), Path(args.file).expanduser().absolute(), owner=not args.without_owner)
    except ArchiveError as error:
        raise Refused(str(error), error.status) from None
    except OSError as error:
        raise Refused(f"{args.file}: {(error.strerror or str(error)).lower()}") from None
    if args.json:
        print_json(asdict(packed))
    else:
        print(f"Job {packed.job} is packed in {packed.file}: {packed.entries} entries, {packed.photos} photos, "
              f"{packed.files} files, {packed.bytes / 1e6:.1f} MB.")  # fmt: skip
    for sha256 in packed.missing:
        print(f"Missing here, and so not in it: {sha256[:12]}…", file=sys.stderr)
    if packed.naming:
        print(f"The owner's name or contact may still be in the words of entries {_numbers(packed.naming)}; these are "
              "packed as they are.", file=sys.stderr)  # fmt: skip
    if packed.label:
        print(f"The unit's label may name the owner: {packed.label}", file=sys.stderr)
    return DOES_NOT_HOLD if packed.missing else DONE


def _numbers(numbers: tuple[int, ...]) -> str:
    return ", ".join(map(str, numbers[:20])) + (f" and {len(numbers) - 20} more" if len(numbers) > 20 else "")


def run_unpack(args: argparse.Namespace) -> int:
    """Unpack a job."""
    open_book()
    from django.conf import settings

    from refettle.book.archive import ArchiveError
    from refettle.book.archive_unpack import unpack

    try:
        taken = unpack(Path(args.file).expanduser().absolute(), who=settings.REFETTLE_WHO, again=args.again)
    except ArchiveError as error:
        raise Refused(str(error), error.status) from None
    except OSError as error:
        raise Refused(f"{args.file}: {(error.strerror or str(error)).lower()}; no job was made") from None
    if args.json:
        print_json(asdict(taken))
        return DONE
    print(f"Job {taken.job} is here: job {taken.was} of bench {taken.bench[:8]}, {taken.entries} entries, "
          f"{taken.photos} photos, {taken.files} files.")  # fmt: skip
    for sha256 in taken.missing:
        print(f"Missing there already: {sha256[:12]}…", file=sys.stderr)
    return DONE
