"""The state of a job as a pure function of its unit type and its log. No database, no framework.

`replay(compiled, entries)` gives what the pages and the command line show: suspicions, what is open, which gates are
passed, what has been spent, which readings went stale. Nothing here is stored; it can always be worked out again.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from functools import lru_cache
from typing import Any

import numpy as np

from refettle import faults
from refettle.book.ledger import LEDGER_KINDS, Ledger, ledger, refuse
from refettle.book.log import LogEntry, LogError, effective
from refettle.book.one_way import OneWay, refuse_go_ahead, refuse_one_way
from refettle.book.power import first_power_problems, power_cautions
from refettle.knowledge.compile import DATA_SAVED, FIRST_POWER, OWNER, CompiledType
from refettle.knowledge.one_way import one_way_steps

LEVELS = ("closed", "open", "board")
GROW = 100
"""Of the heaviest sets of failure modes, how many get their neighbours weighed as well."""
FIRST_POWER_MINUTES = 12.0
"""Bench minutes of the first power-on gate (estimate)."""
CAUTION_MINUTES = 0.5
DATA_SAVED_MINUTES = 15.0


@dataclass(frozen=True)
class Evidence:
    """One entry that moved the suspicions, as shown in the table of evidence."""

    n: int
    at: datetime
    who: str
    kind: str
    step: str
    name: str
    result: str
    note: str = ""
    stale: bool = False
    """True if a later repair may have changed what was read."""
    gear_proven: bool = True


@dataclass(frozen=True)
class Suspect:
    """A block under suspicion, with the failure modes behind it."""

    block: str
    name: str
    chance: float
    bench: bool
    modes: tuple[tuple[str, str, float], ...]
    """(mode id, name, chance), most suspected first."""


@dataclass(frozen=True)
class Findings:
    """What the log says, in small: kept for many jobs, while the suspicions themselves are large.

    `sets` of failure modes were weighed; `left_out_before` is the prior mass of the others, `left_out_probably`
    and `left_out_at_most` what it may be now.
    """

    suspects: tuple[Suspect, ...]
    nothing_wrong: float
    sets: int
    left_out_before: float
    left_out_probably: float
    left_out_at_most: float

    @property
    def not_modelled(self) -> float:
        """Chance that a cause is present which no block kind names."""
        return next((s.chance for s in self.suspects if s.block == "other"), 0.0)


@dataclass
class JobState:
    """What is known of a job after its log so far."""

    compiled: CompiledType
    entries: list[LogEntry]
    stage: str = "take-in"
    waits_for: str = ""
    level: int = 0
    take_in: Mapping[str, Any] = field(default_factory=dict)
    complaints: list[tuple[str, str]] = field(default_factory=list)
    cautions_read: set[str] = field(default_factory=set)
    gates_open: set[str] = field(default_factory=set)
    first_power: Mapping[str, Any] | None = None
    saved: Mapping[str, Any] | None = None
    dealt_with: set[str] = field(default_factory=set)
    proofs: set[str] = field(default_factory=set)
    consents: set[str] = field(default_factory=set)
    gear: dict[str, tuple[date, bool]] = field(default_factory=dict)
    minutes: float = 0.0
    parts: float = 0.0
    photos: list[tuple[int, str, str]] = field(default_factory=list)
    evidence: list[Evidence] = field(default_factory=list)
    events: list[faults.Event] = field(default_factory=list)
    repairs_done: list[str] = field(default_factory=list)
    done_since: set[str] = field(default_factory=set)
    looked_in_run: set[str] = field(default_factory=set)
    last_run: str = ""
    seen_bad: bool = False
    failed_before: set[str] = field(default_factory=set)
    """Points where the unit was said or seen to fail before the last repair."""
    failing: set[str] = field(default_factory=set)
    first_power_problems: list[str] = field(default_factory=list)
    ledger: Ledger = field(default_factory=Ledger)
    boards: list[Mapping[str, Any]] = field(default_factory=list)
    """Board files kept with the job, the last one counting; and capacitors noted by hand, by designator."""
    noted: dict[str, Mapping[str, Any]] = field(default_factory=dict)
    one_way: list[OneWay] = field(default_factory=list)
    """Steps that cannot be undone: go-aheads given, and steps taken, in the order of the log."""
    life: dict[str, bool] = field(default_factory=dict)
    """Point -> whether the unit showed life there, at the last look since the last repair."""

    @property
    def data_left(self) -> list[str]:
        """Data of this unit type that nobody has saved or waived."""
        return [what for what in self.compiled.loaded.unit_type.must_save if what not in self.dealt_with]

    @property
    def data_settled(self) -> bool:
        """True if all data the unit holds was saved or waived, or it was said that it holds none."""
        return bool(self.dealt_with) and not self.data_left

    def unread(self, one_way_step: str) -> list[str]:
        """Names of the cautions that gate this step that cannot be undone and are not read in this job."""
        step = one_way_steps().get(one_way_step)
        known = self.compiled.loaded.library.cautions
        named = [c for c in (step.cautions if step else []) if c in known and known[c].gate]
        return [known[c].name for c in named if c not in self.cautions_read]

    @property
    def lifeless(self) -> bool:
        """True if no output that would show it shows that the unit runs."""
        return bool(self.life) and not any(self.life.values())

    def pointless_now(self) -> frozenset[str]:
        """Checks that cannot be judged while the unit shows no life."""
        if not self.lifeless:
            return frozenset()
        return frozenset(s.id for s in self.compiled.steps.values() if s.needs_running)

    @property
    def suspicions(self) -> faults.Suspicions:
        """The suspicions; worked out when first asked for, and kept for the same log."""
        return _suspicions(self.compiled, tuple(_frozen(e) for e in self.events))

    @property
    def findings(self) -> Findings:
        """What the log says, in small."""
        return _findings(self.compiled, tuple(_frozen(e) for e in self.events))

    def suspects(self) -> list[Suspect]:
        """Blocks by suspicion, most suspected first."""
        return list(self.findings.suspects)

    def context(self, customer: bool = False, depth: int = 2) -> faults.Context:
        """What `faults.advise` needs to know of this job."""
        model = self.compiled.model
        steps = self.compiled.steps
        complained = [point for point, outcome in self.complaints if outcome != faults.GOOD]
        points = [s.id for s in steps.values() if s.is_point]
        points = [p for p in points if p not in self.pointless_now()]
        points.sort(key=lambda p: complained.index(p) if p in complained else len(complained))
        gate_minutes = {FIRST_POWER: FIRST_POWER_MINUTES, DATA_SAVED: DATA_SAVED_MINUTES}
        every: list[faults.Check | faults.Repair] = [*model.checks, *model.repairs]
        for step in every:
            gate_minutes.update({g: CAUTION_MINUTES for g in step.gates if g.startswith("caution:")})
        options = faults.Options(
            level=self.level,
            gates_open=frozenset(self.gates_open),
            gate_minutes=gate_minutes,
            depth=depth,
            skip=frozenset(c.id for c in model.checks if c.id.startswith(OWNER)) | self.pointless_now(),
        )
        names = {b.id: b.name for b in self.compiled.loaded.blocks.values()} | {"other": "something not modelled"}
        return faults.Context(
            options=options,
            points=tuple(points),
            seen_bad=self.seen_bad,
            failing=tuple(sorted(self.failing)),
            wanted=tuple(p for p in points if p in self.failed_before and p not in self.done_since),
            proofs=frozenset(self.proofs),
            consents=frozenset(self.consents),
            needs_consent=customer,
            repaired=bool(self.repairs_done),
            needs_proof=frozenset(s.id for s in steps.values() if s.proof),
            done_since=frozenset(self.done_since),
            looked_in_run=frozenset(self.looked_in_run),
            names=names,
        )

    def advice(self, customer: bool = False, depth: int = 2) -> faults.Advice:
        """What to do next; see `faults.advise`."""
        return _advice(self.compiled, tuple(_frozen(e) for e in self.events), _Held(self, customer, depth))


@dataclass(frozen=True)
class _Held:
    """Lets the advice cache go by what decides the advice."""

    state: JobState
    customer: bool
    depth: int

    def _key(self) -> tuple[Any, ...]:
        s = self.state
        return (
            self.customer,
            self.depth,
            s.level,
            s.seen_bad,
            tuple(s.complaints),
            frozenset(s.gates_open),
            frozenset(s.proofs),
            frozenset(s.consents),
            frozenset(s.done_since),
            frozenset(s.looked_in_run),
            frozenset(s.failed_before),
            frozenset(s.failing),
            s.lifeless,
        )

    def __hash__(self) -> int:
        return hash(self._key())

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Held) and self._key() == other._key()


def _frozen(event: faults.Event) -> str:
    return json.dumps(event.__dict__ | {"_": type(event).__name__}, default=dict, sort_keys=True)


_EVENTS: dict[str, type[faults.Event]] = {
    "Done": faults.Done,
    "Reading": faults.Reading,
    "NewRun": faults.NewRun,
}


def _thaw(text: str) -> faults.Event:
    data = json.loads(text)
    return _EVENTS[data.pop("_")](**data)


@lru_cache(maxsize=8)
def _suspicions(compiled: CompiledType, events: tuple[str, ...]) -> faults.Suspicions:
    return faults.replay(compiled.model, [_thaw(e) for e in events], compiled.hypotheses(), grow=GROW)


@lru_cache(maxsize=512)
def _findings(compiled: CompiledType, events: tuple[str, ...]) -> Findings:
    suspicions = _suspicions(compiled, events)
    return Findings(
        tuple(_suspects(compiled, suspicions)),
        suspicions.nothing_wrong(),
        len(suspicions.member),
        suspicions.left_out,
        suspicions.left_out_probably(),
        suspicions.left_out_at_most(),
    )


@lru_cache(maxsize=512)
def _advice(compiled: CompiledType, events: tuple[str, ...], held: _Held) -> faults.Advice:
    return faults.advise(_suspicions(compiled, events), held.state.context(held.customer, held.depth))


def _suspects(compiled: CompiledType, suspicions: faults.Suspicions) -> list[Suspect]:
    by_mode = suspicions.suspicion()
    by_block = faults.block_suspicion(suspicions)
    out = []
    for block, chance in by_block.items():
        modes = [(m.id, m.name, float(by_mode[i])) for i, m in enumerate(compiled.model.modes) if m.block == block]
        modes.sort(key=lambda item: -item[2])
        resolved = compiled.loaded.blocks.get(block)
        name = resolved.name if resolved else "Something not modelled"
        out.append(Suspect(block, name, chance, bool(resolved and resolved.bench_gear), tuple(modes)))
    out.sort(key=lambda s: (-round(s.chance, 9), s.block))
    return out


# ---------------------------------------------------------------- replaying


def replay(compiled: CompiledType, entries: Iterable[Mapping[str, Any]]) -> JobState:
    """The state of a job after `entries`.

    Parameters
    ----------
    compiled : CompiledType
    entries : iterable of mappings
        As read by `log.read_jsonl` or kept in the book: n, at, who, kind and the fields of the kind.

    Raises
    ------
    LogError
        If an entry names a check, outcome, repair, point, caution or gear that this unit type does not have;
        the message says which entry.
    """
    counted = effective(entries)
    state = JobState(compiled, counted, ledger=ledger(counted))
    for entry in state.entries:
        if entry.void:
            continue
        try:
            _Applier(state, entry).apply()
        except LogError as error:
            raise LogError(f"entry {entry.n}: {error}", field=error.field) from None
    _shut_again(state)
    _mark_stale(state)
    if state.stage == "take-in" and (state.events or state.complaints):
        state.stage = "fault finding"
    return state


def _shut_again(state: JobState) -> None:
    """Keep the first power-on gate shut for what other entries say: cautions unread, something loose inside."""
    if FIRST_POWER not in state.gates_open:
        return
    names = state.compiled.loaded.library.cautions
    problems = [
        f"Still to read: {names[c].name}." for c in power_cautions(state.compiled) if c not in state.cautions_read
    ]
    if state.take_in.get("rattle") == "rattles" and not str((state.first_power or {}).get("rattle", "")).strip():
        problems.append(
            "It rattled at take-in: find what is loose and write down what it was. Loose metal kills boards."
        )
    if problems:
        state.gates_open.discard(FIRST_POWER)
        state.first_power_problems += problems


def check_new(
    compiled: CompiledType,
    before: Sequence[Mapping[str, Any]],
    new: Sequence[Mapping[str, Any]],
    customer: bool = False,
) -> None:
    """Refuse new entries that this unit type cannot have, or that the ledgers and the steps that cannot be undone do
    not allow, before they are written. `customer`: the unit is a customer's, whose consent is asked for.

    Raises
    ------
    LogError
        Saying which entry, what was found and what is allowed.
    """
    _ = replay(compiled, [*before, *new]).suspicions.weights
    for place, entry in enumerate(new):
        earlier = [*before, *new[:place]]
        content = {k: v for k, v in entry.items() if k not in ("n", "at", "who")}
        if entry["kind"] == "correction" and entry.get("with"):
            # What is put in an entry's place must have been possible then.
            content = dict(entry["with"])
            earlier = [e for e in earlier if e["n"] < entry["corrects"]]
        if content["kind"] in LEDGER_KINDS:
            refuse(ledger(effective(earlier)), content)
        elif content["kind"] in ("go-ahead", "one-way"):
            state = replay(compiled, earlier)
            if content["kind"] == "go-ahead":
                refuse_go_ahead(content, state.data_settled, customer, state.unread(content["step"]))
            else:
                refuse_one_way(state.one_way, content)


class _Applier:
    def __init__(self, state: JobState, entry: LogEntry) -> None:
        self.state, self.entry, self.data = state, entry, entry.data
        self.model = state.compiled.model
        self.steps = state.compiled.steps

    def apply(self) -> None:
        handler = getattr(self, "_" + self.entry.kind.replace("-", "_"), None)
        if handler is not None:
            handler()

    def _known(self, field_name: str, value: str, allowed: Iterable[str], what: str) -> None:
        names = sorted(allowed)
        if value not in names:
            shown = ", ".join(names[:40]) + (", ..." if len(names) > 40 else "")
            raise LogError(
                f"{field_name}: '{value}' found; allowed: {what} of this unit type: {shown}", field=field_name
            )

    # ---- entries that move the suspicions

    def _complaint(self) -> None:
        point, outcome = self.data["point"], self.data["outcome"]
        points = [s.id for s in self.steps.values() if s.is_point]
        self._known("point", point, points, "a point")
        check = self.model.checks[self.model.check_index[OWNER + point]]
        self._known("outcome", outcome, check.outcomes, "an outcome of this point")
        self.state.complaints.append((point, outcome))
        if outcome != faults.GOOD:
            self.state.failing.add(point)
        lifeless = self.steps[point].lifeless
        if lifeless is not None:
            self.state.life[point] = outcome not in lifeless
        self.state.events.append(faults.Reading(check.id, {outcome: 1}, ref=str(self.entry.n)))
        name = f"Owner: {self.steps[point].name.removeprefix('Look: ')}"
        self._evidence("complaint", OWNER + point, name, outcome)

    def _check(self) -> None:
        check_id = self.data["check"]
        checks = [s.id for s in self.steps.values() if s.kind == "check"]
        self._known("check", check_id, checks, "a check")
        check = self.model.checks[self.model.check_index[check_id]]
        counts = dict(self.data.get("counts") or {})
        if self.data.get("outcome") is not None:
            counts = {self.data["outcome"]: 1}
        likelihood = self.data.get("likelihood")
        for outcome in (*counts, *(likelihood or {})):
            self._known("outcome", outcome, check.outcomes, "an outcome of this check")
        proven, failed = self._gear_state(check.gear)
        day = self.entry.at.date().isoformat()
        if self.data.get("run") == "new" or (self.state.last_run and self.state.last_run != day):
            self.state.events.append(faults.NewRun(ref=str(self.entry.n)))
            self.state.looked_in_run = set()
        self.state.last_run = day
        self.state.looked_in_run.add(check_id)
        self.state.events.append(
            faults.Reading(
                check_id,
                counts,
                dict(likelihood) if likelihood else None,
                proven=day if proven or failed else "",
                failed=failed,
                ref=str(self.entry.n),
            )
        )
        bad = any(n for o, n in counts.items() if o != faults.GOOD)
        step = self.steps[check_id]
        if likelihood:
            # For whether it failed, or lives, a graded reading counts as what it says most strongly.
            counts = {max(likelihood, key=lambda o: float(likelihood[o])): 1}
            bad = faults.GOOD not in counts
        if (step.is_point or step.swap) and bad:
            self.state.seen_bad = True
        if step.is_point and bad:
            self.state.failing.add(check_id)
        if step.swap and counts.get(faults.GOOD):
            # With a known-good block in its place it works: the block is what failed.
            self.state.seen_bad = True
        if step.lifeless is not None:
            self.state.life[check_id] = any(n and o not in step.lifeless for o, n in counts.items())
        self.state.done_since.add(check_id)
        self.state.minutes += float(self.data.get("minutes", step.minutes))
        self.state.level = max(self.state.level, check.level)
        shown = ", ".join(f"{o} ×{n}" if n > 1 or len(counts) > 1 else o for o, n in counts.items() if n)
        if likelihood:
            shown = "graded: " + ", ".join(f"{o} {v:.2g}" for o, v in likelihood.items())
        if self.data.get("value"):
            shown += f" ({self.data['value']})"
        sensed = check.gear in ("eye", "ear", "owner")
        self._evidence("check", check_id, step.name, shown, proven=sensed or proven)

    def _gear_state(self, gear: str) -> tuple[bool, bool]:
        known = self.state.gear.get(gear)
        if known is None or known[0] != self.entry.at.date():
            return False, False
        return known[1], not known[1]

    def _repair(self) -> None:
        repair_id = self.data["repair"]
        self._known("repair", repair_id, [r.id for r in self.model.repairs], "a repair")
        repair = self.model.repairs[self.model.repair_index[repair_id]]
        self.state.events.append(faults.Done(repair_id, ref=str(self.entry.n)))
        self.state.repairs_done.append(repair_id)
        self.state.done_since = set()
        self.state.looked_in_run = set()
        self.state.seen_bad = False
        self.state.failed_before |= self.state.failing
        self.state.failing = set()
        self.state.life = {}
        self.state.level = max(self.state.level, repair.level)
        self.state.minutes += float(self.data.get("minutes", repair.minutes))
        self.state.parts += float(self.data.get("parts", repair.parts))
        self._evidence("repair", repair_id, self.steps[repair_id].name, "done")

    def _evidence(self, kind: str, step: str, name: str, result: str, proven: bool = True) -> None:
        e = self.entry
        note = str(e.data.get("note", ""))
        self.state.evidence.append(Evidence(e.n, e.at, e.who, kind, step, name, result, note, gear_proven=proven))

    # ---- entries that open gates

    def _caution(self) -> None:
        caution = self.data["caution"]
        self._known("caution", caution, self.state.compiled.loaded.library.cautions, "a caution")
        self.state.cautions_read.add(caution)
        self.state.gates_open.add(f"caution:{caution}")

    def _first_power(self) -> None:
        problems = first_power_problems(self.state.compiled, self.data)
        self.state.first_power = self.data
        self.state.first_power_problems = problems
        if self.data.get("rails_ohm"):
            self.state.level = max(self.state.level, 1)  # nobody measures a rail through the lid
        if problems:
            self.state.gates_open.discard(FIRST_POWER)
            return
        self.state.gates_open.add(FIRST_POWER)
        for check_id in self.state.compiled.loaded.unit_type.power_on.proves:
            # The log knows it already: nobody is asked a second time.
            self.state.events.append(faults.Reading(check_id, {faults.GOOD: 1}, ref=str(self.entry.n)))
            self.state.done_since.add(check_id)
            self._evidence("check", check_id, self.steps[check_id].name, f"{faults.GOOD} (first power-on gate)")

    def _saved(self) -> None:
        self.state.saved = self.data
        self.state.dealt_with.add(self.data["what"])
        if not self.state.data_left:
            self.state.gates_open.add(DATA_SAVED)

    def _proof(self) -> None:
        self._known("repair", self.data["repair"], [r.id for r in self.model.repairs], "a repair")
        self.state.proofs.add(self.data["repair"])

    def _consent(self) -> None:
        self._known("repair", self.data["repair"], [r.id for r in self.model.repairs], "a repair")
        self.state.consents.add(self.data["repair"])

    def _gear(self) -> None:
        self._known("gear", self.data["gear"], [g.id for g in self.model.gear], "gear")
        self.state.gear[self.data["gear"]] = (self.entry.at.date(), self.data["outcome"] == "good")

    # ---- the rest

    def _take_in(self) -> None:
        self.state.take_in = {**self.state.take_in, **self.data}

    def _board(self) -> None:
        self.state.boards.append({**self.data, "n": self.entry.n})

    def _capacitor(self) -> None:
        self.state.noted[self.data["ref"]] = {**self.data, "n": self.entry.n}

    def _go_ahead(self) -> None:
        self.state.one_way.append(OneWay(self.data["step"], self.data["what"], go_ahead=self.entry.n))

    def _one_way(self) -> None:
        given = self.data.get("go_ahead")
        for place, each in enumerate(self.state.one_way):
            if given is not None and each.go_ahead == given and each.taken is None:
                self.state.one_way[place] = replace(each, taken=self.entry.n)
                return
        self.state.one_way.append(
            OneWay(self.data["step"], self.data["what"], None, self.entry.n, str(self.data.get("without", "")))
        )

    def _part_in(self) -> None:
        self.state.parts += float(self.data.get("price", 0.0))

    def _access(self) -> None:
        self.state.level = LEVELS.index(self.data["level"])

    def _photo(self) -> None:
        self.state.photos.append((self.entry.n, self.data["photo"], str(self.data.get("caption", ""))))

    def _time(self) -> None:
        self.state.minutes += float(self.data["minutes"])

    def _stage(self) -> None:
        self.state.stage = self.data["stage"]
        self.state.waits_for = str(self.data.get("waits_for", ""))


def _mark_stale(state: JobState) -> None:
    """Mark readings that a later repair may have changed."""
    model = state.compiled.model
    touched: set[str] = set()
    out: list[Evidence] = []
    for item in reversed(state.evidence):
        if item.kind == "repair":
            touched |= set(model.repairs[model.repair_index[item.step]].fixes)
            out.append(item)
            continue
        check = model.checks[model.check_index[item.step]]
        shows = np.flatnonzero(check.shows[:, 0] < 1.0)
        stale = any(model.modes[i].id in touched for i in shows)
        out.append(Evidence(**{**item.__dict__, "stale": stale}))
    state.evidence = out[::-1]
