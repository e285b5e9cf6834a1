"""Risk that a capacitor of a known age, kind and use is bad before anybody has measured it, and how urgent it is.

Formula, with u the lives used up (`life.used_up`), h a rate per year and t the years beyond its onset:

    chance bad = 1 - (1 - P(wear-out)) exp(-sum h t),   P(wear-out) = Phi(ln(u / 3) / 0.9) for wet kinds and polymer

Phi is the normal distribution function: half of the parts are taken to last three times the life that their maker
states, which is a least value. That median, the spread 0.9 and every rate are estimates; the range shown halves and
doubles them. It ranks the capacitors of a board. It never replaces a measurement, and the log takes none of it.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import erf, exp, log, sqrt
from typing import Literal

from refettle.language import mark, tr
from refettle.parts.capacitor import CapacitorError, Rated, within
from refettle.parts.life import HOURS_PER_YEAR, used_up

Urgency = Literal["before power", "soon", "measure", "leave"]
URGENCIES: dict[Urgency, str] = {
    "before power": mark("replace it before the unit is powered"),
    "soon": mark("look at it now and replace it while the unit is open"),
    "measure": mark("measure it, then decide"),
    "leave": mark("leave it unless a check points to it"),
}
MEDIAN_LIVES = 3.0
SPREAD = 0.9
DEFAULT_ENDURANCE = 2000.0
"""[h] where the sheet is not known: general-purpose series at 85 °C (Panasonic SU); cheap small ones have 1000 h."""
DEFAULT_CELSIUS = 85.0
"""[°C] where nothing is printed: common practice, no source."""
DEFAULT_STRESS = 0.8
"""Voltage used over rated voltage where it is not known: estimate."""
LEAK_PRONE_FROM = 0.3


@dataclass(frozen=True, slots=True)
class Use:
    """What the part has been through.

    `made` and `now` are years; `hours` [h] of running, None: two hours a day for the first ten years (estimate);
    `running` and `stored` [°C] are temperatures at the part; `volt` [V] stands across it in use, None where not known.
    """

    made: int
    now: int
    hours: float | None = None
    running: float = 45.0
    stored: float = 20.0
    volt: float | None = None
    mains: bool = False

    def __post_init__(self) -> None:
        within(tr("year made"), self.made, 1900, 2100, "", above=False)
        within(tr("year now"), self.now, self.made, 2200, "", above=False)
        within(tr("running temperature"), self.running, -40.0, 150.0, "°C", above=False)
        within(tr("storage temperature"), self.stored, -40.0, 80.0, "°C", above=False)
        if self.hours is not None:
            within(tr("running hours"), self.hours, 0.0, 2e6, "h", above=False)
            if self.hours > (self.years + 1) * HOURS_PER_YEAR:
                most = (self.years + 1) * HOURS_PER_YEAR
                raise CapacitorError(
                    tr(
                        "running hours {hours:g} found; allowed: up to {most:.0f}, all its age",
                        hours=self.hours,
                        most=most,
                    )
                )
        if self.volt is not None:
            within(tr("volts in use"), self.volt, 0.0, 1e5, "V", above=False)

    @property
    def years(self) -> int:
        """Age [year]."""
        return self.now - self.made

    @property
    def run(self) -> float:
        """[h] running hours, given or estimated."""
        return min(self.years, 10) * 730.0 if self.hours is None else self.hours


@dataclass(frozen=True, slots=True)
class Cause:
    """One way it may have gone bad: its chance alone, and where the figure comes from."""

    name: str
    chance: float
    source: str
    leak_prone: bool = False


@dataclass(frozen=True, slots=True)
class Risk:
    """Chance that it is bad, the range of that chance, what makes it up, and what to do.

    `lives` are the lives used up by the 10 K rule, None for kinds that do not wear out so.
    """

    chance: float
    low: float
    high: float
    urgency: Urgency
    causes: tuple[Cause, ...]
    reasons: tuple[str, ...]
    lives: float | None

    @property
    def formula(self) -> str:
        """The chance as it was worked out, in figures."""
        rates = [f"(1 − {cause.chance:.3f})" for cause in self.causes]
        return f"1 − {' × '.join(rates)} = {self.chance:.2f}" if rates else f"{self.chance:.2f}"


def wear_out(lives: float, median: float = MEDIAN_LIVES) -> float:
    """Phi(ln(lives / median) / 0.9): the chance to be worn out after so many stated lives. Estimate."""
    if lives <= 0.0:
        return 0.0
    return 0.5 * (1.0 + erf(log(lives / median) / SPREAD / sqrt(2.0)))


@dataclass(frozen=True, slots=True)
class _Rate:
    name: str
    per_year: float
    onset: float
    source: str
    leak_prone: bool = False


def tantalum_stress(ratio: float) -> float:
    """(S/0.4)^3 + 1 over its value at half the rated voltage: how much faster solid tantalum fails at S = U/Ur.

    Form of MIL-HDBK-217F, 10.12, from memory; the normalising is ours.
    """
    within(tr("voltage used over rated"), ratio, 0.0, 10.0, "", above=False)
    return float(((ratio / 0.4) ** 3 + 1.0) / (1.25**3 + 1.0))


def _rates(rated: Rated, use: Use) -> list[_Rate]:
    made = use.made
    rates = []
    if rated.wet:
        rates.append(_Rate(tr("chance failure"), 0.002, 0, "estimate"))
    if rated.wet and rated.mount == "surface" and 1985 <= made <= 1999:
        source = tr("leak-prone years of surface-mount electrolytics: common practice, no source; rate estimate")
        rates.append(_Rate(tr("early surface-mount, leaks"), 0.08, 8, source, True))
    elif rated.wet and rated.mount == "surface":
        rates.append(_Rate(tr("surface-mount seal"), 0.01, 8, "estimate", True))
    if rated.kind == "low-impedance" and 1999 <= made <= 2007:
        source = tr("bad electrolyte of 1999 to 2007: encyclopedia article on the capacitor plague; rate estimate")
        rates.append(_Rate(tr("bad years of low-impedance series"), 0.08, 3, source, True))
    elif rated.kind == "low-impedance" and 1984 <= made < 1999:
        source = tr("early low-impedance series leak: common practice, no source; rate estimate")
        rates.append(_Rate(tr("early low-impedance series, leaks"), 0.04, 8, source, True))
    if rated.kind == "paper":
        source = tr("metallised paper cracks and draws damp: mailing list and forum on paper X2; rate estimate")
        rates.append(_Rate("paper", 0.05, 10, source))
    if rated.kind == "tantalum":
        stress = DEFAULT_STRESS if use.volt is None or not rated.volt else min(use.volt / rated.volt, 10.0)
        source = tr("estimate 0.001 a year at half the rating, times (S/0.4)³ + 1 (MIL-HDBK-217F 10.12, from memory)")
        rates.append(_Rate("short", 0.001 * tantalum_stress(stress), 0, source))
    if rated.kind in ("film", "ceramic", "mica"):
        rates.append(_Rate(tr("chance failure"), 0.0003, 0, "estimate"))
    if rated.kind == "polymer":
        rates.append(_Rate(tr("chance failure"), 0.001, 0, "estimate"))
    return rates


def _together(wear: float, rates: list[_Rate], years: float, times: float) -> float:
    exponent = sum(rate.per_year * max(0.0, years - rate.onset) for rate in rates)
    return 1.0 - (1.0 - wear) * exp(-times * exponent)


def risk(rated: Rated, use: Use) -> Risk:
    """The chance that a capacitor is bad, unmeasured, and how urgent it is.

    An estimate for ranking, valid for parts in consumer electronics, kept dry. CapacitorError from the values given.
    """
    rates = _rates(rated, use)
    lives: float | None = None
    causes: list[Cause] = []
    reasons: list[str] = []
    spread = (0.0, 0.0, 0.0)
    if rated.wet or rated.kind == "polymer":
        endurance = rated.endurance or DEFAULT_ENDURANCE
        celsius = rated.celsius or DEFAULT_CELSIUS
        shelf = max(0.0, use.years * HOURS_PER_YEAR - use.run)
        spells = [(use.run, use.running), (shelf, use.stored)]
        lives = used_up(endurance, celsius, spells, rated.kind == "polymer")
        spread = (wear_out(lives, 2 * MEDIAN_LIVES), wear_out(lives), wear_out(lives, MEDIAN_LIVES / 2))
        rule = tr("ten times for 20 K") if rated.kind == "polymer" else tr("doubling for 10 K")
        said = "" if rated.endurance else tr(", endurance taken")
        source = tr(
            "{lives:.2g} lives of {endurance:g} h at {celsius:g} °C used up, {rule}{said}; spread estimate",
            lives=lives,
            endurance=endurance,
            celsius=celsius,
            rule=rule,
            said=said,
        )
        causes.append(Cause("wear-out", spread[1], source))
        if use.hours is None:
            reasons.append(
                tr("running hours not known: {run:.0f} h taken, two a day for ten years (estimate)", run=use.run)
            )
        if use.running > celsius:
            reasons.append(
                tr(
                    "it runs at {running:g} °C, above its {celsius:g} °C: the life formula does not hold",
                    running=use.running,
                    celsius=celsius,
                )
            )
    causes += [
        Cause(r.name, 1.0 - exp(-r.per_year * max(0.0, use.years - r.onset)), r.source, r.leak_prone) for r in rates
    ]
    low, chance, high = (
        _together(wear, rates, use.years, times) for wear, times in zip(spread, (0.5, 1.0, 2.0), strict=True)
    )
    urgency, why = _urgency(rated, use, chance, causes)
    if lives is not None:
        reasons.append(tr("a life formula is about new parts: look and measure before you believe it"))
    return Risk(chance, low, high, urgency, tuple(causes), (*why, *reasons), lives)


def _urgency(rated: Rated, use: Use, chance: float, causes: list[Cause]) -> tuple[Urgency, list[str]]:
    if rated.kind == "paper" and (use.mains or rated.safety):
        return "before power", [tr("paper on the mains cracks and fails short: replace it, same safety class")]
    if use.volt is not None and rated.volt is not None and use.volt > rated.volt:
        return "before power", [tr("{used:g} V in use is above its rated {rated:g} V", used=use.volt, rated=rated.volt)]
    leak = 1.0
    for cause in causes:
        leak *= 1.0 - (cause.chance if cause.leak_prone else 0.0)
    if 1.0 - leak >= LEAK_PRONE_FROM:
        return "soon", [tr("a kind and year that leaks: fluid goes on eating copper, working or not")]
    if rated.kind == "paper" and chance >= 0.3:
        return "soon", [tr("old paper leaks current: it fails by a short")]
    if chance >= 0.15:
        return "measure", [tr("about {chance:.0f} of 100 like it are bad by this estimate", chance=100 * chance)]
    return "leave", [tr("about {chance:.0f} of 100 like it are bad by this estimate", chance=100 * chance)]
