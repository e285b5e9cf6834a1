"""Text files put together at random from the habits of many instruments, each with what must be read from it."""

from __future__ import annotations

import random
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from refettle.captures import CaptureError, read_capture

_MARKS = ((",", "."), (";", "."), (";", ","), ("\t", "."), ("\t", ","), ("|", "."), (" ", "."))
_NOISE = (
    ("Model", "Bench 2"), ("Serial Number", "00123"), ("Firmware Version", "1.20"), ("Date", "2026-11-25"),
    ("Time of day", "10:32:01"), ("Trigger Level", "1.20", "V"), ("Trigger Source", "CH1"), ("Waveform", "normal"),
    ("Probe Attenuation", "10"), ("Vertical Scale", "2.00E+00", "V"), ("Vertical Offset", "-1.5", "V"),
    ("Horizontal Scale", "5.0E-3"), ("Coupling", "DC"), ("Bandwidth", "20 MHz"), ("Time Base", "5", "ms"),
    ("Volt/Div", "2", "V"), ("Comment", "rail after repair"),
)  # fmt: skip
_NAMES = (
    ("CH1", "CH2", "CH3", "CH4"), ("Channel 1", "Channel 2", "Channel 3", "Channel 4"), ("C1", "C2", "C3", "C4"),
    ("CH_A", "CH_B", "CH_C", "CH_D"), ("Voltage", "Current", "Aux", "Ref"), ("rail", "ripple out", "load", "probe 4"),
)  # fmt: skip
_SCALE = {"V": 1.0, "mV": 1e3, "A": 1.0}


@dataclass(frozen=True)
class RandomFile:
    """A file, and the step [s], names, units and values in it."""

    data: bytes
    step: float
    names: list[str]
    units: list[str]
    values: list[NDArray[np.float64]]

    def misread(self) -> str:
        """What is wrong with the reading of it, or nothing."""
        try:
            found = read_capture(self.data)
        except CaptureError as error:
            return f"refused: {error}"
        if abs(found.step - self.step) > 0.02 * self.step:
            return f"step {found.step}, not {self.step}"
        if [each.name for each in found.channels] != self.names:
            return f"channels {[each.name for each in found.channels]}, not {self.names}"
        if [each.unit for each in found.channels] != self.units:
            return f"units {[each.unit for each in found.channels]}, not {self.units}"
        for each, values in zip(found.channels, self.values, strict=True):
            if each.values.shape != values.shape or not np.allclose(each.values, values, rtol=1e-9, atol=1e-12):
                return f"values of {each.name}"
        return ""


def _key_line(style: int, parts: tuple[str, ...], separator: str, decimal: str) -> str:
    name, value, *unit = parts
    value = value.replace(".", decimal)
    if separator == " ":
        style = (1, 3)[style % 2]
    return (
        separator.join((name, value, *unit)),
        " ".join((f"{name}:", value, *unit)),
        f"{name}={value}{''.join(unit)}",
        " ".join((f"# {name}:", value, *unit)),
        separator.join((f"{name}:", value, *unit)),
    )[style]


def _heading(style: str, names: list[str], units: list[str], separator: str) -> list[str]:
    def over(name: str, unit: str) -> str:
        if not unit:
            return name
        return {"round": f"{name} ({unit})", "square": f"{name}[{unit}]", "slash": f"{name}/{unit}"}.get(style, name)

    lines = [separator.join(over(name, unit) for name, unit in zip(names, units, strict=True))]
    if style == "row":
        lines.append(separator.join(unit or "-" for unit in units))
    elif style == "row in brackets":
        lines.append(separator.join(f"({unit})" if unit else "" for unit in units))
    return lines


def random_file(seed: int) -> RandomFile:
    """The file of this number."""
    rng = random.Random(seed)
    separator, decimal = rng.choice(_MARKS)
    many, count = rng.choice((1, 1, 2, 2, 3, 4)), rng.choice((3, 5, 17, 60, 400))
    step = rng.choice((1e-6, 4e-6, 2.5e-5, 4e-5, 8e-5, 1e-4, 2e-4, 1e-3))
    start = rng.choice((0.0, 0.0, -(count // 2) * step))
    how = rng.choice(("s", "ms", "us", "interval", "rate", "index", "both"))
    lsb, mean = rng.choice((0.04, 0.008, 0.2, 0.0625)), rng.choice((8.2, 0.0, 12.0, -5.0, 0.3))
    units = [rng.choice(("V", "mV", "V", "A")) for _ in range(many)]
    form, time_form = rng.choice((".3f", ".4f", ".5E", ".6g", "+.3e", ".2f")), rng.choice((".9f", ".6E", "+.8e", ".9g"))
    names = list(rng.choice(_NAMES)[:many])
    names = [name.replace(" ", "_") for name in names] if separator == " " else names
    columns, heads, head_units = [], [], []
    if how == "index":
        columns.append([str(n) for n in range(count)])
        heads, head_units = [rng.choice(("Index", "No.", "Sample", "#", "n"))], [""]
    if how in ("s", "ms", "us", "both"):
        unit = "s" if how == "both" else how
        times = [(start + n * step) * {"s": 1.0, "ms": 1e3, "us": 1e6}[unit] for n in range(count)]
        columns.append([format(time, time_form) for time in times])
        heads, head_units = [rng.choice(("Time", "t", "TIME", "time", "X-Axis"))], [unit]
    values = []
    for n, unit in enumerate(units):
        wave = np.round((mean + 0.7 * np.sin(np.arange(count) * 0.21 + n) + rng.gauss(0, 0.01)) / lsb) * lsb
        cells = [format(value * _SCALE[unit], form) for value in wave]
        values.append(np.array([float(cell) for cell in cells]) / _SCALE[unit])
        columns.append(cells)
    style = rng.randrange(5)
    lines = [
        _key_line(style, parts, separator, decimal) for parts in rng.sample(_NOISE, rng.choice((0, 0, 1, 2, 3, 5)))
    ]
    said: tuple[str, ...] = ()
    if how in ("interval", "index", "both"):
        said = rng.choice((
            ("Sample Interval", repr(step), "s"), ("Sampling Interval", f"{step * 1e6:g}", "us"), ("dt", repr(step)),
            ("Time Step", f"{step * 1e3:g}", "ms"), ("X Increment", f"{step:.4E}"),
        ))  # fmt: skip
    elif how == "rate":
        said = rng.choice((
            ("Sample Rate", f"{1 / step:g}", "Hz"), ("Sampling Rate", f"{1e-3 / step:g}", "kSa/s"),
            ("fs", f"{1 / step:g}"), ("Sampling Frequency", f"{1e-6 / step:g}", "MHz"),
        ))  # fmt: skip
    if said:
        lines.insert(rng.randint(0, len(lines)), _key_line(style, said, separator, decimal))
    lines += [""] * rng.choice((0, 0, 1))
    titles = ("slash", "row", "square") if separator == " " else ("round", "square", "slash", "row", "row in brackets")
    lines += _heading(rng.choice(titles), heads + names, head_units + units, separator)
    tail = separator if separator != " " and rng.random() < 0.2 else ""
    quote = '"' if separator != " " and rng.random() < 0.08 else ""
    for row in zip(*columns, strict=True):
        lines.append(separator.join(f"{quote}{cell.replace('.', decimal)}{quote}" for cell in row) + tail)
    end = rng.choice(("\n", "\n", "\r\n", "\r"))
    text = end.join(lines) + (end if rng.random() < 0.8 else "")
    data = text.encode(rng.choice(("utf-8", "utf-8", "utf-8-sig", "utf-16", "latin-1")))
    return RandomFile(data, step, names, [{"mV": "V"}.get(unit, unit) for unit in units], values)
