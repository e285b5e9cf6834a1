"""A meter's readings: one, or a log of them, over the commands that SCPI-99 gives every meter."""

from __future__ import annotations

import re
import time
from collections.abc import Callable
from dataclasses import dataclass
from math import isfinite, nan

import numpy as np

from refettle.captures.cells import FROM_OVER, is_over, unit_of
from refettle.captures.channels import make_channel
from refettle.captures.model import Capture, CaptureError
from refettle.captures.timing import even_grid
from refettle.instruments.errors import InstrumentError, InstrumentStopped
from refettle.instruments.session import Session
from refettle.language import tr
from refettle.quantities import show

QUANTITIES: dict[str, tuple[str, str]] = {
    "volts-dc": ("VOLT:DC", "V"),
    "volts-ac": ("VOLT:AC", "V"),
    "amps-dc": ("CURR:DC", "A"),
    "amps-ac": ("CURR:AC", "A"),
    "ohms": ("RES", "Ω"),
    "ohms-4-wire": ("FRES", "Ω"),
    "hertz": ("FREQ", "Hz"),
    "celsius": ("TEMP", "°C"),
}
"""What a meter measures: the SCPI function and the SI unit."""
NOT_A_NUMBER = 9.91e37
"""SCPI-99, volume 1, 7.2.1.5."""
_ANSWER = re.compile(r"\s*([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)\s*([^\d\s,;.+-][^\d,;]*)?")
MAX_READINGS = 1_000_000
MOST_LETTERS = 200
"""Of one answer."""


@dataclass(frozen=True, slots=True)
class Reading:
    """One value [unit] with what the meter answered; NaN and `over` where it was beyond the range."""

    value: float
    unit: str
    answer: str
    over: bool = False


def parse_answer(answer: str, unit: str) -> Reading:
    """A meter's answer as a reading.

    Raises
    ------
    InstrumentError
        No number, several numbers, or another unit than the one asked for.
    """
    text = answer.strip().strip('"')
    if len(text) > MOST_LETTERS:
        raise InstrumentError(f"{answer[:60]!r} and more answered; allowed: one number, in {unit}")
    if is_over(text):
        return Reading(nan, unit, answer, True)
    found = _ANSWER.fullmatch(text)
    if not found:
        raise InstrumentError(tr("{answer!r} answered; allowed: one number, in {unit}", answer=answer[:60], unit=unit))
    value = float(found[1])
    if found[2]:
        said = unit_of(re.sub(r"(?i)\s*(dc|ac)$", "", found[2]))
        if said is None or said[0] != unit:
            raise InstrumentError(
                tr(
                    "{answer!r} answered; allowed: a number in {unit}. Is the switch on another quantity?",
                    answer=answer[:60],
                    unit=unit,
                )
            )
        value *= said[1]
    if not isfinite(value) or abs(value) >= FROM_OVER:
        return Reading(nan, unit, answer, abs(value) < NOT_A_NUMBER * 0.9995 or not isfinite(value))
    return Reading(value, unit, answer)


def _quantity(name: str) -> tuple[str, str]:
    if name not in QUANTITIES:
        raise InstrumentError(
            tr("quantity: {name!r} found; allowed: {quantities}", name=name, quantities=", ".join(QUANTITIES))
        )
    return QUANTITIES[name]


def read_meter(session: Session, quantity: str = "volts-dc", command: str | None = None) -> Reading:
    """One reading.

    Parameters
    ----------
    session : Session
    quantity : str
        One of `QUANTITIES`.
    command : str, optional
        The question to ask instead of MEASure:...?, for a meter with words of its own.

    Raises
    ------
    InstrumentError
    """
    function, unit = _quantity(quantity)
    answer = session.ask(command or f"MEAS:{function}?")
    try:
        return parse_answer(answer, unit)
    except InstrumentError as error:
        raise InstrumentError(f"{session.address}: {command or f'MEAS:{function}?'}: {error}") from None


def read_log(
    session: Session,
    quantity: str = "volts-dc",
    *,
    count: int,
    every: float = 1.0,
    command: str | None = None,
    stop: Callable[[], bool] | None = None,
    heard: Callable[[float, Reading], None] | None = None,
    clock: Callable[[], float] = time.monotonic,
    sleep: Callable[[float], None] = time.sleep,
) -> Capture:
    """Readings at even times, as a capture.

    The meter is set once with CONFigure, then read with READ?. A reading is timed when its answer is in; where the
    meter is slower than `every`, the times that it kept are used and that is said.

    Parameters
    ----------
    session : Session
    quantity, command : str
        As in `read_meter`; a command of one's own is asked as it is, without CONFigure.
    count : int
        How many readings, two or more.
    every : float
        [s] Between readings.
    stop : callable, optional
        Asked before each reading; True ends the log with what is there, if that is two readings or more.
    heard : callable, optional
        Called with the time [s] and each reading.
    clock, sleep : callables
        Seconds that only rise, and waiting.

    Raises
    ------
    InstrumentError, InstrumentStopped
    """
    function, unit = _quantity(quantity)
    if not 2 <= count <= MAX_READINGS:
        raise InstrumentError(tr("readings: {count} found; allowed: 2 to {most}", count=count, most=MAX_READINGS))
    if not 0.0 <= every <= 86_400.0:
        raise InstrumentError(tr("every: {every:g} s found; allowed: 0 to 86400 s", every=every))
    if command is None:
        session.tell(f"CONF:{function}")
    question = command or "READ?"
    times: list[float] = []
    readings: list[Reading] = []
    begin = clock()
    stopped = False
    for n in range(count):
        wait = begin + n * every - clock()
        while wait > 0 and not (stop is not None and stop()):
            sleep(min(wait, 0.2))
            wait = begin + n * every - clock()
        if stop is not None and stop():
            stopped = True
            break
        try:
            reading = parse_answer(session.ask(question), unit)
        except InstrumentError as error:
            if readings:
                raise InstrumentError(
                    tr(
                        "reading {n}: {error}; {readings} readings before it are good",
                        n=n + 1,
                        error=error,
                        readings=len(readings),
                    )
                ) from None
            raise
        times.append(clock() - begin)
        readings.append(reading)
        if heard is not None:
            heard(times[-1], reading)
    if len(readings) < 2:
        raise InstrumentStopped(tr("stopped before the second reading; allowed: two or more"))
    return _as_capture(times, readings, unit, every, stopped)


def _as_capture(times: list[float], readings: list[Reading], unit: str, every: float, stopped: bool) -> Capture:
    taken = np.array(times)
    values = np.array([reading.value for reading in readings])
    over = sum(reading.over for reading in readings)
    doubts: list[str] = []
    late = taken - taken[0] - every * np.arange(taken.size)
    if every > 0 and float(np.max(np.abs(late))) <= 0.25 * every:
        step, start = every, 0.0
    else:
        try:
            grid = even_grid(taken, 1e-3, 1)
        except CaptureError as error:
            raise InstrumentError(tr("readings too uneven in time: {error}", error=error)) from None
        step, start, values = grid.step, 0.0, grid.lay(values)
        doubts += (
            [tr("the meter is slower than asked: {step} between readings", step=show(step, "s"))] if every > 0 else []
        )
        doubts += grid.doubts
    if over:
        doubts.append(tr("{over} readings over range", over=over))
    if stopped:
        doubts.append(tr("stopped after {readings} readings", readings=len(readings)))
    channel = make_channel("Meter", unit, values, clipped=over)
    said = tr("{readings} readings over SCPI, {step} apart", readings=len(readings), step=show(step, "s"))
    return Capture(step, start, (channel,), "csv", (said,), tuple(doubts))
