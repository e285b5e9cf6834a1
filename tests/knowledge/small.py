"""Small unit types for tests: the text of one, and types with kinds of their own."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import yaml

from refettle.knowledge.compile import CompiledType, compile_type
from refettle.knowledge.loading import Library, parse_unit_type
from refettle.knowledge.schema import SIGNS, BlockKind, Caution, PointKind

SMALL = """\
unit_type: Small
family: radio
about: A small one.
value: {working: 90}
power_on: {feed: mains}
blocks:
  feed: {kind: reservoir}
  voice:
    kind: sound-path
    needs: [feed]
points:
  sound: {shows: sound, name: Sound, sees: voice}
acceptance: [Plays]
"""
"""A unit type of shipped kinds, without a mistake."""


def changed(old: str, new: str, text: str = SMALL) -> str:
    """`text` with one place changed, which must be there."""
    assert text.count(old) == 1, f"{old!r} is there {text.count(old)} times"
    return text.replace(old, new)


VIEW = PointKind.model_validate(
    {"name": "View", "outcomes": {sign: [sign] for sign in SIGNS}, "good": "as it should be", "how": "Look."}
)
"""Shows every sign as an outcome of the same name."""


def a_kind(name: str, modes: Mapping[str, Any], **more: Any) -> BlockKind:
    """A block kind whose modes are given by their signs (or in full), with a repair that cures all."""
    full = {
        mode: data if isinstance(data, dict) else {"name": mode, "share": 1, "effect": data}
        for mode, data in modes.items()
    }
    repair = {"name": "replace", "fixes": dict.fromkeys(full, 1.0), "minutes": 10, "how": "Replace it."}
    data = {"block_kind": name, "name": name, "about": "x", "weight": 5, "modes": full, "repairs": {"new": repair}}
    return BlockKind.model_validate({**data, **more})


def a_type(
    kinds: list[BlockKind],
    blocks: Mapping[str, Any],
    sees: str | list[str],
    cautions: Mapping[str, Caution] | None = None,
    **more: Any,
) -> CompiledType:
    """A compiled unit type of own kinds, with one point `view`."""
    data = {
        "unit_type": "Of own kinds",
        "family": "other",
        "about": "x",
        "value": {"working": 100},
        "power_on": {"feed": "mains"},
        "blocks": dict(blocks),
        "points": {"view": {"shows": "view", "name": "View", "sees": sees}},
        "acceptance": ["Runs"],
    }
    library = Library({k.block_kind: k for k in kinds}, {"view": VIEW}, cautions or {})
    return compile_type(parse_unit_type(yaml.safe_dump({**data, **more}, sort_keys=False), "own.yaml", library))


def shown(compiled: CompiledType, check_id: str, mode: str) -> dict[str, float]:
    """Outcome -> chance at one look with this failure mode alone, before reading errors."""
    check = compiled.model.checks[compiled.model.check_index[check_id]]
    row = check.shows[compiled.model.mode_index[mode]]
    return {outcome: float(chance) for outcome, chance in zip(check.outcomes, row, strict=True) if chance > 0}
