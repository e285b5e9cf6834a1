"""Times into an even grid. Samples keep their values; a place where none was taken becomes a gap (NaN)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from refettle.captures.model import CaptureError, Floats
from refettle.language import several, tr
from refettle.quantities import show

MAX_STRETCH = 4
"""A grid may be so many times longer than the samples on it."""
_ON_GRID = 0.25
"""[steps] Off the grid by less, and a sample belongs to its place."""


@dataclass(frozen=True, slots=True)
class Grid:
    """`step` and `start` [s]; `places` of the samples on the grid of `length`, or None where they lie one by one.

    `weights` are given where samples had to be put between: place and share, for straight-line interpolation.
    """

    step: float
    start: float
    length: int
    places: NDArray[np.int64] | None = None
    between: Floats | None = None
    doubts: tuple[str, ...] = ()
    understood: tuple[str, ...] = ()

    def lay(self, values: Floats) -> Floats:
        """Values of one channel on the grid."""
        if self.between is not None:
            known = np.isfinite(values)
            if not known.any():
                return np.full(self.length, np.nan)
            grid = self.start + self.step * np.arange(self.length)
            return np.asarray(np.interp(grid, self.between[known], values[known]), dtype=np.float64)
        if self.places is None:
            return values
        laid = np.full(self.length, np.nan)
        laid[self.places] = values
        return laid


def even_grid(times: Floats, printed: float, line: int, said: float | None = None) -> Grid:
    """The grid that the times lie on.

    Parameters
    ----------
    times : float64 (n,)
        [s]
    printed : float
        [s] One in the last place that the times are printed to; 0 where not known.
    line : int
        Of the first row, for messages.
    said : float, optional
        [s] The sample interval that the heading names.

    Raises
    ------
    CaptureError
        Times that go back, are missing, do not move, or have gaps beyond all measure.
    """
    count = times.size
    bad = np.flatnonzero(~np.isfinite(times))
    if bad.size:
        raise CaptureError(
            tr("time: none found in this row; allowed: a time in every row, or an interval"), line + int(bad[0])
        )
    if count < 2:
        raise CaptureError(
            tr("{count} row found; allowed: two or more, to know the time between them", count=count), line, "interval"
        )
    steps = np.diff(times)
    back = np.flatnonzero(steps < 0)
    if back.size:
        here = int(back[0])
        raise CaptureError(
            tr(
                "time goes back from {earlier:.9g} s to {later:.9g} s; allowed: rising times. Several "
                "captures in one file are read one at a time, by rows",
                earlier=times[here],
                later=times[here + 1],
            ),
            line + here + 1,
            "rows",
        )
    span = float(times[-1] - times[0])
    if span <= 0.0:
        raise CaptureError(tr("time: the same in every row; allowed: rising times, or an interval"), line, "interval")
    mean = span / (count - 1)
    start = float(times[0])
    off = float(np.max(np.abs(times - start - mean * np.arange(count))))
    if off <= max(0.6 * printed, 1e-6 * mean, 4e-16 * float(np.max(np.abs(times)))) and printed <= 0.2 * mean:
        return _named(Grid(_tidy(mean, printed, count), start, count), said, printed)
    step = _common_step(times, steps[steps > 0])
    places = np.rint((times - start) / step).astype(np.int64)
    if np.all(np.diff(places) > 0):
        step = float(np.dot(places, times - start) / np.dot(places, places))
        places = np.rint((times - start) / step).astype(np.int64)
        if np.all(np.diff(places) > 0):
            off = float(np.max(np.abs(times - start - step * places)))
            if off <= max(_ON_GRID * step, printed):
                return _with_gaps(Grid(step, start, int(places[-1]) + 1, places), count, off, line, said, printed)
    if off_mean(times, mean) <= 1.05 * printed + 1e-9 * span:  # printed too coarsely to tell them apart
        return _coarse(times, mean, printed, said)
    return _between(times, steps, line)


def _coarse(times: Floats, mean: float, printed: float, said: float | None) -> Grid:
    """Even times whose last place is coarser than their step, at the end of the capture at least."""
    count, start = times.size, float(times[0])
    early = [float(times[k] - start) / k for k in (10, 100, 1000, 10_000) if k < count]
    rounded = [float(f"{step:.{digits}e}") for digits in (0, 1, 2, 3) for step in (*early, mean)]
    for step in (*([] if said is None else [said]), *rounded):
        if step > 0 and float(np.max(np.abs(times - start - step * np.arange(count)))) <= 1.05 * printed:
            words = tr("of the heading, ") if step == said else ""
            note = tr(
                "times are printed too coarsely for their step: {words}{step} is used",
                words=words,
                step=show(step, "s", 6),
            )
            return Grid(step, start, count, understood=(note,))
    same = int(np.sum(np.diff(times) == 0))
    note = tr(
        "times are printed to {printed}, {same} repeat: taken as even, {mean} apart",
        printed=show(printed, "s"),
        same=same,
        mean=show(mean, "s", 6),
    )
    return Grid(mean, start, count, doubts=(note,))


def off_mean(times: Floats, mean: float) -> float:
    """[s] How far the times depart from even ones, whatever the start: half the spread."""
    apart = times - times[0] - mean * np.arange(times.size)
    return float(np.ptp(apart)) / 2.0 if apart.size else 0.0


def _common_step(times: Floats, steps: Floats) -> float:
    """[s] The step that most samples keep: the mean of the steps near the middle one."""
    middle = float(np.sort(steps)[(steps.size - 1) // 2])
    near = steps[np.abs(steps - middle) <= 0.3 * middle]
    return float(np.mean(near)) if near.size else middle


def _tidy(step: float, printed: float, count: int) -> float:
    """[s] The roundest step that no printed time can be told apart from over `count` samples."""
    slack = max(0.5 * printed, 1e-12 * step * count)
    for digits in range(1, 13):
        rounded = float(f"{step:.{digits - 1}e}")
        if abs(rounded - step) * count <= slack:
            return rounded
    return step


def _named(grid: Grid, said: float | None, printed: float) -> Grid:
    if said is not None and abs(said - grid.step) > 0.02 * grid.step + 2.0 * printed / max(grid.length - 1, 1):
        doubt = tr(
            "the heading says {said} between samples, the times {step}: times used",
            said=show(said, "s", 4),
            step=show(grid.step, "s", 4),
        )
        return Grid(grid.step, grid.start, grid.length, grid.places, None, (*grid.doubts, doubt), grid.understood)
    return grid


def _with_gaps(grid: Grid, count: int, off: float, line: int, said: float | None, printed: float) -> Grid:
    assert grid.places is not None
    gaps = np.diff(grid.places)
    widest = int(np.argmax(gaps))
    if grid.length > MAX_STRETCH * count + 1000:
        raise CaptureError(
            tr(
                "a gap of {gap} found between readings {interval} apart; allowed: readings without long "
                "gaps. Read the parts one at a time, by rows",
                gap=show(float(gaps[widest]) * grid.step, "s"),
                interval=show(grid.step, "s"),
            ),
            line + widest + 1,
            "rows",
        )
    lost = grid.length - count
    doubts = []
    if lost:
        doubts.append(
            several(
                "{lost} sample missing in {gaps} places, the longest gap {step} at {widest}",
                "{lost} samples missing in {gaps} places, the longest gap {step} at {widest}",
                lost,
                lost=lost,
                gaps=int(np.sum(gaps > 1)),
                step=show((float(gaps[widest]) - 1) * grid.step, "s"),
                widest=show(grid.start + grid.step * float(grid.places[widest]), "s"),
            )
        )
    if off > max(0.02 * grid.step, printed):
        doubts.append(tr("times are uneven by up to {step:.0f} % of a step: taken as even", step=100 * off / grid.step))
    places = grid.places if lost else None
    step = _tidy(grid.step, printed, grid.length)
    return _named(Grid(step, grid.start, grid.length, places, None, tuple(doubts)), said, printed)


def _between(times: Floats, steps: Floats, line: int) -> Grid:
    """Readings at uneven times: the values in between are put on an even grid, and that is said."""
    again = np.flatnonzero(steps == 0)
    if again.size > 0.2 * times.size:
        raise CaptureError(
            tr(
                "time: {repeated} of {rows} rows repeat the time before; allowed: rising times, or an interval",
                repeated=again.size,
                rows=times.size,
            ),
            line + int(again[0]) + 1,
            "interval",
        )
    step = float(np.median(steps[steps > 0]))
    length = int(np.floor((times[-1] - times[0]) / step + 0.5)) + 1
    widest = int(np.argmax(steps))
    if length > MAX_STRETCH * times.size + 1000:
        raise CaptureError(
            tr(
                "a gap of {widest} found between readings about {step} apart; allowed: readings without "
                "long gaps. Read the parts one at a time, by rows",
                widest=show(float(steps[widest]), "s"),
                step=show(step, "s"),
            ),
            line + widest + 1,
            "rows",
        )
    low, high = float(np.min(steps)), float(np.max(steps))
    doubts = [
        tr(
            "times are uneven, {low} to {high} apart: straight lines between the readings give "
            "values every {step}, good for drift and not for ripple",
            low=show(low, "s"),
            high=show(high, "s"),
            step=show(step, "s"),
        )
    ]
    if again.size:
        doubts.append(tr("{size} rows repeat the time before; the first of each is used", size=again.size))
    return Grid(step, float(times[0]), length, None, _rising(times), tuple(doubts))


def _rising(times: Floats) -> Floats:
    """The same with repeated times set apart by next to nothing, so that the first reading of each stands."""
    span = float(times[-1] - times[0])
    return times + 1e-13 * span * np.arange(times.size) / times.size
