"""What the board and replacing pages show, worked out of the board file, the notes and the ledger. No request in here.

Directions are those of the board map, seen from the part's own side; for a part noted on a photo, those of the photo.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import lru_cache
from pathlib import Path
from typing import Any

from refettle.book.files import FileError, fetch
from refettle.book.ledger import Place as Replaced
from refettle.book.state import JobState
from refettle.language import decimal, mark, shown, tr
from refettle.parts.board_capacitors import Capacitor, ref_order, toward
from refettle.parts.board_reading import BoardReading, Polarity, read_board
from refettle.parts.board_text import BoardError
from refettle.parts.capacitor import CapacitorError, Rated
from refettle.parts.capacitor_text import read_capacitor
from refettle.parts.circuit_path import NoSuchOutputError, OnPath
from refettle.parts.circuit_roles import Seat
from refettle.parts.health import Risk, Use, risk
from refettle.parts.substitutes import Assessment, assess, place_of, rated_of
from refettle.quantities import THIN, show, written

MINUS = (mark("up"), mark("down"), mark("left"), mark("right"), mark("not polarised"))
ARROWS = {"up": "↑", "down": "↓", "left": "←", "right": "→", "not polarised": "○"}
ROLE_GROUPS = {
    "mains": mark("On the mains"),
    "between rails": mark("Between rails"),
    "signal": mark("In the signal’s way"),
    "timing": mark("Timing and reset"),
    "bias": mark("Bias"),
    "filter": mark("Filter"),
    "unknown": mark("Seat in the circuit not known"),
}


@dataclass(frozen=True)
class CapacitorView:
    """One capacitor of the job: of the board file, noted by hand, or both.

    `printed` and `by_net` are where the minus lies by the board's print and by the nets, None where they do not tell or
    lie askew; `told` is how each sign puts it, in words. `state`: in place, out, done.
    """

    ref: str
    value: str
    words: str
    side: str
    size: str
    spot: str
    group: str
    state: str
    rated: Rated | None
    trouble: str
    seat: Seat | None
    polarity: Polarity | None
    told: tuple[tuple[str, str], ...]
    printed: str | None
    by_net: str | None
    risk: Risk | None
    noted: Mapping[str, Any] | None
    capacitor: Capacitor | None
    fitted: bool = True
    queued: bool = True
    on_way: OnPath | None = None
    place: Replaced | None = None

    @property
    def drawn(self) -> bool:
        """True if the map can show it."""
        return self.capacitor is not None and self.capacitor.part.placed

    @property
    def photo(self) -> str:
        """The photo it was marked on, or nothing."""
        return str((self.noted or {}).get("photo") or "")

    @property
    def before_power(self) -> bool:
        """True if it must be dealt with before the unit gets power."""
        return self.risk is not None and self.risk.urgency == "before power"

    @property
    def mains(self) -> bool:
        """True on the mains, where only the same safety class may go in."""
        return self.seat is not None and self.seat.role == "mains"


@dataclass(frozen=True)
class BoardView:
    """The board of a job: the file read, every capacitor, and what is wrong with the file if anything is."""

    capacitors: tuple[CapacitorView, ...]
    reading: BoardReading | None = None
    name: str = ""
    trouble: str = ""
    toward: str = ""
    toward_trouble: str = ""
    made: int | None = None

    @property
    def queue(self) -> list[CapacitorView]:
        """What replacing goes through, in order."""
        return [c for c in self.capacitors if c.queued]

    def get(self, ref: str) -> CapacitorView | None:
        """The capacitor of this designator."""
        return next((c for c in self.capacitors if c.ref == ref), None)

    @property
    def outlets(self) -> list[tuple[str, str]]:
        """Connectors and speakers, as (designator, what is printed there)."""
        if self.reading is None:
            return []
        parts = self.reading.circuit.parts
        found = [(ref, p.value) for ref, p in parts.items() if p.kind in ("connector", "speaker")]
        return sorted(found, key=lambda each: ref_order(each[0]))

    @property
    def states(self) -> dict[str, str]:
        """For the map: what is out or done."""
        return {c.ref: c.state for c in self.capacitors if c.state in ("out", "done")}


@dataclass(frozen=True)
class Group:
    """Capacitors that are replaced before the unit is tested again."""

    title: str
    members: tuple[CapacitorView, ...]

    @property
    def done(self) -> int:
        """How many are done."""
        return sum(c.state == "done" for c in self.members)

    @property
    def complete(self) -> bool:
        """True if all are done."""
        return self.done == len(self.members)


# ---------------------------------------------------------------- reading


@lru_cache(maxsize=4)
def _read(folder: Path, file: str, netlist: str | None) -> BoardReading:
    return read_board(fetch(file, folder), fetch(netlist, folder) if netlist else None)


def board_view(state: JobState, folder: Path, output: str = "", now: int | None = None) -> BoardView:
    """The job's board; `output` puts what lies on the way to it first, `now` is the year for ageing.

    Never raises for a bad file or output: the view says what is wrong.
    """
    reading: BoardReading | None = None
    trouble = name = ""
    if state.boards:
        kept = state.boards[-1]
        name = str(kept["name"])
        try:
            reading = _read(folder, kept["file"], kept.get("netlist"))
        except (FileError, BoardError) as error:
            trouble = f"{name}: {error}"
    way: dict[str, OnPath] = {}
    way_trouble = ""
    if output and reading is not None:
        try:
            way = {each.ref: each for each in reading.toward(output)}
        except NoSuchOutputError as error:
            way_trouble = str(error)
    elif output:
        way_trouble = tr("no board file with nets is kept with this job yet; allowed: after one is added")
    years = state.compiled.loaded.unit_type.years
    made = years[0] if years is not None else None
    found = [_view(state, reading, ref, way, made, now) for ref in _refs(state, reading)]
    groups = list(ROLE_GROUPS.values())
    rank = {title: n for n, title in enumerate(["On the mains", "", *groups[1:]])}
    place = {ref: n for n, ref in enumerate(way)}

    def order(c: CapacitorView) -> tuple[Any, ...]:
        on_way = place.get(c.ref, len(place))
        return (on_way, not c.before_power, rank.get(c.group, 1), c.group, ref_order(c.ref))

    return BoardView(tuple(sorted(found, key=order)), reading, name, trouble, output, way_trouble, made)


def _refs(state: JobState, reading: BoardReading | None) -> list[str]:
    refs = list(state.noted)
    if reading is not None:
        mains = [c for c in reading.capacitors if reading.seats[c.ref].role == "mains"]
        refs += [c.ref for c in (*reading.electrolytics, *reading.perhaps, *mains)]
    return list(dict.fromkeys([*refs, *state.ledger.places]))


def _view(
    state: JobState,
    reading: BoardReading | None,
    ref: str,
    way: Mapping[str, OnPath],
    made: int | None,
    now: int | None,
) -> CapacitorView:
    noted, place = state.noted.get(ref), state.ledger.places.get(ref)
    found = next((c for c in reading.capacitors if c.ref == ref), None) if reading is not None else None
    seat = reading.seats[ref] if reading is not None and found is not None else None
    polarity = reading.polarity(found) if reading is not None and found is not None else None
    rated, trouble = _rated(found, noted, place)
    printed, by_net, told = _signs(found, polarity)
    value = (
        _text(rated) if rated is not None else str((noted or {}).get("value") or (found.part.value if found else ""))
    )
    age: Risk | None = None
    if rated is not None and made is not None and now is not None and now >= made:
        age = risk(rated, Use(made, now, mains=seat is not None and seat.role == "mains"))
    standing = mark("in place") if place is None else mark("out") if place.out else mark("done")
    sure = found is not None and found.electrolytic and found.part.fitted
    return CapacitorView(
        ref=ref,
        value=value,
        words=_words(rated) or value or tr("value not stated"),
        side=str(noted.get("side", "front")) if noted else found.part.side if found else mark("side not stated"),
        size=_size(found),
        spot=_spot(reading, found, noted),
        group=_group(seat),
        state=standing,
        rated=rated,
        trouble=trouble,
        seat=seat,
        polarity=polarity,
        told=told,
        printed=printed,
        by_net=by_net,
        risk=age,
        noted=noted,
        capacitor=found,
        fitted=found is None or found.part.fitted,
        queued=sure or noted is not None or place is not None,
        on_way=way.get(ref),
        place=place,
    )


def _rated(
    found: Capacitor | None, noted: Mapping[str, Any] | None, place: Replaced | None
) -> tuple[Rated | None, str]:
    """The part as fitted at first; what was said by hand goes before what the file says."""
    rated: Rated | None = None
    trouble = ""
    if found is not None:
        try:
            rated = rated_of(found)
        except CapacitorError as error:
            trouble = str(error)
    said = place.old if place is not None else str((noted or {}).get("value", ""))
    if said:
        kind = rated.kind if rated is not None else "bipolar" if _apolar(noted, place) else "aluminium"
        try:
            read = read_capacitor(said, kind)
        except CapacitorError as error:
            return rated, str(error)
        if rated is None:
            return read, ""
        sizes = {name: getattr(rated, name) for name in ("pitch", "diameter", "height", "mount")}
        rated = replace(read, **{name: size for name, size in sizes.items() if getattr(read, name) is None})
        trouble = ""
    return rated, trouble


def _apolar(noted: Mapping[str, Any] | None, place: Replaced | None) -> bool:
    return (place.minus if place is not None else (noted or {}).get("minus")) == "not polarised"


def _signs(
    found: Capacitor | None, polarity: Polarity | None
) -> tuple[str | None, str | None, tuple[tuple[str, str], ...]]:
    """Printed, by net, and the three signs in words."""
    if found is None or polarity is None:
        return None, None, ()
    if polarity.agreement == "no polarity":
        return "not polarised", "not polarised", ()
    lies: dict[str, str | None] = {}
    told = []
    for name, plus in (
        (mark("by number"), polarity.by_number),
        (mark("by print"), polarity.by_print),
        (mark("by net"), polarity.by_net),
    ):
        lies[name] = toward(found.part, plus) if plus is not None else None
        other = next((p for p in found.part.pads if p.number not in ("", plus)), None)
        if plus is None or other is None:
            told.append((name, mark("does not tell")))
            continue
        net = tr(" on {net}", net=other.net) if name == "by net" and other.net else ""
        told.append(
            (
                name,
                tr("minus at pad {pad}{net}", pad=other.number, net=net)
                + (f", {tr(lies[name] or '')}" if lies[name] else ""),
            )
        )
    printed, by_net = (lies[name] if lies[name] in MINUS else None for name in ("by print", "by net"))
    return printed, by_net, tuple(told)


def _group(seat: Seat | None) -> str:
    if seat is None:
        return ROLE_GROUPS["unknown"]
    if seat.role == "rail":
        return tr("Rail {rail}", rail=seat.rail)
    return ROLE_GROUPS.get(seat.role, ROLE_GROUPS["unknown"])


def _text(rated: Rated) -> str:
    """As `read_capacitor` reads it back: what is written into the log."""
    volts = f" {written(rated.volt, 'V')}".replace(THIN, "") if rated.volt is not None else ""
    grade = f" {rated.celsius:g}C" if rated.celsius is not None else ""
    classes = f" {'/'.join(sorted(rated.safety))}" if rated.safety else ""
    return f"{written(rated.farad, 'F')}".replace(THIN, "") + volts + grade + f" {rated.kind}" + classes


def _words(rated: Rated | None) -> str:
    if rated is None:
        return ""
    return show(rated.farad, "F") + (
        f" {show(rated.volt, 'V')}" if rated.volt is not None else tr(", volts not stated")
    )


def _size(found: Capacitor | None) -> str:
    if found is None:
        return ""
    size, said = found.size, []
    if size.diameter is not None:
        said.append(shown(f"⌀ {decimal(1e3 * size.diameter, '.3g')}{THIN}mm"))
    if size.length is not None:
        length = decimal(1e3 * size.length, ".3g")
        if size.width is None:
            said.append(tr("{length}\u2009mm long", length=length))
        else:
            said.append(f"{length} × {decimal(1e3 * size.width, '.3g')}{THIN}mm")
    if size.pitch is not None:
        said.append(tr("pitch {pitch:.3g}\u2009mm", pitch=1e3 * size.pitch))
    return ", ".join(said)


def _spot(reading: BoardReading | None, found: Capacitor | None, noted: Mapping[str, Any] | None) -> str:
    if found is not None and reading is not None and found.part.placed:
        left, top, _, _ = reading.board.bounds
        body = found.part.body
        x, y = (body.x, body.y) if body is not None else (found.part.x, found.part.y)
        return tr(
            "{across:.0f}\u2009mm from the left, {down:.0f}\u2009mm from the top",
            across=1e3 * (x - left),
            down=1e3 * (y - top),
        )
    if noted and noted.get("x") is not None:
        return tr(
            "{across:.0f}\u2009% from the left, {down:.0f}\u2009% from the top of its photo",
            across=100 * noted["x"],
            down=100 * noted["y"],
        )
    return tr("not stated")


# ---------------------------------------------------------------- replacing


def groups(view: BoardView) -> list[Group]:
    """The queue by seat, in order; what lies on the way to the chosen output is the first group."""
    made: dict[str, list[CapacitorView]] = {}
    for c in view.queue:
        title = tr("On the way to {signal}", signal=view.toward) if c.on_way is not None else tr(c.group)
        made.setdefault(title, []).append(c)
    return [Group(title, tuple(members)) for title, members in made.items()]


def judge_new(c: CapacitorView, text: str) -> Assessment:
    """A new part against the one that came out, in its place. CapacitorError where either cannot be read."""
    if c.rated is None:
        raise CapacitorError(
            c.trouble or tr("{ref}: what came out could not be read, so nothing is compared", ref=c.ref)
        )
    candidate = read_capacitor(text, c.rated.kind)
    return assess(c.rated, candidate, place_of(c.seat) if c.seat is not None else None)


@dataclass(frozen=True)
class BlockLink:
    """A block whose `part` names a capacitor: its checks, and whether it stands for that part alone."""

    block: str
    name: str
    alone: bool
    checks: tuple[tuple[str, str, str], ...] = field(default_factory=tuple)
    """(check id, name, gear)"""

    @property
    def meant(self) -> str:
        """The check a reading decides: that of the ESR meter, else the first made without power."""
        return next((c for c, _, gear in self.checks if gear == "esr-meter"), self.checks[0][0] if self.checks else "")

    @property
    def look(self) -> str:
        """The check a look decides."""
        return next((c for c, _, gear in self.checks if gear == "eye"), self.meant)


def parts_named(part: str | None) -> list[str]:
    """Designators in a block's `part`: 'C3', 'C1, C2'; of 'C1 to C4' all four."""
    refs: list[str] = []
    for piece in (part or "").replace(" and ", ",").split(","):
        first, sep, last = (each.strip() for each in piece.partition(" to "))
        (start, low, _), (end, high, _) = ref_order(first), ref_order(last)
        if sep and start == end and 0 < low <= high < low + 100:
            refs += [f"{start}{n}" for n in range(low, high + 1)]
        elif first:
            refs.append(first)
    return refs


def block_link(state: JobState, ref: str) -> BlockLink | None:
    """The block that names this part, if one does."""
    for block in state.compiled.loaded.blocks.values():
        refs = parts_named(block.part)
        if ref in refs:
            steps = state.compiled.steps.values()
            checks = [s for s in steps if s.kind == "check" and s.block == block.id and not (s.powered or s.is_point)]
            return BlockLink(block.id, block.name, len(refs) == 1, tuple((s.id, s.name, s.gear) for s in checks))
    return None
