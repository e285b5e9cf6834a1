"""Bench readings of a capacitor judged against limits, and what they are worth as evidence.

Each reading is set against what a new part keeps (limit) and what makers call the end of life: capacitance 70 % of the
rated, loss angle and ESR twice the limit (Albertsen; endurance limits of series are 150 to 200 %). Between the two the
evidence turns: at the limit 4 to 1 for good, at the end of life 4 to 1 for bad, held between 20 to 1 and 1 to 50,
which are the usual misses and false alarms of a check. These odds are estimates.

A bad part is taken to be dried out (ESR, loss angle), to have lost its capacitance, or to leak current, in 75, 15 and
10 of 100 cases (estimate). So a good capacitance alone says little for a part, and a bad one says all:

    P(readings | bad) / P(readings | good) = sum over ways w of share(w) product over readings of w of 1 / odds

The temperature of a reading counts. Limits hold at 20 °C and are applied as they stand from 15 to 35 °C, the standard
conditions of IEC 60068-1; outside, a verdict stands only where the temperature worked against it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from math import log
from typing import Literal

from refettle.language import tr
from refettle.parts.capacitor import CapacitorError, Rated, within
from refettle.parts.limits import LINE_HERTZ, REFERENCE_CELSIUS, dissipation_limit, esr_limit, leakage_limit
from refettle.quantities import number, show

Quantity = Literal["capacitance", "esr", "dissipation", "leakage"]
UNITS: dict[Quantity, str] = {"capacitance": "F", "esr": "Ω", "dissipation": "", "leakage": "A"}
WORDS: dict[Quantity, str] = {
    "capacitance": "C",
    "esr": "ESR",
    "dissipation": "tan δ",
    "leakage": "leakage",
}
Way = Literal["dry", "worn out", "leaky"]
SHARES: dict[Way, float] = {"dry": 0.75, "worn out": 0.15, "leaky": 0.10}
_WAY: dict[Quantity, Way] = {"capacitance": "worn out", "esr": "dry", "dissipation": "dry", "leakage": "leaky"}
Seen = Literal["leaked", "domed", "vented", "cracked", "clean"]
MOST_GOOD, MOST_BAD = 20.0, 50.0
IN_CIRCUIT_GOOD = 3.0
END_CAPACITANCE = 0.7
END_LOSS = 2.0
FROM_CELSIUS, TO_CELSIUS = 15.0, 35.0


@dataclass(frozen=True, slots=True)
class BenchReading:
    """One reading: `value` [F, ohm, 1 or A] at `hertz` [Hz] (not for leakage) and `celsius` [°C].

    Leakage also has `volt` [V] and `minutes` [min] under it. `in_circuit`: other parts hang on it.
    """

    quantity: Quantity
    value: float
    hertz: float | None = None
    celsius: float = REFERENCE_CELSIUS
    volt: float | None = None
    minutes: float | None = None
    in_circuit: bool = False

    def __post_init__(self) -> None:
        if self.quantity not in UNITS:
            raise CapacitorError(
                tr("reading of {quantity!r} found; allowed: {units}", quantity=self.quantity, units=", ".join(UNITS))
            )
        within(tr(WORDS[self.quantity]), self.value, 0.0, 1e6, UNITS[self.quantity], above=False)
        within("temperature", self.celsius, -40.0, 120.0, "°C", above=False)
        if self.quantity == "leakage":
            if self.volt is None:
                raise CapacitorError(tr("leakage without its voltage found; allowed: volts above 0"))
            within("volts", self.volt, 0.0, 1e5, "V")
            within("minutes", 5.0 if self.minutes is None else self.minutes, 0.0, 1e5, "min")
        elif self.hertz is None:
            raise CapacitorError(
                tr(
                    "{quantity} without its frequency found; allowed: above 0 to 1e8 Hz",
                    quantity=tr(WORDS[self.quantity]),
                )
            )
        else:
            within("frequency", self.hertz, 0.0, 1e8, "Hz")

    def __str__(self) -> str:
        """`ESR 0.8 Ω at 100 kHz, 20 °C`."""
        if self.quantity == "leakage":
            after = "" if self.minutes is None else tr(" after {minutes} min", minutes=number(self.minutes))
            under = f"{show(self.volt or 0.0, 'V')}{after}"
        else:
            under = show(self.hertz or 0.0, "Hz")
        where = tr(", in circuit") if self.in_circuit else ""
        value = show(self.value, UNITS[self.quantity])
        return f"{tr(WORDS[self.quantity])} {value} at {under}, {show(self.celsius, '°C')}{where}"


@dataclass(frozen=True, slots=True)
class Judged:
    """A reading beside its limit. `passes` is None where it is not assessed; `odds` are good to bad for its way."""

    reading: BenchReading
    limit: float | None
    end: float | None
    passes: bool | None
    odds: float
    reasons: tuple[str, ...]
    source: str


@dataclass(frozen=True, slots=True)
class Verdict:
    """What all readings say together. `odds` are P(readings | good) / P(readings | bad)."""

    judged: tuple[Judged, ...]
    odds: float
    ways: Mapping[Way, float]
    reasons: tuple[str, ...]

    @property
    def says(self) -> Literal["good", "bad", "worn", "not assessed"]:
        """In one word: beyond 3 to 1 either way good or bad, between them worn; not assessed without evidence."""
        if all(each.odds == 1.0 for each in self.judged) and self.odds == 1.0:
            return "not assessed"
        return "good" if self.odds >= 3.0 else "bad" if self.odds <= 1.0 / 3.0 else "worn"

    def likelihood(self, bad: Iterable[str] = ("bad",), good: str = "good") -> dict[str, float]:
        """Graded likelihoods for the outcomes of a check, largest 1: what a log entry of that check carries.

        `bad` are the names of the check's bad outcomes; the readings tell good from bad, not bad from bad.
        CapacitorError without a bad outcome.
        """
        names = list(bad)
        if not names or good in names:
            raise CapacitorError(
                tr("bad outcomes {names} found; allowed: one or more names other than {good!r}", names=names, good=good)
            )
        most = max(1.0, self.odds)
        return {good: self.odds / most, **dict.fromkeys(names, 1.0 / most)}

    @property
    def text(self) -> str:
        """The readings as the log's value line."""
        return "; ".join(str(each.reading) for each in self.judged)


def _odds(ratio: float, limit: float, end: float) -> float:
    """4 at `limit`, 1/4 at `end`, straight in the logarithm between and beyond, within the bounds; 20 at 0."""
    if ratio <= 0.0:
        return MOST_GOOD if end > limit else 1.0 / MOST_BAD
    place = (log(ratio) - log(limit)) / (log(end) - log(limit))  # 0 at the limit, 1 at the end of life
    exponent = min(1.0 - 2.0 * place, 4.0)
    return float(min(MOST_GOOD, max(1.0 / MOST_BAD, 4.0 ** max(exponent, -4.0))))


def judge(
    rated: Rated,
    readings: Iterable[BenchReading],
    *,
    rule: str | None = None,
    seen: Seen | None = None,
    reformed: bool = True,
) -> Verdict:
    """Judge the readings of one capacitor.

    Parameters
    ----------
    rated : Rated
    readings : BenchReadings of this part
    rule : str, optional
        One of `limits.LEAKAGE_RULES`; by default the part's sheet or that of its kind.
    seen : "leaked", "domed", "vented", "cracked" or "clean", optional
        What a look showed; all but clean count as bad at 1 to 50.
    reformed : bool
        False: it lay long without voltage and was not re-formed, so high leakage proves nothing yet.

    Raises
    ------
    CapacitorError
        No reading and nothing seen, or an unknown rule.
    """
    judged = tuple(_judge(rated, reading, rule, reformed) for reading in readings)
    if not judged and seen is None:
        raise CapacitorError(tr("no reading and no look found; allowed: at least one"))
    per_way: dict[Way, list[float]] = {way: [] for way in SHARES}
    for each in judged:
        per_way[_WAY[each.reading.quantity]].append(each.odds)
    ways = {way: 1.0 / _of_one_way(odds) for way, odds in per_way.items()}
    against = sum(SHARES[way] * worth for way, worth in ways.items())
    reasons = []
    odds = 1.0 / against
    if seen is not None and seen != "clean":
        odds = 1.0 / MOST_BAD
        reasons.append(tr("{seen}: bad by its look, whatever it reads (common practice, no source)", seen=seen))
    elif seen == "clean":
        reasons.append(tr("a clean look proves little: dried-out parts mostly look new"))
    if judged and all(each.reading.quantity == "capacitance" for each in judged) and odds > 1.0:
        reasons.append(tr("capacitance alone proves little: most bad ones still read near their value; measure ESR"))
    return Verdict(judged, min(MOST_GOOD, max(1.0 / MOST_BAD, odds)), ways, tuple(reasons))


def _of_one_way(odds: list[float]) -> float:
    """Readings of one way are not independent: the worst counts, and where none is bad the best."""
    if not odds:
        return 1.0
    return min(odds) if min(odds) < 1.0 else max(odds)


def _judge(rated: Rated, reading: BenchReading, rule: str | None, reformed: bool) -> Judged:
    if reading.quantity == "capacitance":
        return _capacitance(rated, reading)
    if reading.quantity == "leakage":
        return _leakage(rated, reading, rule, reformed)
    return _loss(rated, reading)


def _unassessed(reading: BenchReading, why: str, source: str = "", limit: float | None = None) -> Judged:
    return Judged(reading, limit, None, None, 1.0, (why,), source)


def _settled(
    reading: BenchReading,
    limit: float,
    end: float,
    source: str,
    holds: tuple[bool, bool],
    withheld: str,
    reasons: tuple[str, ...] = (),
) -> Judged:
    """A verdict where it holds; `holds` says whether a pass and whether a failure may stand."""
    odds = _odds(reading.value, limit, end)
    passes = reading.value <= limit if end > limit else reading.value >= limit
    if (odds >= 1.0 and not holds[0]) or (not passes and not holds[1]):
        return _unassessed(reading, withheld, source, limit)
    if reading.in_circuit and odds > IN_CIRCUIT_GOOD:
        odds = IN_CIRCUIT_GOOD
        reasons += (tr("in circuit, parts beside it can hide a bad one: lift a leg to be sure"),)
    unit = UNITS[reading.quantity]
    sign = tr("at most") if end > limit else tr("at least")
    reasons += (
        tr(
            "a new one has {at_most_or_least} {limit}; end of life {end_of_life}",
            at_most_or_least=sign,
            limit=show(limit, unit),
            end_of_life=show(end, unit),
        ),
    )
    return Judged(reading, limit, end, passes, odds, reasons, source)


def _temperature(celsius: float, cold_hurts: bool) -> tuple[bool, bool]:
    """Whether a pass and a failure may stand, where cold makes it read worse (C, ESR) or better (leakage)."""
    if FROM_CELSIUS <= celsius <= TO_CELSIUS:
        return True, True
    cold = celsius < FROM_CELSIUS
    return (cold, not cold) if cold_hurts else (not cold, cold)


def _withheld(celsius: float) -> str:
    return tr(
        "taken at {celsius:g} °C; limits hold at 20 °C, from {from_celsius:g} to {to_celsius:g} °C as they stand",
        celsius=celsius,
        from_celsius=FROM_CELSIUS,
        to_celsius=TO_CELSIUS,
    )


def _capacitance(rated: Rated, reading: BenchReading) -> Judged:
    low, high = rated.tolerance or ((-0.2, 0.2) if rated.wet or rated.kind in ("tantalum", "polymer") else (-0.1, 0.1))
    source = tr(
        "rated {farad} {low:+.0f}/{high:+.0f} %, 20 °C; end of life 70 % (Albertsen)",
        farad=show(rated.farad, "F"),
        low=100 * low,
        high=100 * high,
    )
    if rated.tolerance is None:
        source += tr("; tolerance taken")
    hertz = reading.hertz or 0.0
    if rated.wet and hertz > 1000.0:
        return _unassessed(
            reading, tr("an electrolytic's capacitance is stated at 100 or 120 Hz; measure there"), source
        )
    above = rated.farad * (1.0 + max(high, 0.5 if rated.wet else high))
    if reading.value > above:
        why = tr("reads far above its value: a leaky part may, and so do parts beside it; leakage decides")
        return _unassessed(reading, why, source, rated.farad * (1.0 + high))
    limit = rated.farad * (1.0 + low)
    end = min(rated.farad * END_CAPACITANCE, 0.875 * limit)
    holds = _temperature(reading.celsius, True) if rated.wet else (True, True)
    reasons = (
        ()
        if hertz in LINE_HERTZ or not rated.wet
        else (tr("stated at 100 or 120 Hz, taken at {hertz:g} Hz", hertz=hertz),)
    )
    return _settled(reading, limit, end, source, holds, _withheld(reading.celsius), reasons)


def _loss(rated: Rated, reading: BenchReading) -> Judged:
    limit = esr_limit(rated) if reading.quantity == "esr" else dissipation_limit(rated)
    if limit is None:
        return _unassessed(reading, tr("no limit known for this {kind} part: give its sheet's ESR", kind=rated.kind))
    hertz = reading.hertz or 0.0
    holds = _temperature(reading.celsius, True)
    withheld = _withheld(reading.celsius)
    same = hertz == limit.hertz or (hertz in LINE_HERTZ and limit.hertz in LINE_HERTZ)
    source = f"{limit.source}, {show(limit.hertz, 'Hz')}"
    reasons: tuple[str, ...] = ()
    if not same:
        if reading.quantity == "dissipation" or hertz < limit.hertz:
            why = tr(
                "the limit holds at {limit_hertz}, the reading is at {reading_hertz}",
                limit_hertz=show(limit.hertz, "Hz"),
                reading_hertz=show(hertz, "Hz"),
            )
            return _unassessed(reading, why, source, limit.value)
        holds = (False, holds[1])
        withheld = tr(
            "at {reading_hertz} a good one lies well below its limit for {limit_hertz}: compare with a new one "
            "of the same value, or give its sheet's ESR",
            reading_hertz=show(hertz, "Hz"),
            limit_hertz=show(limit.hertz, "Hz"),
        )
        reasons = (
            tr(
                "ESR falls with frequency, so the limit for {hertz} is an upper bound here",
                hertz=show(limit.hertz, "Hz"),
            ),
        )
    return _settled(reading, limit.value, END_LOSS * limit.value, source, holds, withheld, reasons)


def _leakage(rated: Rated, reading: BenchReading, rule: str | None, reformed: bool) -> Judged:
    limit = leakage_limit(rated, rule)
    if limit is None:
        return _unassessed(reading, tr("no leakage rule for this kind and voltage: give its sheet's, or name a rule"))
    passes, fails = _temperature(reading.celsius, False)
    withheld = _withheld(reading.celsius)
    volt = reading.volt or 0.0
    if rated.volt is not None and volt < 0.95 * rated.volt:
        passes, withheld = (
            False,
            tr(
                "the limit holds at the rated {rated:g} V, the reading is at {reading:g} V",
                rated=rated.volt,
                reading=volt,
            ),
        )
    if rated.volt is not None and volt > 1.05 * rated.volt:
        fails, withheld = False, tr("taken above the rated {volt:g} V", volt=rated.volt)
    if reading.minutes is not None and reading.minutes < limit.minutes:
        fails, withheld = (
            False,
            tr(
                "after {taken_after:g} min; the limit holds after {limit_after:g} min, so wait",
                taken_after=reading.minutes,
                limit_after=limit.minutes,
            ),
        )
    if reading.in_circuit:
        fails, withheld = False, tr("in circuit, other parts draw current too: lift a leg")
    if not reformed:
        fails, withheld = False, tr("long without voltage and not re-formed: re-form it, then measure again")
    return _settled(reading, limit.value, 5.0 * limit.value, limit.source, (passes, fails), withheld)
