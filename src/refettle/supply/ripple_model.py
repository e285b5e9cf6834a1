"""The rail of a rectified supply in steady state, with its derivatives: the forward model of the ripple fit.

Unknown is the rail r at N even instants of one mains period. With the diodes' current j(e - r) in closed form
(Lambert's omega), the reservoir's current i = j - load(r) and its inner voltage r - ESR i, the trapezoid rule over
each step, closed on itself, gives N equations whose matrix is cyclic with two bands:

    A(r[k+1]) = B(r[k]),   A = r - (ESR + h/2C) i,   B = r - (ESR - h/2C) i

so one Newton step costs one banded solution, and the same matrix gives the derivatives by every parameter. That, and
halves of unlike EMF, is why this stands beside `rectifier`, which solves many supplies at once without derivatives; a
test holds the two together. Model: exponential diodes without storage, EMF behind a resistance, no leakage inductance.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from refettle.language import tr

Floats = npt.NDArray[np.float64]
Complexes = npt.NDArray[np.complex128]
Wave = Literal["half", "full"]
POINTS = 512
"""Instants of one mains period: 39 µs at 50 Hz."""
SATURATION = 2.55e-9
"""[A] of the diodes. Another value moves the rail by a constant, which the EMF takes up."""
COLLAPSE = 0.5
"""[V] below which a load falls off."""
ORDERS = (3, 5, 7)
"""Mains harmonics that the EMF may carry."""
CIRCUIT = (
    "ln_c", "tau", "ln_rs", "ln_peak", "ln_a", "ln_i", "slope", "uneven",
    "cos3", "sin3", "cos5", "sin5", "cos7", "sin7",
)  # fmt: skip
"""Parameters: logarithms of C [F], of the source resistance with the diodes' [ohm], of the EMF's peak [V], of the
diode drops' scale m n kT/q [V], of the mean load current [A]; `tau` ESR times C [s]; `slope` of the load (dI/dV)(V/I),
0 constant current, 1 resistance, -1 power; `uneven` the second half's EMF over the first's; mains harmonics
as shares."""
_STEPS_MOST = 40
_CLOSE = 1e-7


class NoSteadyStateError(ArithmeticError):
    """The parameters lead to no steady state that could be found."""


@dataclass(frozen=True, slots=True)
class Solved:
    """One steady state: `rail` [V] and `capacitor` current [A] at the instants, `by` (parameters, instants) of the
    rail; `drawn` [A] mean current of the load, below its parameter where the rail nears 0 V, and its `drawn_by`."""

    rail: Floats
    capacitor: Floats
    by: Floats
    drawn: float
    drawn_by: Floats


_ANGLE = 2.0 * np.pi * np.arange(POINTS) / POINTS
_SIN = np.sin(_ANGLE)
_WAVES = np.array([wave(n * _ANGLE) for n in ORDERS for wave in (np.cos, np.sin)])


def solve(x: Floats, wave: Wave, hertz: float, rail: Floats | None = None, *, level: float | None = None) -> Solved:
    """The steady state of parameters `x` (in the order of `CIRCUIT`) at `hertz` [Hz] of the mains.

    `rail` is a guess to start from; `level` [V] the rail at which the load draws its mean current, by default the mean
    of the guess. Raises NoSteadyStateError.
    """
    from scipy.special import wrightomega

    c, tau, rs, peak, a, load = np.exp(x[0]), x[1], np.exp(x[2]), np.exp(x[3]), np.exp(x[4]), np.exp(x[5])
    slope, uneven = x[6], x[7]
    esr = tau / c
    half_step = 0.5 / (POINTS * hertz * c)
    shape = _SIN + x[8:14] @ _WAVES
    emf = peak * shape
    if rail is None:
        rail = np.full(POINTS, max(0.85 * (peak - 8.0 * a), 0.2))
    level = max(float(rail.mean()) if level is None else level, COLLAPSE)
    legs = [(emf, 1.0)] if wave == "half" else [(emf, 1.0), (-uneven * emf, -uneven)]
    offset = np.log(SATURATION * rs / a) + SATURATION * rs / a

    def currents(r: Floats) -> tuple[Floats, Floats, list[tuple[Floats, Floats]], Floats, Floats, Floats, Floats]:
        """Capacitor current and its slope; of each leg current and conductance; load's tanh, line, current, slope."""
        each = []
        for drive, _ in legs:
            omega = wrightomega((drive - r) / a + offset).real
            each.append((a / rs * omega - SATURATION, omega / (1.0 + omega) / rs))
        fall = np.tanh(r / COLLAPSE)
        line = np.maximum(1.0 + slope * (r - level) / level, 0.05)
        drawn = load * fall * line
        steep = load * ((1.0 - fall**2) / COLLAPSE * line + fall * slope / level * (line > 0.05))
        i = sum(j for j, _ in each) - drawn
        return i, -sum(g for _, g in each) - steep, each, fall, line, drawn, steep

    for _ in range(_STEPS_MOST):
        i, di, *_ = currents(rail)
        upper, lower = rail - (esr + half_step) * i, rail - (esr - half_step) * i
        matrix = _Cyclic(1.0 - (esr + half_step) * di, 1.0 - (esr - half_step) * di)
        move = matrix.solve((lower - np.roll(upper, -1))[None, :])[0]
        largest = float(np.abs(move).max())
        if not np.isfinite(largest):
            break
        rail = rail + move * min(1.0, 0.5 * peak / largest)
        if largest < _CLOSE * peak:
            break
    else:
        raise NoSteadyStateError(tr("no steady state found"))
    if not np.isfinite(rail).all():
        raise NoSteadyStateError(tr("no steady state found"))
    i, di, each, fall, line, drawn, steep = currents(rail)
    matrix = _Cyclic(1.0 - (esr + half_step) * di, 1.0 - (esr - half_step) * di)
    by_i = np.zeros((len(CIRCUIT), POINTS))
    for (drive, sign), (j, g) in zip(legs, each, strict=True):
        over = drive - rail
        by_i[2] -= g * j * rs
        by_i[3] += g * drive
        by_i[4] -= g * (over - j * rs)
        by_i[8:14] += g * sign * peak * _WAVES
        if sign != 1.0:
            by_i[7] -= g * emf
    by_i[5] = -drawn
    by_i[6] = -load * fall * (rail - level) / level * (line > 0.05)
    by_upper, by_lower = -(esr + half_step) * by_i, -(esr - half_step) * by_i
    by_upper[0] += (esr + half_step) * i  # ESR and h/2C both go with 1/C at a given tau
    by_lower[0] += (esr - half_step) * i
    by_upper[1] -= i / c
    by_lower[1] -= i / c
    by = matrix.solve(by_lower - np.roll(by_upper, -1, axis=1))
    drawn_by = (steep * by).mean(axis=1)
    drawn_by[5:7] -= by_i[5:7].mean(axis=1)
    return Solved(rail, i, by, float(drawn.mean()), drawn_by)


class _Cyclic:
    """u[k+1] x[k+1] - l[k] x[k] = f[k] on a ring."""

    def __init__(self, upper: Floats, lower: Floats) -> None:
        self.scale = np.roll(upper, -1)
        ratio = lower / self.scale
        self.ratio = ratio
        self.band = np.ones((2, POINTS), order="F")
        self.band[1, :-1] = -ratio[1:]
        first = np.zeros(POINTS)
        first[0] = ratio[0]
        self.ring = self._open(first[:, None])[:, 0]

    def _open(self, right: Floats) -> Floats:
        from scipy.linalg.lapack import dtbtrs

        return np.asarray(dtbtrs(self.band, right, uplo="L", diag="U")[0])

    def solve(self, right: Floats) -> Floats:
        """`right` (rows, instants); the solution in the same shape."""
        part = self._open((right / self.scale).T)
        closing = 1.0 - self.ring[-1]
        if not (abs(closing) > 1e-12 and np.isfinite(part).all()):
            raise NoSteadyStateError(tr("no steady state found"))
        last = part[-1] / closing
        return np.roll((part + self.ring[:, None] * last).T, 1, axis=1)


def spectrum(rows: Floats, most: int) -> Complexes:
    """Coefficients of exp(i n w t), n = 0 to `most`, of rows over one period; those above 0 doubled."""
    out = np.fft.rfft(rows, axis=-1)[..., : most + 1] / rows.shape[-1]
    out[..., 1:] *= 2.0
    return np.asarray(out, dtype=np.complex128)
