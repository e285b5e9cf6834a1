"""Left against right: balance, a dead or weak one, exchanged, opposite in polarity, crosstalk."""

from __future__ import annotations

from dataclasses import dataclass
from math import log10, pi, sqrt
from typing import Literal

import numpy as np

from refettle.language import mark, tr
from refettle.sound.figures import Array, Figure, decibel, withheld
from refettle.sound.scan import Scan
from refettle.sound.tone import Sine, fit_sine, strongest
from refettle.sound.tones import TONE

DEAD_LEVEL, DEAD_BELOW, WEAK_BELOW = -60.0, 30.0, 6.0
"""[dBFS] and [dB] below the other channel: estimates."""
ALIKE = 0.3
ONE_SIDED = 10.0
NEEDS_TONES = mark("needs the test tones (refettle tone): one channel must play alone")
_WITHOUT_TONES = withheld("dB", NEEDS_TONES)
MONO = mark("one channel was recorded; needs both")

Swap = Literal["right way", "exchanged", "joined", ""]


@dataclass(frozen=True, slots=True)
class Channels:
    """Left against right.

    Attributes
    ----------
    balance : Figure
        [dB] right above left.
    dead, weak : tuples of channel names
    inverted : bool or None
        Opposite polarity; None where they have too little in common to tell.
    likeness : Figure
        Correlation, -1 to 1.
    swap : "right way", "exchanged", "joined" or ""
        By the test tones only; joined: each tone comes out of both.
    swap_why : str
    crosstalk_left, crosstalk_right : Figure
        [dB] what of the left comes out of the right, against the left; and the other way.
    """

    balance: Figure
    dead: tuple[str, ...]
    weak: tuple[str, ...]
    inverted: bool | None
    likeness: Figure
    swap: Swap = ""
    swap_why: str = NEEDS_TONES
    crosstalk_left: Figure = _WITHOUT_TONES
    crosstalk_right: Figure = _WITHOUT_TONES


def of_programme(scan: Scan, names: tuple[str, ...]) -> Channels:
    """By whatever was playing: dead, weak, polarity. Balance is then that of the programme."""
    squares = scan.total_square()
    levels = [decibel(float(each)) for each in squares]
    if len(levels) == 1:
        none = withheld("dB", MONO)
        dead = names if levels[0] < DEAD_LEVEL else ()
        return Channels(none, dead, (), None, withheld("", MONO), "", MONO, none, none)
    difference = levels[1] - levels[0]
    dead, weak = _dead_and_weak(levels, names)
    spread = _balance_spread(scan)
    if dead:
        balance = withheld("dB", tr("{dead} is dead", dead=dead[0]) if len(dead) == 1 else tr("both are dead"))
    else:
        balance = Figure(difference, "dB", 0.05 + spread, tr("of what was playing; a test tone is surer"))
    cross = float(scan.cross.mean() - scan.mean[:, 0].mean() * scan.mean[:, 1].mean())
    likeness = cross / sqrt(float(squares[0] * squares[1])) if squares.min() > 0.0 else 0.0
    inverted = None if dead or abs(likeness) < ALIKE else likeness < 0.0
    return Channels(balance, dead, weak, inverted, Figure(likeness, ""))


def _dead_and_weak(levels: list[float], names: tuple[str, ...]) -> tuple[tuple[str, ...], tuple[str, ...]]:
    most = max(levels)
    dead = tuple(n for n, level in zip(names, levels, strict=True) if level < max(DEAD_LEVEL, most - DEAD_BELOW))
    below = [n for n, level in zip(names, levels, strict=True) if level < most - WEAK_BELOW and n not in dead]
    return dead, tuple(below)


def _balance_spread(scan: Scan) -> float:
    """[dB] 95 % of the mean difference, from pieces of a second; at most 6."""
    size = max(1, round(1.0 / scan.frame))
    count = len(scan.square) // size
    if count < 3:
        return 1.0
    pieces = scan.square[: count * size].reshape(count, size, 2).mean(axis=1)
    loud = pieces.min(axis=1) > 1e-9
    if loud.sum() < 3:
        return 6.0
    each = 10.0 * np.log10(pieces[loud, 1] / pieces[loud, 0])
    return float(min(6.0, 2.0 * each.std() / sqrt(float(loud.sum()))))


def of_tones(
    programme: Channels, names: tuple[str, ...], both: Array, left: Array, right: Array, rate: int, pace: float
) -> Channels:
    """By the test tones: `both`, `left` and `right` are (n, 2) samples of those parts; `pace` as found."""
    hertz = TONE * pace
    fits = [_fit(both[:, channel], rate, hertz) for channel in (0, 1)]
    levels = [decibel(fit.amplitude**2 / 2.0) for fit in fits]
    dead, weak = _dead_and_weak(levels, names)
    inverted: bool | None = None
    if dead:
        balance = withheld("dB", tr("{dead} dead", dead=" and ".join(dead)))
    else:
        noise = sum(float(np.mean(fit.rest**2)) / (fit.amplitude**2 / 2.0) / len(fit.rest) for fit in fits)
        balance = Figure(levels[1] - levels[0], "dB", 0.02 + 2.0 * 8.686 * sqrt(noise))
        turn = abs((fits[1].phase - fits[0].phase + pi) % (2.0 * pi) - pi)
        inverted = turn > 0.75 * pi if turn > 0.75 * pi or turn < 0.25 * pi else None
    if dead:
        why = tr("{dead} dead: which side is which cannot be told by the tones", dead=" and ".join(dead))
        none = withheld("dB", why)
        return Channels(balance, dead, weak, None, programme.likeness, "", why, none, none)
    apart = [_fit_levels(part, rate, hertz) for part in (left, right)]
    difference = [float(levels_[1] - levels_[0]) for levels_ in apart]
    swap: Swap
    if difference[0] < -ONE_SIDED and difference[1] > ONE_SIDED:
        swap, why = "right way", tr("the left tone came out left, the right one right")
    elif difference[0] > ONE_SIDED and difference[1] < -ONE_SIDED:
        swap, why = "exchanged", tr("the left tone came out right, and the right one left")
    elif abs(difference[0]) < ONE_SIDED and abs(difference[1]) < ONE_SIDED:
        swap, why = "joined", tr("each tone came out of both: mono, or the channels are joined somewhere")
    else:
        swap, why = "", tr("one tone came out one side, the other of both: a lead or plug half in")
    driven = (1, 0) if swap == "exchanged" else (0, 1)
    return Channels(
        balance=balance,
        dead=dead,
        weak=weak,
        inverted=inverted,
        likeness=programme.likeness,
        swap=swap,
        swap_why=why,
        crosstalk_left=_crosstalk(left, rate, hertz, driven[0]),
        crosstalk_right=_crosstalk(right, rate, hertz, driven[1]),
    )


def _fit(samples: Array, rate: int, hertz: float) -> Sine:
    near, _ = strongest(samples, rate, 0.97 * hertz, 1.03 * hertz)
    return fit_sine(samples, rate, near or hertz)


def _fit_levels(part: Array, rate: int, hertz: float) -> tuple[float, float]:
    low, high = (decibel(_fit(part[:, channel], rate, hertz).amplitude ** 2 / 2.0) for channel in (0, 1))
    return low, high


def _crosstalk(part: Array, rate: int, hertz: float, driven: int) -> Figure:
    """[dB] the tone in the other channel against the driven one, at the driven one's exact frequency."""
    tone = _fit(part[:, driven], rate, hertz)
    other = part[:, 1 - driven] - part[:, 1 - driven].mean()
    n = len(other)
    time = np.arange(n) / rate
    window = np.hanning(n + 1)[:-1]
    size = abs(complex((other * window) @ np.exp(-2j * pi * tone.hertz * time))) * 2.0 / float(window.sum())
    beside = [
        abs(complex((other * window) @ np.exp(-2j * pi * (tone.hertz + shift) * time))) * 2.0 / float(window.sum())
        for shift in (-23.0, -17.0, -11.0, 11.0, 17.0, 23.0)
    ]
    noise = sqrt(float(np.mean(np.square(beside))))
    if size < 3.0 * noise or size == 0.0:
        limit = 20.0 * log10(max(3.0 * noise, 1e-9) / max(tone.amplitude, 1e-9))
        return withheld("dB", tr("below {limit:.0f} dB, lost in the noise", limit=limit))
    return Figure(20.0 * log10(size / tone.amplitude), "dB", 0.05 + 8.686 * 1.4 * noise / size)
