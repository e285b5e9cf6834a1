"""What stands before the rectifier: a transformer by its rating or by readings, an adapter by its label and readings.

Regulation is (open volts - loaded volts) / loaded volts at the rated current into a resistance. Copper has +0.39 %/K
(handbooks). A small transformer loses 10 to 30 % under load: common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, log, sqrt

from refettle.language import tr
from refettle.supply.rectifier import SILICON, THERMAL_VOLT, Load, Reservoir, Source, steady_state
from refettle.supply.values import SupplyError, ranged

COPPER = 0.0039
"""[1/K] rise of a copper winding's resistance, from 20 °C."""
OPEN_AMPERE = 1e-3
"""[A] what a meter and leakage draw of an unloaded DC adapter: estimate."""
MAINS_ADAPTER_FARAD = 1000e-6
"""[F] reservoir inside a DC adapter whose own is not known: estimate."""


@dataclass(frozen=True, slots=True)
class Winding:
    """An alternating source: open-circuit `volt` [V rms] at nominal mains and `ohm` in series, of the winding or of
    each half of a centre-tapped one. `ratio`: its turns over the primary's (of one half), None where not known."""

    volt: float
    ohm: float
    ratio: float | None = None

    def source(self, harmonics: tuple[tuple[int, float, float], ...] = ()) -> Source:
        """As the steady state takes it."""
        return Source(sqrt(2.0) * self.volt, self.ohm, harmonics)


@dataclass(frozen=True, slots=True)
class FlatSource:
    """A regulated adapter or bench supply: `volt` [V DC] without load, `ohm` in series (leads, contacts)."""

    volt: float
    ohm: float = 0.2


def rated_winding(volt: float, ampere: float, regulation: float, mains_volt: float | None = None) -> Winding:
    """From a nominal `volt` [V rms] at `ampere` [A rms] and `regulation` as a part, 0.01 to 1.

    Volts and amperes of one half for a centre-tapped winding. SupplyError outside the ranges.
    """
    nominal = float(ranged(tr("transformer volts"), volt, 0.0, 1000.0, "V"))
    ampere = float(ranged(tr("transformer amps"), ampere, 1e-3, 1000.0, "A", above=False))
    part = float(ranged("regulation", regulation, 0.01, 1.0, "", above=False))
    open_volt = nominal * (1.0 + part)
    return Winding(open_volt, nominal * part / ampere, open_volt / mains_volt if mains_volt else None)


def measured_winding(
    open_volt: float,
    secondary_ohm: float,
    primary_ohm: float = 0.0,
    ratio: float | None = None,
    *,
    mains_volt: float | None = None,
    warmer: float = 0.0,
) -> Winding:
    """From readings: open-circuit volts, cold resistances, turns of the secondary over the primary's.

    Parameters
    ----------
    open_volt : float
        [V rms]
    secondary_ohm, primary_ohm : float
        [ohm] cold; Rs = Rsec + Rpri ratio^2.
    ratio : float, optional
        By default open volts over mains volts, which the magnetising current makes a little low.
    mains_volt : float, optional
        [V rms]
    warmer : float
        [K] above the temperature of the readings when running.

    Raises
    ------
    SupplyError
        A figure out of its range; a primary resistance without a ratio or mains volts.
    """
    volt = float(ranged(tr("open volts"), open_volt, 0.0, 1000.0, "V"))
    ohm = float(ranged(tr("secondary resistance"), secondary_ohm, 1e-3, 1e4, "Ω", above=False))
    primary = float(ranged(tr("primary resistance"), primary_ohm, 0.0, 1e5, "Ω", above=False))
    rise = float(ranged(tr("warmth of the winding"), warmer, 0.0, 120.0, "K", above=False))
    if ratio is None and mains_volt is not None:
        ratio = volt / float(ranged(tr("mains volts"), mains_volt, 50.0, 300.0, "V", above=False))
    if ratio is None:
        if primary > 0.0:
            raise SupplyError(tr("ratio: found none; allowed: secondary turns over primary turns, or the mains volts"))
    else:
        ohm += primary * float(ranged("ratio", ratio, 1e-4, 10.0, "", above=False)) ** 2
    return Winding(volt, ohm * (1.0 + COPPER * rise), ratio)


def ac_adapter(volt: float, ampere: float, open_volt: float) -> Winding:
    """An adapter with AC output: `volt` [V rms] loaded with `ampere` [A rms], `open_volt` without load."""
    ranged(tr("open volts"), open_volt, volt, 3.0 * volt, "V")
    return rated_winding(volt, ampere, open_volt / volt - 1.0)


def dc_adapter(volt: float, ampere: float, open_volt: float, mains_hz: float, farad: float | None = None) -> Winding:
    """The winding inside an unregulated DC adapter (bridge and `farad` within it) that gives these volts.

    Parameters
    ----------
    volt, ampere : float
        [V] mean at [A], from the label or, better, measured.
    open_volt : float
        [V] without load.
    farad : float, optional
        [F] its own reservoir; 1000 µF where not known (estimate).

    Raises
    ------
    SupplyError
        Figures out of range, or volts that no resistance in the winding explains.
    """
    ranged(tr("adapter volts"), volt, 0.0, 200.0, "V")
    ranged(tr("adapter amps"), ampere, 1e-3, 50.0, "A", above=False)
    ranged(tr("open volts"), open_volt, volt, 3.0 * volt, "V")
    saturation, emission = float(SILICON.saturation), float(SILICON.emission)  # type: ignore[arg-type]
    peak = open_volt + 2.0 * emission * THERMAL_VOLT * log(OPEN_AMPERE / saturation)
    reservoir = Reservoir(farad or MAINS_ADAPTER_FARAD, 0.1)
    for _ in range(3):
        low, high = log(1e-3), log(5.0 * open_volt / ampere)
        if _loaded(peak, low, reservoir, ampere, mains_hz) < volt:
            raise SupplyError(
                tr(
                    "open volts: found {open_volt:g} V; allowed: more, to give {volt:g} V at {ampere:g} A "
                    "through two diodes",
                    open_volt=open_volt,
                    volt=volt,
                    ampere=ampere,
                )
            )
        for _ in range(25):
            middle = 0.5 * (low + high)
            enough = _loaded(peak, middle, reservoir, ampere, mains_hz) >= volt
            low, high = (middle, high) if enough else (low, middle)
        peak += open_volt - _loaded(peak, low, reservoir, OPEN_AMPERE, mains_hz)
    return Winding(peak / sqrt(2.0), exp(low))


def _loaded(peak: float, log_ohm: float, reservoir: Reservoir, ampere: float, mains_hz: float) -> float:
    source = Source(peak, exp(log_ohm))
    return float(steady_state(source, "bridge", reservoir, Load("current", ampere), mains_hz, steps=256).mean)
