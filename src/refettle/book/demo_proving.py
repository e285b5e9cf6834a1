"""Jobs of the demo book that show proving: one proven and handed over, one on the way."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from refettle.book.demo_text import FIVE, JONAS, MARA, Told, looked, sound_case
from refettle.book.proving import acceptance_grid, acceptance_lines
from refettle.knowledge.schema import UnitType

NOT_TESTED = {"Tape": "No recorder on the bench this week; load and save were not tried."}


def proven(unit: UnitType) -> Told:
    """Every cell of the grid: tried, soaked, or said to be not tested and why; then the safety test."""
    lines = acceptance_lines(unit)
    told: list[tuple[float, str, Mapping[str, Any]]] = []
    for cell in acceptance_grid(lines).cells:
        where = {"row": cell.row, "condition": cell.condition}
        line = lines[cell.row]
        if cell.row in NOT_TESTED:
            told.append((1, MARA, {"kind": "cell", **where, "said": "not tested", "why": NOT_TESTED[cell.row]}))
        elif line.minutes is not None:
            told.append((1, MARA, {"kind": "soak", **where, "what": "started", "minutes": line.minutes}))
            told.append((int(line.minutes) + 4, MARA, {"kind": "soak", **where, "what": "ended", "outcome": "good"}))
        elif not line.safety:
            told.append((2 * cell.needed, MARA, {"kind": "trial", **where, "good": cell.needed}))
    measured = {"insulation at 500 V": "above 200 MΩ", "touch current": "0.02 mA"}
    record = {"kind": "safety", "what": "tested", "by": "Mara Fenwick", "measured": measured, "result": "passed"}
    told.append((25, MARA, record | {"instrument": "appliance tester, proven on a known resistor"}))
    return told


def proving_job() -> Told:
    """Proving: counted before the repair, and 14 of the 25 good starts that asks for."""
    starts = {"row": "Cartridge starts", "condition": "front seat cold"}
    return [
        (0, JONAS, {"kind": "take-in", "said": "Every third try it only flashes.", **sound_case(), "rattle": "none",
                    "smell": "none", "accessories": {"AC adapter": "here", "two controllers": "here"}}),
        (3, JONAS, {"kind": "complaint", "point": "picture", "outcome": "starts over and over"}),
        (1, JONAS, {"kind": "caution", "caution": "first-power"}),
        (8, JONAS, {"kind": "first-power", "adapter": FIVE, "rails_ohm": {"rail5": 136, "unregulated": 2180},
                    "limit_amps": 0.8}),
        (11, JONAS, {"kind": "check", "check": "picture", "counts": {"starts over and over": 3, "good": 7},
                     "note": "Ten cold starts, front seat, nothing touched yet."}),
        (4, JONAS, {"kind": "off", "item": "lid", "what": "cover"}),
        (22, JONAS, {"kind": "repair", "repair": "clean-both-seats", "note": "Front pins dull, now bright."}),
        (6, JONAS, {"kind": "back", "item": "lid"}),
        (3, JONAS, looked("picture", "good")),
        (1, JONAS, {"kind": "stage", "stage": "proving"}),
        *[(3, JONAS, {"kind": "trial", **starts, "good": 1}) for _ in range(14)],
        (2, JONAS, {"kind": "cell", "row": "RF picture clear on the marked channel", "condition": "cold",
                    "said": "not tested", "why": "No aerial display on the bench."}),
    ]  # fmt: skip
