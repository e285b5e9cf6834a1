"""Random captures of ripple from the reference simulator, as a cheap oscilloscope would save them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from refettle.parts.capacitor import Rated
from refettle.parts.limits import esr_limit
from refettle.supply.ripple import RippleReading, read_ripple
from tests.support.spice import Circuit, Floats, Trace, digitised, simulate

DIODES = ((2.55e-9, 1.75, 0.042), (76.9e-12, 1.45, 0.04), (14e-9, 1.98, 0.034))
"""Saturation current [A], emission coefficient, resistance [ohm] of three 1 A silicon rectifiers, invented."""
VALUES = [m * 10.0**e for e in range(-5, -1) for m in (1.0, 1.5, 2.2, 3.3, 4.7, 6.8)]


@dataclass(frozen=True, slots=True)
class Case:
    """A supply, the part as printed, and what the person at the bench knows and sets."""

    circuit: Circuit
    nominal: Rated
    step: float
    told_load: float
    told_wiring: bool
    told_kind: bool
    noise_lsb: float
    bits: int
    seed: int

    @property
    def tau(self) -> float:
        """[s]"""
        return self.circuit.farad * self.circuit.esr

    @property
    def bad(self) -> bool:
        """Past the end of life."""
        limit = esr_limit(self.nominal)
        assert limit is not None
        return self.circuit.farad < 0.7 * self.nominal.farad or self.circuit.esr > 2.0 * limit.value

    @property
    def sound(self) -> bool:
        """As the verdict means it."""
        return self.circuit.farad >= 0.8 * self.nominal.farad and not self.bad


def random_case(seed: int) -> Case:
    """A supply of a small unit with a new, aged or worn-out reservoir; mains harmonics to 3 %, load told to 2 %."""
    rng = np.random.default_rng(seed)
    wiring = ("bridge", "full", "half")[rng.choice(3, p=[0.5, 0.3, 0.2])]
    hertz = float(rng.choice([50.0, 60.0]))
    volts, load = float(rng.uniform(7.0, 24.0)), float(np.exp(rng.uniform(np.log(0.1), np.log(2.0))))
    rated = load / ((1.0 if wiring == "half" else 2.0) * hertz * volts * float(rng.uniform(0.04, 0.14)))
    farad = min(VALUES, key=lambda value: abs(np.log(value / rated)))
    steps = [rating for rating in (10.0, 16.0, 25.0, 35.0, 50.0, 63.0) if rating > 1.25 * volts]
    nominal = Rated("aluminium", farad, volt=steps[0])
    limit = esr_limit(nominal)
    assert limit is not None
    kind = rng.choice(3, p=[0.45, 0.4, 0.15])
    share, worse = {
        0: (rng.uniform(0.85, 1.25), rng.uniform(0.2, 1.0)),
        1: (rng.uniform(0.5, 1.0), np.exp(rng.uniform(np.log(1.5), np.log(15.0)))),
        2: (rng.uniform(0.1, 0.65), np.exp(rng.uniform(np.log(0.7), np.log(6.0)))),
    }[int(kind)]
    is_, n, rd = DIODES[rng.integers(3)]
    load_kind = ("current", "resistance", "power")[rng.choice(3, p=[0.7, 0.15, 0.15])]
    rs, esr = float(rng.uniform(0.02, 0.12) * volts / load), float(limit.value * worse)
    if load_kind == "power" and (wiring == "half" or max(esr, 0.5 * rs) * load > 0.03 * volts):
        load_kind = "current"  # a constant power takes more current as the rail sags, and pulls a weak supply down
    rail = 1.2 * volts
    circuit = Circuit(
        wiring=wiring,
        peak=float(volts * 2.0**0.5),
        hertz=hertz,
        rs=rs,
        farad=float(farad * share),
        esr=esr,
        load={"current": load, "resistance": rail / load, "power": rail * load}[load_kind],
        load_kind=load_kind,
        diode_is=is_,
        diode_n=n,
        diode_rs=rd,
        harmonics=tuple(
            (order, float(rng.uniform(0.0, most)), float(rng.uniform(0.0, 2.0 * np.pi)))
            for order, most in ((3, 0.03), (5, 0.03), (7, 0.01))
        ),
        phase=float(rng.uniform(0.0, 2.0 * np.pi)),
        uneven=float(rng.uniform(0.993, 1.007)) if wiring == "full" else 1.0,
    )
    return Case(
        circuit=circuit,
        nominal=nominal,
        step=float(rng.choice([40e-6, 80e-6, 100e-6])),
        told_load=float(rng.uniform(0.98, 1.02)),
        told_wiring=bool(rng.random() < 0.7),
        told_kind=bool(rng.random() < 0.5),
        noise_lsb=1.0,
        bits=8,
        seed=seed,
    )


def traces(cases: Sequence[Case], periods: int = 5) -> list[Trace]:
    """All of them, in a few runs of the simulator."""
    found: dict[int, Trace] = {}
    for step in sorted({case.step for case in cases}):
        chosen = [number for number, case in enumerate(cases) if case.step == step]
        runs = simulate([cases[number].circuit for number in chosen], periods=periods, step=step)
        found.update(zip(chosen, runs, strict=True))
    return [found[number] for number in range(len(cases))]


def capture(case: Case, trace: Trace) -> tuple[Floats, float]:
    """The rail as the instrument saves it, and the converter's step [V]."""
    return digitised(trace.rail, np.random.default_rng(case.seed + 10**6), noise_lsb=case.noise_lsb, bits=case.bits)


def current_capture(case: Case, trace: Trace) -> tuple[Floats, float]:
    """The capacitor's current as a second channel saves it [A]."""
    return digitised(
        trace.capacitor_current, np.random.default_rng(case.seed + 2 * 10**6), noise_lsb=case.noise_lsb, bits=case.bits
    )


def read(case: Case, trace: Trace, *, two: bool = False, volts: Floats | None = None, **more: object) -> RippleReading:
    """The reading of a case with what the person at the bench knows."""
    settings: dict[str, object] = {
        "mains_hz": case.circuit.hertz,
        "load_amps": case.told_load * float(trace.load_current.mean()),
        "load_kind": case.circuit.load_kind if case.told_kind else None,
        "rectifier": case.circuit.wiring if case.told_wiring else None,
    }
    if two:
        settings["current"] = current_capture(case, trace)[0]
    return read_ripple(case.step, capture(case, trace)[0] if volts is None else volts, **{**settings, **more})  # type: ignore[arg-type]


def with_circuit(case: Case, **changes: object) -> Case:
    """The same case with another circuit."""
    return replace(case, circuit=replace(case.circuit, **changes))  # type: ignore[arg-type]
