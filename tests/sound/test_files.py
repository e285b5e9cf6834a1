"""Files as recorders leave them: every width, cut off, empty, no sound; long ones piece by piece."""

from __future__ import annotations

import io
import struct
import tracemalloc

import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st

from refettle.sound import ArraySource, FileSource, SoundError, Stopped, read_sound
from tests.sound.signals import Array, noise, sine, times

RATE = 44_100
TIME = times(3.0, RATE)
SOUND = np.stack([sine(-12, 997, TIME), sine(-14, 997, TIME)], axis=1)


def wav(samples: Array = SOUND, subtype: str = "PCM_16", kind: str = "WAV", rate: int = RATE) -> bytes:
    file = io.BytesIO()
    soundfile.write(file, samples, rate, subtype=subtype, format=kind)
    return file.getvalue()


SHORT = wav(np.stack([noise(-20, times(0.5, 8000))] * 2, axis=1), rate=8000)


@pytest.mark.parametrize(
    ("subtype", "kind", "bits", "within"),
    [
        ("PCM_U8", "WAV", 8, 0.1),
        ("PCM_16", "WAV", 16, 0.01),
        ("PCM_24", "WAV", 24, 0.01),
        ("PCM_32", "WAV", 32, 0.01),
        ("FLOAT", "WAV", 0, 0.01),
        ("DOUBLE", "WAV", 0, 0.01),
        ("PCM_24", "FLAC", 24, 0.01),
        ("PCM_16", "AIFF", 16, 0.01),
    ],
)
def test_every_width(subtype: str, kind: str, bits: int, within: float) -> None:
    source = FileSource(io.BytesIO(wav(subtype=subtype, kind=kind)))
    assert (source.bits, source.channels, source.frames) == (bits, 2, len(TIME))
    reading = read_sound(source)
    assert [each.level.value for each in reading.channels] == pytest.approx([-12, -14], abs=within)
    assert any("8-bit" in note for note in reading.notes) == (bits == 8)
    assert reading.channels[0].clicks.count == 0
    assert reading.channels[0].clipped.value == 0


def test_a_recording_cut_off_says_so() -> None:
    whole = wav()
    reading = read_sound(FileSource(io.BytesIO(whole[: len(whole) // 2])))
    assert any(note.startswith("truncated") and "1.5 of 3.0 s" in note for note in reading.notes)
    assert reading.seconds == pytest.approx(1.5, abs=0.01)
    unfinished = bytearray(whole)
    at = unfinished.index(b"data")
    unfinished[at + 4 : at + 8] = struct.pack("<I", 0xFFFFFFFF)
    assert any("did not finish" in note for note in FileSource(io.BytesIO(bytes(unfinished))).notes)


def test_a_compressed_file_cut_off_is_refused_in_words() -> None:
    whole = wav(kind="FLAC")
    with pytest.raises(SoundError, match=r"cannot be read from 0\.\d of 3\.0 s on|no sound that can be read"):
        read_sound(FileSource(io.BytesIO(whole[: len(whole) // 3])))


def test_a_length_never_written() -> None:
    content = bytearray(wav())
    at = content.index(b"data")
    content[at + 4 : at + 8] = bytes(4)
    with pytest.raises(SoundError, match="the recorder did not finish it"):
        FileSource(io.BytesIO(bytes(content)))


@settings(max_examples=60, deadline=None)
@given(at=st.integers(0, 59), byte=st.integers(0, 255), keep=st.integers(1, 9000))
def test_damaged_files_are_read_or_refused_in_words(at: int, byte: int, keep: int) -> None:
    content = bytearray(SHORT)
    content[at] = byte
    try:
        reading = read_sound(FileSource(io.BytesIO(bytes(content[:keep]))))
    except SoundError as error:
        assert "; allowed: " in str(error)  # noqa: PT017
    else:
        assert reading.channels


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "file: empty"),
        (b"%PDF-1.4 nothing to hear", "it begins with b'%PDF'"),
        (b"RIFF\x00\x00\x00\x00WAVE", "no sound that can be read"),
        (wav(np.zeros((0, 2))), "sound: no samples found"),
        (wav(SOUND[:2000]), "length: 0.0454 s found"),
        (wav(np.zeros((RATE, 4))), "channels: 4 found; allowed: 1 or 2"),
        (wav(SOUND, rate=4000), "sample rate: 4000 Hz found"),
    ],
)
def test_refused(content: bytes, words: str) -> None:
    with pytest.raises(SoundError) as raised:
        FileSource(io.BytesIO(content))
    assert words in str(raised.value)


def test_samples_that_are_no_numbers() -> None:
    samples = SOUND.copy()
    samples[RATE * 2, 1] = np.nan
    samples[RATE * 2 + 1, 0] = np.inf
    with pytest.raises(SoundError, match=r"2 samples that are no numbers, the first at 2.000 s"):
        read_sound(FileSource(io.BytesIO(wav(samples, "FLOAT"))))


@pytest.mark.parametrize(
    ("samples", "rate", "words"),
    [
        (np.zeros((10, 2, 2)), RATE, "3 dimensions found"),
        (np.array(["a"]), RATE, "samples of type"),
        (np.zeros(RATE), 100, "sample rate: 100 Hz"),
    ],
)
def test_arrays_refused(samples: Array, rate: int, words: str) -> None:
    with pytest.raises(SoundError, match=words):
        ArraySource(samples, rate)


@pytest.mark.parametrize(
    ("wish", "words"),
    [
        ({"mains_hz": 55}, "mains frequency: 55 Hz found; allowed: 50 or 60"),
        ({"quiet": (2.0, 9.0)}, "quiet stretch: 2 to 9 s found"),
        ({"tones": True}, "test tones: no markers found"),
        ({"tape_hz": 12.0}, "tape tone: 12 Hz found"),
        ({"usual_dbfs": 30.0}, "usual level: 30 dBFS found"),
    ],
)
def test_wishes_refused(wish: dict[str, object], words: str) -> None:
    with pytest.raises(SoundError, match=words):
        read_sound(SOUND, RATE, **wish)  # type: ignore[arg-type]


def test_stopped_and_told() -> None:
    told: list[float] = []
    read_sound(SOUND, RATE, progress=told.append)
    assert told == sorted(told)
    assert told[-1] == 1.0
    with pytest.raises(Stopped):
        read_sound(SOUND, RATE, stop=lambda: True)


class Long:
    """Two channels of tone and noise without end, made as they are read."""

    rate, channels, bits, notes = 48_000, 2, 16, ()

    def __init__(self, seconds: float) -> None:
        self.frames = int(seconds * self.rate)
        piece = times(1.0, self.rate)
        self.piece = np.stack([sine(-20, 1000, piece), noise(-60, piece)], axis=1)

    def read(self, start: int, count: int) -> Array:
        index = np.arange(start, min(start + count, self.frames)) % self.rate
        return np.asarray(self.piece[index])


def test_a_long_recording_takes_little_memory() -> None:
    source = Long(90.0)
    tracemalloc.start()
    reading = read_sound(source)
    _, most = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert most < 65e6  # the samples alone would be 69 MB
    assert reading.seconds == 90.0
    assert len(reading.level_times) <= 800


def test_five_hours_are_refused() -> None:
    source = Long(1.0)
    with pytest.raises(SoundError, match=r"5\.0 h found; allowed: up to 4 h"):
        ArraySource(np.lib.stride_tricks.as_strided(source.piece, (5 * 3600 * 48_000, 2), (0, 8)), 48_000)
