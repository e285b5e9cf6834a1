"""Axes of plots: where a value lies, and few round ticks with their units."""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil, floor, isfinite, log10

from refettle.language import tr
from refettle.quantities import EXPONENTS, MINUS, THIN, UNPREFIXED

PLAIN = (*UNPREFIXED, "dB", "dBFS", "dBu")
"""Units that take no prefix on an axis."""
CLOCK_FROM = 180.0
"""[s] From here a time axis counts minutes and seconds."""
_CLOCK_STEPS = (1.0, 2.0, 5.0, 10.0, 15.0, 30.0, 60.0, 120.0, 300.0, 600.0, 900.0, 1800.0, 3600.0, 7200.0)


@dataclass(frozen=True)
class Tick:
    """A value on an axis with what stands beside it; no label for a line of the grid alone."""

    value: float
    label: str


@dataclass(frozen=True)
class Scale:
    """An axis from `low` to `high` in `unit`; `log`: by ratios.

    Raises
    ------
    ValueError
        The ends are not finite, not in order, or not above 0 for `log`.
    """

    low: float
    high: float
    unit: str = ""
    log: bool = False

    def __post_init__(self) -> None:
        if not (isfinite(self.low) and isfinite(self.high) and self.low < self.high):
            raise ValueError(
                tr("axis: {low:g} to {high:g} found; allowed: two finite ends in order", low=self.low, high=self.high)
            )
        if self.log and self.low <= 0:
            raise ValueError(
                tr("axis: {low:g} found as the lower end; allowed: above 0 for an axis by ratios", low=self.low)
            )

    def place(self, value: float) -> float:
        """0 at the lower end, 1 at the upper; beyond for what lies outside. A log axis puts 0 and less far below."""
        if self.log:
            return log10(value / self.low) / log10(self.high / self.low) if value > 0 else -1.0
        return (value - self.low) / (self.high - self.low)

    @property
    def clock(self) -> bool:
        """True where the axis counts minutes."""
        return self.unit == "s" and not self.log and self.high - self.low >= CLOCK_FROM

    def ticks(self, most: int = 5) -> list[Tick]:
        """At most about `most` labelled ticks, and lines of the grid between them on a log axis."""
        if self.log:
            return self._log_ticks(most)
        span = self.high - self.low
        if self.clock:
            step = next((s for s in _CLOCK_STEPS if span / s <= most), 3600.0 * ceil(span / 3600 / most))
        else:
            step = round_step(span / most)
        first, last = ceil(self.low / step - 1e-9), floor(self.high / step + 1e-9)
        values = [n * step for n in range(first, last + 1)]
        if self.clock:
            return [Tick(v, clock(v)) for v in values]
        return [Tick(v, label) for v, label in zip(values, _labels(values, step, self.unit), strict=True)]

    def _log_ticks(self, most: int) -> list[Tick]:
        decades = log10(self.high / self.low)
        if decades < 0.7:
            plain = Scale(self.low, self.high, self.unit)
            return plain.ticks(most)
        labelled = (1, 2, 5) if 3 * decades <= most + 1 else (1,)
        found = []
        for power in range(floor(log10(self.low)), ceil(log10(self.high)) + 1):
            for digit in (1, 2, 5):
                value = digit * 10.0**power
                if self.low * (1 - 1e-9) <= value <= self.high * (1 + 1e-9):
                    label = _labels([value], value, self.unit)[0] if digit in labelled else ""
                    found.append(Tick(value, label))
        return found


def round_step(least: float) -> float:
    """The smallest of 1, 2, 5, 10, ... times a power of ten that is not below `least` (above 0)."""
    power = 10.0 ** floor(log10(least))
    return next(m * power for m in (1, 2, 5, 10) if m * power >= least * (1 - 1e-9))


def clock(seconds: float) -> str:
    """`2:30`, or `1:02:30` from an hour on."""
    whole = round(seconds)
    hours, minutes, rest = whole // 3600, whole // 60 % 60, whole % 60
    return f"{hours}:{minutes:02d}:{rest:02d}" if hours else f"{minutes}:{rest:02d}"


def _labels(values: list[float], step: float, unit: str) -> list[str]:
    """All with the same prefix and the same decimals."""
    largest = max((abs(v) for v in values), default=0.0)
    exponent = 0
    if unit not in PLAIN and largest > 0:
        exponent = max(-12, min(9, 3 * floor(log10(largest) / 3 + 1e-9)))
    prefix = next(name for name, power in EXPONENTS.items() if power == exponent)
    decimals = max(0, -floor(log10(step) - exponent + 1e-9))
    space = THIN if unit else ""
    labels = []
    for value in values:
        shown = f"{value / 10.0**exponent:.{decimals}f}"
        if float(shown) == 0:
            shown = "0"
        labels.append(f"{shown.replace('-', MINUS)}{space}{prefix}{unit}")
    return labels


def around(low: float, high: float, unit: str, *, zero: bool = False, room: float = 0.08) -> Scale:
    """A scale that holds these values with some room; `zero`: 0 lies on it.

    Parameters
    ----------
    low, high : float
        [unit] ends of the data; equal ends get room of their own.
    room : float
        Share of the span left free at either side, none beyond a 0 that is an end.
    """
    if zero:
        low, high = min(low, 0.0), max(high, 0.0)
    span = high - low
    if span <= 1e-12 * max(abs(low), abs(high), 1e-12):
        span = abs(high) or 1.0
        low, high = low - span / 2, high + span / 2
    at_zero_low, at_zero_high = zero and low == 0, zero and high == 0
    return Scale(low if at_zero_low else low - room * span, high if at_zero_high else high + room * span, unit)
