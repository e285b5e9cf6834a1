"""A capture: what an instrument saved, as even samples in SI units, with what was understood and what is in doubt.

Nothing is mended in secret: a sample that is missing is NaN and counted, and whatever had to be concluded from the
file stands in `understood` (plain conclusions) or `doubts` (what a person should look at before relying on it).
Everything concluded can be overruled by `Choices`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from refettle.language import tr
from refettle.quantities import whole

Floats = NDArray[np.float64]
Progress = Callable[[float], None]
"""Called now and then with the share done, 0 to 1."""
Stop = Callable[[], bool]
"""Asked now and then; True ends the reading with CaptureStopped."""


class CaptureError(ValueError):
    """A file that cannot be read as a capture.

    `line` is the line of the file where there is one; `asks` names the field of `Choices` that would settle it.
    """

    def __init__(self, message: str, line: int | None = None, asks: str | None = None) -> None:
        super().__init__(message if line is None else tr("line {line}: {message}", line=line, message=message))
        self.line = line
        self.asks = asks


class CaptureStopped(CaptureError):  # noqa: N818 - reads as what it is
    """Reading was stopped on request."""


@dataclass(frozen=True, slots=True, eq=False)
class Channel:
    """One trace.

    Parameters
    ----------
    name : str
        As the file has it, or CH1, CH2 and so on.
    unit : str
        "V", "A", another SI unit, or "" where it is not known.
    values : float64 (n,)
        [unit] NaN where a sample is missing.
    lsb : float, optional
        [unit] The step between neighbouring values, where the values lie on a grid of up to 65536 steps.
    clipped : int
        How many samples are stuck at the lowest or highest value, or are marked as over range.
    missing : int
        How many samples are NaN.
    """

    name: str
    unit: str
    values: Floats
    lsb: float | None = None
    clipped: int = 0
    missing: int = 0

    @property
    def filled(self) -> Floats:
        """The values with each gap bridged by a straight line; NaN only where nothing was read at all."""
        here = np.isfinite(self.values)
        if here.all() or not here.any():
            return self.values
        at = np.arange(self.values.size)
        return np.interp(at, at[here], self.values[here]).astype(np.float64)


@dataclass(frozen=True, slots=True, eq=False)
class Capture:
    """What one file holds: channels of equal length, sampled every `step` [s] from `start` [s].

    `kind` is "csv", "npy" or "wav".
    """

    step: float
    start: float
    channels: tuple[Channel, ...]
    kind: str
    understood: tuple[str, ...] = ()
    doubts: tuple[str, ...] = ()

    def __len__(self) -> int:
        """The number of samples in each channel."""
        return self.channels[0].values.size if self.channels else 0

    @property
    def times(self) -> Floats:
        """[s] When each sample was taken."""
        return self.start + self.step * np.arange(len(self), dtype=np.float64)

    @property
    def duration(self) -> float:
        """[s] From the first sample to one step after the last."""
        return self.step * len(self)

    @property
    def rate(self) -> float:
        """[Hz] Samples in a second."""
        return 1.0 / self.step

    def channel(self, which: str | int = 1) -> Channel:
        """A channel by its name (capitals do not matter) or its number from 1. CaptureError where there is none."""
        text = str(which).strip()
        for each in self.channels:
            if each.name == text:
                return each
        for each in self.channels:
            if each.name.casefold() == text.casefold():
                return each
        number = whole(text)
        if number is not None and 1 <= number <= len(self.channels):
            return self.channels[number - 1]
        names = ", ".join(each.name for each in self.channels)
        raise CaptureError(
            tr(
                "channel: {text!r} found; allowed: {names}, or 1 to {channels}",
                text=text,
                names=names,
                channels=len(self.channels),
            )
        )

    def doubting(self, *doubts: str) -> Capture:
        """The same with more doubts."""
        return replace(self, doubts=self.doubts + doubts)


@dataclass(frozen=True, slots=True)
class Choices:
    """What a person decides instead of leaving it to be concluded; None or empty leaves it.

    Columns and channels are named as the file names them (capitals do not matter), or by number from 1. In the
    mappings "*" stands for every channel.

    Parameters
    ----------
    decimal : "." or ","
        The decimal mark.
    separator : str
        What stands between the columns: "," ";" "|", a tab, or a space for any run of spaces.
    skip : int
        Lines to leave unread at the top; the numbers begin right after them, headings included or not.
    rows : (int, int)
        Only these rows of numbers, first and last, counted from 1.
    time_column : str or int
        The column with the time; 0 or "none" where there is none.
    time_unit : str
        Unit of the time column: "s", "ms", "µs", "ns", "min" or "h".
    interval : float
        [s] Between samples; overrules a time column.
    channels : sequence of str or int
        Only these, in this order.
    units : mapping of channel to unit
        As the file's numbers are: "V", "mV", "µV", "kV", "A", "mA" and so on.
    scale : mapping of channel to factor
        Every value times this, after the unit.
    probe : mapping of channel to factor
        The probe's division where the file does not have it in: 10 makes every value ten times as large.
    codes_per_division : float
        For raw codes with a scale per division.
    full_scale : float
        [V] What the largest sample of a sound-card recording stands for.
    ac_coupled : bool
        Whether the input blocked the steady part.
    expect_volts : float
        [V] What is thought to be there; a reading ten times off is said.
    """

    decimal: str | None = None
    separator: str | None = None
    skip: int | None = None
    rows: tuple[int, int] | None = None
    time_column: str | int | None = None
    time_unit: str | None = None
    interval: float | None = None
    channels: tuple[str | int, ...] = ()
    units: Mapping[str | int, str] = field(default_factory=dict)
    scale: Mapping[str | int, float] = field(default_factory=dict)
    probe: Mapping[str | int, float] = field(default_factory=dict)
    codes_per_division: float | None = None
    full_scale: float | None = None
    ac_coupled: bool | None = None
    expect_volts: float | None = None

    def __post_init__(self) -> None:
        allowed_words(tr("decimal mark"), self.decimal, (".", ","))
        allowed_words("separator", self.separator, (",", ";", "\t", "|", " "))
        if self.separator == "," and self.decimal == ",":
            raise CaptureError(tr("separator: ',' found with decimal mark ','; allowed: two different ones"))
        allowed_words(tr("time unit"), self.time_unit, tuple(TIME_UNITS))
        if self.skip is not None and not 0 <= self.skip <= 1_000_000:
            raise CaptureError(tr("skip: {skip} found; allowed: 0 to 1000000 lines", skip=self.skip))
        if self.rows is not None and not 1 <= self.rows[0] <= self.rows[1]:
            raise CaptureError(
                tr(
                    "rows: {first} to {last} found; allowed: first and last, from 1",
                    first=self.rows[0],
                    last=self.rows[1],
                )
            )
        _above_zero("interval", self.interval, "s", 1e-15, 1e7)
        _above_zero(tr("codes per division"), self.codes_per_division, "", 1e-6, 1e9)
        _above_zero(tr("full scale"), self.full_scale, "V", 1e-9, 1e6)
        for which, factor in self.scale.items():
            if not (np.isfinite(factor) and 1e-15 <= abs(factor) <= 1e15):
                raise CaptureError(
                    tr("scale of {which}: {factor} found; allowed: a number other than 0", which=which, factor=factor)
                )
        for which, factor in self.probe.items():
            _above_zero(tr("probe of {which}", which=which), factor, "", 1e-6, 1e6)
        if self.expect_volts is not None and not np.isfinite(self.expect_volts):
            raise CaptureError(
                tr("volts expected: {expect_volts} found; allowed: a number, in V", expect_volts=self.expect_volts)
            )


TIME_UNITS = {"s": 1.0, "ms": 1e-3, "µs": 1e-6, "ns": 1e-9, "ps": 1e-12, "min": 60.0, "h": 3600.0}
"""[s] Units of a time column."""


def allowed_words(name: str, found: str | None, allowed: tuple[str, ...]) -> None:
    """CaptureError unless `found` is None or one of `allowed`."""
    if found is not None and found not in allowed:
        words = ", ".join(repr(word)[1:-1] if word.isprintable() and word.strip() else repr(word) for word in allowed)
        raise CaptureError(tr("{name}: {found!r} found; allowed: {words}", name=name, found=found, words=words))


def _above_zero(name: str, found: float | None, unit: str, low: float, high: float) -> None:
    if found is not None and not low <= found <= high:
        raise CaptureError(f"{name}: {found:g} found; allowed: {low:g} to {high:g} {unit}".rstrip())


T = TypeVar("T")


def chosen(mapping: Mapping[str | int, T], number: int, name: str) -> T | None:
    """What a mapping says for a channel (from 0): by name, by number from 1, or by "*" for all of them."""
    for which, value in mapping.items():
        text = str(which).strip()
        if text.casefold() == name.casefold() or text == str(number + 1):
            return value
    return mapping.get("*")
