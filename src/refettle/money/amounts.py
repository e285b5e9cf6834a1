"""What the computations of money share: refusing, and lognormal minutes."""

from __future__ import annotations

from math import isfinite, log

from refettle.language import tr

Z90 = 1.2815515655446004
"""Standard normal deviate that nine of ten stay below."""
MOST = 10_000_000.0


class MoneyError(ValueError):
    """A value that cannot be; names the field, what was found and what is allowed."""


def within(name: str, value: float, low: float, high: float, what: str = "") -> float:
    """The value, if it lies in [low, high]. Raises MoneyError."""
    if not (isfinite(value) and low <= value <= high):
        unit = f" {what}" if what else ""
        raise MoneyError(
            tr(
                "{name}: {value:g}{unit} found; allowed: {low:g} to {high:g}{unit}",
                name=name,
                value=value,
                unit=unit,
                low=low,
                high=high,
            )
        )
    return value


def spread_of(p50: float, p90: float) -> float:
    """Standard deviation of the logarithm of a lognormal with these quantiles. Raises MoneyError if P90 is below."""
    if p50 <= 0.0:
        return 0.0
    if p90 < p50:
        raise MoneyError(tr("p90: {p90:g} found; allowed: at least the P50 of {p50:g}", p90=p90, p50=p50))
    return log(p90 / p50) / Z90
