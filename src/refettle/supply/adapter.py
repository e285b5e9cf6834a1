"""Is this adapter safe for this unit: AC or DC, volts loaded and unloaded, amps, polarity, plug.

Unmeasured volts are not taken for good: a regulator potted in an old adapter fails upwards, and the label of an
unregulated one holds at its rated current only. What the wrong adapter does to a unit: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, get_args

from refettle.language import spoken, tr
from refettle.supply.values import SupplyError, ranged

Output = Literal["AC", "DC"]
Polarity = Literal["centre positive", "centre negative", "not polarised"]
OUTPUTS: tuple[Output, ...] = get_args(Output)
POLARITIES: tuple[Polarity, ...] = get_args(Polarity)
Verdict = Literal["safe", "not safe", "not known"]
NEAR, FAR = 0.05, 0.10
"""Loaded volts within the first are right; beyond the second they are not: common practice, no source."""
OPEN_UNREGULATED = 1.5
"""Unloaded over labelled volts that an unregulated adapter may have: 1.1 to 1.5, estimate."""


@dataclass(frozen=True, slots=True)
class Needed:
    """What the unit wants: `volt` [V], `ampere` [A]; `most_open` [V] that it stands without load, None: not known;
    `mains_volt` [V] of the wall."""

    output: Output
    volt: float
    ampere: float
    polarity: Polarity
    plug: str
    most_open: float | None = None
    mains_volt: float = 230.0

    def __post_init__(self) -> None:
        _words(self.output, self.polarity)
        ranged(tr("needed volts"), self.volt, 0.5, 500.0, "V", above=False)
        ranged(tr("needed amps"), self.ampere, 1e-3, 100.0, "A", above=False)
        if self.most_open is not None:
            ranged(tr("volts that the unit stands"), self.most_open, self.volt, 1000.0, "V", above=False)
        ranged(tr("mains volts"), self.mains_volt, 90.0, 260.0, "V", above=False)


@dataclass(frozen=True, slots=True)
class Offered:
    """An adapter. None: not known, or not measured.

    `volt` [V] and `ampere` [A] by its label; `loaded` [V] measured with about the unit's current drawn, `unloaded` [V]
    with nothing; `regulated`; `ripple` [V peak to peak] measured under load; `mains` [V] lowest and highest that it is
    made for.
    """

    output: Output | None
    volt: float | None
    ampere: float | None
    polarity: Polarity | None
    plug: str | None
    loaded: float | None = None
    unloaded: float | None = None
    regulated: bool | None = None
    ripple: float | None = None
    mains: tuple[float, float] | None = None

    def __post_init__(self) -> None:
        _words(self.output, self.polarity)
        for name, value in (
            ("volts", self.volt),
            (tr("loaded volts"), self.loaded),
            (tr("unloaded volts"), self.unloaded),
        ):
            if value is not None:
                ranged(name, value, 0.0, 500.0, "V", above=False)
        if self.ampere is not None:
            ranged("amps", self.ampere, 1e-3, 100.0, "A", above=False)
        if self.ripple is not None:
            ranged("ripple", self.ripple, 0.0, 100.0, "V", above=False)
        if self.mains is not None and not 50.0 <= self.mains[0] <= self.mains[1] <= 300.0:
            raise SupplyError(
                tr(
                    "mains: found {low:g} to {high:g} V; allowed: 50 to 300 V, low first",
                    low=self.mains[0],
                    high=self.mains[1],
                )
            )


@dataclass(frozen=True, slots=True)
class Fact:
    """One of the facts compared: how it stands, and why or what would happen."""

    name: str
    verdict: Verdict
    text: str


@dataclass(frozen=True, slots=True)
class AdapterCheck:
    """The verdict, the worst of its facts; every fact; what to measure or find out next."""

    verdict: Verdict
    facts: tuple[Fact, ...]
    todo: tuple[str, ...]
    cautions: tuple[str, ...] = ("mains", "charged-capacitor", "first-power", "burst", "heat")


def check_adapter(needed: Needed, offered: Offered, others: Sequence[Fact] = ()) -> AdapterCheck:
    """Compare an adapter with what a unit needs; `others` are facts found elsewhere, such as the rails worked out."""
    todo: list[str] = []
    facts = [
        _output(needed, offered, todo),
        _loaded(needed, offered, todo),
        _unloaded(needed, offered, todo),
        _amps(needed, offered, todo),
        _polarity(needed, offered, todo),
        _plug(needed, offered, todo),
        _mains(needed, offered, todo),
    ]
    if offered.ripple is not None and needed.output == "DC":
        facts.append(_ripple(needed, offered.ripple))
    facts += others
    states = {fact.verdict for fact in facts}
    verdict: Verdict = "not safe" if "not safe" in states else "not known" if "not known" in states else "safe"
    return AdapterCheck(verdict, tuple(facts), tuple(todo))


def _words(output: str | None, polarity: str | None) -> None:
    if output is not None and output not in OUTPUTS:
        raise SupplyError(tr("output: found {output!r}; allowed: {outputs}", output=output, outputs=", ".join(OUTPUTS)))
    if polarity is not None and polarity not in POLARITIES:
        raise SupplyError(
            tr(
                "polarity: found {polarity!r}; allowed: {polarities}",
                polarity=polarity,
                polarities=", ".join(POLARITIES),
            )
        )


def _output(needed: Needed, offered: Offered, todo: list[str]) -> Fact:
    name = tr("AC or DC")
    if offered.output is None:
        todo.append(tr("measure its output on the AC and on the DC range; the plug looks the same for both"))
        return Fact(name, "not known", tr("the unit wants {output}", output=needed.output))
    if offered.output == needed.output:
        return Fact(name, "safe", needed.output)
    if needed.output == "DC":
        text = tr("AC into a unit for DC turns its supply round with every half wave: capacitors burst, chips die")
    else:
        text = tr(
            "DC into a unit for AC may seem to work, through half of its rectifier, which then carries everything; "
            "rails made from the other half wave, and clocks counted from the mains, are missing"
        )
    return Fact(name, "not safe", text)


def _loaded(needed: Needed, offered: Offered, todo: list[str]) -> Fact:
    name = tr("volts under load")
    volt = offered.loaded
    if volt is None:
        todo.append(
            tr(
                "measure its volts with about {ampere:g} A drawn through a resistor, ten minutes long",
                ampere=needed.ampere,
            )
        )
        if offered.volt is not None and abs(offered.volt / needed.volt - 1.0) > FAR:
            return _off(name, offered.volt, needed.volt, tr("by its label"))
        return Fact(name, "not known", tr("a label is no measurement: old adapters fail upwards"))
    if abs(volt / needed.volt - 1.0) > FAR:
        return _off(name, volt, needed.volt, "measured")
    near = abs(volt / needed.volt - 1.0) <= NEAR
    text = tr("{measured:g} V measured, {wanted:g} V wanted", measured=volt, wanted=needed.volt)
    return Fact(name, "safe", text if near else tr("{text}: near the edge, look at the rails when it runs", text=text))


def _off(name: str, volt: float, wanted: float, how: str) -> Fact:
    if volt > wanted:
        text = tr("too much: the regulator cooks, and what has none gets it all, memory first")
    else:
        text = tr(
            "too little: restarts, faint picture, hum; as a rule no lasting harm, but nothing measured on it counts"
        )
    return Fact(
        name,
        "not safe",
        tr("{volt:g} V {how}, {wanted:g} V wanted. {text}", volt=volt, how=how, wanted=wanted, text=text),
    )


def _unloaded(needed: Needed, offered: Offered, todo: list[str]) -> Fact:
    name = tr("volts without load")
    most = needed.most_open
    if offered.unloaded is not None:
        volt = offered.unloaded
        if most is not None:
            if volt > most:
                return Fact(
                    name,
                    "not safe",
                    tr(
                        "{volt:g} V, the unit stands {most:.3g} V: capacitors or regulator may burst",
                        volt=volt,
                        most=most,
                    ),
                )
            return Fact(name, "safe", tr("{volt:g} V, the unit stands {most:.3g} V", volt=volt, most=most))
        if volt <= (1.0 + FAR) * needed.volt:
            return Fact(name, "safe", tr("{volt:g} V, hardly more than wanted", volt=volt))
        if volt > OPEN_UNREGULATED * needed.volt:
            text = tr(
                "{measured:g} V is more than even an unregulated {label:g} V adapter should give",
                measured=volt,
                label=needed.volt,
            )
            return Fact(name, "not safe", text)
        todo.append(tr("find out what the unit stands: its reservoir's volts, and whether a regulator follows"))
        return Fact(name, "not known", tr("{volt:g} V; what the unit stands without load is not known", volt=volt))
    todo.append(tr("measure its volts with nothing drawn"))
    text = (
        tr("not measured")
        if offered.regulated
        else tr("not measured; an unregulated one gives 1.1 to 1.5 times its label")
    )
    return Fact(name, "not known", text)


def _amps(needed: Needed, offered: Offered, todo: list[str]) -> Fact:
    if offered.ampere is None:
        todo.append(tr("read its amps from the label"))
        return Fact("amps", "not known", tr("the unit wants {ampere:g} A at least", ampere=needed.ampere))
    if offered.ampere < needed.ampere:
        text = tr(
            "{offered:g} A, {wanted:g} A wanted: it sags and overheats, with a risk of fire",
            offered=offered.ampere,
            wanted=needed.ampere,
        )
        return Fact("amps", "not safe", text)
    return Fact(
        "amps",
        "safe",
        tr(
            "{offered:g} A, {wanted:g} A wanted; more than wanted does no harm",
            offered=offered.ampere,
            wanted=needed.ampere,
        ),
    )


def _polarity(needed: Needed, offered: Offered, todo: list[str]) -> Fact:
    if needed.output == "AC" and offered.output == "AC":
        return Fact("polarity", "safe", tr("AC has none"))
    if offered.polarity is None:
        todo.append(tr("measure which side of the plug is plus; a drawing on the label may be wrong"))
        return Fact("polarity", "not known", tr("the unit wants {polarity}", polarity=spoken(needed.polarity)))
    if "not polarised" in (needed.polarity, offered.polarity) or offered.polarity == needed.polarity:
        if offered.polarity == "not polarised" and needed.polarity != "not polarised":
            return Fact(
                "polarity",
                "not known",
                tr("a DC plug has a plus and a minus; the unit wants {polarity}", polarity=spoken(needed.polarity)),
            )
        return Fact("polarity", "safe", offered.polarity)
    text = tr(
        "{offered}, {wanted} wanted: reversed, capacitors burst and chips die in a moment",
        offered=spoken(offered.polarity),
        wanted=spoken(needed.polarity),
    )
    return Fact("polarity", "not safe", text)


def _plug(needed: Needed, offered: Offered, todo: list[str]) -> Fact:
    if not offered.plug:
        todo.append(tr("measure the plug, outside and inside, in mm"))
        return Fact("plug", "not known", tr("the unit wants {plug}", plug=spoken(needed.plug)))
    if _plain(offered.plug) == _plain(needed.plug):
        return Fact("plug", "safe", needed.plug)
    text = tr(
        "{offered}, {wanted} wanted: loose or forced, it breaks contact or the socket",
        offered=spoken(offered.plug),
        wanted=spoken(needed.plug),
    )
    return Fact("plug", "not safe", text)


def _plain(text: str) -> str:
    """A plug's name without spacing, capitals, decimal commas, or the kind of cross between two sizes."""
    return "".join(text.casefold().replace(",", ".").replace("×", "x").split())


def _mains(needed: Needed, offered: Offered, todo: list[str]) -> Fact:
    name = tr("mains side")
    if offered.mains is None:
        todo.append(tr("read from its label which mains it is made for"))
        return Fact(name, "not known", tr("the wall gives {mains_volt:g} V", mains_volt=needed.mains_volt))
    low, high = offered.mains
    made = f"{low:g} V" if low == high else f"{low:g} to {high:g} V"
    if needed.mains_volt > 1.1 * high:
        return Fact(
            name,
            "not safe",
            tr("made for {made}, the wall gives {mains_volt:g} V: it burns", made=made, mains_volt=needed.mains_volt),
        )
    if needed.mains_volt < 0.9 * low:
        return Fact(
            name,
            "not safe",
            tr(
                "made for {made}, the wall gives {mains_volt:g} V: far too little comes out",
                made=made,
                mains_volt=needed.mains_volt,
            ),
        )
    return Fact(name, "safe", tr("made for {made}", made=made))


def _ripple(needed: Needed, ripple: float) -> Fact:
    part = ripple / needed.volt
    if part > 0.3:
        return Fact(
            "ripple",
            "not safe",
            tr("{ripple:g} V peak to peak: its capacitor is dead, or it gives AC", ripple=ripple),
        )
    if part > 0.1:
        return Fact(
            "ripple",
            "not known",
            tr("{ripple:g} V peak to peak: much; hum, and rails that drop out", ripple=ripple),
        )
    return Fact("ripple", "safe", tr("{ripple:g} V peak to peak", ripple=ripple))
