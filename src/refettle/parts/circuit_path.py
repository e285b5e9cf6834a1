"""Which capacitors lie on the way to an output: for 'no sound', those between the sound's chips and its socket first.

The search starts at the socket and goes backward through two-ended parts, transistors and, from output to inputs,
through small or analogue chips; never through ground, rails or large digital chips.
"""

from __future__ import annotations

import re
from collections import deque
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Literal

from refettle.language import tr
from refettle.parts.board_capacitors import ref_order
from refettle.parts.circuit import SERIES, Circuit, base_name
from refettle.parts.circuit_roles import Seat

MAX_STEPS = 12
_PASSING = SERIES | {"capacitor", "diode"}
_ANALOGUE = re.compile(
    r"amplif|op-?amp|comparator|mixer|modulator|(?:video|audio|pal|ntsc|colou?r|rgb)\b.*encod|encod.*(?:ntsc|pal)|preamp",
    re.IGNORECASE,
)
How = Literal["in series", "beside the path", "feeds"]


@dataclass(frozen=True, slots=True)
class OnPath:
    """A capacitor on the way; `steps` parts from the output, `by` are those parts, nearest to the output first."""

    ref: str
    how: How
    steps: int
    by: tuple[str, ...]
    text: str


class NoSuchOutputError(ValueError):
    """The name is neither a net, a part, nor what is printed at a connector."""


def output_nets(circuit: Circuit, name: str) -> list[str]:
    """The nets meant by a net's name, a designator (J3), a pin (J3.1) or the text printed at a connector (AUDIO).

    Raises
    ------
    NoSuchOutputError
        With what there is to choose from.
    """
    wanted = name.strip()
    refs = {ref.upper(): ref for ref in circuit.parts}
    outlets = [ref for ref, facts in circuit.parts.items() if facts.kind in ("connector", "speaker")]
    ref, _, number = wanted.partition(".")
    if number and ref.upper() in refs:
        net = circuit.of_part[refs[ref.upper()]].get(number)
        if net is not None:
            return [net]
    nets = [net for net in circuit.on_net if net.upper() == wanted.upper()]
    nets = nets or [net for net in circuit.on_net if base_name(net) == base_name(wanted)]
    owners = [refs[wanted.upper()]] if wanted.upper() in refs else []
    if not owners and not nets:
        owners = [outlet for outlet in outlets if circuit.parts[outlet].value.upper() == wanted.upper()]
    nets += [net for owner in owners for net in circuit.of_part[owner].values()]
    found = sorted({net for net in nets if circuit.is_signal(net)})
    if found:
        return found
    listed = ", ".join(f"{r} ({circuit.parts[r].value})" for r in sorted(outlets, key=ref_order)[:20])
    what = tr("no signal reaches") if nets or owners else tr("no net, part or connector is called")
    raise NoSuchOutputError(
        tr(
            "{nothing_found} {name!r}; allowed: a net, a part, or a connector: {connectors}",
            nothing_found=what,
            name=name,
            connectors=listed or tr("there is none"),
        )
    )


def on_path(circuit: Circuit, seats: Mapping[str, Seat], outputs: Iterable[str]) -> list[OnPath]:
    """The capacitors among `seats` on the way to the nets `outputs`: in series, then beside it, then feeding it.

    Parameters
    ----------
    circuit : Circuit
    seats : mapping of designator to Seat
        The capacitors looked for.
    outputs : iterable of str
        Nets, as `output_nets` gives them.
    """
    by_net: dict[str, tuple[str, ...]] = dict.fromkeys(outputs, ())
    waiting = deque(by_net)
    series: dict[str, tuple[str, ...]] = {}
    chips: dict[str, tuple[str, ...]] = {}
    while waiting:
        net = waiting.popleft()
        way = by_net[net]
        if len(way) >= MAX_STEPS:
            continue
        for pin in sorted(circuit.on_net[net], key=lambda pin: circuit.kind(pin.ref) not in ("chip", "transistor")):
            kind = circuit.kind(pin.ref)
            if kind in ("chip", "regulator"):
                chips.setdefault(pin.ref, way)
            for other in _beyond(circuit, pin.ref, net, pin.type):
                if not circuit.is_signal(other):
                    continue
                if kind == "capacitor":
                    series.setdefault(pin.ref, way)
                if other not in by_net:
                    by_net[other] = (*way, pin.ref)
                    waiting.append(other)
    return _listed(circuit, seats, by_net, series, chips)


def _beyond(circuit: Circuit, ref: str, net: str, pin_type: str) -> list[str]:
    """Nets from which what is on `net` may come through a part."""
    kind = circuit.kind(ref)
    if kind in _PASSING:
        other = circuit.through(ref, net)
        return [other] if other is not None else []
    if kind in ("transistor", "pot"):
        return [other for other in circuit.of_part[ref].values() if other != net]
    if kind == "chip" and pin_type not in ("input", "power_in"):
        few = len(circuit.pins[ref]) <= 8
        if few or (len(circuit.pins[ref]) <= 64 and _ANALOGUE.search(circuit.parts[ref].about)):
            return [other for pin, other in circuit.pins[ref] if pin.type == "input" and other != net]
    return []


def _listed(
    circuit: Circuit,
    seats: Mapping[str, Seat],
    by_net: Mapping[str, tuple[str, ...]],
    series: Mapping[str, tuple[str, ...]],
    chips: Mapping[str, tuple[str, ...]],
) -> list[OnPath]:
    out: list[OnPath] = []
    fed = {rail: (chip, way) for chip, way in reversed(list(chips.items())) for rail in circuit.rails_of(chip)}
    for ref, seat in seats.items():
        near = [by_net[net] for net in seat.nets if net in by_net]
        if seat.role in ("bias", "filter", "timing"):
            near += [(*chips[end.ref], end.ref) for end in seat.ends if end.ref in chips and not end.by]
        near.sort(key=len)
        if ref in series:
            way = series[ref]
            out.append(OnPath(ref, "in series", len(way), way, _way_text(tr("in the signal's way"), way)))
        elif near:
            way = near[0]
            out.append(
                OnPath(ref, "beside the path", len(way), way, _way_text(tr("beside it, {text}", text=seat.text), way))
            )
        elif seat.rail in fed:
            chip, way = fed[seat.rail]
            out.append(
                OnPath(ref, "feeds", len(way), way, tr("on {rail}, which feeds {chip}", rail=seat.rail, chip=chip))
            )
    order = {"in series": 0, "beside the path": 1, "feeds": 2}
    return sorted(out, key=lambda found: (order[found.how], found.steps, ref_order(found.ref)))


def _way_text(what: str, way: tuple[str, ...]) -> str:
    return (
        tr("{place}, behind {parts_before}", place=what, parts_before=", ".join(way))
        if way
        else tr("{place}, at the output", place=what)
    )
