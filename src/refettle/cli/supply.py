"""refettle supply: what a supply's rails do at low and high mains, with aged parts, and with parts missing."""

from __future__ import annotations

import argparse
import re
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

from refettle.cli.common import DOES_NOT_HOLD, DONE, Refused, print_json, table
from refettle.quantities import QuantityError, parse, show

if TYPE_CHECKING:
    from refettle.knowledge.supply_files import LoadedSupply
    from refettle.supply.report import Ageing, Bench, Case
    from refettle.supply.spread import MonteCarlo, Quantity, WorstCase

END_OF_LIFE = "70%,2"
CASE_FIELDS = ("mains", "held", "mean", "ripple", "valley", "peak", "capacitor_rms", "winding_rms", "rectifier_peak",
               "rectifier_heat", "diode_junction")  # fmt: skip
EXAMPLES = """\
examples:
  refettle supply larkmere-48                          a unit type that has a supply section, all three mains
  refettle supply own-supply.yaml --mains low --aged 45%,8
  refettle supply larkmere-48 --mains high --missing heat-sink
  refettle supply larkmere-48 --monte-carlo 10000 --seed 1

The file is described in docs/supply.md. Exit status 1: something is bad.
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.epilog = EXAMPLES
    parser.add_argument("file", metavar="FILE", help="a supply file, or a unit type with a supply section")
    parser.add_argument(
        "--mains", metavar="WHICH", help="low, nominal, high, or volts such as 215; by default all three"
    )
    parser.add_argument("--aged", metavar="C,ESR", nargs="?", const=END_OF_LIFE,
                        help="part of C left and times its ESR, 45%%,8; without figures 70%%,2")  # fmt: skip
    parser.add_argument("--missing", action="append", default=[], metavar="PART",
                        help="heat-sink, pad, paste or clip; may be repeated")  # fmt: skip
    parser.add_argument("--monte-carlo", type=int, metavar="N", help="so many variants with the spread of the parts")
    parser.add_argument("--seed", type=int, default=0, help="of the variants; by default 0")
    parser.add_argument("--discharge", metavar="OHM", help="the resistor the reservoir is emptied through")
    parser.add_argument("--json", action="store_true", help="as JSON")
    parser.set_defaults(run=run_supply)


def run_supply(args: argparse.Namespace) -> int:
    """The cases, the bench's figures and the spread, behind the cautions; exit status 1 where something is bad."""
    from refettle.cli.cautions import facts_of_cautions, print_cautions
    from refettle.supply.report import CAUTIONS, MAINS, ageing, assess, bench
    from refettle.supply.spread import monte_carlo, worst_case
    from refettle.supply.values import SupplyError

    loaded = load(args.file)
    aged, ohm = read_aged(args.aged), _ohm(args.discharge)
    try:
        named = [read_mains(args.mains)] if args.mains else list(MAINS)
        cases = {
            str(each): assess(loaded.supply, each, aged=aged, missing=args.missing, serves=loaded.serves)
            for each in named
        }
        on_bench = bench(loaded.supply, ohm, running=next(iter(cases.values())))
        ages = [each for mains in ("low", "nominal") for each in ageing(loaded.supply, mains)]
        worst = worst_case(loaded.supply, aged=aged, missing=args.missing)
        drawn = None
        if args.monte_carlo is not None:
            drawn = monte_carlo(loaded.supply, args.monte_carlo, args.seed, aged=aged, missing=args.missing)
    except SupplyError as error:
        raise Refused(str(error)) from None
    cautions = facts_of_cautions(CAUTIONS)
    findings = [*on_bench.findings, *(f for case in cases.values() for f in case.findings)]
    if args.json:
        print_json(
            {
                "name": loaded.name,
                "assumed": loaded.assumed,
                "aged": {"capacitance": aged[0], "esr": aged[1]},
                "missing": args.missing,
                "cases": {name: case_facts(case) for name, case in cases.items()},
                "bench": asdict(on_bench),
                "ageing": [asdict(each) for each in ages],
                "worst_case": [asdict(each) for each in worst],
                "monte_carlo": None if drawn is None else spread_facts(drawn),
                "cautions": cautions,
            }
        )
    else:
        print_cautions(cautions)
        if loaded.supply.own_mains:
            print("The mains side is for a qualified person. Measure on the isolated secondary only.\n")
        _print(loaded, cases)
        _print_bench(loaded, on_bench, ages, worst)
        if drawn is not None:
            _print_spread(drawn)
    return DOES_NOT_HOLD if any(each.level == "bad" for each in findings) else DONE


def load(name: str) -> LoadedSupply:
    """A supply file, or the supply section of a unit type. Refused where there is neither."""
    import os

    from refettle.book.typefiles import NoSuchTypeError, load_named
    from refettle.knowledge.errors import KnowledgeError
    from refettle.knowledge.parsing import read_text_file
    from refettle.knowledge.supply_files import parse_supply, supply_of
    from refettle.web.environment import EnvironmentVariableError, read_options

    try:
        path = Path(name)
        if path.suffix in (".yaml", ".yml"):
            text = read_text_file(path, path.name)
            if not re.search(r"^unit_type\s*:", text, re.M):
                return parse_supply(text, path.name)
        home = read_options(os.environ).home
        unit = load_named(name, home.types, home.kinds)
        if unit.unit_type.supply is None:
            raise Refused(f"{name}: found no supply section; allowed: a unit type that has one, or a supply file")
        return supply_of(unit.unit_type.supply, unit.name, unit.file)
    except (KnowledgeError, NoSuchTypeError, EnvironmentVariableError) as error:
        raise Refused(str(error)) from None


def read_mains(text: str) -> str | float:
    """low, nominal, high, or [V]. Refused where it is neither."""
    if text in ("low", "nominal", "high"):
        return text
    try:
        return parse(text, "V")
    except QuantityError:
        raise Refused(f"--mains: found {text!r}; allowed: low, nominal, high, or volts such as 215") from None


def read_aged(text: str | None) -> tuple[float, float]:
    """Part of the capacitance left, factor on the ESR: `45%,8` or `0.45,8`. Refused where it is neither."""
    if text is None:
        return 1.0, 1.0
    found = re.fullmatch(r"\s*(\d+(?:\.\d+)?)\s*(%?)\s*,\s*(\d+(?:\.\d+)?)\s*", text)
    if not found:
        raise Refused(f"--aged: found {text!r}; allowed: part of C left and times its ESR, such as 45%,8")
    return float(found[1]) / (100.0 if found[2] else 1.0), float(found[3])


def _ohm(text: str | None) -> float | None:
    if text is None:
        return None
    try:
        return parse(text, "Ω")
    except QuantityError as error:
        raise Refused(f"--discharge: {error}") from None


def case_facts(case: Case) -> dict[str, Any]:
    """A case as plain values, without its waveforms."""
    kept = {name: getattr(case, name) for name in CASE_FIELDS}
    return {
        **kept,
        "rails": [asdict(rail) for rail in case.rails],
        "life_hours": case.life.claimed if case.life else None,
        "findings": [asdict(each) for each in case.findings],
    }


def spread_facts(drawn: MonteCarlo) -> dict[str, Any]:
    """Shares, percentiles and histograms as plain values."""

    def quantity(each: Quantity) -> dict[str, Any]:
        edges, counts = each.histogram()
        return {
            "unit": each.unit,
            "percentiles": each.percentiles,
            "histogram": {"edges": edges.tolist(), "counts": counts.tolist()},
        }

    return {
        "count": drawn.count,
        "seed": drawn.seed,
        "broken_down": drawn.broken_down,
        "reservoir": {name: quantity(getattr(drawn, name)) for name in ("mean", "ripple", "valley", "capacitor_rms")},
        "rails": [
            {
                "name": rail.name,
                "drops_out": rail.drops_out,
                "shuts_down": rail.shuts_down,
                **{name: quantity(getattr(rail, name)) for name in ("headroom", "depth", "heat", "junction")},
            }
            for rail in drawn.rails
        ],
    }


def _print(loaded: LoadedSupply, cases: dict[str, Case]) -> None:
    part = loaded.supply.reservoir
    print(f"{loaded.name}: reservoir {show(part.farad, 'F')} with {show(part.esr, 'Ω')}")
    for line in loaded.assumed:
        print(f"assumed: {line}")
    rows = [["mains", "reservoir", "valley", "ripple", "ripple current", "rectifier heat"]]
    for name, case in cases.items():
        rows.append(
            [
                f"{name} {case.mains:.3g} V" if name[0].isalpha() else f"{case.mains:.3g} V",
                show(case.mean, "V"),
                show(case.valley, "V"),
                show(case.ripple, "V"),
                show(case.capacitor_rms, "A", 2),
                show(case.rectifier_heat, "W", 2),
            ]
            if case.held
            else [f"{name} {case.mains:.3g} V", "breaks down", "", "", "", ""]
        )
    print(f"\n{table(rows)}\n")
    rows = [["mains", "rail", "volts", "headroom", "dips", "ripple", "heat", "junction"]]
    for name, case in cases.items():
        for rail in case.rails if case.held else ():
            dips = f"{rail.depth:.2g} V, {rail.share:.0%} of the time" if rail.depth else "none"
            hot = "shuts down" if rail.junction is None else f"{rail.junction:.0f} °C"
            rows.append([name, rail.name, show(rail.mean, "V"), f"{rail.headroom:.2f} V", dips,
                         show(rail.ripple, "V", 2), show(rail.heat, "W", 2), hot])  # fmt: skip
    if len(rows) > 1:
        print(f"{table(rows)}\n")
    said: dict[str, list[str]] = {}
    for name, case in cases.items():
        for each in case.findings:
            said.setdefault(f"{each.level}: {each.subject}: {each.text}", []).append(name)
    for text, names in said.items():
        where = "" if len(names) == len(cases) > 1 else f"{' and '.join(names)}: "
        print(f"{where}{text}")


def _print_bench(loaded: LoadedSupply, on_bench: Bench, ages: list[Ageing], worst: tuple[WorstCase, ...]) -> None:
    from refettle.parts.discharge import HANDS_VOLT

    for each in on_bench.findings:
        print(f"{each.level}: {each.subject}: {each.text}")
    for age in ages:
        if age.left is None:
            text = "holds down to a tenth of the reservoir's capacitance"
        elif age.left == 1.0:
            text = "drops out with a new reservoir"
        else:
            down = f"down to {age.left:.0%} of its capacitance, with {age.esr:.2g} times its ESR"
            text = f"drops out once the reservoir is {down}"
        print(f"{age.name} at {age.mains:.3g} V {text} (ageing: estimate).")
    emptied = on_bench.discharge
    if on_bench.inrush:
        where = "fuse" if loaded.supply.fuse else "winding"
        print(f"Switch-on: up to {show(on_bench.inrush, 'A', 2)} through the {where} (estimate).")
    held, seconds = show(emptied.energy, "J", 2), show(emptied.hands_seconds, "s", 2)
    print(f"The reservoir holds up to {held} at {show(on_bench.unloaded, 'V')}; through the bench's resistor up to "
          f"{seconds} to {HANDS_VOLT:g} V. Then measure, and again after a minute.")  # fmt: skip
    for end in worst:
        hot = "shuts down" if end.junction is None else f"{end.junction:.0f} °C"
        print(f"Worst case, every part at its bad end: {end.name}: headroom {end.headroom:.2f} V, heat "
              f"{show(end.heat, 'W', 2)}, junction {hot}.")  # fmt: skip


def _print_spread(drawn: MonteCarlo) -> None:
    print(f"\n{drawn.count:,} variants, seed {drawn.seed}; spread of the parts: estimates, see docs/supply.md")
    if drawn.broken_down:
        print(f"rail breaks down in {drawn.broken_down:.1%}")
    rows = [["", *(f"{per} %" for per in drawn.mean.percentiles)]]
    for each in (drawn.mean, drawn.valley, drawn.ripple, drawn.capacitor_rms):
        rows.append([each.name, *(show(value, each.unit, 3) for value in each.percentiles.values())])
    for rail in drawn.rails:
        for each in (rail.headroom, rail.junction):
            values = [
                f"{value:.2f} V" if each.unit == "V" else f"{value:.0f} °C" for value in each.percentiles.values()
            ]
            rows.append([f"{rail.name}, {each.name}", *values])
    print(table(rows))
    for rail in drawn.rails:
        print(f"{rail.name}: drops out in {rail.drops_out:.1%}, shuts down in {rail.shuts_down:.1%}")
