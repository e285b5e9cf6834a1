"""refettle board: the electrolytics of a board, where each sits and which way round it belongs."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from refettle.cli.common import DOES_NOT_HOLD, DONE, Refused, print_json, table

if TYPE_CHECKING:
    from refettle.parts.board_capacitors import Capacitor
    from refettle.parts.board_reading import BoardReading


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("file", metavar="FILE", help="an s-expression board layout (2017 to today) or a CSV parts list")
    parser.add_argument("--netlist", metavar="FILE", help="the netlist that goes with it: pin names, and a check")
    parser.add_argument("--to", metavar="OUTPUT", help="list what lies on the way to a socket or net: J3, J3.1, AUDIO")
    parser.add_argument("--svg", metavar="OUT.svg", help="write the board map")
    parser.add_argument("--json", action="store_true", help="as JSON")
    parser.set_defaults(run=run_board)


def _bytes(name: str) -> bytes:
    from refettle.parts.board_text import MAX_BYTES

    try:
        path = Path(name)
        if path.stat().st_size > MAX_BYTES:
            raise Refused(f"{name}: {path.stat().st_size / 1e6:.0f} MB found; allowed: up to {MAX_BYTES / 1e6:.0f} MB")
        return path.read_bytes()
    except OSError as error:
        raise Refused(f"{name}: {(error.strerror or str(error)).lower()}") from None


def run_board(args: argparse.Namespace) -> int:
    """Print the electrolytics; exit status 1 where the netlist says otherwise than the board, or signs disagree."""
    from refettle.parts.board_reading import facts, read_board
    from refettle.parts.board_text import BoardError
    from refettle.parts.circuit_path import NoSuchOutputError

    netlist = _bytes(args.netlist) if args.netlist else None
    try:
        reading = read_board(_bytes(args.file), netlist)
    except BoardError as error:
        said = str(error)
        named = args.netlist if said.startswith("netlist, ") else args.file
        raise Refused(f"{named}: {said.removeprefix('netlist, ')}") from None
    try:
        way = reading.toward(args.to) if args.to else []
    except NoSuchOutputError as error:
        raise Refused(f"--to: {error}") from None
    if args.svg:
        from refettle.drawing.board import board_map

        try:
            Path(args.svg).write_text(board_map(reading, alone=True), encoding="utf-8")
        except OSError as error:
            raise Refused(f"--svg {args.svg}: {(error.strerror or str(error)).lower()}") from None
    if args.json:
        on_way = [{"ref": w.ref, "how": w.how, "steps": w.steps, "by": list(w.by), "text": w.text} for w in way]
        print_json({**facts(reading), **({"to": args.to, "on_the_way": on_way} if args.to else {})})
    elif args.to:
        _print_way(reading, args.to, [(w.ref, w.how, w.text) for w in way])
    else:
        _print(reading)
    quarrel = any(reading.polarity(c).agreement == "disagree" for c in reading.electrolytics)
    return DOES_NOT_HOLD if reading.differences or quarrel else DONE


def _value(capacitor: Capacitor) -> str:
    from refettle.quantities import show

    if capacitor.value.farad is None:
        return capacitor.part.value or "not stated"
    volts = f" {show(capacitor.value.volt, 'V')}" if capacitor.value.volt is not None else ""
    return f"{show(capacitor.value.farad, 'F')}{volts}"


def _size(capacitor: Capacitor) -> str:
    size = capacitor.size
    said = []
    if size.diameter is not None:
        said.append(f"⌀ {1e3 * size.diameter:.3g}")
    if size.length is not None:
        said.append(f"{1e3 * size.length:.3g}" + (f" × {1e3 * size.width:.3g}" if size.width is not None else " long"))
    if size.pitch is not None:
        said.append(f"pitch {1e3 * size.pitch:.3g}")
    return ", ".join(said)


def _minus(reading: BoardReading, capacitor: Capacitor) -> str:
    from refettle.parts.board_capacitors import toward

    polarity = reading.polarity(capacitor)
    if polarity.agreement == "disagree":
        signs = (("number", polarity.by_number), ("print", polarity.by_print), ("nets", polarity.by_net))
        return "plus by " + ", ".join(f"{how}: {pad}" for how, pad in signs if pad is not None) + ": measure"
    if polarity.plus is None:
        return polarity.agreement
    lies = toward(capacitor.part, polarity.plus)
    return (
        f"pad {polarity.minus}"
        + (f", {lies}" if lies else "")
        + ("" if polarity.agreement == "agree" else "; one sign")
    )


def _rows(reading: BoardReading, capacitors: tuple[Capacitor, ...]) -> str:
    left, top, _, _ = reading.board.bounds
    rows = [["part", "value", "size mm", "side", "x, y mm", "minus", "where it sits"]]
    for c in capacitors:
        part, seat = c.part, reading.seats[c.ref]
        spot = (part.body.x, part.body.y) if part.body is not None else (part.x, part.y)
        place = f"{1e3 * (spot[0] - left):.1f}, {1e3 * (spot[1] - top):.1f}" if part.placed else "not stated"
        sure = "" if seat.confidence == "sure" else f" ({seat.confidence})"
        fitted = "" if part.fitted else "; not fitted"
        rows.append([c.ref, _value(c), _size(c), part.side, place, _minus(reading, c), f"{seat.text}{sure}{fitted}"])
    return table(rows)


def _print(reading: BoardReading) -> None:
    board = reading.board
    found = reading.electrolytics
    print(f"{len(board.parts)} parts, {len(board.nets)} nets, {len(found)} electrolytics\n")
    if found:
        print(_rows(reading, found))
    if reading.perhaps:
        print("\nPerhaps electrolytics: look at the part.\n")
        print(_rows(reading, reading.perhaps))
    mains = tuple(c for c in reading.capacitors if reading.seats[c.ref].role == "mains")
    if mains:
        print("\nOn the mains: only the same safety class may replace them; discharge and unplug first.\n")
        print(_rows(reading, mains))
    for note in board.notes:
        print(f"\nNote: {note}.")
    if reading.differences:
        print("\nThe netlist says otherwise than the board:")
        for line in reading.differences[:40]:
            print(f"  {line}")
        if len(reading.differences) > 40:
            print(f"  and {len(reading.differences) - 40} more")


def _print_way(reading: BoardReading, output: str, way: list[tuple[str, str, str]]) -> None:
    if not way:
        print(f"No electrolytic is known on the way to {output}.")
        return
    by_ref = {c.ref: c for c in reading.capacitors}
    rows = [["part", "value", "how", "where"]]
    rows += [[ref, _value(by_ref[ref]), how, text] for ref, how, text in way]
    print(table(rows))
