"""refettle capacitor: health, substitutes, discharge and cleaning, from what is typed at the bench."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

from refettle.cli.common import DOES_NOT_HOLD, DONE, Refused, print_json, quantity_option, table
from refettle.quantities import show

if TYPE_CHECKING:
    from refettle.parts.capacitor import Rated
    from refettle.parts.health import Risk
    from refettle.parts.health_readings import BenchReading, Quantity, Verdict
    from refettle.parts.substitutes import Assessment

KIND_HELP = "aluminium, low-impedance, bipolar, tantalum, polymer, film, ceramic, mica, paper"
PART_HELP = f"the part in words: '100u 25V 105C aluminium esr=0.3@100k pitch=2.5 diameter=6.3'; kinds: {KIND_HELP}"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    actions = parser.add_subparsers(title="actions", dest="action", metavar="ACTION", required=True)
    _add_health(actions.add_parser("health", help="how likely it is bad, by age and by readings"))
    _add_substitute(actions.add_parser("substitute", help="what may replace it, and what not, with the rule"))
    _add_discharge(actions.add_parser("discharge", help="time to a safe voltage, energy, resistor"))
    _add_clean(actions.add_parser("clean", help="how to clean up a leak, alkaline or not"))


def _add_common(parser: argparse.ArgumentParser, run: Callable[[argparse.Namespace], int]) -> None:
    parser.add_argument("--json", action="store_true", help="as JSON")
    parser.set_defaults(run=run)


def _add_low_voltage(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--low-voltage", action="store_true", help="a unit without mains inside (adapter or batteries)")


def _add_health(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("part", metavar="PART", help=PART_HELP)
    age = parser.add_argument_group("age and use")
    age.add_argument("--made", type=int, metavar="YEAR", help="year made")
    age.add_argument("--now", type=int, metavar="YEAR", help="by default this year")
    age.add_argument("--hours", type=float, help="running hours; by default two a day for ten years")
    age.add_argument("--running", type=float, default=45.0, metavar="°C", help="at the part, running; by default 45")
    age.add_argument("--stored", type=float, default=20.0, metavar="°C", help="at the part, stored; by default 20")
    age.add_argument("--volts", metavar="V", help="across it in use")
    age.add_argument("--on-mains", action="store_true", help="it sits across the mains or from mains to chassis")
    seen = parser.add_argument_group("readings, each with its frequency")
    seen.add_argument("--c", metavar="F@HZ", help="capacitance, 180u@120")
    seen.add_argument("--esr", metavar="OHM@HZ", help="series resistance, 0.8@100k")
    seen.add_argument("--tan", metavar="D@HZ", help="loss angle tan δ, 0.2@120")
    seen.add_argument("--leakage", metavar="A@V[@MIN]", help="leakage current, 15u@25@2")
    seen.add_argument("--at", type=float, default=20.0, metavar="°C", help="temperature of the readings; by default 20")
    seen.add_argument("--in-circuit", action="store_true", help="both legs still in the board")
    seen.add_argument("--rule", help="leakage rule: general, low-leakage, bipolar, tantalum, polymer, valve-era")
    seen.add_argument("--not-reformed", action="store_true", help="long without voltage and not re-formed")
    seen.add_argument("--seen", choices=["leaked", "domed", "vented", "cracked", "clean"], help="what a look shows")
    entry = parser.add_argument_group("as an entry for a job's log")
    entry.add_argument("--check", metavar="ID", help="the check it decides, such as reservoir.esr")
    entry.add_argument("--bad", action="append", metavar="OUTCOME", help="a bad outcome of that check; may be repeated")
    _add_low_voltage(parser)
    _add_common(parser, run_health)


def _add_substitute(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("part", metavar="ORIGINAL", help=PART_HELP)
    parser.add_argument("--with", dest="candidates", action="append", default=[], metavar="PART", help="a candidate")
    parser.add_argument("--list", metavar="FILE", help="candidates, one a line; - reads standard input")
    place = parser.add_argument_group("where it sits")
    place.add_argument("--place", default="unknown", metavar="ROLE",
                       help="rail, between rails, bias, filter, timing, tuning, signal, mains, unknown")  # fmt: skip
    place.add_argument("--volts", metavar="V", help="across it in use")
    place.add_argument("--switching", action="store_true", help="something switches here")
    place.add_argument("--ripple", metavar="A", help="ripple current it must carry")
    place.add_argument("--regulator", action="append", default=[], metavar="REF", help="a regulator on the same rail")
    place.add_argument("--esr-least", metavar="OHM", help="least ESR the regulator needs; 0 if none")
    place.add_argument("--esr-most", metavar="OHM", help="most ESR allowed")
    place.add_argument("--leakage-most", metavar="A", help="most leakage allowed")
    place.add_argument("--safety", choices=["X", "Y"], help="X across the mains, Y from mains to ground or chassis")
    place.add_argument("--room-diameter", type=float, metavar="MM", help="room for the body, across")
    place.add_argument("--room-height", type=float, metavar="MM", help="room for the body, in height")
    place.add_argument("--polarity-unsettled", action="store_true", help="fitted, printed and measured do not agree")
    _add_low_voltage(parser)
    _add_common(parser, run_substitute)


def _add_discharge(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("capacitance", metavar="FARAD", help="220u")
    parser.add_argument("volts", metavar="VOLT", help="across it now, 325")
    parser.add_argument("resistor", metavar="OHM", nargs="?", default="2k2", help="the bleeder; by default 2k2")
    parser.add_argument("--safe", default="30", metavar="V", help="safe voltage; by default 30, up to 60")
    parser.add_argument("--leaked", action="store_true", help="fluid has come out of it")
    _add_low_voltage(parser)
    _add_common(parser, run_discharge)


def _add_clean(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("leak", metavar="WHAT", help="capacitor, 'alkaline cell', 'nickel-cadmium cell', "
                        "'zinc-carbon cell', 'lithium cell', unknown")  # fmt: skip
    parser.add_argument("--ph", type=float, help="what pH paper says, 0 to 14")
    _add_common(parser, run_clean)


@contextmanager
def _refusing() -> Iterator[None]:
    from refettle.parts.capacitor import CapacitorError
    from refettle.quantities import QuantityError

    try:
        yield
    except (CapacitorError, QuantityError) as error:
        raise Refused(str(error)) from None


def _reading(option: str, text: str, quantity: Quantity, args: argparse.Namespace) -> BenchReading:
    from refettle.parts.capacitor import CapacitorError
    from refettle.parts.health_readings import UNITS, BenchReading

    pieces = text.split("@")
    if quantity == "leakage":
        if not 2 <= len(pieces) <= 3:
            raise Refused(f"{option}: {text!r} found; allowed: current, volts and minutes, such as 15u@25@2")
    elif len(pieces) != 2:
        raise Refused(f"{option}: {text!r} found; allowed: a value and its frequency, such as 0.8@100k")
    value = quantity_option(option, pieces[0], UNITS[quantity])
    second = quantity_option(option, pieces[1], "V" if quantity == "leakage" else "Hz")
    minutes = quantity_option(option, pieces[2], "") if len(pieces) == 3 else None
    assert value is not None
    try:
        if quantity == "leakage":
            return BenchReading(
                quantity, value, celsius=args.at, volt=second, minutes=minutes, in_circuit=args.in_circuit
            )
        return BenchReading(quantity, value, second, args.at, in_circuit=args.in_circuit)
    except CapacitorError as error:
        raise Refused(f"{option}: {error}") from None


def run_health(args: argparse.Namespace) -> int:
    """Risk by age, verdict by readings; exit status 1 when the readings say bad."""
    from refettle.cli.cautions import facts_of_cautions, print_cautions
    from refettle.parts.capacitor_text import read_capacitor
    from refettle.parts.health_readings import judge

    given: tuple[tuple[str, str | None, Quantity], ...] = (
        ("--c", args.c, "capacitance"),
        ("--esr", args.esr, "esr"),
        ("--tan", args.tan, "dissipation"),
        ("--leakage", args.leakage, "leakage"),
    )
    readings = [_reading(option, text, quantity, args) for option, text, quantity in given if text is not None]
    if not readings and args.seen is None and args.made is None:
        raise Refused("nothing to go by; allowed: --made YEAR, a reading such as --esr 0.8@100k, or --seen")
    with _refusing():
        rated = read_capacitor(args.part)
        found = _risk(rated, args) if args.made is not None else None
        verdict = None
        if readings or args.seen is not None:
            verdict = judge(rated, readings, rule=args.rule, seen=args.seen, reformed=not args.not_reformed)
        entry = _entry(verdict, args)
    ids = [*([] if args.low_voltage else ["mains"]), "charged-capacitor"]
    if args.seen in ("leaked", "vented"):
        ids.append("leaked-electrolyte")
    if args.leakage is not None or args.not_reformed:
        ids.append("burst")
    cautions = facts_of_cautions(ids)
    if args.json:
        facts: dict[str, Any] = {"part": _part_facts(rated), "cautions": cautions}
        if found is not None:
            facts["risk"] = {**asdict(found), "formula": found.formula}
        if verdict is not None:
            facts["verdict"] = {
                "says": verdict.says,
                "odds_good_to_bad": verdict.odds,
                "likelihood": verdict.likelihood(),
                "readings": [asdict(each) for each in verdict.judged],
                "reasons": verdict.reasons,
            }
        if entry is not None:
            facts["entry"] = entry
        print_json(facts)
    else:
        print_cautions(cautions)
        if found is not None:
            _print_risk(found)
        if verdict is not None:
            _print_verdict(verdict)
        if entry is not None:
            print(f"\nEntry for the log:\n{json.dumps(entry, ensure_ascii=False)}")
    return DOES_NOT_HOLD if verdict is not None and verdict.says == "bad" else DONE


def _risk(rated: Rated, args: argparse.Namespace) -> Risk:
    from datetime import date

    from refettle.parts.health import Use, risk

    now = args.now if args.now is not None else date.today().year
    volt = quantity_option("--volts", args.volts, "V")
    mains = bool(rated.safety) or args.on_mains
    return risk(rated, Use(args.made, now, args.hours, args.running, args.stored, volt, mains))


def _entry(verdict: Verdict | None, args: argparse.Namespace) -> dict[str, Any] | None:
    if args.check is None:
        if args.bad:
            raise Refused("--bad without --check; allowed: both")
        return None
    if verdict is None:
        raise Refused("--check without a reading; allowed: with a reading or --seen")
    likelihood = {outcome: round(value, 6) for outcome, value in verdict.likelihood(args.bad or ["bad"]).items()}
    text = verdict.text or f"seen: {args.seen}"
    return {"kind": "check", "check": args.check, "likelihood": likelihood, "value": text}


def _print_risk(found: Risk) -> None:
    from refettle.parts.health import URGENCIES

    print(f"By age and kind (estimate): {100 * found.chance:.0f} of 100 like it are bad, "
          f"{100 * found.low:.0f} to {100 * found.high:.0f}.  {found.formula}")  # fmt: skip
    for cause in found.causes:
        print(f"  {cause.name}: {100 * cause.chance:.1f} %  ({cause.source})")
    print(f"  Do: {URGENCIES[found.urgency]}.")
    for reason in found.reasons:
        print(f"  {reason}")


def _print_verdict(verdict: Verdict) -> None:
    print(f"By its readings: {verdict.says}, good to bad {verdict.odds:.3g} to 1.")
    for each in verdict.judged:
        word = {True: "within its limit", False: "beyond its limit", None: "not assessed"}[each.passes]
        print(f"  {each.reading}: {word}")
        for reason in each.reasons:
            print(f"    {reason}")
        if each.source:
            print(f"    limit: {each.source}")
    for reason in verdict.reasons:
        print(f"  {reason}")


def _part_facts(rated: Rated) -> dict[str, Any]:
    facts = {name: value for name, value in asdict(rated).items() if value not in (None, "", frozenset())}
    if rated.safety:
        facts["safety"] = sorted(rated.safety)
    return facts


def run_substitute(args: argparse.Namespace) -> int:
    """Each candidate with every rule; exit status 1 when all are refused."""
    from refettle.cli.cautions import facts_of_cautions, print_cautions
    from refettle.parts.capacitor_text import read_capacitor
    from refettle.parts.substitute_place import Place
    from refettle.parts.substitutes import compare

    texts = [*args.candidates, *(_lines(args.list) if args.list is not None else [])]
    if not texts:
        raise Refused("no candidate found; allowed: --with PART, or --list FILE")
    with _refusing():
        original = read_capacitor(args.part)
        candidates = [read_capacitor(text if "name=" in text else f"{text} name={_named(text)}") for text in texts]
        place = Place(
            role=args.place,
            volt=quantity_option("--volts", args.volts, "V"),
            switching=args.switching,
            esr_least=quantity_option("--esr-least", args.esr_least, "Ω"),
            esr_most=quantity_option("--esr-most", args.esr_most, "Ω"),
            regulators=tuple(args.regulator),
            leakage_most=quantity_option("--leakage-most", args.leakage_most, "A"),
            ripple=quantity_option("--ripple", args.ripple, "A"),
            safety=args.safety,
            room_diameter=None if args.room_diameter is None else args.room_diameter / 1000.0,
            room_height=None if args.room_height is None else args.room_height / 1000.0,
            polarity_settled=not args.polarity_unsettled,
        )
        assessed = compare(original, candidates, place)
    ids = [*([] if args.low_voltage and not original.safety and args.safety is None else ["mains"]),
           "charged-capacitor", "solder-fume", "burst"]  # fmt: skip
    cautions = facts_of_cautions(ids)
    if args.json:
        print_json({"original": _part_facts(original), "candidates": [_assessment_facts(each) for each in assessed],
                    "cautions": cautions})  # fmt: skip
    else:
        print_cautions(cautions)
        for each in assessed:
            print(f"{each.says.upper()}: {each.candidate.name.replace('_', ' ')}")
            rows = [[finding.says, finding.rule, finding.reason, finding.source] for finding in each.findings]
            print(table([["says", "rule", "reason", "source"], *rows]) + "\n")
    return DOES_NOT_HOLD if all(each.says == "refused" for each in assessed) else DONE


def _named(text: str) -> str:
    return "_".join(text.split()).replace(";", "_")


def _assessment_facts(each: Assessment) -> dict[str, Any]:
    facts = _part_facts(each.candidate)
    facts["name"] = each.candidate.name.replace("_", " ")
    return {
        "says": each.says,
        "candidate": facts,
        "check_first": [finding.reason for finding in each.check_first],
        "findings": [asdict(finding) for finding in each.findings],
    }


def _lines(name: str) -> list[str]:
    try:
        raw = sys.stdin.buffer.read() if name == "-" else Path(name).read_bytes()
        text = raw.decode("utf-8-sig")
    except OSError as error:
        raise Refused(f"--list {name}: {(error.strerror or str(error)).lower()}") from None
    except UnicodeDecodeError:
        raise Refused(f"--list {name}: bytes that are no UTF-8; allowed: text in UTF-8") from None
    return [line.strip() for line in text.splitlines() if line.strip() and not line.startswith("#")]


def run_discharge(args: argparse.Namespace) -> int:
    """Time, energy and resistor, behind the cautions."""
    from refettle.cli.cautions import facts_of_cautions, print_cautions
    from refettle.parts.discharge import HAZARDS, discharge

    farad = quantity_option("FARAD", args.capacitance, "F")
    volt = quantity_option("VOLT", args.volts, "V")
    ohm = quantity_option("OHM", args.resistor, "Ω")
    safe = quantity_option("--safe", args.safe, "V")
    assert farad is not None
    assert volt is not None
    assert ohm is not None
    assert safe is not None
    with _refusing():
        found = discharge(farad, volt, ohm, safe=safe, mains_unit=not args.low_voltage, leaked=args.leaked)
    cautions = facts_of_cautions(found.cautions)
    if args.json:
        print_json({**asdict(found), "hazard_text": HAZARDS[found.hazard], "cautions": cautions})
        return DONE
    print_cautions(cautions)
    print(f"{show(farad, 'F')} at {show(volt, 'V')} holds {show(found.energy, 'J')}: {HAZARDS[found.hazard]}.")
    print(f"Through {show(ohm, 'Ω')} it takes up to {show(found.seconds, 's')} to {show(safe, 'V')} and "
          f"{show(found.hands_seconds, 's')} to the {show(min(10.0, safe), 'V')} for hands, "
          f"five time constants {show(5 * found.tau, 's')}.")  # fmt: skip
    print(f"It starts with {show(found.peak_ampere, 'A')} and {show(found.peak_watt, 'W')}: wire-wound of "
          f"{show(found.tool_watt, 'W')} or more if held on by hand, {show(found.fitted_watt, 'W')} if it stays "
          "across the running supply.")  # fmt: skip
    for note in found.notes:
        print(f"- {note}")
    return DONE


def run_clean(args: argparse.Namespace) -> int:
    """The steps for one leak, behind the cautions."""
    from refettle.cli.cautions import facts_of_cautions, print_cautions
    from refettle.parts.discharge import cleaning

    with _refusing():
        found = cleaning(args.leak, args.ph)
    cautions = facts_of_cautions(found.cautions)
    if args.json:
        print_json({**asdict(found), "cautions": cautions})
        return DONE
    print_cautions(cautions)
    for reason in found.reasons:
        print(reason)
    for number, step in enumerate(found.steps, 1):
        print(f"{number}. {step}")
    return DONE
