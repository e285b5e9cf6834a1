"""A job's proving grid on the command line."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from refettle.cli.cautions import caution_text

if TYPE_CHECKING:
    from refettle.book.state import JobState


def proving_facts(state: JobState) -> dict[str, Any]:
    """The statement as data: its sentence, each cell, what is asked for and why, soaks, the safety record."""
    made = state.proving
    cells = []
    for cell, found in zip(made.grid.cells, made.statement.findings, strict=True):
        key = cell.row, cell.condition
        need = made.needs.get(key)
        cells.append(
            {
                "row": cell.row,
                "condition": cell.condition,
                "status": found.status,
                "text": found.text,
                "wanted": cell.needed,
                "good": cell.counts.good,
                "bad": cell.counts.bad,
                "series": [asdict(each) for each in cell.series],
                "need": None if need is None else {**asdict(need), "text": need.text},
            }
        )
    return {
        "statement": made.statement.text,
        "proven": made.statement.proven,
        "confidence": made.statement.confidence,
        "cells": cells,
        "soaks": [
            {"row": s.row, "condition": s.condition, "started": s.started.isoformat(), "due": s.due.isoformat()}
            for s in made.running.values()
        ],
        "safety": None if made.safety is None else dict(made.safety),
        "safety_holds": made.safe,
        "cautions": _cautions(state),
    }


def print_proving(state: JobState) -> None:
    """The sentence, then every cell by what became of it."""
    made = state.proving
    print(f"{made.statement.text[0].upper()}{made.statement.text[1:]}.")
    groups = (
        ("Fails", made.statement.failed),
        ("Passed", made.statement.passed),
        ("Not tested", made.statement.not_tested),
        ("Not there", made.statement.absent),
    )
    for title, lines in groups:
        if lines:
            print(f"\n{title}:")
            for line in lines:
                print(f"  {line}")
    asked = [(key, need) for key, need in made.needs.items() if made.grid.cell(*key).status != "pass"]
    if asked:
        print("\nAsked for:")
    for (row, condition), need in asked:
        print(f"  {row}, {condition}: {need.text}")
    for soak in made.running.values():
        print(f"\nA soak runs: {soak.row}, {soak.condition}, until {soak.due:%Y-%m-%d %H:%M}.")
    for caution in _cautions(state):
        print("\n" + caution_text(caution))


def _cautions(state: JobState) -> list[dict[str, Any]]:
    from refettle.book.proving import proving_cautions

    loaded = state.compiled.loaded
    known = loaded.library.cautions
    return [{"id": c, **known[c].model_dump()} for c in proving_cautions(loaded.unit_type) if c in known]
