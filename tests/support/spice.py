"""Rectified supplies run in ngspice, as a reference to test against: its diodes, its integrator, none of our own.

Three things it needs: 1 MΩ from both secondary ends to ground and a junction capacitance, else a floating secondary
stops with a time step too small; gear integration; and a look at what it wrote, since its exit status says nothing.
"""

from __future__ import annotations

import shutil
import subprocess
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
THERMAL_VOLT = 0.02586
"""[V] k T / q at ngspice's 27 °C."""
SETTLED = 2e-4
"""Change of the mean over the kept periods, as a share of the mean, below which a run counts as settled."""


class SimulatorError(RuntimeError):
    """ngspice did not deliver a whole, settled run."""


def available() -> bool:
    """True where ngspice can be run."""
    return shutil.which("ngspice") is not None


@dataclass(frozen=True, slots=True)
class Circuit:
    """A rectified supply.

    `peak` [V] of the mains-frequency EMF of the winding (of each half of it in a full wave centre tap); `rs` [ohm] in
    series with the winding (with each half), `henry` [H] beside it; `farad` [F], `esr` [ohm] of the reservoir; `load`
    in [A], [ohm] or [W] by `load_kind`; currents and powers fall off softly below about 0.5 V. `harmonics` are
    (order, share of the fundamental, phase [rad]) against sin(n w t); `phase` [rad] of the mains at the first sample.
    `open_diodes`: that many of the diodes are missing, the first ones. `uneven`: EMF of the second half over the
    first. `diode_rs` [ohm] inside each diode.
    """

    wiring: Literal["half", "full", "bridge"]
    peak: float
    hertz: float
    rs: float
    farad: float
    esr: float
    load: float
    load_kind: Literal["current", "resistance", "power"] = "current"
    diode_is: float = 2.55e-9
    diode_n: float = 1.75
    diode_rs: float = 0.042
    harmonics: tuple[tuple[int, float, float], ...] = ()
    phase: float = 0.0
    open_diodes: int = 0
    uneven: float = 1.0
    henry: float = 0.0

    @property
    def settle(self) -> float:
        """[s] A first guess at how long it runs before anything is kept."""
        return max(8.0 / self.hertz, 25.0 * self.farad * (self.rs + self.esr + 2.0 * self.diode_rs + 0.05))


@dataclass(frozen=True, slots=True)
class Trace:
    """The kept periods on an even grid: `times` [s] from 0, `rail` [V], currents [A], `secondary` [V] at its ends.

    Of a centre tap, secondary and its current are those of the first half.
    """

    times: Floats
    rail: Floats
    capacitor_current: Floats
    secondary_current: Floats
    load_current: Floats
    secondary: Floats

    @property
    def mean(self) -> float:
        """[V]"""
        return float(self.rail.mean())

    @property
    def ripple(self) -> float:
        """[V] Peak to peak."""
        return float(np.ptp(self.rail))


def simulate(
    circuits: Sequence[Circuit], *, periods: int = 1, step: float = 20e-6, fine: float | None = None
) -> list[Trace]:
    """Run circuits to their steady state, many in one ngspice process.

    Parameters
    ----------
    circuits : Circuits
    periods : int
        Whole mains periods kept, at the end of each run.
    step : float
        [s] Grid of the result; by default 20 µs.
    fine : float, optional
        [s] Largest step of the integrator; by default `step`, and never above 20 µs.

    Raises
    ------
    SimulatorError
        ngspice is missing, wrote nothing or too little, or a circuit does not settle.
    """
    largest = min(step if fine is None else fine, 20e-6)
    found: dict[int, Trace] = {}
    todo = {number: circuit.settle for number, circuit in enumerate(circuits)}
    for _ in range(4):
        traces = _run([(circuits[number], settle) for number, settle in todo.items()], periods, step, largest)
        again: dict[int, float] = {}
        for (number, settle), trace in zip(todo.items(), traces, strict=True):
            if _drift(trace, circuits[number].hertz) <= SETTLED:
                # The two periods before the kept ones were only there to see whether it has settled.
                found[number] = _last(trace, periods, circuits[number].hertz, step)
            else:
                again[number] = 3.0 * settle
        todo = again
        if not todo:
            return [found[number] for number in range(len(circuits))]
    raise SimulatorError(f"not settled after {max(todo.values()):.3g} s: {circuits[next(iter(todo))]}")


def _drift(trace: Trace, hertz: float) -> float:
    period = round(1.0 / hertz / (trace.times[1] - trace.times[0]))
    first, last = trace.rail[:period].mean(), trace.rail[-period:].mean()
    return float(abs(last - first) / max(abs(last), 1e-3))


def _last(trace: Trace, periods: int, hertz: float, step: float) -> Trace:
    keep = round(periods / hertz / step)
    cut = {name: getattr(trace, name)[-keep:] for name in Trace.__dataclass_fields__}
    return replace(trace, **{**cut, "times": step * np.arange(keep)})


def _run(todo: Sequence[tuple[Circuit, float]], periods: int, step: float, fine: float) -> list[Trace]:
    if not available():
        raise SimulatorError("ngspice is not installed")
    with tempfile.TemporaryDirectory(prefix="spice-") as name:
        folder = Path(name)
        script = ["* many supplies, one after another", ".control", "set filetype=binary", "set noaskquit"]
        for number, (circuit, settle) in enumerate(todo):
            start, stop, first = _window(circuit, settle, periods, step)
            (folder / f"{number}.cir").write_text(netlist(circuit, first), encoding="ascii")
            script += [
                f"source {folder}/{number}.cir",
                f"tran {step:.9g} {stop:.12g} {start:.12g} {fine:.9g} uic",
                "linearize v(out) v(sp) v(sm) i(vcap) i(vsec) i(vload)",
                f"write {folder}/{number}.raw v(out) v(sp) v(sm) i(vcap) i(vsec) i(vload)",
                "destroy all",
                "remcirc",
            ]
        script += ["quit 0", ".endc", ".end"]
        (folder / "all.cir").write_text("\n".join(script) + "\n", encoding="ascii")
        command = ["ngspice", "-b", str(folder / "all.cir")]
        limit = 60 + 10 * len(todo)
        try:
            done = subprocess.run(command, capture_output=True, text=True, cwd=folder, timeout=limit)
        except subprocess.TimeoutExpired:
            raise SimulatorError(f"{len(todo)} circuits not done in {limit} s") from None
        traces = []
        for number, (circuit, settle) in enumerate(todo):
            start, stop, _ = _window(circuit, settle, periods, step)
            file = folder / f"{number}.raw"
            if not file.is_file():
                raise SimulatorError(f"nothing written for {circuit}: {(done.stdout + done.stderr)[-600:]}")
            traces.append(_read(file, start, stop, step, circuit.wiring == "full"))
        return traces


def _window(circuit: Circuit, settle: float, periods: int, step: float) -> tuple[float, float, float]:
    """[s] First kept moment, end, and the moment of the first sample handed out."""
    settle = np.ceil(settle * circuit.hertz) / circuit.hertz
    start = round(settle / step) * step
    kept = round(periods / circuit.hertz / step) * step
    before = round(2.0 / circuit.hertz / step) * step
    return start, start + before + kept - step, start + before


def _read(file: Path, start: float, stop: float, step: float, tapped: bool) -> Trace:
    head, _, body = file.read_bytes().partition(b"Binary:\n")
    fields = dict(line.split(":", 1) for line in head.decode("ascii").splitlines() if ":" in line)
    width, points = int(fields["No. Variables"]), int(fields["No. Points"])
    data = np.frombuffer(body, dtype="<f8", count=width * points).reshape(points, width)
    if abs(data[-1, 0] - stop) > 1.5 * step or abs(data[0, 0] - start) > 1.5 * step:
        raise SimulatorError(f"run from {data[0, 0]:g} to {data[-1, 0]:g} s instead of {start:g} to {stop:g} s")
    if not np.isfinite(data).all():
        raise SimulatorError("values that are not finite")
    grid = start + step * np.arange(round((stop - start) / step) + 1)
    out, sp, sm, cap, sec, load = (np.interp(grid, data[:, 0], data[:, n]) for n in range(1, 7))
    return Trace(grid - start, out, cap, sec, load, sp if tapped else sp - sm)


def netlist(circuit: Circuit, first: float = 0.0) -> str:
    """The circuit as ngspice reads it; `first` [s] is the moment at which the mains has its phase."""
    c = circuit
    turn = np.degrees(c.phase) - 360.0 * c.hertz * first
    waves = [(1, 1.0, 0.0), *c.harmonics]
    lines = [f"* {c.wiring} wave supply"]

    def winding(name: str, plus: str, minus: str, scale: float) -> None:
        """EMF, one source for each harmonic, then resistance and inductance, from `minus` to `plus`."""
        node = minus
        for n, (order, share, phase) in enumerate(waves):
            degrees = (order * turn + np.degrees(phase)) % 360.0
            following = f"{name}{n}"
            wave = f"SIN(0 {scale * c.peak * share:.12g} {order * c.hertz:.12g} 0 0 {degrees:.12g})"
            lines.append(f"V{name}{n} {following} {node} {wave}")
            node = following
        if c.henry > 0.0:
            lines.append(f"L{name} {node} {name}l {c.henry:.12g}")
            node = f"{name}l"
        lines.append(f"R{name} {node} {plus} {max(c.rs, 1e-6):.12g}")

    diodes: list[tuple[str, str]]
    if c.wiring == "full":
        winding("a", "spx", "0", 1.0)
        winding("b", "sm", "0", -c.uneven)  # the far end swings the other way
        diodes = [("sp", "out"), ("sm", "out")]
    else:
        winding("a", "spx", "sm", 1.0)
        diodes = [("sp", "out"), ("sm", "out"), ("0", "sp"), ("0", "sm")]
        if c.wiring == "half":
            lines.append("Vback sm 0 0")
            diodes = [("sp", "out")]
    lines += ["Vsec spx sp 0", "Rsp sp 0 1e6", "Rsm sm 0 1e6"]
    model = f"D(IS={c.diode_is:.9g} N={c.diode_n:.9g} RS={max(c.diode_rs, 1e-6):.9g} CJO=25p)"
    lines.append(f".model dx {model}")
    lines += [f"D{n} {plus} {minus} dx" for n, (plus, minus) in enumerate(diodes) if n >= c.open_diodes]
    guess = max(0.1, 0.8 * (c.peak - (1.8 if c.wiring == "bridge" else 0.9)))
    lines += [f"Resr out ca {max(c.esr, 1e-6):.12g}", "Vcap ca cb 0", f"Cres cb 0 {c.farad:.12g} IC={guess:.6g}"]
    lines.append("Vload out lo 0")
    if c.load_kind == "resistance":
        lines.append(f"Rload lo 0 {c.load:.12g}")
    elif c.load_kind == "current":
        lines.append(f"Bload lo 0 I={c.load:.12g}*tanh(V(lo)/0.5)")
    else:
        lines.append(f"Bload lo 0 I={c.load:.12g}/max(V(lo),1)*tanh(V(lo)/0.5)")
    lines += [".options method=gear reltol=1e-4 abstol=1e-9 vntol=1e-6", ".end"]
    return "\n".join(lines) + "\n"


def emf(circuit: Circuit, times: Floats) -> Floats:
    """[V] EMF of the winding (its first half) at `times` [s] from the first sample."""
    angle = 2.0 * np.pi * circuit.hertz * times + circuit.phase
    out = np.sin(angle)
    for order, share, phase in circuit.harmonics:
        out = out + share * np.sin(order * angle + phase)
    return circuit.peak * out


def digitised(
    values: Floats,
    rng: np.random.Generator,
    *,
    per_division: float | None = None,
    noise_lsb: float = 1.0,
    bits: int = 8,
) -> tuple[Floats, float]:
    """What an oscilloscope of so many bits saves, eight divisions high in steps of 1-2-5, offset to the middle.

    Returns the values and the step of the converter [V]. `noise_lsb` is the noise in steps, rms.
    """
    span = float(np.ptp(values))
    if per_division is None:
        ladder = [m * 10.0**e for e in range(-4, 3) for m in (1.0, 2.0, 5.0)]
        per_division = next((step for step in ladder if 8.0 * step >= 1.15 * span), ladder[-1])
    lsb = 10.0 * per_division / 2**bits  # ten divisions of range, eight of them on the screen
    middle = round(float(values.max() + values.min()) / 2.0 / lsb) * lsb
    codes = np.round((values - middle) / lsb + rng.normal(0.0, noise_lsb, len(values)))
    half = 2 ** (bits - 1)
    return np.clip(codes, -half, half - 1) * lsb + middle, lsb
