"""refettle progress: what the readings of a batch say, when it will match, when to stop."""

from __future__ import annotations

import argparse
import csv
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict
from datetime import date
from typing import TYPE_CHECKING

from refettle.cli.common import DOES_NOT_HOLD, DONE, Refused, print_json, read_log_text, table
from refettle.quantities import number

if TYPE_CHECKING:
    from refettle.whitening.kinetics import EarlierBatch
    from refettle.whitening.progress import Progress
    from refettle.whitening.stopping import Rebound, YellowReading

COLUMNS = ("hours", "yi", "dose", "lightness", "spread")
EARLIER = ("method", "lamp", "percent", "rate", "spread", "unit")
EXAMPLES = """\
the file, with commas, one line a reading, the first before the bath; only hours and yi are needed:
  hours,yi,dose,lightness,spread
  0,41.2,0,78.1,5.0
  1,37.9,14,78.6,5.1

examples:
  refettle progress readings.csv --reference 9.5
  refettle progress readings.csv --reference 9.5 --taken locked --by dose
  refettle progress readings.csv --reference 9.5 --earlier bench.csv --method bath --lamp "shelf lamp" --strength 6
  refettle progress readings.csv --reference 9.5 --ended 2031-06-21 --dark 14.1@15

exit status 1: it is over-bleached, grows uneven, or will probably never match
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.epilog = EXAMPLES
    parser.add_argument("file", metavar="FILE", help=f"readings as CSV ({', '.join(COLUMNS)}); - reads standard input")
    parser.add_argument("--reference", type=float, required=True, metavar="YI", help="of the unexposed plastic")
    aim = parser.add_mutually_exclusive_group()
    aim.add_argument("--target", type=float, metavar="YI", help="to reach")
    aim.add_argument("--remaining", type=float, metavar="SHARE", help="of the yellowing to leave; by default 0.15")
    parser.add_argument(
        "--taken", choices=["phone", "rig", "locked"], default="phone", help="how the photos were taken"
    )
    parser.add_argument("--sd", type=float, metavar="YI", help="of one reading, if you know it")
    parser.add_argument("--by", choices=["hours", "dose"], default="hours", help="foretell over hours or dose")
    parser.add_argument(
        "--earlier", metavar="FILE", help=f"finished batches of this bench as CSV ({', '.join(EARLIER)})"
    )
    parser.add_argument("--method", default="", help="which of them count: the same method,")
    parser.add_argument("--lamp", default="", help="lamp,")
    parser.add_argument("--strength", type=float, default=0.0, metavar="PERCENT", help="and strength, %% w/w")
    parser.add_argument("--ended", metavar="DATE", help="day the batch ended: when the reading after the dark is due")
    parser.add_argument("--dark", metavar="YI@DAYS", help="that reading, as 14.1@15")
    parser.add_argument("--seed", type=int, default=1, help="of the samples; by default 1")
    parser.add_argument("--json", action="store_true", help="as JSON")
    parser.set_defaults(run=run_progress)


@contextmanager
def _refusing(where: str = "") -> Iterator[None]:
    from refettle.whitening.values import WhiteningError

    try:
        yield
    except WhiteningError as error:
        raise Refused(f"{where}{error}") from None


def run_progress(args: argparse.Namespace) -> int:
    """Remaining yellow, forecast, reasons to stop, next look, and what came back."""
    from refettle.cli.cautions import facts_of_cautions, print_cautions
    from refettle.whitening.progress import PROGRESS_CAUTIONS, Setup, finished, progress
    from refettle.whitening.stopping import check_readings, dark_check

    readings = _readings(args.file)
    earlier = _earlier(args.earlier) if args.earlier else []
    setup = Setup(taken=args.taken, sd=args.sd, by=args.by, earlier=earlier, method=args.method, lamp=args.lamp,
                  percent=args.strength, seed=_seed(args.seed))  # fmt: skip
    with _refusing(f"{args.file}: "):
        check_readings(readings)
    with _refusing():
        found = progress(readings, args.reference, setup, target=_target(args, readings))
        due = dark_check(_date(args.ended)) if args.ended else None
        dark = _dark(args.dark, readings, found.sd) if args.dark else None
    bad = {stop.id for stop in found.stops} & {"over-bleached", "spreading", "never"}
    cautions = facts_of_cautions(PROGRESS_CAUTIONS)
    if args.json:
        kept = None if found.forecast is None else asdict(finished(found.forecast, setup))
        said = {"as_earlier": kept, "dark_reading_due": due, "rebound": None if dark is None else asdict(dark)}
        print_json({**asdict(found), **said, "readings": [asdict(each) for each in readings], "cautions": cautions})
    else:
        print_cautions(cautions)
        _print(found, readings[-1].hours, due, dark)
    return DOES_NOT_HOLD if bad else DONE


def _seed(seed: int) -> int:
    if not 0 <= seed < 2**32:
        raise Refused(f"--seed: {seed} found; allowed: 0 to {2**32 - 1}")
    return seed


def _target(args: argparse.Namespace, readings: list[YellowReading]) -> float | None:
    from refettle.whitening.values import within

    if args.remaining is None:
        return None if args.target is None else float(args.target)
    share = within("--remaining", args.remaining, 0.0, 1.0, "")
    return float(args.reference + share * (readings[0].yi - args.reference))


def _date(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise Refused(f"--ended: {text!r} found; allowed: a date, as 2031-06-21") from None


def _dark(text: str, readings: list[YellowReading], sd: float) -> Rebound:
    from refettle.whitening.stopping import rebound

    try:
        yi, days = (float(each) for each in text.split("@"))
    except ValueError:
        raise Refused(f"--dark: {text!r} found; allowed: YI@DAYS, as 14.1@15") from None
    return rebound(readings[0].yi, readings[-1].yi, yi, days, sd)


def _rows(option: str, name: str, columns: tuple[str, ...], needed: int) -> Iterator[tuple[int, dict[str, str]]]:
    """Line number and cells of each row. Refused for an unknown or missing column, or a row of another length."""
    lines = read_log_text(option, name).splitlines()
    kept = [(n, line) for n, line in enumerate(lines, 1) if line.strip() and not line.startswith("#")]
    if not kept:
        raise Refused(f"{option} {name}: nothing found; allowed: a head line ({', '.join(columns)}) and rows")
    rows = [_cells(f"{option} {name}: line {n}", line) for n, line in kept]
    head = [cell.strip().casefold() for cell in rows[0]]
    wrong = next((cell for cell in head if cell not in columns or head.count(cell) > 1), None)
    missing = next((cell for cell in columns[:needed] if cell not in head), None)
    if wrong is not None or missing:
        found = f"column {wrong!r}" if wrong is not None else f"no column {missing!r}"
        raise Refused(f"{option} {name}: line {kept[0][0]}: {found} found; allowed: {', '.join(columns)}, each once, "
                      f"{' and '.join(columns[:needed])} always")  # fmt: skip
    for (line, _), row in zip(kept[1:], rows[1:], strict=True):
        if len(row) != len(head):
            raise Refused(f"{option} {name}: line {line}: {len(row)} cells found; allowed: {len(head)}, as in the head")
        yield line, dict(zip(head, (cell.strip() for cell in row), strict=True))


def _cells(where: str, line: str) -> list[str]:
    try:
        return next(csv.reader([line], strict=True))
    except csv.Error as error:
        raise Refused(f"{where}: {error} found; allowed: cells with commas between them") from None


def _number(where: str, column: str, cell: str) -> float | None:
    if not cell:
        return None
    try:
        return float(cell)
    except ValueError:
        raise Refused(f"{where}: {column}: {cell!r} found; allowed: a number with a decimal point") from None


def _readings(name: str) -> list[YellowReading]:
    from refettle.whitening.stopping import YellowReading

    found = []
    for line, cells in _rows("FILE", name, COLUMNS, 2):
        where = f"FILE {name}: line {line}"
        values = {column: _number(where, column, cell) for column, cell in cells.items()}
        if values["hours"] is None or values["yi"] is None:
            raise Refused(
                f"{where}: no {'hours' if values['hours'] is None else 'yi'} found; allowed: both in every row"
            )
        rest = [values.get(column) for column in COLUMNS[2:]]
        found.append(YellowReading(values["hours"], values["yi"], *rest))
    return found


def _earlier(name: str) -> list[EarlierBatch]:
    from refettle.whitening.kinetics import EarlierBatch

    found = []
    for line, cells in _rows("--earlier", name, EARLIER, 4):
        where = f"--earlier {name}: line {line}"
        percent, rate = _number(where, "percent", cells["percent"]), _number(where, "rate", cells["rate"])
        spread = _number(where, "spread", cells.get("spread", ""))
        if percent is None or rate is None:
            raise Refused(f"{where}: no {'rate' if rate is None else 'percent'} found; allowed: both in every row")
        unit = cells.get("unit") or "h"
        if unit not in ("h", "J/cm2"):
            raise Refused(f"{where}: unit: {unit!r} found; allowed: h or J/cm2")
        found.append(
            EarlierBatch(cells["method"], cells["lamp"], percent, rate, 0.2 if spread is None else spread, unit)
        )
    return found


def _print(found: Progress, hours: float, due: date | None, dark: Rebound | None) -> None:
    print(f"Left of the yellowing: {found.remaining:.0%}, give or take {found.error:.0%}.")
    print(f"Target {number(found.target)} YI, unexposed plastic {number(found.reference)} YI; sd of a reading "
          f"{number(found.sd)} YI.")  # fmt: skip
    forecast = found.forecast
    if forecast is not None:
        print(f"Target reached: {forecast.says}.")
        rows = [
            ["", "5 %", "50 %", "95 %"],
            ["it levels off at, YI", *(number(each) for each in forecast.floor)],
            ["rate, per " + ("h" if forecast.unit == "h" else "J/cm2"), *(number(each) for each in forecast.rate)],
        ]
        print(table(rows))
        print(
            f"Chance that it never gets there: {forecast.never:.0%}. Earlier batches counted: {forecast.prior_batches}."
        )
    for stop in found.stops:
        print(f"STOP ({stop.id}): {stop.says}.")
    if not found.stops:
        print(f"Next look and turn: at {number(found.next_look)} h, {number(60 * (found.next_look - hours))} min on.")
    if due is not None:
        print(f"Reading after the dark due: {due}.")
    if dark is not None:
        back = "" if dark.share is None else f", {dark.share:.0%} of what was taken off"
        print(f"After the dark: {dark.says}{back}.")
    for note in found.notes:
        print(f"- {note}")
