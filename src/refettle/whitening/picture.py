"""From the bytes of a photo to its upright pixels and what they mean in light. The limits come before any pixel."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from io import BytesIO
from threading import Lock
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from refettle.language import mark, tr
from refettle.whitening.profile import Profile, ProfileError, read_profile, srgb

if TYPE_CHECKING:
    from PIL.Image import Image
    from PIL.ImageFile import ImageFile

MAX_BYTES = 60_000_000
MAX_PIXELS = 64_000_000
MAX_PROGRESSIVE = 37_000_000
"""Pixels of a progressive JPEG, which is held in memory twice over while it is decoded."""
LEAST_SIDE = 200
ALLOWED = mark("a JPEG, PNG or WebP colour photo of at most {megabytes:.0f} MB and {megapixels:.0f} megapixels")
_ORIENTATION, _COLOUR_SPACE, _DETAILS = 0x0112, 0xA001, 0x8769
_UNCALIBRATED = 0xFFFF
_STRIP = 256
"""Rows."""
_ONE_AT_A_TIME = Lock()


class PhotoError(ValueError):
    """A photo cannot be read, or what it shows cannot be trusted. `why` is one word for it, for pages and programs."""

    def __init__(self, why: str, message: str) -> None:
        super().__init__(message)
        self.why = why


def _refuse(why: str, found: str, allowed: str = "") -> PhotoError:
    allowed = allowed or tr(ALLOWED, megabytes=MAX_BYTES / 1e6, megapixels=MAX_PIXELS / 1e6)
    return PhotoError(why, tr("found {found}; allowed: {allowed}", found=found, allowed=allowed))


@dataclass(frozen=True, slots=True)
class Picture:
    """`code` (height x width x 3, values 0 to 255), upright; `profile`, what they mean; `notes` worth knowing."""

    code: NDArray[np.uint8]
    profile: Profile
    notes: tuple[str, ...] = ()

    @property
    def height(self) -> int:
        return int(self.code.shape[0])

    @property
    def width(self) -> int:
        return int(self.code.shape[1])


def open_picture(data: bytes) -> Picture:
    """Decode a photo.

    Raises
    ------
    PhotoError
        Not a photo, damaged or cut off, over a limit, without colour, or in a colour space that it does not describe.
    """
    from PIL.Image import DecompressionBombError

    if len(data) > MAX_BYTES:
        raise _refuse("too-large", tr("a file of {size:.0f} MB", size=len(data) / 1e6))
    kind = _kind(data)
    try:
        # The class of the format itself, not Image.open: that warns on its own, by a limit set elsewhere.
        with strict_pictures():
            image = _class_of(kind)(BytesIO(data))
    except (OSError, ValueError, SyntaxError, EOFError, KeyError, IndexError, DecompressionBombError):
        raise _refuse(
            "damaged", tr("a damaged {kind} file: its header cannot be read", kind=kind), tr("a whole photo")
        ) from None
    wide, high = image.size
    if wide * high > (MAX_PROGRESSIVE if "progressive" in image.info else MAX_PIXELS):
        raise _refuse(
            "too-large",
            tr(
                "{wide} x {high} pixels ({megapixels:.0f} megapixels)",
                wide=wide,
                high=high,
                megapixels=wide * high / 1e6,
            ),
        )
    if min(wide, high) < LEAST_SIDE:
        raise _refuse(
            "too-small",
            tr("{wide} x {high} pixels", wide=wide, high=high),
            tr("at least {least_side} pixels each way", least_side=LEAST_SIDE),
        )
    if image.mode not in ("RGB", "RGBA", "P", "RGBX"):
        what = tr("a grey photo") if image.mode[:1] in "L1I" else tr("a photo in {mode}", mode=image.mode)
        raise _refuse("no-colour", what, tr("a colour photo in RGB"))
    try:
        with strict_pictures():
            image.load()
        orientation = _orientation(image)
        code = _flat(image)
    except (OSError, ValueError, SyntaxError, EOFError, IndexError, MemoryError) as error:
        raise _refuse(
            "damaged", tr("a damaged {kind} file: {error}", kind=kind, error=error), tr("a whole photo")
        ) from None
    profile, notes = _profile(image)
    image.close()
    return Picture(_upright(code, orientation), profile, notes)


@contextmanager
def strict_pictures() -> Iterator[None]:
    """What is cut off is an error, even where another library of the same program has told Pillow to pass over it."""
    from PIL import ImageFile

    with _ONE_AT_A_TIME:
        before = ImageFile.LOAD_TRUNCATED_IMAGES
        ImageFile.LOAD_TRUNCATED_IMAGES = False
        try:
            yield
        finally:
            ImageFile.LOAD_TRUNCATED_IMAGES = before


def _kind(data: bytes) -> str:
    if data.startswith(b"\xff\xd8\xff"):
        return "JPEG"
    if data.startswith(b"\x89PNG\r\n\x1a\n"):
        return "PNG"
    if data[:4] == b"RIFF" and data[8:12] == b"WEBP":
        return "WebP"
    if data[4:8] == b"ftyp" and data[8:12] in (b"heic", b"heix", b"hevc", b"heim", b"heis", b"mif1", b"msf1"):
        raise _refuse(
            "not-a-photo", tr("a HEIC photo"), tr("JPEG, PNG or WebP; set the camera to JPEG, or convert it first")
        )
    raise _refuse("not-a-photo", tr("an empty file") if not data else tr("a file that is no photo"))


def _class_of(kind: str) -> type[ImageFile]:
    if kind == "JPEG":
        from PIL.JpegImagePlugin import JpegImageFile

        return JpegImageFile
    if kind == "PNG":
        from PIL.PngImagePlugin import PngImageFile

        return PngImageFile
    from PIL.WebPImagePlugin import WebPImageFile

    return WebPImageFile


def _profile(image: Image) -> tuple[Profile, tuple[str, ...]]:
    held = image.info.get("icc_profile")
    if held:
        try:
            return read_profile(held), ()
        except ProfileError as error:
            raise _refuse("profile", str(error), tr("sRGB, Display P3 or another profile of three colorants")) from None
    if _exif(image, _COLOUR_SPACE) == _UNCALIBRATED:
        return srgb(tr("sRGB, assumed")), (
            tr("the photo says that it is not in sRGB, and not in what: sRGB is assumed"),
        )
    return srgb(tr("sRGB, assumed")), ()


def _exif(image: Image, tag: int) -> object:
    try:
        exif = image.getexif()
        return exif.get(tag, exif.get_ifd(_DETAILS).get(tag))
    except Exception:  # whatever a camera wrote there, the picture is still good
        return None


def _orientation(image: Image) -> int:
    found = _exif(image, _ORIENTATION)
    return found if isinstance(found, int) and 1 <= found <= 8 else 1


def _flat(image: Image) -> NDArray[np.uint8]:
    """RGB, on white where it was see-through; a strip at a time, as a whole photo in every form takes much memory."""
    from PIL.Image import new

    wide, high = image.size
    code = np.empty((high, wide, 3), dtype=np.uint8)
    for top in range(0, high, _STRIP):
        piece = image.crop((0, top, wide, min(high, top + _STRIP)))
        if image.mode in ("RGB", "RGBX"):
            code[top : top + _STRIP] = np.asarray(piece.convert("RGB"))
            continue
        clear = piece.convert("RGBA")
        ground = new("RGB", clear.size, (255, 255, 255))
        ground.paste(clear, mask=clear.getchannel("A"))
        code[top : top + _STRIP] = np.asarray(ground)
    return code


def _upright(code: NDArray[np.uint8], orientation: int) -> NDArray[np.uint8]:
    """Turned and mirrored as the EXIF orientation 1 to 8 says (EXIF 2.3, tag 274)."""
    if orientation >= 5:
        code = code.transpose(1, 0, 2)
    if orientation in (2, 3, 6, 7):
        code = code[:, ::-1]
    if orientation in (3, 4, 7, 8):
        code = code[::-1]
    return np.ascontiguousarray(code)
