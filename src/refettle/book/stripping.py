"""Taking what is not the picture out of a photo's file, without touching the picture.

Location, camera, times, comments, previews and anything behind the picture's end go. What is needed to
show it rightly stays: the coded pixels, the colour profile, and the orientation (written anew by itself).

Formats: JPEG (ITU-T T.81 Annex B), Exif 2.3 (APP1), ICC.1 Annex B.4 (profiles in APP2), PNG (third
edition), WebP (RFC 9649).
"""

from __future__ import annotations

import struct
import zlib

from refettle.language import tr

EXIF_ORIENTATION = 0x0112
PNG_SIGNATURE = b"\x89PNG\r\n\x1a\n"
PNG_KEPT = frozenset(
    (b"IHDR", b"PLTE", b"tRNS", b"IDAT", b"IEND", b"gAMA", b"cHRM", b"sRGB", b"iCCP", b"sBIT", b"cICP")
)
WEBP_KEPT = frozenset((b"VP8X", b"ICCP", b"ALPH", b"VP8 ", b"VP8L"))
WEBP_EXIF_FLAG, WEBP_XMP_FLAG = 0x08, 0x04


class Damaged(ValueError):  # noqa: N818 - reads as what it is
    """The file breaks off or is not put together as its format asks."""


def exif_with(orientation: int) -> bytes:
    """A TIFF structure that holds the orientation (1 to 8) and nothing else."""
    entry = struct.pack("<HHIHH", EXIF_ORIENTATION, 3, 1, orientation, 0)
    return b"II*\0" + struct.pack("<IH", 8, 1) + entry + struct.pack("<I", 0)


def strip(data: bytes, file_format: str, orientation: int) -> bytes:
    """The file without what is not the picture.

    Parameters
    ----------
    data : bytes
        The whole file.
    file_format : str
        'JPEG', 'PNG' or 'WEBP'.
    orientation : int
        As in Exif, 1 to 8; written back when it is not 1.

    Raises
    ------
    Damaged
        The file is cut off or malformed.
    """
    return {"JPEG": _jpeg, "PNG": _png, "WEBP": _webp}[file_format](data, orientation)


# ---------------------------------------------------------------- JPEG


def _jpeg(data: bytes, orientation: int) -> bytes:
    out = bytearray(b"\xff\xd8")
    exif = b"Exif\0\0" + exif_with(orientation)
    pending = b"\xff\xe1" + struct.pack(">H", len(exif) + 2) + exif if orientation != 1 else b""
    position = 2
    while True:
        marker, position = _next_marker(data, position)
        if marker == 0xD9:
            return bytes(out + b"\xff\xd9")
        if marker == 0x01 or 0xD0 <= marker <= 0xD7:
            continue
        if marker == 0xD8:
            raise Damaged(tr("a second start of image"))
        length = int.from_bytes(data[position : position + 2], "big")
        end = position + length
        if length < 2 or end > len(data):
            raise Damaged(tr("the file breaks off in its header"))
        body = data[position + 2 : end]
        if marker != 0xE0 and pending:  # the orientation follows the JFIF header, if there is one
            out += pending
            pending = b""
        if _jpeg_kept(marker, body):
            out += b"\xff" + bytes([marker]) + data[position:end]
        position = end
        if marker == 0xDA:
            stop = _scan_end(data, position)
            out += data[position:stop]
            position = stop


def _next_marker(data: bytes, position: int) -> tuple[int, int]:
    """The marker at `position` (fill bytes skipped) and where its segment begins."""
    if position >= len(data):
        raise Damaged(tr("the file breaks off before the picture's end"))
    if data[position] != 0xFF:
        raise Damaged(tr("bytes that belong to nothing"))
    while position < len(data) and data[position] == 0xFF:
        position += 1
    if position >= len(data):
        raise Damaged(tr("the file breaks off before the picture's end"))
    return data[position], position + 1


def _jpeg_kept(marker: int, body: bytes) -> bool:
    if marker == 0xE0:
        return body.startswith(b"JFIF\0")
    if marker == 0xE2:
        return body.startswith(b"ICC_PROFILE\0")
    if marker == 0xEE:
        return body.startswith(b"Adobe")  # says how the colours are coded
    return not (0xE1 <= marker <= 0xEF or marker == 0xFE)


def _scan_end(data: bytes, position: int) -> int:
    """Where the coded data that begins at `position` ends: the next marker other than a restart."""
    while True:
        position = data.find(b"\xff", position)
        if position < 0 or position + 1 >= len(data):
            raise Damaged(tr("the file breaks off before the picture's end"))
        after = data[position + 1]
        if after == 0xFF:
            position += 1
        elif after == 0 or 0xD0 <= after <= 0xD7:
            position += 2
        else:
            return position


# ---------------------------------------------------------------- PNG


def _png_chunk(name: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))


def _png(data: bytes, orientation: int) -> bytes:
    out = bytearray(PNG_SIGNATURE)
    position = len(PNG_SIGNATURE)
    pending = _png_chunk(b"eXIf", exif_with(orientation)) if orientation != 1 else b""
    while True:
        length = int.from_bytes(data[position : position + 4], "big")
        name = data[position + 4 : position + 8]
        end = position + 12 + length
        if end > len(data) or len(name) < 4:
            raise Damaged(tr("the file breaks off before the picture's end"))
        if int.from_bytes(data[end - 4 : end], "big") != zlib.crc32(data[position + 4 : end - 4]):
            raise Damaged(tr("a part does not match its check sum"))
        if name == b"IDAT" and pending:
            out += pending
            pending = b""
        if name in PNG_KEPT:
            out += data[position:end]
        if name == b"IEND":
            return bytes(out)
        position = end


# ---------------------------------------------------------------- WebP


def _webp(data: bytes, orientation: int) -> bytes:
    declared = int.from_bytes(data[4:8], "little") + 8
    if declared > len(data):
        raise Damaged(tr("the file breaks off before the picture's end"))
    out = bytearray(b"WEBP")
    position = 12
    extended = False
    while position + 8 <= declared:
        name = data[position : position + 4]
        length = int.from_bytes(data[position + 4 : position + 8], "little")
        end = position + 8 + length
        if end > declared:
            raise Damaged(tr("the file breaks off before the picture's end"))
        if name == b"VP8X":
            extended = True
            flags = data[position + 8] & ~(WEBP_EXIF_FLAG | WEBP_XMP_FLAG)
            flags |= WEBP_EXIF_FLAG if orientation != 1 else 0
            out += data[position : position + 8] + bytes([flags]) + data[position + 9 : end]
            out += b"\0" * (length % 2)
        elif name in WEBP_KEPT:
            out += data[position:end] + b"\0" * (length % 2)
        position = end + length % 2
    if orientation != 1 and extended:
        exif = exif_with(orientation)
        out += b"EXIF" + struct.pack("<I", len(exif)) + exif + b"\0" * (len(exif) % 2)
    return b"RIFF" + struct.pack("<I", len(out)) + bytes(out)
