"""refettle lamp: what a whitening lamp gives, from a meter at the part, and what it does to eyes."""

from __future__ import annotations

import argparse
import re
from dataclasses import asdict

from refettle.cli.common import DOES_NOT_HOLD, DONE, Refused, print_json

EXAMPLES = """\
examples:
  refettle lamp --nm 395 --readings 4.1,3.8,3.2,3.9 --hours 6
  refettle lamp --nm 395 --readings 4.1,3.8,3.2,3.9 --hours 6 --dose 100J/cm2
  refettle lamp --nm 450 --hours 12                  no meter: lamp-hours only

exit status 1: the lamp is refused as it is set up
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.epilog = EXAMPLES
    parser._negative_number_matcher = re.compile(r"-[\d.]")
    parser.add_argument("--nm", type=float, required=True, metavar="NM", help="the lamp's peak, from its sheet")
    parser.add_argument("--hours", type=float, required=True, metavar="H", help="on, or to be on")
    parser.add_argument("--readings", metavar="MW/CM2,...", help="a meter's readings at the part, over its surface")
    parser.add_argument("--dose", metavar="J/CM2", help="dose that the least-lit place is to have")
    parser.add_argument("--boxed", action="store_true", help="in a closed box with a lid switch")
    parser.add_argument("--json", action="store_true", help="as JSON")
    parser.set_defaults(run=run_lamp)


def run_lamp(args: argparse.Namespace) -> int:
    """Band, dose and eye limit."""
    from refettle.cli.cautions import facts_of_cautions, print_cautions
    from refettle.whitening.light import band, lamp_dose
    from refettle.whitening.sun import read_dose
    from refettle.whitening.values import WhiteningError

    try:
        readings = [float(each) for each in args.readings.split(",")] if args.readings else []
    except ValueError:
        found = args.readings[:60]
        raise Refused(f"--readings: {found!r} found; allowed: numbers in mW/cm², as 4.1,3.8,3.2") from None
    try:
        judged = band(args.nm, "boxed" if args.boxed else "open")
        wanted = read_dose(args.dose) if args.dose else None
        dose = lamp_dose(args.hours, readings, nanometre=args.nm, wanted=wanted)
    except WhiteningError as error:
        raise Refused(str(error)) from None
    cautions = facts_of_cautions(dose.cautions)
    status = DOES_NOT_HOLD if judged.says == "refused" else DONE
    if args.json:
        print_json({"band": asdict(judged), **asdict(dose), "cautions": cautions})
        return status
    print_cautions(cautions)
    print(f"Lamp at {args.nm:g} nm: {judged.says}.")
    for line in judged.reasons:
        print(f"- {line}")
    if status == DONE and dose.dose is None:
        print(f"{dose.lamp_hours:g} lamp-hours.")
    elif status == DONE and dose.dose is not None:
        least, mean, most = dose.dose
        print(f"At the part {dose.least:.3g} to {dose.most:.3g} mW/cm², mean {dose.mean:.3g} "
              f"(least over most {dose.evenness:.0%}).")  # fmt: skip
        print(f"In {dose.lamp_hours:g} h: {least:.3g} to {most:.3g} J/cm², mean {mean:.3g}.")
        if wanted is not None:
            after = "never: a place gets nothing" if dose.hours_to is None else f"after {dose.hours_to:.3g} h"
            print(f"{wanted:g} J/cm² at the least-lit place: {after}.")
    seconds = "" if dose.eye_seconds is None else f"{dose.eye_seconds:.0f} s; "
    print(f"Limit of a bare eye in the light of the part: {seconds}{dose.eye_says}. Lamp off before the lid opens.")
    for note in dose.notes:
        print(f"- {note}")
    return status
