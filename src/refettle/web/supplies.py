"""A supply as typed in a form or written in a file, and the cases that are asked for worked out."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, get_args

import yaml

from refettle import quantities
from refettle.knowledge.supplies import Serves
from refettle.knowledge.supply_files import LoadedSupply
from refettle.language import mark, tr
from refettle.quantities import show
from refettle.supply.regulator import MISSING, Missing
from refettle.supply.report import MAINS, Ageing, Bench, Case, ageing, assess, bench
from refettle.supply.spread import MonteCarlo, WorstCase, monte_carlo, worst_case
from refettle.supply.values import SupplyError
from refettle.web.longwork import Work

RAIL = ("rail", "rail_volts", "rail_amps", "serves", "dropout", "heat_sink")
FORM = ("name", "hertz", "mains_volts", "feed", "volts", "amps", "regulation", "open_volts", "secondary_ohm", "wiring",
        "farad", "cap_volts", "ripple_amps", "endurance", "fuse", "air", "load_amps",
        *(f"{what}_{n}" for n in (1, 2) for what in RAIL))  # fmt: skip
SERVES: tuple[str, ...] = get_args(Serves)
FEEDS = {
    "transformer": mark("transformer"),
    "AC": mark("AC adapter"),
    "DC": mark("DC adapter"),
    "DC regulated": mark("DC adapter, regulated"),
}
OPTIONS = ("aged_c", "aged_esr", "variants", "seed", "mains")
MOST_VARIANTS = 100_000


# ---------------------------------------------------------------- the form as a file


def typed_form(form: Mapping[str, str]) -> dict[str, str]:
    """What was typed; nothing for what was left empty."""
    return {name: form[name].strip()[:100] for name in FORM if form.get(name, "").strip()}


def file_of(typed: Mapping[str, str]) -> str:
    """The supply file that says what the form says. What is wrong in it is said when it is read."""
    data: dict[str, Any] = {"supply": typed.get("name", "My supply")}
    mains = _picked(typed, {"mains_volts": "volts", "hertz": "hertz"})
    if mains:
        data["mains"] = mains
    feed = typed.get("feed", "transformer")
    if feed == "transformer":
        names = {n: n for n in ("volts", "amps", "regulation", "open_volts", "secondary_ohm")}
        data["transformer"] = _picked(typed, names)
    else:
        data["adapter"] = {"output": feed.split()[0], **_picked(typed, {n: n for n in ("volts", "amps", "open_volts")})}
        if feed.endswith("regulated"):
            data["adapter"]["regulated"] = True
    if not feed.startswith("DC"):
        data["rectifier"] = {"wiring": typed.get("wiring", "bridge")}
    data["reservoir"] = _picked(
        typed, {"farad": "farad", "cap_volts": "volts", "ripple_amps": "ripple_amps", "endurance": "endurance"}
    )
    rails = {}
    for n in (1, 2):
        if f"rail_volts_{n}" in typed or f"rail_amps_{n}" in typed:
            name = re.sub("[^a-z0-9]+", "_", typed.get(f"rail_{n}", f"rail{n}").casefold()).strip("_") or f"rail{n}"
            names = {f"rail_volts_{n}": "volts", f"rail_amps_{n}": "load_amps", f"serves_{n}": "serves",
                     f"dropout_{n}": "dropout", f"heat_sink_{n}": "heat_sink"}  # fmt: skip
            rails[name] = _picked(typed, names)
    if rails:
        data["regulators"] = rails
    if "load_amps" in typed:
        data["loads"] = {"direct": {"amps": _plain(typed["load_amps"])}}
    if "fuse" in typed:
        data["fuse"] = {"amps": _plain(typed["fuse"])}
    if "air" in typed:
        data["air"] = _plain(typed["air"])
    return yaml.safe_dump(data, sort_keys=False, allow_unicode=True, width=110)


def _picked(typed: Mapping[str, str], names: Mapping[str, str]) -> dict[str, Any]:
    return {there: _plain(typed[here]) for here, there in names.items() if here in typed}


def _plain(text: str) -> Any:
    """A number as a number, anything else as it was typed."""
    try:
        number = float(text.replace(",", "."))
    except ValueError:
        return text
    return int(number) if number == int(number) and abs(number) < 1e9 else number


# ---------------------------------------------------------------- what is asked


@dataclass(frozen=True)
class Asked:
    """Aged parts, what is missing, how many variants. `volts` [V] at the wall besides low, nominal and high."""

    aged: tuple[float, float] = (1.0, 1.0)
    missing: tuple[Missing, ...] = ()
    variants: int = 0
    seed: int = 0
    volts: float | None = None

    @property
    def key(self) -> tuple[object, ...]:
        """What tells one question from another, the variants left out."""
        return self.aged, self.missing, self.volts


def typed_options(form: Mapping[str, str]) -> dict[str, str]:
    """What was typed; nothing for what was left empty."""
    return {name: form[name].strip()[:40] for name in OPTIONS if form.get(name, "").strip()}


def asked_of(typed: Mapping[str, str], missing: list[str]) -> Asked:
    """What is asked for. Raises SupplyError naming the field."""
    gone = tuple(part for part in MISSING if part in missing)
    unknown = [part for part in missing if part not in MISSING]
    if unknown:
        raise SupplyError(
            tr("missing: found {unknown!r}; allowed: {missing}", unknown=unknown[0], missing=", ".join(MISSING))
        )
    left = _number(typed, "aged_c", tr("capacitance left"), "%", 100.0) / 100
    grown = _number(typed, "aged_esr", tr("times its ESR"), "", 1.0)
    volts = _number(typed, "mains", tr("mains"), "V", 0.0)
    return Asked(
        aged=(left, grown),
        missing=gone,
        variants=_whole(typed, "variants", MOST_VARIANTS),
        seed=_whole(typed, "seed", 2**31),
        volts=volts or None,
    )


def _number(typed: Mapping[str, str], field: str, name: str, unit: str, usual: float) -> float:
    if field not in typed:
        return usual
    try:
        return quantities.parse(typed[field], unit)
    except quantities.QuantityError as error:
        raise SupplyError(f"{name}: {error}") from None


def _whole(typed: Mapping[str, str], field: str, most: int) -> int:
    text = typed.get(field, "0").replace("\u202f", "").replace(" ", "")
    if not text.isdecimal() or int(text) > most:
        raise SupplyError(
            tr("{field}: found {text!r}; allowed: a whole number up to {most}", field=field, text=text[:40], most=most)
        )
    return int(text)


# ---------------------------------------------------------------- working it out


@dataclass(frozen=True)
class Worked:
    """A supply in all its cases. `cases` and `aged` by low, nominal, high, and the volts asked for; `without` the
    case at high mains for each part missing."""

    loaded: LoadedSupply
    asked: Asked
    cases: Mapping[str, Case]
    aged: Mapping[str, Case]
    without: Mapping[str, Case]
    bench: Bench
    worst: tuple[WorstCase, ...]
    ageing: tuple[Ageing, ...]


def work_out(loaded: LoadedSupply, asked: Asked, work: Work) -> Worked:
    """All cases, one after the other. Raises SupplyError."""
    supply, serves = loaded.supply, loaded.serves
    named: dict[str, str | float] = {each: each for each in MAINS}
    if asked.volts is not None:
        named[show(asked.volts, "V")] = asked.volts
    aged = asked.aged != (1.0, 1.0)
    steps = len(named) * (2 if aged else 1) + len(MISSING)
    done = 0

    def step(mains: str | float, left: tuple[float, float], gone: tuple[Missing, ...]) -> Case:
        nonlocal done
        work.tick(done / steps, tr("Low, nominal and high mains"))
        done += 1
        return assess(supply, mains, aged=left, missing=gone, serves=serves)

    cases = {name: step(mains, (1.0, 1.0), asked.missing) for name, mains in named.items()}
    old = {name: step(mains, asked.aged, asked.missing) for name, mains in named.items()} if aged else {}
    cooled = any(each.cooling.sink_air is not None for each in supply.regulators)
    without: dict[str, Case] = {part: step("high", (1.0, 1.0), (part,)) for part in MISSING} if cooled else {}
    return Worked(
        loaded,
        asked,
        cases,
        old,
        without,
        bench(supply, running=cases["high"]),
        worst_case(supply, aged=asked.aged, missing=asked.missing),
        ageing(supply, "low"),
    )


def work_spread(loaded: LoadedSupply, asked: Asked, work: Work) -> MonteCarlo:
    """The variants; those worked out so far if it is stopped. Raises SupplyError."""
    says = tr("{variants} variants", variants=asked.variants)
    work.tick(0.0, says)
    return monte_carlo(
        loaded.supply,
        asked.variants,
        asked.seed,
        aged=asked.aged,
        missing=asked.missing,
        progress=lambda share: work.note(share, says),
        stop=work.asked_to_stop,
    )
