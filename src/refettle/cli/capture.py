"""refettle capture: what was understood of a file from an oscilloscope, meter or sound card, and what to doubt."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING, Any

from refettle.cli.capture_options import add_choice_arguments, capture_from, choices_from
from refettle.cli.common import DOES_NOT_HOLD, DONE, print_json, table

if TYPE_CHECKING:
    from refettle.captures import Capture, Channel

EXAMPLES = """\
examples:
  refettle capture rail.csv
  refettle capture rail.csv --probe 10 --expect 9V      the probe's factor was forgotten
  refettle capture column.txt --interval 80u --unit mV  one column of numbers
  refettle capture card.wav --full-scale 2.1V           a sound card as an oscilloscope

exit status 1 means that what was read is far from what --expect names
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.epilog = EXAMPLES
    parser.add_argument("file", metavar="FILE", help="CSV or other text, .npy, .npz or .wav; - for standard input")
    parser.add_argument("--json", action="store_true", help="as JSON")
    add_choice_arguments(parser)
    parser.set_defaults(run=run_capture)


def figures(channel: Channel) -> dict[str, Any]:
    """Lowest, mean, highest, peak to peak, step and counts of a channel; None without a reading."""
    import numpy as np

    real = channel.values[np.isfinite(channel.values)]
    some = real.size > 0
    return {
        "name": channel.name,
        "unit": channel.unit,
        "lowest": float(real.min()) if some else None,
        "mean": float(real.mean()) if some else None,
        "highest": float(real.max()) if some else None,
        "peak_to_peak": float(np.ptp(real)) if some else None,
        "ripple_rms": float(real.std()) if some else None,
        "lsb": channel.lsb,
        "clipped": channel.clipped,
        "missing": channel.missing,
    }


def capture_facts(capture: Capture) -> dict[str, Any]:
    """A capture as plain values, without its samples."""
    return {
        "kind": capture.kind,
        "step": capture.step,
        "start": capture.start,
        "rate": capture.rate,
        "samples": len(capture),
        "duration": capture.duration,
        "channels": [figures(channel) for channel in capture.channels],
        "understood": capture.understood,
        "doubts": capture.doubts,
    }


def run_capture(args: argparse.Namespace) -> int:
    """Print what was understood; exit status 1 where --expect is far off."""
    from refettle.cli.cautions import facts_of_cautions, print_cautions

    capture = capture_from(args.file, choices_from(args))
    off = args.expect is not None and any("expected" in each or "times too" in each for each in capture.doubts)
    cautions = facts_of_cautions(["mains", "charged-capacitor"]) if capture.doubts else []
    if args.json:
        print_json({"file": args.file, **capture_facts(capture), "cautions": cautions})
    else:
        print_capture(capture)
        if cautions:
            print("\nBefore probing again:\n")
            print_cautions(cautions)
    return DOES_NOT_HOLD if off else DONE


def print_capture(capture: Capture) -> None:
    """What was understood, the figures of each channel, the doubts."""
    from refettle.quantities import show

    print("Understood:")
    for line in capture.understood:
        print(f"  {line}")
    print(f"\n{len(capture)} samples, {show(capture.step, 's', 6)} apart, {show(capture.duration, 's', 4)} in all\n")
    heads = ["channel", "lowest", "mean", "highest", "peak to peak", "step", "stuck", "missing"]
    rows = []
    for channel in capture.channels:
        facts = figures(channel)
        values = [facts[key] for key in ("lowest", "mean", "highest", "peak_to_peak", "lsb")]
        shown = ["none" if value is None else show(value, channel.unit, 4) for value in values]
        rows.append([channel.name, *shown, str(channel.clipped), str(channel.missing)])
    print(table([heads, *rows]))
    if capture.doubts:
        print("\nLook at this first:")
        for doubt in capture.doubts:
            print(f"  {doubt}")
