"""Cautions of the shipped library, for commands that print what can hurt."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any


def facts_of_cautions(ids: Iterable[str]) -> list[dict[str, Any]]:
    """The cautions of these ids, in full, each once."""
    from refettle.knowledge.loading import load_library

    library = load_library().cautions
    return [{"id": each, **library[each].model_dump()} for each in dict.fromkeys(ids)]


def print_cautions(cautions: Iterable[dict[str, Any]]) -> None:
    """Hazard, what to do, and what it defers to, for each."""
    for caution in cautions:
        print(f"CAUTION: {caution['name']}")
        print(f"{' '.join(caution['hazard'].split())}")
        for line in caution["do"]:
            print(f"- {' '.join(line.split())}")
        print(f"{' '.join(caution['defer'].split())}\n")
