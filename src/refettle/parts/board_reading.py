"""A board read whole: its capacitors, where each sits in the circuit, and which way round each belongs.

    reading = read_board(layout, netlist)
    [c.ref for c in reading.electrolytics]
    reading.toward("AUDIO")          # for 'no sound': on the way to the sound output first

`facts` gives the same as numbers and text only, for JSON and for the log.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any, Literal

from refettle.language import tr
from refettle.parts.board import Board
from refettle.parts.board_capacitors import Capacitor, find_capacitors, toward
from refettle.parts.board_csv import read_parts_list
from refettle.parts.board_layout import read_layout
from refettle.parts.board_netlist import Netlist, differences, read_netlist
from refettle.parts.board_text import BoardError
from refettle.parts.circuit import Circuit, circuit_of
from refettle.parts.circuit_path import OnPath, on_path, output_nets
from refettle.parts.circuit_roles import Seat, seats

Agreement = Literal["agree", "disagree", "one sign only", "nothing tells", "no polarity"]


@dataclass(frozen=True, slots=True)
class Polarity:
    """Which pad is plus, told three ways, each None where it does not tell; `plus` is None unless all that tell agree.

    By number (the pad's name or number), by the print, and by the nets. The part as fitted is for the eye at the bench.
    """

    by_number: str | None
    by_print: str | None
    by_net: str | None
    plus: str | None
    minus: str | None
    agreement: Agreement


@dataclass(frozen=True)
class BoardReading:
    """Board, netlist and what follows from them; `differences`: where the netlist says otherwise than the board."""

    board: Board
    netlist: Netlist | None
    circuit: Circuit
    capacitors: tuple[Capacitor, ...]
    seats: dict[str, Seat]
    differences: tuple[str, ...]

    @cached_property
    def electrolytics(self) -> tuple[Capacitor, ...]:
        """The sure electrolytics, those not fitted among them."""
        return tuple(c for c in self.capacitors if c.electrolytic)

    @cached_property
    def perhaps(self) -> tuple[Capacitor, ...]:
        """Capacitors that might be electrolytics: to be looked at on the board."""
        return tuple(c for c in self.capacitors if c.kind == "perhaps")

    def polarity(self, capacitor: Capacitor) -> Polarity:
        """Which way round a capacitor belongs."""
        seat = self.seats[capacitor.ref]
        if capacitor.kind == "bipolar":
            return Polarity(None, None, None, None, None, "no polarity")
        told = [pad for pad in (capacitor.by_number, capacitor.by_print, seat.plus) if pad is not None]
        plus = told[0] if len(set(told)) == 1 else None
        numbers = list(dict.fromkeys(pad.number for pad in capacitor.part.pads if pad.number))
        minus = next((number for number in numbers if number != plus), None) if plus is not None else None
        agreement: Agreement = "agree" if len(told) > 1 else "one sign only" if told else "nothing tells"
        if len(set(told)) > 1:
            agreement = "disagree"
        return Polarity(capacitor.by_number, capacitor.by_print, seat.plus, plus, minus, agreement)

    def toward(self, output: str, every: bool = False) -> list[OnPath]:
        """Electrolytics (or `every` capacitor) on the way to an output, those in series first.

        Raises
        ------
        NoSuchOutputError
            `output` is no net, part or connector of this board.
        """
        nets = output_nets(self.circuit, output)
        asked = self.capacitors if every else (*self.electrolytics, *self.perhaps)
        return on_path(self.circuit, {c.ref: self.seats[c.ref] for c in asked}, nets)


def read_board(data: bytes, netlist: bytes | None = None) -> BoardReading:
    """Read a board layout or a CSV parts list, with its netlist where there is one.

    Raises
    ------
    BoardError
        What cannot be read: the line, what was found, what is allowed. A netlist's refusal begins with 'netlist'.
    """
    start = data[:4096].removeprefix(b"\xef\xbb\xbf").lstrip()
    if start.startswith(b"("):
        board = read_layout(data)
    elif start.startswith(b"PCBNEW-BOARD"):
        raise BoardError(tr("an older text layout found; allowed: a layout as saved by versions of 2017 to today"), 1)
    elif b"\0" in start or start.startswith((b"PK", b"<", b"%PDF")):
        raise BoardError(
            tr("no text of a board found; allowed: an s-expression board layout, or a parts list as CSV"), 1
        )
    else:
        board = read_parts_list(data)
    listed: Netlist | None = None
    if netlist is not None:
        try:
            listed = read_netlist(netlist)
        except BoardError as error:
            raise BoardError(f"netlist, {error}") from None
    circuit = circuit_of(board, listed)
    capacitors = find_capacitors(board, listed)
    unlike = differences(board, listed) if listed is not None else ()
    return BoardReading(board, listed, circuit, capacitors, seats(circuit, capacitors), unlike)


def facts(reading: BoardReading) -> dict[str, Any]:
    """All of a reading as plain numbers and text; places in mm from the board's left upper corner, sizes in mm."""
    left, top, right, bottom = reading.board.bounds
    return {
        "title": reading.board.title,
        "version": reading.board.version,
        "parts": len(reading.board.parts),
        "nets": len(reading.board.nets),
        "width_mm": _mm(right - left),
        "height_mm": _mm(bottom - top),
        "electrolytics": [capacitor_facts(reading, c) for c in reading.electrolytics],
        "perhaps": [capacitor_facts(reading, c) for c in reading.perhaps],
        "capacitors": len(reading.capacitors),
        "mains": [capacitor_facts(reading, c) for c in reading.capacitors if reading.seats[c.ref].role == "mains"],
        "differences": list(reading.differences),
        "notes": list(reading.board.notes),
    }


def capacitor_facts(reading: BoardReading, capacitor: Capacitor) -> dict[str, Any]:
    """One capacitor as plain numbers and text."""
    left, top, _, _ = reading.board.bounds
    part, seat, size = capacitor.part, reading.seats[capacitor.ref], capacitor.size
    polarity = reading.polarity(capacitor)
    spot = (part.body.x, part.body.y) if part.body is not None else (part.x, part.y)
    return {
        "ref": capacitor.ref,
        "kind": capacitor.kind,
        "value": part.value,
        "value_farad": capacitor.value.farad,
        "rating_volt": capacitor.value.volt,
        "fitted": part.fitted,
        "footprint": part.footprint,
        "surface_mount": part.surface_mount,
        "pitch_mm": _mm(size.pitch),
        "diameter_mm": _mm(size.diameter),
        "length_mm": _mm(size.length),
        "width_mm": _mm(size.width),
        "side": part.side,
        "x_mm": _mm(spot[0] - left) if part.placed else None,
        "y_mm": _mm(spot[1] - top) if part.placed else None,
        "angle_deg": part.angle,
        "minus_lies": toward(part, polarity.plus),
        "nets": {pad.number: pad.net for pad in part.pads if pad.number},
        "polarity": {
            "plus_pad": polarity.plus,
            "minus_pad": polarity.minus,
            "by_number": polarity.by_number,
            "by_print": polarity.by_print,
            "by_net": polarity.by_net,
            "by_net_confidence": seat.plus_confidence if polarity.by_net is not None else None,
            "agreement": polarity.agreement,
        },
        "seat": {
            "role": seat.role,
            "text": seat.text,
            "rail": seat.rail,
            "leads_to": [{"ref": e.ref, "pin": e.pin, "by": list(e.by), "pad": e.pad} for e in seat.ends],
            "regulators": list(seat.regulators),
            "safety_class": seat.safety,
            "confidence": seat.confidence,
            "reasons": list(seat.reasons),
        },
        "reasons": list(capacitor.reasons),
    }


def _mm(metres: float | None) -> float | None:
    return None if metres is None else round(metres * 1e3, 3)
