"""refettle type: check or draw a unit-type file."""

from __future__ import annotations

import argparse
import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from refettle.cli.common import BAD_INPUT, DONE, Refused, print_json, refusing, table

if TYPE_CHECKING:
    from refettle.knowledge.loading import LoadedType


def add_arguments(parser: argparse.ArgumentParser) -> None:
    actions = parser.add_subparsers(title="actions", metavar="ACTION", required=True)
    check = actions.add_parser("check", help="say every mistake in the file, or what it holds")
    check.add_argument("file", metavar="FILE", help="a unit-type file, or the name of one that the book has")
    check.add_argument("--json", action="store_true", help="as JSON")
    check.set_defaults(run=run_check)
    draw = actions.add_parser("draw", help="draw its blocks")
    draw.add_argument("file", metavar="FILE", help="a unit-type file, or the name of one that the book has")
    draw.add_argument("-o", "--output", metavar="OUT.svg", help="by default to standard output")
    draw.set_defaults(run=run_draw)


def run_check(args: argparse.Namespace) -> int:
    """Every mistake on stderr and exit status 2, or a summary."""
    from refettle.book.typefiles import NoSuchTypeError, load_named
    from refettle.knowledge.compile import compile_type
    from refettle.knowledge.errors import KnowledgeError
    from refettle.web.environment import EnvironmentVariableError, read_options

    try:
        home = read_options(os.environ).home
        loaded = load_named(args.file, home.types, home.kinds)
        compile_type(loaded)
    except (EnvironmentVariableError, NoSuchTypeError) as error:
        raise Refused(str(error)) from None
    except KnowledgeError as error:
        if args.json:
            print_json({"good": False, "mistakes": [vars(m) for m in error.mistakes]})
        else:
            count = len(error.mistakes)
            print(f"{error}\n{count} mistake{'' if count == 1 else 's'}", file=sys.stderr)
        return BAD_INPUT
    blocks = loaded.blocks.values()
    summary = {
        "name": loaded.name,
        "family": loaded.unit_type.family,
        "blocks": len(loaded.blocks),
        "failure modes": sum(len(b.modes) for b in blocks),
        "checks": sum(len(b.checks) for b in blocks) + len(loaded.unit_type.checks),
        "repairs": sum(len(b.repairs) for b in blocks) + len(loaded.unit_type.repairs),
        "points": len(loaded.unit_type.points),
        "sha256": loaded.sha256,
    }
    if args.json:
        print_json({"good": True, **summary})
    else:
        print(f"{args.file}: no mistake found")
        print(table([[key, str(value)] for key, value in summary.items()]))
    return DONE


def run_draw(args: argparse.Namespace) -> int:
    """The block diagram as SVG, on standard output or in a file."""
    from refettle.drawing import block_diagram

    svg = block_diagram(_load(args.file), alone=True) + "\n"
    if args.output is None:
        print(svg, end="")
        return DONE
    try:
        Path(args.output).write_text(svg, encoding="utf-8")
    except OSError as error:
        raise Refused(f"-o {args.output}: {(error.strerror or str(error)).lower()}") from None
    print(f"Drawn: {args.output}")
    return DONE


def _load(name: str) -> LoadedType:
    from refettle.book.typefiles import load_named
    from refettle.web.environment import EnvironmentVariableError, read_options

    try:
        home = read_options(os.environ).home
    except EnvironmentVariableError as error:
        raise Refused(str(error)) from None
    with refusing():
        return load_named(name, home.types, home.kinds)
