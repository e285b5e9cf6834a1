"""A block of a unit type: what it takes over from its kind, and what the type changes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from refettle.knowledge.crosschecks import Checker
from refettle.knowledge.parsing import M, parse_model
from refettle.knowledge.reading import Path
from refettle.knowledge.schema import BlockKind, Check, FailureMode, Repair, UnitType
from refettle.language import tr

Passes = dict[str, str | None]


@dataclass(frozen=True)
class ResolvedBlock:
    """A block of a unit type with everything taken over from its kind, overrides applied."""

    id: str
    name: str
    kind: str
    bench_gear: bool
    weight: float
    needs: Mapping[str, Passes]
    passes: Passes
    modes: Mapping[str, FailureMode]
    checks: Mapping[str, Check]
    repairs: Mapping[str, Repair]
    cautions: tuple[str, ...] = ()
    part: str | None = None


def _merge(kind_part: Mapping[str, Any], override: Mapping[str, Any]) -> dict[str, dict[str, Any]]:
    """Apply a unit type's changes to one of a kind's tables; null takes an entry out."""
    merged: dict[str, dict[str, Any]] = {k: v.model_dump(exclude_unset=True) for k, v in kind_part.items()}
    for key, change in override.items():
        if change is None:
            merged.pop(key, None)
        else:
            merged[key] = {**merged.get(key, {}), **change}
    return merged


def _resolve_table(
    model: type[M],
    table: str,
    kind: BlockKind,
    block_id: str,
    override: Mapping[str, Any],
    checker: Checker,
) -> dict[str, M]:
    base: Path = ("blocks", block_id, table)
    shipped: Mapping[str, M] = getattr(kind, table)
    for key, change in override.items():
        if change is None and key not in shipped:
            checker.add(
                (*base, key), tr("'{id}', which the kind does not have", id=key), ", ".join(shipped) or tr("nothing")
            )
    resolved: dict[str, M] = {}
    for key, data in _merge(shipped, override).items():
        if key not in override:
            resolved[key] = shipped[key]
            continue
        parsed = parse_model(model, data, checker.document, (*base, key), checker.mistakes)
        if parsed is not None:
            resolved[key] = parsed
    return resolved


def _prune(removed: set[str], table: Mapping[str, Any]) -> dict[str, Any]:
    """Drop what names failure modes of the kind that the type took out."""
    if not removed:
        return dict(table)
    kept: dict[str, Any] = {}
    for key, item in table.items():
        if isinstance(item, Repair):
            fixes = {m: p for m, p in item.fixes.items() if m not in removed}
            if fixes:
                kept[key] = item.model_copy(update={"fixes": fixes})
        elif item.looks_at:
            looks = [m for m in item.looks_at if m not in removed]
            outcomes = {o: [m for m in c if m not in removed] for o, c in item.outcomes.items()}
            outcomes = {o: c for o, c in outcomes.items() if c}
            if looks and outcomes:
                kept[key] = item.model_copy(update={"looks_at": looks, "outcomes": outcomes})
        else:
            kept[key] = item
    return kept


def resolve_block(
    block_id: str, unit: UnitType, kinds: Mapping[str, BlockKind], checker: Checker
) -> ResolvedBlock | None:
    """A block with everything of its kind, overrides applied; None, with mistakes noted, if its kind is unknown."""
    block = unit.blocks[block_id]
    base: Path = ("blocks", block_id)
    if not checker.one_of((*base, "kind"), block.kind, list(kinds), tr("a block kind")):
        return None
    kind = kinds[block.kind]
    needs: dict[str, Passes] = {}
    given: Mapping[str, Mapping[Any, Any] | None]
    given = block.needs if isinstance(block.needs, dict) else dict.fromkeys(block.needs)
    for number, (need, passes) in enumerate(given.items()):
        path = (*base, "needs", need if isinstance(block.needs, dict) else number)
        if checker.one_of(path, need, [b for b in unit.blocks if b != block_id], tr("another block")):
            needs[need] = {str(sign): out for sign, out in (passes or {}).items()}
    modes = _resolve_table(FailureMode, "modes", kind, block_id, block.modes, checker)
    checks = _resolve_table(Check, "checks", kind, block_id, block.checks, checker)
    repairs = _resolve_table(Repair, "repairs", kind, block_id, block.repairs, checker)
    removed = {m for m, change in block.modes.items() if change is None}
    checks, repairs = _prune(removed, checks), _prune(removed, repairs)
    for key, check in checks.items():
        if key in block.checks:
            checker.check((*base, "checks", key), check, list(modes))
        known_blocks(check, (*base, "checks", key), unit, checker, own=True)
    for key, repair in repairs.items():
        if key in block.repairs:
            checker.repair((*base, "repairs", key), repair, list(modes), kinds)
    if not modes:
        checker.add(base, tr("a block without failure modes"), tr("at least one"))
    return ResolvedBlock(
        id=block_id,
        name=block.name or kind.name,
        kind=block.kind,
        bench_gear=kind.bench_gear,
        weight=block.weight if block.weight is not None else kind.weight,
        needs=needs,
        passes={str(sign): out for sign, out in kind.passes.items()},
        modes=modes,
        checks=checks,
        repairs=repairs,
        cautions=tuple(kind.cautions),
        part=block.part,
    )


def known_blocks(check: Check, path: Path, unit: UnitType, checker: Checker, own: bool) -> None:
    """The blocks a check names must be in the type; `own`: it may see the output of its own block."""
    sees = [check.sees] if isinstance(check.sees, str) else list(check.sees or [])
    for each in sees:
        if not (own and each == "output"):
            checker.one_of((*path, "sees"), each, list(unit.blocks), tr("a block of this type"))
    for number, each in enumerate(check.without):
        checker.one_of((*path, "without", number), each, list(unit.blocks), tr("a block of this type"))
