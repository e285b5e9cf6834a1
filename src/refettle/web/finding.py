"""What the fault-finding page shows, worked out of a job's state. No request in here."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from refettle.book.state import Evidence, JobState, Suspect
from refettle.faults import GOOD, Advice, Bar, Step
from refettle.knowledge.compile import DATA_SAVED, FIRST_POWER, CompiledType, StepInfo
from refettle.knowledge.schema import ACCESS_LEVELS
from refettle.language import mark, spoken, tr
from refettle.web.views.common import CautionView, JobView, advice_of, caution_views
from refettle.web.wording import GEAR_WORDS, LEVEL_WORDS, describe

RANKED_SHOWN = 10
SUSPECTS_SHOWN = 8
CAUTION = "caution:"
CONDITION_WORDS = {"cold": "", "warm": mark("warmed up"), "moved": mark("while it is moved or tapped")}


@dataclass(frozen=True)
class Outcome:
    """One outcome as a button: its key on the keyboard, what it would mean."""

    key: str
    outcome: str
    label: str
    good: bool
    chance: float | None = None
    then: str = ""
    typed: str = ""


@dataclass(frozen=True)
class Gate:
    """One thing to be passed before a step is open."""

    kind: str
    what: str
    text: str
    name: str
    caution: CautionView | None = None


@dataclass(frozen=True)
class StepView:
    """A step with all that a person needs to carry it out."""

    info: StepInfo
    name: str
    block: str
    minutes: float
    with_first: float
    parts: float
    gear: str
    access: str
    condition: str
    gates: tuple[Gate, ...]
    bars: tuple[Bar, ...]
    cautions: tuple[CautionView, ...]
    cautions_read: tuple[CautionView, ...]
    outcomes: tuple[Outcome, ...]
    reasons: tuple[str, ...]
    risks: tuple[str, ...]
    chosen: bool
    run_new: bool
    made_before: int
    needs_proof: bool = False
    needs_consent: bool = False
    opens: str = ""

    @property
    def open(self) -> bool:
        """True if nothing bars it."""
        return not self.gates and not self.bars


@dataclass(frozen=True)
class Ranked:
    """One row of the table of other steps."""

    id: str
    name: str
    kind: str
    expected: float
    minutes: float
    equal: bool
    bars: tuple[str, ...]
    block: str = ""


@dataclass(frozen=True)
class Honesty:
    """What the figures rest on."""

    left_out_before: float
    left_out_probably: float
    left_out_at_most: float
    not_modelled: float
    sets: int
    disagrees: str = ""
    disagrees_n: int = 0
    fit: float = 1.0


@dataclass
class Finding:
    """The whole page."""

    state: str
    step: StepView | None
    give_up: bool
    chosen_unknown: str
    equal: list[Ranked]
    ranked: list[Ranked]
    rest: list[Ranked]
    suspects: list[Suspect]
    suspects_rest: list[Suspect]
    evidence: list[Evidence]
    honesty: Honesty
    nothing_wrong: float
    expected: float
    replace_all: float
    last: Any = None
    waiting: list[Ranked] = field(default_factory=list)
    other_steps: list[tuple[str, list[tuple[str, str]]]] = field(default_factory=list)


def build(view: JobView, state: JobState, chosen: str = "", typed: Any = None) -> Finding:
    """The page for a job; `chosen` is a step that the person picked instead of the first."""
    advice = advice_of(view, state)
    by_id = {step.id: step for step in advice.steps}
    step = by_id.get(chosen) if chosen else advice.do
    shown: StepView | None = None
    unknown = ""
    if chosen and chosen not in state.compiled.steps:
        unknown = chosen
        step = advice.do
    if step is not None and step.kind != "give up":
        shown = _step_view(view, state, advice, step, step is not advice.do, typed)
    elif chosen and not unknown and step is None:
        shown = _step_view(view, state, advice, _unranked(state, chosen), True, typed)
    shown_id = shown.info.id if shown else ""
    rows = [_ranked(s, state.compiled) for s in advice.steps if s.id != shown_id]
    suspects = state.suspects()
    return Finding(
        state=advice.state,
        step=shown,
        give_up=shown is None and step is not None and step.kind == "give up",
        chosen_unknown=unknown,
        equal=[r for r in rows if r.equal] if advice.state == "find" else [],
        ranked=rows[:RANKED_SHOWN],
        rest=rows[RANKED_SHOWN:],
        suspects=suspects[:SUSPECTS_SHOWN],
        suspects_rest=suspects[SUSPECTS_SHOWN:],
        evidence=state.evidence[::-1],
        honesty=_honesty(state, advice),
        nothing_wrong=advice.nothing_wrong,
        expected=advice.expected,
        replace_all=advice.replace_all,
        last=_last(view, state),
    )


def _last(view: JobView, state: JobState) -> dict[str, Any] | None:
    """The newest entry, if it is one that a tap may have made."""
    if not view.entries:
        return None
    entry = view.entries[-1]
    if entry["kind"] not in ("check", "repair", "caution", "saved", "proof", "consent", "first-power"):
        return None
    return {"n": entry["n"], "text": describe(entry["kind"], entry, state.compiled)}


def _ranked(step: Step, compiled: CompiledType) -> Ranked:
    gates = _gates(compiled, step.bars)
    read = [g.caution.caution.name for g in gates if g.caution]
    bars = [tr("Read first: {read}.", read=", ".join(tr(name) for name in read))] if read else []
    bars += [g.text for g in gates if not g.caution]
    bars += [bar.text for bar in step.bars if bar.kind != "gate"]
    info = compiled.steps.get(step.id)
    name = info.name if info else step.name
    block = compiled.block_name(info.block) if info and info.block and not info.is_point else ""
    return Ranked(step.id, name, step.kind, step.expected, step.minutes, step.equal, tuple(bars), block)


def _unranked(state: JobState, step_id: str) -> Step:
    """A step that the ranking leaves out (it can change nothing now), so that it can still be looked up."""
    info = state.compiled.steps[step_id]
    model = state.compiled.model
    entry = (
        model.checks[model.check_index[step_id]] if info.kind == "check" else model.repairs[model.repair_index[step_id]]
    )
    closed = [g for g in entry.gates if g not in state.gates_open]
    bars = tuple(Bar("gate", g, "") for g in closed)
    words = (tr("The ranking leaves it out: by the log so far it would change little."),)
    return Step(info.kind, step_id, info.name, info.block, 0.0, info.minutes, undo=info.undo, bars=bars, reasons=words)


def _step_view(view: JobView, state: JobState, advice: Advice, step: Step, chosen: bool, typed: Any) -> StepView:
    compiled = state.compiled
    info = compiled.steps[step.id]
    gates = _gates(compiled, step.bars)
    cautions = caution_views(compiled.loaded, info.cautions, state.cautions_read)
    asked = {g.caution.id for g in gates if g.caution}
    wanted = ACCESS_LEVELS.index(info.access)
    return StepView(
        info=info,
        name=info.name,
        block=compiled.block_name(info.block) if info.block else "",
        minutes=info.minutes,
        with_first=step.minutes if step.minutes > info.minutes + 0.5 else 0.0,
        parts=step.parts,
        gear=tr(GEAR_WORDS.get(info.gear, info.gear)),
        access=tr(LEVEL_WORDS[info.access]),
        condition=tr(CONDITION_WORDS.get(info.condition, info.condition)),
        gates=gates,
        bars=tuple(b for b in step.bars if b.kind != "gate"),
        cautions=tuple(c for c in cautions if c.id not in asked and not (c.read and c.caution.gate)),
        cautions_read=tuple(c for c in cautions if c.id not in asked and c.read and c.caution.gate),
        outcomes=_outcomes(compiled, info, step, typed),
        reasons=step.reasons,
        risks=step.risks + ((_capital(spoken(info.harm)) + ".",) if info.harm else ()),
        chosen=chosen,
        run_new=advice.state == "test" and info.powered,
        made_before=sum(1 for e in state.evidence if e.step == step.id),
        needs_proof=bool(info.proof) and step.id not in state.proofs,
        needs_consent=not info.undo and view.customer and step.id not in state.consents,
        opens=tr(LEVEL_WORDS[info.access]) if wanted > state.level else "",
    )


def _gates(compiled: CompiledType, bars: Sequence[Bar]) -> tuple[Gate, ...]:
    made: list[Gate] = []
    for bar in bars:
        if bar.kind != "gate":
            continue
        if bar.what.startswith(CAUTION):
            view = caution_views(compiled.loaded, (bar.what.removeprefix(CAUTION),), set())[0]
            made.append(Gate("caution", view.id, bar.text, tr("read “{name}”", name=tr(view.caution.name)), view))
        elif bar.what == FIRST_POWER:
            made.append(Gate("first-power", bar.what, bar.text, tr("the first power-on gate")))
        elif bar.what == DATA_SAVED:
            made.append(Gate("saved", bar.what, bar.text, tr("save the data")))
        else:
            made.append(Gate("other", bar.what, bar.text, bar.what))
    order = {"caution": 0, "saved": 1, "first-power": 2, "other": 3}
    return tuple(sorted(made, key=lambda g: order[g.kind]))


def _outcomes(compiled: CompiledType, info: StepInfo, step: Step, typed: Any) -> tuple[Outcome, ...]:
    if info.kind != "check":
        return ()
    views = {v.outcome: v for v in step.outcomes}
    names = [GOOD, *[o for o in info.outcomes if o != GOOD]]
    made = []
    for place, name in enumerate(names, start=1):
        seen = views.get(name)
        then = ""
        if seen and seen.suspects:
            then = ", ".join(f"{spoken(compiled.block_name(b))} {100 * p:.0f}\u202f%" for b, p in seen.suspects[:2])
        made.append(
            Outcome(
                key=str(place) if place <= 9 else "",
                outcome=name,
                label=spoken(info.good if name == GOOD else name),
                good=name == GOOD,
                chance=seen.chance if seen else None,
                then=then,
                typed=typed.get(f"count-{place}", "") if typed else "",
            )
        )
    return tuple(made)


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _honesty(state: JobState, advice: Advice) -> Honesty:
    found = state.findings
    disagrees, n = "", 0
    misfit = advice.misfit
    if misfit is not None and not misfit.fits:
        n = int(misfit.ref) if misfit.ref.isdecimal() else 0
        entry = next((e for e in state.evidence if e.n == n), None)
        disagrees = f"{spoken(entry.name)}: {entry.said}" if entry else misfit.check
    return Honesty(
        left_out_before=found.left_out_before,
        left_out_probably=found.left_out_probably,
        left_out_at_most=found.left_out_at_most,
        not_modelled=found.not_modelled,
        sets=found.sets,
        disagrees=disagrees,
        disagrees_n=n,
        fit=misfit.fit if misfit else 1.0,
    )


def all_steps(compiled: CompiledType) -> list[tuple[str, list[tuple[str, str]]]]:
    """Every check and repair by block, for choosing one by hand."""
    groups: dict[str, list[tuple[str, str]]] = {}
    for info in compiled.steps.values():
        if info.is_point:
            block = tr("Points to look at")
        else:
            block = spoken(compiled.block_name(info.block)) if info.block else tr("The unit as a whole")
        groups.setdefault(block, []).append((info.id, spoken(info.name.removeprefix("Look: "))))
    return list(groups.items())
