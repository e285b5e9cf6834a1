"""Random logs: entries of every kind, and logs that a unit type can have."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from random import Random
from typing import Any

from refettle.book.log import check_entry
from refettle.faults import GOOD
from refettle.knowledge.compile import CompiledType

Entry = dict[str, Any]
START = datetime(2031, 3, 2, 9, tzinfo=UTC)


def entry(n: int, kind: str, hours: float = 0.0, **fields: Any) -> Entry:
    """An entry of a log, `hours` after the start."""
    at = (START + timedelta(hours=hours)).isoformat()
    return {"n": n, "at": at, "who": "Ada", "kind": kind, **fields}


def full_gate(compiled: CompiledType, **changes: Any) -> Entry:
    """The fields of a first power-on entry with nothing against it."""
    unit = compiled.loaded.unit_type
    facts = ("output", "volts", "amps", "polarity", "plug") if unit.adapter else ()
    rails = {key: (rail.to_ground_ohm or 1000.0) for key, rail in unit.power_on.rails.items()}
    fields = {"adapter": dict.fromkeys(facts, "matches"), "rails_ohm": rails, "limit_amps": 0.5}
    return {key: value for key, value in {**fields, **changes}.items() if value is not None}


def content(rng: Random, compiled: CompiledType) -> Entry:
    """Kind and fields of one entry that this unit type can have, in plain form, without a correction."""
    return check_entry(_content(rng, compiled))


def _content(rng: Random, compiled: CompiledType) -> Entry:
    model, steps = compiled.model, compiled.steps
    checks = [s.id for s in steps.values() if s.kind == "check"]
    points = [s.id for s in steps.values() if s.is_point]
    repairs = [r.id for r in model.repairs]
    kind = rng.choice(
        ("check",) * 8 + ("complaint", "repair", "repair", "gear", "caution", "first-power", "access", "proof")
        + ("consent", "saved", "time", "note", "stage", "take-in")
    )  # fmt: skip
    if kind == "complaint":
        point = rng.choice(points)
        return {"kind": kind, "point": point, "outcome": rng.choice(steps[point].outcomes)}
    if kind == "check":
        check = rng.choice(points) if rng.random() < 0.5 else rng.choice(checks)
        outcomes = [GOOD, GOOD, *steps[check].outcomes]
        out: Entry = {"kind": kind, "check": check}
        if rng.random() < 0.2:
            out["counts"] = {GOOD: rng.randint(0, 3), rng.choice(steps[check].outcomes): rng.randint(1, 3)}
        elif rng.random() < 0.15:
            out["likelihood"] = {GOOD: rng.choice((0.1, 0.5)), rng.choice(steps[check].outcomes): 1.0}
        else:
            out["outcome"] = rng.choice(outcomes)
        if rng.random() < 0.15:
            out["run"] = "new"
        if rng.random() < 0.2:
            out["minutes"] = float(rng.randint(1, 30))
        return out
    if kind == "repair":
        return {"kind": kind, "repair": rng.choice(repairs), "parts": float(rng.randint(0, 9))}
    if kind in ("proof", "consent"):
        return {"kind": kind, "repair": rng.choice(repairs), "text": "shown and written down"}
    return {
        "gear": {"gear": rng.choice([g.id for g in model.gear]), "outcome": rng.choice(("good", "good", "bad"))},
        "caution": {"caution": rng.choice(list(compiled.loaded.library.cautions))},
        "first-power": full_gate(compiled, **rng.choice(({}, {"limit_amps": None}, {"rails_ohm": {}}))),
        "access": {"level": rng.choice(("closed", "open", "board"))},
        "saved": {"what": "scores", "how": "read out twice, both the same"},
        "time": {"minutes": float(rng.randint(1, 60)), "what": "looking for a diagram"},
        "note": {"text": "screw missing"},
        "stage": {"stage": rng.choice(("fault finding", "waiting", "proving"))},
        "take-in": {"said": "it hums", "rattle": "none"},
    }[kind] | {"kind": kind}


def random_log(rng: Random, compiled: CompiledType, length: int) -> list[Entry]:
    """A log over a few days."""
    out: list[Entry] = []
    hours = 0.0
    for n in range(1, length + 1):
        hours += rng.choice((0.1, 0.5, 2.0, 24.0))
        fields = content(rng, compiled)
        out.append(entry(n, fields.pop("kind"), hours, **fields))
    return out
