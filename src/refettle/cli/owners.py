"""refettle owner: whose units they are, all that is held of one, one erased on request."""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from refettle.cli.common import DOES_NOT_HOLD, DONE, Refused, open_book, print_json, table

if TYPE_CHECKING:
    from refettle.book.models import Owner
    from refettle.book.privacy import ErasePlan

EXAMPLES = """\
examples:
  refettle owner list --find aldane
  refettle owner show 3
  refettle owner export 3 --out owner-3.zip
  refettle owner erase 3 --word Piet              what would go, word for word; nothing is erased
  refettle owner erase 3 --word Piet --why "letter of 2031-03-03" --confirm "Ines Aldane" --digest 5f0c...
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of `refettle owner`."""
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.epilog = EXAMPLES
    actions = parser.add_subparsers(dest="action", metavar="ACTION", required=True)
    listing = actions.add_parser("list", help="owners, with how many units and jobs")
    listing.add_argument("--find", metavar="WORDS", default="", help="in name, contact, serial or label")
    listing.set_defaults(run=_run(run_list))
    show = actions.add_parser("show", help="one owner: contact, units, jobs, money agreed")
    show.set_defaults(run=_run(run_show))
    export = actions.add_parser("export", help="all that is held of one, as a ZIP archive")
    export.add_argument("--out", required=True, metavar="FILE.zip", help="the archive, new")
    export.set_defaults(run=_run(run_export))
    erase = actions.add_parser(
        "erase",
        help="what erasing one would do; with --confirm, --why and --digest it is done",
        description="Without --confirm, what would go is listed word for word and nothing is erased. Exit status 1: "
        "something stands against it: an open job, a warranty, the years that records are kept.",
    )
    erase.add_argument("--word", action="append", default=[], metavar="WORDS", help="a further word to look for")
    erase.add_argument(
        "--photo",
        action="append",
        default=[],
        metavar="SHA256",
        help="remove this photo's file, unless others have it",
    )
    erase.add_argument("--why", metavar="WORDS", help="on what request, and when")
    erase.add_argument("--confirm", metavar="NAME", help="the owner's name")
    erase.add_argument("--digest", metavar="HEX", help="of what was shown: that goes, and nothing else")
    erase.set_defaults(run=_run(run_erase))
    for each in (show, export, erase):
        each.add_argument("number", type=int, metavar="OWNER")
    for each in (listing, show, export, erase):
        each.add_argument("--json", action="store_true", help="as JSON")


def _run(act: Callable[[argparse.Namespace], int]) -> Callable[[argparse.Namespace], int]:
    def run(args: argparse.Namespace) -> int:
        open_book()
        from refettle.book.store import StoreError

        try:
            return act(args)
        except StoreError as error:
            raise Refused(str(error)) from None

    return run


def _owner(number: int) -> Owner:
    from refettle.book.models import Owner

    found = Owner.objects.filter(pk=number).first() if 0 < number < 2**63 else None
    if found is None:
        raise Refused(f"owner {number}: no such owner; allowed: a number of 'refettle owner list'")
    return found


def run_list(args: argparse.Namespace) -> int:
    """Print the owners."""
    from refettle.book.privacy import found_owners

    owners: list[Any] = list(found_owners(args.find))
    found = [
        {"owner": o.pk, "name": o.name, "kind": o.kind, "units": o.unit_count, "jobs": o.job_count,
         "open": o.open_count, "erased": o.erased}
        for o in owners
    ]  # fmt: skip
    if args.json:
        print_json(found)
        return DONE
    if not found:
        print("Nobody." if not args.find else f"Nobody found for '{args.find}'.")
        return DONE
    rows = [[str(f["owner"]), f["name"] + (" (the bench)" if f["kind"] != "customer" else ""), str(f["units"]),
             str(f["jobs"]), str(f["open"])] for f in found]  # fmt: skip
    print(table([["Owner", "Name", "Units", "Jobs", "Open"], *rows]))
    return DONE


def run_show(args: argparse.Namespace) -> int:
    """Print one owner."""
    from refettle.book.privacy_export import held

    owner = _owner(args.number)
    made = held(owner)
    erasure = owner.erasures.first()
    facts = made.data | {"erased": {"at": erasure.at, "who": erasure.who, "why": erasure.why} if erasure else None}
    if args.json:
        print_json(facts)
        return DONE
    print(f"Owner {owner.pk}: {owner.name}")
    if owner.contact:
        print("  " + owner.contact.replace("\n", "\n  "))
    if erasure:
        print(f"Erased on request on {erasure.at:%Y-%m-%d} by {erasure.who}: {erasure.why}")
    for unit in facts["units"]:
        print(", ".join(t for t in (unit["unit_type"], unit["label"], unit["serial"]) if t))
        for job in unit["jobs"]:
            agreed = "".join(f", agreed up to {a['ceiling']} {a['currency']}" for a in job["agreed"])
            closed = f"closed {job['closed'][:10]}" if job["closed"] else "open"
            print(f"  job {job['job']}: {job['stage'] or 'its log cannot be read'}, {closed}{agreed}")
    for kit in facts["kits"]:
        print(f"Kit {kit['code']}, sold to {kit['sold_to']}")
    return DONE


def run_export(args: argparse.Namespace) -> int:
    """Write the archive, whole or not at all; one that is there already is never written over."""
    from refettle.book.privacy_export import archive, held
    from refettle.web.wording import KINDS, describe

    owner, path = _owner(args.number), Path(args.out)
    if owner.kind != "customer":
        raise Refused(f"owner {owner.pk}: the bench's own stock found; allowed: a customer")
    if path.exists():
        raise Refused(f"--out {args.out}: there is something already; allowed: a new file")
    if path.suffix.lower() != ".zip":
        raise Refused(f"--out {args.out}: '{path.suffix or 'no ending'}' found; allowed: a name that ends in .zip")
    made = held(owner)
    try:
        handle, name = tempfile.mkstemp(prefix=".new-", dir=path.parent)
        try:
            with os.fdopen(handle, "wb") as file:
                size = sum(file.write(piece) for piece in archive(made, describe, KINDS))
            os.replace(name, path)
        except BaseException:
            Path(name).unlink(missing_ok=True)
            raise
    except OSError as error:
        raise Refused(f"--out {args.out}: {(error.strerror or str(error)).lower()}") from None
    if args.json:
        facts = {"owner": owner.pk, "file": str(path), "bytes": size}
        print_json(facts | made.facts())
        return DONE
    counted = f"{len(made.logs)} jobs, {len(made.members)} photos and files, {size / 1e6:.1f} MB"
    print(f"Owner {owner.pk}: {counted}, in {path}.")
    for line in made.missing:
        print(f"  not there: {line}", file=sys.stderr)
    return DONE


def run_erase(args: argparse.Namespace) -> int:
    """Show what would go, or erase."""
    from django.conf import settings

    from refettle.book import privacy

    owner = _owner(args.number)
    if args.confirm is not None:
        for option, given in (("--why", args.why), ("--digest", args.digest)):
            if not given:
                raise Refused(f"{option}: nothing found; allowed: with --confirm, --why and --digest as well")
        shown = privacy.plan(owner, args.word)
        if shown.refused:
            return _against(shown, args.json)
        made = privacy.erase(
            owner, who=str(settings.REFETTLE_WHO), why=args.why, confirm=args.confirm, digest=args.digest,
            extra=args.word, without=args.photo, seen=shown,
        )  # fmt: skip
        facts = {"owner": owner.pk, "erasure": made.erasure.pk, "texts": made.texts, "entries": made.entries,
                 "photos": made.photos, "kept": made.photos_kept, "key": made.key}  # fmt: skip
        if args.json:
            print_json(facts)
            return DONE
        print(f"Erased: {made.texts} texts, in {made.entries} entries and elsewhere, {made.photos} photos.")
        for line in made.photos_kept:
            print(f"Kept: {line}.")
        print(f"Key of this erasure, kept nowhere in the book: {made.key}")
        return DONE
    shown = privacy.plan(owner, args.word)
    if args.json:
        print_json(_facts(shown))
        return DOES_NOT_HOLD if shown.refused else DONE
    if not shown.digest:
        return _against(shown, as_json=False)
    _print_plan(shown)
    return _against(shown, as_json=False) if shown.refused else DONE


def _facts(shown: ErasePlan) -> dict[str, Any]:
    return {
        "owner": shown.owner.pk,
        "words": list(shown.words),
        "refused": [{"says": r.says, "until": r.until} for r in shown.refused],
        "changes": [
            {"where": c.where, "field": s.field, "now": s.before, "afterwards": s.after}
            for c in shown.changes
            for s in c.shown
        ],
        "photos": [
            {"sha256": p.sha256, "job": p.job, "entry": p.n, "caption": p.caption, "others": p.others}
            for p in shown.photos
        ],
        "remains": [{"where": r.where, "text": r.text} for r in shown.remains],
        "namesakes": [o.pk for o in shown.namesakes],
        "digest": shown.digest,
    }


def _against(shown: ErasePlan, as_json: bool) -> int:
    if as_json:
        print_json(_facts(shown))
    for each in shown.refused:
        print(each.says, file=sys.stderr)
    return DOES_NOT_HOLD


def _print_plan(shown: ErasePlan) -> None:
    from refettle.book.backup import KEEP

    owner = shown.owner
    print(f"Words that are looked for: {', '.join(shown.words)}")
    print(f"owner, name: {owner.name} -> erased owner {owner.pk}")
    if owner.contact:
        print("owner, contact: " + owner.contact.replace("\n", ", ") + " -> nothing")
    for change in shown.changes:
        for each in change.shown:
            field = f", {each.field}" if change.n else ""
            print(f"{change.where}{field}: {each.before}\n    -> {each.after}")
    for photo in shown.photos:
        stays = f"; stays: {photo.others} has it as well" if photo.others else ""
        print(f"photo {photo.sha256}: job {photo.job}, entry {photo.n} {photo.caption}{stays}")
    for remains in shown.remains:
        print(f"would stay: {remains.where}: {remains.text}")
    for other in shown.namesakes:
        print(f"left alone: the jobs of owner {other.pk}, {other.name}")
    print(
        f"{len(shown.changes)} texts in {shown.entries} entries and elsewhere. Nothing is erased yet. Backups made "
        f"earlier (the newest {KEEP} by default) still hold it all, and so does what you sent or printed. Local law "
        "may require keeping invoices."
    )
    if not shown.refused:
        print(f"To do it: --why WORDS --confirm NAME --digest {shown.digest}")
