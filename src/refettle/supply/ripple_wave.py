"""A capture of ripple made ready for the fit: checked, its mains frequency found, split into harmonics of the mains.

A least-squares comb (mean, drift, harmonics 1 to K of the mains) takes the place of the samples: for white noise
nothing is lost, its residual is the noise whatever the model, and every coefficient has the variance 2 s^2 / n.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite

import numpy as np
import numpy.typing as npt

from refettle.language import tr
from refettle.quantities import show
from refettle.supply.ripple_model import Complexes, Floats

LEAST_SAMPLES, LEAST_PERIODS, LEAST_PER_PERIOD = 100, 2.0, 40
MOST_HARMONICS = 60
MOST_PER_PERIOD = 2000
PERIODS_USED = 25
"""Mains periods fitted; the mains wanders over longer ones, which smears its harmonics."""
WANDER = 0.015
"""Share by which the mains, or the time base, may be off. Grids keep to 1 %, and 2 % on islands (EN 50160, from
memory)."""
STRAY = 0.01
"""Share of the samples that noise may throw beyond the end of an input stage."""
NOISY_TOPS = ((1, 8.0), (2, 16.0), (3, 40.0), (5, 80.0))
"""Steps that noise spreads a cut-off top over, and the steps of ripple from which so many are looked at."""
LEAST_STEPS = 6.0
"""Converter steps that the ripple must span."""


class RippleError(ValueError):
    """A capture or a figure that cannot be used; the message names it, what was found and what is allowed."""


@dataclass(frozen=True, slots=True)
class Comb:
    """Harmonics of the mains in one capture.

    `lines` complex [V] of exp(i n w t), n from 0, those above 0 doubled, t from the first sample; `variance` [V^2] of
    the real and of the imaginary part of each line above 0; `noise` [V] rms left beside the comb; `lsb` [V] of the
    converter, 0 if not found; `hertz` [Hz] of the mains as found; `ripple` [V] peak to peak and `valley` [V] of the
    averaged period; `explained` share of the variance; `inverted`: the capture was turned over (a negative rail);
    `flat`: its top is as flat as if cut off.
    """

    lines: Complexes
    variance: float
    noise: float
    lsb: float
    hertz: float
    periods: float
    samples: int
    ripple: float
    valley: float
    explained: float
    drift: float
    inverted: bool
    flat: bool
    notes: tuple[str, ...]
    doubts: tuple[str, ...]

    @property
    def mean(self) -> float:
        """[V] Mean of the capture."""
        return float(self.lines[0].real)

    def period(self, points: int = 512) -> Floats:
        """[V] The averaged period on even instants."""
        return waveform(self.lines, points)


def waveform(lines: Complexes, points: int) -> Floats:
    """[V] One period of a sum of harmonics."""
    half = np.zeros(points // 2 + 1, dtype=np.complex128)
    kept = min(len(lines), len(half))
    half[:kept] = lines[:kept]
    half[1:] *= 0.5
    return np.asarray(np.fft.irfft(half * points, points))


def sampling(t: float | npt.ArrayLike) -> float:
    """[s] The sample interval of a step or of even times. RippleError where they are not even."""
    times = np.asarray(t, dtype=np.float64)
    if times.ndim == 0:
        step = float(times)
    else:
        if times.ndim != 1 or len(times) < 2 or not np.isfinite(times).all():
            raise RippleError(tr("times: not a row of at least two finite numbers; allowed: seconds, rising evenly"))
        step = float((times[-1] - times[0]) / (len(times) - 1))
        uneven = float(np.abs(np.diff(times) - step).max()) if step > 0.0 else 1.0
        if uneven > 0.5 * step:
            raise RippleError(tr("times: uneven, or not rising; allowed: evenly spaced, none missing or twice"))
    if not isfinite(step) or not 1e-9 <= step <= 0.1:
        raise RippleError(tr("sample interval {step:g} s found; allowed: 1 ns to 0.1 s", step=step))
    return step


def samples(name: str, values: npt.ArrayLike) -> Floats:
    """A row of finite numbers. RippleError otherwise, naming the first sample that is none."""
    row = np.asarray(values, dtype=np.float64)
    if row.ndim != 1 or len(row) == 0:
        raise RippleError(tr("{name}: empty, or more than one column; allowed: one row of numbers", name=name))
    if not np.isfinite(row).all():
        first = int(np.flatnonzero(~np.isfinite(row))[0])
        raise RippleError(
            tr(
                "{name}: sample {sample} is {reading}; allowed: finite numbers",
                name=name,
                sample=first + 1,
                reading=row[first],
            )
        )
    if len(row) < LEAST_SAMPLES:
        raise RippleError(
            tr(
                "{name}: {row} samples found; allowed: at least {least_samples}",
                name=name,
                row=len(row),
                least_samples=LEAST_SAMPLES,
            )
        )
    if float(np.abs(row).max()) > 1e5:
        raise RippleError(tr("{name}: {row:g} found; allowed: up to 1e5", name=name, row=np.abs(row).max()))
    return row


def converter_step(row: Floats) -> float:
    """The converter's step, from the distances between the values met; 0 where there are too many of them."""
    met = np.unique(row)
    if len(met) < 2 or len(met) > max(0.25 * len(row), 64):
        return 0.0
    gaps = np.diff(met)
    gaps = gaps[gaps > 1e-3 * np.median(gaps)]  # the same value printed twice, rounded differently
    return float(np.median(gaps[gaps < 1.5 * gaps.min()]))


def clipped(row: Floats, lsb: float) -> bool:
    """True where samples pile up at the highest or lowest value."""
    step = lsb if lsb > 0.0 else float(np.ptp(row)) / 200.0
    for turned in (row, -row):
        below = turned.max() - turned
        top = int((below < 0.5 * step).sum())
        under = int(((below >= 0.5 * step) & (below < 5.5 * step)).sum()) / 5.0
        if top >= max(0.02 * len(row), 6) and top > 5.0 * max(under, 1.0):
            return True
    return False


def flat_top(row: Floats, lsb: float) -> bool:
    """True where the highest part is as flat as an input stage cut off there would leave it, noise on it or not.

    In one to five steps at the end lie five times as many samples as in as many steps next to them.
    """
    step = lsb if lsb > 0.0 else float(np.ptp(row)) / 200.0
    below = float(np.quantile(row, 1.0 - STRAY)) - row
    for size, least in NOISY_TOPS:
        held = int((below < (size - 0.5) * step).sum())
        under = int(((below >= (size - 0.5) * step) & (below < (6 * size - 0.5) * step)).sum()) / 5.0
        if np.ptp(row) >= least * step and held > 5.0 * max(under, 1.0):
            return True
    return False


def comb(t: float | npt.ArrayLike, volts: npt.ArrayLike, mains_hz: float, lsb: float | None, ac: bool) -> Comb:
    """Check a capture and split it.

    Parameters
    ----------
    t : float or array
        [s] Sample interval, or the times.
    volts : array
    mains_hz : float
        [Hz] 40 to 440 as it should be; found to within 1.5 %.
    lsb : float, optional
        [V] Step of the converter; found where not given.
    ac : bool
        The instrument was AC coupled.

    Raises
    ------
    RippleError
        Empty, not finite, clipped, flat, too short, too coarse, or without ripple at the mains frequency.
    """
    step = sampling(t)
    if not isfinite(mains_hz) or not 40.0 <= mains_hz <= 440.0:
        raise RippleError(
            tr("mains frequency {mains_hz:g} Hz found; allowed: 40 to 440 Hz, mostly 50 or 60", mains_hz=mains_hz)
        )
    row = samples("volts", volts)
    lsb = converter_step(row) if lsb is None else lsb
    if float(np.ptp(row)) <= 0.0:
        raise RippleError(
            tr("volts: a flat line at {row:g} V; allowed: a rail under load, at finer volts per division", row=row[0])
        )
    if lsb > 0.0 and np.ptp(row) < 2.5 * lsb:
        raise RippleError(
            tr(
                "volts: all within {steps:.0f} steps of the converter ({one_step} each); allowed: ripple over "
                "at least {least_steps:g} steps, so fewer volts per division",
                steps=np.ptp(row) / lsb,
                one_step=show(lsb, "V"),
                least_steps=LEAST_STEPS,
            )
        )
    if clipped(row, lsb):
        raise RippleError(
            tr("volts: clipped, many samples stuck at the end of the range; allowed: the whole ripple on screen")
        )
    per_period = 1.0 / (mains_hz * step)
    if per_period < LEAST_PER_PERIOD:
        raise RippleError(
            tr(
                "sample interval {step}: {per_period:.3g} samples a mains period; allowed: at least "
                "{least_per_period}, so a faster time base",
                step=show(step, "s"),
                per_period=per_period,
                least_per_period=LEAST_PER_PERIOD,
            )
        )
    periods = len(row) / per_period
    if periods < LEAST_PERIODS:
        raise RippleError(
            tr(
                "length {step}: {periods:.2g} mains periods; allowed: at least {least_periods:g}, best 5 "
                "or more, so a slower time base",
                step=show(len(row) * step, "s"),
                periods=periods,
                least_periods=LEAST_PERIODS,
            )
        )
    notes: list[str] = []
    doubts: list[str] = []
    inverted = bool(row.max() < 0.0) if not ac else False
    if inverted:
        row = -row
        notes.append(tr("a negative rail: turned over"))
    if periods > PERIODS_USED + 0.5:
        row = row[: round(PERIODS_USED * per_period)]
        notes.append(
            tr(
                "the first {periods_used} of {periods:.0f} mains periods are used",
                periods_used=PERIODS_USED,
                periods=periods,
            )
        )
        periods = float(PERIODS_USED)
    elif periods < 4.0:
        doubts.append(tr("only {periods:.2g} mains periods: 5 or more average the noise out", periods=periods))
    hertz = _mains(row, step, mains_hz)
    lumped = max(1, int(per_period / MOST_PER_PERIOD))
    fine = _lumps(row, lumped)
    made = _fit(fine, step * lumped, hertz, min(MOST_HARMONICS, int(0.4 * per_period / lumped)))
    _stands_out(made.explained, fine, step * lumped, mains_hz)
    strongest = int(np.argmax(np.abs(made.lines[1:]))) + 1
    if strongest > 2:
        raise RippleError(
            tr(
                "mains frequency {mains_hz:g} Hz: the capture repeats at {hertz:.4g} Hz, neither at the "
                "mains nor at twice it; allowed: ripple of a mains rectifier, with the right time base",
                mains_hz=mains_hz,
                hertz=strongest * hertz,
            )
        )
    # A lump of m samples is their mean at the middle: undo what that takes off the higher lines, and the shift.
    order = np.arange(len(made.lines))
    lines = made.lines * np.exp(-2j * np.pi * order * hertz * 0.5 * (lumped - 1) * step)
    lines = lines / np.sinc(order * hertz * step * lumped)
    wave = waveform(lines, 512)
    # A reservoir falls for more than half of the time; noise is kept out by taking the first lines only.
    if ac and float(np.median(np.diff(waveform(lines[:21], 128)))) > 0.0:
        lines = np.concatenate([lines[:1], -lines[1:]])
        inverted, wave = True, waveform(lines, 512)
        notes.append(tr("rises for longer than it falls: a negative rail or crossed probe, turned over"))
    flat = flat_top(-row if ac and inverted else row, lsb)
    if flat:
        doubts.append(
            tr("the top is flat, as if the input stage cut it off: take more volts per division, or less offset")
        )
    ripple = float(np.ptp(wave))
    if lsb > 0.0 and ripple < LEAST_STEPS * lsb:
        raise RippleError(
            tr(
                "volts: a ripple of {steps:.1f} steps of the converter ({one_step} each); allowed: at least "
                "{least_steps:g}, so fewer volts per division with the offset turned, or AC coupling "
                "with its corner known",
                steps=ripple / lsb,
                one_step=show(lsb, "V"),
                least_steps=LEAST_STEPS,
            )
        )
    if abs(hertz / mains_hz - 1.0) > 0.004:
        doubts.append(
            tr(
                "the mains reads {hertz:.2f} Hz by this time base, {mains_hz:g} Hz was said",
                hertz=hertz,
                mains_hz=mains_hz,
            )
        )
    if made.left > 0.5:
        doubts.append(
            tr("what is left beside the mains harmonics is no plain noise: the load changes, or something switches")
        )
    # The converter's rounding repeats where the samples fall alike in every period, so it averages over one only.
    rounding = lsb * lsb / 12.0 / lumped
    whole = made.noise**2 * (1.0 + made.left) / (1.0 - made.left) / len(fine)
    variance = 2.0 * max(whole, rounding / (per_period / lumped) if made.noise < 0.6 * lsb else 0.0)
    return Comb(
        lines=lines,
        variance=max(variance, (1e-9 * ripple) ** 2),
        noise=max(made.noise, lsb / 12.0**0.5 / lumped**0.5),
        lsb=lsb,
        hertz=hertz,
        periods=periods,
        samples=len(row),
        ripple=ripple,
        valley=float(wave.min()),
        explained=made.explained,
        drift=made.drift,
        inverted=inverted,
        flat=flat,
        notes=tuple(notes),
        doubts=tuple(doubts),
    )


@dataclass(frozen=True, slots=True)
class _Fitted:
    lines: Complexes
    noise: float
    explained: float
    left: float
    drift: float


def _lumps(row: Floats, size: int) -> Floats:
    return row if size == 1 else row[: len(row) // size * size].reshape(-1, size).mean(axis=1)


def _columns(count: int, step: float, hertz: float, most: int) -> Floats:
    times = step * np.arange(count)
    turn = 2.0 * np.pi * hertz * times
    place = np.linspace(-1.0, 1.0, count)
    rows = [np.ones(count), place, place**2 - 1.0 / 3.0]
    first = np.exp(1j * turn)
    power = np.ones(count, dtype=np.complex128)
    for _ in range(most):
        power = power * first
        rows += [power.real, -power.imag]  # of the real and of the imaginary part of the line of exp(i n w t)
    return np.array(rows).T


def _least(columns: Floats, row: Floats) -> Floats:
    """Least squares by the normal equations: harmonics over two periods or more are nearly orthogonal."""
    return np.asarray(np.linalg.solve(columns.T @ columns, columns.T @ row))


def _fit(row: Floats, step: float, hertz: float, most: int) -> _Fitted:
    most = min(most, max(3, (len(row) - 10) // 4))
    columns = _columns(len(row), step, hertz, most)
    weights = _least(columns, row)
    rest = row - columns @ weights
    free = max(len(row) - columns.shape[1], 1)
    noise = float(np.sqrt(rest @ rest / free))
    centred = row - columns[:, :3] @ weights[:3]
    explained = 1.0 - float(rest @ rest) / max(float(centred @ centred), 1e-300)
    left = float(rest[1:] @ rest[:-1]) / max(float(rest @ rest), 1e-300)
    lines = np.concatenate([[weights[0] + 0j], weights[3::2] + 1j * weights[4::2]])
    return _Fitted(lines, noise, explained, min(max(left, 0.0), 0.95), float(2.0 * weights[1]))


def _mains(row: Floats, step: float, near: float) -> float:
    """[Hz] The mains frequency whose first harmonics leave least, within `WANDER` of `near`."""
    size = max(1, int(1.0 / (near * step) / 120))
    lumped, step = _lumps(row, size), step * size

    def left(hertz: float) -> float:
        columns = _columns(len(lumped), step, hertz, 8)
        rest = lumped - columns @ _least(columns, lumped)
        return float(rest @ rest)

    tried = near * np.linspace(1.0 - WANDER, 1.0 + WANDER, 31)
    for _ in range(2):
        worth = [left(hertz) for hertz in tried]
        best = int(np.argmin(worth))
        low, high = tried[max(best - 1, 0)], tried[min(best + 1, len(tried) - 1)]
        tried = np.linspace(low, high, 9)
    worth = [left(hertz) for hertz in tried]
    best = min(max(int(np.argmin(worth)), 1), len(tried) - 2)
    before, here, after = worth[best - 1 : best + 2]
    bend = before - 2.0 * here + after
    shift = 0.5 * (before - after) / bend if bend > 0.0 else 0.0
    return float(tried[best] + min(max(shift, -1.0), 1.0) * (tried[1] - tried[0]))


def _stands_out(explained: float, row: Floats, step: float, mains_hz: float) -> None:
    """RippleError where the mains explains too little, with what the capture repeats at instead."""
    if explained >= 0.5:
        return
    count = len(row)
    flat = (row - np.polyval(np.polyfit(np.arange(count), row, 1), np.arange(count))) * np.hanning(count)
    power = np.abs(np.fft.rfft(flat, 4 * count)) ** 2
    peak = int(np.argmax(power[4:])) + 4
    found = peak / (4 * count * step)
    near = power[max(peak - 8, 0) : peak + 9].sum() / max(power.sum(), 1e-300)
    if near < 0.2 or min(abs(found / mains_hz - 1.0), abs(found / (2.0 * mains_hz) - 1.0)) < 0.02:
        raise RippleError(
            tr(
                "volts: more noise than ripple of a mains of {mains_hz:g} Hz; allowed: a rectified rail "
                "under load, with fewer volts per division",
                mains_hz=mains_hz,
            )
        )
    others = [other for other in (50.0, 60.0) if other != mains_hz]
    for other in others:
        if min(abs(found / other - 1.0), abs(found / (2.0 * other) - 1.0)) < 0.02:
            raise RippleError(
                tr(
                    "mains frequency {mains_hz:g} Hz: the capture repeats at {found:.4g} Hz, which fits a "
                    "mains of {other:g} Hz; allowed: the mains it was taken on, and the right time base",
                    mains_hz=mains_hz,
                    found=found,
                    other=other,
                )
            )
    raise RippleError(
        tr(
            "mains frequency {mains_hz:g} Hz: the capture repeats at {found}, neither at the mains "
            "nor at twice it; allowed: ripple of a mains rectifier (no switching supply), with the "
            "right time base",
            mains_hz=mains_hz,
            found=show(found, "Hz", 4),
        )
    )
