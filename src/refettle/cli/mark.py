"""refettle mark: what a marking on a part says, every reading with its reasons."""

from __future__ import annotations

import argparse
import re
from dataclasses import asdict
from datetime import date
from typing import Any

from refettle.cli.common import DOES_NOT_HOLD, DONE, Refused, print_json
from refettle.parts.markings import KINDS, MarkingError, Reading, read_marking

SHOWN = 6
EXAMPLES = """\
examples:
  refettle mark 104K
  refettle mark "yellow violet red gold"          colours from either end; | for the wider gap
  refettle mark "100µF 16V 105°C"
  refettle mark R5 --kind date --years 1983-1986  the unit's years decide between 1983 and 2003
  refettle mark "4?2"                             ? for what cannot be read, two at most
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.epilog = EXAMPLES
    parser.add_argument("text", metavar="TEXT", nargs="+", help="as printed, or the colours of the bands")
    parser.add_argument("--kind", metavar="KIND", help=f"only one kind of reading: {', '.join(KINDS)}")
    parser.add_argument("--years", metavar="FIRST-LAST", help="when the unit was made, as 1983-1986 or 1984")
    parser.add_argument("--all", action="store_true", help=f"every reading, not only the best {SHOWN} of each piece")
    parser.add_argument("--json", action="store_true", help="as JSON, every reading")
    parser.set_defaults(run=run_mark)


def read_years(text: str | None) -> tuple[int, int] | None:
    """`1983-1986` or `1984` as first and last year. Refused where it is neither."""
    if text is None:
        return None
    found = re.fullmatch(r"\s*(\d{4})\s*(?:[-–/]\s*(\d{4})\s*)?", text)
    if not found:
        raise Refused(f"--years {text!r} found; allowed: FIRST-LAST, as 1983-1986, or one year")
    return int(found[1]), int(found[2] or found[1])


def facts(reading: Reading) -> dict[str, Any]:
    """One reading as plain values, those that are not given left out."""
    kept = {name: value for name, value in asdict(reading).items() if value not in (None, "", (), False)}
    return {**kept, "says": reading.says, "unit": reading.unit, "points": reading.points}


def run_mark(args: argparse.Namespace) -> int:
    """Print the readings; exit status 1 when there is none."""
    text = " ".join(args.text)
    years = read_years(args.years)
    try:
        readings = read_marking(text, years, args.kind, latest_year=date.today().year)
    except MarkingError as error:
        raise Refused(str(error)) from None
    if args.json:
        print_json({"text": text, "years": years, "kind": args.kind, "readings": [facts(each) for each in readings]})
    elif not readings:
        print(f"{text}: nothing that can be read" + (f" as {args.kind}" if args.kind else ""))
    else:
        _print(readings, None if args.all else SHOWN)
    return DONE if readings else DOES_NOT_HOLD


def _print(readings: list[Reading], most: int | None) -> None:
    pieces: dict[str, list[Reading]] = {}
    for reading in readings:
        pieces.setdefault(reading.piece, []).append(reading)
    for piece, found in pieces.items():
        print(piece)
        for reading in found[:most]:
            tied = sum(each.rank == reading.rank for each in found) > 1
            print(f"  {reading.rank}{'=' if tied else ' '} {reading.kind}: {reading.says}")
            reasons = [f"{_signed(each.points)}{each.text}" for each in reading.reasons]
            print(f"       {reading.system}; {'; '.join(reasons)}")
            if reading.words:
                print(f"       not read: {' '.join(reading.words)}")
        left = len(found) - len(found[:most])
        if left:
            print(f"     {left} less likely reading{'s' if left > 1 else ''} more; --all shows them")
    print("= stands equal with another. The points rank the readings; they are estimates.")


def _signed(points: int) -> str:
    return f"{points:+d} ".replace("-", "−") if points else ""
