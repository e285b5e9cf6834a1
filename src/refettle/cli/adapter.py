"""refettle adapter: is this adapter safe for this unit."""

from __future__ import annotations

import argparse
import os
import re
from dataclasses import asdict
from typing import TYPE_CHECKING

from refettle.cli.common import DOES_NOT_HOLD, DONE, Refused, print_json, refusing, table
from refettle.quantities import QuantityError, parse

if TYPE_CHECKING:
    from refettle.knowledge.supplies import SupplySection
    from refettle.supply.adapter import Needed

EXAMPLES = """\
examples:
  refettle adapter corrigan-duo --output AC --volts 9 --amps 1.2 --loaded 9.1 --unloaded 10.9 --for 230
  refettle adapter piper-pocket --output DC --volts 6 --amps 0.8 --polarity "centre positive" --for 100-240

Exit status 0: safe; 1: not safe, or not known. What is not given is not known.
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.epilog = EXAMPLES
    parser.add_argument("unit", metavar="UNIT", help="a unit type whose file has the five adapter facts")
    label = parser.add_argument_group("by its label")
    label.add_argument("--output", metavar="AC|DC")
    label.add_argument("--volts", metavar="V")
    label.add_argument("--amps", metavar="A")
    label.add_argument("--polarity", metavar="WORDS", help="'centre positive', 'centre negative' or 'not polarised'")
    label.add_argument("--plug", metavar="NAME", help="such as '5.5 x 2.1 mm barrel'")
    label.add_argument("--regulated", action="store_true", help="it holds its volts whatever is drawn")
    label.add_argument("--for", dest="mains", metavar="V", help="the mains it is made for, 230 or 100-240")
    read = parser.add_argument_group("measured")
    read.add_argument("--loaded", metavar="V", help="with about the unit's current drawn")
    read.add_argument("--unloaded", metavar="V", help="with nothing drawn")
    read.add_argument("--ripple", metavar="V", help="peak to peak, under load")
    parser.add_argument("--wall", metavar="V", default="230", help="mains at the wall; by default 230")
    parser.add_argument("--most-open", metavar="V", help="what the unit stands without load, if known")
    parser.add_argument("--json", action="store_true", help="as JSON")
    parser.set_defaults(run=run_adapter)


def run_adapter(args: argparse.Namespace) -> int:
    """The verdict and each fact, behind the cautions; exit status 0 only where it is safe."""
    from refettle.cli.cautions import facts_of_cautions, print_cautions
    from refettle.knowledge.supply_files import rails_with
    from refettle.supply.adapter import Offered, check_adapter
    from refettle.supply.values import SupplyError

    try:
        needed, section = needed_by(args)
        offered = Offered(
            output=args.output.upper() if args.output else None,
            volt=_read("--volts", args.volts, "V"),
            ampere=_read("--amps", args.amps, "A"),
            polarity=args.polarity,
            plug=args.plug,
            loaded=_read("--loaded", args.loaded, "V"),
            unloaded=_read("--unloaded", args.unloaded, "V"),
            regulated=True if args.regulated else None,
            ripple=_read("--ripple", args.ripple, "V"),
            mains=read_mains(args.mains),
        )
        rails = rails_with(section, offered)
        found = check_adapter(needed, offered, [rails] if rails else [])
    except SupplyError as error:
        raise Refused(str(error)) from None
    cautions = facts_of_cautions(found.cautions)
    if args.json:
        print_json({"unit": args.unit, "needed": asdict(needed), **asdict(found), "cautions": cautions})
    else:
        print_cautions(cautions)
        print(f"{found.verdict.upper()} for {args.unit}\n")
        print(table([["fact", "", "why"], *([each.name, each.verdict, each.text] for each in found.facts)]))
        if found.todo:
            print("\nNext:")
        for each in found.todo:
            print(f"- {each}")
    return DONE if found.verdict == "safe" else DOES_NOT_HOLD


def needed_by(args: argparse.Namespace) -> tuple[Needed, SupplySection | None]:
    """What the unit type wants, with what its supply stands without load if its file tells; and that supply."""
    from refettle.book.typefiles import load_named
    from refettle.knowledge.supply_files import stands_open
    from refettle.supply.adapter import Needed
    from refettle.web.environment import EnvironmentVariableError, read_options

    try:
        home = read_options(os.environ).home
    except EnvironmentVariableError as error:
        raise Refused(str(error)) from None
    with refusing():
        unit = load_named(args.unit, home.types, home.kinds).unit_type
    if unit.adapter is None:
        raise Refused(f"{args.unit}: found no adapter facts; allowed: a unit type that is fed by an adapter")
    most = _read("--most-open", args.most_open, "V")
    wall = _read("--wall", args.wall, "V")
    assert wall is not None
    needed = Needed(
        output=unit.adapter.output,
        volt=unit.adapter.volts,
        ampere=unit.adapter.amps,
        polarity=unit.adapter.polarity,
        plug=unit.adapter.plug,
        most_open=most if most is not None else stands_open(unit.supply),
        mains_volt=wall,
    )
    return needed, unit.supply


def read_mains(text: str | None) -> tuple[float, float] | None:
    """`230` or `100-240` as lowest and highest [V]. Refused where it is neither."""
    if text is None:
        return None
    found = re.fullmatch(r"\s*(\d{2,3})\s*(?:[-–/]\s*(\d{2,3})\s*)?V?\s*", text)
    if not found:
        raise Refused(f"--for: found {text!r}; allowed: volts, such as 230 or 100-240")
    return float(found[1]), float(found[2] or found[1])


def _read(option: str, text: str | None, unit: str) -> float | None:
    if text is None:
        return None
    try:
        return parse(text, unit)
    except QuantityError as error:
        raise Refused(f"{option}: {error}") from None
