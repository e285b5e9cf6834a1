"""What the demo book's jobs are told with."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

MARA, JONAS = "Mara Fenwick", "Jonas Pell"
Told = Sequence[tuple[float, str, Mapping[str, Any]]]
"""Minutes after the previous entry, who, what."""

FIVE = dict.fromkeys(("output", "volts", "amps", "polarity", "plug"), "matches")


def looked(check: str, outcome: str, **more: Any) -> dict[str, Any]:
    """A check made."""
    return {"kind": "check", "check": check, "outcome": outcome, **more}


def sound_case(*missing: str, **worn: str) -> dict[str, Any]:
    """A case in good condition but for what is named."""
    condition = dict.fromkeys(("Case", "Screws", "Labels", "Ports"), "sound") | {k.title(): v for k, v in worn.items()}
    return {"condition": condition | dict.fromkeys(missing, "missing")}
