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

from refettle.quantities import show
from refettle.supply.ripple_fit import LN_C, LN_PEAK, TAU, UNEVEN, Fit, Known, LoadKind, fit
from refettle.supply.ripple_model import CIRCUIT, Floats, NoSteadyStateError, Wave, solve
from refettle.supply.ripple_result import SURE, Figure, How, Posterior, RippleReading, loss_of, withheld
from refettle.supply.ripple_two import TwoChannel, two_channel
from refettle.supply.ripple_wave import Comb, RippleError, clipped, comb, converter_step, samples, sampling

Rectifier = Literal["half", "full", "bridge"]
TAU_VALUE, TAU_SIZE = 0.8e-3, 0.3e-3
"""[s] ESR times C from which one channel gives ESR as a value, and as an indication."""
GAIN = 0.015
"""Standard deviation of a cheap instrument's gain: 3 % stated, taken as two of them (estimate)."""
CLAMP_GAIN = 0.015
SKEW = 5e-6
"""[s] Standard deviation of the delay between a clamp and a probe (estimate)."""
UNKNOWN_CORNER, UNKNOWN_CORNER_SPREAD = 4.0, 0.8
"""[Hz] Corner of an AC-coupled input, 1 to 20 Hz, where it is not known (estimate)."""
MISFIT_SOME, MISFIT_MUCH = 0.006, 0.03
"""Shares of the ripple that the model does not follow: above the first ESR is no value, above the second nothing is."""
ODD_HALF, ODD_UNEVEN = 1.0, 0.06
"""Line at the mains over line at twice it: above the first only one half feeds the rail, above the second unevenly."""


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
    gain_tolerance: float = 2.0 * GAIN,
    skew: float = 2.0 * SKEW,
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
    _figure("load tolerance", load_tolerance, 0.0, 0.5, "")
    _figure("meter", None if dc_volts is None else abs(dc_volts), 0.5, 1000.0, "V")
    _figure("secondary", secondary_volts, 0.5, 1000.0, "V")
    _figure("nominal capacitance", nominal_farad, 1e-7, 10.0, "F")
    _figure("gain tolerance", gain_tolerance, 0.0, 0.5, "")
    _figure("delay between channels", skew, 0.0, 1e-2, "s")
    if ac_coupled_hz != "unknown":
        _figure("AC coupling", ac_coupled_hz, 0.01, 0.5 * mains_hz if isfinite(mains_hz) else 30.0, "Hz")
    if rectifier not in (None, "half", "full", "bridge"):
        raise RippleError(f"rectifier {rectifier!r} found; allowed: half, full, bridge")
    if load_kind not in (None, "current", "resistance", "power"):
        raise RippleError(f"load kind {load_kind!r} found; allowed: current, resistance, power")
    ac = ac_coupled_hz is not None
    made = comb(step if np.ndim(t) == 0 else t, volts, mains_hz, lsb, ac)
    if not ac and made.valley < -0.02 * made.ripple:
        raise RippleError(
            f"volts: {made.valley:.3g} to {made.valley + made.ripple:.3g} V, on both sides of zero, which no rail "
            "does; allowed: DC coupling with zero where the ground is, or AC coupling said with its corner in Hz or unknown"
        )
    doubts = list(made.doubts)
    level, level_spread = _level(made, ac, dc_volts, rectifier, gain_tolerance, doubts)
    known = Known(
        level=level,
        level_spread=level_spread,
        load=load_amps,
        load_spread=max(0.5 * load_tolerance, 1e-3),
        load_kind=load_kind,
        corner=None if not ac else UNKNOWN_CORNER if ac_coupled_hz == "unknown" else float(ac_coupled_hz or 0.0),
        corner_spread=UNKNOWN_CORNER_SPREAD if ac_coupled_hz == "unknown" else 0.05,
        drops={"bridge": "two", "half": "one", "full": "one", None: "unknown"}[rectifier],  # type: ignore[arg-type]
        peak=None if secondary_volts is None else 2.0**0.5 * secondary_volts,
    )
    if load_amps is None:
        known = replace(known, load=1.0, load_spread=1e-3)
    found, odd = _fitted(made, known, rectifier)
    two = None
    if current is not None:
        two = _two(step, volts, current, made, current_lsb, gain_tolerance, skew)
    return _reading(
        made, found, two, odd, level, ac, ac_coupled_hz == "unknown", load_amps, load_tolerance, rectifier,
        nominal_farad, nominal_tolerance, 0.5 * gain_tolerance, doubts,
    )  # fmt: skip


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
                        f"volts: a mean of {made.mean:.3g} V where the meter says {meter:.3g} V; allowed: the same, so "
                        f"set the probe factor (these are {factor:g} times off)"
                    )
            if abs(ratio - 1.0) > 0.1:
                doubts.append(
                    f"the capture's mean is {show(made.mean, 'V')}, the meter's {show(meter, 'V')}: the meter is taken"
                )
        return meter, float(np.hypot(0.005 * meter, drop))
    if ac:
        return None, drop
    return made.mean, float(np.hypot(0.5 * gain * made.mean + made.lsb, drop))


def _fitted(made: Comb, known: Known, rectifier: Rectifier | None) -> tuple[Fit, float]:
    """The kind of rectifier that fits, and the odd line over the even one."""
    odd = float(abs(made.lines[1]) / max(abs(made.lines[2]), 1e-12))
    spread = 0.01 if odd < ODD_UNEVEN else 0.3
    kinds: Sequence[Wave] = ("half",) if odd > 3.0 else ("full",) if odd < 0.4 else ("half", "full")
    if rectifier == "half":
        kinds = ("half",)
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
            "current: clipped, many samples stuck at the end of the range; allowed: the whole pulse on screen"
        )
    count = min(len(row), round(made.periods / (made.hertz * step)))
    split = comb(step, amps, made.hertz, amp_lsb, True) if np.ptp(amps) > 0.0 else None
    if split is None:
        raise RippleError("current: a flat line; allowed: current into the capacitor or out of the rectifier")
    sign = -1.0 if made.inverted else 1.0
    return two_channel(
        step, sign * row[:count], amps[:count] if len(amps) == len(row) else amps,
        noise=made.noise, amp_noise=split.noise, gain=0.5 * gain, amp_gain=CLAMP_GAIN, skew=0.5 * skew,
    )  # fmt: skip


def _span(unit: str, value: float, spread: float, how: How, why: str = "", *, log: bool = False) -> Figure:
    """A figure of a normal (or log-normal) quantity."""
    if log:
        wide = float(np.exp(SURE * spread))
        return Figure(unit, how, value, value / wide, value * wide, why)
    low, high = value - SURE * spread, max(value, 0.0) + SURE * spread
    if how == "at most":
        return Figure(unit, how, None, None, high, why)
    return Figure(unit, how, max(value, 0.0), max(low, 0.0), high, why)


def _reading(
    made: Comb,
    found: Fit,
    two: TwoChannel | None,
    odd: float,
    level: float | None,
    ac: bool,
    corner_unknown: bool,
    load: float | None,
    load_tolerance: float,
    rectifier: Rectifier | None,
    nominal: float | None,
    tolerance: tuple[float, float],
    gain: float,
    doubts: list[str],
) -> RippleReading:
    excess = float(np.sqrt(max(found.rest**2 - len(made.lines) * made.variance, 0.0)))
    misfit = excess / made.ripple
    cov = np.array(found.cov[np.ix_([LN_C, TAU], [LN_C, TAU])])
    cov[0, 0] += gain**2 + (misfit if misfit > MISFIT_SOME else 0.0) ** 2
    cov[1, 1] += _tau_floor(found, misfit) ** 2
    centre = np.array([found.x[LN_C], found.x[TAU]])
    notes, cannot, instead = list(made.notes), [], []
    scaled = load is not None
    if two is not None:
        scaled = True
        tau = two.esr * two.farad
        relative = two.esr_spread * two.farad
        centre = np.array([np.log(two.farad), tau])
        cov = np.array([[two.farad_spread**2, 0.0], [0.0, relative**2 + 1e-18]])
        notes.append("C and ESR from both channels; the rectifier's kind from the voltage")
    farad, tau_value = float(np.exp(centre[0])), float(centre[1])
    tau_spread, log_spread = float(np.sqrt(cov[1, 1])), float(np.sqrt(cov[0, 0]))
    broken = misfit > MISFIT_MUCH and two is None
    how_tau = _how_tau(tau_value, tau_spread, misfit, two is not None)
    esr_spread = float(np.sqrt(max(cov[1, 1] + tau_value**2 * cov[0, 0] - 2.0 * tau_value * cov[0, 1], 0.0))) / farad
    if broken:
        why = f"the fitted supply leaves {100 * misfit:.1f} % of the ripple unexplained"
        figures = [withheld("F", why), withheld("Ω", why), withheld("s", why), withheld("", why)]
        cannot.append(f"C and ESR: {why}")
        instead.append(
            "a capture under a steady load, of the reservoir alone, or with the capacitor's current as second channel"
        )
    else:
        why_c = "both channels" if two else f"the fall of the rail at {show(load, 'A')}" if load else ""
        how_c: How = "value" if log_spread < 0.06 else "indicative"
        c_figure = _span("F", farad, log_spread, how_c, why_c, log=True)
        esr_figure = _span("Ω", tau_value / farad, esr_spread, how_tau, _why(how_tau, tau_value, misfit))
        if not scaled:
            c_figure = withheld("F", "the load current is not known")
            esr_figure = withheld("Ω", "the load current is not known; the loss angle needs none")
        hertz = 2.0 * round(made.hertz / 10.0) * 10.0
        figures = [
            c_figure,
            esr_figure,
            _span("s", tau_value, tau_spread, how_tau),
            _span("", loss_of(tau_value, hertz), loss_of(tau_spread, hertz), how_tau),
        ]
    per_amp = _span("F", farad / (load or 1.0), log_spread, "value", "C for each ampere of load", log=True)
    per_amp = withheld("F", "") if broken or two is not None else per_amp
    amps = _load(two, load, load_tolerance, per_amp, nominal, tolerance, broken)
    if not scaled and not broken:
        cannot.append("C and ESR themselves: only C for each ampere of load, and the loss angle")
        instead.append("the load current (a meter in the rail's lead, or the drop over a known resistor)")
    if how_tau in ("at most", "indicative") and not broken and two is None:
        cannot.append("ESR as a value: ESR × C is too short beside what the source does" if tau_value < TAU_VALUE
                      else "ESR as a value: the capture is too coarse for it")  # fmt: skip
        instead.append("the capacitor's current as a second channel, or an ESR meter with the unit off and discharged")
    if ac and corner_unknown:
        cannot.append("C and ESR as well as with DC coupling: the input's corner is only guessed at")
        instead.append("DC coupling with the offset turned so that the ripple fills the screen")
    if made.lsb > 0.0 and made.ripple < 40.0 * made.lsb:
        instead.append(
            f"fewer volts per division: the ripple spans {made.ripple / made.lsb:.0f} steps of the converter"
        )
    if made.periods < 4.5:
        instead.append("five mains periods or more")
    diode, uneven = _diode(found, odd, rectifier)
    if diode == "either":
        cannot.append("whether this is a half-wave supply, or a full-wave one with a dead diode: say how it is built")
    offset = None if level is None else level - made.mean
    steps = made.lsb if made.lsb > 0.0 else 0.0
    return RippleReading(
        wave=found.wave,
        diode=diode,
        uneven=uneven,
        mains_hz=made.hertz,
        farad=figures[0],
        esr=figures[1],
        tau=figures[2],
        loss=figures[3],
        loss_hz=2.0 * round(made.hertz / 10.0) * 10.0,
        load=amps,
        farad_per_amp=per_amp,
        ripple=made.ripple,
        mean=level,
        valley=None if offset is None else made.valley + offset,
        valley_low=None if level is None or broken else _valley_at(found, made.hertz, 0.9),
        lsb=made.lsb,
        noise=made.noise / steps if steps else 0.0,
        residual=float(np.hypot(made.noise, excess)) / steps if steps else 0.0,
        misfit=misfit,
        periods=made.periods,
        samples=made.samples,
        channels=1 if two is None else 2,
        coupling="AC" if ac else "DC",
        measured=tuple((made.period() + (offset or 0.0)).tolist()),
        fitted=tuple((found.shown + (offset or 0.0)).tolist()),
        posterior=None if broken else Posterior(centre, cov, scaled),
        notes=tuple(notes),
        doubts=tuple(doubts),
        cannot=tuple(cannot),
        instead=tuple(dict.fromkeys(instead)),
    )


def _tau_floor(found: Fit, misfit: float) -> float:
    """[s] What the model itself leaves open in tau (estimate: leakage inductance, the diodes' storage, other parts)."""
    return 0.03e-3 + 0.03 * abs(float(found.x[TAU])) + (0.05e-3 * misfit / MISFIT_SOME if misfit > MISFIT_SOME else 0.0)


def _how_tau(tau: float, spread: float, misfit: float, two: bool) -> How:
    relative = spread / max(tau, 1e-12)
    if two:
        return "value" if relative < 0.1 else "indicative" if relative < 0.3 else "at most"
    if tau >= TAU_VALUE and relative < 0.1 and misfit <= MISFIT_SOME:
        return "value"
    return "indicative" if tau >= TAU_SIZE and relative < 0.35 else "at most"


def _why(how: How, tau: float, misfit: float) -> str:
    if how == "value":
        return f"ESR × C {show(tau, 's')}"
    if misfit > MISFIT_SOME:
        return f"the fitted supply leaves {100 * misfit:.1f} % of the ripple unexplained"
    limits = f"a value from {show(TAU_VALUE, 's')}, an upper bound below {show(TAU_SIZE, 's')}"
    return f"ESR × C {show(max(tau, 0.0), 's')}; {limits}"


def _load(
    two: TwoChannel | None,
    load: float | None,
    load_tolerance: float,
    per_amp: Figure,
    nominal: float | None,
    tolerance: tuple[float, float],
    broken: bool,
) -> Figure:
    if load is not None:
        return Figure("A", "value", load, load * (1.0 - load_tolerance), load * (1.0 + load_tolerance), "as given")
    if two is not None and two.drawn > 0.0:
        return Figure("A", "indicative", two.drawn, 0.9 * two.drawn, 1.1 * two.drawn,
                      "the steady current of the second channel, if that is in the rectifier's lead")  # fmt: skip
    if nominal is not None and not broken and per_amp.value is not None and per_amp.low and per_amp.high:
        return Figure("A", "indicative", nominal / per_amp.value, nominal * (1.0 + tolerance[0]) / per_amp.high,
                      nominal * (1.0 + tolerance[1]) / per_amp.low,
                      "if the capacitor has its nominal value; less if it has lost some")  # fmt: skip
    return withheld("A", "not given; with the capacitor's value it could be told")


def _diode(
    found: Fit, odd: float, rectifier: Rectifier | None
) -> tuple[Literal["sound", "dead", "uneven", "either", "not told"], float | None]:
    if found.wave == "half":
        return ("not told" if rectifier == "half" else "either" if rectifier is None else "dead"), None
    uneven = float(abs(found.x[UNEVEN] - 1.0))
    if odd >= ODD_UNEVEN:
        return "uneven", uneven
    return "sound", uneven


def _valley_at(found: Fit, hertz: float, share: float) -> float | None:
    """[V] Lowest point of the rail with the mains at `share`, the same load."""
    x: Floats = found.x[: len(CIRCUIT)].copy()
    x[LN_PEAK] += np.log(share)
    try:
        rail = solve(x, found.wave, hertz, share * found.rail, level=found.level).rail
    except NoSteadyStateError:
        return None
    return float(rail.min())
