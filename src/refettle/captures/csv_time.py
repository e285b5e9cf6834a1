"""Which column of a text file holds the time, which only count, and the even grid that the rows lie on."""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np

from refettle.captures.bulk import Table, printed_step
from refettle.captures.cells import time_unit_of, unit_of
from refettle.captures.channels import in_base
from refettle.captures.layout import Layout
from refettle.captures.model import TIME_UNITS, CaptureError, Choices, Floats
from refettle.captures.preamble import Heading, is_index, is_time
from refettle.captures.timing import Grid, even_grid
from refettle.language import tr
from refettle.quantities import plain, show, whole

_CLOCK_BACK = 43_200.0


@dataclass(frozen=True, slots=True)
class TimeColumns:
    """The column that holds the time, and what its numbers are multiplied with; or none."""

    columns: tuple[int, ...] = ()
    factor: float = 1.0
    words: str = ""
    doubt: str = ""


def column_named(which: str | int, layout: Layout, heading: Heading) -> int | None:
    """The column of this name, or of this number from 1; None for 0 or "none"."""
    text = plain(str(which))
    if text.casefold() in ("0", "none"):
        return None
    for n in layout.columns:
        if heading.names.get(n, "").casefold() == text.casefold() and text:
            return n
    place = whole(text)
    if place is not None and place - 1 in layout.columns:
        return place - 1
    found = ", ".join(heading.names.get(n) or str(n + 1) for n in layout.columns)
    raise CaptureError(tr("time column: {text!r} found; allowed: none, or one of {found}", text=text, found=found))


def find_time(layout: Layout, heading: Heading, table: Table, choices: Choices) -> tuple[TimeColumns, tuple[int, ...]]:
    """The time column, and the columns that only count."""
    index = tuple(n for n in layout.columns if _is_index(n, heading) and _counts(table.columns[n]))
    if choices.time_column is not None:
        n = column_named(choices.time_column, layout, heading)
        if n is None:
            return TimeColumns(), index
        return TimeColumns((n,), *_time_factor(n, layout, heading, choices)), tuple(i for i in index if i != n)
    dated = tuple(n for n in layout.columns if layout.kinds[n] == "W")
    elapsed = [n for n in layout.columns if n not in dated and _is_time(n, heading)]
    if elapsed and not (dated and len(layout.columns) - len(dated) < 2):
        n = elapsed[0]
        if _counts(table.columns[n]) and not heading.units.get(n) and said_interval(heading) is not None:
            return TimeColumns(), tuple(dict.fromkeys((*index, n)))
        return TimeColumns((n,), *_time_factor(n, layout, heading, choices)), index
    if dated:
        first = next((n for n in layout.columns if n not in dated), None)
        if len(layout.columns) - len(dated) > 1 and first is not None and not heading.names.get(first):
            index = (*index, first) if _counts(table.columns[first]) else index
        return TimeColumns(
            dated, 1.0, tr("dates and clock times") if len(dated) > 1 else tr("date or clock time")
        ), index
    first = layout.columns[0]
    named, unit = heading.names.get(first, ""), heading.units.get(first, "")
    if len(layout.columns) > 1 and first not in index and not unit and not _of_values(named):
        values = table.columns[first]
        if _counts(values):
            return TimeColumns(), (*index, first)
        said = said_interval(heading)
        if _even(values) and (said is None or abs(float(np.ptp(values)) / (values.size - 1) - said) <= 0.1 * said):
            return TimeColumns((first,), *_time_factor(first, layout, heading, choices)), index
    return TimeColumns(), index


def without_more_times(
    columns: list[int], time: TimeColumns, heading: Heading, table: Table, understood: list[str], doubts: list[str]
) -> list[int]:
    """The columns of readings, where each channel came with a time of its own."""
    if not time.columns:
        return columns
    first = table.columns[time.columns[0]]
    kept = []
    for n in columns:
        same = np.array_equal(table.columns[n], first)
        named = bool(heading.names.get(n) or heading.units.get(n))
        if not _is_time(n, heading) and (named or not same):
            kept.append(n)
        elif same:
            understood.append(tr("column {n} repeats the time", n=n + 1))
        else:
            doubts.append(tr("column {n} holds a time of its own that differs from the first: not used", n=n + 1))
    return kept


def _is_index(n: int, heading: Heading) -> bool:
    return is_index(heading.names.get(n, "")) and not heading.units.get(n)


def _is_time(n: int, heading: Heading) -> bool:
    unit = heading.units.get(n, "")
    return time_unit_of(unit) is not None or (is_time(heading.names.get(n, "")) and not (unit and unit_of(unit)))


def _of_values(name: str) -> bool:
    """Whether a column name is plainly one of readings."""
    return bool(
        re.match(
            r"(?i)(ch(an(nel)?)?[ _-]?\d|volt|current|amp|spannung|strom|value|reading|data\\b|[a-d]$|v\d?$)", name
        )
    )


def _counts(values: Floats) -> bool:
    """Whether a column is a running number: whole numbers, each one more."""
    if values.size < 2 or not np.isfinite(values).all():
        return False
    return bool(np.all(np.diff(values) == 1.0) and values[0] == np.floor(values[0]))


def _even(values: Floats) -> bool:
    """Whether a column rises nearly evenly, as a time does."""
    if values.size < 3 or not np.isfinite(values).all():
        return False
    steps = np.diff(values)
    middle = float(np.median(steps))
    return bool(middle > 0 and np.all(steps >= 0) and np.mean(np.abs(steps - middle) <= 0.5 * middle) > 0.9)


def _time_factor(n: int, layout: Layout, heading: Heading, choices: Choices) -> tuple[float, str, str]:
    """What makes seconds of the column, and how that is said."""
    name = heading.names.get(n) or tr("column {n}", n=n + 1)
    if layout.kinds[n] == "W":
        return 1.0, tr("{name}, dates or clock times", name=name), ""
    if choices.time_unit is not None:
        return (
            TIME_UNITS[choices.time_unit],
            tr("{name} in {time_unit}, as chosen", name=name, time_unit=choices.time_unit),
            "",
        )
    unit = heading.units.get(n, "")
    if not unit and (said := heading.first("time_unit")) and said.texts:
        unit = said.texts[0]
    factor = time_unit_of(unit) if unit else None
    if factor is not None:
        return factor, f"{name} in {unit}", ""
    return (
        1.0,
        tr("{name}, taken as seconds", name=name),
        tr("the unit of {name} is not given: seconds are taken", name=name),
    )


SLOWEST = 1e-30
"""[1/s] A rate below it is none, and one over it may be beyond all numbers."""


def said_interval(heading: Heading) -> float | None:
    """[s] The sample interval in the heading, from an interval or a rate."""
    interval = heading.number("interval")
    if interval is not None and interval > 0:
        return interval
    rate = heading.number("rate")
    return 1.0 / rate if rate is not None and rate > SLOWEST else None


def grid_of(
    time: TimeColumns, index: tuple[int, ...], layout: Layout, heading: Heading, table: Table, choices: Choices
) -> tuple[Grid, list[str]]:
    count = next(iter(table.columns.values())).size
    said = said_interval(heading)
    start = heading.number("start") or 0.0
    rows = choices.rows[0] - 1 if choices.rows is not None else 0
    if choices.interval is not None:
        words = tr("{interval} between samples, as chosen", interval=show(choices.interval, "s", 6))
        return Grid(choices.interval, start + rows * choices.interval, count), [words]
    if not time.columns:
        if said is None:
            what = tr("numbered rows but no time") if index else tr("no column with the time")
            raise CaptureError(
                tr(
                    "interval: {no_time} found, and no sample interval or rate in the heading; allowed: the "
                    "time between samples, such as 80 µs",
                    no_time=what,
                ),
                layout.first,
                "interval",
            )
        found = heading.first("interval") or heading.first("rate")
        name = found.name if found else "interval"
        words = tr(
            "{said} between samples, from “{name}” in line {found}",
            said=show(said, "s", 6),
            name=name,
            found=found.line if found else 1,
        )
        return Grid(said, start + rows * said, count), [words]
    if all(layout.kinds[n] == "W" for n in time.columns):
        times = _clock(time.columns, table)
        finest = 1.0
        cells = [row[time.columns[-1]] for row in layout.sample if len(row) > time.columns[-1]]
        if any("." in cell[8:] or "," in cell[8:] for cell in cells):
            finest = 1e-3
        elif all(cell.count(":") < 2 for cell in cells) and any(cell.count(":") == 1 for cell in cells):
            finest = 60.0
        grid = even_grid(times - times[0] if times.size else times, finest, layout.first + rows, said)
    else:
        (n,) = time.columns[:1]
        cells = [row[n] for row in (*layout.sample[:50], *layout.sample[-50:], *table.last) if len(row) > n]
        printed = printed_step(cells, layout.style) * time.factor
        times = table.columns[n]
        times = in_base(times, time.factor)
        grid = even_grid(times, printed, layout.first + rows, said)
    return grid, [tr("time: {words}; {step} between samples", words=time.words, step=show(grid.step, "s", 6))]


def _clock(columns: tuple[int, ...], table: Table) -> Floats:
    """[s] Date and clock columns added up; a clock that goes round at midnight goes on."""
    total = np.sum([table.columns[n] for n in columns], axis=0)
    back = np.diff(total) < -_CLOCK_BACK
    if back.any() and total.size and total.max() <= 2 * 86_400.0:
        total = total + 86_400.0 * np.concatenate(([0], np.cumsum(back)))
    return np.asarray(total, dtype=np.float64)
