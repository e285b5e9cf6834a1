"""refettle find: suspicions and the next step from a unit type and a log file, without a bench book."""

from __future__ import annotations

import argparse


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("type", metavar="TYPE", help="a unit-type file, or the name of one that the book has")
    parser.add_argument("--log", metavar="LOG.jsonl", required=True, help="the log so far; - reads standard input")
    parser.add_argument("--json", action="store_true", help="as JSON")
    parser.set_defaults(run=run_find)


def run_find(args: argparse.Namespace) -> int:
    """Print suspicions and the next step."""
    raise SystemExit("refettle: find is not built yet")
