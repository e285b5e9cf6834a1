"""Recordings read piece by piece: from an array, or from an open sound file."""

from __future__ import annotations

import struct
from typing import Any, BinaryIO, Protocol

import numpy as np

from refettle.language import tr
from refettle.sound.figures import Array, SoundError

LEAST_RATE, MOST_RATE = 8000, 400_000
"""[Hz] Sample rates read."""
LEAST_SECONDS, MOST_SECONDS = 0.2, 4 * 3600.0
"""[s] Lengths read; four hours keep the tables of levels below 100 MB."""
BITS = {"PCM_U8": 8, "PCM_S8": 8, "ULAW": 13, "ALAW": 13, "PCM_16": 16, "PCM_24": 24, "PCM_32": 32}
NAMES = ("left", "right")


class Source(Protocol):
    """A recording: `rate` [Hz], `frames` samples per channel, `channels`, `bits` (0 where floating point)."""

    rate: int
    frames: int
    channels: int
    bits: int
    notes: tuple[str, ...]

    def read(self, start: int, count: int) -> Array:
        """(n, channels) samples of full scale 1; fewer than asked at the end. SoundError where one is no number."""


def channel_names(source: Source) -> tuple[str, ...]:
    """`left` and `right`, or `mono`."""
    return NAMES if source.channels == 2 else ("mono",)


def _checked(rate: float, frames: int, channels: int) -> None:
    if not LEAST_RATE <= rate <= MOST_RATE or rate != int(rate):
        raise SoundError(
            tr(
                "sample rate: {rate:g} Hz found; allowed: whole numbers from {least_rate} to {most_rate} Hz",
                rate=rate,
                least_rate=LEAST_RATE,
                most_rate=MOST_RATE,
            )
        )
    if channels not in (1, 2):
        raise SoundError(tr("channels: {channels} found; allowed: 1 or 2", channels=channels))
    if frames == 0:
        raise SoundError(tr("sound: no samples found; allowed: at least 0.2 s"))
    seconds = frames / rate
    if seconds < LEAST_SECONDS:
        raise SoundError(
            tr(
                "length: {seconds:.3g} s found; allowed: at least {least_seconds:g} s",
                seconds=seconds,
                least_seconds=LEAST_SECONDS,
            )
        )
    if seconds > MOST_SECONDS:
        raise SoundError(
            tr(
                "length: {seconds:.1f} h found; allowed: up to 4 h. Cut out the part that matters",
                seconds=seconds / 3600,
            )
        )


def _finite(block: Array, start: int, rate: int) -> Array:
    bad = np.flatnonzero(~np.isfinite(block).all(axis=1))
    if len(bad):
        at = (start + int(bad[0])) / rate
        raise SoundError(
            tr(
                "sound: {bad} samples that are no numbers, the first at {at:.3f} s; allowed: numbers "
                "only. Save the recording again as 16- or 24-bit WAV",
                bad=len(bad),
                at=at,
            )
        )
    return block


class ArraySource:
    """Samples in memory. (n,) or (n, channels), full scale 1. SoundError for a rate, length or shape not read."""

    def __init__(self, samples: Any, rate: float, bits: int = 0) -> None:
        array = np.asarray(samples)
        if array.dtype.kind not in "fiu":
            raise SoundError(
                tr("sound: samples of type {dtype} found; allowed: numbers of full scale 1", dtype=array.dtype)
            )
        if array.ndim == 1:
            array = array[:, None]
        if array.ndim != 2:
            raise SoundError(
                tr("sound: {ndim} dimensions found; allowed: samples, or samples by channels", ndim=array.ndim)
            )
        _checked(rate, array.shape[0], array.shape[1])
        self.rate, self.frames, self.channels, self.bits = int(rate), array.shape[0], array.shape[1], bits
        self.notes: tuple[str, ...] = ()
        self._array = array

    def read(self, start: int, count: int) -> Array:
        """(n, channels) samples."""
        return _finite(np.asarray(self._array[start : start + count], dtype=np.float64), start, self.rate)


class FileSource:
    """An open sound file (WAV, AIFF, FLAC and what else libsndfile reads), read piece by piece.

    Parameters
    ----------
    file : binary file that can seek
        Stays open as long as the source is used; the caller closes it.

    Raises
    ------
    SoundError
        Empty, no sound file, a rate, length or number of channels that is not read.
    """

    def __init__(self, file: BinaryIO) -> None:
        import soundfile

        size = file.seek(0, 2)
        if size == 0:
            raise SoundError(tr("file: empty; allowed: a sound file such as WAV"))
        notes = _wav_notes(file, size)
        file.seek(0)
        try:
            self._sound = soundfile.SoundFile(file)
        except (soundfile.SoundFileError, RuntimeError, TypeError):
            file.seek(0)
            found = file.read(4)
            raise SoundError(
                tr(
                    "file: no sound that can be read (it begins with {found!r}); allowed: WAV, AIFF or FLAC, "
                    "whole and not compressed with loss",
                    found=found,
                )
            ) from None
        self.rate, self.frames = int(self._sound.samplerate), int(self._sound.frames)
        self.channels, self.bits = int(self._sound.channels), BITS.get(self._sound.subtype, 0)
        _checked(self.rate, self.frames, self.channels)
        if self.bits == 8:
            notes.append(tr("8-bit samples: nothing below about −50 dBFS can be told; record with 16 bits or more"))
        if self._sound.format in ("OGG", "MPEG", "MP3"):
            notes.append(
                tr(
                    "{format}: compressed with loss, so noise, hum and distortion are not the unit's",
                    format=self._sound.format,
                )
            )
        self.notes = tuple(notes)

    def read(self, start: int, count: int) -> Array:
        """(n, channels) samples."""
        import soundfile

        at = max(0, min(start, self.frames))
        try:
            self._sound.seek(at)
            block = self._sound.read(max(0, min(count, self.frames - at)), dtype="float64", always_2d=True)
        except (soundfile.SoundFileError, RuntimeError):
            raise SoundError(
                tr(
                    "file: cannot be read from {from_second:.1f} of {length:.1f} s on (damaged or cut off); "
                    "allowed: a whole file. Open it in a sound editor and save what is there as WAV",
                    from_second=at / self.rate,
                    length=self.frames / self.rate,
                )
            ) from None
        return _finite(block, start, self.rate)


def _wav_notes(file: BinaryIO, size: int) -> list[str]:
    """What the lengths in a WAV header say that the file does not hold."""
    file.seek(0)
    head = file.read(12)
    if len(head) < 12 or head[:4] not in (b"RIFF", b"RF64") or head[8:] != b"WAVE":
        return []
    at, per_second = 12, 0
    while at + 8 <= size:
        file.seek(at)
        name, length = struct.unpack("<4sI", file.read(8))
        if name == b"fmt " and at + 20 <= size:
            per_second = struct.unpack("<I", file.read(12)[8:])[0]
        if name == b"data":
            there = size - at - 8
            if length == 0 and there > 0:
                raise SoundError(
                    tr(
                        "file: the recorder did not finish it, no length is written before {there} bytes of "
                        "sound; allowed: a finished file. Open it in a sound editor and save it again as WAV",
                        there=there,
                    )
                )
            if head[:4] == b"RF64" or length <= there:
                return []
            if length >= 0xFFFFFF00:
                return [tr("the recorder did not finish this file: its length is not written; what is there was read")]
            part = f", {there / per_second:.1f} of {length / per_second:.1f} s" if per_second else ""
            return [
                tr(
                    "truncated: {there} of {length} bytes of sound are there{part}; what is there was read",
                    there=there,
                    length=length,
                    part=part,
                )
            ]
        at += 8 + length + (length & 1)
    return []
