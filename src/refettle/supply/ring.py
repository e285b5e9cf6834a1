"""The periodic steady state of a reservoir as one system of equations, closed into a ring and solved at once.

The state is the voltage u inside the reservoir capacitor. At every instant the rectifier current follows from it in
closed form, R i + a ln(1 + i/Is) = U, by Wright's omega function; a = m n VT with m diodes in the path. What is left,
C du/dt = i - load, is written down over one period by the trapezoidal rule, and Newton's method finds all its instants
together. Many variants are worked out side by side.

The closed form: T. C. Banwell and A. Jayakumar, "Exact analytical solution for current flow through diode with series
resistance", Electronics Letters 36 (2000), from memory.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from refettle.supply.values import Floats

LoadKind = Literal["current", "resistance", "power"]
Drawn = tuple[LoadKind, Floats, Floats]
"""A load's kind, value and knee, both (n, 1)."""
LEAK = 1e-9
"""[S] across the reservoir, so that a supply without load has a steady state too."""
_CLOSE = 1e-7
"""Largest move of the last round, as a part of the source's peak."""


def load_current(kind: LoadKind, value: Floats, knee: Floats, volt: Floats) -> tuple[Floats, Floats]:
    """Current [A] of a load at a rail of `volt`, and its slope [A/V]; shapes that go with each other."""
    if kind == "current":
        bend = np.tanh(volt / knee)
        return value * bend, value / knee * (1.0 - bend * bend)
    if kind == "resistance":
        return volt / value, np.broadcast_to(1.0 / value, volt.shape)
    square, fourth, soft = volt * volt, volt**4, knee**4
    below = fourth + soft
    return value * volt * square / below, value * square * (3.0 * soft - fourth) / below**2


@dataclass(frozen=True, slots=True)
class Ring:
    """The equations of some variants; every array is (n, 1) but `drive` [V], which is (n, instants of the ring).

    `ohm` [ohm] in the source and the diodes; `a` [V]; `saturation` [A]; `farad` [F]; `esr` [ohm]; `step` [s].
    """

    drive: Floats
    ohm: Floats
    a: Floats
    saturation: Floats
    farad: Floats
    esr: Floats
    loads: tuple[Drawn, ...]
    step: float

    def solve(self) -> tuple[Floats, Floats, Floats, Floats]:
        """Rail [V], rectifier current, capacitor current and load [A]; NaN for variants without a steady state."""
        rail = self._flat_start() + np.zeros_like(self.drive)
        state, rail, moving = self._newton(rail, rail, 25)
        if np.any(moving):
            state[moving], rail[moving] = self._only(moving)._way_down()
        rail, current, into, _, _ = self._at(state, rail)
        return rail, current, into, current - into

    def _drawn(self, volt: Floats) -> tuple[Floats, Floats]:
        """Current of all loads together at a rail of `volt`, and its slope."""
        current, slope = LEAK * volt, np.full_like(volt, LEAK)
        for each in self.loads:
            more, steeper = load_current(*each, volt)
            current, slope = current + more, slope + steeper
        return current, slope

    def _at(self, state: Floats, volt: Floats) -> tuple[Floats, Floats, Floats, Floats, Floats]:
        """Rail voltage, rectifier current, capacitor current, slopes of capacitor current and rail over the state.

        `state` is the voltage inside the capacitor, `volt` the rail where the load is taken as a straight line.
        """
        from scipy.special import wrightomega

        load, slope = self._drawn(volt)
        slope = np.maximum(slope, -0.5 / (self.esr + self.ohm))  # a constant power's fall must not outrun the source
        rest = load - slope * volt
        q = 1.0 + self.esr * slope
        whole = self.ohm + self.esr / q
        over = self.drive - (state - self.esr * rest) / q
        lift = whole * self.saturation
        omega = wrightomega((over + lift) / self.a + np.log(lift / self.a))
        current = self.a / whole * omega - self.saturation
        di = -omega / (1.0 + omega) / (whole * q)
        rail = (state + self.esr * (current - rest)) / q
        drail = (1.0 + self.esr * di) / q
        return rail, current, current - rest - slope * rail, di - slope * drail, drail

    def _newton(self, state: Floats, rail: Floats, most: int) -> tuple[Floats, Floats, NDArray[np.bool_]]:
        """State and rail after at most `most` rounds, and for each variant whether it is still moving."""
        half = self.step / (2.0 * self.farad)
        scale = np.max(np.abs(self.drive), axis=1, keepdims=True)
        share = np.ones_like(scale)
        before = np.full_like(scale, np.inf)
        for _ in range(most):
            rail, _, into, dinto, drail = self._at(state, rail)
            missing = half * (into + np.roll(into, -1, axis=1)) - (np.roll(state, -1, axis=1) - state)
            move = _around(1.0 - half * dinto, 1.0 + half * dinto, missing)
            largest = np.max(np.abs(move), axis=1, keepdims=True)
            # Full steps as long as they shrink; shorter ones where they do not, or where a leap is far.
            share = np.where(largest <= before, np.minimum(1.0, 2.0 * share), np.maximum(0.5 * share, 0.05))
            before = largest
            move *= np.minimum(share, 0.5 * scale / np.maximum(largest, 1e-300))
            state = state + move
            rail = rail + drail * move
            moving = ~(largest[:, 0] <= _CLOSE * scale[:, 0]) & ~np.isnan(state[:, 0])
            if not np.any(moving):
                break
        return state, rail, moving

    def _way_down(self) -> tuple[Floats, Floats]:
        """State and rail where the rail touches 0 V: from a load that fades over many volts, in small steps."""
        soft = np.max(np.abs(self.drive), axis=1, keepdims=True)
        firm = np.min(np.concatenate([knee for _, _, knee in self.loads], axis=1), axis=1, keepdims=True)
        rail = self._softened(soft)._flat_start() + np.zeros_like(self.drive)
        state = rail
        lost = np.zeros(self.drive.shape[0], dtype=bool)
        while True:
            state, rail, moving = self._softened(soft)._newton(state, rail, 60)
            lost |= moving
            state[lost] = rail[lost] = np.nan
            if np.all(soft <= firm):
                return state, rail
            soft = 0.6 * soft

    def _softened(self, knee: Floats) -> Ring:
        """The same with loads that fade from no less than `knee` [V] down."""
        return replace(self, loads=tuple((kind, value, np.maximum(knee, own)) for kind, value, own in self.loads))

    def _only(self, which: NDArray[np.bool_]) -> Ring:
        """The equations of some of the variants."""
        return Ring(
            self.drive[which],
            self.ohm[which],
            self.a[which],
            self.saturation[which],
            self.farad[which],
            self.esr[which],
            tuple((kind, value[which], knee[which]) for kind, value, knee in self.loads),
            self.step,
        )

    def _flat_start(self) -> Floats:
        """[V] (n, 1) the steady rail that an endless reservoir would have: as much charge in as out."""
        from scipy.special import wrightomega

        coarse = self.drive[:, :: max(1, self.drive.shape[1] // 32)]
        lift = self.ohm * self.saturation
        low = np.zeros_like(self.ohm)
        high = np.max(self.drive, axis=1, keepdims=True)
        top = high

        def surplus(level: Floats) -> Floats:
            omega: Floats = wrightomega((coarse - level + lift) / self.a + np.log(lift / self.a))
            gain: Floats = np.mean(self.a / self.ohm * omega - self.saturation, axis=1, keepdims=True)
            gain -= self._drawn(level)[0]
            return gain

        # The highest balance is the one that a supply switched on comes down to.
        found = np.zeros_like(self.ohm, dtype=bool)
        for part in np.linspace(0.9, 0.0, 10):
            enough = (surplus(part * top) >= 0.0) & ~found
            low = np.where(enough, part * top, low)
            found |= enough
            high = np.where(found, high, part * top)
        for _ in range(6):
            middle = 0.5 * (low + high)
            enough = surplus(middle) >= 0.0
            low, high = np.where(enough, middle, low), np.where(enough, high, middle)
        start: Floats = 0.5 * (low + high)
        return start


def _around(lead: Floats, trail: Floats, right: Floats) -> Floats:
    """x of lead[k+1] x[k+1] - trail[k] x[k] = right[k] around a ring, for each row of (n, instants)."""
    from scipy.linalg.lapack import dtbtrs

    # Started from x[0] = 0 with the right side, and from x[0] = 1 without it; the way back to x[0] joins the two.
    band = np.stack((lead, -trail))
    band[0, :, 0] = 1.0
    band[1, :, -1] = 0.0
    sides = np.zeros((2, *right.shape))
    sides[0, :, 1:] = right[:, :-1]
    sides[1, :, 0] = 1.0
    solved, _ = dtbtrs(band.reshape(2, -1), sides.reshape(2, -1).T, uplo="L")
    with_right, without = solved.T.reshape(sides.shape)
    carry = trail[:, -1:] / lead[:, :1]
    first = (right[:, -1:] / lead[:, :1] + carry * with_right[:, -1:]) / (1.0 - carry * without[:, -1:])
    found: Floats = with_right + first * without
    return found
