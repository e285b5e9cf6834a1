"""refettle card: the measuring card to print, and how to take a photo with it."""

from __future__ import annotations

import argparse
from pathlib import Path

from refettle.cli.common import DONE, Refused, print_json

EXAMPLES = """\
examples:
  refettle card card.pdf             A6; print at 100 %
  refettle card card.svg --size a5   for larger parts
  refettle card                      only how to take the photo
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.epilog = EXAMPLES
    parser.add_argument("out", metavar="OUT", nargs="?", help="a file ending in .svg or .pdf, written anew")
    parser.add_argument("--size", default="a6", help="a5 or a6; by default a6")
    parser.add_argument("--json", action="store_true", help="as JSON: where everything lies on the card, and the guide")
    parser.set_defaults(run=run_card)


def run_card(args: argparse.Namespace) -> int:
    """Write the card and print the photo guide."""
    from refettle.whitening.card import GUIDE, CardError, card_of, card_pdf, card_svg, facts

    try:
        card = card_of(args.size)
        if args.out is not None:
            ending = Path(args.out).suffix.lower()
            if ending not in (".svg", ".pdf"):
                raise Refused(f"OUT: {args.out!r} found; allowed: a file ending in .svg or .pdf")
            made = card_svg(card.size).encode() if ending == ".svg" else card_pdf(card.size)
            Path(args.out).write_bytes(made)
    except CardError as error:
        raise Refused(str(error)) from None
    except OSError as error:
        raise Refused(f"{args.out}: {(error.strerror or str(error)).lower()}") from None
    if args.json:
        guide = [{"do": hint.do, "what": hint.what, "why": hint.why} for hint in GUIDE]
        print_json({**facts(card), "written": args.out, "guide": guide})
        return DONE
    if args.out is not None:
        print(f"{args.out}: measuring card {card.size.upper()}, {card.width:g} x {card.height:g} mm")
        print(f"The bar on it must measure {card.scale.width:g} mm.\n")
    for title, wanted in (("Do", True), ("Don't", False)):
        print(title)
        for hint in GUIDE:
            if hint.do is wanted:
                print(f"- {hint.what}\n  {hint.why}")
    return DONE
