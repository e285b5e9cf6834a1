"""refettle stores: parts on hand, what came and went, what jobs want."""

from __future__ import annotations

import argparse
from typing import Any

EXAMPLES = """\
examples:
  refettle stores add "Electrolytic, radial" --value "4u7 50v 105C" --place "drawer 3" --count 20 --price 0.12
  refettle stores find 4u7 50v
  refettle stores receive C4u7-50 100 --lot 2031 --made 2030-08-01 --source Hollin --price 0.11
  refettle stores want 3 "100u 25V 105C aluminium" --count 2 --refs C14,C15
  refettle stores take C100u-25 2 --job 3 --wanted 12
  refettle stores count C4u7-50 117                   what was counted; the difference is the line
  refettle stores donor VIDEO-1 1 --job 7             lies in quarantine until shown good
  refettle stores reorder                             what to order, how many, and why
  refettle stores import parts.csv

exit status: 1 nothing found (find), a sum that disagrees (verify)
"""
PART_OPTIONS = {
    "value": "as typed: 4u7 50v 105C, 4k7 1%%, 10uH, 16 MHz",
    "kind": "kind of capacitor, or resistor, coil, crystal, belt, chip, ...",
    "place": "where it lies",
    "maker": "who makes it",
    "mount": "radial, axial or surface",
    "note": "anything else",
    "gram": "weight of one [g]",
    "shelf-days": "looked at again after so many days in store",
    "lead-days": "days from order to delivery; 14 by default",
    "reorder-at": "order again at so many",
    "no-reorder": "yes: it cannot be bought any more",
}
LOT_OPTIONS = {
    "lot": "lot or date code as printed",
    "made": "day it was made, as 2030-08-01",
    "since": "in store since that day; by default today",
    "source": "supplier",
    "price": "paid for one",
    "currency": "of the price; by default the bench's",
}


def _options(parser: argparse.ArgumentParser, options: dict[str, str]) -> None:
    for name, about in options.items():
        parser.add_argument(f"--{name}", help=about)


def _text(parser: argparse.ArgumentParser, *names: str) -> None:
    abouts = {
        "CODE": "code of the part",
        "COUNT": "how many",
        "JOB": "number of the job",
    }
    for name in names:
        parser.add_argument(name.lower(), metavar=name, help=abouts.get(name))


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.epilog = EXAMPLES
    actions = parser.add_subparsers(title="actions", metavar="ACTION", required=True)

    def action(name: str, about: str, *positional: str, writes: bool = True) -> argparse.ArgumentParser:
        made = actions.add_parser(name, help=about, description=about[0].upper() + about[1:] + ".")
        _text(made, *positional)
        made.add_argument("--json", action="store_true", help="as JSON")
        if writes:
            made.add_argument("--who", help="by default REFETTLE_WHO or your user name")
        made.set_defaults(run=_run, action=name)
        return made

    _parts(action)
    _moves(action)
    _wants(action)
    again = action("reorder", "parts that are low, worked out anew, and why; or when the named ones are", writes=False)
    again.add_argument("codes", metavar="CODE", nargs="*", help="codes of parts; by default all that are low")
    ledger = action("ledger", "every line of a part with its running balance", "CODE", writes=False)
    ledger.add_argument("--newest", type=int, metavar="N", help="only so many")
    correct = action("correct", "put a line of the ledger right by a further line", "LINE")
    correct.add_argument("--count", default="0", help="what it should have moved; by default nothing")
    correct.add_argument("--why", required=True)
    action("verify", "work out all sums anew; exit status 1 where one disagrees", writes=False)
    come = action("import", "take in a CSV file of parts on hand: all of it or nothing", "FILE")
    come.add_argument("--more", action="store_true", help="further lots of parts that the stores have already")
    out = action("export", "write all parts and lots as CSV", writes=False)
    out.add_argument("--to", metavar="FILE", help="by default standard output")


def _parts(action: Any) -> None:
    add = action("add", "a part that the stores will keep", "NAME")
    add.add_argument("--code", default="", help="what the bench calls it; by default made from the value")
    _options(add, PART_OPTIONS)
    add.add_argument("--count", help="how many there are of it now")
    _options(add, LOT_OPTIONS)
    edit = action("edit", "change what is said of a part; what it said before is kept", "CODE")
    edit.add_argument("--name", help="what it is")
    edit.add_argument("--new-code", help="another code")
    _options(edit, PART_OPTIONS)
    find = action("find", "parts by value, words or place", writes=False)
    find.add_argument("words", metavar="WORD", nargs="+", help="4u7 50v, electrolytic, drawer 3")
    find.add_argument("--limit", type=int, default=20, metavar="N", help="at most so many; 20 by default")
    action("show", "a part with its lots and what is reserved", "CODE", writes=False)


def _moves(action: Any) -> None:
    receive = action("receive", "parts that came in, as a lot", "CODE", "COUNT")
    _options(receive, LOT_OPTIONS)
    receive.add_argument("--into", metavar="LOT", help="more of a lot that is there, by its number or code")
    receive.add_argument("--quarantine", action="store_true", help="of unknown source: kept apart until shown good")
    receive.add_argument("--note", default="")
    take = action("take", "parts for a job: written in its log, the oldest lot first", "CODE", "COUNT")
    take.add_argument("--job", required=True, help="number of the job")
    take.add_argument("--wanted", help="the entry of the want that this serves")
    take.add_argument("--lot", help="a lot by its number or code")
    take.add_argument("--refs", default="", help="designators: C14,C15")
    take.add_argument("--price", help="of one; by default what was paid")
    take.add_argument("--repair", default="", help="the repair they are for")
    back = action("return", "parts that a job took and did not use", "JOB", "TAKEN", "COUNT")
    back.add_argument("--why", required=True)
    back.add_argument("--quarantine", action="store_true", help="not back among the good ones")
    count = action("count", "what was counted; the difference is the line", "CODE", "FOUND")
    count.add_argument("--lot", help="only this lot")
    count.add_argument("--note", default="")
    scrap = action("scrap", "parts thrown away", "CODE", "COUNT")
    scrap.add_argument("--from-quarantine", action="store_true")
    quarantine = action("quarantine", "parts put aside until shown good", "CODE", "COUNT")
    for each in (scrap, quarantine):
        each.add_argument("--why", required=True)
        each.add_argument("--lot", help="a lot by its number or code")
    for each in (count, scrap, quarantine):
        each.add_argument("--let-go", metavar="N,N", default="", help="reservations that may suffer, by number")
    release = action("release", "parts taken out of quarantine", "CODE", "COUNT")
    release.add_argument("--how", required=True, help="how they were shown good")
    release.add_argument("--lot", help="a lot by its number or code")
    donor = action("donor", "parts taken out of a donor unit, into quarantine", "CODE", "COUNT")
    donor.add_argument("--job", help="the job of the donor unit")
    donor.add_argument("--unit", default="", help="the donor in words")
    donor.add_argument("--note", default="")


def _wants(action: Any) -> None:
    want = action("want", "write in a job's log that it wants parts", "JOB")
    want.add_argument("what", metavar="WHAT", nargs="?", help="as typed: value and rating, or a name")
    want.add_argument("--capacitors", action="store_true", help="instead: all of its list of capacitors at once")
    want.add_argument("--count", default="1")
    want.add_argument("--part", default="", help="code of the part, where it is settled")
    want.add_argument("--refs", default="", help="designators: C14,C15")
    want.add_argument("--by", default="", help="day by which they are needed")
    want.add_argument("--repair", default="", help="the repair they are for")
    want.add_argument("--why", default="")
    wants = action("wants", "what open jobs still want, and what would serve", writes=False)
    wants.add_argument("--job", help="only of this job")
    reserve = action("reserve", "promise parts to a job or a batch of kits", "CODE", "COUNT")
    reserve.add_argument("--job", help="number of the job")
    reserve.add_argument("--wanted", help="the entry of its want")
    reserve.add_argument("--batch", help="number of the batch of kits")
    let_go = action("let-go", "promise no longer, by the number of the reservation", "RESERVATION")
    let_go.add_argument("--count", help="so many of them; by default all")


def _run(args: argparse.Namespace) -> int:
    from refettle.cli.common import Refused, open_book

    home = open_book()
    from refettle.book.log import LogError
    from refettle.book.store import StoreError
    from refettle.cli.stores_actions import ACTIONS

    if getattr(args, "who", "") is None:
        from django.conf import settings

        args.who = settings.REFETTLE_WHO
    args.home = home
    try:
        return ACTIONS[args.action](args)
    except (StoreError, LogError) as error:
        raise Refused(str(error)) from None
