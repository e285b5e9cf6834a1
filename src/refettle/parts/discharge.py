"""Charged capacitors: what they hold, how long they take to a safe voltage, what the bleeder must stand; and how to
clean up what leaked.

t = R C ln(U0/Us), W = C U0^2 / 2, from any textbook. A computed time never replaces the meter: measure before hands or
an iron go in, and again after a minute, as up to 15 % of the voltage can come back by itself (encyclopedia article on
dielectric absorption; a maker's note names days). A load cannot be trusted to bleed it.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import log, sqrt
from typing import Literal, get_args

from refettle.language import mark, tr
from refettle.parts.capacitor import CapacitorError, within

SAFE_VOLT = 30.0
"""[V] DC, below the touch limits of IEC 60065, 60335-1, 60598-1, 60950-1 and 61010-1 (12 V rms or 30 V in the wet)."""
HANDS_VOLT = 10.0
"""[V] measured, before hands or an iron go in: common practice, no source."""
MOST_VOLT = 1000.0
COMES_BACK = 0.15
WIRE_WOUND_OVERLOAD, OVERLOAD_SECONDS = 10.0, 5.0
"""Times its rating that a wire-wound power resistor stands for 5 s: a maker's data (Arcol RW); others differ."""
SLOWER = 1.26
"""Capacitance +20 % and resistor +5 % together: the longest time of a part within its tolerance."""
Hazard = Literal["shock", "burn", "jolt", "spark", "little"]
HAZARDS: dict[Hazard, str] = {
    "shock": mark("100 V or more and 10 J or more: can kill (limits of the LBNL electrical safety manual)"),
    "burn": mark("below 100 V but above 100 J: burns and throws metal (limits of the LBNL electrical safety manual)"),
    "jolt": mark("above 60 V: the jolt throws hands into other things; above 400 V and 0.25 J it is a heavy one"),
    "spark": mark("enough to spark, burn a ring, or kill chips"),
    "little": mark("little energy at a low voltage; still enough to kill a chip"),
}


@dataclass(frozen=True, slots=True)
class Discharge:
    """One capacitor through one resistor.

    `energy` [J]; `tau` [s]; `seconds` [s] to `safe` [V] and `hands_seconds` to 10 V, both the longest within tolerance;
    `peak_watt` [W] and `peak_ampere` [A] at the start; `tool_watt` [W] least rating of a wire-wound resistor held on by
    hand, `fitted_watt` [W] of one that stays across the running supply; `comes_back` [V] may return afterwards.
    """

    energy: float
    hazard: Hazard
    tau: float
    safe: float
    seconds: float
    hands_seconds: float
    peak_watt: float
    peak_ampere: float
    tool_watt: float
    fitted_watt: float
    comes_back: float
    cautions: tuple[str, ...]
    notes: tuple[str, ...]


def energy(farad: float, volt: float) -> float:
    """[J] C U^2 / 2. CapacitorError for values no capacitor has."""
    within("capacitance", farad, 0.0, 10.0, "F")
    within("voltage", volt, 0.0, 1e5, "V", above=False)
    return 0.5 * farad * volt * volt


def hazard_of(farad: float, volt: float) -> Hazard:
    """How a charged capacitor hurts; no value is called safe. `farad` [F], `volt` [V]."""
    held = energy(farad, volt)
    if volt >= 100.0 and held >= 10.0:
        return "shock"
    if held > 100.0:
        return "burn"
    if volt > 60.0:
        return "jolt"
    return "spark" if held >= 0.1 else "little"


def seconds_to(farad: float, ohm: float, start: float, end: float) -> float:
    """[s] R C ln(start/end), 0 where `start` [V] is not above `end` [V]. CapacitorError outside the ranges."""
    within("capacitance", farad, 0.0, 10.0, "F")
    within("resistor", ohm, 0.0, 1e12, "Ω")
    within("voltage", start, 0.0, 1e5, "V", above=False)
    within(tr("safe voltage"), end, 0.0, 1e5, "V")
    return ohm * farad * log(start / end) if start > end else 0.0


def bleeder(farad: float, start: float, seconds: float, end: float = SAFE_VOLT) -> float:
    """[ohm] Largest resistor that brings `farad` [F] from `start` to `end` [V] within `seconds` [s].

    CapacitorError where the start is not above the end.
    """
    within("time", seconds, 0.0, 1e6, "s")
    if start <= end:
        raise CapacitorError(
            tr("voltage {start:g} V found; allowed: above the safe voltage of {end:g} V", start=start, end=end)
        )
    return seconds / seconds_to(farad, 1.0, start, end)


def discharge(
    farad: float,
    volt: float,
    ohm: float,
    *,
    safe: float = SAFE_VOLT,
    mains_unit: bool = True,
    leaked: bool = False,
) -> Discharge:
    """Time, energy and resistor rating for emptying one capacitor.

    Parameters
    ----------
    farad, volt, ohm : float
        [F], [V] across it now, [ohm] of the bleeder.
    safe : float
        [V] above 0 to 60; by default 30.
    mains_unit : bool
        The unit has its own mains lead (also where this is not known).
    leaked : bool
        Fluid has come out of it.

    Raises
    ------
    CapacitorError
        Above 1000 V: picture tubes and their like are for a trained person; and figures out of range.
    """
    if volt > MOST_VOLT:
        raise CapacitorError(
            tr(
                "voltage {volt:g} V found; allowed: up to {most_volt:g} V. Picture tubes and "
                "high-voltage supplies are for a trained person with the proper probe",
                volt=volt,
                most_volt=MOST_VOLT,
            )
        )
    within("voltage", volt, 0.0, MOST_VOLT, "V")
    within(tr("safe voltage"), safe, 0.0, 60.0, "V")
    held = energy(farad, volt)
    tau = ohm * farad
    slow = SLOWER * seconds_to(farad, ohm, volt, safe)
    hands = SLOWER * seconds_to(farad, ohm, volt, min(HANDS_VOLT, safe))
    peak = volt * volt / ohm
    # Half of the energy is gone after 0.35 tau; what stays on for more than 5 s gets no credit for being short.
    overload = WIRE_WOUND_OVERLOAD if hands <= OVERLOAD_SECONDS else 1.0
    notes = [
        tr("wait the time, then measure; the time never replaces the meter"),
        tr("up to {volt:.3g} V can come back by itself: measure again after a minute", volt=COMES_BACK * volt),
        tr("an insulated resistor on insulated leads, never a screwdriver"),
    ]
    if peak / overload > 25.0 or volt / ohm > 1.0:
        least = max(volt, volt * volt / (25.0 * overload))
        notes.append(
            tr("the resistor is small for this: from about {least:.2g} Ω it starts gently enough", least=least)
        )
    if hands > 60.0:
        notes.append(tr("slow: take a smaller resistor of enough watts, and stay with the meter"))
    ids = ["mains"] if mains_unit else []
    ids.append("charged-capacitor")
    if leaked:
        ids.append("leaked-electrolyte")
    return Discharge(
        energy=held,
        hazard=hazard_of(farad, volt),
        tau=tau,
        safe=safe,
        seconds=slow,
        hands_seconds=hands,
        peak_watt=peak,
        peak_ampere=volt / ohm,
        tool_watt=peak / overload,
        fitted_watt=2.0 * peak,
        comes_back=COMES_BACK * volt,
        cautions=tuple(ids),
        notes=tuple(notes),
    )


def volt_of_energy(farad: float, joule: float) -> float:
    """[V] at which `farad` [F] holds `joule` [J]."""
    within("capacitance", farad, 0.0, 10.0, "F")
    within("energy", joule, 0.0, 1e6, "J", above=False)
    return sqrt(2.0 * joule / farad)


Leak = Literal["capacitor", "alkaline cell", "nickel-cadmium cell", "zinc-carbon cell", "lithium cell", "unknown"]
LEAKS: tuple[Leak, ...] = get_args(Leak)
_PH_OF: dict[Leak, str] = {
    "alkaline cell": "alkaline",
    "nickel-cadmium cell": "alkaline",
    "zinc-carbon cell": "acid",
    "capacitor": "neutral",
}
_FIRST: dict[str, str] = {
    "alkaline": mark(
        "Neutralise with a little vinegar or citric acid on a swab until it stops foaming; a drop at a time."
    ),
    "acid": mark("Neutralise with a little baking soda in water on a swab until it stops foaming."),
    "neutral": mark("Wash with warm water and detergent and a soft brush. No vinegar: there is nothing to neutralise."),
    "unknown": mark("Wash with warm water and detergent, then hold wet pH paper to it before anything else goes on."),
}
_THEN = (
    mark("Rinse with clean, best de-ionised water, under neighbouring parts too."),
    mark("Alcohol to drive the water out, no heat or iron near."),
    mark("Dry fully, a day in the open, before power."),
    mark("Look again in a week: what comes back was left under a part."),
)


@dataclass(frozen=True, slots=True)
class Cleaning:
    """How to clean up a leak. `alkaline` is None where nobody knows yet; `steps` in order; `cautions` by id."""

    alkaline: bool | None
    steps: tuple[str, ...]
    cautions: tuple[str, ...]
    reasons: tuple[str, ...]


def cleaning(leak: Leak, ph: float | None = None) -> Cleaning:
    """Cleaning by what leaked, or by what pH paper says, which goes first.

    Cells of potassium hydroxide are alkaline; glycol and borate of capacitors is not, and gets warm water and detergent
    (blog and wiki on corrosion; sources disagree on acid, alkali or none). pH from 8.5 counts as alkaline, below 5.5 as
    acid: common practice, no source.

    Raises
    ------
    CapacitorError
        An unknown leak, or a pH outside 0 to 14.
    """
    if leak not in LEAKS:
        raise CapacitorError(tr("leak {leak!r} found; allowed: {leaks}", leak=leak, leaks=", ".join(LEAKS)))
    side = _PH_OF.get(leak, "unknown")
    reasons = [f"{leak}: {side}" if side != "unknown" else tr("{leak}: alkaline or not is not known", leak=leak)]
    if ph is not None:
        within("pH", ph, 0.0, 14.0, "", above=False)
        measured = "alkaline" if ph >= 8.5 else "acid" if ph < 5.5 else "neutral"
        if side not in ("unknown", measured):
            reasons.append(tr("pH {ph:g} says {measured}: the paper decides", ph=ph, measured=measured))
        else:
            reasons.append(f"pH {ph:g}: {measured}")
        side = measured
    if leak == "capacitor" and ph is None:
        reasons.append(tr("some early surface-mount and low-impedance fluids are alkaline: pH paper tells"))
    ids = ["leaked-electrolyte", "solvents"]
    if leak == "lithium cell":
        ids.insert(0, "lithium")
        reasons.append(tr("a leaking lithium cell goes out of the unit first; never water on the cell itself"))
    alkaline = None if side == "unknown" else side == "alkaline"
    return Cleaning(alkaline, tuple(tr(each) for each in (_FIRST[side], *_THEN)), tuple(ids), tuple(reasons))
