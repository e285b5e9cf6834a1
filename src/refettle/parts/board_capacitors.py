"""Which parts of a board are capacitors, which of them electrolytics, how large, and which way round by the board.

Told from the designator, the circuit symbol, the footprint's name and its description; every finding carries its
reasons. What only might be an electrolytic is kept apart and never counted in.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from math import atan2, degrees, hypot
from typing import Literal

from refettle.language import tr
from refettle.parts.board import Board, Pad, Part
from refettle.parts.board_netlist import ListedPart, Netlist
from refettle.parts.board_value import ValueRead, read_value

Kind = Literal["aluminium", "tantalum", "polymer", "bipolar", "polarised", "perhaps", "trimmer", "other"]
ELECTROLYTIC: frozenset[str] = frozenset({"aluminium", "tantalum", "polymer", "bipolar", "polarised"})

_REF = re.compile(r"^(?:C|CE|EC|CP|CX|CY|CT|VC|TC)\d", re.IGNORECASE)
_SYMBOL_POLARISED = re.compile(
    r"^(?:C_?P\d?|CP_?(?:US_?)?small\d?|C_?POL\w*|C_?ELE?C\w*|CAP\w*_?POL\w*|CAPACITOR_?POL\w*|ELKO\w*|ECAP\w*)(?:_US)?$",
    re.IGNORECASE,
)
_SYMBOL_CAPACITOR = re.compile(r"^(?:C|CP\d?|CAP\w*|C_\w+|CP?small|CTRIM|ELKO)$", re.IGNORECASE)
_PRINT_POLARISED = re.compile(
    r"(?:^|[_\-:. ])CP(?:\d|[_\-]|$)|(?<!non)(?<!non-)(?<!non_)elec|elko|tant|(?<!un)(?<!non-)(?<!non )polari[sz]ed"
    r"|(?:^|[^a-z])pol(?:ar)?(?:[_\-\d ]|$)|\dpol(?:[_\-\d ]|$)|EIA-\d{4}-\d\d",
    re.IGNORECASE,
)
_SAID_POLARISED = re.compile(r"(?<!un)(?<!non-)(?<!non )polari[sz]ed cap", re.IGNORECASE)
_UNPOLARISED = re.compile(r"non[ -]?polar|bi-?polar|\bN/?P(?!\d)\b|\bB/?P\b", re.IGNORECASE)
_TANTALUM = re.compile(r"tantal|(?:^|_)tant|EIA-\d{4}-\d\d", re.IGNORECASE)
_POLYMER = re.compile(r"polymer|conductive pol", re.IGNORECASE)
_ALUMINIUM = re.compile(r"elec|elko|CP_(?:Radial|Axial)|alumin", re.IGNORECASE)
_TRIMMER = re.compile(r"trim|variable", re.IGNORECASE)
_MM_PRINTED = r"\d{1,5}(?:\.\d{1,5})?"
_NOT_CAPACITOR_PRINT = re.compile(r"(?:^|[:_])(?:R|L|D|LED)_", re.IGNORECASE)
_PADS = 16  # a capacitor has no more
_BIG = 1e-6  # [F]; from here a capacitor with wires is as a rule an electrolytic; common practice, no source
_CHIP_BIG = 10e-6  # [F]; the same for one laid out on another part's surface-mount print


@dataclass(frozen=True, slots=True)
class Size:
    """Lead pitch, diameter, length or height and width [m], None where not known; `source` says from where."""

    pitch: float | None
    diameter: float | None
    length: float | None
    width: float | None
    source: str


@dataclass(frozen=True, slots=True)
class Capacitor:
    """One capacitor of a board.

    `plus` and `minus` are pad numbers by the board's own signs: `by_number` from the pad's name or number, `by_print`
    from a plus or minus in the print; `plus` is None where they disagree or nothing tells. `toward_minus` says in words
    where the minus end lies, seen from the part's own side.
    """

    part: Part
    kind: Kind
    value: ValueRead
    size: Size
    symbol: str
    by_number: str | None
    by_print: str | None
    plus: str | None
    minus: str | None
    toward_minus: str | None
    reasons: tuple[str, ...]

    @property
    def ref(self) -> str:
        """The designator."""
        return self.part.ref

    @property
    def electrolytic(self) -> bool:
        """True for a sure electrolytic; False also for one that only might be."""
        return self.kind in ELECTROLYTIC


def find_capacitors(board: Board, netlist: Netlist | None = None) -> tuple[Capacitor, ...]:
    """Every capacitor of the board, in the order of the designators' numbers."""
    found = []
    for part in board.parts:
        listed = netlist.parts.get(part.ref) if netlist is not None else None
        capacitor = _capacitor(part, listed, netlist)
        if capacitor is not None:
            found.append(capacitor)
    return tuple(sorted(found, key=lambda c: ref_order(c.ref)))


def ref_order(ref: str) -> tuple[str, int, str]:
    """Sorting key: C2 before C10. Numbers go by their length, then their digits, and so may be of any length."""
    found = re.match(r"(\D*)(\d*)(.*)", ref, re.DOTALL)
    if found is None:
        return ref, 0, ""
    digits = found[2].lstrip("0")
    return found[1], len(digits), digits + found[3]


def _capacitor(part: Part, listed: ListedPart | None, netlist: Netlist | None) -> Capacitor | None:
    symbol = listed.symbol if listed is not None else (part.about if not part.footprint else "")
    name = symbol.rsplit(":", 1)[-1]
    if not (_REF.match(part.ref) or _SYMBOL_CAPACITOR.match(name)):
        return None
    footprint = part.footprint.rsplit(":", 1)[-1]
    text = listed.value if listed is not None and listed.value else part.value
    about = listed.about if listed is not None else part.fields.get("Description", "")
    kind, reasons = _kind(part, footprint, name, about, text)
    value = read_value(text, kind in ELECTROLYTIC)
    if value.volt is None:
        fields = {**part.fields, **(listed.fields if listed is not None else {})}
        rating = next((said for key, said in fields.items() if re.search(r"volt|rating", key, re.IGNORECASE)), "")
        volt = read_value(rating if re.search("v", rating, re.IGNORECASE) else f"{rating}V", False).volt
        value = ValueRead(value.farad, volt, value.note)
    if kind == "other":
        kind, more = _perhaps(part, footprint, value)
        reasons += more
    by_number, by_print, plus, minus, signs = _signs(part, kind, netlist)
    if value.note:
        reasons.append(value.note)
    return Capacitor(
        part=part,
        kind=kind,
        value=value,
        size=_size(part, footprint, plus),
        symbol=symbol,
        by_number=by_number,
        by_print=by_print,
        plus=plus,
        minus=minus,
        toward_minus=toward(part, plus),
        reasons=(*reasons, *signs),
    )


def _kind(part: Part, footprint: str, name: str, about: str, value: str) -> tuple[Kind, list[str]]:
    everything = " ".join((footprint, part.about, name, about, value))
    if _TRIMMER.search(f"{footprint} {name} {about}") or part.ref.upper().startswith(("VC", "TC")):
        return "trimmer", [tr("a trimmer, by its symbol or print")]
    printed = f"{footprint} {part.about}"
    by_symbol = bool(_SYMBOL_POLARISED.match(name))
    by_word = bool(_SAID_POLARISED.search(about))
    by_print = bool(_PRINT_POLARISED.search(printed))
    bipolar = bool(_UNPOLARISED.search(f"{everything}"))
    reasons = []
    if by_symbol:
        reasons.append(tr("circuit symbol {name} is that of a polarised capacitor", name=name))
    elif by_word:
        reasons.append(tr("described as {about}", about=about))
        by_symbol = True
    if by_print:
        reasons.append(tr("print {about} is that of an electrolytic", about=footprint or part.about))
    if bipolar and (by_symbol or by_print or re.search("electrolyt", everything, re.IGNORECASE)):
        return "bipolar", [*reasons, tr("marked bipolar")]
    if not (by_symbol or by_print):
        return "other", []
    if _TANTALUM.search(everything):
        return "tantalum", reasons
    if _POLYMER.search(everything):
        return "polymer", reasons
    if _ALUMINIUM.search(printed):
        return "aluminium", reasons
    return "polarised", reasons


def _perhaps(part: Part, footprint: str, value: ValueRead) -> tuple[Kind, list[str]]:
    if value.farad is None:
        return "other", []
    if not part.surface_mount and value.farad >= _BIG:
        return "perhaps", [tr("1 µF or more with wires on a print without polarity: look at the part")]
    if part.surface_mount and value.farad >= _BIG and _NOT_CAPACITOR_PRINT.search(footprint):
        return "perhaps", [tr("1 µF or more on another part's print: look at the part")]
    if part.surface_mount and value.farad >= _CHIP_BIG and not footprint:
        return "perhaps", [tr("10 µF or more without a known print: look at the part")]
    return "other", []


def _signs(
    part: Part, kind: Kind, netlist: Netlist | None
) -> tuple[str | None, str | None, str | None, str | None, list[str]]:
    """Plus by number or name, plus by print, plus, minus, reasons."""
    numbers = list(dict.fromkeys(pad.number for pad in part.pads if pad.number))
    if kind in ("bipolar", "trimmer", "other") or len(numbers) != 2 or len(part.pads) > _PADS:
        return None, None, None, None, []
    reasons = []
    names = {pad.number: pad.name for pad in part.pads if pad.name}
    if netlist is not None:
        for number in numbers:
            pin = netlist.pins.get((part.ref, number))
            if pin is not None and pin.name:
                names[number] = pin.name
    by_number: str | None = None
    for number in numbers:
        for said in (number, names.get(number, "")):
            other = numbers[1 - numbers.index(number)]
            if said.upper() in ("+", "P", "POS", "PLUS"):
                by_number = number
                reasons.append(tr("pad {number} is named {said}", number=number, said=said))
            elif said.upper() in ("-", "N", "NEG", "MINUS") and by_number is None:
                by_number = other
                reasons.append(tr("pad {number} is named {said}", number=number, said=said))
    if by_number is None and set(numbers) == {"1", "2"} and kind != "perhaps":
        by_number = "1"
        reasons.append(tr("pad 1 of a polarised capacitor is plus (common practice, no source)"))
    by_print = _by_marks(part, numbers)
    if by_print is not None:
        reasons.append(tr("the print has its sign for plus at pad {by_print}", by_print=by_print))
    said_plus = {sign for sign in (by_number, by_print) if sign is not None}
    if len(said_plus) > 1:
        return by_number, by_print, None, None, [*reasons, tr("number and print disagree: settle it with a meter")]
    plus = said_plus.pop() if said_plus else None
    minus = numbers[1 - numbers.index(plus)] if plus is not None else None
    return by_number, by_print, plus, minus, reasons


def _by_marks(part: Part, numbers: list[str]) -> str | None:
    """The pad that the plus signs stand at, or not the minus signs; None where they are not clearly nearer to one."""
    found = set()
    for marks, meant in ((part.plus_marks, 0), (part.minus_marks, 1)):
        for x, y in marks:
            away = [min(hypot(p.x - x, p.y - y) for p in part.pads if p.number == number) for number in numbers]
            near = 0 if away[0] <= away[1] else 1
            if away[near] > 0.8 * away[1 - near]:
                return None
            found.add(numbers[near if not meant else 1 - near])
    return found.pop() if len(found) == 1 else None


def _middle(pads: list[Pad]) -> tuple[float, float]:
    return sum(p.x for p in pads) / len(pads), sum(p.y for p in pads) / len(pads)


def toward(part: Part, plus: str | None) -> str | None:
    """Where the minus end lies from the plus end, seen from the part's own side."""
    here = [pad for pad in part.pads if pad.number == plus]
    there = [pad for pad in part.pads if pad.number not in ("", plus)]
    if not here or not there:
        return None
    (x1, y1), (x2, y2) = _middle(here), _middle(there)
    if hypot(x2 - x1, y2 - y1) < 1e-6:
        return None
    across = x2 - x1 if part.side == "front" else x1 - x2
    eighth = round(degrees(atan2(y2 - y1, across)) / 45) % 8
    return ("right", tr("lower right"), "down", tr("lower left"), "left", tr("upper left"), "up", tr("upper right"))[
        eighth
    ]


def _size(part: Part, footprint: str, plus: str | None) -> Size:
    named = {
        key.upper(): round(float(value) * 1e-3, 9)
        for key, value in re.findall(rf"(?<![A-Za-z])([DLPHW])({_MM_PRINTED})mm", footprint)
    }
    diameter, length, width = named.get("D"), named.get("L", named.get("H")), named.get("W")
    source = "print's name" if named else ""
    if not named:
        case = re.search(rf"(?<![\d.])({_MM_PRINTED})x({_MM_PRINTED})", footprint)
        chip = re.search(r"EIA-(\d\d)(\d\d)-(\d\d)", footprint)
        if chip is not None:
            length, width = (int(chip[i]) * 1e-4 for i in (1, 2))
            source = "print's name"
        elif case is not None:
            diameter, length = float(case[1]) * 1e-3, float(case[2]) * 1e-3
            source = "print's name"
    if part.body is not None and diameter is None and length is None and width is None:
        if part.body.round:
            diameter = part.body.width
        else:
            length, width = sorted((part.body.width, part.body.height), reverse=True)
        source = "print's outline"
    pitch = None if part.surface_mount else named.get("P")
    here = [pad for pad in part.pads if pad.number == (plus or part.pads[0].number)]
    there = [pad for pad in part.pads if pad.number and here and pad.number != here[0].number]
    if here and there and not part.surface_mount and len(part.pads) <= _PADS:
        measured = min(hypot(a.x - b.x, a.y - b.y) for a in here for b in there)
        pitch = round(measured, 6) if measured > 1e-6 else pitch
    return Size(pitch, diameter, length, width, source)
