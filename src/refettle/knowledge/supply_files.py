"""Supply files and `supply` sections as supplies to work out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from importlib.resources.abc import Traversable
from math import pi, sqrt
from pathlib import Path as FilePath

from refettle.knowledge.errors import KnowledgeError, Mistake
from refettle.knowledge.parsing import parse_model, read_text_file
from refettle.knowledge.reading import read_document
from refettle.knowledge.supplies import DirectLoad, FeedAdapter, RegulatorPart, SupplyFile, SupplySection, Transformer
from refettle.language import tr
from refettle.parts.capacitor import Rated
from refettle.parts.limits import esr_limit
from refettle.supply.adapter import Fact, Offered
from refettle.supply.feed import FlatSource, Winding, ac_adapter, dc_adapter, measured_winding, rated_winding
from refettle.supply.model import Fuse, ReservoirPart, Spread, Supply
from refettle.supply.rectifier import SCHOTTKY, SILICON, Load
from refettle.supply.regulator import Cooling, Regulator
from refettle.supply.report import MAINS, assess
from refettle.supply.values import SupplyError

USUAL_LOSS = 0.15
"""tan δ of a reservoir whose volts are not known: estimate."""
SHEET_TO_USUAL = 0.6
"""ESR of a sound part over its sheet's limit: estimate."""


@dataclass(frozen=True, slots=True)
class LoadedSupply:
    """A supply ready to be worked out: its name, what its regulators feed by name, and what was assumed."""

    name: str
    supply: Supply
    serves: Mapping[str, str]
    assumed: tuple[str, ...]
    note: str | None = None


def load_supply(path: FilePath | Traversable, name: str | None = None) -> LoadedSupply:
    """A supply from its file. KnowledgeError with every mistake."""
    shown = name or path.name
    return parse_supply(read_text_file(path, shown), shown)


def parse_supply(text: str, file: str) -> LoadedSupply:
    """A supply from its YAML text; `file` is the name to use in messages. KnowledgeError with every mistake."""
    document = read_document(text, file)
    mistakes: list[Mistake] = []
    found = parse_model(SupplyFile, document.data, document, (), mistakes)
    if found is None:
        raise KnowledgeError(mistakes)
    return supply_of(found, found.supply, file)


def supply_of(section: SupplySection, name: str, file: str) -> LoadedSupply:
    """A supply from its section of a file. KnowledgeError for figures that do not go together."""
    try:
        return _supply_of(section, name)
    except SupplyError as error:
        what, _, rest = str(error).partition(": found ")
        found, stated, allowed = rest.partition("; allowed: ")
        if not stated:  # in another language: the whole as it is
            what, found, allowed = "", str(error), ""
        raise KnowledgeError([Mistake(file, 0, what, found, allowed)]) from None


def _supply_of(section: SupplySection, name: str) -> LoadedSupply:
    assumed: list[str] = []
    mains, rectifier = section.mains, section.rectifier
    wiring = rectifier.wiring if rectifier else None
    if section.transformer is not None:
        feed: Winding | FlatSource = _transformer(section.transformer, mains.volts)
    else:
        assert section.adapter is not None
        feed = _adapter(section.adapter, mains.hertz, assumed)
        if section.adapter.output == "DC" and not section.adapter.regulated:
            wiring = "bridge"
    own = section.adapter.farad if section.adapter and section.adapter.output == "DC" else None
    fuse = section.fuse
    supply = Supply(
        feed=feed,
        rectifier=wiring,
        reservoir=_reservoir(section, own or 0.0, assumed),
        regulators=tuple(_regulator(key, each) for key, each in section.regulators.items()),
        loads=tuple(_load(each) for each in section.loads.values()),
        mains_hz=mains.hertz,
        mains_volt=mains.volts,
        low=mains.low,
        high=mains.high,
        diode=SCHOTTKY if rectifier and rectifier.diode == "schottky" else SILICON,
        dead_diode=bool(rectifier and rectifier.dead_diode),
        diode_air=rectifier.kelvin_per_watt if rectifier else 50.0,
        fuse=Fuse(fuse.amps, fuse.slow, fuse.side == "primary", fuse.melting) if fuse else None,
        air=section.air,
        bleeder=section.bleeder,
        own_mains=section.transformer is not None,
        spread=Spread(
            volt=section.spread.volts,
            ohm=section.spread.ohm,
            esr=section.spread.esr,
            load=section.spread.load,
            dropout=section.spread.dropout,
            warmer=section.spread.warmer,
        ),
    )
    serves = {key: each.serves for key, each in section.regulators.items()}
    return LoadedSupply(name, supply, serves, tuple(assumed), section.note)


def _transformer(part: Transformer, mains_volt: float) -> Winding:
    if part.volts is not None and part.amps is not None:
        return rated_winding(part.volts, part.amps, part.regulation, mains_volt)
    assert part.open_volts is not None
    assert part.secondary_ohm is not None
    return measured_winding(
        part.open_volts,
        part.secondary_ohm,
        part.primary_ohm,
        part.ratio,
        mains_volt=mains_volt,
        warmer=part.warmer,
    )


def _adapter(part: FeedAdapter, hertz: float, assumed: list[str]) -> Winding | FlatSource:
    if part.regulated:
        assumed.append(tr("0.2 Ω in the adapter's lead and contacts: estimate"))
        return FlatSource(part.open_volts or part.volts)
    assert part.open_volts is not None
    if part.output == "AC":
        return ac_adapter(part.volts, part.amps, part.open_volts)
    if part.farad is None:
        assumed.append(tr("1000 µF inside the adapter, to find its winding from its volts: estimate"))
    return dc_adapter(part.volts, part.amps, part.open_volts, hertz, part.farad)


def _reservoir(section: SupplySection, beside: float, assumed: list[str]) -> ReservoirPart:
    part = section.reservoir
    esr = part.esr
    if esr is None:
        limit = esr_limit(Rated("aluminium", part.farad, part.volts))
        worst = limit.value if limit else USUAL_LOSS / (2.0 * pi * 120.0 * part.farad)
        esr = SHEET_TO_USUAL * worst
        assumed.append(tr("ESR {esr:.2g} Ω, 0.6 of what a new part may have at 120 Hz: estimate", esr=esr))
    if beside:
        assumed.append(tr("the adapter's own reservoir is counted as one with the unit's"))
    return ReservoirPart(
        farad=part.farad + beside,
        esr=esr,
        tolerance=part.tolerance,
        volt=part.volts,
        ripple=part.ripple_amps,
        endurance=part.endurance,
        celsius=part.celsius,
        air=part.air,
    )


def _regulator(key: str, part: RegulatorPart) -> Regulator:
    return Regulator(
        name=key,
        volt=part.volts,
        ampere=part.load_amps,
        tolerance=part.tolerance,
        dropout=part.dropout,
        dropout_ampere=part.dropout_amps,
        rejection=part.rejection,
        quiescent=part.own_amps,
        limit=part.limit_amps,
        most_volt=part.most_volts,
        cooling=Cooling(part.junction_case, part.pad, part.heat_sink, part.junction_air),
    )


def _load(part: DirectLoad) -> Load:
    if part.amps is not None:
        return Load("current", part.amps)
    if part.ohm is not None:
        return Load("resistance", part.ohm)
    assert part.watts is not None
    return Load("power", part.watts)


def rails_with(section: SupplySection | None, offered: Offered) -> Fact | None:
    """What the unit's rails do on this adapter, as one more fact of the check; None where that cannot be worked out.

    Needs the unit's supply and both volts measured, the loaded ones at the amps of the supply's own adapter.
    """
    if section is None or section.adapter is None or offered.loaded is None or offered.unloaded is None:
        return None
    if offered.output != section.adapter.output or not 0.0 < offered.loaded <= offered.unloaded:
        return None
    try:
        adapter = FeedAdapter(
            output=section.adapter.output,
            volts=offered.loaded,
            amps=section.adapter.amps,
            open_volts=offered.unloaded,
            regulated=bool(offered.regulated) and section.adapter.output == "DC",
        )
        loaded = _supply_of(section.model_copy(update={"adapter": adapter}), "")
        cases = {mains: assess(loaded.supply, mains, serves=loaded.serves) for mains in MAINS}
    except (SupplyError, ValueError):
        return None
    bad = {mains: [f"{f.subject} {f.text}" for f in case.findings if f.level == "bad"] for mains, case in cases.items()}
    for mains in ("nominal", "high"):
        if bad[mains]:
            return Fact(
                "rails",
                "not safe",
                tr("worked out at {mains} mains: {words}", mains=tr(mains), words="; ".join(bad[mains])),
            )
    if bad["low"]:
        return Fact(
            "rails", "not known", tr("good at nominal mains, but at low mains: {words}", words="; ".join(bad["low"]))
        )
    least = min((rail.headroom for rail in cases["low"].rails), default=None)
    if least is None:
        return Fact("rails", "safe", tr("worked out from low to high mains: good"))
    text = tr("worked out from low to high mains: good, {volts:.2g} V left at low mains", volts=least)
    return Fact("rails", "safe", text)


def stands_open(section: SupplySection | None) -> float | None:
    """[V] that a unit stands at its adapter socket with nothing drawn: rms of AC, or DC. None where it is not known.

    By the rated volts of its reservoir and the highest input of its regulators, whichever is less.
    """
    if section is None or section.adapter is None or section.reservoir.volts is None:
        return None
    most = min([section.reservoir.volts, *(each.most_volts for each in section.regulators.values())])
    if section.adapter.output == "DC":
        return most
    return most / (sqrt(2.0) * section.mains.high)
