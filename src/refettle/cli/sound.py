"""refettle sound: what a recording says, before and after if wished."""

from __future__ import annotations

import argparse
import json
import re
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

from refettle.cli.common import DOES_NOT_HOLD, DONE, Refused, print_json, quantity_option, table
from refettle.cli.keeping import add_job_arguments, keep_sound, print_kept, refuse_lone, sound_options

if TYPE_CHECKING:
    from refettle.sound.compare import Comparison
    from refettle.sound.reading import SoundReading

EXAMPLES = """\
examples:
  refettle sound deck.wav --mains-hz 50
  refettle sound tape.wav --tape 3150                 speed, wow and flutter of a test tape
  refettle sound after.wav --compare before.wav       what a repair changed
  refettle sound back.wav --tones                     the test tones of `refettle tone`, played and recorded
  refettle sound deck.wav --usual -18 --check sound   graded, as an entry for a job's log
  refettle sound deck.wav --usual -18 --job 3         kept in the job as evidence

exit status 1: a tone, tape or test tones were asked for and are not in the recording
"""
LONG = 60.0


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.epilog = EXAMPLES
    parser.add_argument("file", metavar="FILE", help="WAV, AIFF or FLAC, one or two channels")
    parser.add_argument("--mains-hz", type=float, metavar="HZ", help="50 or 60; by default the better fit")
    parser.add_argument("--tape", metavar="HZ", help="tone of a test tape: 3150 or 3000")
    parser.add_argument("--tone", metavar="HZ", help="test tone to read; by default one that outweighs the rest")
    parser.add_argument("--tones", action="store_true", help="it is a recording of the test tones")
    parser.add_argument("--quiet", metavar="FROM-TO", help="seconds in which nothing plays, 2-12; by default found")
    parser.add_argument("--usual", type=float, metavar="DBFS", help="level that a good unit gives at these settings")
    parser.add_argument("--compare", metavar="BEFORE", help="a recording made before the repair")
    entry = parser.add_argument_group("as an entry for a job's log")
    entry.add_argument("--check", metavar="ID", help="the check it decides, such as sound or mechanism.speed-tone")
    entry.add_argument("--speed", action="store_true", help="that check asks for the speed, not for the sound")
    entry.add_argument(
        "--outcome",
        action="append",
        metavar="NAME=SIGN,...",
        help="an outcome and its signs, where they are not those of a sound point; may be repeated",
    )
    entry.add_argument("--channel", choices=["left", "right", "mono"], help="the check sees only this channel")
    entry.add_argument("--silence", action="store_true", help="nothing was meant to play")
    add_job_arguments(parser, "sound")
    parser.add_argument("--low-voltage", action="store_true", help="a unit without mains inside (adapter or batteries)")
    parser.add_argument("--json", action="store_true", help="as JSON")
    parser.set_defaults(run=run_sound)


@contextmanager
def refusing_sound(name: str) -> Iterator[None]:
    """Turn what is wrong with a recording into a refusal that names the file."""
    from refettle.sound import SoundError

    try:
        yield
    except SoundError as error:
        raise Refused(f"{name}: {error}") from None
    except OSError as error:
        raise Refused(f"{name}: {(error.strerror or str(error)).lower()}") from None


def _quiet(text: str | None) -> tuple[float, float] | None:
    if text is None:
        return None
    found = re.fullmatch(r"\s*(\d+(?:\.\d+)?)\s*[-–]\s*(\d+(?:\.\d+)?)\s*s?", text)
    if not found:
        raise Refused(f"--quiet: {text!r} found; allowed: seconds FROM-TO, such as 2-12")
    return float(found[1]), float(found[2])


def _progress(name: str, seconds: float) -> Callable[[float], None] | None:
    """A line on a terminal for recordings that take a while."""
    if seconds < LONG or not sys.stderr.isatty():
        return None

    def tell(share: float) -> None:
        end = "\r" if share < 1.0 else "\r" + " " * (len(name) + 8) + "\r"
        print(f"{name}: {100 * share:3.0f} %", end=end, file=sys.stderr, flush=True)

    return tell


def _read(name: str, args: argparse.Namespace) -> SoundReading:
    from refettle.sound import FileSource, read_sound

    with refusing_sound(name), Path(name).open("rb") as file:
        source = FileSource(file)
        return read_sound(
            source,
            mains_hz=args.mains_hz,
            tone_hz=quantity_option("--tone", args.tone, "Hz"),
            tape_hz=quantity_option("--tape", args.tape, "Hz"),
            quiet=_quiet(args.quiet),
            tones=True if args.tones else None,
            usual_dbfs=args.usual,
            progress=_progress(name, source.frames / source.rate),
        )


def run_sound(args: argparse.Namespace) -> int:
    """Print what a recording says; exit status 1 when a tone that was asked for is not in it."""
    from refettle.cli.cautions import facts_of_cautions, print_cautions

    refuse_lone(args)
    reading = _read(args.file, args)
    comparison = None
    if args.compare is not None:
        from refettle.sound.compare import compare

        with refusing_sound(f"--compare {args.compare}"):
            comparison = compare(_read(args.compare, args), reading)
    entry = _entry(reading, args)
    kept = keep_sound(args, sound_options(args), reading) if args.job is not None else None
    cautions = facts_of_cautions([] if args.low_voltage else ["mains", "hot-chassis", "charged-capacitor"])
    if args.json:
        facts: dict[str, Any] = {"file": args.file, **asdict(reading), "mains": asdict(reading.mains)}
        facts["cautions"] = cautions
        if comparison is not None:
            facts["comparison"] = asdict(comparison)
        if entry is not None:
            facts["entry"] = entry
        if kept is not None:
            facts["kept"] = kept
        print_json(facts)
    else:
        print_cautions(cautions)
        _print(args.file, reading)
        if comparison is not None:
            _print_comparison(args.compare, comparison)
        if entry is not None:
            print(f"\nEntry for the log:\n{json.dumps(entry, ensure_ascii=False)}")
        if kept is not None:
            print_kept(kept)
    lacking = (args.tape is not None and reading.flutter is None) or (
        args.tone is not None and all(each.tone is None for each in reading.channels)
    )
    return DOES_NOT_HOLD if lacking else DONE


def _entry(reading: SoundReading, args: argparse.Namespace) -> dict[str, Any] | None:
    from refettle.sound.evidence import SOUND_OUTCOMES, grades, likelihood, speed_likelihood

    if args.check is None:
        if args.speed or args.outcome or args.channel or (args.silence and args.job is None):
            allowed = "with --check; --silence also with --job"
            raise Refused(f"--speed, --outcome, --channel or --silence without --check; allowed: {allowed}")
        return None
    with refusing_sound("--check"):
        if args.speed:
            graded = speed_likelihood(reading)
            flutter = reading.flutter
            assert flutter is not None
            value = f"speed {flutter.speed}; wow and flutter ±{flutter.weighted}"
        else:
            outcomes = _outcomes(args.outcome) if args.outcome else SOUND_OUTCOMES
            graded = likelihood(reading, outcomes, args.channel, not args.silence)
            signs = {sign for each in outcomes.values() for sign in each}
            told = [each for each in grades(reading, args.channel, not args.silence) if each.sign in signs]
            value = "; ".join(each.why for each in told if each.odds != 1.0) or "nothing that tells good from bad"
    rounded = {outcome: round(number, 6) for outcome, number in graded.items()}
    return {"kind": "check", "check": args.check, "likelihood": rounded, "value": value}


def _outcomes(texts: list[str]) -> dict[str, tuple[str, ...]]:
    found = {}
    for text in texts:
        name, sign, signs = text.partition("=")
        if not sign or not name.strip():
            raise Refused(f"--outcome: {text!r} found; allowed: NAME=SIGN,SIGN such as 'hum or snow=hum,noise'")
        found[name.strip()] = tuple(each.strip() for each in signs.split(",") if each.strip())
    return found


def _print(name: str, reading: SoundReading) -> None:
    from refettle.sound.words import channel_rows, response_rows, whole_rows

    bits = f"{reading.bits} bits" if reading.bits else "floating point"
    count = "two channels" if len(reading.channels) == 2 else "one channel"
    print(f"{name}: {reading.seconds:.1f} s, {count}, {reading.rate} Hz, {bits}")
    stretch = reading.noise_from
    print(f"Noise and hum from {stretch.start:.1f} to {stretch.end:.1f} s ({stretch.why}).")
    print("Levels in dBFS; a sine at full scale is 0 (AES17).")
    for note in reading.notes:
        print(f"Mind: {note}.")
    print()
    if not reading.findings:
        print("Nothing stands out.")
    for finding in reading.findings:
        head = finding.sign.upper() if finding.sign else "NOTE"
        print(f"{head}{' ' + finding.channel if finding.channel else ''}: {finding.says}")
        for cause in finding.points_to:
            print(f"  - {cause}")
    if reading.findings:
        print("(causes: common practice, no source)")
    print()
    reasons: list[str] = []
    heads = ["", *(each.name for each in reading.channels)]
    rows = [[what, *(_numbered(each, reasons) for each in values)] for what, values in channel_rows(reading)]
    print(table([heads, *rows]) + "\n")
    print(table([[what, _numbered(value, reasons)] for what, value in whole_rows(reading)]))
    response = response_rows(reading)
    if response:
        print("\n" + table([["response to 1 kHz", *heads[1:]], *([what, *values] for what, values in response)]))
    for number, reason in enumerate(reasons, 1):
        print(f"{'Withheld:' if number == 1 else '         '} ({number}) {reason}")


def _numbered(value: str, reasons: list[str]) -> str:
    """`withheld (2)` for a long reason, which is listed below the tables once."""
    head, colon, why = value.partition("withheld: ")
    if not colon:
        return value
    if why not in reasons:
        reasons.append(why)
    return f"{head}withheld ({reasons.index(why) + 1})"


def _print_comparison(name: str, comparison: Comparison) -> None:
    print(f"\nAgainst {name}:")
    for note in comparison.notes:
        print(f"Mind: {note}.")
    rows = [
        [
            each.says,
            f"{each.what}{', ' + each.channel if each.channel else ''}",
            "-" if each.before.value is None else str(each.before),
            "-" if each.after.value is None else str(each.after),
            each.why if each.difference is None else str(each.difference),
        ]
        for each in comparison.changes
    ]
    print(table([["", "", "before", "after", "difference"], *rows]))
