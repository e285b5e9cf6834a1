"""Reads the netlist that goes with a board layout, and tells where the two differ."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from refettle.language import mark, tr
from refettle.parts.board import Board
from refettle.parts.board_text import BoardError, Node, Reader, all_of, child, word, words

MAX_PARTS = 50_000
MAX_PINS = 1_000_000
_ALLOWED = mark("an s-expression netlist, (export ...)")


@dataclass(frozen=True, slots=True)
class ListedPart:
    """A part as the netlist lists it; `symbol` is its circuit symbol with library, `about` the symbol's description."""

    ref: str
    value: str
    footprint: str
    symbol: str
    about: str
    fields: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class ListedPin:
    """What a pin is connected to; `name` and `type` come from the circuit symbol and may be empty."""

    net: str
    name: str
    type: str


@dataclass(frozen=True, slots=True)
class Netlist:
    """Parts by designator and pins by (designator, pin number)."""

    parts: Mapping[str, ListedPart]
    pins: Mapping[tuple[str, str], ListedPin]
    version: str


def read_netlist(data: bytes) -> Netlist:
    """Read a netlist.

    Raises
    ------
    BoardError
        With the line: no netlist of this kind, cut short, nested too deep, too large, a pin on two nets.
    """
    reader = Reader(data)
    root = reader.root(tr(_ALLOWED))
    if root != "export":
        raise BoardError(tr("({root} found; allowed: {allowed}", root=root, allowed=tr(_ALLOWED)), reader.line)
    version = ""
    parts: dict[str, ListedPart] = {}
    symbols: dict[str, dict[str, tuple[str, str]]] = {}
    nodes: dict[tuple[str, str], ListedPin] = {}
    for name in reader.children():
        if name == "version":
            version = word(reader.node())
        elif name == "components":
            for inner in reader.children():
                if inner != "comp":
                    reader.skip()
                    continue
                line = reader.line
                part = _part(reader.node(), line)
                parts[part.ref] = part
                if len(parts) > MAX_PARTS:
                    raise BoardError(tr("more than {most} parts", most=MAX_PARTS), line)
        elif name == "libparts":
            for inner in reader.children():
                if inner == "libpart":
                    _symbol(reader.node(), symbols)
                else:
                    reader.skip()
        elif name == "nets":
            for inner in reader.children():
                if inner != "net":
                    reader.skip()
                    continue
                line = reader.line
                _net(reader.node(), line, nodes)
                if len(nodes) > MAX_PINS:
                    raise BoardError(tr("more than {most} pins", most=MAX_PINS), line)
        else:
            reader.skip()
    reader.end()
    pins = {}
    for (ref, number), pin in nodes.items():
        name, kind = symbols.get(parts[ref].symbol, {}).get(number, ("", "")) if ref in parts else ("", "")
        name = pin.name or name
        pins[ref, number] = ListedPin(pin.net, "" if name == "~" else name, pin.type or kind)
    return Netlist(parts, pins, version)


def _part(node: Node, line: int) -> ListedPart:
    ref = word(child(node, "ref"))
    if not ref:
        raise BoardError(tr("a part without designator; allowed: (comp (ref C1) ...)"), line)
    source = child(node, "libsource") or []
    listed = child(node, "fields") or []
    fields = {word(child(item, "name")): (words(item) or [""])[-1] for item in all_of(listed, "field")}
    fields |= {word(child(item, "name")): word(child(item, "value")) for item in all_of(node, "property")}
    return ListedPart(
        ref=ref,
        value=" ".join(words(child(node, "value"))),
        footprint=word(child(node, "footprint")),
        symbol=f"{word(child(source, 'lib'))}:{word(child(source, 'part'))}",
        about=word(child(source, "description")),
        fields=fields,
    )


def _symbol(node: Node, symbols: dict[str, dict[str, tuple[str, str]]]) -> None:
    pins = {
        word(child(pin, "num")): (word(child(pin, "name")), word(child(pin, "type")))
        for pin in all_of(child(node, "pins") or [], "pin")
    }
    library = word(child(node, "lib"))
    names = [word(child(node, "part")), *(word(alias) for alias in all_of(child(node, "aliases") or [], "alias"))]
    for name in names:
        symbols[f"{library}:{name}"] = pins


def _net(node: Node, line: int, nodes: dict[tuple[str, str], ListedPin]) -> None:
    net = word(child(node, "name"))
    for pin in all_of(node, "node"):
        key = word(child(pin, "ref")), word(child(pin, "pin"))
        listed = ListedPin(net, word(child(pin, "pinfunction")), word(child(pin, "pintype")))
        if key in nodes and nodes[key].net != net:
            raise BoardError(
                tr(
                    "pin {pin} of {part} is on {net} and on {other_net}; allowed: one net",
                    pin=key[1],
                    part=key[0],
                    net=nodes[key].net,
                    other_net=net,
                ),
                line,
            )
        nodes[key] = listed


def differences(board: Board, netlist: Netlist) -> tuple[str, ...]:
    """What the netlist says otherwise than the board: parts, values, and pads that hang on another net.

    A net that is only named otherwise, with the same pads, is no difference.
    """
    out: list[str] = []
    on_board = {part.ref: part for part in board.parts if part.pads}
    for ref in sorted(netlist.parts.keys() - {part.ref for part in board.parts}):
        out.append(tr("{ref} is in the netlist and not on the board", ref=ref))
    for ref in sorted(on_board.keys() - netlist.parts.keys()):
        out.append(tr("{ref} is on the board and not in the netlist", ref=ref))
    pairs: dict[tuple[str, str], list[str]] = {}
    for ref, part in on_board.items():
        if ref not in netlist.parts:
            continue
        listed = netlist.parts[ref].value
        if part.value != listed:
            out.append(
                tr("{ref}: {value} on the board, {listed} in the netlist", ref=ref, value=part.value, listed=listed)
            )
        for pad in part.pads:
            pin = netlist.pins.get((ref, pad.number))
            if pin is None and not any(letter.isdigit() for letter in pad.number):
                continue  # the shell of a socket, a fixing lug
            there = "" if pin is None or pin.net.startswith("unconnected-") else pin.net
            if (pad.net or there) and pad.number:
                pairs.setdefault((pad.net, there), []).append(tr("{ref} pad {number}", ref=ref, number=pad.number))
    board_side: dict[str, set[str]] = {}
    list_side: dict[str, set[str]] = {}
    for here, there in pairs:
        board_side.setdefault(here, set()).add(there)
        list_side.setdefault(there, set()).add(here)
    for (here, there), where in sorted(pairs.items()):
        renamed = here and there and len(board_side[here]) == 1 and len(list_side[there]) == 1
        if here != there and not renamed:
            several = tr(" and {where} more", where=len(where) - 1) if len(where) > 1 else ""
            out.append(
                tr(
                    "{where}{several}: {here} on the board, {there} in the netlist",
                    where=where[0],
                    several=several,
                    here=here or "no net",
                    there=there or "no net",
                )
            )
    return tuple(out)
