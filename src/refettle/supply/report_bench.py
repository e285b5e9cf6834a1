"""What does not hang on the case: voltage without load, switch-on, fuse, ageing, and emptying the reservoir."""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

import numpy as np

from refettle.language import mark, tr
from refettle.parts.capacitor import CapacitorError
from refettle.parts.discharge import Discharge, discharge
from refettle.supply.feed import Winding
from refettle.supply.model import Supply, Variant, unloaded_peak, work_out
from refettle.supply.report_case import Case, Finding, mains_factor
from refettle.supply.values import SupplyError


@dataclass(frozen=True, slots=True)
class Bench:
    """What does not hang on the case: `unloaded` [V] across the reservoir at high mains without load; `inrush` [A] and
    `inrush_integral` [A² s] at switch-on at the crest of high mains, at the fuse's side; emptying the reservoir."""

    unloaded: float
    inrush: float
    inrush_integral: float
    discharge: Discharge
    bleeder_seconds: float | None
    findings: tuple[Finding, ...]


def bench(supply: Supply, discharge_ohm: float | None = None, *, running: Case | None = None) -> Bench:
    """Voltage without load, switch-on, fuse, and emptying the reservoir.

    Parameters
    ----------
    supply : Supply
    discharge_ohm : float, optional
        [ohm] of the bench's resistor; by default 100 ohm below 60 V and 2.2 kohm above.
    running : Case, optional
        For the fuse: its running current.

    Raises
    ------
    SupplyError
        A voltage that is not for this bench.
    """
    part, findings = supply.reservoir, []
    volt = unloaded_peak(supply)
    if part.volt is None:
        findings.append(Finding("not assessed", "reservoir", tr("its rated voltage is not known")))
    elif volt > part.volt:
        text = tr("{volts:.3g} V without load at high mains, rated {rated:g} V: may burst", volts=volt, rated=part.volt)
        findings.append(Finding("bad", "reservoir", text))
    else:
        findings.append(
            Finding(
                "good",
                "reservoir",
                tr("{volts:.3g} V without load at high mains, rated {rated:g} V", volts=volt, rated=part.volt),
            )
        )
    for each in supply.regulators:
        if volt > each.most_volt:
            text = tr(
                "{volt:.3g} V at its input without load, {most_volt:g} V at most: may fail and pass it all on",
                volt=volt,
                most_volt=each.most_volt,
            )
            findings.append(Finding("bad", each.name, text))
    peak, integral = 0.0, 0.0
    if isinstance(supply.feed, Winding):
        peak, integral = _inrush(supply, supply.feed, volt)
        if supply.fuse is not None:
            findings += _fuse_findings(supply, supply.feed, integral, running)
    ohm = discharge_ohm if discharge_ohm is not None else (100.0 if volt < 60.0 else 2200.0)
    try:
        emptied = discharge(part.farad, max(volt, 0.1), ohm, mains_unit=supply.own_mains)
        through = discharge(part.farad, max(volt, 0.1), supply.bleeder) if supply.bleeder is not None else None
    except CapacitorError as error:
        raise SupplyError(str(error)) from None
    text = tr(
        "the load does not empty it: a regulator stops drawing at a few volts, and an unplugged board draws nothing"
    )
    findings.append(Finding("watch", mark("discharge"), text))
    return Bench(
        unloaded=volt,
        inrush=peak,
        inrush_integral=integral,
        discharge=emptied,
        bleeder_seconds=through.hands_seconds if through else None,
        findings=tuple(findings),
    )


def _ratio(supply: Supply, feed: Winding) -> float:
    """Current on the fuse's side over that of the winding."""
    if supply.fuse is None or not supply.fuse.primary:
        return 1.0
    return feed.ratio if feed.ratio is not None else feed.volt / supply.mains_volt


def _inrush(supply: Supply, feed: Winding, volt: float) -> tuple[float, float]:
    """Peak [A] and integral [A² s] of charging the empty reservoir from the crest: an upper estimate, without the
    transformer's own magnetising rush, which may be larger."""
    ohm = feed.ohm + supply.reservoir.esr
    most = supply.reservoir.farad * (1.0 + supply.reservoir.tolerance[1])
    ratio = _ratio(supply, feed)
    return ratio * volt / ohm, ratio**2 * most * volt * volt / (2.0 * ohm)


def _fuse_findings(supply: Supply, feed: Winding, integral: float, running: Case | None) -> list[Finding]:
    fuse = supply.fuse
    assert fuse is not None
    found = []
    # IEC 60127-2, from memory: at ten times its rating a time-lag fuse holds 20 to 300 ms, a fast one at most 20 ms.
    low, high = (2.0, 30.0) if fuse.slow else (0.2, 2.0)
    least, most = (low * fuse.ampere**2, high * fuse.ampere**2) if fuse.melting is None else (fuse.melting,) * 2
    given = "" if fuse.melting is not None else tr(" (its melting integral by class: estimate)")
    if integral > most:
        found.append(
            Finding(
                "bad",
                "fuse",
                tr("switch-on takes about {integral:.2g} A² s: it would blow{given}", integral=integral, given=given),
            )
        )
    elif integral > 0.5 * least:
        text = tr(
            "switch-on takes about {integral:.2g} A² s: whether it holds for years cannot be told{given}",
            integral=integral,
            given=given,
        )
        found.append(Finding("watch", "fuse", text))
    else:
        found.append(
            Finding(
                "good",
                "fuse",
                tr(
                    "switch-on takes about {integral:.2g} A² s: far below what blows it{given}",
                    integral=integral,
                    given=given,
                ),
            )
        )
    if running is not None and running.held:
        # Both halves of a centre-tapped winding load the primary.
        halves = sqrt(2.0) if supply.rectifier == "full" and fuse.primary else 1.0
        ampere = halves * _ratio(supply, feed) * running.winding_rms
        part = ampere / fuse.ampere
        if part > 1.0:
            found.append(
                Finding(
                    "bad",
                    "fuse",
                    tr("runs at {amps:.2g} A rms, above its {rated:g} A", amps=ampere, rated=fuse.ampere),
                )
            )
        elif part > 0.8:
            found.append(
                Finding(
                    "watch",
                    "fuse",
                    tr("runs at {amps:.2g} A rms, close to its {rated:g} A", amps=ampere, rated=fuse.ampere),
                )
            )
        elif part < 0.2:
            text = tr(
                "runs at {amps:.2g} A rms: {rated:g} A protects little. Fit what the unit is marked with",
                amps=ampere,
                rated=fuse.ampere,
            )
            found.append(Finding("watch", "fuse", text))
        else:
            found.append(
                Finding(
                    "good",
                    "fuse",
                    tr("runs at {amps:.2g} A rms of its {rated:g} A", amps=ampere, rated=fuse.ampere),
                )
            )
    return found


@dataclass(frozen=True, slots=True)
class Ageing:
    """How far the reservoir may age before a rail drops out at the mains named: part of its capacitance `left`, with
    `esr` times its ESR. `left` 1: drops out when new; None: not before a tenth is left."""

    name: str
    mains: float
    left: float | None
    esr: float | None


def ageing(supply: Supply, mains: str | float = "low") -> tuple[Ageing, ...]:
    """For each regulator. ESR is taken to grow as one over the square of what is left: 70 % and twice at the end of
    life as makers put it (Albertsen, Jianghai, from memory), beyond it an estimate. SupplyError as `assess`."""
    factor = mains_factor(supply, mains)
    left = np.linspace(1.0, 0.1, 91)
    worked = work_out(supply, Variant(mains=factor, farad=left, esr=left**-2.0), steps=256)
    found = []
    for each in supply.regulators:
        out = ~(worked.regulated[each.name].headroom >= 0.0)
        first = int(np.argmax(out)) if np.any(out) else None
        where = None if first is None else float(left[first])
        found.append(Ageing(each.name, factor * supply.mains_volt, where, None if where is None else where**-2.0))
    return tuple(found)
