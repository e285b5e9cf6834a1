"""What is off or out of the unit, and must go back: a pure function of the log, like all state.

Two ledgers. *Lines* are fixings and parts of the strip-down, counted off and back. *Places* are parts replaced one for
one: out, then in. `refuse` says why a new entry cannot be: a part put in the wrong way round, another part than the
one that came out, a second one out while one is out, a stage reached with something left over.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from refettle.book.log import LogEntry, LogError
from refettle.language import tr
from refettle.parts.capacitor import CapacitorError
from refettle.parts.capacitor_text import read_capacitor
from refettle.parts.substitutes import assess

LEDGER_KINDS = ("off", "back", "left-off", "part-out", "part-in", "stage")
REFIT_DONE = ("proving", "handed over")
"""Stages that nothing may be left over for."""


@dataclass(frozen=True)
class Line:
    """One line of the strip-down: so many taken off, so many back."""

    item: str
    what: str
    n: int
    off: int
    back: int = 0
    length_mm: float | None = None
    drive: str = ""
    tray: str = ""
    place: str = ""
    photo: str | None = None
    note: str = ""
    why_left: str = ""

    @property
    def missing(self) -> int:
        """How many are still off."""
        return self.off - self.back

    @property
    def open(self) -> bool:
        """True if some are still off and nobody wrote why."""
        return self.missing > 0 and not self.why_left


@dataclass(frozen=True)
class Place:
    """One part being replaced, or replaced. `minus` is where the minus of the new one must lie."""

    ref: str
    n: int
    old: str
    minus: str
    new: str = ""
    resolved: str = ""

    @property
    def out(self) -> bool:
        """True while the old part is out and none is in."""
        return not self.new


@dataclass
class Ledger:
    """Everything that is off or out, in the order it came off."""

    lines: dict[str, Line] = field(default_factory=dict)
    places: dict[str, Place] = field(default_factory=dict)

    @property
    def open_lines(self) -> list[Line]:
        """Lines still open, last off first: the order of refit."""
        return [line for line in reversed(self.lines.values()) if line.open]

    @property
    def out_now(self) -> list[Place]:
        """Parts out and not replaced."""
        return [place for place in self.places.values() if place.out]

    def left_over(self) -> str:
        """What is left over, in words; empty if nothing is."""
        said = [tr("{ref} is out", ref=p.ref) for p in self.out_now]
        said += [
            tr("{item}: {missing} of {off} still off", item=line.item, missing=line.missing, off=line.off)
            for line in self.open_lines
        ]
        return "; ".join(said)


def ledger(entries: Iterable[LogEntry]) -> Ledger:
    """The ledgers after all entries that count. Entries that make no sense together (a part put back that was never
    off) are passed over here; `refuse` keeps them from being written."""
    book = Ledger()
    for entry in entries:
        if not entry.void:
            _apply(book, entry.kind, entry.data, entry.n)
    return book


def enter(book: Ledger, entry: LogEntry) -> None:
    """Bring the ledgers up to one more entry that counts."""
    _apply(book, entry.kind, entry.data, entry.n)


def _apply(book: Ledger, kind: str, data: Mapping[str, Any], n: int) -> None:
    if kind == "off":
        old = book.lines.get(data["item"])
        count = int(data.get("count", 1))
        if old is not None and old.what == data["what"]:
            book.lines[old.item] = replace(old, off=old.off + count, why_left="")
        else:
            told = {k: data[k] for k in ("length_mm", "drive", "tray", "place", "photo", "note") if data.get(k)}
            book.lines[data["item"]] = Line(data["item"], data["what"], n, count, **told)
    elif kind == "back" and data["item"] in book.lines:
        line = book.lines[data["item"]]
        book.lines[line.item] = replace(line, back=min(line.off, line.back + int(data.get("count", 1))))
    elif kind == "left-off" and data["item"] in book.lines:
        line = book.lines[data["item"]]
        book.lines[line.item] = replace(line, why_left=data["why"])
    elif kind == "part-out":
        minus = data.get("minus") or data["fitted"]
        book.places[data["ref"]] = Place(data["ref"], n, data["value"], minus, resolved=str(data.get("resolved", "")))
    elif kind == "part-in" and data["ref"] in book.places:
        book.places[data["ref"]] = replace(book.places[data["ref"]], new=data["value"])


# ---------------------------------------------------------------- refusing


def refuse(book: Ledger, content: Mapping[str, Any]) -> None:
    """Refuse an entry that the ledgers do not allow.

    Parameters
    ----------
    book : Ledger
        As it stands.
    content : mapping
        The new entry's content, checked by `log.check_entry`.

    Raises
    ------
    LogError
        Naming the field, what was found, what is allowed, and what to do.
    """
    kind = content["kind"]
    if kind == "part-out":
        _refuse_out(book, content)
    elif kind == "part-in":
        _refuse_in(book, content)
    elif kind in ("back", "left-off"):
        _refuse_back(book, content)
    elif kind == "off" and (line := book.lines.get(content["item"])) and line.what != content["what"]:
        raise LogError(
            tr(
                "item: '{item}' found as {kind}; it is a {known} already: give it a name of its own",
                item=line.item,
                kind=content["what"],
                known=line.what,
            ),
            field="item",
        )
    elif kind == "stage" and content["stage"] in REFIT_DONE and not content.get("why") and book.left_over():
        raise LogError(
            tr(
                "stage: '{stage}' found while something is left over ({rest}); allowed: put it back "
                "first, or give the reason in 'why'",
                stage=content["stage"],
                rest=book.left_over(),
            ),
            field="stage",
        )


def _refuse_out(book: Ledger, content: Mapping[str, Any]) -> None:
    ref = content["ref"]
    place = book.places.get(ref)
    if place is not None and place.out:
        raise LogError(tr("ref: {ref} found, which is out already; allowed: put the new one in", ref=ref), field="ref")
    others = [p.ref for p in book.out_now]
    if others and not content.get("others_out"):
        raise LogError(
            tr(
                "ref: {ref} found while {others} is out; allowed: one out, one in, then the next; or "
                "give the reason in 'others_out'",
                ref=ref,
                others=", ".join(others),
            ),
            field="ref",
        )
    said = {name: content[name] for name in ("fitted", "printed", "by_net")}
    settled = content.get("minus")
    if len(set(said.values())) > 1 and not (content.get("resolved") and settled):
        told = ", ".join(f"{name.replace('_', ' ')}: {value}" for name, value in said.items())
        raise LogError(
            tr(
                "fitted, printed, by_net: three that do not agree found ({told}); stop, and measure "
                "which pad is the more negative; allowed: three that agree, or 'minus' with 'resolved' "
                "saying how it was shown",
                told=told,
            ),
            field="fitted",
        )


def _refuse_in(book: Ledger, content: Mapping[str, Any]) -> None:
    ref = content["ref"]
    place = book.places.get(ref)
    if place is None or not place.out:
        out = ", ".join(p.ref for p in book.out_now) or tr("none")
        raise LogError(
            tr("ref: {ref} found, which is not out; allowed: a part that is out ({out})", ref=ref, out=out), field="ref"
        )
    if content["minus"] != place.minus:
        raise LogError(
            tr(
                "minus: '{found}' found; allowed: '{minus}'. Reversed, it can burst. Turn it round.",
                found=content["minus"],
                minus=place.minus,
            ),
            field="minus",
        )
    if not content.get("why"):
        _refuse_other_part(place, content["value"])


def _refuse_other_part(place: Place, value: str) -> None:
    """A mix-up: the new part cannot stand in for the one that came out."""
    try:
        original = read_capacitor(place.old, "aluminium")
    except CapacitorError:
        return  # what came out could not be read, so nothing can be held against it
    try:
        found = assess(original, read_capacitor(value, original.kind))
    except CapacitorError as error:
        raise LogError(tr("value: {error}", error=error), field="value") from None
    if found.says == "refused":
        reasons = "; ".join(f.reason for f in found.refusals)
        raise LogError(
            tr(
                "value: '{value}' found for {ref}, where {old} came out ({reasons}); allowed: a part "
                "that can stand in for it, or the reason in 'why'",
                value=value,
                ref=place.ref,
                old=place.old,
                reasons=reasons,
            ),
            field="value",
        )


def _refuse_back(book: Ledger, content: Mapping[str, Any]) -> None:
    line = book.lines.get(content["item"])
    if line is None:
        off = ", ".join(book.lines) or tr("nothing is off")
        raise LogError(tr("item: '{item}' found; allowed: {allowed}", item=content["item"], allowed=off), field="item")
    if content["kind"] == "back" and int(content.get("count", 1)) > line.missing:
        raise LogError(
            tr(
                "count: {count} found for '{item}'; allowed: at most {missing} still off",
                count=content.get("count", 1),
                item=line.item,
                missing=line.missing,
            ),
            field="count",
        )
