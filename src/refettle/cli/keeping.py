"""A file read at the command line, kept in a job as evidence, with the options by which its page reads it again."""

from __future__ import annotations

import argparse
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from refettle.cli.common import Refused, open_book, refusing

if TYPE_CHECKING:
    from refettle.book.evidence import Method, Worth
    from refettle.captures import Capture
    from refettle.parts.capacitor import Rated
    from refettle.sound.reading import SoundReading
    from refettle.supply.ripple_result import RippleReading

RIPPLE_OPTIONS = {"load": "load", "load_kind": "load_kind", "rectifier": "rectifier", "nominal": "nominal",
                  "needs": "needs", "dc_volts": "dc_volts", "secondary": "secondary", "current": "current"}  # fmt: skip
CAPTURE_OPTIONS = {"decimal": "decimal", "separator": "separator", "skip": "skip", "rows": "rows",
                   "time_column": "time_column", "time_unit": "time_unit", "interval": "interval",
                   "full_scale": "full_scale", "coupling": "coupling", "expect": "expect"}  # fmt: skip
"""Options of a job's page, and the command's own names for them."""


def add_job_arguments(parser: argparse.ArgumentParser, place: str) -> None:
    """--job and its like; `place` is an example."""
    group = parser.add_argument_group("in a job of the bench book")
    group.add_argument("--job", type=int, metavar="N", help="keep the file in this job as evidence")
    group.add_argument("--place", metavar="PLACE", help=f"where it was taken, such as {place}; by default the only one")
    group.add_argument("--new-run", action="store_true", help="the unit was switched off and on before this")
    group.add_argument("--note", default="", help="written beside it")


def refuse_lone(args: argparse.Namespace) -> None:
    """--place, --new-run and --note go with --job only; a kept file has a name. Raises Refused."""
    if args.job is None and (args.place or args.new_run or args.note):
        raise Refused("--place, --new-run or --note without --job; allowed: with --job")
    if args.job is not None and args.file == "-":
        raise Refused("--job with standard input; allowed: a file")


def ripple_options(args: argparse.Namespace, capture: Capture, channel: str | int) -> dict[str, str]:
    """The options of a ripple reading as a job's page takes them. Raises Refused."""
    if args.codes_per_division is not None or args.gain != 3.0:
        raise Refused("--codes-per-division or --gain with --job; allowed: neither, since the job's page has no such")
    found = {"mains": f"{args.mains_hz:g}"}
    if found["mains"] not in ("50", "60"):
        raise Refused(f"--mains-hz: {args.mains_hz:g} found with --job; allowed: 50 or 60")
    for name, own in {**RIPPLE_OPTIONS, **CAPTURE_OPTIONS}.items():
        value = getattr(args, own, None)
        if value is not None:
            found[name] = str(value)
    if args.rate is not None:
        found["interval"] = repr(capture.step)
    if args.load_tolerance != 3.0:
        found["load_tol"] = f"{args.load_tolerance:g}"
    if args.ac_coupled is not None:
        if args.ac_coupled == "unknown":
            found["coupling"] = "ac"
        else:
            found["corner"] = str(args.ac_coupled)
    if channel != 1:
        found["channel"] = str(channel)
    names = [each.name for each in capture.channels]
    for option, what in (("unit", args.unit), ("scale", args.scale), ("probe", args.probe)):
        for text in what:
            name, _, value = text.rpartition("=")
            wanted = names if not name else [n for i, n in enumerate(names, 1) if name in (n, str(i))]
            found |= {f"{option}_{names.index(n) + 1}": value for n in wanted}
    return found


def sound_options(args: argparse.Namespace) -> dict[str, str]:
    """The options of a sound reading as a job's page takes them."""
    pairs = {"mains": args.mains_hz, "tape": args.tape, "tone": args.tone, "quiet": args.quiet, "usual": args.usual}
    found = {name: f"{value:g}" if isinstance(value, float) else str(value) for name, value in pairs.items()
             if value is not None}  # fmt: skip
    return found | {name: "yes" for name in ("tones", "silence") if getattr(args, name)}


def keep_ripple(
    args: argparse.Namespace, options: Mapping[str, str], reading: RippleReading, nominal: Rated | None
) -> dict[str, Any]:
    """Keep a capture in the job and write its entry; gives what was written. Raises Refused."""
    from refettle.book.evidence import ripple_figures, ripple_worth

    return _keep(args, "ripple", options, ripple_figures(reading), lambda c, p: ripple_worth(c, p, reading, nominal))


def keep_sound(args: argparse.Namespace, options: Mapping[str, str], reading: SoundReading) -> dict[str, Any]:
    """Keep a recording in the job and write its entry; gives what was written. Raises Refused."""
    from refettle.book.evidence import sound_figures, sound_worth

    return _keep(
        args, "sound", options, sound_figures(reading), lambda c, p: sound_worth(c, p, reading, not args.silence)
    )


def _keep(
    args: argparse.Namespace, method: Method, options: Mapping[str, str], figures: Mapping[str, str], worth: Any
) -> dict[str, Any]:
    open_book()
    from django.conf import settings

    from refettle.book import files, store
    from refettle.book.evidence import entry, place_of, places

    try:
        job = store.find_job(args.job)
    except store.StoreError as error:
        raise Refused(f"--job: {error}") from None
    with refusing():
        compiled = store.compiled_type(job.unit.type_version)
        there = places(compiled, method)
        if args.place is None and len(there) != 1:
            raise Refused(
                f"--place: nothing found; allowed: {', '.join(p.id for p in there) or 'no place is modelled'}"
            )
        place = there[0] if args.place is None else place_of(compiled, method, args.place)
        found: Worth = worth(compiled, place)
        try:
            with Path(args.file).open("rb") as file:
                sha256 = files.keep_stream(file, settings.REFETTLE_FILES, settings.REFETTLE_MAX_RECORDING_BYTES)
        except (OSError, files.FileError) as error:
            raise Refused(f"{args.file}: {error}") from None
        made = entry(method, place.id, sha256, Path(args.file).name, options, figures, found,
                     new_run=args.new_run, note=args.note)  # fmt: skip
        written = store.append(job, made, settings.REFETTLE_WHO)
    return {"job": job.number, "n": written.n, "place": place.id, "decides": made["decides"],
            "undecided": list(found.undecided)}  # fmt: skip


def print_kept(kept: Mapping[str, Any]) -> None:
    """What was written, and what it counts for."""
    print(f"\nJob {kept['job']}: kept as entry {kept['n']}, taken at {kept['place']}.")
    for check, grades in kept["decides"].items():
        print(f"  counts for {check}: " + ", ".join(f"{outcome} {value:.3g}" for outcome, value in grades.items()))
    for line in kept["undecided"]:
        print(f"  undecided: {line}")
