"""One pass over a recording: levels every 10 ms, clipping, clicks. Memory grows by about 15 kB a second of sound.

Clicks: each 20 ms are predicted linearly from the 12 samples before; a click is an error of prediction beyond eight
times its usual size (median) and 52 dB below the sound around it. Steady tones, hum and hiss are predicted, clicks
are not. Sharp attacks of speech and music are not either: only on silence or a tone is a count certain.

Flat tops: in 50 ms, the share of samples in runs of four and more that lie within 0.5 % of the highest or lowest value.
A sine has 3 % there at each end; 8 % count as clipped. A square wave, such as a simple beeper gives, is flat by design.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from refettle.language import tr
from refettle.sound.figures import Array, Mask, Places, Progress, SoundError, Stop, Stopped
from refettle.sound.source import Source

FRAME = 0.01
"""[s] Length of a frame of the level table."""
ORDER = 12
CLICK_SIZES, CLICK_FLOOR = 8.0, 3e-4
CLICK_MERGE = 0.002
"""[s] Hits closer than this are one click."""
FLAT_SHARE, FLAT_DEPTH, FLAT_RUN = 0.08, 0.005, 4
MOST_EVENTS = 2000
"""Events kept with their time; beyond that they are only counted."""


@dataclass(frozen=True, slots=True)
class Scan:
    """What one pass leaves. Arrays are (frames, channels) unless said otherwise.

    Attributes
    ----------
    frame : float
        [s] length of a frame.
    mean, square, low, high
        Mean, mean square, least and largest sample of each frame.
    cross : (frames,) array
        Mean of left times right; empty with one channel.
    flat : (pieces of 50 ms, channels) array
        Share of samples on a flat top.
    full : (channels,) array
        Samples at full scale, two or more in a row.
    clicks : tuple, one for each channel
        Times [s] of the first clicks; `click_count` of all.
    """

    frame: float
    mean: Array
    square: Array
    low: Array
    high: Array
    cross: Array
    flat: Array
    full: Array
    clicks: tuple[tuple[float, ...], ...]
    click_count: tuple[int, ...]

    @property
    def seconds(self) -> float:
        """[s] what the whole frames cover."""
        return len(self.square) * self.frame

    def total_square(self) -> Array:
        """(channels,) mean square without the DC, over all."""
        return np.asarray(np.maximum(0.0, self.square.mean(axis=0) - self.mean.mean(axis=0) ** 2))


def scan(source: Source, progress: Progress | None = None, stop: Stop | None = None) -> Scan:
    """Go through a recording once, a second at a time.

    Raises
    ------
    SoundError
        A sample that is no number.
    Stopped
        `stop` said so.
    """
    step = max(1, round(FRAME * source.rate))
    piece = step * 100
    parts: list[list[Array]] = [[] for _ in range(6)]
    full = np.zeros(source.channels)
    hits: list[list[float]] = [[] for _ in range(source.channels)]
    counts = [0] * source.channels
    last = [-1.0] * source.channels
    before = np.zeros((ORDER, source.channels))
    for start in range(0, source.frames, piece):
        if stop is not None and stop():
            raise Stopped
        block = source.read(start, piece)
        if len(block) < step:
            break
        whole = block[: len(block) // step * step]
        for kept, found in zip(parts, _frames(whole, step, source.bits), strict=True):
            kept.append(found)
        full += _at_full_scale(block, source.bits)
        for channel in range(source.channels):
            at = _click_places(np.ascontiguousarray(block[:, channel]), before[:, channel], source.rate, source.bits)
            for time in (start + at[start + at > ORDER]) / source.rate:
                if time - last[channel] > CLICK_MERGE:
                    counts[channel] += 1
                    if len(hits[channel]) < MOST_EVENTS:
                        hits[channel].append(float(time))
                last[channel] = float(time)
        before = block[-ORDER:]
        if progress is not None:
            progress(min(1.0, (start + piece) / source.frames))
    if not parts[0]:
        raise SoundError(tr("sound: nothing can be read; allowed: at least 0.2 s"))
    mean, square, low, high, cross, flat = (np.concatenate(kept) for kept in parts)
    return Scan(step / source.rate, mean, square, low, high, cross, flat, full, tuple(map(tuple, hits)), tuple(counts))


def _frames(block: Array, step: int, bits: int) -> tuple[Array, ...]:
    """Mean, square, low, high, cross, flat of a block of whole frames. Channel by channel: rows in memory are quick."""
    rows = np.ascontiguousarray(block.T)
    framed = rows.reshape(len(rows), -1, step)
    cross = np.einsum("ij,ij->i", framed[0], framed[1]) / step if len(rows) == 2 else np.empty(0)
    square = np.einsum("kij,kij->ki", framed, framed) / step
    low, high = framed.min(axis=2), framed.max(axis=2)
    flat = np.stack([_flat(row, low[k], high[k], 5 * step, bits) for k, row in enumerate(rows)], axis=1)
    return framed.mean(axis=2).T, square.T, low.T, high.T, cross, flat


def _flat(row: Array, low: Array, high: Array, size: int, bits: int) -> Array:
    """(pieces,) share on flat tops in one channel; `low` and `high` are those of its frames, five to a piece."""
    pieces = len(row) // size
    if pieces == 0:
        return np.zeros(1)
    top = high[: pieces * 5].reshape(pieces, 5).max(axis=1)[:, None]
    bottom = low[: pieces * 5].reshape(pieces, 5).min(axis=1)[:, None]
    half = (top - bottom) / 2.0
    # Below 50 steps of the converter a sine is flat by itself.
    loud = half[:, 0] >= max(50.0 * 2.0 ** (1 - bits) if bits else 1e-3, 1e-3)
    out = np.zeros(pieces)
    if loud.any():
        framed = row[: pieces * size].reshape(pieces, size)[loud]
        near = FLAT_DEPTH * half[loud]
        out[loud] = np.maximum(_share_in_runs(framed > top[loud] - near), _share_in_runs(framed < bottom[loud] + near))
    return out


def _share_in_runs(mask: Mask) -> Array:
    """Share of samples in runs of `FLAT_RUN` (four) and more, along axis 1."""
    share: Array = mask.mean(axis=1)
    for at in np.flatnonzero(share > FLAT_SHARE).tolist():
        edges = np.flatnonzero(np.diff(np.concatenate([[False], mask[at], [False]]).astype(np.int8)))
        lengths = edges[1::2] - edges[::2]
        share[at] = float(lengths[lengths >= FLAT_RUN].sum()) / mask.shape[1]
    return share


def _at_full_scale(block: Array, bits: int) -> Array:
    """(channels,) samples at full scale with a neighbour there too."""
    limit = 1.0 - 2.0 ** (1 - bits) if bits else 1.0
    if max(float(block.max()), -float(block.min())) < limit - 1e-9:
        return np.zeros(block.shape[1])
    at = np.abs(block) >= limit - 1e-9
    return np.asarray((at[1:] & at[:-1]).sum(axis=0), dtype=np.float64)


def _click_places(samples: Array, before: Array, rate: int, bits: int) -> Places:
    """Sample numbers where prediction fails."""
    size = rate // 50
    rows = len(samples) // size
    if rows == 0 or not samples.any():
        return np.empty(0, dtype=np.int64)
    used = samples[: rows * size]
    joined = np.concatenate([before, used])
    framed = used.reshape(rows, size)
    lags = np.stack([np.einsum("ij,ij->i", framed[:, k:], framed[:, : size - k]) for k in range(ORDER + 1)], axis=1)
    power = lags[:, 0] / size
    index = np.abs(np.subtract.outer(np.arange(ORDER), np.arange(ORDER)))
    matrix = lags[:, index]
    matrix[:, np.arange(ORDER), np.arange(ORDER)] += (1e-9 * lags[:, 0] + 1e-30)[:, None]
    weights = np.linalg.solve(matrix, lags[:, 1:, None])[:, :, 0]
    error = framed.copy()
    for k in range(1, ORDER + 1):
        error -= weights[:, k - 1 : k] * joined[ORDER - k : ORDER - k + rows * size].reshape(rows, size)
    np.abs(error, out=error)
    usual = np.median(error[:, ::3], axis=1) * 1.4826
    step = 2.0 ** (1 - bits) if bits else 1e-6
    least = CLICK_SIZES * np.maximum(usual, step / 2.0) + CLICK_FLOOR * CLICK_SIZES * np.sqrt(power)
    return np.asarray(np.flatnonzero(error > least[:, None]), dtype=np.int64)
