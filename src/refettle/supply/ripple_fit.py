"""The supply behind a comb of ripple: most likely parameters, and how far each is known.

All that is not known for sure is a parameter with a prior: source resistance, the EMF and its third, fifth and seventh
harmonics, the diodes' knee, how the load goes with the rail, halves that differ, the corner of an AC-coupled input. So
the spread of C and ESR holds what these leave open, not the noise alone. Found by damped Gauss-Newton from several
starts; the spread is that of the linear model at the end, widened where more is left than the noise explains.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from refettle.language import tr
from refettle.supply.ripple_model import CIRCUIT, POINTS, Complexes, Floats, NoSteadyStateError, Wave, solve, spectrum
from refettle.supply.ripple_wave import Comb, RippleError, waveform

LoadKind = Literal["current", "resistance", "power"]
SLOPES: dict[LoadKind, float] = {"current": 0.0, "resistance": 1.0, "power": -1.0}
NAMES = (*CIRCUIT, "phase", "ln_corner")
LN_C, TAU, LN_RS, LN_PEAK, LN_A, LN_I, SLOPE, UNEVEN = range(8)
PHASE, CORNER = len(CIRCUIT), len(CIRCUIT) + 1
THERMAL = 0.0259
"""[V] kT/q near 27 °C."""
HARMONIC_SPREAD = (0.02, 0.02, 0.01)
"""Spread of the cosine and of the sine part of mains harmonics 3, 5, 7, as shares (estimate; EN 50160 allows 5, 6 and
5 % in all, from memory)."""
MODEL_SHARE = 3e-4
"""Of the ripple: what this model leaves of a circuit simulator's rail, in each line."""
KNEES: dict[str, tuple[float, float]] = {"one": (0.045, 0.15), "two": (0.09, 0.15), "unknown": (0.063, 0.4)}
"""[V] m n kT/q of one or two silicon diodes in the path, n 1.75, and its spread in logarithm (estimate)."""

STARTS = ((1.0, 2e-4), (0.3, 2e-3), (3.0, 8e-4), (1.0, 8e-3), (0.1, 3e-3))
"""Of source resistance over its guess, and of ESR times C [s]."""
ENOUGH_ALIKE = 1.0
"""Cost for each datum below which two starts that end alike need no third."""


@dataclass(frozen=True, slots=True)
class Known:
    """What the fit is told.

    `level` [V] mean of the rail with `level_spread`, None where nothing says it; `load` [A] mean with `load_spread`
    in logarithm, None unknown; `corner` [Hz] of AC coupling with its spread in logarithm, None for DC coupling;
    `drops` diodes in the path; `peak` [V] of the EMF, if measured.
    """

    level: float | None
    level_spread: float
    load: float | None
    load_spread: float
    load_kind: LoadKind | None
    corner: float | None
    corner_spread: float
    drops: Literal["one", "two", "unknown"]
    peak: float | None = None


@dataclass(frozen=True, slots=True)
class Fit:
    """`x` in the order of `NAMES` with covariance `cov`; `wave`; `misfit` what is left over what noise explains, as a
    ratio of variances; `rest` [V] rms of measured less fitted period; `rail` and `capacitor` the fitted steady state;
    `shown` [V] the fitted period as the instrument shows it, on the instants of the measured one; `strain` sum of
    squares of how many prior spreads the parameters lie off: a few for real supplies, over 30 for what is none."""

    wave: Wave
    x: Floats
    cov: Floats
    misfit: float
    rest: float
    rail: Floats
    capacitor: Floats
    shown: Floats
    level: float
    strain: float


@dataclass(frozen=True, slots=True)
class _Point:
    """One point of the fit: parameters, weighted differences to the data and their derivatives, lines, cost, state."""

    x: Floats
    off: Floats
    by: Floats
    lines: Complexes
    cost: float
    rail: Floats
    capacitor: Floats


class _Problem:
    def __init__(self, comb: Comb, known: Known, wave: Wave, uneven_spread: float) -> None:
        self.comb, self.known, self.wave = comb, known, wave
        self.order = np.arange(1, len(comb.lines))
        self.data = comb.lines[1:]
        self.weight = 1.0 / np.sqrt(comb.variance + (MODEL_SHARE * comb.ripple) ** 2)
        self.level = known.level
        self.load = 1.0 if known.load is None else known.load
        self.free = np.ones(len(NAMES), dtype=bool)
        self.free[CORNER] = known.corner is not None
        self.free[UNEVEN] = wave == "full"
        self.uneven_spread = uneven_spread
        self.mean, self.spread = self._prior()

    def _prior(self) -> tuple[Floats, Floats]:
        known, comb = self.known, self.comb
        level = known.level if known.level is not None else 10.0
        mean, spread = np.zeros(len(NAMES)), np.full(len(NAMES), np.inf)
        falls = -np.diff(comb.period(POINTS), append=0.0)[:-1] * POINTS * comb.hertz
        slope = float(np.median(falls[falls > 0.0])) if (falls > 0.0).any() else comb.ripple * comb.hertz
        knee = KNEES[known.drops]
        mean[LN_C] = np.log(self.load / slope)
        mean[TAU] = 3e-4
        mean[LN_RS], spread[LN_RS] = np.log(0.06 * level / self.load), 1.2
        mean[LN_A], spread[LN_A] = np.log(knee[0]), knee[1]
        drop = 20.0 * knee[0]
        mean[LN_PEAK], spread[LN_PEAK] = np.log(1.15 * level + drop), 0.5 if known.level is not None else 0.8
        if known.peak is not None:
            mean[LN_PEAK], spread[LN_PEAK] = np.log(known.peak), 0.08
        mean[LN_I], spread[LN_I] = np.log(self.load), 1.5  # held by the mean current, see `at`
        mean[SLOPE], spread[SLOPE] = (0.0, 0.7) if known.load_kind is None else (SLOPES[known.load_kind], 0.05)
        mean[UNEVEN], spread[UNEVEN] = 1.0, self.uneven_spread
        spread[UNEVEN + 1 : PHASE] = np.repeat(HARMONIC_SPREAD, 2)
        if known.corner is not None:
            mean[CORNER], spread[CORNER] = np.log(known.corner), known.corner_spread
        return mean, spread

    def at(self, x: Floats, rail: Floats | None = None) -> _Point:
        """The point of these parameters, its steady state found from `rail`. Raises NoSteadyStateError."""
        comb = self.comb
        level = self.level
        if level is None:  # near enough for how the load goes with the rail
            level = float(max(0.9 * np.exp(x[LN_PEAK]) - 12.0 * np.exp(x[LN_A]), 1.0))
        solved = solve(x[:PHASE], self.wave, comb.hertz, rail, level=level)
        all_lines = spectrum(np.vstack([solved.rail, solved.by]), len(self.order))
        turn = np.exp(1j * self.order * x[PHASE])
        if self.known.corner is not None:
            ratio = self.order * comb.hertz / np.exp(x[CORNER])
            passed = 1j * ratio / (1.0 + 1j * ratio)
            turn = turn * passed
            by_corner = -1.0 / (1.0 + 1j * ratio)
        lines = all_lines[0, 1:] * turn
        by = np.zeros((len(NAMES), len(self.order)), dtype=np.complex128)
        by[:PHASE] = all_lines[1:, 1:] * turn
        by[PHASE] = 1j * self.order * lines
        if self.known.corner is not None:
            by[CORNER] = lines * by_corner
        off = (lines - self.data) * self.weight
        steep = by * self.weight
        rows, columns = [off.real, off.imag], [steep.real, steep.imag]
        if self.known.level is not None:
            rows.append(np.array([(all_lines[0, 0].real - self.known.level) / self.known.level_spread]))
            mean_by = np.zeros((len(NAMES), 1))
            mean_by[:PHASE, 0] = all_lines[1:, 0].real / self.known.level_spread
            columns.append(mean_by)
        drawn = max(solved.drawn, 1e-9)
        rows.append(np.array([np.log(drawn / self.load) / self.known.load_spread]))
        load_by = np.zeros((len(NAMES), 1))
        load_by[:PHASE, 0] = solved.drawn_by / drawn / self.known.load_spread
        columns.append(load_by)
        differences = np.concatenate(rows)
        apart = ((x - self.mean) / self.spread)[self.free]
        cost = float(differences @ differences + apart @ apart)
        return _Point(x, differences, np.concatenate(columns, axis=1), lines, cost, solved.rail, solved.capacitor)

    def run(self, x: Floats, turns: int = 60) -> _Point:
        """From a start to the end. Raises NoSteadyStateError where the start has none."""
        here, damping = self.at(x), 1e-2
        keep = np.flatnonzero(self.free)
        tight = np.diag(1.0 / self.spread[keep] ** 2)
        for _ in range(turns):
            steep = here.by[keep]
            normal = steep @ steep.T + tight
            pull = -(steep @ here.off) - (here.x - self.mean)[keep] / self.spread[keep] ** 2
            scale = np.diag(np.diag(normal))
            gained = 0.0
            for _ in range(8):
                move = np.zeros(len(NAMES))
                move[keep] = np.linalg.solve(normal + damping * scale, pull)
                try:
                    trial = self.at(here.x + _limited(move, here.x), here.rail)
                except NoSteadyStateError:
                    damping *= 10.0
                    continue
                if trial.cost < here.cost:
                    gained = here.cost - trial.cost
                    here, damping = trial, max(damping / 5.0, 1e-9)
                    break
                damping *= 6.0
            if gained < 1e-4 * max(1.0, 1e-3 * here.cost):
                break
        return here


def _limited(move: Floats, x: Floats) -> Floats:
    """A step no longer than the model stays near itself."""
    most = np.full(len(NAMES), 0.5)
    most[TAU] = max(1e-3, 0.7 * abs(x[TAU]))
    most[LN_A] = most[UNEVEN] = 0.2
    most[UNEVEN + 1 : PHASE] = 0.02
    most[PHASE] = 0.3
    share = float(np.max(np.abs(move) / most))
    return move / share if share > 1.0 else move


def fit(comb: Comb, known: Known, wave: Wave, uneven_spread: float = 0.01) -> Fit:
    """Fit one kind of rectifier.

    Parameters
    ----------
    comb : Comb
    known : Known
    wave : "half" or "full"
    uneven_spread : float
        Of the second half's EMF over the first's; by default that of a healthy supply (estimate).

    Raises
    ------
    RippleError
        No supply of this kind gives such a capture.
    """
    problem = _Problem(comb, known, wave, uneven_spread)
    best: _Point | None = None
    for number, (resistance, tau) in enumerate(STARTS):
        start = problem.mean.copy()
        start[LN_RS] += np.log(resistance)
        start[TAU] = tau
        try:
            found = problem.run(_in_phase(problem, start))
        except (NoSteadyStateError, np.linalg.LinAlgError):
            continue
        if not np.isfinite(found.cost):
            continue
        agreed = best is not None and abs(found.cost - best.cost) < 0.02 * best.cost + 1.0
        if best is None or found.cost < best.cost - 1e-3:
            best = found
        if number and agreed and best.cost < ENOUGH_ALIKE * 2.0 * len(problem.data):
            break
    if best is None:
        raise RippleError(
            tr(
                "volts: no {wave}-wave supply gives this shape; allowed: ripple of a mains rectifier and reservoir",
                wave=wave,
            )
        )
    keep = np.flatnonzero(problem.free)
    shape = best.off[: 2 * len(best.lines)]
    free = max(len(shape) - len(keep) + 3, 5)  # a good part of the parameters is held by priors
    misfit = float(shape @ shape) / free
    steep = best.by[keep]
    normal = steep @ steep.T / max(misfit, 1.0) + np.diag(1.0 / problem.spread[keep] ** 2)
    cov = np.zeros((len(NAMES), len(NAMES)))
    try:
        cov[np.ix_(keep, keep)] = np.linalg.inv(normal)
    except np.linalg.LinAlgError:
        raise RippleError(
            tr("volts: a shape that leaves C and ESR open; allowed: ripple of a mains rectifier")
        ) from None
    cov[TAU] *= (widened := _widened(problem, best, float(np.sqrt(cov[TAU, TAU])), max(misfit, 1.0)))
    cov[:, TAU] *= widened
    rest = float(np.sqrt(0.5 * np.sum(np.abs(best.lines - comb.lines[1:]) ** 2)))
    level = known.level if known.level is not None else float(best.rail.mean())
    shown = waveform(np.concatenate([comb.lines[:1], best.lines]), POINTS)
    apart = ((best.x - problem.mean) / problem.spread)[keep]
    return Fit(wave, best.x, cov, misfit, rest, best.rail, best.capacitor, shown, level, float(apart @ apart))


def _widened(problem: _Problem, best: _Point, spread: float, misfit: float) -> float:
    """How much wider tau is open than the linear model says, by the cost two deviations away with all else refitted."""
    problem.free[TAU] = False
    widest = 1.0
    for side in (-2.0, 2.0):
        moved = best.x.copy()
        moved[TAU] += side * spread
        try:
            risen = (problem.run(moved).cost - best.cost) / misfit
        except (NoSteadyStateError, np.linalg.LinAlgError):
            continue
        widest = max(widest, min(2.0 / np.sqrt(max(risen, 1e-3)), 4.0))
    problem.free[TAU] = True
    return float(widest)


def _in_phase(problem: _Problem, start: Floats) -> Floats:
    """The start with its phase set so that the strongest line agrees with the data."""
    lines = problem.at(start).lines
    line = 0 if problem.wave == "half" else 1
    start = start.copy()
    start[PHASE] = float(np.angle(problem.data[line] / lines[line])) / (line + 1)
    if problem.wave == "full" and problem.uneven_spread > 0.02:
        odd = problem.data[0] * np.exp(-1j * start[PHASE])
        if odd.imag > 0.0:  # the half that is said to be weaker is the other one
            start[PHASE] += np.pi
    return start
