"""The circuit as a netlist gives it: what hangs on which net, and which nets are ground, rails, mains or signals.

Names decide first, then the names and types of the chips' pins, then what feeds what. Each finding says why and how
sure it is; the conventions used are common practice, no source.
"""

from __future__ import annotations

import re
from collections import deque
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Literal

from refettle.language import mark, tr
from refettle.parts.board import Board
from refettle.parts.board_netlist import Netlist

Confidence = Literal["sure", "likely", "unsure"]
PartKind = Literal[
    "capacitor", "resistor", "inductor", "fuse", "diode", "transistor", "chip", "regulator", "connector", "switch",
    "crystal", "transformer", "speaker", "battery", "pot", "network", "other",
]  # fmt: skip
NetKind = Literal["ground", "chassis", "rail", "mains", "signal"]
MAX_FOLLOWED = 250
SERIES: frozenset[str] = frozenset({"resistor", "inductor", "fuse", "switch"})  # two ends, passes what comes

_PREFIX: dict[str, PartKind] = {
    "C": "capacitor", "R": "resistor", "L": "inductor", "FB": "inductor", "FL": "inductor", "F": "fuse",
    "D": "diode", "CR": "diode", "ZD": "diode", "BR": "diode", "LED": "diode", "Q": "transistor", "TR": "transistor",
    "V": "transistor",
    "U": "chip", "IC": "chip", "Z": "chip", "VR": "pot", "RV": "pot", "POT": "pot", "RR": "network", "RN": "network",
    "RA": "network", "J": "connector", "P": "connector", "CN": "connector", "CON": "connector", "X": "connector",
    "SLOT": "connector", "SK": "connector", "PL": "connector", "JP": "switch", "S": "switch", "SW": "switch",
    "Y": "crystal", "XTAL": "crystal", "T": "transformer", "LS": "speaker", "SP": "speaker", "SPK": "speaker",
    "BT": "battery", "BAT": "battery",
}  # fmt: skip
_ABOUT: tuple[tuple[str, PartKind], ...] = (
    (r"\bregulator|voltage reg|^(?:[a-z]{1,4})?7[89][lmst]?\d\d[a-z]*$|^lm3[13]7|1117", "regulator"),
    (r"^connector|:conn_|(?:^|:)(?:barrel_jack|usb_[abc])|\bconnector\b", "connector"),
    (r"crystal|resonator", "crystal"),
    (r"transformer", "transformer"),
    (r"speaker|loudspeaker|buzzer", "speaker"),
    (r"optocoupler", "chip"),
)
_GROUND = re.compile(r"^(?:[ADPS]?GND[ADPS]?(?:PWR)?\d*|GND[_-].*|.*[_-]GND|0V\d?|0|EARTHED_0V)$")
_CHASSIS = re.compile(r"^(?:EARTH.*|CHASSIS.*|SHIELD.*|PE|FRAME.*|CASE)$")
_VOLTS = r"[+-]?\d+(?:[.,]\d+)?V\d*"
_RAIL = re.compile(
    rf"^(?:{_VOLTS}(?:[_A-Z-].*)?|[+-]\d+(?:[.,]\d+)?|[ADPCI]*V(?:CC|DD|EE|BAT|BUS|PP|AA|POS|NEG|SYS|RAW)\w*"
    r"|[+-]V\w{0,3}|V[+-]|[+-]B\d*|B[+-]|HT[+-]?\d*|UNREG\w*|\w+[_-]V(?:CC|DD|EE)|VSS\w*|VREG\w*)$"
)
_NO_RAIL = re.compile(r"[_-](?:ON|OFF|EN|ENABLE|OK|PG|GOOD|FAIL|SEL|FB|SENSE|DET|CTL|CTRL)$")
_GIVEN_PIN = re.compile(r"^(?:V.*|[+-].*|OUT\w*|)$", re.IGNORECASE)
_NEGATIVE = re.compile(r"^-|NEG|^[AD]?VEE|^V-$|^B-$")
_SUPPLY_PIN = re.compile(r"^(?:[ADPCI]*V(?:CC|DD|BAT|S|PP|AA)\w*|V\+|VS\+|\+V\w*|\+?\d+V\d*)$", re.IGNORECASE)
_GROUND_PIN = re.compile(r"^(?:[ADPS]?GND\w*|VSS\w*|0V|COM)$", re.IGNORECASE)
_NEGATIVE_PIN = re.compile(r"^(?:V-|VEE|VS-|-V\w*)$", re.IGNORECASE)
_REGULATOR_PIN = re.compile(r"^(?:VI|VIN|IN|INPUT|VO|VOUT|OUT|OUTPUT)$", re.IGNORECASE)
_SUPPLY_VALUE = re.compile(r"power|supply|\bDC[ _-]?(?:in|jack)|adapter|^[+-]?\d+ ?V(?: ?DC)?$", re.IGNORECASE)
_SUPPLY_SOCKET = re.compile(r"(?:barrel|power|dc)[ _-]?jack", re.IGNORECASE)
_MAINS = re.compile(
    r"iec[ _]?60320|\bmains\b|power entry|\bAC (?:inlet|mains|line)|(?:^|\D)(?:110|115|120|220|230|240) ?V ?AC",
    re.IGNORECASE,
)


@dataclass(frozen=True, slots=True)
class Pin:
    """One end of a part on a net."""

    ref: str
    number: str
    name: str
    type: str


@dataclass(frozen=True, slots=True)
class Facts:
    """What is known of a part: its kind, printed value, and symbol, description and footprint in one text."""

    kind: PartKind
    value: str
    about: str


@dataclass(frozen=True, slots=True)
class NetFacts:
    """What a net is. `sign` is 1 for a positive rail, -1 for a negative one, 0 where there is none or nobody knows."""

    kind: NetKind
    sign: int
    confidence: Confidence
    reason: str
    fed_by: str = ""


class Circuit:
    """Parts and pins, and what each net is.

    Parameters
    ----------
    parts : mapping of designator to Facts
    pins : mapping of (designator, pin number) to (net, pin name, pin type)
    """

    def __init__(self, parts: Mapping[str, Facts], pins: Mapping[tuple[str, str], tuple[str, str, str]]) -> None:
        self.parts = dict(parts)
        self.on_net: dict[str, list[Pin]] = {}
        self.of_part: dict[str, dict[str, str]] = {ref: {} for ref in parts}
        self.pins: dict[str, list[tuple[Pin, str]]] = {ref: [] for ref in parts}
        for (ref, number), (net, name, kind) in pins.items():
            if not net or ref not in self.parts:
                continue
            pin = Pin(ref, number, name, kind)
            self.on_net.setdefault(net, []).append(pin)
            self.of_part[ref][number] = net
            self.pins[ref].append((pin, net))
        self.nets: dict[str, NetFacts] = {}
        for ref, facts in parts.items():
            if facts.kind == "chip" and _regulates([pin for pin, _ in self.pins[ref]]):
                self.parts[ref] = replace(facts, kind="regulator")
        self._rails: dict[str, list[str]] = {}
        self._regulators: dict[str, tuple[str, ...]] = {}
        self._classify()

    def kind(self, ref: str) -> PartKind:
        """What kind of part the designator stands for."""
        return self.parts[ref].kind

    def near(self, net: str) -> list[Pin]:
        """The pins on a net; none where there are so many that following it tells nothing."""
        pins = self.on_net[net]
        return pins if len(pins) <= MAX_FOLLOWED else []

    def through(self, ref: str, net: str) -> str | None:
        """The net at the other end of a part with two ends, None where it has more or only one."""
        if len(self.of_part[ref]) > 8:
            return None
        others = set(self.of_part[ref].values()) - {net}
        return next(iter(others)) if len(others) == 1 else None

    def is_signal(self, net: str) -> bool:
        """True unless the net is ground, a rail, mains or chassis."""
        return self.nets[net].kind == "signal"

    def rails_of(self, ref: str) -> list[str]:
        """The rails that reach a part's pins."""
        if ref not in self._rails:
            self._rails[ref] = sorted({net for net in self.of_part[ref].values() if self.nets[net].kind == "rail"})
        return self._rails[ref]

    def regulators_on(self, net: str) -> tuple[str, ...]:
        """The regulators that stand on a net."""
        if net not in self._regulators:
            found = {pin.ref for pin in self.on_net[net] if self.kind(pin.ref) == "regulator"}
            self._regulators[net] = tuple(sorted(found))
        return self._regulators[net]

    def series(self, net: str, steps: int, passing: frozenset[str] = SERIES) -> Iterator[tuple[str, tuple[str, ...]]]:
        """Nets reached from `net` through up to `steps` two-ended parts, nearest first, with the parts passed.

        Ground, rails, mains and chassis are given when reached and not gone beyond.
        """
        seen = {net}
        waiting: deque[tuple[str, tuple[str, ...]]] = deque([(net, ())])
        while waiting:
            here, passed = waiting.popleft()
            yield here, passed
            if len(passed) == steps or not self.is_signal(here):
                continue
            for pin in self.near(here):
                if self.kind(pin.ref) in passing:
                    other = self.through(pin.ref, here)
                    if other is not None and other not in seen:
                        seen.add(other)
                        waiting.append((other, (*passed, pin.ref)))

    def _classify(self) -> None:
        grounds = [net for net in self.on_net if _GROUND.match(base_name(net))]
        for net, pins in self.on_net.items():
            self.nets[net] = self._by_name(net, bool(grounds)) or self._by_pins(pins) or _SIGNAL
        if not any(facts.kind == "ground" for facts in self.nets.values()):
            self._busiest_as_ground()
        self._mark_mains()
        self._mark_supplies()
        self._spread_rails()

    def _by_name(self, net: str, other_ground: bool) -> NetFacts | None:
        name = base_name(net)
        if _GROUND.match(name) or (name == "VSS" and not other_ground):
            return NetFacts("ground", 0, "sure", tr("{net} is named as ground", net=net))
        if _CHASSIS.match(name):
            return NetFacts("chassis", 0, "likely", tr("{net} is named as chassis or earth", net=net))
        if not _RAIL.match(name) or _NO_RAIL.search(name):
            return None
        if name.startswith("VSS"):
            reason = tr("{net} beside a ground of its own is taken for a negative rail: measure it", net=net)
            return NetFacts("rail", -1, "unsure", reason)
        return NetFacts("rail", -1 if _NEGATIVE.search(name) else 1, "sure", tr("{net} is named as a rail", net=net))

    def _by_pins(self, pins: list[Pin]) -> NetFacts | None:
        chips = [pin for pin in pins if self.kind(pin.ref) in ("chip", "regulator")]
        supply = [
            pin for pin in chips if _SUPPLY_PIN.match(pin.name) and pin.type in ("", "power_in", "power_out", "passive")
        ]
        ground = [pin for pin in chips if _GROUND_PIN.match(pin.name)]
        negative = [pin for pin in chips if _NEGATIVE_PIN.match(pin.name)]
        gives = [
            p for p in chips if p.type == "power_out" and _GIVEN_PIN.match(p.name) and not _GROUND_PIN.match(p.name)
        ]
        if len(ground) >= 2 and len(ground) > len(supply):
            return NetFacts(
                "ground",
                0,
                "likely",
                tr("{pin} and {more} more hang on it", pin=_named(ground[0]), more=len(ground) - 1),
            )
        if gives:
            sign = -1 if _NEGATIVE_PIN.match(gives[0].name) else 1
            return NetFacts("rail", sign, "likely", tr("{gives} delivers it", gives=_named(gives[0])))
        if len(supply) > len(ground):
            how: Confidence = "likely" if len({pin.ref for pin in supply}) > 1 else "unsure"
            if supply[0].type == "power_in":
                how = "likely"
            return NetFacts("rail", 1, how, tr("{supply} is fed from it", supply=_named(supply[0])))
        if negative and not supply and not ground:
            return NetFacts("rail", -1, "unsure", tr("{negative} is fed from it", negative=_named(negative[0])))
        return None

    def _busiest_as_ground(self) -> None:
        signals = [net for net, facts in self.nets.items() if facts.kind == "signal"]
        busiest = max(signals, key=lambda net: len(self.on_net[net]), default=None)
        if busiest is not None and len(self.on_net[busiest]) >= 8:
            reason = tr("no net is named ground; {busiest} reaches the most pins", busiest=busiest)
            self.nets[busiest] = NetFacts("ground", 0, "unsure", reason)

    def _mark_mains(self) -> None:
        """From parts that say mains, through fuses, switches and inductors; never across a transformer."""
        for ref, facts in self.parts.items():
            if facts.kind not in ("connector", "transformer", "fuse", "switch", "other"):
                continue
            if not _MAINS.search(f"{facts.value} {facts.about}"):
                continue
            for start in {net for net in self.of_part[ref].values() if self.nets[net].kind == "signal"}:
                if facts.kind == "transformer" and not re.search(r"^(?:L|N|AC)\b", base_name(start)):
                    continue
                for net, passed in list(self.series(start, 6, frozenset({"fuse", "switch", "inductor"}))):
                    if self.nets[net].kind == "signal":
                        way = tr(" through {passed}", passed=", ".join(passed)) if passed else ""
                        self.nets[net] = NetFacts(
                            "mains",
                            0,
                            "likely",
                            tr("{ref} ({value}) brings the mains{way}", ref=ref, value=facts.value, way=way),
                        )

    def _mark_supplies(self) -> None:
        """Both sides of regulators, what comes in at a supply socket, and what stands behind a rectifier."""
        for ref, facts in self.parts.items():
            if facts.kind == "regulator":
                sign = -1 if re.search(r"79[LMST]?\d\d|337", facts.value, re.IGNORECASE) else 1
                for pin, net in self.pins[ref]:
                    if _REGULATOR_PIN.match(pin.name):
                        self._rail(net, sign, "likely", tr("the regulator {pin} stands on it", pin=_named(pin)))
            elif facts.kind == "connector" and len(self.of_part[ref]) <= 4:
                named = facts.about.partition(" ")[0]  # symbol or print; tags are copied about and mean little
                if _SUPPLY_VALUE.search(facts.value) or _SUPPLY_SOCKET.search(named):
                    for net in set(self.of_part[ref].values()):
                        self._rail(
                            net, 1, "unsure", tr("{ref} ({value}) brings the supply", ref=ref, value=facts.value)
                        )
            elif facts.kind == "diode":
                self._rectified(ref)

    def _rectified(self, ref: str) -> None:
        """A diode or bridge at a transformer's winding; cathode by name, else pad 1 of two (common practice)."""
        ends = {pin.name.upper() or pin.number: net for pin, net in self.pins[ref]}
        winding = [net for net in ends.values() if any(self.kind(pin.ref) == "transformer" for pin in self.near(net))]
        if not winding:
            return
        for name, net in ends.items():
            sign = {"K": 1, "+": 1, "1": 1, "A": -1, "-": -1, "2": -1}.get(name, 0)
            if net not in winding and sign and (len(ends) == 2 or name in "+-"):
                self._rail(net, sign, "likely", tr("{ref} rectifies what the transformer gives", ref=ref))

    def _rail(self, net: str, sign: int, how: Confidence, reason: str) -> None:
        if self.nets[net].kind == "signal":
            self.nets[net] = NetFacts("rail", sign, how, reason)

    def _spread_rails(self) -> None:
        """A net behind an inductor, bead or fuse on a rail is that rail filtered."""
        waiting = deque(net for net, facts in self.nets.items() if facts.kind == "rail")
        while waiting:
            net = waiting.popleft()
            for pin in self.on_net[net]:
                if self.kind(pin.ref) not in ("inductor", "fuse"):
                    continue
                other = self.through(pin.ref, net)
                if other is None:
                    continue
                turns = {"diode", "transistor"} & {self.kind(there.ref) for there in self.near(other)}
                if self.kind(pin.ref) == "inductor" and turns:
                    continue  # the switched end of a converter's coil
                if self.is_signal(other):
                    reason = tr("{other} is {net} behind {ref}", other=other, net=net, ref=pin.ref)
                    self.nets[other] = NetFacts("rail", self.nets[net].sign, "likely", reason, net)
                    waiting.append(other)


_SIGNAL = NetFacts("signal", 0, "likely", mark("neither ground nor a rail by name or pins"))


def _regulates(pins: list[Pin]) -> bool:
    """True for a chip with an input, a ground or adjusting pin and a supply output, and little else."""
    given = [pin for pin in pins if pin.type == "power_out" and _REGULATOR_PIN.match(pin.name)]
    taken = [pin for pin in pins if pin.type == "power_in" and _REGULATOR_PIN.match(pin.name)]
    return bool(given and taken) and len(pins) <= 8


def base_name(net: str) -> str:
    """The net's name without its sheet, marks of inversion and case."""
    return net.rsplit("/", 1)[-1].replace("~", "").strip("{} ").upper()


def _named(pin: Pin) -> str:
    return (
        tr("{ref} pin {number} ({name})", ref=pin.ref, number=pin.number, name=pin.name)
        if pin.name
        else tr("{ref} pin {number}", ref=pin.ref, number=pin.number)
    )


def part_kind(ref: str, about: str, value: str, ends: int) -> PartKind:
    """What a part is, from designator, symbol with description and footprint, value and number of pins."""
    prefix = re.match(r"[A-Za-z]*", ref)
    kind = _PREFIX.get(prefix[0].upper() if prefix else "", "other")
    for pattern, found in _ABOUT:
        if re.search(pattern, about, re.IGNORECASE) or re.search(pattern, value, re.IGNORECASE):
            if found == "regulator" and kind not in ("chip", "transistor", "other"):
                continue
            if found in ("connector", "speaker") and kind != "other":
                continue  # a resistor array or a jumper laid out as a pin strip
            return found
    if kind == "transformer" and ends == 3:
        return "transistor"  # some makers number transistors with T
    if kind == "connector" and prefix is not None and prefix[0].upper() == "X" and ends == 2:
        return "crystal"
    if kind == "resistor" and ends > 2:
        return "pot" if ends == 3 else "network"
    return kind


def circuit_of(board: Board, netlist: Netlist | None = None) -> Circuit:
    """The circuit of a board; where a netlist is given it has the last word on nets, pin names and symbols."""
    parts: dict[str, Facts] = {}
    pins: dict[tuple[str, str], tuple[str, str, str]] = {}
    for part in board.parts:
        if not part.pads:
            continue
        ends = {pad.number for pad in part.pads if pad.number}
        listed = netlist.parts.get(part.ref) if netlist is not None else None
        about = f"{part.footprint} {part.fields.get('Description', '')} {part.about}"
        if listed is not None:
            about = f"{listed.symbol} {listed.about} {part.footprint}"
        parts[part.ref] = Facts(part_kind(part.ref, about, part.value, len(ends)), part.value, about)
        for pad in part.pads:
            pins[part.ref, pad.number] = pad.net, pad.name, pad.type
    if netlist is not None:
        for ref, listed in netlist.parts.items():
            if ref not in parts:
                ends = {number for owner, number in netlist.pins if owner == ref}
                about = f"{listed.symbol} {listed.about} {listed.footprint}"
                parts[ref] = Facts(part_kind(ref, about, listed.value, len(ends)), listed.value, about)
        for (ref, number), pin in netlist.pins.items():
            net = "" if pin.net.startswith("unconnected-") else pin.net
            pins[ref, number] = net, pin.name, pin.type
    return Circuit(parts, pins)
