"""Where a capacitor sits in the circuit: on a rail, in series in a signal, at a timing or reset pin, on the mains.

Conventions of drawing and naming decide (common practice, no source), so each finding gives its reasons and how sure
it is. Nothing here replaces looking at the circuit: `unsure` means just that.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Literal

from refettle.language import tr
from refettle.parts.board_capacitors import Capacitor, ref_order
from refettle.parts.circuit import SERIES, Circuit, Confidence, Pin, base_name

Role = Literal["rail", "between rails", "bias", "filter", "timing", "signal", "mains", "unknown"]
_ENDS = frozenset({"connector", "chip", "regulator", "transistor", "speaker", "crystal", "battery", "transformer"})
_TIMING_NET = re.compile(r"(?:^|_|N)(?:RESET|RST|RES|POR|CLR|PWRGOOD)(?:_|\d|B|N|$)")
_TIMING_PIN = re.compile(
    r"^(?:RESET|RST|RES|POR|MR|CLR|CD|TRIG\w*|TR|THR\w*|DIS\w*|CX|RX|CEXT|REXT|RC|CT|RT|RX/CX|RCX|TC|DLY|DELAY|SS"
    r"|OSC\w*|XTAL\w*|XIN|XOUT|CLKIN|TIM\w*)\d*$"
)
_HELD_PIN = re.compile(r"^(?:V?REF\w*|BYP\w*|BIAS\w*|ADJ|CV|CONT\w*|COMP|VCOM|VMID|DEC\w*|FILT\w*|CAP\w*|AGC\w*)$")
_SAFETY = re.compile(
    r"(?<![A-Z0-9])([XY])([12])(?![A-Z0-9])|(?<!\d)(?:250|275|305|310|440|480) ?V ?AC|(?<!\d)(?:275|305|310) ?V~"
)


@dataclass(frozen=True, slots=True)
class End:
    """A connector, chip or other active part that one side of a capacitor leads to; `by` are the parts between."""

    ref: str
    pin: str
    by: tuple[str, ...]
    pad: str
    value: str
    type: str = ""

    def __str__(self) -> str:
        through = tr(" through {by}", by=", ".join(self.by)) if self.by else ""
        pin = f" ({self.pin})" if self.pin else ""
        return f"{self.ref}{pin}{through}"


@dataclass(frozen=True, slots=True)
class Seat:
    """Where one capacitor sits.

    `plus` is the pad that the nets say is plus, None where they do not tell; `plus_confidence` how sure that is. `rail`
    is set for role rail; `ends` are what the sides lead to, nearest first; `regulators` stand on the same rail (some
    need their capacitor's ESR); `safety` is X across the line, Y from line to ground or chassis, for role mains.
    """

    ref: str
    role: Role
    text: str
    confidence: Confidence
    reasons: tuple[str, ...]
    nets: tuple[str, ...]
    rail: str | None = None
    plus: str | None = None
    plus_confidence: Confidence = "likely"
    ends: tuple[End, ...] = ()
    regulators: tuple[str, ...] = ()
    safety: Literal["X", "Y"] | None = None


def seats(circuit: Circuit, capacitors: Iterable[Capacitor]) -> dict[str, Seat]:
    """The seat of every capacitor given, by designator."""
    return {capacitor.ref: seat_of(circuit, capacitor) for capacitor in capacitors}


def seat_of(circuit: Circuit, capacitor: Capacitor) -> Seat:
    """Where a capacitor sits in the circuit."""
    ref = capacitor.ref
    pads: dict[str, str] = {}  # net -> pad number
    for number, net in circuit.of_part.get(ref, {}).items():
        pads.setdefault(net, number)
    nets = tuple(pads)
    if len(nets) != 2:
        text = {0: "on no net", 1: f"both ends on {nets[0]}" if nets else ""}.get(len(nets), f"on {len(nets)} nets")
        return Seat(ref, "unknown", text, "unsure", (text,), nets)
    mains = _mains(circuit, capacitor, nets)
    if mains is not None:
        return mains
    kinds = {net: circuit.nets[net].kind for net in nets}
    still = [net for net in nets if kinds[net] in ("ground", "chassis")]
    rails = [net for net in nets if kinds[net] == "rail"]
    if len(still) == 2:
        return Seat(
            ref,
            "unknown",
            tr("between {net} and {other_net}, both grounds", net=nets[0], other_net=nets[1]),
            "likely",
            _why(circuit, nets),
            nets,
        )
    if len(rails) == 2:
        return _between_rails(circuit, ref, pads, (rails[0], rails[1]))
    if still and rails:
        return _rail(circuit, ref, pads, rails[0], still[0])
    if still or rails:
        fixed = (still or rails)[0]
        return _hanging(circuit, ref, pads, next(net for net in nets if net != fixed), fixed)
    return _in_series(circuit, ref, pads)


def _why(circuit: Circuit, nets: Iterable[str]) -> tuple[str, ...]:
    return tuple(circuit.nets[net].reason for net in nets)


def _least(*all_: Confidence) -> Confidence:
    order: tuple[Confidence, ...] = ("unsure", "likely", "sure")
    return min(all_, key=order.index)


def _mains(circuit: Circuit, capacitor: Capacitor, nets: tuple[str, ...]) -> Seat | None:
    on = [net for net in nets if circuit.nets[net].kind == "mains"]
    marked = _SAFETY.search(f"{capacitor.part.value} {capacitor.part.about}".upper())
    if not on and marked is None:
        return None
    reasons = list(_why(circuit, on))
    if marked is not None:
        reasons.append(tr("marked {marked}", marked=marked[0]))
    letter = marked[1] if marked is not None else None
    other = [net for net in nets if net not in on]
    if letter in ("X", "Y"):
        safety: Literal["X", "Y"] = "X" if letter == "X" else "Y"
    else:
        safety = "X" if len(on) == 2 or not any(circuit.nets[n].kind in ("ground", "chassis") for n in other) else "Y"
    where = (
        tr("across the mains")
        if safety == "X"
        else tr("from the mains to {other}", other=other[0] if other else "ground")
    )
    text = tr(
        "{where}: a safety capacitor of class {safety}; only the same class may replace it", where=where, safety=safety
    )
    confidence: Confidence = "sure" if on and marked is not None else "likely"
    return Seat(capacitor.ref, "mains", text, confidence, tuple(reasons), nets, safety=safety)


def _rail(circuit: Circuit, ref: str, pads: dict[str, str], rail: str, ground: str) -> Seat:
    facts = circuit.nets[rail]
    plus = {1: pads[rail], -1: pads[ground]}.get(facts.sign)
    if circuit.nets[ground].kind == "chassis":
        plus = None
    regulators = circuit.regulators_on(rail)
    fed = tr(" (from {fed_by})", fed_by=facts.fed_by) if facts.fed_by else ""
    kind = tr("negative rail") if facts.sign < 0 else tr("rail")
    text = tr("{kind} {rail}{fed} to {ground}", kind=kind, rail=rail, fed=fed, ground=ground)
    reasons = list(_why(circuit, (rail, ground)))
    if regulators:
        reasons.append(
            tr(
                "on the same rail as {regulators}: a regulator may need its capacitor's ESR",
                regulators=", ".join(regulators),
            )
        )
    confidence = _least(facts.confidence, circuit.nets[ground].confidence)
    return Seat(
        ref, "rail", text, confidence, tuple(reasons), tuple(pads), rail, plus, confidence, regulators=regulators
    )


def _between_rails(circuit: Circuit, ref: str, pads: dict[str, str], rails: tuple[str, str]) -> Seat:
    high, low = sorted(rails, key=lambda net: -circuit.nets[net].sign)
    plus = pads[high] if circuit.nets[high].sign > circuit.nets[low].sign else None
    text = tr("between the rails {high} and {low}", high=high, low=low)
    return Seat(ref, "between rails", text, "likely", _why(circuit, rails), tuple(pads), None, plus)


def _hanging(circuit: Circuit, ref: str, pads: dict[str, str], node: str, fixed: str) -> Seat:
    """From a node to ground or a rail: timing, bias or filter."""
    reasons = list(_why(circuit, (fixed,)))
    ends = _ends(circuit, node, ref, pads[node], 3)
    plus = _plus_to(circuit, pads, node, fixed)
    base = Seat(ref, "filter", "", "unsure", (), tuple(pads), None, plus, "likely", ends)
    direct = [pin for pin in circuit.near(node) if pin.ref != ref]
    for pin in direct:
        if circuit.kind(pin.ref) == "crystal":
            why = (*reasons, tr("{ref} hangs on the same net", ref=pin.ref))
            return replace(
                base,
                role="timing",
                text=tr("at the crystal {crystal}", crystal=pin.ref),
                confidence="sure",
                reasons=why,
            )
    timing = next(
        (p for p in direct if circuit.kind(p.ref) in ("chip", "regulator") and _TIMING_PIN.match(_pin(p))), None
    )
    if _TIMING_NET.search(base_name(node)) or timing is not None:
        what = (
            tr("{ref} pin {name}", ref=timing.ref, name=timing.name)
            if timing is not None
            else tr("net {node}", node=node)
        )
        why = (*reasons, tr("{pin_or_net} is named for reset or timing", pin_or_net=what))
        return replace(
            base,
            role="timing",
            text=tr("timing or reset: {pin_or_net} to {fixed_net}", pin_or_net=what, fixed_net=fixed),
            confidence="likely",
            reasons=why,
        )
    held = next((p for p in direct if circuit.kind(p.ref) in ("chip", "regulator") and _HELD_PIN.match(_pin(p))), None)
    if held is not None:
        why = (*reasons, tr("{ref} pin {number} is named {name}", ref=held.ref, number=held.number, name=held.name))
        return replace(
            base,
            role="bias",
            text=tr("holds {part} {pin} still", part=held.ref, pin=held.name),
            confidence="likely",
            reasons=why,
        )
    resistors = [pin.ref for pin in direct if circuit.kind(pin.ref) == "resistor"]
    far = {other: circuit.through(other, node) for other in resistors}
    up = [other for other, net in far.items() if net is not None and circuit.nets[net].kind == "rail"]
    down = [other for other, net in far.items() if net is not None and circuit.nets[net].kind == "ground"]
    active = sorted({p.ref for p in direct if circuit.kind(p.ref) in ("chip", "transistor")}, key=ref_order)
    if up and down:
        why = (*reasons, tr("{up} pulls the node to a rail and {down} to ground: a divider", up=up[0], down=down[0]))
        return replace(
            base,
            role="bias",
            text=tr("holds the bias point at {up}, {down} still", up=up[0], down=down[0]),
            confidence="likely",
            reasons=why,
        )
    away = up if circuit.nets[fixed].kind == "ground" else down
    if away and active and len(direct) <= 4:
        diode = next((p.ref for p in direct if circuit.kind(p.ref) == "diode"), None)
        why = (*reasons, tr("{away} and this capacitor make a delay at {active}", away=away[0], active=active[0]))
        if diode is not None:
            why = (*why, tr("{diode} lets it discharge: the usual reset circuit", diode=diode))
        sure: Confidence = "likely" if diode is not None else "unsure"
        return replace(
            base,
            role="timing",
            text=tr("delay or reset at {active} with {away}", active=active[0], away=away[0]),
            confidence=sure,
            reasons=why,
        )
    leads = ", ".join(str(end) for end in ends[:4]) or tr("nothing known")
    text = tr("from a signal to {fixed}: filters what goes to {leads}", fixed=fixed, leads=leads)
    return replace(
        base, text=text, confidence="likely" if ends else "unsure", reasons=(*reasons, "the other end is a signal")
    )


def _pin(pin: Pin) -> str:
    return pin.name.replace("~", "").strip("{} /").upper()


def _plus_to(circuit: Circuit, pads: dict[str, str], node: str, fixed: str) -> str | None:
    """A node between a positive rail and ground is above ground and below the rail, unless a negative rail is near."""
    for net, _ in circuit.series(node, 2):
        if circuit.nets[net].kind == "rail" and circuit.nets[net].sign <= 0:
            return None
        for pin in circuit.near(net) if circuit.is_signal(net) else ():
            if circuit.kind(pin.ref) in ("chip", "transistor") and _negative_near(circuit, pin.ref):
                return None
    facts = circuit.nets[fixed]
    if facts.kind == "ground":
        return pads[node]
    return pads[fixed] if facts.sign > 0 else pads[node] if facts.sign < 0 else None


def _negative_near(circuit: Circuit, ref: str) -> bool:
    return any(circuit.nets[net].sign < 0 for net in circuit.rails_of(ref))


def _in_series(circuit: Circuit, ref: str, pads: dict[str, str]) -> Seat:
    first, second = nets = tuple(pads)
    near = {net: _ends(circuit, net, ref, pads[net], 3) for net in pads}
    ends = tuple(sorted((*near[first], *near[second]), key=lambda end: (len(end.by), ref_order(end.ref))))
    reasons = [tr("neither end is ground or a rail")]
    plus, why = _series_plus(circuit, pads, near)
    reasons += why
    around = {e.ref for e in near[first] if not e.by} & {e.ref for e in near[second] if not e.by}
    around = {one for one in around if circuit.kind(one) != "connector"}
    if around:
        one = min(around, key=ref_order)
        text = tr("across {one}, from pin to pin: feedback or bootstrap", one=one)
        return Seat(
            ref,
            "signal",
            text,
            "likely",
            (*reasons, tr("{one} is at both ends", one=one)),
            nets,
            None,
            plus,
            "likely",
            ends,
        )
    sides = [", ".join(str(end) for end in near[net][:4]) or tr("nothing known") for net in (first, second)]
    text = tr("in series between {one_side} and {other_side}", one_side=sides[0], other_side=sides[1])
    confidence: Confidence = "sure" if near[first] and near[second] else "unsure"
    return Seat(ref, "signal", text, confidence, tuple(reasons), nets, None, plus, "likely", ends)


def _ends(circuit: Circuit, net: str, ref: str, pad: str, steps: int) -> tuple[End, ...]:
    """What `net` leads to without passing the capacitor itself."""
    found: dict[str, End] = {}
    for here, by in circuit.series(net, steps):
        if not circuit.is_signal(here):
            continue
        for pin in circuit.near(here):
            if pin.ref != ref and pin.ref not in found and circuit.kind(pin.ref) in _ENDS:
                found[pin.ref] = End(pin.ref, pin.name, by, pad, circuit.parts[pin.ref].value, pin.type)
    order = {"connector": 0, "speaker": 0}
    return tuple(sorted(found.values(), key=lambda e: (len(e.by), order.get(circuit.kind(e.ref), 1), ref_order(e.ref))))


def _series_plus(
    circuit: Circuit, pads: dict[str, str], near: dict[str, tuple[End, ...]]
) -> tuple[str | None, list[str]]:
    """Plus lies at the chip's side where the other side rests at ground and no negative rail is near."""
    first, second = pads
    rest = {net: _rests_at_ground(circuit, net) for net in pads}
    driven = {net: [end for end in near[net] if circuit.kind(end.ref) in ("chip", "transistor")] for net in pads}
    for high, low in ((first, second), (second, first)):
        below = rest[low]
        if rest[high] is not None or below is None or not driven[high] or driven[low]:
            continue
        reason, pulled = below
        if not pulled and not any(end.type == "output" for end in driven[high]):
            continue  # what comes in from outside may stand at any voltage
        if any(_negative_near(circuit, end.ref) for end in driven[high]):
            return None, [tr("a negative rail is near: the nets do not tell which side is higher")]
        return pads[high], [tr("{reason}; the side of {ref} lies above it", reason=reason, ref=driven[high][0].ref)]
    return None, []


def _rests_at_ground(circuit: Circuit, net: str) -> tuple[str, bool] | None:
    """Why a net rests at 0 V and whether a part pulls it there; None where a chip or a rail holds it."""
    pulled = None
    for here, by in circuit.series(net, 2, SERIES):
        facts = circuit.nets[here]
        if facts.kind == "rail":
            return None
        if facts.kind == "ground":
            pulled = pulled or tr("{by} pulls {net} to ground", by=", ".join(by), net=net)
        elif any(circuit.kind(pin.ref) in ("chip", "transistor", "regulator") for pin in circuit.near(here)):
            return None
    if pulled is not None:
        return pulled, True
    outside = next((pin.ref for pin in circuit.near(net) if circuit.kind(pin.ref) in ("connector", "speaker")), None)
    return (
        (tr("{net} goes out at {outside} and rests at 0 V", net=net, outside=outside), False)
        if outside is not None
        else None
    )
