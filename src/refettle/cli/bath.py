"""refettle bath: a peroxide bath by mass, behind its cautions."""

from __future__ import annotations

import argparse
import re
from dataclasses import asdict
from datetime import date
from typing import TYPE_CHECKING

from refettle.cli.common import DONE, Refused, print_json, table

if TYPE_CHECKING:
    from refettle.whitening.bath import Bath

EXAMPLES = """\
examples:
  refettle bath --stock "12 %" --target 6 --volume 10L --parts 2L
  refettle bath --stock "40 vol" --target 6 --volume 8L --parts "2.1 kg" --age 2    two years in the bottle
  refettle bath --stock "12 %" --measured "10.4 % w/w" --target 6 --volume 8L      what was measured goes first
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.epilog = EXAMPLES
    parser._negative_number_matcher = re.compile(r"-[\d.]")  # so that -10L is a value, and is refused as one
    parser.add_argument("--stock", required=True, metavar="LABEL", help="12 %%, 12 %% w/w, 12 %% w/v, 40 vol, 300 g/L")
    parser.add_argument("--target", required=True, metavar="PERCENT", help="of the bath, by mass (w/w)")
    parser.add_argument("--volume", required=True, metavar="L", help="up to the mark, with the parts in: 10L, 500 ml")
    parser.add_argument("--parts", default="0L", metavar="L|KG", help="what the parts displace, or what they weigh")
    parser.add_argument("--tub", metavar="L", help="what the tub holds to its brim")
    parser.add_argument(
        "--measured", metavar="STRENGTH", help="strength of the stock as measured, in place of the label"
    )
    parser.add_argument(
        "--age", type=float, default=0.0, metavar="YEARS", help="since the label was true; an assumption"
    )
    parser.add_argument("--warm", type=float, default=20.0, metavar="°C", help="of the bath, 5 to 40; by default 20")
    parser.add_argument("--professional", action="store_true",
                        help="above what the public may have, by your choice and under your licence")  # fmt: skip
    parser.add_argument("--json", action="store_true", help="as JSON")
    parser.set_defaults(run=run_bath)


def run_bath(args: argparse.Namespace) -> int:
    """Weights, order, gas, heat, law and gates."""
    from refettle.cli.cautions import facts_of_cautions, print_cautions
    from refettle.knowledge.peroxide import load_peroxide
    from refettle.whitening.bath import ABS_DENSITY, read_litres, recipe
    from refettle.whitening.law import stale
    from refettle.whitening.strength import read_strength
    from refettle.whitening.values import WhiteningError

    law = load_peroxide()
    try:
        if args.measured and args.age:
            raise WhiteningError("--age with --measured found; allowed: one of the two, a measured strength has no age")
        stock = read_strength(args.measured, "--measured") if args.measured else read_strength(args.stock, "--stock")
        target = args.target if any(each in args.target for each in "%vg") else f"{args.target} % w/w"
        bath = recipe(
            stock,
            read_strength(target, "--target").percent,
            read_litres(args.volume, "--volume"),
            law,
            parts=read_litres(args.parts, "--parts", solid=ABS_DENSITY),
            tub=read_litres(args.tub, "--tub") if args.tub else None,
            years=args.age,
            celsius=args.warm,
            professional=args.professional,
        )
    except WhiteningError as error:
        more = "; --professional chooses that" if "professional or licensed users" in str(error) else ""
        raise Refused(f"{error}{more}") from None
    cautions = facts_of_cautions(bath.cautions)
    old = stale(law, date.today())
    air = [asdict(each) for each in law.air]
    if args.json:
        pending = [*law.pending, *([old] if old else [])]
        print_json({**asdict(bath), "kg": bath.kg, "air": air, "pending": pending, "cautions": cautions})
        return DONE
    print_cautions(cautions)
    _print(bath)
    print(f"Law and classes as of {bath.as_of}: {bath.law}")
    print("In air: " + "; ".join(f"{a.limit} {a.ppm:g} ppm, {a.source}" for a in law.air) + ".")
    for line in (*law.pending, *([old] if old else [])):
        print(f"- {line}")
    return DONE


def _print(bath: Bath) -> None:
    from refettle.whitening.bath import grams

    print("Before it is mixed:")
    for gate in bath.gates:
        print(f"[ ] {gate.says} {gate.why}")
    whole = grams(bath.kg, bath.litres)
    print(f"\nBath: {bath.litres:.4g} L of {bath.target:.3g} % w/w ({bath.volumes:.3g} vol), {whole}.")
    print(table([["water", grams(bath.water_kg, bath.litres)],
                 ["stock", f"{grams(bath.stock_kg, bath.litres)}  (about {bath.stock_litres:.3g} L)"]]))  # fmt: skip
    for number, line in enumerate(bath.order, 1):
        print(f"{number}. {line}")
    print(f"\nIf all of it came apart it would give {bath.oxygen_litres:.3g} L of oxygen and warm by {bath.rise:.0f} K"
          + (": it would boil." if bath.boils else f", to about {bath.celsius + bath.rise:.0f} °C."))  # fmt: skip
    for what, says in (("mix it with", "mix"), ("seal it", "seal"), ("leave in it", "leave")):
        print(f"Never {what}:")
        for line in bath.never[says]:
            print(f"- {line}")
    print("Notes:")
    for note in bath.notes:
        print(f"- {note}")
    for name, classes in (("Stock", bath.stock_classes), ("Bath", bath.bath_classes)):
        said = "; ".join(f"{c.code} {c.says} ({c.name}, {c.source})" for c in classes)
        print(f"{name}: {said or 'no class; goggles and gloves all the same'}")
