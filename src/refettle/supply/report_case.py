"""A supply in one case, in figures and in plain words: what the rail does, what is seen and heard, what gets hot.

The words about picture and sound are common practice, no source. Figures are estimates within the limits that the
documentation names; where a rating is not known the finding says 'not assessed', never that it is good.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from math import isnan
from typing import Literal

import numpy as np

from refettle.language import tr
from refettle.parts.life import RATED_RISE, Life, life, rise_from_ripple
from refettle.supply.model import Supply, Variant, sharing_diodes, unloaded_peak, work_out
from refettle.supply.rectifier import Steady
from refettle.supply.regulator import SHUTDOWN, WORKING, Missing, Regulator, junction, most_watt
from refettle.supply.values import SupplyError, ranged

MAINS = ("low", "nominal", "high")
CAUTIONS = ("mains", "charged-capacitor", "first-power", "burst", "heat")
Level = Literal["good", "watch", "bad", "not assessed"]
LOGIC_DIP = 0.05
"""Part of the volts below which logic may fail: the usual ±5 %."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing to know: how it stands, what it is about, and the sentence."""

    level: Level
    subject: str
    text: str


@dataclass(frozen=True, slots=True)
class Rail:
    """A regulator and its rail in one case.

    `mean`, `ripple`, `least` [V] of the rail; `headroom`, `depth` [V] and `share` of the dips; `heat` [W];
    `junction` [°C], None where it switches itself off first; `most_heat` [W] that it can get rid of.
    """

    name: str
    mean: float
    ripple: float
    least: float
    headroom: float
    depth: float
    share: float
    heat: float
    junction: float | None
    most_heat: float


@dataclass(frozen=True, slots=True)
class Case:
    """A supply in one case.

    `mean`, `ripple`, `valley`, `peak` [V] at the reservoir; `capacitor_rms`, `winding_rms`, `rectifier_peak` [A];
    `rectifier_heat` [W] and `diode_junction` [°C] of one diode; `life` of a new reservoir capacitor, None where it
    cannot be said; `held` False where the load breaks the rail down.
    """

    mains: float
    held: bool
    mean: float
    ripple: float
    valley: float
    peak: float
    capacitor_rms: float
    winding_rms: float
    rectifier_peak: float
    rectifier_heat: float
    diode_junction: float
    rails: tuple[Rail, ...]
    life: Life | None
    findings: tuple[Finding, ...]
    steady: Steady | None


def mains_factor(supply: Supply, mains: str | float) -> float:
    """Low, nominal or high, or [V rms], as a factor on nominal. SupplyError below half or above 1.5."""
    if isinstance(mains, str):
        if mains not in MAINS:
            raise SupplyError(
                tr("mains: found {mains!r}; allowed: {words}, or volts", mains=mains, words=", ".join(MAINS))
            )
        return {"low": supply.low, "nominal": 1.0, "high": supply.high}[mains]
    return float(ranged("mains", mains / supply.mains_volt, 0.5, 1.5, tr("times nominal"), above=False))


def assess(
    supply: Supply,
    mains: str | float = "nominal",
    *,
    aged: tuple[float, float] = (1.0, 1.0),
    missing: Iterable[Missing] = (),
    serves: Mapping[str, str] | None = None,
) -> Case:
    """One case.

    Parameters
    ----------
    supply : Supply
    mains : str or float
        low, nominal, high, or [V rms].
    aged : (float, float)
        Part of the reservoir's capacitance that is left, and factor on its ESR.
    missing : "heat-sink", "pad", "paste", "clip"
    serves : mapping, optional
        Regulator name to what it feeds: logic, picture, sound, motor, or other.

    Raises
    ------
    SupplyError
        Figures out of range.
    """
    factor = mains_factor(supply, mains)
    left = float(ranged(tr("aged capacitance"), aged[0], 0.01, 1.5, tr("times nominal"), above=False))
    grown = float(ranged(tr("aged ESR"), aged[1], 0.1, 1000.0, tr("times nominal"), above=False))
    gone = frozenset(missing)
    worked = work_out(supply, Variant(mains=np.array([factor]), farad=left, esr=grown))
    steady = worked.steady
    held = not isnan(steady.mean[0]) and float(steady.peak[0]) > 0.05 * max(unloaded_peak(supply), 0.1)
    findings: list[Finding] = []
    if not held:
        findings.append(
            Finding("bad", "rail", tr("the load is more than source and reservoir can hold up: it breaks down"))
        )
    rails = []
    for regulator in supply.regulators:
        found = worked.regulated[regulator.name]
        ohm, notes = regulator.cooling.path(gone)
        hot = float(junction(found.heat, ohm, supply.air)[0])
        rail = Rail(
            name=regulator.name,
            mean=float(found.mean[0]),
            ripple=float(found.ripple[0]),
            least=float(found.least[0]),
            headroom=float(found.headroom[0]),
            depth=float(found.depth[0]),
            share=float(found.share[0]),
            heat=float(found.heat[0]),
            junction=hot if hot <= SHUTDOWN else None,
            most_heat=most_watt(ohm, supply.air),
        )
        rails.append(rail)
        if held:
            findings += _rail_findings(regulator, rail, (serves or {}).get(regulator.name, "other"), supply)
        findings += [Finding("watch", regulator.name, note) for note in notes]
    diodes = sharing_diodes(supply)
    heat = float(steady.heat[0])
    diode = supply.air + supply.diode_air * heat / diodes if diodes else supply.air
    if held and diodes:
        findings += _diode_findings(diode)
    lasts = None
    if held and supply.loads:
        findings.append(_direct_finding(supply, float(steady.mean[0]), float(steady.ripple[0])))
    if held:
        lasts, more = _capacitor_findings(supply, float(steady.capacitor_rms[0]))
        findings += more
    return Case(
        mains=factor * supply.mains_volt,
        held=held,
        mean=float(steady.mean[0]),
        ripple=float(steady.ripple[0]),
        valley=float(steady.valley[0]),
        peak=float(steady.peak[0]),
        capacitor_rms=float(steady.capacitor_rms[0]),
        winding_rms=float(steady.winding_rms[0]),
        rectifier_peak=float(steady.rectifier_peak[0]),
        rectifier_heat=heat,
        diode_junction=diode,
        rails=tuple(rails),
        life=lasts,
        findings=tuple(findings),
        steady=steady if held else None,
    )


def _rail_findings(regulator: Regulator, rail: Rail, serves: str, supply: Supply) -> list[Finding]:
    found: list[Finding] = []
    if regulator.ampere > regulator.limit:
        found.append(
            Finding(
                "bad",
                rail.name,
                tr(
                    "{ampere:.3g} A asked, limit {limit:.3g} A: the rail folds back",
                    ampere=regulator.ampere,
                    limit=regulator.limit,
                ),
            )
        )
    if rail.depth > 0.0:
        text = tr(
            "drops out by {depth:.2g} V for {share:.0%} of the time: {supply}",
            depth=rail.depth,
            share=rail.share,
            supply=seen(rail, serves, supply),
        )
        found.append(Finding("bad", rail.name, text))
    elif rail.headroom < 0.5:
        found.append(
            Finding(
                "watch", rail.name, tr("{headroom:.2g} V left at the valley: little in hand", headroom=rail.headroom)
            )
        )
    else:
        found.append(Finding("good", rail.name, tr("{headroom:.2g} V left at the valley", headroom=rail.headroom)))
    if rail.junction is None:
        found.append(
            Finding(
                "bad",
                rail.name,
                tr(
                    "thermal shutdown expected: {heat:.2g} W, but {most_heat:.2g} W is all it gets rid of; "
                    "it works for a while, goes off, and comes back when cooled, or fails for good",
                    heat=rail.heat,
                    most_heat=rail.most_heat,
                ),
            )
        )
    elif rail.junction > WORKING:
        found.append(
            Finding(
                "bad",
                rail.name,
                tr(
                    "junction at {junction:.0f} °C, above the {working:.0f} °C to work with",
                    junction=rail.junction,
                    working=WORKING,
                ),
            )
        )
    elif rail.junction > WORKING - 20.0:
        found.append(
            Finding(
                "watch",
                rail.name,
                tr(
                    "junction at {junction:.0f} °C, little in hand to {working:.0f} °C",
                    junction=rail.junction,
                    working=WORKING,
                ),
            )
        )
    return found


def seen(rail: Rail, serves: str, supply: Supply) -> str:
    """What a rail that drops out does to what it feeds, in plain words: common practice, no source."""
    full_wave = supply.rectifier != "half" and not supply.dead_diode
    hertz = supply.mains_hz * (2 if full_wave else 1)
    bars = tr("two dark bars") if full_wave else tr("one dark bar")
    deep = rail.least < (1.0 - LOGIC_DIP) * next(r.volt for r in supply.regulators if r.name == rail.name)
    if serves == "logic":
        return (
            tr("logic restarts, hangs or does not start")
            if deep
            else tr("may still run; {hertz:g} Hz gets into picture and sound", hertz=hertz)
        )
    if serves == "picture":
        return tr("{bars} roll through the picture", bars=bars) + (tr(", it tears or goes") if deep else "")
    if serves == "sound":
        return tr("{hertz:g} Hz hum that does not go away with the volume", hertz=hertz) + (
            tr(", rough and distorted") if deep else ""
        )
    if serves == "motor":
        return tr("unsteady or slow, with a {hertz:g} Hz flutter", hertz=hertz)
    return tr("{hertz:g} Hz ripple goes straight through to what it feeds", hertz=hertz)


def _direct_finding(supply: Supply, mean: float, ripple: float) -> Finding:
    """What the ripple does to loads without a regulator. A tenth of the rail as the edge: estimate."""
    full_wave = supply.rectifier != "half" and not supply.dead_diode
    hertz = supply.mains_hz * (2 if full_wave else 1)
    part = ripple / max(mean, 1e-9)
    text = tr(
        "{ripple:.2g} V of {hertz:g} Hz ripple reaches what hangs on the reservoir itself", ripple=ripple, hertz=hertz
    )
    if part > 0.1:
        return Finding("watch", tr("direct loads"), tr("{text}: hum in sound, flutter in motors", text=text))
    return Finding("good", tr("direct loads"), tr("{text}, {part:.0%} of the rail", text=text, part=part))


def _diode_findings(celsius: float) -> list[Finding]:
    if celsius > SHUTDOWN:
        return [Finding("bad", "rectifier", tr("each diode would go beyond 150 °C: it fails, most likely as a short"))]
    if celsius > WORKING:
        return [
            Finding(
                "bad",
                "rectifier",
                tr(
                    "diode junction at {celsius:.0f} °C, above the {working:.0f} °C to work with",
                    celsius=celsius,
                    working=WORKING,
                ),
            )
        ]
    return [Finding("good", "rectifier", tr("diode junction at {celsius:.0f} °C", celsius=celsius))]


def _capacitor_findings(supply: Supply, ampere: float) -> tuple[Life | None, list[Finding]]:
    """Life of a new capacitor in this place, and whether its ripple current is within its rating."""
    part = supply.reservoir
    if part.ripple is None:
        text = tr(
            "carries {ampere:.2g} A rms of ripple; its rating is not known, so life is not assessed", ampere=ampere
        )
        return None, [Finding("not assessed", "reservoir", text)]
    rise = rise_from_ripple(ampere, part.ripple)
    found = []
    if ampere > part.ripple:
        text = tr(
            "carries {ampere:.2g} A rms of ripple, rated {ripple:.2g} A: it is cooked from inside",
            ampere=ampere,
            ripple=part.ripple,
        )
        found.append(Finding("bad", "reservoir", text))
    else:
        found.append(
            Finding(
                "good",
                "reservoir",
                tr("carries {ampere:.2g} A rms of ripple, rated {ripple:.2g} A", ampere=ampere, ripple=part.ripple),
            )
        )
    if part.endurance is None:
        return None, [
            *found,
            Finding("not assessed", "reservoir", tr("life: its endurance in hours is not known")),
        ]
    if rise > 20.0 or part.air > part.celsius:
        text = tr("life: beyond what the makers' formula covers (core 20 K above the air, or air above its rating)")
        return None, [*found, Finding("not assessed", "reservoir", text)]
    lasts = life(part.endurance, part.celsius, part.air, rise=rise, rated_rise=RATED_RISE)
    hours = f"{float(f'{lasts.claimed:.1e}'):,.0f} h"
    text = tr(
        "a new one lasts about {hours} here by the makers' formula; for an old one that is no measurement", hours=hours
    )
    return lasts, [*found, Finding("good" if lasts.hours > 20_000 else "watch", "reservoir", text)]
