"""refettle tone: write the test tones, to play through a unit or to record on its tape."""

from __future__ import annotations

import argparse
from pathlib import Path

from refettle.cli.common import DONE, Refused, print_json, table

CAUTIONS = ("loud-sound",)
EXAMPLES = """\
examples:
  refettle tone tones.wav
  refettle tone tones.wav --rate 44100 --bits 24
  refettle sound back.wav --tones      what came back
"""
WHAT = {
    "silence": "silence: noise and hum",
    "both": "997 Hz, −10 dBFS, both: balance, polarity, THD+N",
    "left": "997 Hz, left only: exchanged channels, crosstalk",
    "right": "997 Hz, right only",
    "sweep": "20 Hz to 20 kHz, −20 dBFS, both: response",
    "tape": "3150 Hz, −10 dBFS, both: speed, wow and flutter",
    "end": "end marker",
}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.epilog = EXAMPLES
    parser.add_argument("file", metavar="OUT.wav", help="the file to write")
    parser.add_argument("--rate", type=int, default=48_000, help="44100, 48000, 88200 or 96000 Hz; by default 48000")
    parser.add_argument("--bits", type=int, default=16, choices=[16, 24], help="by default 16")
    parser.add_argument("--over", action="store_true", help="write over a file that is there")
    parser.add_argument("--json", action="store_true", help="as JSON")
    parser.set_defaults(run=run_tone)


def run_tone(args: argparse.Namespace) -> int:
    """Write the file and say what is in it."""
    import soundfile

    from refettle.cli.cautions import facts_of_cautions, print_cautions
    from refettle.cli.sound import refusing_sound
    from refettle.sound.tones import LEAD, make_tones, planned

    path = Path(args.file)
    if path.suffix.lower() != ".wav":
        raise Refused(f"{args.file}: a name without .wav found; allowed: OUT.wav")
    if path.exists() and not args.over:
        raise Refused(f"{args.file}: there already; allowed: another name, or --over")
    with refusing_sound(args.file):
        samples = make_tones(args.rate)
        try:
            soundfile.write(path, samples, args.rate, subtype=f"PCM_{args.bits}", format="WAV")
        except soundfile.SoundFileError:
            raise Refused(
                f"{args.file}: cannot be written; allowed: a folder that is there and may be written"
            ) from None
    cautions = facts_of_cautions(CAUTIONS)
    seconds = len(samples) / args.rate
    plan = {name: (LEAD + start, LEAD + end) for name, (start, end) in planned().items()}
    if args.json:
        parts = [{"part": name, "start": start, "end": end} for name, (start, end) in plan.items()]
        print_json({"file": args.file, "rate": args.rate, "bits": args.bits, "seconds": seconds, "parts": parts,
                    "cautions": cautions})  # fmt: skip
        return DONE
    print_cautions(cautions)
    print(f"{args.file}: {seconds:.1f} s, two channels, {args.rate} Hz, {args.bits} bits")
    print(f"  {LEAD:.1f} s  start marker, which tells the parts apart when it comes back")
    rows = [[f"  {start:.1f} to {end:.1f} s", WHAT[name]] for name, (start, end) in plan.items()]
    print(table(rows))
    print(
        "Play it through the unit, or record it on tape and play that. Record what comes out whole, both markers in "
        "it, at a setting that leaves 6 dB above the loudest; then: refettle sound BACK.wav --tones"
    )
    return DONE
