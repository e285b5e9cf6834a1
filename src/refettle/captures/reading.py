"""Reading a capture, whatever it is saved as."""

from __future__ import annotations

from dataclasses import replace

from refettle.captures.model import Capture, CaptureError, Choices, Progress, Stop
from refettle.language import mark, tr

MAX_BYTES = 256_000_000
"""Of one file."""
_OTHERS = (
    (b"%PDF", "a PDF"), (b"\x89PNG", "a picture"), (b"\xff\xd8\xff", "a picture"), (b"GIF8", "a picture"),
    (b"BM", "a picture"), (b"\x1f\x8b", mark("a packed file")), (b"\xd0\xcf\x11\xe0", mark("an old spreadsheet")),
    (b"Rar!", mark("a packed file")), (b"7z\xbc\xaf", mark("a packed file")),
)  # fmt: skip


def read_capture(
    data: bytes,
    name: str = "",
    choices: Choices | None = None,
    *,
    progress: Progress | None = None,
    stop: Stop | None = None,
) -> Capture:
    """Read what an instrument saved: CSV and other text, a NumPy file, or a sound-card recording in WAV.

    Parameters
    ----------
    data : bytes
        The whole file; what it is is told from its bytes, not from its name.
    name : str
        Of the file, for messages.
    choices : Choices, optional
        What is decided rather than concluded.
    progress, stop : callables, optional
        For long files.

    Raises
    ------
    CaptureError
        Naming line and field, what was found and what is allowed. `asks` is the field of `Choices` that would help.
    CaptureStopped
    """
    from refettle.captures.quality import doubts_of

    choices = choices or Choices()
    try:
        capture = _read(data, choices, progress, stop)
    except CaptureError as error:
        if not name:
            raise
        named = type(error)(f"{name}: {error}", None, error.asks)
        named.line = error.line
        raise named from None
    if choices.ac_coupled is not None:
        word = tr("AC coupled") if choices.ac_coupled else tr("DC coupled")
        capture = replace(capture, understood=(*capture.understood, f"{word}, as chosen"))
    if progress is not None:
        progress(1.0)
    return capture.doubting(*doubts_of(capture, choices))


def _read(data: bytes, choices: Choices, progress: Progress | None, stop: Stop | None) -> Capture:
    if not data:
        raise CaptureError(tr("the file is empty; allowed: CSV or other text, NumPy files (.npy, .npz), WAV"))
    if len(data) > MAX_BYTES:
        raise CaptureError(
            tr(
                "{size:.0f} MB found; allowed: up to {most:.0f} MB",
                size=len(data) / 1e6,
                most=MAX_BYTES / 1e6,
            )
        )
    if data.startswith((b"\x93NUMPY", b"PK\x03\x04", b"PK\x05\x06")):
        from refettle.captures.arrays import read_arrays

        return read_arrays(data, choices)
    if data.startswith((b"RIFF", b"RF64", b"RIFX")):
        from refettle.captures.wav import read_wav

        return read_wav(data, choices)
    for start, what in _OTHERS:
        if data.startswith(start) and (start != b"BM" or b"\0" in data[:64]):
            raise CaptureError(
                tr("{file_kind} found; allowed: CSV or other text, NumPy files (.npy, .npz), WAV", file_kind=tr(what))
            )
    from refettle.captures.csv_reading import read_text

    return read_text(data, choices, progress, stop)
