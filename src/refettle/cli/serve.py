"""refettle serve: the bench book in the browser."""

from __future__ import annotations

import argparse

from refettle.cli.common import DONE, Refused
from refettle.quantities import whole


def port_number(text: str) -> int:
    """A port; argparse shows the message."""
    number = whole(text)
    if number is None or not 1024 <= number <= 65535:
        raise argparse.ArgumentTypeError(f"'{text}' found; allowed: 1024 to 65535")
    return number


def add_arguments(parser: argparse.ArgumentParser) -> None:
    add_server_arguments(parser)
    parser.set_defaults(run=run)


def add_server_arguments(parser: argparse.ArgumentParser) -> None:
    """What `serve` and `demo` share."""
    parser.add_argument("--port", type=port_number, help="by default 8765, or the next free one")
    parser.add_argument(
        "--host",
        default="127.0.0.1",
        help="an address of this machine; by default 127.0.0.1, with others only by sign-in",
    )
    parser.add_argument("--no-browser", action="store_true", help="only print the address")


def run(args: argparse.Namespace) -> int:
    from refettle.web.serve import check_host, check_open, say, serve
    from refettle.web.start import StartError, start

    try:
        host = check_host(args.host)
        start(say)
        check_open(host)
        _glance()
        serve(host=host, port=args.port, browser=not args.no_browser)
    except StartError as error:
        raise Refused(str(error)) from None
    return DONE


def _glance() -> None:
    """Say on stderr what is plainly wrong with the book before it is opened."""
    import sys

    from refettle.book import doctor

    for finding in doctor.glance():
        print(f"Attention, {finding.area}: {finding.says}. {finding.do}", file=sys.stderr)
