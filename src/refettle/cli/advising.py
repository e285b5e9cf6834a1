"""Advice as JSON and as text, for the commands that give it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from refettle.cli.cautions import caution_text
from refettle.cli.common import table

if TYPE_CHECKING:
    from refettle.book.state import JobState
    from refettle.faults import Advice, Bar, Step

SUSPECTS = 6
LATER_STEPS = 3


def suspect_facts(state: JobState) -> list[dict[str, Any]]:
    """Blocks by suspicion, most suspected first, with their failure modes."""
    return [
        {
            "block": s.block,
            "name": s.name,
            "chance": round(s.chance, 6),
            "bench": s.bench,
            "modes": [{"id": m, "name": name, "chance": round(p, 6)} for m, name, p in s.modes],
        }
        for s in state.suspects()
    ]


def suspect_table(suspects: list[dict[str, Any]]) -> str:
    """The most suspected blocks as a table."""
    rows = [
        [f"{100 * s['chance']:.1f} %", s["name"] + (" (bench gear)" if s["bench"] else "")] for s in suspects[:SUSPECTS]
    ]
    return table([["chance", "block"], *rows])


def caution_facts(state: JobState, step_id: str) -> list[dict[str, Any]]:
    """The cautions of a step, in full."""
    library = state.compiled.loaded.library.cautions
    info = state.compiled.steps.get(step_id)
    return [{"id": c, **library[c].model_dump()} for c in (info.cautions if info else ())]


def step_facts(state: JobState, step: Step) -> dict[str, Any]:
    """A step with its figures, reasons and cautions."""
    info = state.compiled.steps.get(step.id)
    return {
        "kind": step.kind,
        "id": step.id,
        "name": step.name,
        "block": step.block,
        "minutes": round(step.minutes, 1),
        "expected_minutes": round(step.expected, 1),
        "parts": step.parts,
        "undo": step.undo,
        "open": step.open,
        "equal_to_best": step.equal,
        "how": info.how if info else "",
        "cautions": caution_facts(state, step.id),
        "outcomes": [
            {"outcome": o.outcome, "chance": round(o.chance, 4), "points_to": {b: round(p, 4) for b, p in o.suspects}}
            for o in step.outcomes
        ],
        "reasons": list(step.reasons),
        "risks": list(step.risks),
        "bars": [vars(bar) for bar in step.bars],
    }


def honesty_facts(state: JobState) -> dict[str, Any]:
    """What the figures leave out."""
    found = state.findings
    return {
        "sets": found.sets,
        "left_out_before": round(found.left_out_before, 6),
        "left_out_probably": round(found.left_out_probably, 6),
        "left_out_at_most": round(found.left_out_at_most, 6),
        "not_modelled": round(found.not_modelled, 6),
    }


def advice_facts(state: JobState, advice: Advice) -> dict[str, Any]:
    """Everything that is known about what to do next."""
    misfit = advice.misfit
    return {
        "state": advice.state,
        "do": step_facts(state, advice.do) if advice.do else None,
        "gate": vars(advice.gate) if advice.gate else None,
        "expected_minutes": round(advice.expected, 1),
        "replace_all_minutes": round(advice.replace_all, 1),
        "nothing_wrong": round(advice.nothing_wrong, 6),
        "misfit": None if misfit is None else vars(misfit),
        "honesty": honesty_facts(state),
        "steps": [step_facts(state, step) for step in advice.steps],
    }


def _print_gate(state: JobState, gate: Bar, step: Step | None) -> None:
    print(f"First: {gate.text}")
    library = state.compiled.loaded.library.cautions
    name = gate.what.removeprefix("caution:")
    if name in library and not (step and name in {c["id"] for c in caution_facts(state, step.id)}):
        print("\n" + caution_text(library[name].model_dump(), "  "))


def print_advice(state: JobState, advice: Advice) -> None:
    """The next step with its cautions and reasons, as text."""
    if advice.misfit is not None and not advice.misfit.fits:
        print(f"No set of modelled causes explains all entries; entry {advice.misfit.ref} disagrees most.")
    if advice.state == "works":
        print("Every look says it works. Prove it.")
    if advice.gate is not None:
        _print_gate(state, advice.gate, advice.do)
    step = advice.do
    if step is None:
        if advice.state != "works":
            print("No step can be taken now.")
        return
    print(f"Next: {step.name}  ({step.kind} {step.id}, {step.minutes:.0f} min)")
    for caution in caution_facts(state, step.id):
        print("\n" + caution_text(caution, "  "))
    info = state.compiled.steps.get(step.id)
    if info and info.how:
        print(f"\n  {' '.join(info.how.split())}")
    for text in (*step.reasons, *step.risks):
        print(f"  {text}")
    if step.outcomes:
        print("\n" + table([["chance", "outcome"], *([f"{100 * o.chance:.0f} %", o.outcome] for o in step.outcomes)]))
    later = [s for s in advice.steps if s.id != step.id and s.open][:LATER_STEPS]
    if later:
        print("\nAfter that, in order: " + "; ".join(f"{s.name} ({s.id})" for s in later))
