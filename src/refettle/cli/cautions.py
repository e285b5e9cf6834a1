"""Cautions of the shipped library, for commands that print what can hurt."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any


def facts_of_cautions(ids: Iterable[str]) -> list[dict[str, Any]]:
    """The cautions of these ids, in full, each once."""
    from refettle.knowledge.loading import load_library

    library = load_library().cautions
    return [{"id": each, **library[each].model_dump()} for each in dict.fromkeys(ids)]


def caution_text(caution: dict[str, Any], indent: str = "") -> str:
    """One caution: hazard, what to do, and what it defers to, a line each."""
    lines = [
        f"CAUTION: {caution['name']}",
        caution["hazard"],
        *(f"- {line}" for line in caution["do"]),
        caution["defer"],
    ]
    return "\n".join(indent + " ".join(line.split()) for line in lines)


def print_cautions(cautions: Iterable[dict[str, Any]]) -> None:
    """The cautions one below the other."""
    for caution in cautions:
        print(caution_text(caution) + "\n")
