"""What a reading of sound is made of: figures with their uncertainty, stretches of time, errors.

Levels are in dBFS RMS where a sine at full scale is 0 (AES17), so a sine reads 3.01 dB more than by plain RMS.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import isfinite, log10
from typing import Any, TypeAlias

import numpy as np
import numpy.typing as npt

from refettle.language import local, spoken, tr

Array: TypeAlias = npt.NDArray[np.float64]
Complex: TypeAlias = npt.NDArray[np.complex128]
Mask: TypeAlias = npt.NDArray[np.bool_]
Places: TypeAlias = npt.NDArray[np.int64]
Progress: TypeAlias = Callable[[float], Any]
"""Called with the share done, 0 to 1."""
Stop: TypeAlias = Callable[[], bool]
"""Asked now and then; True ends the work with `Stopped`."""

FULL_SINE_SQUARE = 0.5
"""Mean square of a sine at full scale: 0 dBFS."""
NOTHING_DB = -200.0
"""[dBFS] Shown for digital silence."""


class SoundError(ValueError):
    """A recording or a wish that cannot be read; the message says what was found and what is allowed."""


class Stopped(Exception):  # noqa: N818 - it is no error
    """The caller asked to stop."""


@dataclass(frozen=True, slots=True)
class Figure:
    """A value with its 95 % uncertainty, or the reason why it is withheld.

    `value` in `unit`; None where withheld. `plus_minus` in the same unit, None where not known. `why` says why it is
    withheld, or what to mind.
    """

    value: float | None
    unit: str
    plus_minus: float | None = None
    why: str = ""

    def __str__(self) -> str:
        """`−62.3 ±0.2 dBFS`, or `withheld: ...`."""
        if self.value is None:
            return tr("withheld: {why}", why=spoken(self.why))
        digits = 3 if self.unit in ("%", "Hz") and abs(self.value) < 10 else 2 if self.unit == "Hz" else 1
        text = f"{round(self.value, digits) + 0.0:.{digits}f}"
        if self.plus_minus is not None:
            text += f" ±{self.plus_minus:.{digits if self.plus_minus >= 10**-digits else digits + 1}f}"
        return f"{local(text)} {self.unit}".replace("-", "−") + (f" ({spoken(self.why)})" if self.why else "")


def withheld(unit: str, why: str) -> Figure:
    """A figure that is not given, and why."""
    return Figure(None, unit, None, why)


@dataclass(frozen=True, slots=True)
class Stretch:
    """Part of a recording: `start` and `end` [s], and why it was chosen."""

    start: float
    end: float
    why: str = ""

    @property
    def seconds(self) -> float:
        """[s] its length."""
        return self.end - self.start


def decibel(square: float, reference: float = FULL_SINE_SQUARE) -> float:
    """10 log10(square / reference), not below -200 dB. `square` and `reference` are mean squares."""
    if not square > 0.0 or not isfinite(square):
        return NOTHING_DB
    return max(NOTHING_DB, 10.0 * log10(square / reference))


def square_of(level: float) -> float:
    """Mean square of a level [dBFS]."""
    return float(FULL_SINE_SQUARE * 10.0 ** (level / 10.0))
