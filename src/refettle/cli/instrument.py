"""refettle instrument: list, read a meter, fetch a trace, over SCPI; what is read becomes a CSV file."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from refettle.cli.common import DOES_NOT_HOLD, DONE, Refused, print_json, table

if TYPE_CHECKING:
    from refettle.captures import Capture
    from refettle.instruments import Reading

EXAMPLES = """\
examples:
  refettle instrument list
  refettle instrument read TCPIP::192.0.2.7::5025::SOCKET
  refettle instrument read ASRL/dev/ttyUSB0::INSTR --baud 9600 --quantity volts-dc --count 600 --every 1 --out log.csv
  refettle instrument trace TCPIP::192.0.2.8::5025::SOCKET --with scope.toml --channel 1 --out rail.csv

Needs the extra: pip install 'refettle[instruments]'. Without it, files that instruments save are enough.
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.epilog = EXAMPLES
    actions = parser.add_subparsers(title="actions", dest="action", metavar="ACTION", required=True)
    listing = actions.add_parser("list", help="what can be reached, and what it calls itself")
    _add_line(listing, timeout=1.0)
    listing.set_defaults(run=run_list)
    reading = actions.add_parser("read", help="a meter: one value, or a log of them")
    reading.add_argument("address", metavar="ADDRESS", help="as list shows it")
    what = "volts-dc (by default), volts-ac, amps-dc, amps-ac, ohms, ohms-4-wire, hertz or celsius"
    reading.add_argument("--quantity", default="volts-dc", metavar="WHAT", help=what)
    reading.add_argument("--ask", metavar="COMMAND", help="the question, for a meter with words of its own")
    reading.add_argument("--count", type=int, default=1, metavar="N", help="how many readings; by default 1")
    reading.add_argument("--every", type=float, default=1.0, metavar="SECONDS", help="between them; by default 1")
    reading.add_argument("--out", metavar="FILE", help="the CSV file to write; by default on the screen")
    _add_line(reading)
    reading.set_defaults(run=run_read)
    trace = actions.add_parser("trace", help="an oscilloscope: the trace on its screen")
    trace.add_argument("address", metavar="ADDRESS", help="as list shows it")
    trace.add_argument("--with", required=True, metavar="FILE", dest="description",
                       help="how it hands over a trace, in TOML; see the page on captures")  # fmt: skip
    trace.add_argument("--channel", default="1", metavar="CH", help="by default 1")
    trace.add_argument("--out", metavar="FILE", help="the CSV file to write; by default on the screen")
    _add_line(trace)
    trace.set_defaults(run=run_trace)


def _add_line(parser: argparse.ArgumentParser, timeout: float = 5.0) -> None:
    parser.add_argument("--visa", default="@py", metavar="LIBRARY", help="the VISA library; by default @py")
    parser.add_argument("--timeout", type=float, default=timeout, metavar="SECONDS",
                        help=f"for each answer; by default {timeout:g}")  # fmt: skip
    parser.add_argument("--ends", default="lf", metavar="lf|cr|crlf|none", help="how messages end; by default lf")
    parser.add_argument("--baud", type=int, metavar="N", help="speed of a serial line")
    parser.add_argument("--json", action="store_true", help="as JSON")


@contextmanager
def _refusing() -> Iterator[None]:
    from refettle.captures import CaptureError
    from refettle.instruments import InstrumentError

    try:
        yield
    except (InstrumentError, CaptureError) as error:
        raise Refused(str(error)) from None


def run_list(args: argparse.Namespace) -> int:
    """Print what can be reached; exit status 1 when there is nothing."""
    from dataclasses import asdict

    from refettle.instruments import list_instruments

    with _refusing():
        found = list_instruments(args.visa, args.timeout, args.ends)
    if args.json:
        print_json({"instruments": [asdict(each) for each in found]})
    elif found:
        print(table([["address", "says"], *([each.address, each.says] for each in found)]))
    else:
        print("nothing found: look at the plug, the power, and for a network address type it as it is")
    return DONE if found else DOES_NOT_HOLD


def _cautions(args: argparse.Namespace) -> list[dict[str, object]]:
    """What holds for putting probes on anything; told before the first reading, beside the figures."""
    from refettle.cli.cautions import facts_of_cautions, print_cautions

    cautions = facts_of_cautions(["mains", "charged-capacitor"])
    if not args.json:
        import contextlib

        with contextlib.redirect_stdout(sys.stderr):
            print_cautions(cautions)
    return cautions


def _write(capture: Capture, args: argparse.Namespace, cautions: list[dict[str, object]]) -> None:
    from refettle.captures.writing import write_csv
    from refettle.cli.capture import capture_facts, print_capture

    text = write_csv(capture)
    if args.out is not None:
        try:
            with Path(args.out).open("x", encoding="utf-8") as file:
                file.write(text)
        except FileExistsError:
            print(text, end="")
            raise Refused(f"--out {args.out}: is there already and is left; the readings stand above") from None
        except OSError as error:
            print(text, end="")
            raise Refused(
                f"--out {args.out}: {(error.strerror or str(error)).lower()}; the readings stand above"
            ) from None
    if args.json:
        print_json({"out": args.out, **capture_facts(capture), "cautions": cautions})
    elif args.out is not None:
        print_capture(capture)
    else:
        print(text, end="")
        for doubt in capture.doubts:
            print(doubt, file=sys.stderr)


def _out_is_free(args: argparse.Namespace) -> None:
    if args.out is not None and Path(args.out).exists():
        raise Refused(f"--out {args.out}: is there already; allowed: a new file")


def run_read(args: argparse.Namespace) -> int:
    """Read a meter; exit status 1 when a single reading is over range."""
    from refettle.instruments import open_instrument, read_log, read_meter
    from refettle.quantities import show

    _out_is_free(args)
    if not 1 <= args.count <= 1_000_000:
        raise Refused(f"--count: {args.count} found; allowed: 1 to 1000000")
    if args.count == 1 and args.out is not None:
        raise Refused("--out with one reading found; allowed: with --count 2 or more")
    cautions = _cautions(args)
    with _refusing(), open_instrument(
        args.address, library=args.visa, timeout=args.timeout, ends=args.ends, baud=args.baud
    ) as session:  # fmt: skip
        if args.count != 1:
            shown = None if args.json else _heard
            capture = read_log(
                session, args.quantity, count=args.count, every=args.every, command=args.ask, heard=shown
            )
            _write(capture, args, cautions)
            return DONE
        reading = read_meter(session, args.quantity, args.ask)
    if args.json:
        value = None if reading.over or reading.value != reading.value else reading.value
        print_json({"value": value, "unit": reading.unit, "answer": reading.answer, "over_range": reading.over,
                    "cautions": cautions})  # fmt: skip
    elif reading.value != reading.value:
        print(f"{'over range' if reading.over else 'no reading'} ({reading.answer})")
    else:
        print(f"{show(reading.value, reading.unit, 6)}  ({reading.answer})")
    return DONE if reading.value == reading.value else DOES_NOT_HOLD


def _heard(at: float, reading: Reading) -> None:
    from refettle.quantities import show

    value = show(reading.value, reading.unit, 6) if reading.value == reading.value else "over range"
    print(f"{at:.1f} s  {value}", file=sys.stderr)


def run_trace(args: argparse.Namespace) -> int:
    """Fetch a trace and write it as CSV."""
    from refettle.captures import Choices
    from refettle.captures.quality import doubts_of
    from refettle.instruments import open_instrument, read_description, read_trace

    _out_is_free(args)
    try:
        text = Path(args.description).read_text(encoding="utf-8")
    except OSError as error:
        raise Refused(f"--with {args.description}: {(error.strerror or str(error)).lower()}") from None
    except UnicodeDecodeError:
        raise Refused(f"--with {args.description}: bytes that are no UTF-8; allowed: TOML in UTF-8") from None
    with _refusing():
        description = read_description(text, args.description)
    cautions = _cautions(args)
    with _refusing(), open_instrument(
        args.address, library=args.visa, timeout=args.timeout, ends=args.ends, baud=args.baud
    ) as session:  # fmt: skip
        capture = read_trace(session, description, args.channel)
    _write(capture.doubting(*doubts_of(capture, Choices())), args, cautions)
    return DONE
