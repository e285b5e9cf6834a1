"""A rectified supply in its periodic steady state: source, rectifier with exponential diodes, reservoir, load.

Nothing is marched to the steady state: all instants of a period are found together, see `ring`. What is left out: the
diodes' capacitance and recovery, the transformer's magnetising current, leakage inductance and saturation, and the
inductance of the capacitor.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np
from numpy.typing import ArrayLike

from refettle.language import tr
from refettle.supply.ring import LoadKind, Ring
from refettle.supply.values import Floats, SupplyError, ranged

Rectifier = Literal["half", "full", "bridge"]
RECTIFIERS: tuple[Rectifier, ...] = get_args(Rectifier)
"""half: one diode; full: two diodes on a centre-tapped winding; bridge: four diodes."""
LOAD_KINDS: tuple[LoadKind, ...] = get_args(LoadKind)
LOAD_UNITS: dict[LoadKind, str] = {"current": "A", "resistance": "Ω", "power": "W"}
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


def steady_state(
    source: Source,
    rectifier: Rectifier,
    capacitor: Reservoir,
    load: Load | Sequence[Load],
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
        Each value a number, or an array (n,) of variants worked out together. Several loads draw side by side.
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
        raise SupplyError(
            tr(
                "rectifier: found {rectifier!r}; allowed: {rectifiers}",
                rectifier=rectifier,
                rectifiers=", ".join(RECTIFIERS),
            )
        )
    if dead_diode and rectifier == "half":
        raise SupplyError(tr("dead diode: found with one diode only; allowed: with full or bridge"))
    if not 32 <= steps <= 8192 or steps % 4:
        raise SupplyError(tr("steps: found {steps}; allowed: 32 to 8192, a multiple of 4", steps=steps))
    hertz = float(ranged(tr("mains frequency"), mains_hz, 10.0, 1000.0, "Hz", above=False))
    loads = [load] if isinstance(load, Load) else list(load)
    shape, columns = _columns(source, capacitor, loads, diode)
    full_wave = rectifier != "half" and not dead_diode
    ring = steps // 2 if full_wave and all(order % 2 for order, _, _ in source.harmonics) else steps
    angle = 2.0 * np.pi / steps * np.arange(ring)
    series = 2.0 if rectifier == "bridge" else 1.0
    pieces = []
    at_once = max(1, _AT_ONCE // ring)
    for start in range(0, columns[0].shape[0], at_once):
        volt, ohm, farad, esr, saturation, emission, diode_ohm, *others = (
            each[start : start + at_once] for each in columns
        )
        wave = np.sin(angle) + np.zeros_like(volt)
        for (order, _, phase), part in zip(source.harmonics, others[2 * len(loads) :], strict=True):
            wave += part * np.sin(order * angle + phase)
        drive = volt * (np.abs(wave) if full_wave else wave)
        a = series * emission * THERMAL_VOLT
        drawing = tuple((each.kind, others[2 * n], others[2 * n + 1]) for n, each in enumerate(loads))
        ring_of = Ring(drive, ohm + series * diode_ohm, a, saturation, farad, esr, drawing, 1.0 / (hertz * steps))
        rail, current, into, drawn = ring_of.solve()
        junctions = a * np.log1p(np.maximum(current, 0.0) / saturation)
        lost = np.mean(current * (junctions + series * diode_ohm * current), axis=1)
        pieces.append((rail, current, into, drawn, lost))
    rail, current, into, drawn, lost = (np.concatenate(each) for each in zip(*pieces, strict=True))
    if not shape and np.isnan(rail[0, 0]):
        amount = " and ".join(f"{float(np.asarray(each.value)):g} {LOAD_UNITS[each.kind]}" for each in loads)
        if any(each.kind == "power" for each in loads):
            raise SupplyError(
                tr("load: found {amount}; allowed: what this source and reservoir can hold up", amount=amount)
            )
        found = tr(
            "{volts:g} V behind {ohms:g} Ω, {loads}",
            volts=float(columns[0][0, 0]),
            ohms=float(columns[1][0, 0]),
            loads=amount,
        )
        raise SupplyError(
            tr("supply: found no steady state of {found}; allowed: figures that are less far apart", found=found)
        )
    return _summed(rail, current, into, drawn, lost, shape, steps, hertz, full_wave, rectifier)


def _columns(
    source: Source, capacitor: Reservoir, loads: Sequence[Load], diode: Diode
) -> tuple[tuple[int, ...], list[Floats]]:
    """The shape of the variants and every value as (n, 1): source, capacitor, diode, each load, each harmonic."""
    values = [
        ranged(tr("source voltage"), source.volt, 0.0, 2000.0, "V peak"),
        ranged(tr("source resistance"), source.ohm, 1e-4, 1e5, "Ω", above=False),
        ranged("capacitance", capacitor.farad, 1e-6, 10.0, "F", above=False),
        ranged("ESR", capacitor.esr, 0.0, 1e3, "Ω", above=False),
        ranged(tr("diode saturation current"), diode.saturation, 1e-18, 1e-2, "A", above=False),
        ranged(tr("diode emission coefficient"), diode.emission, 0.01, 10.0, "", above=False),
        ranged(tr("diode resistance"), diode.ohm, 0.0, 1e3, "Ω", above=False),
    ]
    if not loads:
        raise SupplyError(tr("load: found none; allowed: one or more"))
    for each in loads:
        if each.kind not in LOAD_KINDS:
            raise SupplyError(
                tr("load kind: found {kind!r}; allowed: {load_kinds}", kind=each.kind, load_kinds=", ".join(LOAD_KINDS))
            )
        low = 1e-3 if each.kind == "resistance" else 0.0
        values.append(ranged("load", each.value, low, 1e7, LOAD_UNITS[each.kind], above=False))
        values.append(ranged(tr("knee of the load"), each.knee, 1e-3, 100.0, "V", above=False))
    values += [ranged(tr("part of a harmonic"), part, 0.0, 1.0, "", above=False) for _, part, _ in source.harmonics]
    try:
        shape = np.broadcast_shapes(*(each.shape for each in values))
    except ValueError:
        counts = ", ".join(str(each.size) for each in values if each.ndim)
        raise SupplyError(
            tr("variants: found arrays of {counts} values; allowed: as many in each", counts=counts)
        ) from None
    return shape, [np.broadcast_to(each, shape).reshape(-1, 1) for each in values]


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
    corner = ranged(tr("corner of the AC coupling"), corner_hz, 1e-3, 1e3, "Hz", above=False)
    spectrum = np.fft.rfft(values, axis=-1)
    ratio = mains_hz * np.arange(spectrum.shape[-1]) / corner[..., np.newaxis]
    shown: Floats = np.fft.irfft(spectrum * (1j * ratio / (1.0 + 1j * ratio)), n=values.shape[-1], axis=-1)
    return shown
