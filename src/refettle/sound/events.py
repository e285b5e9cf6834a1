"""What happens now and then in a recording: clicks and crackle, dropouts, clipping."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt

import numpy as np

from refettle.sound.figures import Figure, Stretch, decibel, withheld
from refettle.sound.scan import FLAT_SHARE, Scan

SHOWN = 200
"""Events given with their time."""
STEADY = 3.0
"""[dB] Level over a second varies less than this where dropouts can be told from pauses."""
DROP = 12.0
LONGEST_DROP = 2.0
LEAST_WATCHED = 2.0
LEAST_LEVEL = -60.0
PIECE = 0.05


@dataclass(frozen=True, slots=True)
class Events:
    """Things that happen: `count`, `per_minute` with its uncertainty, and when.

    `times` [s] of the first 200; `seconds` [s] of each where they last; `note` what to mind.
    """

    count: int
    per_minute: Figure
    times: tuple[float, ...]
    seconds: tuple[float, ...] = ()
    note: str = ""


def _rate(count: int, watched: float) -> Figure:
    """Events a minute; the uncertainty is that of a count (two square roots of the count and one)."""
    return Figure(60.0 * count / watched, "a minute", 60.0 * 2.0 * sqrt(count + 1.0) / watched)


def clicks(scan: Scan, channel: int) -> Events:
    """Clicks of one channel, as the scan counted them."""
    count = scan.click_count[channel]
    clipped = bool((scan.flat[:, channel] > FLAT_SHARE).mean() > 0.02)
    note = "clipped: the corners of clipped waves count as clicks" if clipped else ""
    return Events(count, _rate(count, scan.seconds), scan.clicks[channel][:SHOWN], (), note)


def clipping(scan: Scan, channel: int) -> tuple[Figure, tuple[float, ...], bool]:
    """[%] of the time that has flat tops, when (first 200 pieces of 50 ms), and whether at full scale."""
    flat = scan.flat[:, channel] > FLAT_SHARE
    share = Figure(100.0 * float(flat.mean()), "%", 100.0 * 0.05 / max(scan.seconds, 0.05))
    full = bool(scan.full[channel] > 3.0)
    if full and not flat.any():
        share = Figure(0.0, "%", None, f"{scan.full[channel]:.0f} samples at full scale")
    return share, tuple(float(at) * PIECE for at in np.flatnonzero(flat)[:SHOWN]), full


def dropouts(scan: Scan, channel: int, parts: Sequence[Stretch] | None = None) -> Events:
    """Short losses of a steady sound: 12 dB and more down for 10 ms to 2 s.

    In speech and music a pause is no dropout, so only where the level is otherwise steady within 3 dB they are counted;
    within `parts` where these are given.
    """
    from scipy.ndimage import median_filter

    level = np.array([decibel(float(each)) for each in scan.square[:, channel]])
    size = round(1.0 / scan.frame) | 1
    if len(level) < 2 * size:
        return Events(0, withheld("a minute", "too short; allowed: 2 s and more"), ())
    usual = median_filter(level, size=size, mode="nearest")
    spread = median_filter(np.abs(level - usual), size=size, mode="nearest")
    steady = (spread < STEADY) & (usual > LEAST_LEVEL)
    if parts is not None:
        inside = np.zeros(len(level), dtype=np.bool_)
        for part in parts:
            inside[round(part.start / scan.frame) : round(part.end / scan.frame)] = True
        steady &= inside
    watched = float(steady.sum()) * scan.frame
    if watched < LEAST_WATCHED:
        why = "no steady sound of 2 s and more above −60 dBFS to see them in; play a tone"
        return Events(0, withheld("a minute", why), ())
    low = steady & (level < usual - DROP)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], low, [False]]).astype(np.int8)))
    times, lengths = [], []
    for begin, end in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        if begin == 0 or end == len(level) or (end - begin) * scan.frame > LONGEST_DROP:
            continue  # the beginning or end of the sound itself
        if min(level[max(0, begin - 5) : begin].max(), level[end : end + 5].max()) < usual[begin] - DROP / 2.0:
            continue
        times.append(begin * scan.frame)
        lengths.append((end - begin) * scan.frame)
    return Events(len(times), _rate(len(times), watched), tuple(times[:SHOWN]), tuple(lengths[:SHOWN]))
