"""refettle ripple: a reservoir's capacitance and ESR at work, from a capture of the ripple on its rail."""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from refettle.cli.capture_options import add_choice_arguments, capture_from, choices_from
from refettle.cli.common import DOES_NOT_HOLD, DONE, Refused, print_json, quantity_option
from refettle.cli.keeping import add_job_arguments, keep_ripple, print_kept, refuse_lone, ripple_options
from refettle.quantities import show

if TYPE_CHECKING:
    from refettle.captures import Capture
    from refettle.parts.capacitor import Rated
    from refettle.supply.ripple_result import RippleReading
    from refettle.supply.ripple_verdict import RippleVerdict

EXAMPLES = """\
examples:
  refettle ripple rail.csv --mains-hz 50 --load 0.6A
  refettle ripple rail.csv --mains-hz 50 --load 0.6A --nominal "4700u 25V" --needs 7V --rectifier bridge
  refettle ripple both.csv --mains-hz 60 --channel 1 --current 2    the capacitor's current as second channel
  refettle ripple rail.csv --mains-hz 50 --load 0.6A --ac-coupled 5 --dc-volts 8.2V
  refettle ripple rail.csv --mains-hz 50 --load 0.6A --nominal 4700u --check reservoir.capture
  refettle ripple rail.csv --mains-hz 50 --load 0.6A --nominal 4700u --job 3       kept in the job as evidence

how to capture: DC coupled with the offset turned, the ripple filling the screen, five mains periods or more.
exit status 1: the part is bad, a diode is dead, or the rail falls below --needs
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.epilog = EXAMPLES
    parser.add_argument("file", metavar="FILE", help="CSV or other text, .npy, .npz or .wav; - for standard input")
    parser.add_argument("--mains-hz", type=float, required=True, metavar="HZ", help="50 or 60")
    supply = parser.add_argument_group("what is known of the supply")
    supply.add_argument("--load", metavar="A", help="mean current drawn from the rail; without it C is told per ampere")
    supply.add_argument(
        "--load-tolerance", type=float, default=3.0, metavar="%", help="its largest error; by default 3"
    )
    supply.add_argument("--load-kind", choices=["current", "resistance", "power"],
                        help="current: a linear regulator; power: a switching one; by default left open")  # fmt: skip
    supply.add_argument("--rectifier", choices=["half", "full", "bridge"], help="as built; full is a centre tap")
    supply.add_argument("--secondary", metavar="V", help="the winding without load, rms; of each half of a centre tap")
    supply.add_argument("--nominal", metavar="PART", help="the capacitor as printed: 4700u, '4700u 25V'")
    supply.add_argument("--needs", metavar="V", help="lowest rail the unit works at: regulator output and its dropout")
    capture = parser.add_argument_group("how it was captured")
    capture.add_argument(
        "--current", metavar="CH", help="channel with the current into the capacitor, by name or number"
    )
    capture.add_argument("--dc-volts", metavar="V", help="mean of the rail by a meter")
    capture.add_argument("--ac-coupled", metavar="HZ", help="corner of the instrument's AC coupling, or unknown")
    capture.add_argument(
        "--gain", type=float, default=3.0, metavar="%", help="the instrument's largest error; by default 3"
    )
    entry = parser.add_argument_group("as an entry for a job's log")
    entry.add_argument("--check", metavar="ID", help="the check it decides, such as reservoir.capture")
    entry.add_argument("--bad", action="append", metavar="OUTCOME", help="a bad outcome of it; by default worn")
    entry.add_argument("--diode", action="store_true", help="that check is of the rectifier; bad is half wave")
    add_job_arguments(parser, "reservoir")
    parser.add_argument("--low-voltage", action="store_true", help="a unit without mains inside (adapter or batteries)")
    parser.add_argument("--json", action="store_true", help="as JSON")
    add_choice_arguments(parser)
    parser.set_defaults(run=run_ripple)


@contextmanager
def _refusing() -> Iterator[None]:
    from refettle.captures import CaptureError
    from refettle.parts.capacitor import CapacitorError
    from refettle.supply.ripple_wave import RippleError

    try:
        yield
    except (RippleError, CapacitorError, CaptureError) as error:
        raise Refused(str(error)) from None


def run_ripple(args: argparse.Namespace) -> int:
    """The reading, the verdict and the entry, behind the cautions."""
    from refettle.cli.cautions import facts_of_cautions, print_cautions
    from refettle.supply.ripple_verdict import judge_ripple

    refuse_lone(args)
    nominal = _part(args)
    needs = quantity_option("--needs", args.needs, "V")
    if needs is not None and nominal is None:
        raise Refused("--needs without --nominal; allowed: both")
    channels, args.channel = args.channel, []
    if len(channels) > 1:
        raise Refused(f"--channel: {len(channels)} found; allowed: one, with the rail; the current's is --current")
    capture = capture_from(args.file, choices_from(args))
    with _refusing():
        reading = _read(capture, channels[0] if channels else 1, nominal, args)
        verdict = None if nominal is None else judge_ripple(reading, nominal, needs)
        entry = _entry(reading, nominal, args)
    kept = None
    if args.job is not None:
        kept = keep_ripple(args, ripple_options(args, capture, channels[0] if channels else 1), reading, nominal)
    ids = [*([] if args.low_voltage else ["mains", "hot-chassis"]), "charged-capacitor"]
    cautions = facts_of_cautions(ids)
    if args.json:
        facts = {"file": args.file, **reading_facts(reading), "capture_doubts": capture.doubts, "cautions": cautions}
        if verdict is not None:
            facts["verdict"] = asdict(verdict)
        if entry is not None:
            facts["entry"] = entry
        if kept is not None:
            facts["kept"] = kept
        print_json(facts)
    else:
        print_cautions(cautions)
        _print(reading, verdict, capture)
        if entry is not None:
            print(f"\nEntry for the log:\n{json.dumps(entry, ensure_ascii=False)}")
        if kept is not None:
            print_kept(kept)
    fails = verdict is not None and (verdict.says == "bad" or (verdict.headroom is not None and verdict.headroom < 0.0))
    return DOES_NOT_HOLD if fails or reading.diode == "dead" else DONE


def _part(args: argparse.Namespace) -> Rated | None:
    from refettle.parts.capacitor_text import read_capacitor

    if args.nominal is None:
        return None
    with _refusing():
        return read_capacitor(args.nominal, "aluminium")


def _read(capture: Capture, which: str | int, nominal: Rated | None, args: argparse.Namespace) -> RippleReading:
    from refettle.supply.ripple import read_ripple
    from refettle.supply.ripple_capture import ripple_channel

    volts = ripple_channel(capture, which, "V")
    current = None if args.current is None else ripple_channel(capture, args.current, "A")
    corner: float | str | None = args.ac_coupled
    if corner is None and args.coupling == "ac":
        corner = "unknown"
    if corner not in (None, "unknown"):
        corner = quantity_option("--ac-coupled", str(corner), "Hz")
    return read_ripple(
        capture.step,
        volts.filled,
        mains_hz=args.mains_hz,
        load_amps=quantity_option("--load", args.load, "A"),
        load_tolerance=args.load_tolerance / 100.0,
        load_kind=args.load_kind,
        current=None if current is None else current.filled,
        lsb=volts.lsb,
        current_lsb=None if current is None else current.lsb,
        dc_volts=quantity_option("--dc-volts", args.dc_volts, "V"),
        ac_coupled_hz=corner,  # type: ignore[arg-type]
        rectifier=args.rectifier,
        secondary_volts=quantity_option("--secondary", args.secondary, "V"),
        nominal_farad=None if nominal is None else nominal.farad,
        nominal_tolerance=(nominal.tolerance if nominal else None) or (-0.2, 0.2),
        gain_tolerance=args.gain / 100.0,
    )


def reading_facts(reading: RippleReading) -> dict[str, Any]:
    """A reading as plain values."""
    facts = asdict(reading)
    if reading.posterior is not None:
        facts["posterior"] = {
            "ln_farad": float(reading.posterior.mean[0]),
            "tau": float(reading.posterior.mean[1]),
            "covariance": reading.posterior.cov.tolist(),
            "scaled": reading.posterior.scaled,
        }
    return facts


def _entry(reading: RippleReading, nominal: Rated | None, args: argparse.Namespace) -> dict[str, Any] | None:
    from refettle.supply.ripple_verdict import diode_likelihood, ripple_likelihood

    if args.check is None:
        if args.bad or args.diode:
            raise Refused("--bad or --diode without --check; allowed: with --check")
        return None
    if args.diode:
        graded = diode_likelihood(reading, ("good", *(args.bad or ["half wave"])))
    elif nominal is None:
        raise Refused("--check without --nominal; allowed: both, as a part is judged against what is printed on it")
    else:
        graded = ripple_likelihood(reading, nominal, ("good", *(args.bad or ["worn"])))
    likelihood = {outcome: round(value, 6) for outcome, value in graded.items()}
    return {"kind": "check", "check": args.check, "likelihood": likelihood, "value": reading.text}


def diode_words(reading: RippleReading) -> str:
    """The rectifier in a sentence."""
    if reading.diode == "dead":
        return "One half of the full-wave rectifier is dead: the rail is filled once in each mains period"
    if reading.diode == "either":
        return "Half wave, or full wave with a dead diode: filled once in each mains period"
    if reading.diode == "uneven":
        return f"Full wave with unlike halves, {100 * (reading.uneven or 0.0):.0f} % apart: a diode, joint or winding"
    return f"{reading.wave.capitalize()} wave"


def _print(reading: RippleReading, verdict: RippleVerdict | None, capture: Capture) -> None:
    if verdict is not None:
        of = f"{100 * verdict.sound:.0f} in 100 are those of a sound part, {100 * verdict.bad:.0f} in 100 of a bad one"
        print(f"{verdict.says.upper()}. Of the values this capture leaves open, {of}.")
        for reason in verdict.reasons:
            print(f"  {reason}")
        print()
    figures = [("C", reading.farad), ("ESR", reading.esr), (f"tan δ at {reading.loss_hz:g} Hz", reading.loss),
               ("load", reading.load)]  # fmt: skip
    if reading.farad.how == "withheld" and reading.farad_per_amp.how != "withheld":
        figures.insert(1, ("C for each A", reading.farad_per_amp))
    for name, figure in figures:
        print(f"{name}: {figure}" + (f"   [{figure.why}]" if figure.why else ""))
    print(f"{diode_words(reading)}; mains {reading.mains_hz:.2f} Hz, {reading.periods:.1f} periods.")
    level = [f"ripple {show(reading.ripple, 'V')} peak to peak"]
    for name, value in (("mean", reading.mean), ("valley", reading.valley), ("at 90 % mains", reading.valley_low)):
        if value is not None:
            level.append(f"{name} {show(value, 'V')}")
    print("Rail: " + ", ".join(level) + ".")
    if reading.lsb > 0.0:
        print(f"Left beside the fitted supply: {reading.residual:.2f} steps of the converter (noise alone "
              f"{reading.noise:.2f}); {100 * reading.misfit:.2f} % of the ripple not followed.")  # fmt: skip
    for title, lines in (
        ("Not told by this capture:", reading.cannot),
        ("Capture instead:", reading.instead),
        ("In doubt:", (*reading.doubts, *capture.doubts)),
        ("Note:", reading.notes),
    ):
        if lines:
            print(title)
            for line in lines:
                print(f"- {line}")
