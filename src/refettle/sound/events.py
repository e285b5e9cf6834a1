"""What happens now and then in a recording: clicks and crackle, dropouts, clipping."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt

import numpy as np

from refettle.language import tr
from refettle.sound.figures import FULL_SINE_SQUARE, Array, Figure, Stretch, withheld
from refettle.sound.scan import FLAT_SHARE, Scan

SHOWN = 200
"""Events given with their time."""
STEADY, STEADY_CLICKS = 3.0, 1.5
"""[dB] The level over a second varies less than this where dropouts, and clicks, can be told from music."""
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
    """Clicks of one channel, as the scan found them, in sound that is otherwise steady: hiss, hum, a tone.

    Steady: the least level in 50 ms stays within 1.5 dB for most of a second. A hit after which the level stays up or
    down is the start or end of a sound. What speech and music hit elsewhere is told, not counted.
    """
    from scipy.ndimage import minimum_filter1d, percentile_filter

    level = _levels(scan, channel)
    size = round(1.0 / scan.frame) | 1
    floor = minimum_filter1d(level, 5, mode="nearest")
    low, high = (percentile_filter(floor, share, size=size, mode="nearest") for share in (10, 90))
    steady = high - low < STEADY_CLICKS
    watched = float(steady.sum()) * scan.frame
    at = np.minimum((np.array(scan.clicks[channel]) / scan.frame).astype(np.int64), len(level) - 1)
    kept = [each for each, frame in zip(scan.clicks[channel], at.tolist(), strict=True)
            if steady[frame] and _returns(level, frame)]  # fmt: skip
    scale = scan.click_count[channel] / max(1, len(scan.clicks[channel]))  # the scan keeps the first 2000 only
    count = round(len(kept) * scale)
    others = scan.click_count[channel] - count
    notes = []
    if bool((scan.flat[:, channel] > FLAT_SHARE).mean() > 0.02):
        notes.append(tr("clipped: the corners of clipped waves count as clicks"))
    if others > 0:
        notes.append(tr("{others} more in music or speech, or at its ends, not counted", others=others))
    if watched < LEAST_WATCHED and len(level) * scan.frame >= LEAST_WATCHED:
        why = tr("no steady sound of 2 s and more to count them in; record silence or a tone")
        return Events(0, withheld("a minute", why), (), (), "; ".join(notes))
    return Events(count, _rate(count, max(watched, scan.frame)), tuple(kept[:SHOWN]), (), "; ".join(notes))


def _levels(scan: Scan, channel: int) -> Array:
    """[dBFS] of each frame."""
    return np.asarray(10.0 * np.log10(np.maximum(scan.square[:, channel], 1e-20) / FULL_SINE_SQUARE))


def _returns(level: Array, frame: int) -> bool:
    """Whether the level is the same within 6 dB before and after."""
    before, after = level[max(0, frame - 6) : max(0, frame - 1)], level[frame + 2 : frame + 7]
    if not len(before) or not len(after):
        return True
    return bool(abs(float(np.median(before)) - float(np.median(after))) < 6.0)


def clipping(scan: Scan, channel: int) -> tuple[Figure, tuple[float, ...], bool]:
    """[%] of the time that has flat tops, when (first 200 pieces of 50 ms), and whether at full scale."""
    flat = scan.flat[:, channel] > FLAT_SHARE
    share = Figure(100.0 * float(flat.mean()), "%", 100.0 * 0.05 / max(scan.seconds, 0.05))
    full = bool(scan.full[channel] > 3.0)
    if full and not flat.any():
        share = Figure(0.0, "%", None, tr("{channel:.0f} samples at full scale", channel=scan.full[channel]))
    return share, tuple(float(at) * PIECE for at in np.flatnonzero(flat)[:SHOWN]), full


def dropouts(scan: Scan, channel: int, parts: Sequence[Stretch] | None = None) -> Events:
    """Short losses of a steady sound: 12 dB and more down for 10 ms to 2 s.

    In speech and music a pause is no dropout, so only where the level is otherwise steady within 3 dB they are counted;
    within `parts` where these are given.
    """
    from scipy.ndimage import median_filter

    level = _levels(scan, channel)
    size = round(1.0 / scan.frame) | 1
    if len(level) < 2 * size:
        return Events(0, withheld("a minute", tr("too short; allowed: 2 s and more")), ())
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
        why = tr("no steady sound of 2 s and more above −60 dBFS to see them in; play a tone")
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
