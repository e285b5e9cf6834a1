"""Reads a parts list as CSV: one line for each part, for boards without a layout file.

Columns, in any order, upper or lower case: ref and value, and any of side (front, back), x and y [mm] from the top
left corner, PosX and PosY [mm] as placement files have them (PosY upward), angle [deg] counter-clockwise, 0 with the
plus end on the left, footprint, plus and minus (names of the nets at the two ends), symbol. Separated by comma,
semicolon or tab.
"""

from __future__ import annotations

import csv
import io
from math import isfinite

from refettle.language import tr
from refettle.parts.board import Board, Pad, Part, Side, turned
from refettle.parts.board_text import MAX_BYTES, BoardError

MAX_PARTS = 10_000
_MM = 1e-3
_NAMES = {
    "ref": "ref", "designator": "ref", "reference": "ref", "refdes": "ref", "part": "ref",
    "value": "value", "val": "value",
    "side": "side", "layer": "side",
    "x": "x", "y": "y", "posx": "posx", "posy": "posy",
    "angle": "angle", "rot": "angle", "rotation": "angle",
    "footprint": "footprint", "package": "footprint",
    "plus": "plus", "minus": "minus", "symbol": "symbol",
}  # fmt: skip
_SIDES: dict[str, Side] = {
    "": "front", "front": "front", "top": "front", "f": "front", "f.cu": "front",
    "back": "back", "bottom": "back", "b": "back", "b.cu": "back",
}  # fmt: skip
_HALF_PITCH = 1.25e-3  # [m], where a parts list says nothing: only for the drawing


def read_parts_list(data: bytes) -> Board:
    """Read a parts list.

    Raises
    ------
    BoardError
        With the line and the column: what was found and what is allowed.
    """
    if len(data) > MAX_BYTES:
        raise BoardError(
            tr(
                "{size:.0f} MB found; allowed: up to {most:.0f} MB",
                size=len(data) / 1e6,
                most=MAX_BYTES / 1e6,
            )
        )
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise BoardError(tr("bytes that are no UTF-8; allowed: text in UTF-8"), line) from None
    head = text.split("\n", 1)[0]
    mark = max(",;\t", key=head.count)
    rows = csv.reader(io.StringIO(text, newline=""), delimiter=mark, strict=True)
    columns: list[str] | None = None
    parts: list[Part] = []
    seen: dict[str, int] = {}
    try:
        for row in rows:
            if not any(cell.strip() for cell in row):
                continue
            if columns is None:
                columns = _columns(row)
                continue
            line = rows.line_num
            if len(row) > len(columns):
                raise BoardError(
                    tr("{row} cells found; allowed: {columns}, as the head has", row=len(row), columns=len(columns)),
                    line,
                )
            part = _part(dict(zip(columns, (cell.strip() for cell in row), strict=False)), line)
            if part.ref in seen:
                raise BoardError(
                    tr(
                        "ref: {ref} found again; allowed: once (see line {first_line})",
                        ref=part.ref,
                        first_line=seen[part.ref],
                    ),
                    line,
                )
            seen[part.ref] = line
            parts.append(part)
            if len(parts) > MAX_PARTS:
                raise BoardError(tr("more than {most} parts", most=MAX_PARTS), line)
    except csv.Error as error:
        raise BoardError(tr("no readable list: {error}", error=error), rows.line_num) from None
    if columns is None:
        raise BoardError(tr("the list is empty; allowed: a head with ref and value, then one line for each part"), 1)
    notes = [] if all(part.placed for part in parts) else [tr("parts without x and y are listed and not drawn")]
    return Board(tuple(parts), (), tr("parts list"), "", tuple(notes))


def _columns(row: list[str]) -> list[str]:
    names = [cell.strip().lower().replace(" ", "") for cell in row]
    columns = [_NAMES.get(name, "") for name in names]
    for needed in ("ref", "value"):
        if needed not in columns:
            found = ", ".join(name for name in names if name)[:80]
            raise BoardError(
                tr(
                    "no column {needed}; found: {found}; allowed: a head with ref and value", needed=needed, found=found
                ),
                1,
            )
    twice = [name for name in set(columns) if name and columns.count(name) > 1]
    if twice:
        raise BoardError(tr("two columns for {twice}; allowed: one", twice=twice[0]), 1)
    return columns


def _part(cells: dict[str, str], line: int) -> Part:
    ref = cells.get("ref", "")
    if not ref:
        raise BoardError(tr("ref: empty; allowed: a designator such as C12"), line)
    side = _SIDES.get(cells.get("side", "").lower())
    if side is None:
        raise BoardError(tr("side: {cells!r} found; allowed: front or back", cells=cells["side"]), line)
    x, y = _number(cells, "x", line), _number(cells, "y", line)
    if x is None and y is None:
        x, up = _number(cells, "posx", line), _number(cells, "posy", line)
        y = -up if up is not None else None
    if (x is None) != (y is None):
        raise BoardError(
            tr("{empty_field}: empty; allowed: both x and y, or neither", empty_field="y" if y is None else "x"), line
        )
    placed = x is not None
    turn = _number(cells, "angle", line)
    angle = turn or 0.0
    here = ((x or 0.0) * _MM, (y or 0.0) * _MM)
    plus, minus = cells.get("plus", ""), cells.get("minus", "")
    reach = _HALF_PITCH if turn is not None else 0.0  # without an angle nobody knows which way it lies
    pads = []
    if plus or minus or turn is not None:
        for number, name, net, shift in (("1", "+", plus, -reach), ("2", "-", minus, reach)):
            dx, dy = turned(shift, 0.0, angle)
            size = 1.5 * _MM
            name = name if plus or minus else ""
            pads.append(Pad(number, here[0] + dx, here[1] + dy, size, size, angle, True, True, net, name))
    return Part(
        ref=ref,
        value=cells.get("value", ""),
        footprint=cells.get("footprint", ""),
        side=side,
        x=here[0],
        y=here[1],
        angle=angle,
        pads=tuple(pads),
        body=None,
        about=cells.get("symbol", ""),
        placed=placed,
        line=line,
    )


def _number(cells: dict[str, str], name: str, line: int) -> float | None:
    text = cells.get(name, "")
    if not text:
        return None
    try:
        value = float(text.replace(",", "."))
    except ValueError:
        value = float("nan")
    if not isfinite(value) or abs(value) > 10_000:
        raise BoardError(tr("{name}: {text!r} found; allowed: a number in mm, within 10 m", name=name, text=text), line)
    return value
