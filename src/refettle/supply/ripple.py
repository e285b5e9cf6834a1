"""Working capacitance and ESR of a reservoir in circuit, from the ripple on its rail.

Never by I / (2 f C): that reads C 20 to 100 % too high and hides an aged part. A supply is fitted to the whole shape;
C comes from how fast the rail falls at the load current, ESR from the step as the diodes turn on. ESR shows as far as
tau = ESR C is long against what source resistance and the shape of the mains do to the same part of the curve: from
0.8 ms as a value, from 0.3 ms as an indication, below as an upper bound (thresholds measured, docs/ripple.md).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from math import isfinite
from typing import Literal

import numpy as np
import numpy.typing as npt

from refettle.language import tr
from refettle.quantities import show
from refettle.supply.ripple_assemble import ODD_UNEVEN, Read, Rectifier, assemble
from refettle.supply.ripple_fit import Fit, Known, LoadKind, fit
from refettle.supply.ripple_model import Wave
from refettle.supply.ripple_result import RippleReading
from refettle.supply.ripple_two import TwoChannel, two_channel
from refettle.supply.ripple_wave import Comb, RippleError, clipped, comb, converter_step, samples, sampling

__all__ = ["LoadKind", "Rectifier", "RippleError", "RippleReading", "read_ripple"]

GAIN = 0.03
"""Largest error of a cheap instrument's gain, of a current clamp's as well, as a share (estimate)."""
SKEW = 10e-6
"""[s] Largest delay between a clamp and a probe (estimate)."""
EVENLY = 3.0**-0.5
"""Standard deviation over the largest error, where every error up to it is as likely."""
UNKNOWN_CORNER, UNKNOWN_CORNER_SPREAD = 4.0, 0.8
"""[Hz] Corner of an AC-coupled input, 1 to 20 Hz, where it is not known (estimate)."""


def read_ripple(
    t: float | npt.ArrayLike,
    volts: npt.ArrayLike,
    *,
    mains_hz: float,
    load_amps: float | None = None,
    load_tolerance: float = 0.03,
    load_kind: LoadKind | None = None,
    current: npt.ArrayLike | None = None,
    lsb: float | None = None,
    current_lsb: float | None = None,
    dc_volts: float | None = None,
    ac_coupled_hz: float | Literal["unknown"] | None = None,
    rectifier: Rectifier | None = None,
    secondary_volts: float | None = None,
    nominal_farad: float | None = None,
    nominal_tolerance: tuple[float, float] = (-0.2, 0.2),
    gain_tolerance: float = GAIN,
    skew: float = SKEW,
) -> RippleReading:
    """Read one capture.

    Parameters
    ----------
    t : float or array
        [s] Sample interval, or the times of the samples.
    volts : array
        [V] Across the reservoir, probe factor applied.
    mains_hz : float
        [Hz] 50 or 60 as a rule.
    load_amps : float, optional
        [A] Mean current drawn from the rail; `load_tolerance` is its largest error as a share. Without it C is told per
        ampere, and for the load by `nominal_farad`.
    load_kind : "current", "resistance" or "power", optional
        How the load goes with the rail: a linear regulator draws a current. By default left open.
    current : array, optional
        [A] Second channel, into the capacitor or out of the rectifier, taken at the same instants.
    lsb, current_lsb : float, optional
        [V], [A] Steps of the converter; by default found.
    dc_volts : float, optional
        [V] Mean of the rail by a meter.
    ac_coupled_hz : float or "unknown", optional
        [Hz] Corner of the instrument's AC coupling; None for DC coupling.
    rectifier : "half", "full" (centre tap) or "bridge", optional
        As built; found as far as can be where not given.
    secondary_volts : float, optional
        [V] rms of the winding without load, of each half of a centre tap.
    gain_tolerance : float
        Largest error of the instrument's gain, as a share.
    skew : float
        [s] Largest delay between the channels.

    Returns
    -------
    RippleReading
        Where the capture is one of ripple but does not tell C or ESR, these are withheld and the reason is given.

    Raises
    ------
    RippleError
        Figures out of range, and captures that are none of mains ripple: empty, not finite, clipped, flat, noise, too
        short or too coarse, another frequency.
    """
    step = sampling(t)
    _figure("load", load_amps, 1e-4, 100.0, "A")
    _figure(tr("load tolerance"), load_tolerance, 0.0, 0.5, "")
    _figure("meter", None if dc_volts is None else abs(dc_volts), 0.5, 1000.0, "V")
    _figure("secondary", secondary_volts, 0.5, 1000.0, "V")
    _figure(tr("nominal capacitance"), nominal_farad, 1e-7, 10.0, "F")
    _figure(tr("gain tolerance"), gain_tolerance, 0.0, 0.5, "")
    _figure(tr("delay between channels"), skew, 0.0, 1e-2, "s")
    if ac_coupled_hz != "unknown":
        _figure(tr("AC coupling"), ac_coupled_hz, 0.01, 0.5 * mains_hz if isfinite(mains_hz) else 30.0, "Hz")
    if rectifier not in (None, "half", "full", "bridge"):
        raise RippleError(tr("rectifier {rectifier!r} found; allowed: half, full, bridge", rectifier=rectifier))
    if load_kind not in (None, "current", "resistance", "power"):
        raise RippleError(tr("load kind {load_kind!r} found; allowed: current, resistance, power", load_kind=load_kind))
    ac = ac_coupled_hz is not None
    made = comb(step if np.ndim(t) == 0 else t, volts, mains_hz, lsb, ac)
    if not ac and made.valley < -0.02 * made.ripple:
        raise RippleError(
            tr(
                "volts: {valley:.3g} to {ripple:.3g} V, on both sides of zero, which no rail does; "
                "allowed: DC coupling with zero at ground, or AC coupling said with its corner in Hz or "
                "unknown",
                valley=made.valley,
                ripple=made.valley + made.ripple,
            )
        )
    doubts = list(made.doubts)
    level, level_spread = _level(made, ac, dc_volts, rectifier, gain_tolerance, doubts)
    known = Known(
        level=level,
        level_spread=level_spread,
        load=load_amps,
        load_spread=max(EVENLY * load_tolerance, 1e-3),
        load_kind=load_kind,
        corner=None if not ac else UNKNOWN_CORNER if ac_coupled_hz == "unknown" else float(ac_coupled_hz or 0.0),
        corner_spread=UNKNOWN_CORNER_SPREAD if ac_coupled_hz == "unknown" else 0.05,
        drops="unknown" if rectifier is None else "two" if rectifier == "bridge" else "one",
        peak=None if secondary_volts is None else 2.0**0.5 * secondary_volts,
    )
    if load_amps is None:
        known = replace(known, load=1.0, load_spread=1e-3)
    found, odd = _fitted(made, known)
    two = None
    if current is not None:
        two = _two(step, volts, current, made, current_lsb, gain_tolerance, skew)
    return assemble(
        Read(
            made=made,
            found=found,
            two=two,
            odd=odd,
            level=level,
            ac=ac,
            corner_unknown=ac_coupled_hz == "unknown",
            load=load_amps,
            load_tolerance=load_tolerance,
            rectifier=rectifier,
            nominal=nominal_farad,
            tolerance=nominal_tolerance,
            gain=EVENLY * gain_tolerance,
            doubts=tuple(doubts),
        )
    )


def _figure(name: str, value: float | None, low: float, high: float, unit: str) -> None:
    if value is not None and not (isfinite(value) and low <= value <= high):
        raise RippleError(f"{name} {value:g} {unit} found; allowed: {low:g} to {high:g} {unit}".replace("  ", " "))


def _level(
    made: Comb, ac: bool, dc_volts: float | None, rectifier: Rectifier | None, gain: float, doubts: list[str]
) -> tuple[float | None, float]:
    """[V] Mean of the rail and its spread, the diodes' own included."""
    drop = 0.25 if rectifier in (None, "bridge") else 0.15
    if dc_volts is not None:
        meter = abs(dc_volts)
        if not ac:
            ratio = made.mean / meter
            for factor in (10.0, 0.1):
                if abs(ratio * factor - 1.0) < 0.15:
                    raise RippleError(
                        tr(
                            "volts: a mean of {mean:.3g} V where the meter says {meter:.3g} V; allowed: the same, so "
                            "set the probe factor (these are {factor:g} times off)",
                            mean=made.mean,
                            meter=meter,
                            factor=factor,
                        )
                    )
            if abs(ratio - 1.0) > 0.1:
                doubts.append(
                    tr(
                        "the capture's mean is {mean}, the meter's {meter}: the meter is taken",
                        mean=show(made.mean, "V"),
                        meter=show(meter, "V"),
                    )
                )
        return meter, float(np.hypot(0.005 * meter, drop))
    if ac:
        return None, drop
    return made.mean, float(np.hypot(EVENLY * gain * made.mean + made.lsb, drop))


def _fitted(made: Comb, known: Known) -> tuple[Fit, float]:
    """The kind of rectifier that fits, and the odd line over the even one."""
    odd = float(abs(made.lines[1]) / max(abs(made.lines[2]), 1e-12))
    spread = 0.01 if odd < ODD_UNEVEN else 0.3
    kinds: Sequence[Wave] = ("half",) if odd > 3.0 else ("full",) if odd < 0.4 else ("half", "full")
    fits: list[Fit] = []
    problem: RippleError | None = None
    for kind in kinds:
        try:
            fits.append(fit(made, known, kind, spread))
        except RippleError as error:
            problem = error
    if not fits:
        assert problem is not None
        raise problem
    best = min(fits, key=lambda each: each.misfit)
    # A second half that hardly feeds the rail is a half wave: the simpler one is taken unless it fits clearly worse.
    for each in fits:
        if each.wave == "half" and each.misfit < 1.3 * best.misfit + 0.2:
            return each, odd
    return best, odd


def _two(
    step: float, volts: npt.ArrayLike, current: npt.ArrayLike, made: Comb, lsb: float | None, gain: float, skew: float
) -> TwoChannel:
    row, amps = samples("volts", volts), samples("current", current)
    amp_lsb = converter_step(amps) if lsb is None else lsb
    if clipped(amps, amp_lsb):
        raise RippleError(
            tr("current: clipped, many samples stuck at the end of the range; allowed: the whole pulse on screen")
        )
    if np.ptp(amps) == 0.0:
        raise RippleError(tr("current: a flat line; allowed: current into the capacitor or out of the rectifier"))
    count = min(len(row), round(made.periods / (made.hertz * step)))
    try:
        split = comb(step, amps, made.hertz, amp_lsb, True)
    except RippleError:
        raise RippleError(
            tr(
                "current: does not pulse with the mains, or drowns in noise; allowed: current into the capacitor "
                "or out of "
                "the rectifier, at fewer amps per division"
            )
        ) from None
    sign = -1.0 if made.inverted else 1.0
    return two_channel(
        step, sign * row[:count], amps[:count] if len(amps) == len(row) else amps,
        noise=made.noise, amp_noise=split.noise, gain=EVENLY * gain, amp_gain=EVENLY * GAIN, skew=EVENLY * skew,
    )  # fmt: skip
