"""Limits that a new electrolytic keeps: loss angle, ESR and leakage, as data with their sources.

IEC 60384-4 leaves the figures to the detail specification of a series and says how they are measured: at 20 °C, 100 or
120 Hz, leakage at rated voltage through a series resistor (from memory, edition of 2016). So the tables are those of
makers' general-purpose series, and a part's own sheet goes before them.
"""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass
from math import pi
from typing import Literal

from refettle.language import mark, tr
from refettle.parts.capacitor import CapacitorError, Rated, within

REFERENCE_CELSIUS = 20.0
LINE_HERTZ = (100.0, 120.0)
"""[Hz] the frequencies at which loss angle is stated; treated alike, the difference being below the meter's error."""
TABLE_HERTZ = 120.0

_GENERAL = ((6.3, 0.22), (10.0, 0.19), (16.0, 0.16), (25.0, 0.14), (35.0, 0.12), (50.0, 0.10), (63.0, 0.09),
            (100.0, 0.08), (160.0, 0.16), (250.0, 0.18), (450.0, 0.20))  # fmt: skip
_BIPOLAR = ((6.3, 0.24), (10.0, 0.20), (16.0, 0.17), (25.0, 0.17), (35.0, 0.15), (50.0, 0.15))
_GENERAL_SOURCE = mark("Panasonic SU series, 85 °C, 120 Hz and 20 °C, +0.02 for each 1000 µF above 1000 µF")
_BIPOLAR_SOURCE = mark("a bipolar chip series (KP), 120 Hz and 20 °C")


@dataclass(frozen=True, slots=True)
class Limit:
    """A largest value [1, ohm or A], at `hertz` [Hz] or after `minutes` [min], at 20 °C, and where it comes from."""

    value: float
    source: str
    hertz: float = 0.0
    minutes: float = 0.0


def dissipation_limit(rated: Rated) -> Limit | None:
    """Largest loss angle tan d of a new wet electrolytic at 120 Hz and 20 °C; None for other kinds or no rating.

    By rated voltage; between two steps of the table the wider of both limits, below 6.3 V the first. None above 450 V.
    A low-impedance part is held to the general limit, which it should be well below; the source says so.
    """
    if not rated.wet or rated.volt is None:
        return None
    table, source = (_BIPOLAR, _BIPOLAR_SOURCE) if rated.kind == "bipolar" else (_GENERAL, _GENERAL_SOURCE)
    if rated.volt > table[-1][0]:
        if rated.kind != "bipolar":
            return None
        table, source = (
            _GENERAL,
            tr("{general_source}; bipolar above 50 V taken as general purpose", general_source=tr(_GENERAL_SOURCE)),
        )
        if rated.volt > table[-1][0]:
            return None
    steps = [volt for volt, _ in table]
    place = bisect_left(steps, rated.volt)
    if steps[place] != rated.volt and place:
        low, high = table[place - 1][1], table[place][1]
        base = max(low, high)  # between two steps the wider limit
    else:
        base = table[place][1]
    extra = 0.02 * max(0.0, rated.farad / 1e-3 - 1.0)
    if rated.kind == "low-impedance":
        source += tr("; a low-impedance part should be well below it")
    return Limit(base + extra, source, TABLE_HERTZ)


def esr_limit(rated: Rated) -> Limit | None:
    """[ohm] Largest ESR of a new part: its sheet's, else tan d / (2 pi f C) at 120 Hz; None where neither is known.

    Valid at that frequency only. ESR falls with frequency, so at 100 kHz it is no more than an upper bound.
    """
    if rated.esr is not None:
        return Limit(rated.esr.value, tr("the part's sheet"), rated.esr.hertz)
    loss = dissipation_limit(rated)
    if loss is None:
        return None
    return Limit(
        esr_of(loss.value, loss.hertz, rated.farad),
        tr("tan δ / (2π f C); tan δ: {source}", source=loss.source),
        loss.hertz,
    )


def esr_of(dissipation: float, hertz: float, farad: float) -> float:
    """[ohm] tan d / (2 pi f C), at that frequency only."""
    within("frequency", hertz, 0.0, 1e8, "Hz")
    within("capacitance", farad, 0.0, 10.0, "F")
    return dissipation / (2.0 * pi * hertz * farad)


def dissipation_of(esr: float, hertz: float, farad: float) -> float:
    """tan d = 2 pi f C ESR, at that frequency only; `esr` [ohm]."""
    within("frequency", hertz, 0.0, 1e8, "Hz")
    within("capacitance", farad, 0.0, 10.0, "F")
    return 2.0 * pi * hertz * farad * esr


@dataclass(frozen=True, slots=True)
class LeakageRule:
    """I = k C U joined with an offset [A] by "plus" or "or" (the larger), after `minutes`; volts up to `most` [V].

    With `by_volt` False the rule is k C, without the voltage, k in [A/F].
    """

    k: float
    offset: float
    join: Literal["plus", "or"]
    minutes: float
    source: str
    most: float = 1e4
    by_volt: bool = True

    def limit(self, farad: float, volt: float) -> Limit:
        """[A] the limit for one part."""
        grown = self.k * farad * (volt if self.by_volt else 1.0)
        value = grown + self.offset if self.join == "plus" else max(grown, self.offset)
        return Limit(value, self.source, minutes=self.minutes)


# 0.01 C U with C in µF and U in V gives µA, so k is the same in F, V and A.
LEAKAGE_RULES: dict[str, tuple[LeakageRule, ...]] = {
    "general": (
        LeakageRule(0.01, 3e-6, "or", 2, mark("0.01 C U or 3 µA, 2 min: Panasonic SU to 100 V, Chemi-Con"), 100.0),
        LeakageRule(0.06, 10e-6, "plus", 2, mark("0.06 C U + 10 µA, 2 min: Panasonic SU, 160 to 450 V")),
    ),
    "general, 1 minute": (
        LeakageRule(0.03, 4e-6, "or", 1, mark("0.03 C U or 4 µA, 1 min: Panasonic SU to 100 V"), 100.0),
        LeakageRule(0.06, 10e-6, "plus", 2, mark("0.06 C U + 10 µA, 2 min: Panasonic SU, 160 to 450 V")),
    ),
    "bipolar": (LeakageRule(0.05, 10e-6, "or", 2, mark("0.05 C U or 10 µA: a bipolar chip series (KP)")),),
    "low-leakage": (LeakageRule(0.002, 0.4e-6, "or", 2, mark("0.002 C U or 0.4 µA: low-leakage series, from memory")),),
    "tantalum": (
        LeakageRule(0.01, 0.5e-6, "or", 5, mark("0.01 C U (10 nA/µF V) or 0.5 µA, 3 to 5 min: makers' sheets")),
    ),
    "polymer": (LeakageRule(0.2, 100e-6, "or", 2, mark("0.2 C U or 100 µA, 2 min: polymer series, from memory")),),
    "valve-era": (
        LeakageRule(10.0, 0.3e-3, "plus", 5, mark("JAN-C-62: 0.01 mA/µF + 0.3 mA to 100 V"), 100.0, False),
        LeakageRule(20.0, 0.3e-3, "plus", 5, "JAN-C-62: 0.02 mA/µF + 0.3 mA, 101 to 250 V", 250.0, False),
        LeakageRule(25.0, 0.3e-3, "plus", 5, "JAN-C-62: 0.025 mA/µF + 0.3 mA, 251 to 350 V", 350.0, False),
        LeakageRule(40.0, 0.3e-3, "plus", 5, "JAN-C-62: 0.04 mA/µF + 0.3 mA, 351 to 450 V", 450.0, False),
    ),
}  # fmt: skip
_RULE_OF_KIND = {"bipolar": "bipolar", "tantalum": "tantalum", "polymer": "polymer"}


def leakage_limit(rated: Rated, rule: str | None = None) -> Limit | None:
    """[A] Largest leakage of a new part at rated voltage and 20 °C, after the minutes named.

    The part's sheet goes first; else `rule`, one of `LEAKAGE_RULES`, by default that of the kind. None for kinds
    without a rule, an unknown rated voltage, or one above the rule's range. CapacitorError for an unknown rule.
    """
    if rule is not None and rule not in LEAKAGE_RULES:
        raise CapacitorError(
            tr(
                "leakage rule {rule!r} found; allowed: {leakage_rules}",
                rule=rule,
                leakage_rules=", ".join(LEAKAGE_RULES),
            )
        )
    if rule is None and rated.leakage is not None:
        return Limit(rated.leakage, tr("the part's sheet"), minutes=2)
    if rated.volt is None or (rule is None and not (rated.wet or rated.kind in _RULE_OF_KIND)):
        return None
    for each in LEAKAGE_RULES[rule or _RULE_OF_KIND.get(rated.kind, "general")]:
        if rated.volt <= each.most:
            return each.limit(rated.farad, rated.volt)
    return None
