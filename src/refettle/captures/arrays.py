"""NumPy files as captures: .npy with one array, .npz with several. Nothing in them is run: no pickled objects."""

from __future__ import annotations

import io
import re
import struct
import zipfile
import zlib
from collections.abc import Mapping
from tokenize import TokenError
from typing import Any

import numpy as np
from numpy.typing import NDArray

from refettle.captures.bulk import MAX_VALUES
from refettle.captures.cells import FROM_OVER, unit_of
from refettle.captures.channels import known_unit, make_channel, pick, rescaled
from refettle.captures.model import TIME_UNITS, Capture, CaptureError, Choices, Floats, chosen
from refettle.captures.preamble import is_time, name_and_unit
from refettle.captures.timing import even_grid
from refettle.language import tr
from refettle.quantities import show

MAX_UNPACKED = 512_000_000
"""Bytes of a .npz once unpacked."""
MAX_MEMBERS = 64
_STEP_NAMES = re.compile(r"(?i)dt|step|interval|sample_?interval|time_?step|x_?inc(r|rement)?")
_RATE_NAMES = re.compile(r"(?i)fs|rate|sample_?rate|sampling_?rate|sr|sampling_?frequency")
_START_NAMES = re.compile(r"(?i)t_?0|start|x_?origin|t_?start")


def read_arrays(data: bytes, choices: Choices) -> Capture:
    """Read a .npy or .npz file. Raises CaptureError."""
    if data.startswith(b"\x93NUMPY"):
        return _from_arrays({"": _array(data, "")}, choices)
    return _from_arrays(_members(data), choices)


def _members(data: bytes) -> dict[str, NDArray[Any]]:
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as packed:
            infos = packed.infolist()
            if not infos or not all(info.filename.endswith(".npy") for info in infos):
                what = tr("a spreadsheet") if any("xl/" in info.filename for info in infos) else tr("a packed file")
                raise CaptureError(
                    tr("{file_kind} found; allowed: CSV or other text, NumPy files (.npy, .npz), WAV", file_kind=what)
                )
            if len(infos) > MAX_MEMBERS:
                raise CaptureError(
                    tr("{count} arrays found; allowed: up to {most}", count=len(infos), most=MAX_MEMBERS)
                )
            if sum(info.file_size for info in infos) > MAX_UNPACKED:
                raise CaptureError(
                    tr(
                        "more than {most} MB once unpacked; allowed: up to that",
                        most=MAX_UNPACKED // 1_000_000,
                    )
                )
            arrays = {}
            left = MAX_UNPACKED
            for info in infos:
                with packed.open(info) as member:
                    raw = member.read(left + 1)
                left -= len(raw)
                if left < 0:
                    raise CaptureError(
                        tr(
                            "more than {most} MB once unpacked; allowed: up to that",
                            most=MAX_UNPACKED // 1_000_000,
                        )
                    )
                name = info.filename.removesuffix(".npy")
                arrays[name] = _array(raw, f"{name}: ")
            return arrays
    except CaptureError:
        raise
    except (
        zipfile.BadZipFile,
        zlib.error,
        struct.error,
        EOFError,
        OSError,
        RuntimeError,
        ValueError,
        KeyError,
    ) as error:
        raise CaptureError(
            tr("a packed file that cannot be opened ({error}); allowed: a whole .npz", error=error)
        ) from None


def _array(data: bytes, where: str) -> NDArray[Any]:
    """One array, after its head has been set against the bytes that are there."""
    stream = io.BytesIO(data)
    try:
        version = np.lib.format.read_magic(stream)
        read = np.lib.format.read_array_header_1_0 if version == (1, 0) else np.lib.format.read_array_header_2_0
        if version not in ((1, 0), (2, 0)):
            raise CaptureError(
                tr(
                    "{where}version {major}.{minor} of a NumPy file found; allowed: 1.0 and 2.0",
                    where=where,
                    major=version[0],
                    minor=version[1],
                )
            )
        shape, _, dtype = read(stream)
    except (ValueError, SyntaxError, TypeError, OverflowError, RecursionError, MemoryError, TokenError) as error:
        if isinstance(error, CaptureError):
            raise
        raise CaptureError(
            tr("{where}the head of the NumPy file is damaged; allowed: a whole file", where=where)
        ) from None
    if dtype.hasobject:
        raise CaptureError(tr("{where}stored objects found; allowed: numbers only", where=where))
    kinds = [dtype[name].kind for name in dtype.names] if dtype.names else [dtype.kind]
    if not all(kind in "iufb" for kind in kinds):
        raise CaptureError(tr("{where}{dtype} found; allowed: whole or floating numbers", where=where, dtype=dtype))
    if any(size < 0 for size in shape):
        raise CaptureError(
            tr("{where}the head of the NumPy file names a length below 0; allowed: a whole file", where=where)
        )
    count = 1
    for size in shape:
        count *= int(size)
    there = len(data) - stream.tell()
    if count * dtype.itemsize > there:
        raise CaptureError(
            tr(
                "{where}cut short: {there} of {itemsize} bytes found; allowed: a whole file",
                where=where,
                there=there,
                itemsize=count * dtype.itemsize,
            )
        )
    if count * max(len(kinds), 1) > MAX_VALUES:
        raise CaptureError(
            tr(
                "{where}{count} numbers found; allowed: up to {most}",
                where=where,
                count=count,
                most=MAX_VALUES,
            )
        )
    stream.seek(0)
    try:
        return np.lib.format.read_array(stream, allow_pickle=False)
    except (ValueError, TypeError, OverflowError) as error:  # such as a length of 0 beside one beyond all range
        raise CaptureError(
            tr("{where}a NumPy file that cannot be read ({error}); allowed: a whole file", where=where, error=error)
        ) from None


def _cleaned(array: NDArray[Any]) -> Floats:
    """As float64; what is beyond all range is no reading."""
    values = array.astype(np.float64)
    values[~(np.abs(values) < FROM_OVER)] = np.nan
    return values


def _columns(arrays: Mapping[str, NDArray[Any]]) -> tuple[dict[str, Floats], dict[str, float]]:
    """Traces by name, and single numbers by name."""
    traces: dict[str, Floats] = {}
    singles: dict[str, float] = {}
    for name, array in arrays.items():
        if array.dtype.names:
            for part in array.dtype.names:
                traces[part] = _cleaned(array[part].reshape(-1))
        elif array.size == 1:
            singles[name] = float(np.asarray(array, dtype=np.float64).reshape(-1)[0])
        elif array.ndim == 1:
            traces[name] = _cleaned(array)
        elif array.ndim == 2:
            table = _cleaned(array)
            table = table if table.shape[0] < table.shape[1] else table.T
            if table.shape[0] > 33:
                raise CaptureError(tr("{shape} traces found; allowed: up to 32 and a time", shape=table.shape[0]))
            for number, trace in enumerate(table):
                traces[f"{name}{'.' if name else ''}{number + 1}"] = np.ascontiguousarray(trace)
        else:
            raise CaptureError(
                tr("an array of shape {shape} found; allowed: one trace, or traces side by side", shape=array.shape)
            )
    return traces, singles


def _from_arrays(arrays: Mapping[str, NDArray[Any]], choices: Choices) -> Capture:
    traces, singles = _columns(arrays)
    if not traces or all(trace.size < 2 for trace in traces.values()):
        raise CaptureError(tr("no trace of two samples or more found; allowed: one array for each channel"))
    sizes = {trace.size for trace in traces.values()}
    if len(sizes) > 1:
        raise CaptureError(
            tr("traces of {sizes} samples found; allowed: all of one length", sizes=", ".join(map(str, sorted(sizes))))
        )
    count = sizes.pop()
    first, last = (1, count) if choices.rows is None else choices.rows
    if first > count:
        raise CaptureError(
            tr("rows: from {first} found, the file has {count}; allowed: up to that", first=first, count=count)
        )
    traces = {name: trace[first - 1 : last] for name, trace in traces.items()}
    count = min(last, count) - first + 1
    understood = [
        tr("{count} samples in {traces} arrays", count=count, traces=len(traces))
        if len(traces) > 1
        else tr("{count} samples in one array", count=count)
    ]
    doubts: list[str] = []
    time = _time_name(traces, choices)
    step = choices.interval
    start = next((value for name, value in singles.items() if _START_NAMES.fullmatch(name)), 0.0)
    times = traces.pop(time) if time is not None else None
    grid = None
    if step is not None:
        understood.append(tr("{step} between samples, as chosen", step=show(step, "s", 6)))
    elif times is not None and time is not None:
        unit = choices.time_unit or name_and_unit(time)[1] or "s"
        factor = TIME_UNITS.get(unit) or (unit_of(unit) or ("s", 1.0))[1]
        grid = even_grid(times * factor, 0.0, 1)
        step, start = grid.step, grid.start
        understood.append(
            tr(
                "time: {time} in {unit}; {step} between samples",
                time=time or "column 1",
                unit=unit,
                step=show(step, "s", 6),
            )
        )
        understood += grid.understood
        doubts += grid.doubts
    else:
        found = next(((n, v) for n, v in singles.items() if _STEP_NAMES.fullmatch(n) and v > 0), None)
        rate = next(((n, v) for n, v in singles.items() if _RATE_NAMES.fullmatch(n) and v > 0), None)
        if found is None and rate is None:
            raise CaptureError(
                tr("interval: no time and no sample interval found; allowed: the time between samples, such as 80 µs"),
                None,
                "interval",
            )
        name, step = found if found is not None else (rate[0], 1.0 / rate[1]) if rate is not None else ("", 0.0)
        understood.append(tr("{step} between samples, from {name}", step=show(step, "s", 6), name=name))
    start += 0.0 if grid is not None else (first - 1) * step
    if not traces:
        raise CaptureError(tr("no trace found beside the time; allowed: one or more"))
    labels = [name_and_unit(name) for name in traces]
    names = [given if given and not given.isdecimal() else f"CH{n + 1}" for n, (given, _) in enumerate(labels)]
    names = [name if names.index(name) == n else f"{name} ({n + 1})" for n, name in enumerate(names)]
    channels = []
    for number in pick(names, choices):
        values = list(traces.values())[number]
        said = chosen(choices.units, number, names[number])
        unit, factor = known_unit(str(said), names[number]) if said is not None else (
            unit_of(labels[number][1]) or ("V", 1.0) if labels[number][1] else ("V", 1.0)
        )  # fmt: skip
        if said is None and not labels[number][1]:
            doubts.append(tr("{number}: no unit is given: volts are taken", number=names[number]))
        values, words = rescaled(values * factor if factor != 1.0 else values, number, names[number], choices)
        understood.append(f"{names[number]}: {'; '.join([f'in {said or labels[number][1] or unit}', *words])}")
        laid = values if grid is None else grid.lay(values)
        channels.append(make_channel(names[number], unit, laid))
    return Capture(step, start, tuple(channels), "npy", tuple(understood), tuple(dict.fromkeys(doubts)))


def _time_name(traces: Mapping[str, Floats], choices: Choices) -> str | None:
    if choices.time_column is not None:
        text = str(choices.time_column).strip()
        if text.casefold() in ("0", "none"):
            return None
        for number, name in enumerate(traces):
            if text in (name, str(number + 1)):
                return name
        raise CaptureError(
            tr("time column: {text!r} found; allowed: none, or one of {traces}", text=text, traces=", ".join(traces))
        )
    for name in traces:
        if is_time(name_and_unit(name)[0] or name):
            return name
    first = next(iter(traces))
    if len(traces) > 1 and first.rpartition(".")[2] == "1":  # unnamed, side by side: the first may be the time
        steps = np.diff(traces[first])
        if steps.size and np.all(steps > 0) and float(np.ptp(steps)) < 0.1 * float(np.median(steps)):
            return first
    return None
