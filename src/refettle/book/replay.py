"""The state of a job as a pure function of its unit type and its log. No database, no framework.

`replay(compiled, entries)` gives what the pages and the command line show: suspicions, what is open, which gates are
passed, what has been spent, which readings went stale. Nothing here is stored; it can always be worked out again.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from refettle import faults
from refettle.book.learned import with_experience
from refettle.book.ledger import LEDGER_KINDS, ledger, refuse
from refettle.book.log import LogEntry, LogError, effective, parse_time
from refettle.book.money import GUARDED, MONEY_KINDS, Outgoing, money_of, refuse_money
from refettle.book.one_way import OneWay, refuse_go_ahead, refuse_one_way
from refettle.book.power import first_power_problems, power_cautions
from refettle.book.proving import PROVING_KINDS, proving
from refettle.book.proving_refusals import refuse_handover, refuse_proving, refuse_unsaying
from refettle.book.state import LEVELS, Evidence, JobState
from refettle.book.stores_jobs import STORES_KINDS, amount_of, job_parts, refuse_oddities, refuse_parts
from refettle.book.whitening import STEP, WHITENING_KINDS, refuse_leaving, refuse_whitening, whitening
from refettle.knowledge.compile import DATA_SAVED, FIRST_POWER, OWNER, CompiledType
from refettle.language import mark, phrase, spoken, tr

OWNER_SAID = phrase("Owner: {name}")
AT_FIRST_POWER = phrase("{name} (first power-on gate)")
DONE = mark("done")
WEIGHED = frozenset({"check", "reading", "repair", "complaint", "gear", "first-power", "experience", "correction"})
"""Kinds of entries that move the suspicions."""

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
    compiled = with_experience(compiled, counted)
    proven = proving(compiled.loaded.unit_type, counted)
    parts = job_parts(counted)
    state = JobState(compiled, counted, proven, ledger=ledger(counted), whitening=whitening(counted), stores=parts)
    for entry in state.entries:
        if entry.void:
            continue
        try:
            _Applier(state, entry).apply()
        except LogError as error:
            raise LogError(tr("entry {n}: {error}", n=entry.n, error=error), field=error.field) from None
    _pay_for_parts(state)
    _shut_again(state)
    _mark_stale(state)
    if state.stage == "take-in" and (state.events or state.complaints):
        state.stage = "fault finding"
    return state


def _pay_for_parts(state: JobState) -> None:
    """What was taken from the stores counts among the parts; in another currency it is shown among the outgoings."""
    state.parts += state.stores.cost
    for each in state.stores.foreign:
        what = f"{each.part} × {each.kept}"
        state.money.outgoings.append(Outgoing(each.n, what, amount_of(each), each.currency, "parts"))


def _shut_again(state: JobState) -> None:
    """Keep the first power-on gate shut for what other entries say: cautions unread, something loose inside."""
    if FIRST_POWER not in state.gates_open:
        return
    names = state.compiled.loaded.library.cautions
    problems = [
        tr("Still to read: {caution}.", caution=spoken(names[c].name))
        for c in power_cautions(state.compiled)
        if c not in state.cautions_read
    ]
    if state.take_in.get("rattle") == "rattles" and not str((state.first_power or {}).get("rattle", "")).strip():
        problems.append(
            tr("It rattled at take-in: find what is loose and write down what it was. Loose metal kills boards.")
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
    after = replay(compiled, [*before, *new])
    if any(e["kind"] in WEIGHED for e in new):
        after.refuse_impossible()
    unit = compiled.loaded.unit_type
    if any(e["kind"] == "correction" for e in new):
        refuse_unsaying(proving(unit, effective(before)), after.proving, after.stage, customer)
        if after.stores.odd:
            refuse_oddities(job_parts(effective(before)), after.stores)
    for place, entry in enumerate(new):
        earlier = [*before, *new[:place]]
        content = {k: v for k, v in entry.items() if k not in ("n", "at", "who")}
        at = parse_time(entry["at"])
        if entry["kind"] == "correction" and entry.get("with"):
            # What is put in an entry's place must have been possible then.
            content = dict(entry["with"])
            at = next((parse_time(e["at"]) for e in earlier if e["n"] == entry["corrects"]), at)
            earlier = [e for e in earlier if e["n"] < entry["corrects"]]
        if content["kind"] in GUARDED:
            refuse_money(money_of(effective(earlier)), content, at, customer)
        if content["kind"] in LEDGER_KINDS:
            refuse(ledger(effective(earlier)), content)
            if content["kind"] == "stage":
                refuse_leaving(whitening(effective(earlier)), content)
                if content["stage"] == "handed over":
                    refuse_handover(proving(unit, effective(earlier)), content, customer)
        elif content["kind"] in STORES_KINDS:
            refuse_parts(job_parts(effective(earlier)), content)
        elif content["kind"] in PROVING_KINDS:
            # What is refused of the others hangs on the acceptance list alone; logs can hold thousands of trials.
            by_state = content["kind"] in ("cell", "soak")
            refuse_proving(proving(unit, effective(earlier)) if by_state else after.proving, content)
        elif content["kind"] in WHITENING_KINDS:
            state = replay(compiled, earlier)
            refuse_whitening(state.whitening, state.one_way, content)
            if content["kind"] == "bath-in" and (unread := state.unread(STEP)):
                raise LogError(
                    tr("batch: needed first: the caution read: {unread}", unread=", ".join(unread)), field="batch"
                )
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
        if self.entry.kind in MONEY_KINDS:
            self.state.minutes += self.state.money.take(self.entry)
        handler = getattr(self, "_" + self.entry.kind.replace("-", "_"), None)
        if handler is not None:
            handler()

    def _known(self, field_name: str, value: str, allowed: Iterable[str], what: str) -> None:
        names = sorted(allowed)
        if value not in names:
            shown = ", ".join(names[:40]) + (", ..." if len(names) > 40 else "")
            raise LogError(
                tr(
                    "{field_name}: '{value}' found; allowed: {what} of this unit type: {shown}",
                    field_name=field_name,
                    value=value,
                    what=what,
                    shown=shown,
                ),
                field=field_name,
            )

    # ---- entries that move the suspicions

    def _complaint(self) -> None:
        point, outcome = self.data["point"], self.data["outcome"]
        points = [s.id for s in self.steps.values() if s.is_point]
        self._known("point", point, points, tr("a point"))
        check = self.model.checks[self.model.check_index[OWNER + point]]
        self._known("outcome", outcome, check.outcomes, tr("an outcome of this point"))
        self.state.complaints.append((point, outcome))
        if outcome != faults.GOOD:
            self.state.failing.add(point)
        lifeless = self.steps[point].lifeless
        if lifeless is not None:
            self.state.life[point] = outcome not in lifeless
        self.state.events.append(faults.Reading(check.id, {outcome: 1}, ref=str(self.entry.n)))
        name = OWNER_SAID.format(name=self.steps[point].name.removeprefix("Look: "))
        self._evidence("complaint", OWNER + point, name, outcome)

    def _check(self) -> None:
        counts = dict(self.data.get("counts") or {})
        if self.data.get("outcome") is not None:
            counts = {self.data["outcome"]: 1}
        check_id = self.data["check"]
        self._known_check(check_id)
        self._run()
        self._taken(check_id, counts, self.data.get("likelihood"), str(self.data.get("value", "")))
        self.state.minutes += float(self.data.get("minutes", self.steps[check_id].minutes))

    def _reading(self) -> None:
        decides = dict(self.data.get("decides", {}))
        for check_id in decides:
            self._known_check(check_id)
        if decides:
            self._run()
        value = "; ".join(f"{name} {text}" for name, text in self.data.get("figures", {}).items())
        for check_id, grades in decides.items():
            self._taken(check_id, {}, grades, value)
        self.state.readings.append(self.entry)
        usual = max((self.steps[c].minutes for c in decides), default=0.0)
        self.state.minutes += float(self.data.get("minutes", usual))

    def _known_check(self, check_id: str) -> None:
        self._known("check", check_id, [s.id for s in self.steps.values() if s.kind == "check"], tr("a check"))

    def _run(self) -> None:
        """A new run where the entry says so, or where the last look was on another day."""
        day = self.entry.at.date().isoformat()
        if self.data.get("run") == "new" or (self.state.last_run and self.state.last_run != day):
            self.state.events.append(faults.NewRun(ref=str(self.entry.n)))
            self.state.looked_in_run = set()
        self.state.last_run = day

    def _taken(self, check_id: str, counts: dict[str, int], likelihood: Mapping[str, float] | None, value: str) -> None:
        """One check made, by its outcomes counted or by how likely they make a graded reading."""
        check = self.model.checks[self.model.check_index[check_id]]
        for outcome in (*counts, *(likelihood or {})):
            self._known("outcome", outcome, check.outcomes, tr("an outcome of this check"))
        proven, failed = self._gear_state(check.gear)
        self.state.looked_in_run.add(check_id)
        self.state.events.append(
            faults.Reading(
                check_id,
                counts,
                dict(likelihood) if likelihood else None,
                proven=self.entry.at.date().isoformat() if proven or failed else "",
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
        self.state.level = max(self.state.level, check.level)
        behind = {o: f" ×{n}" if n > 1 or len(counts) > 1 else "" for o, n in counts.items() if n}
        if likelihood:
            behind = {o: f" {v:.2g}" for o, v in likelihood.items()}
        shown = ("graded: " if likelihood else "") + ", ".join(o + figure for o, figure in behind.items())
        if value:
            shown += f" ({value})"
        sensed = check.gear in ("eye", "ear", "owner")
        self._evidence(
            "check", check_id, step.name, shown, sensed or proven, tuple(behind.items()), bool(likelihood), value
        )

    def _gear_state(self, gear: str) -> tuple[bool, bool]:
        known = self.state.gear.get(gear)
        if known is None or known[0] != self.entry.at.date():
            return False, False
        return known[1], not known[1]

    def _repair(self) -> None:
        repair_id = self.data["repair"]
        self._known("repair", repair_id, [r.id for r in self.model.repairs], tr("a repair"))
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
        estimate = 0.0 if repair_id in self.state.stores.repairs else repair.parts
        self.state.parts += float(self.data.get("parts", estimate))
        self._evidence("repair", repair_id, self.steps[repair_id].name, DONE)

    def _evidence(
        self,
        kind: str,
        step: str,
        name: str,
        result: str,
        proven: bool = True,
        outcomes: tuple[tuple[str, str], ...] = (),
        graded: bool = False,
        value: str = "",
    ) -> None:
        e = self.entry
        note = str(e.data.get("note", ""))
        self.state.evidence.append(
            Evidence(e.n, e.at, e.who, kind, step, name, result, note, False, proven, outcomes, graded, value)
        )

    # ---- entries that open gates

    def _caution(self) -> None:
        caution = self.data["caution"]
        self._known("caution", caution, self.state.compiled.loaded.library.cautions, tr("a caution"))
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
            self._evidence("check", check_id, self.steps[check_id].name, AT_FIRST_POWER.format(name=faults.GOOD))

    def _saved(self) -> None:
        self.state.saved = self.data
        self.state.dealt_with.add(self.data["what"])
        if not self.state.data_left:
            self.state.gates_open.add(DATA_SAVED)

    def _proof(self) -> None:
        self._known("repair", self.data["repair"], [r.id for r in self.model.repairs], tr("a repair"))
        self.state.proofs.add(self.data["repair"])

    def _consent(self) -> None:
        self._known("repair", self.data["repair"], [r.id for r in self.model.repairs], tr("a repair"))
        self.state.consents.add(self.data["repair"])

    def _gear(self) -> None:
        self._known("gear", self.data["gear"], [g.id for g in self.model.gear], tr("gear"))
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

    def _bath_in(self) -> None:
        given = self.data.get("go_ahead")
        for place, each in enumerate(self.state.one_way):
            if given is not None and each.go_ahead == given:
                if each.taken is None:
                    self.state.one_way[place] = replace(each, taken=self.entry.n)
                return
        what = f"{', '.join(self.data['parts'])} into '{self.data['batch']}'"
        self.state.one_way.append(OneWay(STEP, what, None, self.entry.n, str(self.data.get("without", ""))))

    def _part_in(self) -> None:
        if self.data["ref"] not in self.state.stores.refs:  # else it is paid with what was taken from the stores
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
