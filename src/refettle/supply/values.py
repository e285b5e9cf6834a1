"""Values of a supply: numbers or arrays of variants, checked against what is allowed."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from refettle.language import tr

Floats = NDArray[np.float64]


class SupplyError(ValueError):
    """A figure that no supply has; the message names the field, what was found and what is allowed."""


def ranged(name: str, value: ArrayLike, low: float, high: float, unit: str, *, above: bool = True) -> Floats:
    """`value` as an array of shape () or (n,), every one finite, above `low` (or from it) up to `high`; SupplyError."""
    found = np.asarray(value, dtype=np.float64)
    if found.ndim > 1:
        raise SupplyError(
            tr(
                "{name}: found an array of {ndim} dimensions; allowed: a number, or one per variant",
                name=name,
                ndim=found.ndim,
            )
        )
    wrong = ~np.isfinite(found) | (found > high) | ((found <= low) if above else (found < low))
    if np.any(wrong):
        worst = float(found[wrong][0] if found.ndim else found)
        start = "above" if above else "from"
        behind = f" {unit}" if unit else ""
        raise SupplyError(
            tr(
                "{name}: found {worst:g}{behind}; allowed: {start} {low:g} to {high:g}{behind}",
                name=name,
                worst=worst,
                behind=behind,
                start=start,
                low=low,
                high=high,
            )
        )
    return found
