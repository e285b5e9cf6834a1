"""Whitening in a job, from its log: what lies in which bath, for how long, what was read, what is due. Pure.

Hours count from the entry that puts a part in to the one that takes it out. A dose is known only where a meter's
reading at the part stands in the log; the sun's is not.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any

from refettle.book.log import LogEntry, LogError
from refettle.book.one_way import OneWay
from refettle.language import mark, tr
from refettle.whitening.kinetics import EarlierBatch
from refettle.whitening.progress import Progress, Setup, Taken, finished, progress
from refettle.whitening.stopping import DARK_DAYS, Rebound, YellowReading, dark_check, light_varies, rebound
from refettle.whitening.values import WhiteningError

TAKEN: tuple[Taken, ...] = ("phone", "rig", "locked")
"""How photos were taken, the least good first."""
WHITENING_KINDS = ("yellow", "bath-in", "turned", "bath-out")
STEP = "whiten"
TERMS = ("method", "percent", "litres", "lamp", "mw_cm2", "turn_every", "check_every", "professional")
"""What is the same for all that lies in one batch, in this job and in others."""
TERM_WORDS = {
    "method": mark("method"),
    "percent": mark("percent"),
    "litres": mark("litres"),
    "lamp": mark("lamp"),
    "mw_cm2": mark("mw cm2"),
    "turn_every": mark("turn every"),
    "check_every": mark("check every"),
    "professional": mark("professional"),
}
"""Each in words."""
DEFAULTS: Mapping[str, Any] = {"method": "bath", "turn_every": 60.0, "check_every": 60.0, "lamp": "",
                               "professional": False}  # fmt: skip
FIRST_CHECK = 60.0
"""[min] after which the first look is due at the latest: common practice, no source."""
PEROXIDE = ("hidden-spot", "metal-off", "labels-off", "washed", "eyes-hands", "ventilation", "vented")
LIGHT_ONLY = ("hidden-spot", "labels-off", "washed", "eyes-hands")
"""Gates that are held to before parts go in; without peroxide fewer."""
HOUR = 3600.0
ROUND_H = 0.05
"""[h] Looks this near each other count as one, repeated."""


def terms_of(data: Mapping[str, Any]) -> dict[str, Any]:
    """What a `bath-in` says of its batch, defaults filled in."""
    return {name: data.get(name, DEFAULTS.get(name)) for name in TERMS}


def gates_for(data: Mapping[str, Any]) -> tuple[str, ...]:
    """The gates to be held to before these parts go in."""
    return PEROXIDE if data.get("percent") is not None else LIGHT_ONLY


def terms_apart(one: Mapping[str, Any], other: Mapping[str, Any]) -> str:
    """The first term in which two batches of one name differ, in words; empty where they agree."""
    for name in TERMS:
        if one[name] != other[name]:
            return tr(
                "{term} {found} found; allowed: {allowed}",
                term=tr(TERM_WORDS[name]),
                found=_word(one[name]),
                allowed=_word(other[name]),
            )
    return ""


def _word(value: Any) -> str:
    return tr("nothing") if value in (None, "") else f"{value:g}" if isinstance(value, float) else str(value)


@dataclass
class Batch:
    """A batch as one job's log tells it. `stays`: per part the times in and out, None while it is in."""

    name: str
    n: int
    begins: datetime
    terms: Mapping[str, Any]
    go_ahead: int | None = None
    stays: dict[str, list[tuple[datetime, datetime | None]]] = field(default_factory=dict)
    ended: dict[str, tuple[datetime, str]] = field(default_factory=dict)
    turned: datetime | None = None
    looked: datetime | None = None

    @property
    def inside(self) -> list[str]:
        """Parts that lie in it now."""
        return [part for part, stays in self.stays.items() if stays[-1][1] is None]

    @property
    def out(self) -> list[str]:
        """Parts that were taken out to look, and may go back."""
        return [part for part in self.stays if part not in self.inside and part not in self.ended]

    @property
    def over(self) -> bool:
        """Nothing is in it or may go back."""
        return not self.inside and not self.out

    @property
    def method(self) -> str:
        return str(self.terms["method"])

    @property
    def lamp(self) -> str:
        return str(self.terms["lamp"] or "")

    def hours(self, part: str, at: datetime) -> float:
        """[h] that a part has lain in it by `at`."""
        spent = 0.0
        for begins, ends in self.stays.get(part, []):
            stop = at if ends is None else min(ends, at)
            spent += max(0.0, (stop - begins).total_seconds())
        return spent / HOUR

    def dose(self, part: str, at: datetime) -> float | None:
        """[J/cm2] by `at`, where a meter's reading is known."""
        light = self.terms["mw_cm2"]
        return None if light is None else float(light) * self.hours(part, at) * 3.6

    def turn_at(self) -> datetime:
        """When it is to be turned next."""
        begins = max(stays[-1][0] for stays in self.stays.values())
        last = begins if self.turned is None else max(self.turned, begins)
        return last + timedelta(minutes=float(self.terms["turn_every"]))

    def look_at(self) -> datetime:
        """When to look next: at first within the hour."""
        every = float(self.terms["check_every"])
        first = min(stays[0][0] for stays in self.stays.values())
        if self.looked is None or self.looked < first:
            return first + timedelta(minutes=min(FIRST_CHECK, every))
        return self.looked + timedelta(minutes=every)


@dataclass(frozen=True)
class Due:
    """Something to be done: `what` is turn, look or dark; `batch` or `part` says with what."""

    at: datetime
    what: str
    batch: str
    parts: tuple[str, ...]


@dataclass(frozen=True)
class PartProgress:
    """One part over its last batch. `hours` as many as looks; `why`: why nothing can be said."""

    part: str
    batch: Batch | None
    looks: tuple[YellowReading, ...]
    entries: tuple[LogEntry, ...]
    setup: Setup = field(default_factory=Setup)
    progress: Progress | None = None
    why: str = ""


@dataclass
class Whitening:
    """All of it in one job."""

    batches: dict[str, Batch] = field(default_factory=dict)
    readings: list[LogEntry] = field(default_factory=list)

    @property
    def in_tub(self) -> str:
        """What lies in a batch now, in words; empty if nothing does."""
        return "; ".join(
            tr("{parts} in {batch}", parts=", ".join(b.inside), batch=b.name) for b in self.batches.values() if b.inside
        )

    @property
    def parts(self) -> list[str]:
        """Every part named, in the order of the log, the references left out."""
        seen: dict[str, None] = {}
        for entry in self.readings:
            seen |= dict.fromkeys(p for p in entry.data["regions"] if p != entry.data.get("reference"))
        for batch in self.batches.values():
            seen |= dict.fromkeys(batch.stays)
        return list(seen)

    def first_reading(self, part: str, rough: bool = False) -> LogEntry | None:
        """How the part came: its first reading of this sort with a figure."""
        return next((e for e in self.readings if bool(e.data.get("rough")) == rough and above(e, part) is not None),
                    None)  # fmt: skip

    def batch_of(self, part: str) -> Batch | None:
        """The last batch that the part was in."""
        return next((b for b in reversed(self.batches.values()) if part in b.stays), None)

    def due(self) -> list[Due]:
        """What is to be done and when, the earliest first."""
        found = []
        for batch in self.batches.values():
            inside = tuple(batch.inside)
            if inside:
                found.append(Due(batch.turn_at(), "turn", batch.name, inside))
                found.append(Due(batch.look_at(), "look", batch.name, inside))
        for part in self.parts:
            last = self.batch_of(part)
            if last is None or part not in last.ended:
                continue
            ended = last.ended[part][0]
            if self.dark_reading(part) is None:
                found.append(Due(ended + timedelta(days=DARK_DAYS), "dark", last.name, (part,)))
        return sorted(found, key=lambda each: (each.at, each.batch))

    def dark_reading(self, part: str) -> LogEntry | None:
        """The first reading made 14 days or more after the part's last batch ended."""
        last = self.batch_of(part)
        if last is None or part not in last.ended:
            return None
        day = dark_check(last.ended[part][0].date())
        return next((e for e in self.readings if e.at.date() >= day and above(e, part) is not None), None)

    def looks(self, part: str) -> tuple[Batch | None, tuple[LogEntry, ...], tuple[YellowReading, ...]]:
        """The readings of the part over its last batch: the last before it, and those until the dark."""
        batch = self.batch_of(part)
        known = [e for e in self.readings if above(e, part) is not None]
        rough = bool(known) and all(e.data.get("rough") for e in known)
        known = [e for e in known if bool(e.data.get("rough")) == rough]
        if batch is not None:
            before = [e for e in known if e.at <= batch.begins]
            until = [e for e in known if e.at > batch.begins]
            if part in batch.ended:
                ended = batch.ended[part][0]
                until = [e for e in until if e.at <= ended + timedelta(days=1)]
            known = [*_same_time(before), *until]
        made, last = [], -1.0
        for entry in known:
            hours = batch.hours(part, entry.at) if batch is not None else 0.0
            hours = last if 0 <= hours - last < ROUND_H else hours
            figures = entry.data["figures"][part]
            dose = batch.dose(part, entry.at) if batch is not None else None
            made.append(YellowReading(hours, figures["above"], dose, figures.get("lightness"), figures.get("spread")))
            last = hours
        return batch, tuple(known), tuple(made)

    def progress_of(self, part: str, earlier: Iterable[EarlierBatch] = ()) -> PartProgress:
        """How the part gets on, YI counted from its unexposed plastic. `earlier`: batches of this bench."""
        batch, entries, looks = self.looks(part)
        if not looks:
            return PartProgress(
                part, batch, (), (), why=tr("not read yet: take a photo with the card before it goes in")
            )
        setup = setup_of(batch, entries, looks, earlier)
        try:
            return PartProgress(part, batch, looks, entries, setup, progress(looks, 0.0, setup))
        except WhiteningError as error:
            return PartProgress(part, batch, looks, entries, setup, why=str(error))

    def rebound_of(self, part: str) -> Rebound | None:
        """What came back in the dark, once it was read."""
        dark, batch = self.dark_reading(part), self.batch_of(part)
        _, _, looks = self.looks(part)
        if dark is None or batch is None or not looks:
            return None
        found = self.progress_of(part).progress
        now = above(dark, part)
        if found is None or now is None:
            return None
        days = (dark.at - batch.ended[part][0]).total_seconds() / 86_400.0
        return rebound(looks[0].yi, looks[-1].yi, now, round(days, 1), found.sd)

    def finished(self) -> list[tuple[str, EarlierBatch]]:
        """What batches that are over say of their rates, part by part, for later batches of this bench."""
        found = []
        for part in self.parts:
            each = self.progress_of(part)
            if each.batch is None or not each.batch.over or each.progress is None or each.progress.forecast is None:
                continue
            if not each.progress.forecast.misfit:
                found.append((each.batch.name, finished(each.progress.forecast, each.setup)))
        return found


def setup_of(
    batch: Batch | None, entries: Iterable[LogEntry], looks: Iterable[YellowReading], earlier: Iterable[EarlierBatch]
) -> Setup:
    """How the readings are weighed: by the least good way of taking them; by dose where it is known and varies."""
    taken = {str(e.data.get("taken", "phone")) for e in entries}
    worst: Taken = next(each for each in TAKEN if each in taken)
    known = list(looks)
    by_dose = all(each.dose is not None for each in known) and light_varies(known)
    return Setup(
        taken=worst,
        by="dose" if by_dose else "hours",
        earlier=tuple(earlier),
        method=batch.method if batch is not None else "",
        lamp=batch.lamp if batch is not None else "",
        percent=float(batch.terms.get("percent") or 0.0) if batch is not None else 0.0,
    )


def above(entry: LogEntry, part: str) -> float | None:
    """[YI] of a part above its unexposed plastic in one reading."""
    found = entry.data.get("figures", {}).get(part)
    value = None if found is None else found.get("above")
    return None if value is None else float(value)


def _same_time(before: list[LogEntry]) -> list[LogEntry]:
    """Of the readings before a batch the last, with its repeats of the hour before it."""
    return [e for e in before if before[-1].at - e.at <= timedelta(hours=1)]


def whitening(entries: Iterable[LogEntry]) -> Whitening:
    """All of it after the entries that count. What makes no sense together is passed over; `refuse_*` keeps it out."""
    made = Whitening()
    for entry in sorted((e for e in entries if not e.void and e.kind in WHITENING_KINDS), key=lambda e: (e.at, e.n)):
        _apply(made, entry)
    return made


def _apply(made: Whitening, entry: LogEntry) -> None:
    if entry.kind == "yellow":
        made.readings.append(entry)
        for batch in made.batches.values():
            if set(batch.stays) & set(entry.data["regions"]) and not batch.over:
                batch.looked = entry.at
        return
    name = str(entry.data["batch"])
    if entry.kind == "bath-in":
        batch = made.batches.setdefault(
            name, Batch(name, entry.n, entry.at, terms_of(entry.data), entry.data.get("go_ahead"))
        )
        for part in entry.data["parts"]:
            stays = batch.stays.setdefault(part, [])
            if not stays or stays[-1][1] is not None:
                stays.append((entry.at, None))
            batch.ended.pop(part, None)
        return
    known = made.batches.get(name)
    if known is None:
        return
    if entry.kind == "turned":
        known.turned = entry.at
        return
    why = str(entry.data.get("why", "to look"))
    for part in entry.data.get("parts") or list(known.stays):
        lain = known.stays.get(part)
        if not lain:
            continue
        if lain[-1][1] is None:
            lain[-1] = (lain[-1][0], entry.at)
        if why != "to look":
            known.ended[part] = (entry.at, why)
    known.looked = entry.at


# ---------------------------------------------------------------- refusing


def refuse_whitening(before: Whitening, one_way: Iterable[OneWay], content: Mapping[str, Any]) -> None:
    """Refuse what the log so far does not allow. Raises LogError naming the field."""
    if content["kind"] == "bath-in":
        _refuse_in(before, one_way, content)
    elif content["kind"] == "yellow":
        first = content.get("first")
        if first is not None and first not in {e.n for e in before.readings}:
            raise LogError(tr("first: {n} found; allowed: the number of an earlier photo read", n=first), field="first")
    else:
        _refuse_other(before, content)


def refuse_leaving(before: Whitening, content: Mapping[str, Any]) -> None:
    """Refuse that a unit is proven as a whole or handed over while parts of it lie in a batch. Raises LogError."""
    if content["stage"] in ("proving", "handed over") and before.in_tub and not content.get("why"):
        raise LogError(
            tr(
                "stage: '{stage}' found while parts are whitened ({parts}); allowed: take them out "
                "first, or give the reason in 'why'",
                stage=content["stage"],
                parts=before.in_tub,
            ),
            field="stage",
        )


def _refuse_other(before: Whitening, content: Mapping[str, Any]) -> None:
    name = content["batch"]
    batch = before.batches.get(name)
    if batch is None or batch.over:
        there = ", ".join(b.name for b in before.batches.values() if not b.over) or tr("none: put parts in first")
        raise LogError(tr("batch: '{name}' found; allowed: {allowed}", name=name, allowed=there), field="batch")
    if content["kind"] == "turned":
        if not batch.inside:
            raise LogError(
                tr("batch: '{name}' found with nothing in it; allowed: one with parts in it", name=name), field="batch"
            )
        return
    may = batch.inside if content.get("why", "to look") == "to look" else [*batch.inside, *batch.out]
    wrong = next((p for p in content.get("parts", []) if p not in may), None)
    if wrong is not None or not may:
        found = wrong if wrong is not None else "all"
        raise LogError(
            tr(
                "parts: '{parts}' found; allowed: {allowed}", parts=found, allowed=", ".join(may) or "none, all are out"
            ),
            field="parts",
        )


def _refuse_in(before: Whitening, one_way: Iterable[OneWay], content: Mapping[str, Any]) -> None:
    from refettle.knowledge.peroxide import load_peroxide
    from refettle.whitening.law import refuse_above

    name, law = content["batch"], load_peroxide()
    if content.get("percent") is not None:
        try:
            refuse_above(law, "percent", content["percent"], bool(content.get("professional")))
        except WhiteningError as error:
            raise LogError(str(error), field="percent") from None
    there = {part: b.name for b in before.batches.values() for part in b.inside}
    for part in content["parts"]:
        if part in there:
            raise LogError(
                tr(
                    "parts: '{part}' found, which is in '{batch}'; allowed: take it out first",
                    part=part,
                    batch=there[part],
                ),
                field="parts",
            )
    batch = before.batches.get(name)
    if batch is not None and (apart := terms_apart(terms_of(content), batch.terms)):
        raise LogError(
            tr("batch: '{name}' is there already: {apart}, or a name of its own", name=name, apart=apart), field="batch"
        )
    if content.get("without") is None:
        missing = [g for g in gates_for(content) if g in law.gates and g not in content.get("gates", [])]
        if missing:
            raise LogError(
                tr("gates: {gate} not found; needed first: {says}", gate=missing[0], says=law.gates[missing[0]].says),
                field="gates",
            )
    _refuse_go_ahead(batch, one_way, content)


def _refuse_go_ahead(batch: Batch | None, one_way: Iterable[OneWay], content: Mapping[str, Any]) -> None:
    number = content.get("go_ahead")
    if number is None:
        return
    given = next((each for each in one_way if each.go_ahead == number), None)
    if given is None or given.step != STEP:
        raise LogError(
            tr("go_ahead: {n} found; allowed: the number of a go-ahead for '{step}'", n=number, step=STEP),
            field="go_ahead",
        )
    back = batch is not None and batch.go_ahead == number and all(p in batch.stays for p in content["parts"])
    if given.taken is not None and not back:
        raise LogError(
            tr(
                "go_ahead: {n} found, on which parts went in with entry {entry}; allowed: a new go-ahead",
                n=number,
                entry=given.taken,
            ),
            field="go_ahead",
        )
