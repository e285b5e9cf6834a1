"""The shape of a supply file, and of the `supply` section of a unit type.

Quantities are numbers in V, A, ohm, F, W, or texts as people write them: 4700u, 4k7.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, model_validator

from refettle.knowledge.fields import Id, Name, Number, Prose, Strict, quantity
from refettle.language import tr

Volts = Annotated[float, quantity("V"), Field(gt=0, le=1000)]
Amps = Annotated[float, quantity("A"), Field(gt=0, le=100)]
Ohms = Annotated[float, quantity("Ω"), Field(gt=0, le=1e7)]
OhmsOrNone = Annotated[float, quantity("Ω"), Field(ge=0, le=1e5)]
Farads = Annotated[float, quantity("F"), Field(ge=1e-6, le=1)]
Watts = Annotated[float, quantity("W"), Field(gt=0, le=1e4)]
Celsius = Annotated[Number, Field(ge=-20, le=125)]
KelvinPerWatt = Annotated[Number, Field(gt=0, le=500)]
Missing = Literal["heat-sink", "pad", "paste", "clip"]
Serves = Literal["logic", "picture", "sound", "motor", "other"]


class Mains(Strict):
    """The wall: what it gives, and how far it strays."""

    volts: Annotated[Number, Field(ge=90, le=260)] = 230
    hertz: Literal[50, 60] = 50
    low: Annotated[Number, Field(ge=0.5, le=1)] = 0.9
    high: Annotated[Number, Field(ge=1, le=1.5)] = 1.1


class Transformer(Strict):
    """By its rating (volts, amps, regulation) or by readings (open_volts, secondary_ohm); of one half if tapped."""

    volts: Volts | None = None
    amps: Amps | None = None
    regulation: Annotated[Number, Field(ge=0.01, le=1)] = 0.2
    open_volts: Volts | None = None
    secondary_ohm: Ohms | None = None
    primary_ohm: OhmsOrNone = 0
    ratio: Annotated[Number, Field(gt=0, le=10)] | None = None
    warmer: Annotated[Number, Field(ge=0, le=120)] = 30

    @model_validator(mode="after")
    def _one_way(self) -> Transformer:
        rated = self.volts is not None and self.amps is not None
        measured = self.open_volts is not None and self.secondary_ohm is not None
        if rated == measured:
            raise ValueError(tr("volts and amps of its rating, or open_volts and secondary_ohm as measured"))
        return self


class FeedAdapter(Strict):
    """An adapter as the feed: its label, better its readings."""

    output: Literal["AC", "DC"]
    volts: Volts
    amps: Amps
    open_volts: Volts | None = None
    regulated: bool = False
    farad: Farads | None = None

    @model_validator(mode="after")
    def _open_volts_known(self) -> FeedAdapter:
        if not self.regulated and self.open_volts is None:
            raise ValueError(tr("open_volts, measured without load, for an adapter that is not regulated"))
        if self.open_volts is not None and not self.volts <= self.open_volts <= 3 * self.volts:
            raise ValueError(tr("open_volts from {low:g} to {high:g} V", low=self.volts, high=3 * self.volts))
        if self.regulated and self.output == "AC":
            raise ValueError(tr("regulated: true with output: DC only"))
        return self


class RectifierPart(Strict):
    """The rectifier."""

    wiring: Literal["half", "full", "bridge"]
    diode: Literal["silicon", "schottky"] = "silicon"
    kelvin_per_watt: KelvinPerWatt = 50
    dead_diode: bool = False

    @model_validator(mode="after")
    def _one_left(self) -> RectifierPart:
        if self.dead_diode and self.wiring == "half":
            raise ValueError(tr("dead_diode with full or bridge only"))
        return self


class Reservoir(Strict):
    """The reservoir capacitor."""

    farad: Farads
    esr: OhmsOrNone | None = None
    tolerance: tuple[Annotated[Number, Field(gt=-0.9, le=0)], Annotated[Number, Field(ge=0, le=2)]] = (-0.2, 0.2)
    volts: Volts | None = None
    ripple_amps: Amps | None = None
    endurance: Annotated[Number, Field(gt=0, le=1e6)] | None = None
    celsius: Annotated[Number, Field(ge=40, le=200)] = 85
    air: Celsius = 45


class RegulatorPart(Strict):
    """A linear regulator and the load behind it."""

    volts: Volts
    load_amps: Annotated[float, quantity("A"), Field(ge=0, le=50)]
    serves: Serves = "other"
    tolerance: Annotated[Number, Field(ge=0, le=0.3)] = 0.04
    dropout: Annotated[float, quantity("V"), Field(ge=0, le=10)] = 2.0
    dropout_amps: Amps = 1.0
    rejection: Annotated[Number, Field(ge=0, le=120)] = 62
    own_amps: Annotated[float, quantity("A"), Field(ge=0, le=1)] = 0.006
    limit_amps: Amps = 2.2
    most_volts: Volts = 35
    junction_case: KelvinPerWatt = 5
    pad: Annotated[Number, Field(ge=0, le=50)] = 1
    heat_sink: KelvinPerWatt | None = None
    junction_air: KelvinPerWatt = 65


class DirectLoad(Strict):
    """What hangs on the reservoir itself: exactly one of amps, ohm, watts."""

    amps: Amps | None = None
    ohm: Ohms | None = None
    watts: Watts | None = None

    @model_validator(mode="after")
    def _exactly_one(self) -> DirectLoad:
        if sum(each is not None for each in (self.amps, self.ohm, self.watts)) != 1:
            raise ValueError(tr("exactly one of amps, ohm, watts"))
        return self


class SupplyFuse(Strict):
    """The fuse."""

    amps: Annotated[float, quantity("A"), Field(ge=0.01, le=50)]
    slow: bool = True
    side: Literal["primary", "secondary"] = "primary"
    melting: Annotated[Number, Field(gt=0, le=1e5)] | None = None


Limits = tuple[Annotated[Number, Field(gt=0, le=20)], Annotated[Number, Field(gt=0, le=20)]]


class PartSpread(Strict):
    """How far parts spread: lowest and highest, times what is written. A shop puts in what it has measured."""

    volts: Limits = (0.97, 1.03)
    ohm: Limits = (0.85, 1.2)
    esr: Limits = (0.5, 1.5)
    load: Limits = (0.85, 1.15)
    dropout: Limits = (0.85, 1.15)
    warmer: tuple[Annotated[Number, Field(ge=-50, le=50)], Annotated[Number, Field(ge=-50, le=50)]] = (-10, 10)

    @model_validator(mode="after")
    def _low_first(self) -> PartSpread:
        for name, (low, high) in dict(self).items():
            if low > high:
                raise ValueError(tr("{name} with the lower limit first", name=name))
        return self


class SupplySection(Strict):
    """A linear supply on one reservoir: exactly one of transformer, adapter."""

    mains: Mains = Mains()
    transformer: Transformer | None = None
    adapter: FeedAdapter | None = None
    rectifier: RectifierPart | None = None
    reservoir: Reservoir
    regulators: Annotated[dict[Id, RegulatorPart], Field(max_length=8)] = {}
    loads: Annotated[dict[Id, DirectLoad], Field(max_length=8)] = {}
    fuse: SupplyFuse | None = None
    bleeder: Ohms | None = None
    air: Celsius = 40
    spread: PartSpread = PartSpread()
    note: Prose | None = None

    @model_validator(mode="after")
    def _whole(self) -> SupplySection:
        if (self.transformer is None) == (self.adapter is None):
            raise ValueError(tr("exactly one of transformer, adapter"))
        if self.rectifier is None and not (self.adapter and self.adapter.output == "DC"):
            raise ValueError(tr("a rectifier, unless an adapter gives DC"))
        if self.rectifier and self.adapter and self.adapter.output == "DC" and not self.adapter.regulated:
            raise ValueError(tr("no rectifier with an unregulated DC adapter: its own bridge is what counts"))
        if not self.regulators and not self.loads:
            raise ValueError(tr("at least one of regulators, loads"))
        return self


class SupplyFile(SupplySection):
    """A supply in a file of its own."""

    supply: Name
    about: Prose | None = None
