"""What every kind of file shares when its traces become channels: picking, units, scales, the look of the samples."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from refettle.captures.cells import unit_of
from refettle.captures.model import CaptureError, Channel, Choices, Floats, chosen
from refettle.captures.quality import stuck_samples, value_step
from refettle.language import mark, tr
from refettle.quantities import whole


def channel_number(which: str | int, names: list[str], what: str) -> int:
    """The channel of this name or number, from 0. CaptureError naming `what` where there is none."""
    text = str(which).strip()
    for number, name in enumerate(names):
        if name.casefold() == text.casefold():
            return number
    place = whole(text)
    if place is not None and 1 <= place <= len(names):
        return place - 1
    raise CaptureError(
        tr(
            "{field}: channel {typed!r} found; allowed: {names}, or 1 to {count}",
            field=what,
            typed=text,
            names=", ".join(names),
            count=len(names),
        )
    )


def pick(names: list[str], choices: Choices) -> list[int]:
    """The channels wanted, from 0, in the order chosen. CaptureError for one that is not there."""
    mappings: tuple[tuple[Iterable[str | int], str], ...] = (
        (choices.units, "units"),
        (choices.scale, "scale"),
        (choices.probe, "probe"),
    )
    for mapping, what in mappings:
        for which in mapping:
            if str(which) != "*":
                channel_number(which, names, what)
    if not choices.channels:
        return list(range(len(names)))
    return list(dict.fromkeys(channel_number(which, names, "channel") for which in choices.channels))


def known_unit(text: str, name: str) -> tuple[str, float]:
    """SI unit and factor of a unit that a person chose. CaptureError where it is none."""
    if not text.strip():
        return "", 1.0
    found = unit_of(text)
    if found is None or found[0] == "s":
        raise CaptureError(
            tr(
                "unit of {name}: {text!r} found; allowed: V, mV, µV, kV, A, mA, Ω, W, °C and the like",
                name=name,
                text=text,
            )
        )
    return found


def rescaled(values: Floats, number: int, name: str, choices: Choices) -> tuple[Floats, list[str]]:
    """Values after the scale and probe factor that a person chose, and what was done in words."""
    words: list[str] = []
    for mapping, said in (
        (choices.scale, mark("times {factor:g}, as chosen")),
        (choices.probe, mark("probe {factor:g}, as chosen")),
    ):
        factor = chosen(mapping, number, name)
        if factor is not None and factor != 1.0:
            values = values * factor
            words.append(tr(said, factor=factor))
    return values, words


def in_base(values: Floats, factor: float) -> Floats:
    """Values times a factor; for a thousandth and the like by division, which rounds once."""
    if factor == 1.0:
        return values
    return values / round(1.0 / factor) if factor < 1.0 else values * factor


def make_channel(name: str, unit: str, values: Floats, lsb: float | None = None, clipped: int | None = None) -> Channel:
    """A channel whose samples can no longer be changed, with step, stuck and missing samples counted."""
    kept = np.array(values, dtype=np.float64)
    kept[~np.isfinite(kept)] = np.nan
    kept.flags.writeable = False
    missing = int(np.sum(np.isnan(kept)))
    step = value_step(kept) if lsb is None else lsb
    return Channel(name, unit, kept, step, stuck_samples(kept) if clipped is None else clipped, missing)
