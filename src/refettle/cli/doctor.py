"""refettle doctor: look the whole bench book over, and say what is wrong and what to do."""

from __future__ import annotations

import argparse
import sys
from dataclasses import asdict

from refettle.cli.common import DOES_NOT_HOLD, DONE, Refused, print_json

EXAMPLES = """\
examples:
  refettle doctor                 everything is read: database, guards, photos, files, logs, stores, disk
  refettle doctor --json

Nothing is changed. exit status: 1 when something is wrong
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.epilog = EXAMPLES
    parser.add_argument("--json", action="store_true", help="as JSON")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    import os

    from refettle.web.environment import EnvironmentVariableError, read_options
    from refettle.web.start import StartError, start

    try:
        read_options(os.environ)
    except EnvironmentVariableError as error:
        raise Refused(str(error)) from None
    refusal = ""
    try:
        start(lambda line: print(line, file=sys.stderr))
    except StartError as error:
        refusal = str(error)

    from django.apps import apps

    looks = []
    if apps.ready:
        from refettle.book import doctor

        looks = doctor.examine(
            lambda area: print(f"Looking at: {area}", file=sys.stderr) if sys.stderr.isatty() else None
        )
    wrong = bool(refusal) or any(look.findings for look in looks)
    if args.json:
        print_json({"well": not wrong, "refused": refusal, "looked": [asdict(look) for look in looks]})
        return DOES_NOT_HOLD if wrong else DONE
    if refusal:
        print(f"The bench book does not open: {refusal}\n")
    for look in looks:
        print(f"{look.area:9} {look.says}")
    for finding in (f for look in looks for f in look.findings):
        print(f"\n{finding.area}: {finding.says}\n  {finding.do}")
    print("\nSomething is wrong." if wrong else "\nAll is well.")
    return DOES_NOT_HOLD if wrong else DONE


def _tell(area: str) -> None:
    if sys.stderr.isatty():
        print(f"Looking at: {area}", file=sys.stderr)
