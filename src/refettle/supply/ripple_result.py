"""What a ripple reading holds."""

from __future__ import annotations

from dataclasses import dataclass
from math import pi
from typing import Literal

import numpy as np

from refettle.language import tr
from refettle.quantities import show
from refettle.supply.ripple_model import Floats, Wave

How = Literal["value", "indicative", "at most", "withheld"]
SURE = 1.96
"""Standard deviations of a 95 % interval."""


@dataclass(frozen=True, slots=True)
class Figure:
    """A quantity with its 95 % interval. `how`: a value to trust, one that only shows the size, an upper bound (`high`
    alone), or none at all; `why` says what it rests on, or why there is none."""

    unit: str
    how: How
    value: float | None
    low: float | None
    high: float | None
    why: str = ""

    def __str__(self) -> str:
        if self.how == "withheld" or self.high is None:
            return tr("not told")
        if self.how == "at most" or self.value is None or self.low is None:
            return tr("at most {unit}", unit=show(self.high, self.unit))
        low, high = show(self.low, self.unit), show(self.high, self.unit)
        if self.how == "indicative":
            return tr("about {value} ({low} to {high})", value=show(self.value, self.unit), low=low, high=high)
        return tr("{value} ({low} to {high})", value=show(self.value, self.unit), low=low, high=high)


def withheld(unit: str, why: str) -> Figure:
    """A figure that cannot be told."""
    return Figure(unit, "withheld", None, None, None, why)


@dataclass(frozen=True, slots=True)
class Posterior:
    """What the capture says of C and tau = ESR C, as a normal distribution of (ln C, tau): `mean` and `cov`.

    `scaled` False: C is per ampere of load, so only tau says something. `floor` [s] spread of tau that no capture
    of this kind goes below.
    """

    mean: Floats
    cov: Floats
    scaled: bool = True

    def draw(self, count: int, seed: int) -> tuple[Floats, Floats]:
        """C [F] and ESR [ohm] of so many draws; those with a negative ESR are drawn as none."""
        normal = np.random.default_rng(seed).multivariate_normal(self.mean, self.cov, count, method="cholesky")
        farad = np.exp(normal[:, 0])
        return farad, np.maximum(normal[:, 1], 0.0) / farad


@dataclass(frozen=True, slots=True)
class RippleReading:
    """One capture read.

    `wave` as seen at the rail; `diode` says whether one is dead: "dead" (a full-wave rectifier runs on one half),
    "uneven" (its halves differ by `uneven`, a share of the EMF), "either" (half wave, and the rectifier is not known),
    "sound", or "not told"; `mains_hz` [Hz] as found; `farad`, `esr`, `tau` [s] (ESR times C), `loss` (tan d at twice
    50 or 60 Hz, at `loss_hz`), `load` [A], `farad_per_amp` [F/A]; `ripple` [V] peak to peak, `mean` and `valley` [V] of
    the rail where the capture or a meter gives its level, `valley_low` [V] the same at 90 % mains; `lsb` [V], `noise`
    and `residual` in converter steps (0 where the step is not known); `misfit` share of the ripple that the model does
    not follow; `measured` and `fitted` [V] one averaged mains period each; `channels` 1 or 2; `cannot` what this
    capture does not tell, `instead` what to capture to learn it; `posterior` None where nothing can be said;
    `flat_top`: it may be cut off, which hides ESR.
    """

    wave: Wave
    diode: Literal["sound", "dead", "uneven", "either", "not told"]
    uneven: float | None
    mains_hz: float
    farad: Figure
    esr: Figure
    tau: Figure
    loss: Figure
    loss_hz: float
    load: Figure
    farad_per_amp: Figure
    ripple: float
    mean: float | None
    valley: float | None
    valley_low: float | None
    lsb: float
    noise: float
    residual: float
    misfit: float
    periods: float
    samples: int
    channels: int
    coupling: Literal["DC", "AC"]
    measured: tuple[float, ...]
    fitted: tuple[float, ...]
    posterior: Posterior | None
    notes: tuple[str, ...]
    doubts: tuple[str, ...]
    cannot: tuple[str, ...]
    instead: tuple[str, ...]
    flat_top: bool = False

    @property
    def text(self) -> str:
        """The reading as a log's value line."""
        parts = [
            f"C {self.farad}",
            tr("ESR {esr}", esr=self.esr),
            tr("ripple {ripple} peak to peak", ripple=show(self.ripple, "V")),
        ]
        if self.valley is not None:
            parts.append(tr("valley {valley}", valley=show(self.valley, "V")))
        return "; ".join([f"{self.wave} wave", *parts])


def loss_of(tau: float, hertz: float) -> float:
    """tan d = 2 pi f ESR C."""
    return 2.0 * pi * hertz * tau
