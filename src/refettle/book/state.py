"""What is known of a job after its log so far: suspicions, gates, ledgers, costs. No database, no framework."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from functools import lru_cache
from typing import Any

from refettle import faults
from refettle.book.elsewhere import kept, work_out
from refettle.book.ledger import Ledger
from refettle.book.log import LogEntry
from refettle.book.money import Money
from refettle.book.one_way import OneWay
from refettle.book.proving import Proving
from refettle.book.stores_jobs import JobParts
from refettle.book.whitening import Whitening
from refettle.knowledge.compile import DATA_SAVED, FIRST_POWER, OWNER, CompiledType
from refettle.knowledge.one_way import one_way_steps
from refettle.language import local, manner, spoken, tr

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
    outcomes: tuple[tuple[str, str], ...] = ()
    """The outcomes in `result` and what stands behind each: how often it came, or how likely it is."""
    graded: bool = False
    value: str = ""

    @property
    def said(self) -> str:
        """The result in the current language."""
        if not self.outcomes:
            return spoken(self.result)
        words = ", ".join(spoken(outcome) + local(behind) for outcome, behind in self.outcomes)
        if self.graded:
            words = tr("graded: {outcomes}", outcomes=words)
        return f"{words} ({self.value})" if self.value else words


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
    proving: Proving
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
    readings: list[LogEntry] = field(default_factory=list)
    """Files read, in the order of the log."""
    one_way: list[OneWay] = field(default_factory=list)
    """Steps that cannot be undone: go-aheads given, and steps taken, in the order of the log."""
    money: Money = field(default_factory=Money)
    whitening: Whitening = field(default_factory=Whitening)
    stores: JobParts = field(default_factory=JobParts)
    """What it wants of the stores, and has taken."""
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

    def shut(self, step_id: str) -> list[str]:
        """What must be done first for a check or repair whose gates are shut, in words; empty where none is."""
        model, found = self.compiled.model, []
        if step_id in model.check_index:
            found = [g for g in model.checks[model.check_index[step_id]].gates if g not in self.gates_open]
        elif step_id in model.repair_index:
            found = [g for g in model.repairs[model.repair_index[step_id]].gates if g not in self.gates_open]
        return [faults.gate_words(g) for g in found]

    def pointless_now(self) -> frozenset[str]:
        """Checks that cannot be judged while the unit shows no life."""
        if not self.lifeless:
            return frozenset()
        return frozenset(s.id for s in self.compiled.steps.values() if s.needs_running)

    @property
    def suspicions(self) -> faults.Suspicions:
        """The suspicions; worked out when first asked for, and kept for the same log."""
        return suspicions_of(self.compiled, self.weighed)

    @property
    def weighed(self) -> tuple[str, ...]:
        """What moved the suspicions, in a form to be kept by."""
        return tuple(_frozen(e) for e in self.events)

    @property
    def findings(self) -> Findings:
        """What the log says, in small."""
        return _findings(self.compiled, self.weighed, manner())

    def refuse_impossible(self) -> None:
        """See that some set of failure modes allows what was read. Raises ModelError.

        Mostly a single mode does, which is told within milliseconds; working out the suspicions takes seconds.
        """
        if not faults.one_explains(self.compiled.model, self.events):
            _ = self.findings

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
        names = {b.id: b.name for b in self.compiled.loaded.blocks.values()} | {"other": tr("something not modelled")}
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
        return _advice(self.compiled, self.weighed, _Held(self, customer, depth), manner())

    @property
    def is_found(self) -> bool:
        """True where the findings are kept, and nobody waits for them."""
        return _findings.holds(self.compiled, self.weighed, manner())

    def is_advised(self, customer: bool = False, depth: int = 2) -> bool:
        """True where findings and advice are kept, and nobody waits for them."""
        held = _Held(self, customer, depth)
        return self.is_found and _advice.holds(self.compiled, self.weighed, held, manner())


class _Held:
    """What decides the advice, for what is kept to go by. The job's state goes with the first `context`: what is kept
    for a thousand jobs is not to hold their logs."""

    def __init__(self, state: JobState, customer: bool, depth: int) -> None:
        self._state: JobState | None = state
        self._key = (
            customer,
            depth,
            state.level,
            state.seen_bad,
            tuple(state.complaints),
            frozenset(state.gates_open),
            frozenset(state.proofs),
            frozenset(state.consents),
            frozenset(state.done_since),
            frozenset(state.looked_in_run),
            frozenset(state.failed_before),
            frozenset(state.failing),
            state.lifeless,
        )

    def context(self) -> faults.Context:
        """What `faults.advise` needs to know, once."""
        state, self._state = self._state, None
        assert state is not None
        return state.context(*self._key[:2])

    def __hash__(self) -> int:
        return hash(self._key)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Held) and self._key == other._key


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


@lru_cache(maxsize=3)
def suspicions_of(compiled: CompiledType, events: tuple[str, ...]) -> faults.Suspicions:
    """The suspicions after what a state has `weighed`: tens of megabytes, kept for the last few only."""
    return faults.replay(compiled.model, [_thaw(e) for e in events], compiled.hypotheses(), grow=GROW)


@kept(1024)
def _findings(compiled: CompiledType, events: tuple[str, ...], language: str) -> Findings:
    return work_out(_found, compiled, events)


def _found(compiled: CompiledType, events: tuple[str, ...]) -> Findings:
    suspicions = suspicions_of(compiled, events)
    return Findings(
        tuple(_suspects(compiled, suspicions)),
        suspicions.nothing_wrong(),
        len(suspicions.member),
        suspicions.left_out,
        suspicions.left_out_probably(),
        suspicions.left_out_at_most(),
    )


@kept(1024)
def _advice(compiled: CompiledType, events: tuple[str, ...], held: _Held, language: str) -> faults.Advice:
    return work_out(_advised, compiled, events, held.context())


def _advised(compiled: CompiledType, events: tuple[str, ...], context: faults.Context) -> faults.Advice:
    return faults.advise(suspicions_of(compiled, events), context)


def _suspects(compiled: CompiledType, suspicions: faults.Suspicions) -> list[Suspect]:
    by_mode = suspicions.suspicion()
    by_block = faults.block_suspicion(suspicions)
    out = []
    for block, chance in by_block.items():
        modes = [(m.id, m.name, float(by_mode[i])) for i, m in enumerate(compiled.model.modes) if m.block == block]
        modes.sort(key=lambda item: -item[2])
        resolved = compiled.loaded.blocks.get(block)
        name = resolved.name if resolved else tr("Something not modelled")
        out.append(Suspect(block, name, chance, bool(resolved and resolved.bench_gear), tuple(modes)))
    out.sort(key=lambda s: (-round(s.chance, 9), s.block))
    return out
