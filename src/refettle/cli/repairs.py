"""refettle repairs: published repair records, and what became of such things."""

from __future__ import annotations

import argparse
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from refettle.cli.common import DOES_NOT_HOLD, DONE, Refused, open_book, print_json, table

if TYPE_CHECKING:
    from refettle.proving.base_rates import BaseRate

EXAMPLES = """\
examples:
  refettle repairs import records.csv                 records in the Open Repair Data Standard, as CSV
  refettle repairs show                               what became of each category
  refettle repairs ask "Hi-Fi separates" --age 35     fixed, repairable, end of life
  refettle repairs remove                             use them no more

they stand in where the bench has no finished jobs of its own; a new file takes the place of the last
exit status: 1 when no records are in the book (show, ask, remove)
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.epilog = EXAMPLES
    actions = parser.add_subparsers(title="actions", metavar="ACTION", required=True)
    come = actions.add_parser("import", help="count a file of records")
    come.add_argument("file", metavar="FILE.csv")
    come.set_defaults(run=run_import)
    show = actions.add_parser("show", help="what became of each category")
    show.set_defaults(run=run_show)
    ask = actions.add_parser("ask", help="what became of one category, at an age")
    ask.add_argument("category", metavar="CATEGORY", help="as in the records; one they do not have is taken at large")
    ask.add_argument("--age", type=float, metavar="YEARS")
    ask.set_defaults(run=run_ask)
    remove = actions.add_parser("remove", help="use the records no more")
    remove.set_defaults(run=run_remove)
    for each in (come, show, ask, remove):
        each.add_argument("--json", action="store_true", help="as JSON")


def run_import(args: argparse.Namespace) -> int:
    """Count a file."""
    open_book()
    from pathlib import Path

    from refettle.book import records
    from refettle.proving.counts import ProvingError

    try:
        with Path(args.file).open("rb") as file:
            kept = records.import_records(file, args.file)
    except OSError as error:
        raise Refused(f"{args.file}: {(error.strerror or str(error)).lower()}") from None
    except ProvingError as error:
        raise Refused(f"{args.file}: {error}") from None
    facts = {"file": kept.name, "records": kept.rows, "end_not_known": kept.unknown, "twice": kept.twice,
             "odd_ages": kept.odd_ages, "providers": kept.providers}  # fmt: skip
    if args.json:
        print_json(facts)
        return DONE
    print(f"{kept.rows} records of {len(kept.providers)} providers; the end of {kept.unknown} is not known")
    if kept.twice:
        print(f"{kept.twice} left out: their id came before")
    if kept.odd_ages:
        print(f"{kept.odd_ages} ages taken as not known: below 0, above 300 or no number")
    return DONE


def _facts(rate: BaseRate) -> dict[str, Any]:
    return asdict(rate) | {"text": rate.text}


def _none() -> int:
    print("No repair records in the book: refettle repairs import FILE.csv")
    return DOES_NOT_HOLD


def run_show(args: argparse.Namespace) -> int:
    """All categories."""
    open_book()
    from refettle.book import records

    rates = [rate for name in records.categories() if (rate := records.base_rates(name)) is not None]
    if args.json:
        print_json([_facts(rate) for rate in rates])
        return DONE if rates else DOES_NOT_HOLD
    if not rates:
        return _none()
    rows = [["category", "fixed", "90 %", "repairable", "end of life", "records"]]
    for rate in rates:
        rows.append([rate.category, *_shares(rate), str(rate.category_cases)])
    print(table(rows))
    return DONE


def _shares(rate: BaseRate) -> list[str]:
    fixed = rate.fixed
    return [f"{100 * fixed.mean:.0f} %", f"{100 * fixed.low:.0f} to {100 * fixed.high:.0f} %",
            f"{100 * rate.repairable.mean:.0f} %", f"{100 * rate.end_of_life.mean:.0f} %"]  # fmt: skip


def run_ask(args: argparse.Namespace) -> int:
    """One category."""
    open_book()
    from refettle.book import records
    from refettle.proving.counts import ProvingError

    try:
        rate = records.base_rates(args.category, args.age)
    except ProvingError as error:
        raise Refused(f"--age: {error}") from None
    if rate is None:
        if args.json:
            print_json(None)
            return DOES_NOT_HOLD
        return _none()
    if args.json:
        print_json(_facts(rate))
    else:
        print(f"{rate.category}, {rate.band}: {rate.text}")
    return DONE


def run_remove(args: argparse.Namespace) -> int:
    """Use them no more."""
    open_book()
    from refettle.book import records

    gone = records.take_out()
    if args.json:
        print_json({"file": gone.name if gone else None})
    elif gone:
        print(f"{gone.name}: {gone.rows} records no longer used. Their counts stay in the book.")
    else:
        return _none()
    return DONE if gone else DOES_NOT_HOLD
