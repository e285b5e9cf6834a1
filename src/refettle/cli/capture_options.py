"""The options by which a person overrules what was concluded from a capture: shared by every command that reads one."""

from __future__ import annotations

import argparse
import re
from typing import TYPE_CHECKING

from refettle.cli.common import Refused, file_bytes, quantity_option

if TYPE_CHECKING:
    from refettle.captures import Capture, Choices

_SEPARATORS = {"comma": ",", "semicolon": ";", "tab": "\t", "bar": "|", "space": " "}
_DECIMALS = {"point": ".", "comma": ","}


def add_choice_arguments(parser: argparse.ArgumentParser) -> None:
    """--channel, --interval, --probe and their like; `choices_from` reads them."""
    group = parser.add_argument_group("what is decided rather than concluded from the file")
    group.add_argument("--channel", action="append", default=[], metavar="CH", help="only this one, by name or number")
    group.add_argument("--interval", metavar="TIME", help="between samples: 80u, 0.2m")
    group.add_argument("--rate", metavar="HZ", help="samples in a second: 12.5k")
    group.add_argument("--time-column", metavar="COLUMN", help="by heading or number, or none")
    group.add_argument("--time-unit", choices=["s", "ms", "us", "ns", "ps", "min", "h"], help="of the time column")
    group.add_argument(
        "--unit", action="append", default=[], metavar="[CH=]UNIT", help="of the file's numbers: mV, CH2=A"
    )
    group.add_argument("--scale", action="append", default=[], metavar="[CH=]FACTOR", help="every value times this")
    group.add_argument("--probe", action="append", default=[], metavar="[CH=]10",
                       help="division of the probe, where the file does not have it in")  # fmt: skip
    group.add_argument("--decimal", choices=list(_DECIMALS), help="the decimal mark")
    group.add_argument("--separator", choices=list(_SEPARATORS), help="what stands between the columns")
    group.add_argument("--skip", type=int, metavar="LINES", help="leave so many lines at the top unread")
    group.add_argument("--rows", metavar="FIRST-LAST", help="only these rows of numbers")
    group.add_argument("--codes-per-division", type=float, metavar="N", help="for raw codes with volts a division")
    group.add_argument("--full-scale", metavar="VOLT", help="what the largest sample of a WAV file stands for")
    group.add_argument("--coupling", choices=["ac", "dc"], help="of the input")
    group.add_argument("--expect", metavar="VOLT", help="what should be there; a reading ten times off is said")


def _per_channel(option: str, texts: list[str]) -> dict[str | int, str]:
    found: dict[str | int, str] = {}
    for text in texts:
        name, _, value = text.rpartition("=")
        if not value.strip() or ("=" in text and not name.strip()):
            raise Refused(f"{option}: {text!r} found; allowed: a value for all channels, or CHANNEL=VALUE")
        found[name.strip() or "*"] = value.strip()
    return found


def _factors(option: str, texts: list[str]) -> dict[str | int, float]:
    found: dict[str | int, float] = {}
    for name, text in _per_channel(option, texts).items():
        bare = re.sub(r"(?i)(?<=\d)\s*[x×]$|^[x×]\s*", "", text)
        try:
            found[name] = float(bare.replace(",", "."))
        except ValueError:
            raise Refused(f"{option}: {text!r} found; allowed: a number such as 10") from None
    return found


def choices_from(args: argparse.Namespace) -> Choices:
    """The choices that were typed. Raises Refused, naming the option."""
    from refettle.captures import CaptureError, Choices

    interval = quantity_option("--interval", args.interval, "s")
    rate = quantity_option("--rate", args.rate, "Hz")
    if interval is not None and rate is not None:
        raise Refused("--interval and --rate found; allowed: one of them")
    if rate is not None:
        if not rate > 0:
            raise Refused(f"--rate: {args.rate!r} found; allowed: above 0 Hz")
        interval = 1.0 / rate
    rows: tuple[int, int] | None = None
    if args.rows is not None:
        found = re.fullmatch(r"\s*(\d{1,9})\s*[-–:]\s*(\d{1,9})\s*", args.rows)
        if not found:
            raise Refused(f"--rows: {args.rows!r} found; allowed: FIRST-LAST, as 1-2500")
        rows = int(found[1]), int(found[2])
    try:
        return Choices(
            decimal=_DECIMALS.get(args.decimal),
            separator=_SEPARATORS.get(args.separator),
            skip=args.skip,
            rows=rows,
            time_column=args.time_column,
            time_unit="µs" if args.time_unit == "us" else args.time_unit,
            interval=interval,
            channels=tuple(args.channel),
            units=_per_channel("--unit", args.unit),
            scale=_factors("--scale", args.scale),
            probe=_factors("--probe", args.probe),
            codes_per_division=args.codes_per_division,
            full_scale=quantity_option("--full-scale", args.full_scale, "V"),
            ac_coupled=None if args.coupling is None else args.coupling == "ac",
            expect_volts=quantity_option("--expect", args.expect, "V"),
        )
    except CaptureError as error:
        raise Refused(str(error)) from None


def read_bytes(name: str) -> bytes:
    """The bytes of a capture, or of standard input for '-'. Raises Refused."""
    from refettle.captures.reading import MAX_BYTES

    return file_bytes(name, MAX_BYTES)


_ASKING = {
    "interval": "--interval",
    "rows": "--rows",
    "skip": "--skip",
    "time_column": "--time-column",
}


def capture_from(name: str, choices: Choices) -> Capture:
    """The capture in a file. Raises Refused with the option that would help."""
    from refettle.captures import CaptureError, read_capture

    try:
        return read_capture(read_bytes(name), name, choices)
    except CaptureError as error:
        option = _ASKING.get(error.asks or "")
        raise Refused(f"{error} ({option})" if option else str(error)) from None
