"""A text file of numbers as a capture: layout, heading, numbers, time, units, raw codes; each conclusion in words."""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np

from refettle.captures.bulk import Table, read_rows
from refettle.captures.cells import FROM_OVER, unit_of
from refettle.captures.channels import in_base, known_unit, make_channel, pick, rescaled
from refettle.captures.csv_time import find_time, grid_of, without_more_times
from refettle.captures.layout import NAMES, Layout, find_layout
from refettle.captures.model import Capture, CaptureError, Channel, Choices, Floats, Progress, Stop, chosen
from refettle.captures.preamble import UNITLESS, Heading, read_heading
from refettle.captures.quality import stuck_samples
from refettle.captures.text import as_lines
from refettle.captures.timing import Grid
from refettle.language import tr
from refettle.quantities import plain, show

MAX_CHANNELS = 32


def read_text(data: bytes, choices: Choices, progress: Progress | None = None, stop: Stop | None = None) -> Capture:
    """Read CSV and its relatives. Raises CaptureError."""
    text, encoding = as_lines(data)
    if not text.strip():
        raise CaptureError(tr("the file is empty; allowed: rows of numbers under any heading"))
    layout = find_layout(text, choices)
    none_found = CaptureError(tr("no row of numbers found; allowed: rows of numbers under any heading"), layout.first)
    if not layout.columns:
        raise none_found
    heading = read_heading(layout)
    table = read_rows(text, layout, choices.rows, progress, stop)
    if not table.columns or next(iter(table.columns.values())).size == 0:
        raise none_found
    for n, values in table.columns.items():
        beyond = np.abs(values) >= FROM_OVER
        if layout.kinds[n] != "W" and beyond.any():
            table.over[n] = table.over.get(n, 0) + int(beyond.sum())
            values[beyond] = np.nan
    understood = [_about_layout(layout, encoding, table), *table.understood]
    doubts = [*layout.doubts, *table.doubts]
    time, index = find_time(layout, heading, table, choices)
    grid, words = grid_of(time, index, layout, heading, table, choices)
    understood += words
    understood += grid.understood
    doubts += grid.doubts
    if time.doubt and choices.time_unit is None and choices.interval is None:
        doubts.append(time.doubt)
    left = [n for n in layout.columns if n not in time.columns and n not in index and layout.kinds[n] != "W"]
    left = without_more_times(left, time, heading, table, understood, doubts)
    left = [n for n in left if np.isfinite(table.columns[n]).any() or table.over.get(n)]
    if not left:
        raise CaptureError(tr("no column of readings found beside the time; allowed: one or more"), layout.first)
    if len(left) > MAX_CHANNELS:
        raise CaptureError(
            tr(
                "{count} columns of readings found; allowed: up to {most}",
                count=len(left),
                most=MAX_CHANNELS,
            ),
            layout.first,
        )
    names = _names(left, layout, heading)
    picked = pick(names, choices)
    channels = []
    for number, n in enumerate(left):
        if number not in picked:
            continue
        raw = _Raw(n, number, len(left), names[number])
        channel, said, more = _channel(raw, layout, heading, table, grid, choices)
        channels.append(channel)
        understood.append(said)
        doubts += more
    channels = [channels[sorted(picked).index(number)] for number in picked]
    counted = next(iter(table.columns.values())).size
    points = heading.number("points")
    whole = points is not None and abs(points) <= 1e9 and points == int(points) and choices.rows is None
    if points is not None and whole and 1 < counted < 0.999 * points - 1:
        doubts.append(
            tr(
                "the heading says {points} samples, {counted} are there: the file may be cut short",
                points=int(points),
                counted=counted,
            )
        )
    return Capture(grid.step, grid.start, tuple(channels), "csv", tuple(understood), tuple(dict.fromkeys(doubts)))


def _about_layout(layout: Layout, encoding: str, table: Table) -> str:
    rows = next(iter(table.columns.values())).size
    where = (
        tr("numbers from line {first}", first=layout.first) if layout.first > 1 else tr("numbers from the first line")
    )
    parts = [tr("{rows} rows", rows=rows), where]
    if len(layout.kinds) > 1:
        parts.append(tr("columns parted by {separator}", separator=NAMES[layout.separator]))
    if layout.style.decimal == ",":
        parts.append(tr("decimal comma"))
    if encoding != "UTF-8":
        parts.append(tr("encoded in {encoding}", encoding=encoding))
    return ", ".join(parts)


# ---------------------------------------------------------------- channels


@dataclass(frozen=True, slots=True)
class _Raw:
    """A column of readings: its place in the file, and among the channels (from 0)."""

    column: int
    number: int
    many: int
    name: str


def _names(columns: list[int], layout: Layout, heading: Heading) -> list[str]:
    names: list[str] = []
    for number, n in enumerate(columns):
        _, source = heading.of_channel("source", number, len(columns))
        given = heading.names.get(n, "")
        if (not given or unit_of(given)) and source and (number == 0 or source not in names):
            given = source
        name = "".join(c for c in plain(given) if c.isprintable())[:60] or f"CH{number + 1}"
        if name in names:
            name = next(f"{name} ({k})" for k in range(2, len(columns) + 2) if f"{name} ({k})" not in names)
        names.append(name)
    return names


def _channel(
    raw: _Raw, layout: Layout, heading: Heading, table: Table, grid: Grid, choices: Choices
) -> tuple[Channel, str, list[str]]:
    values = table.columns[raw.column]
    doubts: list[str] = []
    unit, factor, words = _unit(raw, layout, heading, table, choices)
    rails: tuple[float | None, float | None] = (None, None)
    code = _codes(raw, values, heading, choices)
    if code is not None:
        scale, zero, base, rails, said = code
        if scale is None:
            unit, factor, words = "", 1.0, said
            doubts.append(f"{raw.name}: {said}")
        else:
            clipped = stuck_samples(values, *rails)
            values = (values - zero) * scale + base
            unit, factor, words = unit or "V", 1.0, said
    if code is None and not words and unit == "":
        unit, words = "V", tr("volts taken")
        doubts.append(tr("{name}: no unit is given: volts are taken", name=raw.name))
        if _like_codes(values):
            doubts.append(
                tr(
                    "{channel}: whole numbers from {least:.0f} to {most:.0f}: perhaps raw codes, not volts",
                    channel=raw.name,
                    least=values.min(),
                    most=values.max(),
                )
            )
    if code is None or code[0] is None:
        clipped = stuck_samples(values)
        values = in_base(values, factor)
    values, more = rescaled(values, raw.number, raw.name, choices)
    words = "; ".join(part for part in (words, *more) if part)
    atten, _ = heading.of_channel("probe", raw.number, raw.many)
    if atten and atten > 1:
        words += tr("; the heading says probe {atten:g}x", atten=atten)
    _, coupling = heading.of_channel("coupling", raw.number, raw.many)
    if coupling.strip().casefold() in ("ac", "ac coupling") and choices.ac_coupled is None:
        doubts.append(tr("{name}: AC coupled, says the heading: what a rail stands at is not in it", name=raw.name))
    over = table.over.get(raw.column, 0)
    if over:
        doubts.append(tr("{name}: {over} readings over range", name=raw.name, over=over))
    channel = make_channel(raw.name, unit, grid.lay(values), clipped=clipped + over)
    return channel, f"{raw.name}: {words}", doubts


def _unit(raw: _Raw, layout: Layout, heading: Heading, table: Table, choices: Choices) -> tuple[str, float, str]:
    """Unit, factor and words for a column of readings."""
    if (said := chosen(choices.units, raw.number, raw.name)) is not None:
        unit, factor = known_unit(str(said), raw.name)
        return unit, factor, tr("in {said}, as chosen", said=said)
    if raw.column in table.units:
        return (
            table.units[raw.column],
            1.0,
            tr("in {column}, the unit stands with each reading", column=table.units[raw.column]),
        )
    text = heading.units.get(raw.column, "")
    if not text:
        _, text = heading.of_channel("unit", raw.number, raw.many)
    if text == UNITLESS:
        return "", 1.0, tr("without a unit, says the heading")
    if text and (found := unit_of(text)):
        return found[0], found[1], f"in {plain(text)}"
    name = heading.names.get(raw.column, "").casefold()
    if letter := re.match(r"([iuv])(?=[(_ \-\d]|$)", name):
        unit = "A" if letter[1] == "i" else "V"
        return unit, 1.0, tr("in {unit}, by its name", unit=unit)
    for word, unit in (
        ("volt", "V"),
        ("spannung", "V"),
        ("tension", "V"),
        ("current", "A"),
        ("amp", "A"),
        ("strom", "A"),
    ):
        if name.startswith(word) or name.endswith(word) or f" {word}" in name:
            return unit, 1.0, tr("in {unit}, by its name", unit=unit)
    return "", 1.0, ""


def _like_codes(values: Floats) -> bool:
    real = values[np.isfinite(values)]
    if real.size < 16 or not np.all(real == np.floor(real)):
        return False
    low, high = float(real.min()), float(real.max())
    return high - low > 1 and (
        (low >= 0 and high <= 255 and high > 20) or (low >= -128 and high <= 127 and high - low > 20)
    )


_Code = tuple[float | None, float, float, tuple[float | None, float | None], str]


def _codes(raw: _Raw, values: Floats, heading: Heading, choices: Choices) -> _Code | None:
    """Scale and zero that make volts of raw codes, where the heading gives them: (scale, zero, base, rails, words)."""
    real = values[np.isfinite(values)]
    if real.size == 0 or not np.all(real == np.floor(real)) or chosen(choices.units, raw.number, raw.name) is not None:
        return None
    low, high = float(real.min()), float(real.max())
    if low < -32_768 or high > 65_535:
        return None
    if low >= 0:
        top = 255.0 if high <= 255 else 4095.0 if high <= 4095 else 65_535.0
        rails: tuple[float | None, float | None] = (0.0, top)
    else:
        top = 127.0 if low >= -128 and high <= 127 else 2047.0 if low >= -2048 and high <= 2047 else 32_767.0
        rails = (-top - 1.0, top)
    per_code, _ = heading.of_channel("per_code", raw.number, raw.many)
    zero, _ = heading.of_channel("code_zero", raw.number, raw.many)
    base, _ = heading.of_channel("value_zero", raw.number, raw.many)
    if per_code:
        words = tr("raw codes, {per_code} each, zero at {zero:g}", per_code=show(per_code, "V", 5), zero=zero or 0)
        return (
            per_code,
            zero or 0.0,
            base or 0.0,
            rails,
            words + (tr(", plus {base}", base=show(base, "V")) if base else ""),
        )
    per_division, _ = heading.of_channel("per_division", raw.number, raw.many)
    if not per_division or not _like_codes(values):
        return None
    if choices.codes_per_division is None:
        said = tr(
            "raw codes {low:.0f} to {high:.0f} with {per_division} a division: say how many codes make a ",
            low=low,
            high=high,
            per_division=show(per_division, "V"),
        )
        return None, 0.0, 0.0, (None, None), said + tr("division (25 is usual) to have volts")
    middle = 128.0 if rails[0] == 0.0 else 0.0
    offset, _ = heading.of_channel("offset", raw.number, raw.many)
    scale = per_division / choices.codes_per_division
    words = tr(
        "raw codes, {codes_per_division:g} to a division of {per_division}, zero at {middle:g}",
        codes_per_division=choices.codes_per_division,
        per_division=show(per_division, "V"),
        middle=middle,
    )
    if offset:
        words += tr(", less the offset {offset}", offset=show(offset, "V"))
    return scale, zero if zero is not None else middle, -(offset or 0.0), rails, words
