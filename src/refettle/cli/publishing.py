"""refettle job listing, refettle job story: what may go out of a job."""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from refettle.cli.common import DOES_NOT_HOLD, DONE, Refused, print_json, refusing

if TYPE_CHECKING:
    from refettle.book.models import Job


Run = Callable[[argparse.Namespace], int]


def add_publishing(
    actions: Any, job_number: Callable[[str], int], listing_run: Run, story_run: Run
) -> tuple[argparse.ArgumentParser, argparse.ArgumentParser]:
    """The two actions of `refettle job`."""
    listing: argparse.ArgumentParser = actions.add_parser(
        "listing",
        help="a text to sell a unit of own stock with",
        description="A listing text from recorded facts alone: what was not shown to work is said to be not tested. "
        "Exit status 1: a customer's unit, or one that was parted out.",
        epilog="example: refettle job listing 3 > listing.txt",
    )
    listing.set_defaults(run=listing_run)
    story: argparse.ArgumentParser = actions.add_parser(
        "story",
        help="photos, captions and text of a job, for those who film and write",
        description="Photos in the order of time with what was found and done between them, as a ZIP archive without "
        "names, serials and money. Photos are not looked at: one of a label can show a serial.",
        epilog="example: refettle job story 3 --out story.zip --leave 7 --leave 12",
    )
    story.add_argument("--out", metavar="FILE.zip", required=True, help="the archive, new")
    story.set_defaults(run=story_run)
    for each in (listing, story):
        each.add_argument("number", metavar="JOB", type=job_number)
        each.add_argument(
            "--leave",
            metavar="ENTRY",
            type=job_number,
            action="append",
            default=[],
            help="leave this entry's photo out",
        )
    return listing, story


def run_listing(job: Job, leave: list[int], as_json: bool) -> int:
    """Print the listing; exit status 1 where none can be made."""
    from refettle.book.listing import ListingError, facts
    from refettle.book.store import entries, job_state
    from refettle.web.publishing import listing_of

    with refusing():
        state = job_state(job)
    try:
        made = listing_of(job, state, entries(job), frozenset(leave))
    except ListingError as error:
        if as_json:
            print_json({"job": job.number, "refused": str(error)})
        else:
            print(error, file=sys.stderr)
        return DOES_NOT_HOLD
    if as_json:
        print_json(facts(made))
        return DONE
    print(made.text, end="")
    for line in (*made.warnings, *made.left_out):
        print(line, file=sys.stderr)
    if made.photos:
        shown = ", ".join(f"entry {photo.n} ({photo.when} the work)" for photo in made.photos)
        print(f"Photos to show with it: {shown}", file=sys.stderr)
    return DONE


def run_story(job: Job, leave: list[int], out: str, as_json: bool) -> int:
    """Write the archive, whole or not at all; one that is there already is never written over."""
    from refettle.book.store import entries, job_state
    from refettle.book.story import facts
    from refettle.web.publishing import archive_of, story_of

    path = Path(out)
    if path.exists():
        raise Refused(f"--out {out}: there is something already; allowed: a new file")
    if path.suffix.lower() != ".zip":
        raise Refused(f"--out {out}: '{path.suffix or 'no ending'}' found; allowed: a name that ends in .zip")
    with refusing():
        state = job_state(job)
    made = story_of(job, state, entries(job), frozenset(leave))
    try:
        handle, name = tempfile.mkstemp(prefix=".new-", dir=path.parent)
        try:
            with os.fdopen(handle, "wb") as file:
                size = sum(file.write(piece) for piece in archive_of(made, state))
            os.replace(name, path)
        except BaseException:
            Path(name).unlink(missing_ok=True)
            raise
    except OSError as error:
        raise Refused(f"--out {out}: {(error.strerror or str(error)).lower()}") from None
    if as_json:
        print_json({**facts(made), "file": str(path), "bytes": size})
        return DONE
    for warning in made.warnings:
        print(warning, file=sys.stderr)
    counted = f"{len(made.shots)} photos, {len(made.scenes)} scenes in all, {size / 1e6:.1f} MB"
    print(f"Job {job.number}: {counted}, in {path}.")
    for scene in made.turns:
        print(f"  entry {scene.n}: {scene.turning}")
    return DONE
