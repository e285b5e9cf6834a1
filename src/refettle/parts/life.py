"""How long an electrolytic lasts by the makers' formulas, and how much of that a unit has used up.

A life formula predicts the wear-out of a *new* part: endurance L0 [h], stated at rated voltage and upper category
temperature, doubled for every 10 K that the part runs cooler. For a part of thirty or forty years the result is
context, not a measurement: what is decided on is the measured capacitance, ESR and leakage, and the look of it.

Sources: Rubycon, technical notes for aluminium electrolytic capacitors 5-1 and 5-2 and its lifetime sheet (10 K rule,
ripple); the rule agrees with Arrhenius' law from 70 to 90 °C and deviates below 60 and above 105 °C (note 5-1).
Sum of parts of a life (Miner's rule): a power supply maker's worked example, Cosel. Polymer, ten times for 20 K:
makers' sheets, from memory.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import log2

from refettle.language import tr
from refettle.parts.capacitor import CapacitorError, within

LONGEST_CLAIM = 131_400.0
"""[h] 15 years: the longest life that makers claim whatever the formula gives (Beckhoff, supply PS9011)."""
HOURS_PER_YEAR = 8766.0
RATED_RISE = 5.0
"""[K] core temperature rise at rated ripple current for which most Rubycon series are made."""
RULE_AGREES = (60.0, 105.0)
"""[°C] outside, the 10 K rule deviates from Arrhenius' law (Rubycon note 5-1)."""


@dataclass(frozen=True, slots=True)
class Life:
    """A computed life. `hours` [h] is the formula's; `claimed` [h] not above 15 years; the factors multiply L0."""

    hours: float
    by_temperature: float
    by_ripple: float
    by_voltage: float
    notes: tuple[str, ...]

    @property
    def claimed(self) -> float:
        """[h] what a maker would claim."""
        return min(self.hours, LONGEST_CLAIM)

    @property
    def years(self) -> float:
        """[year] without a break."""
        return self.hours / HOURS_PER_YEAR


def temperature_factor(rated_celsius: float, celsius: float, polymer: bool = False) -> float:
    """2^((T0 - T)/10), or 10^((T0 - T)/20) for polymer. Temperatures [°C], -60 to 200; CapacitorError outside."""
    within(tr("upper temperature"), rated_celsius, -60.0, 200.0, "°C", above=False)
    within("temperature", celsius, -60.0, 200.0, "°C", above=False)
    cooler = rated_celsius - celsius
    return float(10.0 ** (cooler / 20.0) if polymer else 2.0 ** (cooler / 10.0))


def ripple_factor(rise: float, rated_rise: float = RATED_RISE) -> float:
    """2^(r0/(10 - 0.25 r0) - r/(10 - 0.25 r)) for core temperature rises r and rated r0 [K].

    Rubycon's lifetime sheet. Both 0 to 20 K (from memory: makers allow 10 to 20 K at the most); CapacitorError
    outside, as the formula turns over at 40 K.
    """
    within(tr("core temperature rise"), rise, 0.0, 20.0, "K", above=False)
    within(tr("rated core temperature rise"), rated_rise, 0.0, 20.0, "K", above=False)
    return float(2.0 ** (rated_rise / (10.0 - 0.25 * rated_rise) - rise / (10.0 - 0.25 * rise)))


def rise_from_ripple(ampere: float, rated_ampere: float, rated_rise: float = RATED_RISE) -> float:
    """[K] r0 (I/I0)^2, both currents at the same frequency (Rubycon's lifetime sheet). CapacitorError below 0."""
    within(tr("ripple current"), ampere, 0.0, 1e3, "A", above=False)
    within(tr("rated ripple current"), rated_ampere, 0.0, 1e3, "A")
    return rated_rise * (ampere / rated_ampere) ** 2


def life(
    endurance: float,
    rated_celsius: float,
    celsius: float,
    *,
    rise: float | None = None,
    rated_rise: float = RATED_RISE,
    volt_ratio: float = 1.0,
    exponent: float = 0.0,
    polymer: bool = False,
) -> Life:
    """Life at a steady temperature, of a part used within its ratings.

    Parameters
    ----------
    endurance : float
        [h] L0, above 0 to 1e6.
    rated_celsius, celsius : float
        [°C] upper category temperature, and air around the part.
    rise, rated_rise : float
        [K] core temperature rise by the ripple current, and the rated one; None gives no credit and no blame.
    volt_ratio, exponent : float
        Rated voltage over voltage used, 1 to 10, and the power n of (Ur/U)^n, 0 to 5. Makers do not agree on n (none,
        1, 2.5, 3 to 5), so by default a lower voltage earns nothing.

    Raises
    ------
    CapacitorError
        A figure outside its range.
    """
    within("endurance", endurance, 0.0, 1e6, "h")
    within(tr("rated over used voltage"), volt_ratio, 1.0, 10.0, "", above=False)
    within(tr("voltage exponent"), exponent, 0.0, 5.0, "", above=False)
    warm = temperature_factor(rated_celsius, celsius, polymer)
    ripple = 1.0 if rise is None else ripple_factor(rise, rated_rise)
    voltage = volt_ratio**exponent
    hours = endurance * warm * ripple * voltage
    notes = []
    if celsius > rated_celsius:
        notes.append(
            tr(
                "{celsius:g} °C is above its upper temperature of {rated_celsius:g} °C: the rule does not hold",
                celsius=celsius,
                rated_celsius=rated_celsius,
            )
        )
    elif not RULE_AGREES[0] <= celsius <= RULE_AGREES[1] and not polymer:
        notes.append(tr("the 10 K rule deviates from Arrhenius' law below 60 and above 105 °C (Rubycon note 5-1)"))
    if rise is None:
        notes.append(tr("ripple current not known: no credit for a low one"))
    if hours > LONGEST_CLAIM:
        notes.append(tr("makers claim no more than 15 years, whatever the formula gives"))
    return Life(hours, warm, ripple, voltage, tuple(notes))


def mixed_life(spells: Sequence[tuple[float, float]]) -> float:
    """[h] Life over spells of (share of the time, life at its temperature [h]): 1 / sum(share / life) (Miner's rule).

    CapacitorError unless the shares are above 0 and add up to 1, and the lives are above 0.
    """
    if not spells or abs(sum(share for share, _ in spells) - 1.0) > 1e-9:
        raise CapacitorError(
            tr("shares {spells} found; allowed: one or more that add up to 1", spells=[share for share, _ in spells])
        )
    used = 0.0
    for share, hours in spells:
        used += within("share", share, 0.0, 1.0, "") / within("life", hours, 0.0, 1e12, "h")
    return 1.0 / used


def equivalent_temperature(endurance: float, rated_celsius: float, hours: float) -> float:
    """[°C] The steady temperature at which a part of `endurance` [h] at `rated_celsius` [°C] lasts `hours` [h]."""
    within("endurance", endurance, 0.0, 1e6, "h")
    within("life", hours, 0.0, 1e12, "h")
    return rated_celsius - 10.0 * log2(hours / endurance)


def used_up(
    endurance: float, rated_celsius: float, spells: Sequence[tuple[float, float]], polymer: bool = False
) -> float:
    """Lives used up over spells of (hours [h], temperature [°C]), running and stored alike (Miner's rule).

    Electrolyte goes through the seal with or without voltage (Rubycon note 5), so time on the shelf counts at the
    shelf's temperature. 1 is one life; an old part may show 2 or 3 and still work.
    """
    total = 0.0
    for hours, celsius in spells:
        within("hours", hours, 0.0, 2e6, "h", above=False)
        total += hours / life(endurance, rated_celsius, celsius, polymer=polymer).hours
    return total
