"""Lists of what a kit is to hold: typed, or read from a board; grouped by value.

    C1, C4: 100u 25V 105C aluminium pitch=5mm
    C7: 10u 50V aluminium +1
    DRIVE: part BELT-71 x2

One line for each place or group of places: designators and a colon, then what goes there, as `capacitor_text` reads it
or `part` and a code of the stores; `x2` says how many where no designators do, `+1` adds spares.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

from refettle.language import mark, tr
from refettle.parts.board_capacitors import ref_order
from refettle.parts.board_reading import BoardReading
from refettle.parts.capacitor import CapacitorError, CapacitorKind, Rated
from refettle.parts.capacitor_text import read_capacitor
from refettle.parts.kits import KitError
from refettle.parts.substitutes import rated_of
from refettle.quantities import THIN, written

MOST_LINES = 200
MOST_PIECES = 1000
ALLOWED = mark("such as 'C1, C4: 100u 25V 105C aluminium', 'BELT: part B-71 x2', '+1' behind it for a spare")
_REF = re.compile(r"[A-Za-z][A-Za-z0-9_.\-]{0,19}")
_TIMES = re.compile(r"(?:^|\s)[x×](\d{1,4})(?=\s|$)")
_SPARE = re.compile(r"(?:^|\s)\+(\d{1,3})(?=\s|$)")


@dataclass(frozen=True, slots=True)
class Wanted:
    """One value of a kit: `rated` as the list says it, or the `part` of the stores; `quantity` with `spares` in it."""

    refs: tuple[str, ...]
    words: str
    rated: Rated | None
    part: str
    quantity: int
    spares: int

    @property
    def name(self) -> str:
        """What to call the line: its designators, else what it is."""
        return ", ".join(self.refs) or self.words or self.part


def words_of(rated: Rated) -> str:
    """A capacitor as `read_capacitor` reads it back; lengths to half a millimetre."""
    said = [written(rated.farad, "F").replace(THIN, "")]
    if rated.volt is not None:
        said.append(written(rated.volt, "V").replace(THIN, ""))
    if rated.celsius is not None:
        said.append(f"{rated.celsius:g}C")
    said.append(rated.kind)
    if rated.mount is not None:
        said.append(rated.mount)
    if rated.safety:
        said.append("/".join(sorted(rated.safety)))
    for name in ("pitch", "diameter", "height"):
        length = getattr(rated, name)
        if length is not None:
            said.append(f"{name}={round(2e3 * length) / 2:g}mm")
    return " ".join(said)


def read_list(text: str, kind: str | None = None) -> tuple[Wanted, ...]:
    """The values of a list, in the order they first come, those of the same words together.

    Parameters
    ----------
    text : str
    kind : str, optional
        For lines that name no kind of capacitor.

    Raises
    ------
    KitError
        Naming the line, what was found, what is allowed.
    """
    found: dict[str, Wanted] = {}
    seen: dict[str, int] = {}
    lines = [(n, line.strip()) for n, line in enumerate(text.splitlines(), start=1)]
    lines = [(n, line) for n, line in lines if line and not line.startswith("#")]
    if not lines:
        raise KitError(tr("list: nothing found; allowed: at least one line, {allowed}", allowed=tr(ALLOWED)))
    for n, line in lines:
        each = _line(n, line, kind)
        for ref in each.refs:
            if ref in seen:
                raise KitError(
                    tr(
                        "line {n}: {place} found, which line {other_line} has; allowed: each place once",
                        n=n,
                        place=ref,
                        other_line=seen[ref],
                    )
                )
            seen[ref] = n
        key = each.words or tr("part {part}", part=each.part)
        known = found.get(key)
        found[key] = each if known is None else _together(known, each)
        if found[key].quantity > MOST_PIECES:
            raise KitError(
                tr(
                    "line {n}: {quantity} pieces found; allowed: up to {most_pieces}",
                    n=n,
                    quantity=found[key].quantity,
                    most_pieces=MOST_PIECES,
                )
            )
    if len(found) > MOST_LINES:
        raise KitError(
            tr("list: {found} values found; allowed: up to {most_lines}", found=len(found), most_lines=MOST_LINES)
        )
    return tuple(found.values())


def _together(a: Wanted, b: Wanted) -> Wanted:
    refs = tuple(sorted((*a.refs, *b.refs), key=ref_order))
    return Wanted(refs, a.words, a.rated, a.part, a.quantity + b.quantity, a.spares + b.spares)


def _line(n: int, line: str, kind: str | None) -> Wanted:
    head, colon, rest = line.partition(":")
    refs: tuple[str, ...] = ()
    if colon:
        refs = tuple(ref for ref in re.split(r"[,;\s]+", head) if ref)
        bad = next((ref for ref in refs if not _REF.fullmatch(ref)), None)
        if bad is not None or not refs or len(set(refs)) != len(refs):
            raise KitError(
                tr(
                    "line {n}: places '{head}' found; allowed: designators such as C1, C4, each once",
                    n=n,
                    head=head[:60],
                )
            )
    else:
        rest = line
    times = _TIMES.findall(rest)
    spares = [int(each) for each in _SPARE.findall(rest)]
    what = " ".join(_SPARE.sub(" ", _TIMES.sub(" ", rest)).split())
    if len(times) > 1 or len(spares) > 1 or not what:
        raise KitError(tr("line {n}: '{line}' found; allowed: {allowed}", n=n, line=line[:80], allowed=tr(ALLOWED)))
    pieces = int(times[0]) if times else max(1, len(refs))
    if pieces < max(1, len(refs)):
        raise KitError(
            tr(
                "line {n}: x{pieces} for {places} places found; allowed: at least {least}",
                n=n,
                pieces=pieces,
                places=len(refs),
                least=max(1, len(refs)),
            )
        )
    extra = sum(spares)
    over = pieces - len(refs) if refs and times else 0
    if what.lower().startswith("part "):
        code = what[5:].strip()
        return Wanted(refs, "", None, code, pieces + extra, extra + (over if over < pieces else 0))
    try:
        rated = read_capacitor(what, kind)
    except CapacitorError as error:
        raise KitError(tr("line {n}: {error}", n=n, error=error)) from None
    return Wanted(refs, words_of(rated), rated, "", pieces + extra, extra + over)


def list_of_board(
    reading: BoardReading, kinds: Mapping[str, CapacitorKind] | None = None
) -> tuple[str, tuple[str, ...]]:
    """A list of a board's fitted electrolytics and its capacitors on the mains; what was left out, with reasons."""
    grouped: dict[str, list[str]] = {}
    left_out = []
    mains = [c for c in reading.capacitors if reading.seats[c.ref].role == "mains" and not c.electrolytic]
    for capacitor in (*reading.electrolytics, *mains):
        if not capacitor.part.fitted:
            left_out.append(tr("{ref}: not fitted on this board", ref=capacitor.ref))
            continue
        try:
            rated = rated_of(capacitor, (kinds or {}).get(capacitor.ref))
        except CapacitorError as error:
            left_out.append(str(error))
            continue
        grouped.setdefault(words_of(rated), []).append(capacitor.ref)
    left_out += [tr("{ref}: may be an electrolytic; look at the board", ref=c.ref) for c in reading.perhaps]
    lines = [f"{', '.join(sorted(refs, key=ref_order))}: {words}" for words, refs in grouped.items()]
    return "\n".join(lines), tuple(left_out)
