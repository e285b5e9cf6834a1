"""refettle sun: the sun a part gets at a place on a day, and when a dose is reached."""

from __future__ import annotations

import argparse
import os
import re
from dataclasses import asdict
from datetime import date
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from refettle.cli.common import DOES_NOT_HOLD, DONE, Refused, print_json, table

if TYPE_CHECKING:
    from refettle.whitening.sun import Reach, SunDay, Window

EXAMPLES = """\
examples:
  refettle sun --place 48.9,2.35 --date 2031-06-21 --zone Europe/Paris
  refettle sun --place 48.9,2.35 --date 2031-06-21 --dose 100J/cm2 --cover 0.8
  refettle sun --place=-33.9,18.4 --date 2031-12-21 --hours 10:00-15:00 --cloud 0.5
  refettle sun --place 48.9,2.35 --date 2031-06-21 --dose 300J/cm2 --no-peroxide    a trial with light alone

exit status 1: the dose is not reached on that day
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.epilog = EXAMPLES
    parser._negative_number_matcher = re.compile(r"-[\d.]")  # southern places are values, not options
    parser.add_argument("--place", required=True, metavar="LAT,LON", help="degrees, north and east positive")
    parser.add_argument("--date", required=True, metavar="DATE", help="1950 to 2099, as 2031-06-21")
    parser.add_argument(
        "--zone", metavar="NAME", help="time zone of the place, as Europe/Paris; by default the bench's"
    )
    parser.add_argument("--hours", metavar="FROM-TO", help="only then, local time, as 10:00-16:00")
    parser.add_argument("--dose", metavar="J/CM2", help="dose to reach, as 100J/cm2; of UVA unless --no-peroxide")
    parser.add_argument("--cover", metavar="SHARE", type=float, help="what lid, film or glass lets through, 0 to 1")
    parser.add_argument("--cloud", metavar="SHARE", type=float, default=0.0, help="of the sky covered, 0 to 1")
    parser.add_argument("--no-peroxide", action="store_true", help="a trial with light alone: counts 400 to 525 nm")
    parser.add_argument("--json", action="store_true", help="as JSON")
    parser.set_defaults(run=run_sun)


def run_sun(args: argparse.Namespace) -> int:
    """The day's light, and with --dose the hours and days that reach it."""
    from refettle.cli.cautions import facts_of_cautions, print_cautions
    from refettle.whitening.light import TRIAL, eye_seconds
    from refettle.whitening.sun import BANDS, SUN_CAUTIONS, Band, Exposure, reach, read_dose, read_hours, read_place
    from refettle.whitening.sun import sun_day as day_of
    from refettle.whitening.values import WhiteningError

    zone = read_zone(args.zone)
    band: Band = "blue" if args.no_peroxide else "uva"
    try:
        exposure = Exposure(
            read_place(args.place),
            zone,
            read_hours(args.hours) if args.hours else None,
            1.0 if args.cover is None else args.cover,
            args.cloud,
        )
        day = day_of(exposure, read_date(args.date))
        reached = reach(exposure, day.day, read_dose(args.dose), band) if args.dose else None
    except WhiteningError as error:
        raise Refused(str(error)) from None
    seconds = eye_seconds(day.peak * 0.06)
    notes = _notes(args, day)
    cautions = facts_of_cautions(SUN_CAUTIONS)
    steps = TRIAL if args.no_peroxide else ()
    if args.json:
        print_json({**asdict(day), "zone": str(zone), "place": asdict(exposure.where), "cover": args.cover,
                    "cloud": args.cloud, "band": BANDS[band], "reach": None if reached is None else asdict(reached),
                    "eye_seconds_at_peak": seconds, "trial": steps, "notes": notes, "cautions": cautions})  # fmt: skip
    else:
        print_cautions(cautions)
        _print_day(day, zone)
        if reached is not None:
            _print_reach(reached, day.day, BANDS[band])
        for number, line in enumerate(steps, 1):
            print(f"{number}. {line}")
        for note in notes:
            print(f"- {note}")
    return DOES_NOT_HOLD if reached is not None and reached.window is None else DONE


def read_zone(name: str | None) -> ZoneInfo:
    """A time zone by name, by default the bench's. Refused if there is none of that name."""
    from refettle.web.environment import EnvironmentVariableError, read_options

    try:
        return ZoneInfo(name or read_options(os.environ).time_zone)
    except EnvironmentVariableError as error:
        raise Refused(str(error)) from None
    except (ValueError, OSError, KeyError):
        raise Refused(f"--zone: {name!r} found; allowed: a time zone by name, such as Europe/Paris or UTC") from None


def read_date(text: str) -> date:
    """A date as 2031-06-21. Refused otherwise."""
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise Refused(f"--date: {text!r} found; allowed: a date from 1950 to 2099, as 2031-06-21") from None


def _notes(args: argparse.Namespace, day: SunDay) -> list[str]:
    notes = [
        "clear sky, level, unshaded: an upper bound; what arrives is less, only a meter at the part tells how much"
    ]
    if not 10 <= day.noon.hour < 15:
        notes.append(f"the sun is highest at {day.noon:%H:%M}: that is another zone than the place's; give --zone")
    if args.cover is None:
        notes.append("no cover given: a lid, film or window can hold back nearly all UVA; give what it lets through")
    if not args.cloud:
        notes.append("no cloud given: with a share of the sky covered, --cloud takes off what it holds back")
    notes.append("a closed box in the sun gets hot enough to warp shells, and a film of peroxide dries and blotches")
    return notes


def _span(three: tuple[float, float, float], unit: str) -> str:
    return f"{three[1]:.3g} {unit} ({three[0]:.3g} to {three[2]:.3g})"


def _clock(window: Window) -> str:
    most = "the day is too short if it is less" if window.hours_most is None else f"{window.hours_most:.2g} h if less"
    between = f"{window.hours:.2g} h; {window.hours_least:.2g} h if there is more of it, {most}"
    return f"{window.begins:%H:%M} to {window.ends:%H:%M} ({between})"


def _print_day(day: SunDay, zone: ZoneInfo) -> None:
    rises, sets = (f"{each:%H:%M}" if each else "-" for each in (day.rises, day.sets))
    print(f"{day.day}, {zone}: sun up about {rises} to {sets}, highest {day.height:.0f}° about {day.noon:%H:%M}.")
    rows = [
        ["clear-sky bound, " + (f"{day.begins:%H:%M} to {day.ends:%H:%M}"), ""],
        ["most at once", f"{day.peak:.0f} W/m²"],
        ["all light", f"{day.energy:.3g} MJ/m²"],
        ["UVA, 315 to 400 nm", _span(day.uva, "J/cm²")],
        ["400 to 525 nm", _span(day.blue, "J/cm²")],
    ]
    print(table(rows))


def _print_reach(reached: Reach, day: date, band: str) -> None:
    print(f"\n{reached.dose:g} J/cm² of {band}:")
    if reached.window is not None:
        print(f"reached that day at the earliest from {_clock(reached.window)}.")
        return
    print("not reached that day.")
    if reached.days_in_a_row is not None:
        print(f"With the days after it: {reached.days_in_a_row} such days in a row from {day}.")
    if reached.first_day is not None and reached.first_window is not None:
        print(f"First single day that reaches it: {reached.first_day}, {_clock(reached.first_window)}.")
    else:
        print("No single day within a year reaches it.")
