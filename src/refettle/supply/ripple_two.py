"""Capacitance and ESR from two channels, the voltage of a reservoir and the current that flows into it.

With the charge q, the integral of the current i, least squares of

    v = a + q / C + ESR i + d t

needs no model of the rectifier and no load current: a constant load, or an offset of the current probe, goes into d.
So the current may be taken in the capacitor's lead or in the rectifier's. What it needs is the two channels at the same
instant (a delay d gives an ESR wrong by d / C) and the gains of both.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from refettle.language import tr
from refettle.supply.ripple_model import Floats
from refettle.supply.ripple_wave import RippleError

LEAST_SIGNAL = 5.0
"""Times its noise that the current must swing, rms."""


@dataclass(frozen=True, slots=True)
class TwoChannel:
    """`farad` [F] and `esr` [ohm] with standard deviations in logarithm and [ohm]; `drawn` [A] the steady current that
    leaves beside the capacitor; `swing` [A] rms of the
    current; `rest` [V] rms left; `noise` [V] rms expected to be left."""

    farad: float
    farad_spread: float
    esr: float
    esr_spread: float
    drawn: float
    swing: float
    rest: float
    noise: float


def two_channel(
    step: float,
    volts: Floats,
    amps: Floats,
    *,
    noise: float,
    amp_noise: float,
    gain: float,
    amp_gain: float,
    skew: float,
) -> TwoChannel:
    """Fit the two.

    Parameters
    ----------
    step : float
        [s]
    volts, amps : arrays of one length
    noise, amp_noise : float
        [V], [A] rms of each channel's noise and rounding.
    gain, amp_gain : float
        Standard deviations of the channels' gains, as shares.
    skew : float
        [s] Standard deviation of the delay between the channels.

    Raises
    ------
    RippleError
        Channels of different length, a current without swing, the wrong way round, or one that does not
        fit the voltage.
    """
    if len(volts) != len(amps):
        raise RippleError(
            tr(
                "current: {amps} samples against {volts} of the voltage; allowed: as many",
                amps=len(amps),
                volts=len(volts),
            )
        )
    swing = float(amps.std())
    if swing <= LEAST_SIGNAL * amp_noise or swing == 0.0:
        raise RippleError(
            tr(
                "current: swings {swing:.3g} A rms over a noise of {amp_noise:.3g} A; allowed: at least "
                "{least_signal:g} times it, so fewer amps per division, or several turns through the "
                "clamp",
                swing=swing,
                amp_noise=amp_noise,
                least_signal=LEAST_SIGNAL,
            )
        )
    charge = step * (np.cumsum(amps) - 0.5 * (amps + amps[0]))
    place = np.linspace(-1.0, 1.0, len(volts))
    columns = np.array([np.ones_like(place), charge, amps, place]).T
    scale = np.abs(columns).max(axis=0)
    scaled = columns / scale
    normal = scaled.T @ scaled
    weights = np.linalg.solve(normal, scaled.T @ volts) / scale
    rest = volts - columns @ weights
    inverse = np.linalg.inv(normal) / np.outer(scale, scale)
    elastance, esr = float(weights[1]), float(weights[2])
    if elastance <= 0.0:
        turned = (
            tr("turn the current probe round")
            if esr < 0.0
            else tr("check that both channels are of the same capacitor")
        )
        raise RippleError(
            tr(
                "current: does not charge what the voltage shows; allowed: current into the capacitor, so {turned}",
                turned=turned,
            )
        )
    explained = 1.0 - float(rest @ rest) / max(float(((volts - volts.mean()) ** 2).sum()), 1e-300)
    if explained < 0.5:
        raise RippleError(
            tr("current: does not fit the voltage; allowed: both channels of one capture, of the same capacitor")
        )
    # Noise of the current enters through ESR too, and pulls the ESR towards nothing by its share of the swing.
    expected = float(np.hypot(noise, esr * amp_noise))
    left = float(np.sqrt(rest @ rest / max(len(rest) - 4, 1)))
    correlated = float(np.clip(rest[1:] @ rest[:-1] / max(rest @ rest, 1e-300), 0.0, 0.98))
    variance = max(left, expected) ** 2 * (1.0 + correlated) / (1.0 - correlated)
    farad = 1.0 / elastance
    alone = swing**2 * (1.0 - _shared(columns))
    pull = amp_noise**2 / max(alone, 1e-300)
    esr *= 1.0 + pull
    relative = float(np.sqrt(variance * inverse[1, 1])) * farad
    both = float(np.hypot(gain, amp_gain))
    return TwoChannel(
        farad=farad,
        farad_spread=float(np.hypot(relative, both)),
        esr=esr,
        esr_spread=float(
            np.sqrt(variance * inverse[2, 2] + (both * esr) ** 2 + (skew / farad) ** 2 + (pull * esr) ** 2)
        ),
        drawn=float(-2.0 * weights[3] / (step * (len(volts) - 1)) * farad),
        swing=swing,
        rest=left,
        noise=expected,
    )


def _shared(columns: Floats) -> float:
    """Share of the current's variance that charge, level and drift explain."""
    others = columns[:, [0, 1, 3]] / np.abs(columns[:, [0, 1, 3]]).max(axis=0)
    current = columns[:, 2] - columns[:, 2].mean()
    rest = current - others @ np.linalg.solve(others.T @ others, others.T @ current)
    return float(min(max(1.0 - rest @ rest / max(current @ current, 1e-300), 0.0), 0.999))
