"""What bath, light and progress share: figures held to what can be."""

from __future__ import annotations

from math import isfinite

from refettle.language import tr


class WhiteningError(ValueError):
    """A figure that cannot be; the message names it, what was found and what is allowed."""


def within(name: str, value: float, low: float, high: float, unit: str, *, above: bool = False) -> float:
    """`value` if it is finite and from `low` (above it, with `above`) to `high`; else WhiteningError."""
    if not isfinite(value) or value > high or value < low or (above and value == low):
        start = "above" if above else "from"
        behind = f" {unit}" if unit else ""
        raise WhiteningError(
            tr(
                "{name}: {value:g}{behind} found; allowed: {start} {low:g} to {high:g}{behind}",
                name=name,
                value=value,
                behind=behind,
                start=start,
                low=low,
                high=high,
            )
        )
    return value
