"""What the samples themselves show: the step between values, samples stuck at a rail, what to doubt."""

from __future__ import annotations

import numpy as np

from refettle.captures.model import Capture, Channel, Choices, Floats
from refettle.language import several, tr
from refettle.quantities import show

MAX_LEVELS = 65_536
_FEW_STEPS = 16
_LOGGED = 0.05
"""[s] From this step on a file is a log of readings rather than a trace."""
_PER_PERIOD = 20
"""Samples wanted in a mains period; common practice, no source."""


def value_step(values: Floats) -> float | None:
    """The step of the grid that the values lie on, or None where they lie on none of up to 65536 steps.

    The smallest difference is tried, and its half, third and fourth part in case neighbours never both occur; it is
    then fitted to all values. Rounding in print may move a value by a fifth of a step.
    """
    levels = np.unique(values[np.isfinite(values)])
    if levels.size < 2 or levels.size > MAX_LEVELS:
        return None
    span = float(levels[-1] - levels[0])
    apart = np.diff(levels)
    apart = apart[apart > 1e-9 * span]
    if apart.size == 0:
        return None
    smallest = float(np.min(apart))
    close = levels - levels[0]
    for part in (1, 2, 3, 4):
        step = smallest / part
        if span / step > MAX_LEVELS:
            return None
        for _ in range(3):  # the smallest difference may be off by the rounding of two values
            counts = np.rint(close / step)
            step = float(np.dot(counts, close) / np.dot(counts, counts))
        counts = np.rint(close / step)
        loose = 0.2 if levels.size >= 8 else 0.02
        if float(np.max(np.abs(close - counts * step))) <= loose * step and (part == 1 or levels.size > 4):
            return float(f"{step:.11e}")
    return None


def stuck_samples(values: Floats, lowest: float | None = None, highest: float | None = None) -> int:
    """How many samples are stuck at a rail.

    Where the rails are known (`lowest`, `highest`), every sample on them counts. Where not, an extreme value counts if
    it comes in runs of three or more and five times as often as either of the next two values: the crest of a sine
    comes about two and a half times as often. A trace of two levels only is not called clipped.
    """
    real = values[np.isfinite(values)]
    if real.size < 16:
        return 0
    if lowest is not None or highest is not None:
        low = 0 if lowest is None else int(np.sum(real <= lowest))
        return low + (0 if highest is None else int(np.sum(real >= highest)))
    levels, counts = np.unique(real, return_counts=True)
    if levels.size < 5 or counts[0] + counts[-1] > 0.9 * real.size:
        return 0
    total = 0
    for edge, next_ones in ((0, counts[1:3]), (-1, counts[-3:-1])):
        if counts[edge] < max(8, 5 * int(next_ones.max())) or counts[edge] < 0.002 * real.size:
            continue
        if counts[edge] > 0.45 * real.size:
            continue
        at = values == levels[edge]
        edges = np.flatnonzero(np.diff(np.concatenate(([0], at.view(np.int8), [0]))))
        runs = edges[1::2] - edges[::2]
        total += int(runs[runs >= 3].sum())
    return total


def doubts_of(capture: Capture, choices: Choices) -> tuple[str, ...]:
    """What a person should look at before relying on the capture."""
    doubts: list[str] = []
    for channel in capture.channels:
        doubts += _of_channel(channel, capture, choices)
    if capture.step >= _LOGGED:
        doubts.append(
            tr(
                "a log of readings {step} apart: shows drift; ripple and hum it cannot show",
                step=show(capture.step, "s"),
            )
        )
    elif capture.kind != "wav":
        if capture.step > 1.0 / (50.0 * _PER_PERIOD):
            doubts.append(
                tr(
                    "samples {step} apart are too few for mains ripple: 1 ms at most, better 0.1 ms",
                    step=show(capture.step, "s"),
                )
            )
        if capture.duration < 0.02:
            doubts.append(
                tr(
                    "{duration} is shorter than a mains period: ripple wants 0.1 s or more",
                    duration=show(capture.duration, "s"),
                )
            )
    return tuple(doubts)


def _of_channel(channel: Channel, capture: Capture, choices: Choices) -> list[str]:
    doubts: list[str] = []
    real = channel.values[np.isfinite(channel.values)]
    name, unit = channel.name, channel.unit
    if real.size == 0:
        return [tr("{name}: no reading at all", name=name)]
    if channel.missing:
        share = channel.missing / channel.values.size
        doubts.append(
            tr(
                "{name}: {missing} of {size} samples missing ({share:.2g} %)",
                name=name,
                missing=channel.missing,
                size=channel.values.size,
                share=100 * share,
            )
        )
    low, high = float(real.min()), float(real.max())
    if low == high:
        return [*doubts, tr("{name}: no change at all, {unit} throughout", name=name, unit=show(low, unit))]
    if channel.clipped:
        doubts.append(
            tr(
                "{name}: {clipped} samples stuck at the top or bottom: clipped, so take more volts a division",
                name=name,
                clipped=channel.clipped,
            )
        )
    if channel.lsb and (high - low) / channel.lsb < _FEW_STEPS and real.size >= _FEW_STEPS:
        steps = round((high - low) / channel.lsb)
        doubts.append(
            several(
                "{name}: only {steps} step of {unit} between lowest and highest: take fewer volts a division",
                "{name}: only {steps} steps of {unit} between lowest and highest: take fewer volts a division",
                steps,
                name=name,
                steps=steps,
                unit=show(channel.lsb, unit),
            )
        )
    mean = float(real.mean())
    if unit == "V":
        doubts += _against(name, mean, max(abs(low), abs(high)), choices)
        if choices.ac_coupled is None and capture.kind != "wav" and abs(mean) < 0.05 * (high - low):
            doubts.append(
                tr(
                    "{name}: the mean is near 0 V: AC coupled, or an AC voltage; what a rail stands at it does not say",
                    name=name,
                )
            )
    return doubts


def _against(name: str, mean: float, peak: float, choices: Choices) -> list[str]:
    if not choices.expect_volts:
        return []
    found = abs(mean) if abs(mean) > 0.2 * peak else peak
    expected = abs(choices.expect_volts)
    for times, words in ((10, "ten"), (100, "a hundred"), (1000, "a thousand")):
        cause = (
            tr("the probe's factor 10")
            if times == 10
            else tr("the probe's factor 100")
            if times == 100
            else tr("mV and V")
        )
        for ratio, size in ((found * times / expected, "small"), (found / times / expected, "large")):
            if 0.7 <= ratio <= 1.4:
                return [
                    tr(
                        "{name}: {found} is about {words} times too {size} for {expected}: look at {cause}",
                        name=name,
                        found=show(found, "V"),
                        words=words,
                        size=size,
                        expected=show(expected, "V"),
                        cause=cause,
                    )
                ]
    if not 0.4 <= found / expected <= 2.5:
        return [
            tr(
                "{name}: {found} is far from the {expected} expected",
                name=name,
                found=show(found, "V"),
                expected=show(expected, "V"),
            )
        ]
    return []
