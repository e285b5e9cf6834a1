"""The plots of readings: waveforms, spectra, levels over time, a fit with what it leaves, before and after, spreads."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike

from refettle.drawing.plot import LOOKS, Band, Limit, Mark, Trace, line_plot
from refettle.language import mark, tr

FAN_WORDS = mark("Half of all variants lie in the dark band, 19 of 20 in the pale one; the line is the middle one.")

LEAST_SPECTRUM, LEAST_LEVEL = 50.0, 20.0
"""[dB] What the axis spans at least."""


def spectrum_plot(
    hertz: ArrayLike,
    level: ArrayLike,
    *,
    says: str,
    title: str = "Spectrum",
    unit: str = "dBFS",
    lines: Sequence[Mark] = (),
    before: tuple[ArrayLike, ArrayLike] | None = None,
    x_range: tuple[float, float] | None = None,
    floor: float | None = None,
    alone: bool = False,
    ident: str = "spectrum",
) -> str:
    """Level over frequency by ratios, with named lines.

    Parameters
    ----------
    hertz, level : array
        [Hz], [unit]
    lines : sequence of Mark
        Hum lines and the like: `x` in Hz, `y` their level.
    before : pair of array, optional
        Another spectrum to compare with.
    x_range : pair of float, optional
        [Hz]
    floor : float, optional
        [unit] What lies below is not drawn.
    """
    traces = [] if before is None else [Trace(tr("before"), *before, unit, look="before")]
    traces.append(Trace(tr("now") if before is not None else tr("level"), hertz, level, unit))
    if floor is not None:
        traces = [
            Trace(t.name, t.x, np.maximum(np.asarray(t.y, dtype=np.float64), floor), unit, look=t.look) for t in traces
        ]
    return line_plot(
        traces,
        title=title,
        says=says,
        x_unit="Hz",
        log_x=True,
        x_range=x_range,
        least=LEAST_SPECTRUM,
        marks=lines,
        alone=alone,
        ident=ident,
    )


def level_plot(
    seconds: ArrayLike,
    levels: Sequence[tuple[str, ArrayLike]],
    *,
    says: str,
    title: str = "Level over time",
    unit: str = "dBFS",
    marks: Sequence[Mark] = (),
    alone: bool = False,
    ident: str = "level",
) -> str:
    """A low strip of the level of each channel over time, with places marked.

    Parameters
    ----------
    levels : sequence of (name, array)
        One row per channel, in `unit`.
    """
    traces = [Trace(name, seconds, row, unit, look=LOOKS[n % 2]) for n, (name, row) in enumerate(levels)]
    return line_plot(
        traces, title=title, says=says, least=LEAST_LEVEL, marks=marks, small=True, alone=alone, ident=ident
    )


def fit_plots(
    seconds: ArrayLike,
    measured: ArrayLike,
    model: ArrayLike,
    *,
    says: str,
    left_says: str,
    title: str = "Measured and worked out",
    unit: str = "V",
    step: float | None = None,
    ident: str = "fit",
) -> tuple[str, str]:
    """The data with the line worked out for it, and below it what is left over.

    Parameters
    ----------
    left_says : str
        The finding on what is left, in words.
    step : float, optional
        [unit] One step of the instrument, drawn about 0 in what is left.
    """
    data, line = np.asarray(measured, dtype=np.float64), np.asarray(model, dtype=np.float64)
    upper = line_plot(
        [
            Trace(tr("measured"), seconds, data, unit, look="under"),
            Trace(tr("worked out"), seconds, line, unit, look="model"),
        ],
        title=title,
        says=says,
        ident=ident,
    )
    limits = [] if step is None else [Limit(step, tr("one step of the instrument")), Limit(-step, "")]
    lower = line_plot(
        [Trace(tr("left over"), seconds, data - line, unit)],
        title=tr("What is left over: measured less worked out"),
        says=left_says,
        limits=limits,
        small=True,
        ident=f"{ident}-left",
    )
    return upper, lower


def before_after_plot(
    before: tuple[ArrayLike, ArrayLike],
    after: tuple[ArrayLike, ArrayLike],
    *,
    says: str,
    title: str = "Before and after",
    unit: str = "V",
    limits: Sequence[Limit] = (),
    alone: bool = False,
    ident: str = "before-after",
) -> str:
    """Two waveforms over each other: before dashed and thin, after solid."""
    return line_plot(
        [Trace(tr("before"), *before, unit, look="before"), Trace(tr("after"), *after, unit)],
        title=title,
        says=says,
        limits=limits,
        alone=alone,
        ident=ident,
    )


def fan_plot(
    x: ArrayLike,
    cuts: ArrayLike,
    *,
    says: str,
    title: str,
    unit: str = "V",
    x_unit: str = "s",
    limits: Sequence[Limit] = (),
    alone: bool = False,
    ident: str = "fan",
) -> str:
    """The spread of many variants: half of them in the dark band, 19 of 20 in the pale one, the middle as a line.

    Parameters
    ----------
    cuts : array, shape (5, points)
        [unit] What 2.5, 25, 50, 75 and 97.5 in a hundred lie below, at each point.
    """
    lowest, low, middle, high, highest = np.asarray(cuts, dtype=np.float64)
    bands = [Band("19 of 20", x, lowest, highest), Band(tr("half of them"), x, low, high)]
    return line_plot(
        [Trace(tr("the middle one"), x, middle, unit)],
        title=title,
        says=says,
        x_unit=x_unit,
        bands=bands,
        limits=limits,
        alone=alone,
        ident=ident,
    )
