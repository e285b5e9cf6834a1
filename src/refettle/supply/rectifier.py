"""A rectified supply in its periodic steady state: source, rectifier with exponential diodes, reservoir, load.

The state is the voltage u inside the reservoir capacitor. At every instant the rectifier current follows from it in
closed form, R i + a ln(1 + i/Is) = U, by Wright's omega function; a = m n VT with m diodes in the path. What is left,
C du/dt = i - load, is written down over one period by the trapezoidal rule and closed into a ring, and Newton's method
finds all its instants at once. Nothing is marched to the steady state. Many variants are worked out together.

The closed form: T. C. Banwell and A. Jayakumar, "Exact analytical solution for current flow through diode with series
resistance", Electronics Letters 36 (2000), from memory. What is left out: the diodes' capacitance and recovery, the
transformer's magnetising current, leakage inductance and saturation, and the inductance of the capacitor.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal, get_args

import numpy as np
from numpy.typing import ArrayLike, NDArray

from refettle.supply.values import Floats, SupplyError, ranged

Rectifier = Literal["half", "full", "bridge"]
RECTIFIERS: tuple[Rectifier, ...] = get_args(Rectifier)
"""half: one diode; full: two diodes on a centre-tapped winding; bridge: four diodes."""
LoadKind = Literal["current", "resistance", "power"]
LOAD_KINDS: tuple[LoadKind, ...] = get_args(LoadKind)
THERMAL_VOLT = 0.025865
"""[V] k T/q at 27 °C, where diode parameters are usually stated."""
STEPS = 512
"""Instants in one mains period."""
_AT_ONCE = 128 * STEPS
"""Instants worked on together: what fits the cache of one core."""


@dataclass(frozen=True, slots=True)
class Source:
    """What feeds the rectifier: open-circuit peak `volt` [V] and series `ohm` of the winding, or of each half of a
    centre-tapped one.

    `harmonics` are (order, part of `volt`, phase [rad]): volt (sin x + sum part sin(order x + phase)). `volt`, `ohm`
    and the parts are numbers, or arrays with one value for each variant.
    """

    volt: ArrayLike
    ohm: ArrayLike
    harmonics: tuple[tuple[int, ArrayLike, float], ...] = ()


@dataclass(frozen=True, slots=True)
class Diode:
    """i = Is (exp(u / (n VT)) - 1) in series with `ohm`. `saturation` Is [A], `emission` n.

    By default a 1 A silicon rectifier: 0.73 V at 10 mA, 0.92 V at 1 A (typical figures, from memory).
    """

    saturation: ArrayLike = 76.9e-12
    emission: ArrayLike = 1.45
    ohm: ArrayLike = 0.042


SILICON = Diode()
SCHOTTKY = Diode(saturation=2e-6, emission=1.05, ohm=0.05)
"""About 0.41 V at 1 A: estimate."""


@dataclass(frozen=True, slots=True)
class Reservoir:
    """A capacitor of `farad` [F] with series resistance `esr` [ohm]; numbers or one value for each variant."""

    farad: ArrayLike
    esr: ArrayLike = 0.0


@dataclass(frozen=True, slots=True)
class Load:
    """What the rail feeds. `value` in [A], [ohm] or [W] by `kind`.

    A constant current is value tanh(v / knee), so that it goes away near 0 V; a constant power is
    value v^3 / (v^4 + knee^4). `knee` [V] is 0.5 where not given.
    """

    kind: LoadKind
    value: ArrayLike
    knee: ArrayLike = 0.5


@dataclass(frozen=True, slots=True)
class Steady:
    """One mains period, starting where the fundamental of the source rises through zero; the last instant is not
    repeated. Of several variants, one that has no steady state (a constant power that the source cannot hold up) is
    NaN throughout.

    Waveforms have shape (..., instants), all others the shape of the variants, () or (n,). `time` [s]; `volt` [V] on
    the rail; `capacitor` [A] into the reservoir; `rectifier` [A] out of the rectifier; `load` [A]. `mean`, `ripple`
    (peak to peak), `valley` and `peak` [V]; `rectifier_rms`, `diode_rms` (one diode), `winding_rms` (the winding, or
    each half of a centre-tapped one), `capacitor_rms` [A]; `rectifier_peak` [A]; `load_mean` [A]; `heat` [W] in the
    whole rectifier.
    """

    time: Floats
    volt: Floats
    capacitor: Floats
    rectifier: Floats
    load: Floats
    mean: Floats
    ripple: Floats
    valley: Floats
    peak: Floats
    rectifier_rms: Floats
    rectifier_peak: Floats
    diode_rms: Floats
    winding_rms: Floats
    capacitor_rms: Floats
    load_mean: Floats
    heat: Floats


@dataclass(frozen=True, slots=True)
class _Ring:
    """The equations of some variants; every array is (n, 1) but `drive`, which is (n, instants of the ring)."""

    drive: Floats
    ohm: Floats
    a: Floats
    saturation: Floats
    farad: Floats
    esr: Floats
    kind: LoadKind
    value: Floats
    knee: Floats
    step: float

    def at(self, state: Floats, volt: Floats) -> tuple[Floats, Floats, Floats, Floats, Floats]:
        """Rail voltage, rectifier current, capacitor current, slopes of capacitor current and rail over the state.

        `state` is the voltage inside the capacitor, `volt` the rail where the load is taken as a straight line.
        """
        from scipy.special import wrightomega

        load, slope = load_current(self.kind, self.value, self.knee, volt)
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

    def solve(self) -> tuple[Floats, Floats, Floats, Floats]:
        """Rail, rectifier current, capacitor current and load; NaN for variants without a steady state."""
        rail = self._flat_start() + np.zeros_like(self.drive)
        state, rail, moving = self._newton(rail, rail, 25)
        if np.any(moving):
            state[moving], rail[moving] = self._only(moving)._way_down()
        rail, current, into, _, _ = self.at(state, rail)
        return rail, current, into, current - into

    def _way_down(self) -> tuple[Floats, Floats]:
        """State and rail where the rail touches 0 V: from a load that fades over many volts, in small steps."""
        knee = np.maximum(np.max(self.drive, axis=1, keepdims=True), self.knee)
        rail = replace(self, knee=knee)._flat_start() + np.zeros_like(self.drive)
        state = rail
        lost = np.zeros(self.drive.shape[0], dtype=bool)
        while True:
            state, rail, moving = replace(self, knee=knee)._newton(state, rail, 60)
            lost |= moving
            state[lost] = rail[lost] = np.nan
            if np.all(knee <= self.knee):
                return state, rail
            knee = np.maximum(0.6 * knee, self.knee)

    def _newton(self, state: Floats, rail: Floats, most: int) -> tuple[Floats, Floats, NDArray[np.bool_]]:
        """State and rail after at most `most` rounds, and for each variant whether it is still moving."""
        half = self.step / (2.0 * self.farad)
        scale = np.max(np.abs(self.drive), axis=1, keepdims=True)
        share = np.ones_like(scale)
        before = np.full_like(scale, np.inf)
        for _ in range(most):
            rail, _, into, dinto, drail = self.at(state, rail)
            missing = half * (into + np.roll(into, -1, axis=1)) - (np.roll(state, -1, axis=1) - state)
            move = _around(1.0 - half * dinto, 1.0 + half * dinto, missing)
            largest = np.max(np.abs(move), axis=1, keepdims=True)
            # Full steps as long as they shrink; shorter ones where they do not, or where a leap is far.
            share = np.where(largest <= before, np.minimum(1.0, 2.0 * share), np.maximum(0.5 * share, 0.05))
            before = largest
            move *= np.minimum(share, 0.5 * scale / np.maximum(largest, 1e-300))
            state = state + move
            rail = rail + drail * move
            moving = ~(largest[:, 0] <= 1e-7 * scale[:, 0]) & ~np.isnan(state[:, 0])
            if not np.any(moving):
                break
        return state, rail, moving

    def _only(self, which: NDArray[np.bool_]) -> _Ring:
        """The equations of some of the variants."""
        kept = {
            name: getattr(self, name)[which]
            for name in ("drive", "ohm", "a", "saturation", "farad", "esr", "value", "knee")
        }
        return replace(self, **kept)

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
            gain -= load_current(self.kind, self.value, self.knee, level)[0]
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


def steady_state(
    source: Source,
    rectifier: Rectifier,
    capacitor: Reservoir,
    load: Load,
    mains_hz: float,
    *,
    diode: Diode = SILICON,
    dead_diode: bool = False,
    steps: int = STEPS,
) -> Steady:
    """The waveforms of one mains period, once the supply has settled.

    Parameters
    ----------
    source, capacitor, load, diode
        Each value a number, or an array (n,) of variants worked out together.
    rectifier : {"half", "full", "bridge"}
    mains_hz : float
        [Hz] 10 to 1000.
    dead_diode : bool
        One diode of a full-wave rectifier is open: every second half wave is missing.
    steps : int
        Instants in one mains period, 32 to 8192, a multiple of 4.

    Raises
    ------
    SupplyError
        A figure out of its range, or a single supply without a steady state.
    """
    if rectifier not in RECTIFIERS:
        raise SupplyError(f"rectifier: found {rectifier!r}; allowed: {', '.join(RECTIFIERS)}")
    if load.kind not in LOAD_KINDS:
        raise SupplyError(f"load kind: found {load.kind!r}; allowed: {', '.join(LOAD_KINDS)}")
    if not 32 <= steps <= 8192 or steps % 4:
        raise SupplyError(f"steps: found {steps}; allowed: 32 to 8192, a multiple of 4")
    hertz = float(ranged("mains frequency", mains_hz, 10.0, 1000.0, "Hz", above=False))
    low = 0.0 if load.kind != "resistance" else 1e-3
    values = [
        ranged("source voltage", source.volt, 0.0, 2000.0, "V peak"),
        ranged("source resistance", source.ohm, 1e-4, 1e5, "Ω", above=False),
        ranged("capacitance", capacitor.farad, 1e-6, 10.0, "F", above=False),
        ranged("ESR", capacitor.esr, 0.0, 1e3, "Ω", above=False),
        ranged("load", load.value, low, 1e7, {"current": "A", "resistance": "Ω", "power": "W"}[load.kind], above=False),
        ranged("knee of the load", load.knee, 1e-3, 100.0, "V", above=False),
        ranged("diode saturation current", diode.saturation, 1e-18, 1e-2, "A", above=False),
        ranged("diode emission coefficient", diode.emission, 0.01, 10.0, "", above=False),
        ranged("diode resistance", diode.ohm, 0.0, 1e3, "Ω", above=False),
        *(ranged("part of a harmonic", part, 0.0, 1.0, "", above=False) for _, part, _ in source.harmonics),
    ]
    try:
        shape = np.broadcast_shapes(*(each.shape for each in values))
    except ValueError:
        counts = ", ".join(str(each.size) for each in values if each.ndim)
        raise SupplyError(f"variants: found arrays of {counts} values; allowed: as many in each") from None
    columns = [np.broadcast_to(each, shape).reshape(-1, 1) for each in values]
    waves = [(order, columns[9 + n], phase) for n, (order, _, phase) in enumerate(source.harmonics)]
    full_wave = rectifier != "half" and not dead_diode
    ring = steps // 2 if full_wave and all(order % 2 for order, _, _ in waves) else steps
    angle = 2.0 * np.pi / steps * np.arange(ring)
    series = 2.0 if rectifier == "bridge" else 1.0
    pieces = []
    at_once = max(1, _AT_ONCE // ring)
    for start in range(0, columns[0].shape[0], at_once):
        volt, ohm, farad, esr, amount, knee, saturation, emission, diode_ohm = (
            each[start : start + at_once] for each in columns[:9]
        )
        wave = np.sin(angle) + sum(
            (part[start : start + at_once] * np.sin(order * angle + phase) for order, part, phase in waves),
            start=np.zeros((1, ring)),
        )
        drive = volt * (np.abs(wave) if full_wave else wave)
        a = series * emission * THERMAL_VOLT
        whole = ohm + series * diode_ohm
        equations = _Ring(drive, whole, a, saturation, farad, esr, load.kind, amount, knee, 1.0 / (hertz * steps))
        rail, current, into, drawn = equations.solve()
        junctions = a * np.log1p(np.maximum(current, 0.0) / saturation)
        lost = np.mean(current * (junctions + series * diode_ohm * current), axis=1)
        pieces.append((rail, current, into, drawn, lost))
    rail, current, into, drawn, lost = (np.concatenate(each) for each in zip(*pieces, strict=True))
    if not shape and np.isnan(rail[0, 0]):
        raise SupplyError(
            f"load: found {float(columns[4][0, 0]):g} W; allowed: what this source and reservoir can hold up"
        )
    return _summed(rail, current, into, drawn, lost, shape, steps, hertz, full_wave, rectifier)


def _summed(
    rail: Floats,
    current: Floats,
    into: Floats,
    drawn: Floats,
    lost: Floats,
    shape: tuple[int, ...],
    steps: int,
    hertz: float,
    full_wave: bool,
    rectifier: Rectifier,
) -> Steady:
    """The whole mains period and its figures, in the shape of the variants."""
    rms = np.sqrt(np.mean(current * current, axis=1))
    # Of a full-wave rectifier each diode, and each half of a centre-tapped winding, carries every second pulse.
    shared = np.sqrt(0.5) if full_wave else 1.0
    peak, valley = np.max(rail, axis=1), np.min(rail, axis=1)
    figures = {
        "mean": np.mean(rail, axis=1),
        "ripple": peak - valley,
        "valley": valley,
        "peak": peak,
        "rectifier_rms": rms,
        "rectifier_peak": np.max(current, axis=1),
        "diode_rms": shared * rms,
        "winding_rms": rms * (shared if rectifier == "full" else 1.0),
        "capacitor_rms": np.sqrt(np.mean(into * into, axis=1)),
        "load_mean": np.mean(drawn, axis=1),
        "heat": lost,
    }
    times = steps // rail.shape[1]
    whole = [np.tile(each, (1, times)).reshape(*shape, steps) for each in (rail, into, current, drawn)]
    return Steady(np.arange(steps) / (hertz * steps), *whole, **{k: each.reshape(shape) for k, each in figures.items()})


def ac_coupled(values: Floats, mains_hz: float, corner_hz: ArrayLike) -> Floats:
    """What an AC-coupled input shows of a waveform of one period, (..., instants): first-order high pass.

    `corner_hz` [Hz] is a number or one per variant. SupplyError outside 0.001 to 1000 Hz.
    """
    corner = ranged("corner of the AC coupling", corner_hz, 1e-3, 1e3, "Hz", above=False)
    spectrum = np.fft.rfft(values, axis=-1)
    ratio = mains_hz * np.arange(spectrum.shape[-1]) / corner[..., np.newaxis]
    shown: Floats = np.fft.irfft(spectrum * (1j * ratio / (1.0 + 1j * ratio)), n=values.shape[-1], axis=-1)
    return shown
