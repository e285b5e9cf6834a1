"""refettle find: suspicions and the next step from a unit type and a log file, without a bench book."""

from __future__ import annotations

import argparse
import os

from refettle.cli.advising import advice_facts, print_advice, suspect_facts, suspect_table
from refettle.cli.common import DOES_NOT_HOLD, DONE, Refused, print_json, read_log_text, refusing


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("type", metavar="TYPE", help="a unit-type file, or the name of one that the book has")
    parser.add_argument("--log", metavar="LOG.jsonl", required=True, help="the log so far; - reads standard input")
    parser.add_argument("--rate", type=float, default=None, help="bench rate per hour; by default REFETTLE_RATE or 30")
    parser.add_argument("--customer", action="store_true", help="a customer's unit: consent is asked for")
    parser.add_argument("--one-step", action="store_true", help="look one step ahead, not two")
    parser.add_argument("--json", action="store_true", help="as JSON")
    parser.set_defaults(run=run_find)


def run_find(args: argparse.Namespace) -> int:
    """Print suspicions and the next step; exit status 1 should no step be open, not even giving up."""
    from refettle.book.log import LogError, read_jsonl
    from refettle.book.replay import replay
    from refettle.book.typefiles import load_named
    from refettle.faults import ModelError
    from refettle.knowledge.compile import compile_type
    from refettle.web.environment import EnvironmentVariableError, read_options

    try:
        options = read_options(os.environ)
    except EnvironmentVariableError as error:
        raise Refused(str(error)) from None
    rate = args.rate if args.rate is not None else float(options.rate)
    if not 0 < rate <= 1e6:
        raise Refused(f"--rate {rate:g} found; allowed: above 0")
    with refusing():
        compiled = compile_type(load_named(args.type, options.home.types, options.home.kinds), rate)
    try:
        state = replay(compiled, read_jsonl(read_log_text("--log", args.log)))
        advice = state.advice(customer=args.customer, depth=1 if args.one_step else 2)
    except (LogError, ModelError) as error:
        raise Refused(f"{args.log}: {error}") from None
    suspects = suspect_facts(state)
    if args.json:
        print_json({"type": compiled.loaded.name, "suspects": suspects, **advice_facts(state, advice)})
    else:
        print(suspect_table(suspects))
        found = state.findings
        print(
            f"Left out: {100 * found.left_out_before:.1f} % before any entry, "
            f"now probably {100 * found.left_out_probably:.1f} %, at most {100 * found.left_out_at_most:.0f} %.\n"
        )
        print_advice(state, advice)
    return DOES_NOT_HOLD if advice.do is None and advice.state != "works" else DONE
