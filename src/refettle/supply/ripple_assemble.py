"""A fitted capture put into a reading: what is told, how far, and what to capture to learn the rest."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from refettle.language import tr
from refettle.quantities import show
from refettle.supply.ripple_fit import LN_C, LN_PEAK, TAU, UNEVEN, Fit
from refettle.supply.ripple_model import CIRCUIT, Floats, NoSteadyStateError, solve
from refettle.supply.ripple_result import SURE, Figure, How, Posterior, RippleReading, loss_of, withheld
from refettle.supply.ripple_two import TwoChannel
from refettle.supply.ripple_wave import Comb

Rectifier = Literal["half", "full", "bridge"]
TAU_VALUE, TAU_SIZE = 0.8e-3, 0.3e-3
"""[s] ESR times C from which one channel gives ESR as a value, and as an indication."""
MISFIT_SOME, MISFIT_MUCH = 0.006, 0.03
"""Shares of the ripple that the model does not follow: above the first ESR is no value, above the second nothing is."""
ODD_UNEVEN = 0.06
"""Line at the mains over line at twice it: from this on the halves are let differ."""
UNEVEN_LEAST = 0.03
"""Share by which the halves' EMFs differ from which it is told; windings differ by 1 % (estimate)."""

STRAIN_MOST = 25.0
"""Strain of a fit above which its supply is none that is built. Random supplies: 1.6 in the middle, 5 at most of 150.
Points behind a resistor and a second capacitor go mostly far beyond; a few slip through (docs/ripple.md)."""


@dataclass(frozen=True, slots=True)
class Read:
    """All that a reading is put together from: `odd` the line at the mains over the line at twice it, `level` [V] the
    mean of the rail, `load` [A], `nominal` [F], `gain` standard deviation of the instrument's gain."""

    made: Comb
    found: Fit
    two: TwoChannel | None
    odd: float
    level: float | None
    ac: bool
    corner_unknown: bool
    load: float | None
    load_tolerance: float
    rectifier: Rectifier | None
    nominal: float | None
    tolerance: tuple[float, float]
    gain: float
    doubts: tuple[str, ...]


def _span(unit: str, value: float, spread: float, how: How, why: str = "", *, log: bool = False) -> Figure:
    """A figure of a normal (or log-normal) quantity."""
    if log:
        wide = float(np.exp(SURE * spread))
        return Figure(unit, how, value, value / wide, value * wide, why)
    low, high = value - SURE * spread, max(value, 0.0) + SURE * spread
    if how == "at most":
        return Figure(unit, how, None, None, high, why)
    return Figure(unit, how, max(value, 0.0), max(low, 0.0), high, why)


@dataclass(frozen=True, slots=True)
class _Told:
    """C, ESR, tau and tan d with what they rest on; `broken`: the model does not follow the capture."""

    posterior: Posterior
    farad: Figure
    esr: Figure
    tau: Figure
    loss: Figure
    per_amp: Figure
    broken: bool


def assemble(read: Read) -> RippleReading:
    """The reading, with what it does not tell."""
    made, found, level = read.made, read.found, read.level
    excess = float(np.sqrt(max(found.rest**2 - len(made.lines) * made.variance, 0.0)))
    misfit = excess / made.ripple
    hertz = 2.0 * round(made.hertz / 10.0) * 10.0
    told = _told(read, misfit, hertz)
    diode, uneven = _diode(found, read.odd, read.rectifier)
    if told.broken and diode == "uneven":
        diode, uneven = "not told", None  # what is behind a filter is no measure of the halves
    cannot, instead = _lacking(read, told, diode == "either")
    doubts = list(read.doubts)
    if found.wave == "full" and read.rectifier == "half":
        doubts.append(
            tr("said to be half wave, but filled twice in each mains period: full wave, or the time base is wrong")
        )
    notes = list(made.notes)
    if read.two is not None:
        notes.append(tr("C and ESR from both channels; the rectifier's kind from the voltage"))
    offset = 0.0 if level is None else level - made.mean
    return RippleReading(
        wave=found.wave,
        diode=diode,
        uneven=uneven,
        mains_hz=made.hertz,
        farad=told.farad,
        esr=told.esr,
        tau=told.tau,
        loss=told.loss,
        loss_hz=hertz,
        load=_load(read, told),
        farad_per_amp=told.per_amp,
        ripple=made.ripple,
        mean=level,
        valley=None if level is None else made.valley + offset,
        valley_low=None if level is None or told.broken else _valley_at(found, made.hertz, 0.9),
        lsb=made.lsb,
        noise=made.noise / made.lsb if made.lsb > 0.0 else 0.0,
        residual=float(np.hypot(made.noise, excess)) / made.lsb if made.lsb > 0.0 else 0.0,
        misfit=misfit,
        periods=made.periods,
        samples=made.samples,
        channels=1 if read.two is None else 2,
        coupling="AC" if read.ac else "DC",
        measured=tuple((made.period() + offset).tolist()),
        fitted=tuple((found.shown + offset).tolist()),
        posterior=None if told.broken else told.posterior,
        notes=tuple(notes),
        doubts=tuple(doubts),
        flat_top=made.flat,
        cannot=cannot,
        instead=instead,
    )


def _told(read: Read, misfit: float, hertz: float) -> _Told:
    found, two = read.found, read.two
    if two is not None:
        centre = np.array([np.log(two.farad), two.esr * two.farad])
        cov = np.diag([two.farad_spread**2, (two.esr_spread * two.farad) ** 2 + 1e-18])
    else:
        centre = np.array([found.x[LN_C], found.x[TAU]])
        cov = np.array(found.cov[np.ix_([LN_C, TAU], [LN_C, TAU])])
        cov[0, 0] += read.gain**2 + (misfit if misfit > MISFIT_SOME else 0.0) ** 2
        cov[1, 1] += _tau_floor(float(centre[1]), misfit) ** 2
    scaled = read.load is not None or two is not None
    posterior = Posterior(centre, cov, scaled)
    why = "" if two is not None else _not_a_reservoir(read, misfit)
    if why:
        none = withheld("F", why), withheld("Ω", why), withheld("s", why), withheld("", why), withheld("F", why)
        return _Told(posterior, *none, broken=True)
    farad, tau = float(np.exp(centre[0])), float(centre[1])
    log_spread, tau_spread = float(np.sqrt(cov[0, 0])), float(np.sqrt(cov[1, 1]))
    esr_spread = float(np.sqrt(max(cov[1, 1] + tau**2 * cov[0, 0] - 2.0 * tau * cov[0, 1], 0.0))) / farad
    how_tau = _how(tau, tau_spread, tau, misfit, two is not None)
    how_esr = _how(tau, tau_spread if how_tau == "at most" else esr_spread * farad, tau, misfit, two is not None)
    rests = (
        tr("both channels")
        if two
        else tr("the fall of the rail at {load}", load=show(read.load, "A"))
        if read.load
        else ""
    )
    c_figure = _span("F", farad, log_spread, "value" if log_spread < 0.06 else "indicative", rests, log=True)
    esr_figure = _span("Ω", tau / farad, esr_spread, how_esr, _why(how_esr, tau, misfit))
    if not scaled:
        c_figure = withheld("F", tr("the load current is not known"))
        esr_figure = withheld("Ω", tr("the load current is not known; the loss angle needs none"))
    per_amp = _span("F", farad / (read.load or 1.0), log_spread, "value", tr("C for each ampere of load"), log=True)
    return _Told(
        posterior,
        c_figure,
        esr_figure,
        _span("s", tau, tau_spread, how_tau),
        _span("", loss_of(tau, hertz), loss_of(tau_spread, hertz), how_tau),
        withheld("F", tr("both channels give C itself")) if two is not None else per_amp,
        broken=False,
    )


def _not_a_reservoir(read: Read, misfit: float) -> str:
    """Why the fitted supply is none to trust; empty where it is."""
    if misfit > MISFIT_MUCH:
        return tr("the fitted supply leaves {misfit:.1f} % of the ripple unexplained", misfit=100 * misfit)
    if read.found.strain > STRAIN_MOST:
        return tr("only a supply that nobody builds has this shape; it looks filtered, behind a resistor or choke")
    return ""


def _lacking(read: Read, told: _Told, either: bool) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """What this capture does not tell, and what to capture instead."""
    made = read.made
    cannot: list[str] = []
    instead: list[str] = []
    if told.broken:
        cannot.append(tr("C and ESR: {why}", why=told.farad.why))
        instead.append(tr("a capture under a steady load, straight across the reservoir behind the diodes"))
        instead.append(tr("the capacitor's current as a second channel"))
    elif not told.posterior.scaled:
        cannot.append(tr("C and ESR themselves: only C for each ampere of load, and the loss angle"))
        instead.append(tr("the load current (a meter in the rail's lead, or the drop over a known resistor)"))
    elif told.esr.how != "value" and read.two is None:
        short = told.posterior.mean[1] < TAU_VALUE
        why = (
            tr("ESR × C is too short beside what the source does") if short else tr("the capture is too coarse for it")
        )
        cannot.append(tr("ESR as a value: {why}", why=why))
        instead.append(
            tr("the capacitor's current as a second channel, or an ESR meter with the unit off and discharged")
        )
    if read.ac and read.corner_unknown:
        cannot.append(tr("C and ESR as well as with DC coupling: the input's corner is only guessed at"))
        instead.append(tr("DC coupling with the offset turned so that the ripple fills the screen"))
    if read.ac and read.level is None:
        cannot.append(tr("the rail's level and its valley: AC coupling takes them away"))
        instead.append(tr("the mean of the rail by a meter, or DC coupling"))
    if made.lsb > 0.0 and made.ripple < 40.0 * made.lsb:
        steps = made.ripple / made.lsb
        instead.append(tr("fewer volts per division: the ripple spans {steps:.0f} steps of the converter", steps=steps))
    if made.periods < 4.5:
        instead.append(tr("five mains periods or more"))
    if either:
        cannot.append(
            tr("whether this is a half-wave supply, or a full-wave one with a dead diode: say how it is built")
        )
    return tuple(cannot), tuple(dict.fromkeys(instead))


def _tau_floor(tau: float, misfit: float) -> float:
    """[s] What the model itself leaves open in tau (estimate: leakage inductance, the diodes' storage, other parts)."""
    return 0.03e-3 + 0.03 * abs(tau) + (0.05e-3 * misfit / MISFIT_SOME if misfit > MISFIT_SOME else 0.0)


def _how(value: float, spread: float, tau: float, misfit: float, two: bool) -> How:
    """What a value with this spread is worth, at this tau [s]."""
    relative = spread / max(value, 1e-12)
    if two:
        return "value" if relative < 0.1 else "indicative" if relative < 0.3 else "at most"
    if tau >= TAU_VALUE and relative < 0.1 and misfit <= MISFIT_SOME:
        return "value"
    return "indicative" if tau >= TAU_SIZE and relative < 0.2 else "at most"


def _why(how: How, tau: float, misfit: float) -> str:
    if how == "value":
        return tr("ESR × C {tau}", tau=show(tau, "s"))
    if misfit > MISFIT_SOME:
        return tr("the fitted supply leaves {misfit:.1f} % of the ripple unexplained", misfit=100 * misfit)
    limits = tr(
        "a value from {tau_value}, an upper bound below {tau_size}",
        tau_value=show(TAU_VALUE, "s"),
        tau_size=show(TAU_SIZE, "s"),
    )
    return tr("ESR × C {tau}; {limits}", tau=show(max(tau, 0.0), "s"), limits=limits)


def _load(read: Read, told: _Told) -> Figure:
    load, two, per_amp, tolerance = read.load, read.two, told.per_amp, read.tolerance
    if load is not None:
        off = read.load_tolerance
        return Figure("A", "value", load, load * (1.0 - off), load * (1.0 + off), tr("as given"))
    if two is not None and two.drawn > 0.05 * two.swing:
        why = tr("the steady part of the second channel, if that is a DC clamp in the rectifier's lead")
        return Figure("A", "indicative", two.drawn, 0.9 * two.drawn, 1.1 * two.drawn, why)
    if read.nominal is not None and per_amp.value is not None and per_amp.low and per_amp.high:
        why = tr("if the capacitor has its nominal value; less if it has lost some")
        low = read.nominal * (1.0 + tolerance[0]) / per_amp.high
        high = read.nominal * (1.0 + tolerance[1]) / per_amp.low
        return Figure("A", "indicative", read.nominal / per_amp.value, low, high, why)
    return withheld("A", tr("not given; with the capacitor's value it could be told"))


def _diode(
    found: Fit, odd: float, rectifier: Rectifier | None
) -> tuple[Literal["sound", "dead", "uneven", "either", "not told"], float | None]:
    if found.wave == "half":
        return ("not told" if rectifier == "half" else "either" if rectifier is None else "dead"), None
    uneven = float(abs(found.x[UNEVEN] - 1.0))
    spread = float(np.sqrt(found.cov[UNEVEN, UNEVEN]))
    if odd >= ODD_UNEVEN and uneven > max(UNEVEN_LEAST, 3.0 * spread):
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
