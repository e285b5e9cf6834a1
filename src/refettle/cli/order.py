"""refettle order: what to buy where for all jobs together, from files alone."""

from __future__ import annotations

import argparse
import signal
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import asdict
from datetime import date
from decimal import Decimal
from types import FrameType
from typing import TYPE_CHECKING, Any

from refettle.cli.common import DOES_NOT_HOLD, DONE, print_json, table

if TYPE_CHECKING:
    from refettle.ordering import Plan

EXAMPLES = """\
the files: what is needed as YAML or JSON, and price lists as CSV; every field is in docs/ordering.md

examples:
  refettle order needs.yaml prices.csv
  refettle order needs.yaml harrow.csv quill.csv --at-most 2
  refettle order needs.yaml prices.csv --ignore-deadlines --seconds 60 --json

Ctrl-C ends the search and keeps the best order so far.
exit status 1: a line stays short
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.epilog = EXAMPLES
    parser.add_argument("file", nargs="+", metavar="FILE", help="one .yaml or .json with needs, price lists as .csv")
    parser.add_argument("--at-most", type=int, metavar="N", help="suppliers at most; before what the file says")
    parser.add_argument("--ignore-deadlines", action="store_true", help="days bind nothing")
    parser.add_argument("--seconds", type=float, metavar="S", help="for finding the cheapest; by default 10")
    parser.add_argument("--plain", action="store_true", help="the order alone, compared with nothing: quicker")
    parser.add_argument("--json", action="store_true", help="as JSON, money as text")
    parser.set_defaults(run=run_order)


def run_order(args: argparse.Namespace) -> int:
    """The order, its proof, its reasons and what others would cost."""
    from refettle.cli.order_files import read_problem
    from refettle.ordering import order

    changes: dict[str, Any] = {}
    if args.at_most is not None:
        changes["at_most_suppliers"] = args.at_most
    if args.ignore_deadlines:
        changes["deadlines"] = "ignore"
    if args.seconds is not None:
        changes["time_limit"] = args.seconds
    if args.plain:
        changes["explain_seconds"] = 0.0
    found = read_problem(args.file, changes, date.today())
    with stoppable() as stopped, _progress() as note:
        plan = order(found, note, stopped)
    if args.json:
        print_json(asdict(plan))
    else:
        _print(plan)
    return DOES_NOT_HOLD if plan.short else DONE


@contextmanager
def stoppable() -> Iterator[Callable[[], bool]]:
    """Asks whether Ctrl-C was pressed; a second time it ends the command."""
    asked: list[int] = []

    def press(number: int, frame: FrameType | None) -> None:
        if asked:
            raise KeyboardInterrupt
        asked.append(number)

    before = signal.signal(signal.SIGINT, press)
    try:
        yield lambda: bool(asked)
    finally:
        signal.signal(signal.SIGINT, before)


@contextmanager
def _progress() -> Iterator[Callable[[float, str], None] | None]:
    """One line on a terminal, wiped at the end; nothing elsewhere."""
    if not sys.stderr.isatty():
        yield None
        return
    try:
        yield lambda share, says: print(f"\r{share:4.0%} {says[:70]:70}", end="", file=sys.stderr, flush=True)
    finally:
        print(f"\r{'':75}\r", end="", file=sys.stderr, flush=True)


def _amount(value: Decimal) -> str:
    return f"{value:.2f}"


def _price(value: Decimal) -> str:
    exponent = value.normalize().as_tuple().exponent
    return f"{value:.2f}" if isinstance(exponent, int) and exponent >= -2 else f"{value.normalize():f}"


def _print(plan: Plan) -> None:
    fitting = f" Fitting counted at {_amount(plan.penalty)} more." if plan.penalty else ""
    sums = f"goods {_amount(plan.goods)}, shipping {_amount(plan.shipping)}"
    print(f"Total {_amount(plan.total)} {plan.currency}: {sums}.{fitting}")
    print(f"{plan.says[0].upper()}{plan.says[1:]}.")
    for parcel in plan.parcels:
        free = " (free)" if parcel.free_shipping else ""
        print(f"\n{parcel.supplier}: goods {_amount(parcel.goods)}, shipping {_amount(parcel.shipping)}{free}, "
              f"here by {parcel.arrives}")  # fmt: skip
        rows = [["number", "part", "packs", "pieces", "each", "cost"]]
        mine = [each for each in plan.purchases if each.supplier == parcel.supplier]
        rows += [
            [p.sku, p.part, str(p.packs), str(p.pieces), f"{_price(p.price_each)} {p.currency}", _amount(p.cost)]
            for p in mine
        ]
        print(table(rows))
        for p in mine:
            if p.spare:
                print(f"- {p.part}: {p.spare} spare; {p.why_spare}.")
    print("\nWhat serves which line:")
    print(table([["line", "job", "part", "pieces", "from", "on"], *(
        [s.line, s.job, s.part, str(s.quantity), s.supplier or "the stores", str(s.arrives or "now")]
        for s in plan.servings
    )]))  # fmt: skip
    if plan.short:
        print("\nStays short:")
        for short in plan.short:
            print(f"- {short.line} ({short.job}): {short.pieces} of {short.part}: {short.says}.")
    if plan.substitutes:
        print("\nOther parts than asked for:")
        for each in plan.substitutes:
            print(f"- {each.line}: {each.says}." + (f" It does because: {each.why}." if each.why else ""))
    told = [*plan.second_best, *plan.compared]
    if told:
        print("\nCompared:")
        for other in told:
            print(f"- {other.what}: {other.says}.")
    print("\nEach job bears:")
    print(table([["job", "parts", "surplus", "shipping", "total"], *(
        [s.job, _amount(s.parts), _amount(s.surplus), _amount(s.shipping), _amount(s.total)] for s in plan.shares
    )]))  # fmt: skip
    for note in plan.notes:
        print(f"Note: {note}.")
