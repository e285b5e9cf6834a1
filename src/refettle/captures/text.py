"""Bytes of a text file, whatever its encoding and line ends, as UTF-8 with plain newlines."""

from __future__ import annotations

import codecs

from refettle.captures.model import CaptureError
from refettle.language import tr

_MARKS = (
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF32_LE, "utf-32-le"),
    (codecs.BOM_UTF32_BE, "utf-32-be"),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
)
_TEXT = bytes([9, 10, 12, 13, 26, *range(32, 256)])


def as_lines(data: bytes) -> tuple[bytes, str]:
    """The text in UTF-8 with one newline at the end of each line, and what it was encoded in.

    Raises
    ------
    CaptureError
        Bytes that are no text.
    """
    encoding = ""
    for mark, name in _MARKS:
        if data.startswith(mark):
            data, encoding = data[len(mark) :], name
            break
    head = data[:4096]
    if not encoding and b"\0" in head:
        half = len(head) // 2
        odd, even = head[1::2].count(0), head[0::2].count(0)
        if max(odd, even) > 0.4 * half and min(odd, even) < 0.05 * half + 1:
            encoding = "utf-16-le" if odd > even else "utf-16-be"
    if encoding in ("", "utf-8"):
        encoding, data = _eight_bits(data)
    else:
        try:
            data = data[: len(data) - len(data) % (4 if "32" in encoding else 2)].decode(encoding).encode()
        except UnicodeError:
            raise CaptureError(
                tr("bytes that are no {encoding} text; allowed: text, NumPy files, WAV", encoding=encoding.upper())
            ) from None
    if strange := data[: 1 << 16].translate(None, _TEXT):
        at = data.index(strange[:1])
        raise CaptureError(
            tr(
                "byte {strange:#04x} found at {at}: no text; allowed: CSV or other text, NumPy files (.npy, .npz), WAV",
                strange=strange[0],
                at=at,
            )
        )
    if b"\r" in data:
        data = data.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    return data.rstrip(b"\x1a\0"), encoding.upper()


def _eight_bits(data: bytes) -> tuple[str, bytes]:
    """UTF-8 where it is that; otherwise the western code page, which has a letter for nearly every byte."""
    if data.isascii():
        return "utf-8", data
    try:
        data.decode("utf-8")
        return "utf-8", data
    except UnicodeDecodeError as error:
        if error.reason == "unexpected end of data" and error.start > len(data) - 4:
            return "utf-8", data[: error.start]  # cut in the middle of a letter
    return "latin-1", data.decode("cp1252", "replace").encode()
