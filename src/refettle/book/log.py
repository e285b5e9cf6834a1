"""The log: entry kinds, checking, the line format, corrections. No database and no framework.

An entry is one JSON object: `n` (its number in the job, from 1), `at` (ISO 8601 with offset), `who`, `kind`, and
the fields of its kind. A log file holds one entry a line (JSON Lines). Nothing is ever changed: a
correction is a new entry that names the one it corrects.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Annotated, Any, Literal

from pydantic import ConfigDict, Field, ValidationError, model_validator

from refettle.book.entry_fields import Entry as EntryFields
from refettle.book.entry_fields import Minutes, Number, Ohm, Short, Text, Told
from refettle.book.log_proving import CellSaid, SafetyRecord, Soak, Trial, TrialsWanted
from refettle.book.log_stores import STORES_ENTRIES
from refettle.book.log_whitening import BathIn, BathOut, Turned, YellowRead
from refettle.book.money_entries import MONEY_ENTRIES
from refettle.language import several, tr

MAX_LINE = 200_000
MAX_ENTRIES = 100_000
MOST_DEPTH = 200
"""Of brackets within brackets; no entry needs more than a few."""


class LogError(ValueError):
    """An entry or log that cannot be; names the line or field, what was found, what is allowed."""

    def __init__(self, message: str, line: int = 0, field: str = "") -> None:
        self.line, self.field = line, field
        super().__init__(tr("line {line}: {message}", line=line, message=message) if line else message)


Stage = Literal["take-in", "fault finding", "finishing", "proving", "waiting", "handed over", "parted out"]
Level = Literal["closed", "open", "board"]
Condition = Literal["sound", "worn", "damaged", "missing", "not looked at"]


class TakeIn(EntryFields):
    """How the unit came in: what the owner says, its condition, what came with it."""

    kind: Literal["take-in"]
    said: Text = ""
    condition: dict[Short, Condition] = {}
    accessories: dict[Short, Literal["here", "missing", "not looked at"]] = {}
    rattle: Literal["none", "rattles", "not tried"] = "not tried"
    smell: Text = ""
    note: Text = ""


class Complaint(EntryFields):
    """What the owner says of a point; weaker evidence than a look of one's own."""

    kind: Literal["complaint"]
    point: Short
    outcome: Short


class Saved(EntryFields):
    """Data saved (or waived by the owner) before any battery comes out."""

    kind: Literal["saved"]
    what: Short
    how: Literal["read out twice, both the same", "owner waives in writing", "nothing to save"]
    note: Text = ""


class CautionRead(EntryFields):
    """A caution read and taken to heart."""

    kind: Literal["caution"]
    caution: Short


class FirstPower(EntryFields):
    """The gate before first power-on. The five adapter facts as confirmed; rails to ground in ohm."""

    kind: Literal["first-power"]
    adapter: dict[Literal["output", "volts", "amps", "polarity", "plug"], Literal["matches", "does not match"]] = {}
    rails_ohm: dict[Short, Ohm] = {}
    limit_amps: Annotated[Number, Field(gt=0, le=100)] | None = None
    limiter: Text = ""
    rattle: Text = ""
    note: Text = ""


class Proof(EntryFields):
    """What was shown before a step that cannot be undone."""

    kind: Literal["proof"]
    repair: Short
    text: Told


class Consent(EntryFields):
    """The owner's consent to a step that cannot be undone."""

    kind: Literal["consent"]
    repair: Short
    text: Told


class GearCheck(EntryFields):
    """A self-check of test gear; holds for the day."""

    kind: Literal["gear"]
    gear: Short
    outcome: Literal["good", "bad"]
    note: Text = ""


class CheckMade(EntryFields):
    """A check made: one outcome, or counts of several trials, or a graded reading.

    `run: new` says that the unit was switched off and started anew before this look.
    """

    kind: Literal["check"]
    check: Short
    outcome: Short | None = None
    counts: dict[Short, Annotated[int, Field(ge=0, le=100_000)]] | None = None
    likelihood: dict[Short, Annotated[Number, Field(ge=0)]] | None = None
    value: Text = ""
    run: Literal["same", "new"] = "same"
    minutes: Minutes | None = None
    note: Text = ""

    @model_validator(mode="after")
    def _one_result(self) -> CheckMade:
        given = [x is not None for x in (self.outcome, self.counts, self.likelihood)]
        if sum(given) != 1:
            raise ValueError(tr("exactly one of outcome, counts, likelihood"))
        if self.counts is not None and not any(self.counts.values()):
            raise ValueError(tr("counts with at least one trial"))
        if self.likelihood is not None and not any(self.likelihood.values()):
            raise ValueError(tr("a likelihood with at least one value above 0"))
        return self


class ReadingTaken(EntryFields):
    """A file read: a capture or a recording, what was read from it, and how likely each check's outcomes make it.

    The file is kept by its sha256, with how it was read and by which version, so that it can be read again.
    """

    kind: Literal["reading"]
    method: Literal["ripple", "sound"]
    place: Short
    file: Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
    name: Short
    options: dict[Short, Text] = {}
    figures: dict[Short, Text] = {}
    version: Short
    decides: dict[Short, dict[Short, Annotated[Number, Field(ge=0)]]] = {}
    run: Literal["same", "new"] = "same"
    minutes: Minutes | None = None
    note: Text = ""

    @model_validator(mode="after")
    def _each_says_something(self) -> ReadingTaken:
        if any(not any(grades.values()) for grades in self.decides.values()):
            raise ValueError(tr("for each check a likelihood with at least one value above 0"))
        return self


class RepairMade(EntryFields):
    """A repair made."""

    kind: Literal["repair"]
    repair: Short
    parts: Annotated[Number, Field(ge=0)] | None = None
    minutes: Minutes | None = None
    note: Text = ""


class AccessChanged(EntryFields):
    """How far the unit is open now."""

    kind: Literal["access"]
    level: Level


class Note(EntryFields):
    """Anything worth writing down."""

    kind: Literal["note"]
    text: Annotated[str, Field(min_length=1, max_length=20_000)]


class PhotoTaken(EntryFields):
    """A photo, by the sha256 of its file."""

    kind: Literal["photo"]
    photo: Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
    caption: Text = ""


class TimeSpent(EntryFields):
    """Minutes at the bench not tied to a check or repair."""

    kind: Literal["time"]
    minutes: Annotated[Number, Field(gt=0, le=100_000)]
    what: Text = ""


class StageChanged(EntryFields):
    """The job moves on, or waits for something."""

    kind: Literal["stage"]
    stage: Stage
    waits_for: Text = ""
    why: Text = ""


Minus = Literal["up", "down", "left", "right", "not polarised"]


class BoardFile(EntryFields):
    """A board layout or parts list kept with the job, by the sha256 of its file; and its netlist, if there is one."""

    kind: Literal["board"]
    file: Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
    name: Short
    netlist: Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")] | None = None


class CapacitorNoted(EntryFields):
    """A capacitor entered by hand; with a photo, where on it (0 to 1 from the left and from the top)."""

    kind: Literal["capacitor"]
    ref: Short
    value: Short
    side: Literal["front", "back"] = "front"
    minus: Minus | None = None
    photo: Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")] | None = None
    x: Annotated[Number, Field(ge=0, le=1)] | None = None
    y: Annotated[Number, Field(ge=0, le=1)] | None = None
    note: Text = ""


class PartOut(EntryFields):
    """A part taken out, one for one. Where its minus lies, said three ways: as fitted, as printed on the board, and by
    the net (which pad is at ground, or the more negative). They must agree, or `resolved` says how it was settled."""

    kind: Literal["part-out"]
    ref: Short
    value: Short
    fitted: Minus
    printed: Minus
    by_net: Minus
    resolved: Text = ""
    minus: Minus | None = None
    others_out: Text = ""
    note: Text = ""


class PartIn(EntryFields):
    """A new part put in the place of one that is out."""

    kind: Literal["part-in"]
    ref: Short
    value: Short
    minus: Minus
    why: Text = ""
    price: Annotated[Number, Field(ge=0)] | None = None
    note: Text = ""


class TakenOff(EntryFields):
    """Something taken off in the strip-down that must go back."""

    kind: Literal["off"]
    item: Short
    what: Literal["screw", "clip", "insulator", "shield", "ribbon", "heat-sink part", "spring", "cover", "other"]
    count: Annotated[int, Field(ge=1, le=500)] = 1
    length_mm: Annotated[Number, Field(gt=0, le=500)] | None = None
    drive: Text = ""
    tray: Text = ""
    place: Text = ""
    photo: Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")] | None = None
    note: Text = ""


class PutBack(EntryFields):
    """Something of the strip-down put back."""

    kind: Literal["back"]
    item: Short
    count: Annotated[int, Field(ge=1, le=500)] = 1
    note: Text = ""


class LeftOff(EntryFields):
    """A line of the strip-down left open on purpose, and why."""

    kind: Literal["left-off"]
    item: Short
    why: Told


class GoAhead(EntryFields):
    """All that a step that cannot be undone asks for, shown before it is taken; opens the way for that step once."""

    kind: Literal["go-ahead"]
    step: Short
    what: Told
    shown: dict[Short, Told] = {}
    photos: dict[Short, Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]] = {}
    consent: Text = ""
    note: Text = ""


class OneWayTaken(EntryFields):
    """A step that cannot be undone, taken: on a go-ahead (its entry's number), or without, and why."""

    kind: Literal["one-way"]
    step: Short
    what: Told
    go_ahead: Annotated[int, Field(ge=1)] | None = None
    without: Told | None = None
    note: Text = ""

    @model_validator(mode="after")
    def _one_way(self) -> OneWayTaken:
        if (self.go_ahead is None) == (self.without is None):
            raise ValueError(tr("exactly one of go_ahead, without"))
        return self


class ExperienceTaken(EntryFields):
    """What finished jobs taught when this job was opened: factors on the weights of its blocks. The last one counts."""

    kind: Literal["experience"]
    factors: dict[Short, Annotated[Number, Field(ge=0.001, le=1000)]]
    jobs: Annotated[int, Field(ge=0, le=100_000_000)]


class CameOver(EntryFields):
    """The job came over from another bench, with the entries before this one: by that bench's random name, its number
    there, how many entries, and the hash of its log. What those entries moved, they moved in the stores there."""

    kind: Literal["came-over"]
    bench: Annotated[str, Field(pattern=r"^[0-9a-f]{8,64}$")]
    job: Annotated[int, Field(ge=1, le=2_000_000_000)]
    entries: Annotated[int, Field(ge=0, le=100_000)]
    log: Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
    owner: Literal["as there", "left out"] = "as there"
    note: Text = ""


class Correction(EntryFields):
    """Puts an earlier entry right: other content in its place, or none."""

    model_config = ConfigDict(extra="forbid", frozen=True, populate_by_name=True)

    kind: Literal["correction"]
    corrects: Annotated[int, Field(ge=1)]
    content: Annotated[dict[str, Any] | None, Field(alias="with")] = None
    why: Text = ""


ENTRY_KINDS: dict[str, type[EntryFields]] = {
    "take-in": TakeIn,
    "complaint": Complaint,
    "saved": Saved,
    "caution": CautionRead,
    "first-power": FirstPower,
    "proof": Proof,
    "consent": Consent,
    "gear": GearCheck,
    "check": CheckMade,
    "reading": ReadingTaken,
    "repair": RepairMade,
    "access": AccessChanged,
    "note": Note,
    "photo": PhotoTaken,
    "time": TimeSpent,
    "stage": StageChanged,
    "board": BoardFile,
    "capacitor": CapacitorNoted,
    "part-out": PartOut,
    "part-in": PartIn,
    "off": TakenOff,
    "back": PutBack,
    "left-off": LeftOff,
    "go-ahead": GoAhead,
    "one-way": OneWayTaken,
    "yellow": YellowRead,
    "bath-in": BathIn,
    "turned": Turned,
    "bath-out": BathOut,
    **MONEY_ENTRIES,
    **STORES_ENTRIES,
    "trial": Trial,
    "cell": CellSaid,
    "want": TrialsWanted,
    "soak": Soak,
    "safety": SafetyRecord,
    "experience": ExperienceTaken,
    "came-over": CameOver,
    "correction": Correction,
}
FOR_GOOD = ("came-over",)
"""Written by the book itself when a job is unpacked; not to be written or corrected by hand."""


def check_entry(data: Mapping[str, Any]) -> dict[str, Any]:
    """An entry's content (`kind` and its fields, without n, at, who), checked and in plain form.

    Raises
    ------
    LogError
        Naming the field, what was found and what is allowed.
    """
    if not isinstance(data, Mapping):
        raise LogError(tr("{type} found; allowed: an object with 'kind' and its fields", type=type(data).__name__))
    kind = data.get("kind")
    model = ENTRY_KINDS.get(kind) if isinstance(kind, str) else None
    if model is None:
        raise LogError(
            tr("kind {kind!r} found; allowed: {kinds}", kind=kind, kinds=", ".join(ENTRY_KINDS)), field="kind"
        )
    try:
        parsed = model.model_validate(dict(data))
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        where = ".".join(str(p) for p in first["loc"] if not str(p).startswith(("dict[", "constrained")))
        found = first.get("input")
        found_text = tr("nothing") if first["type"] == "missing" else repr(found)[:80]
        allowed = first["msg"].removeprefix("Value error, ").removeprefix("Input should be ")
        ctx = first.get("ctx", {})
        for limit, words in (("le", tr("at most")), ("ge", tr("at least")), ("gt", tr("above")), ("lt", tr("below"))):
            if limit in ctx:
                allowed = f"{words} {ctx[limit]:g}"
        for limit, words in (("min_length", tr("at least")), ("max_length", tr("at most"))):
            if limit in ctx and isinstance(found, str):
                allowed = words + " " + several("{n} letter", "{n} letters", ctx[limit])
        if first["type"] == "extra_forbidden":
            fields = ", ".join(f.alias or n for n, f in model.model_fields.items() if n != "kind")
            allowed = tr("one of {fields}", fields=fields)
            found_text = tr("the unknown field '{field}'", field=first["loc"][-1])
        if not where:
            fields = ", ".join(k for k in data if k != "kind")
            found_text = tr("only {fields}", fields=fields) if fields else tr("only the kind")
        place = f"{kind} {where}".strip()
        raise LogError(
            tr("{place}: {found_text} found; allowed: {allowed}", place=place, found_text=found_text, allowed=allowed),
            field=where,
        ) from None
    try:
        plain = parsed.model_dump(mode="json", by_alias=True, exclude_defaults=True)
    except ValueError:  # pydantic writes nothing deeper than some 250 levels
        raise LogError(
            tr(
                "{what}: brackets {deepest} deep found; allowed: at most {most_depth}",
                what=kind,
                deepest=f">{MOST_DEPTH}",
                most_depth=MOST_DEPTH,
            )
        ) from None
    plain["kind"] = kind
    if isinstance(parsed, Correction):
        plain["with"] = None if parsed.content is None else check_entry(parsed.content)
        if plain["with"] and plain["with"]["kind"] == "correction":
            raise LogError(tr("a correction with a correction found; allowed: correct the entry itself"), field="with")
        if plain["with"] and plain["with"]["kind"] in FOR_GOOD:
            raise LogError(
                tr("{kind} found; allowed: what may be written by hand", kind=plain["with"]["kind"]), field="with"
            )
    return plain


@dataclass(frozen=True)
class LogEntry:
    """One entry as it counts now: after corrections, with its number and time as first written."""

    n: int
    at: datetime
    who: str
    kind: str
    data: Mapping[str, Any] = field(default_factory=dict)
    corrected_by: int | None = None
    void: bool = False


def parse_time(value: Any) -> datetime:
    """An ISO 8601 time with offset; without one it is taken as UTC. Raises LogError."""
    try:
        parsed = value if isinstance(value, datetime) else datetime.fromisoformat(str(value))
    except ValueError:
        parsed = None
    if parsed is None or not 1 < parsed.year < 9999:  # at the ends of the calendar a time zone leads out of it
        raise LogError(
            tr("at: {value} found; allowed: a time such as 2031-03-02T10:15:00+01:00", value=repr(value)[:60]),
            field="at",
        )
    return parsed if parsed.tzinfo else parsed.replace(tzinfo=UTC)


def read_jsonl(text: str) -> list[dict[str, Any]]:
    """Entries from JSON Lines text, checked; entries without `n` are numbered in order.

    Raises
    ------
    LogError
        With the line: cut-off or malformed JSON, unknown kinds or fields, numbers out of order,
        corrections of what is not there.
    """
    entries: list[dict[str, Any]] = []
    for number, line in enumerate(text.split("\n"), start=1):
        if not line.strip():
            continue
        if len(line) > MAX_LINE:
            raise LogError(
                tr("{length:,} characters found; allowed: at most {most:,}", length=len(line), most=MAX_LINE), number
            )
        if len(entries) >= MAX_ENTRIES:
            raise LogError(tr("more than {most:,} entries found; allowed: at most that many", most=MAX_ENTRIES), number)
        try:
            data = json.loads(line, parse_constant=_no_constant, object_pairs_hook=_each_once)
        except (ValueError, RecursionError) as error:
            cut = tr(" (the line looks cut off)") if line.count("{") > line.count("}") else ""
            raise LogError(tr("text that is no JSON object{cut}: {error}", cut=cut, error=error), number) from None
        if not isinstance(data, dict):
            raise LogError(tr("{type} found; allowed: an object", type=type(data).__name__), number)
        try:
            entries.append(_with_head(data, len(entries) + 1))
            _check_order(entries)
        except LogError as error:
            raise LogError(str(error), number, error.field) from None
    return entries


def _each_once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    data = dict(pairs)
    if len(data) < len(pairs):
        names = [name for name, _ in pairs]
        raise ValueError(
            tr("the field '{field}' twice; allowed: once", field=next(n for n in names if names.count(n) > 1))
        )
    return data


def _no_constant(name: str) -> float:
    raise ValueError(tr("{name} is no number here", name=name))


def _with_head(data: dict[str, Any], following: int) -> dict[str, Any]:
    content = {k: v for k, v in data.items() if k not in ("n", "at", "who")}
    n = data.get("n", following)
    if not isinstance(n, int) or isinstance(n, bool) or n < 1:
        raise LogError(tr("n: {n!r} found; allowed: a whole number from 1", n=n), field="n")
    who = data.get("who", "")
    if not isinstance(who, str) or len(who) > 200 or not _writable(who):
        raise LogError(tr("who: no name found; allowed: a name of at most 200 characters"), field="who")
    at = parse_time(data.get("at", "1970-01-01T00:00:00+00:00"))
    return {"n": n, "at": at.isoformat(), "who": who, **check_entry(content)}


def _writable(text: str) -> bool:
    """False for half a surrogate pair, which JSON can hold and no file can, and for U+0000, which no database keeps."""
    return not any(0xD800 <= ord(letter) <= 0xDFFF or letter == "\0" for letter in text)


def holds_nul(value: Any) -> bool:
    """True if U+0000 is anywhere in JSON data. It is read where it was once written, and no longer written: a
    PostgreSQL book cannot be asked for a field of a row that holds it."""
    if isinstance(value, dict):
        return any("\0" in key or holds_nul(each) for key, each in value.items())
    return any(map(holds_nul, value)) if isinstance(value, list) else isinstance(value, str) and "\0" in value


def _check_order(entries: list[dict[str, Any]]) -> None:
    last = entries[-1]
    if len(entries) > 1 and last["n"] <= entries[-2]["n"]:
        raise LogError(
            tr("n: {n} found after {before}; allowed: rising numbers", n=last["n"], before=entries[-2]["n"]), field="n"
        )
    if last["kind"] == "correction":
        check_correction(last, {e["n"]: e["kind"] for e in entries[:-1]})


def check_correction(data: Mapping[str, Any], earlier: Mapping[int, str]) -> None:
    """Refuse a correction of an entry that is not there, or of a correction. `earlier`: n -> kind."""
    target = data["corrects"]
    if target not in earlier:
        raise LogError(
            tr("corrects: {target} found; allowed: the number of an earlier entry", target=target), field="corrects"
        )
    if earlier[target] == "correction":
        raise LogError(
            tr("corrects: {target} found, which is a correction; allowed: the entry it corrected", target=target),
            field="corrects",
        )
    if earlier[target] in FOR_GOOD:
        raise LogError(
            tr("corrects: {target} found, which says where the job came from; allowed: another entry", target=target),
            field="corrects",
        )


def write_jsonl(entries: Iterable[Mapping[str, Any]]) -> str:
    """JSON Lines text of entries; `read_jsonl` gives them back."""
    return "".join(json.dumps(dict(e), ensure_ascii=False, sort_keys=False) + "\n" for e in entries)


def effective(entries: Iterable[Mapping[str, Any]]) -> list[LogEntry]:
    """Entries as they count now, in order, corrections applied; a voided entry stays, marked.

    The last correction of an entry wins. A corrected entry keeps its place and time.
    """
    out: dict[int, LogEntry] = {}
    for entry in entries:
        content = {k: v for k, v in entry.items() if k not in ("n", "at", "who", "kind")}
        at = parse_time(entry["at"])
        if entry["kind"] != "correction":
            out[entry["n"]] = LogEntry(entry["n"], at, entry.get("who", ""), entry["kind"], content)
            continue
        old = out.get(entry["corrects"])
        if old is None:
            raise LogError(
                tr("entry {n} corrects {corrects}, which is not there", n=entry["n"], corrects=entry["corrects"])
            )
        replacement = entry.get("with")
        if replacement is None:
            out[old.n] = LogEntry(old.n, old.at, old.who, old.kind, old.data, entry["n"], True)
        else:
            data = {k: v for k, v in replacement.items() if k != "kind"}
            out[old.n] = LogEntry(old.n, old.at, old.who, replacement["kind"], data, entry["n"], False)
    return [out[n] for n in sorted(out)]
