"""Photos: taken in under limits, stripped of what is not the picture, kept by their hash.

`<folder>/<first two digits>/<sha256>.jpg` (.png, .webp) is the original's picture; beside it lie
`<sha256>.screen.jpg` and `<sha256>.thumb.jpg`, which are made again when they are missing.
"""

from __future__ import annotations

import hashlib
import re
from datetime import datetime
from io import BytesIO
from pathlib import Path
from typing import Protocol

from django.db import IntegrityError, transaction
from django.utils import timezone
from PIL import Image, ImageOps, UnidentifiedImageError

from refettle.book.models import Photo
from refettle.book.stripping import EXIF_ORIENTATION, Damaged, strip
from refettle.book.whole import write_whole
from refettle.language import mark, tr
from refettle.whitening.picture import strict_pictures

MAX_BYTES = 60_000_000
MAX_PIXELS = 120_000_000
MAX_WHOLE_PIXELS = 37_000_000
"""Of a photo that can only be decoded whole, and takes up to 12 bytes of memory for each pixel; a plain JPEG is decoded
smaller than it is."""
MIN_SIDE, MAX_SIDE = 8, 60_000
SIZES = {"thumb": 480, "screen": 1600}
"""Longest side in pixels of the smaller copies."""
ENDINGS = {"JPEG": "jpg", "PNG": "png", "WEBP": "webp"}
MIME = {"JPEG": "image/jpeg", "PNG": "image/png", "WEBP": "image/webp"}
ALLOWED = mark("a JPEG, PNG or WebP photo of at most 60 MB and 120 megapixels")
ALLOWED_WHOLE = mark("at most 37 megapixels in a PNG, a WebP or a progressive JPEG, or a plain JPEG")

# Pillow's own guard, for anything that opens a picture without asking its size first.
Image.MAX_IMAGE_PIXELS = MAX_PIXELS


class PhotoError(ValueError):
    """The file cannot be taken as a photo; says what was found and what is allowed."""

    def __init__(self, found: str, allowed: str = ALLOWED) -> None:
        super().__init__(
            tr("The photo cannot be taken: found {found}; allowed: {allowed}.", found=found, allowed=tr(allowed))
        )


class Readable(Protocol):
    """An open file or an upload."""

    def read(self, size: int = ..., /) -> bytes: ...


def store_photo(file: Readable, folder: Path) -> Photo:
    """Keep a photo: check it, strip it, write it, and note it in the book.

    The file is on the disk before the row is made. The same photo again gives the same row.

    Parameters
    ----------
    file : binary file
        Read from where it stands.
    folder : path
        The photos folder.

    Raises
    ------
    PhotoError
        Not a readable photo, or over a limit.
    OSError
        The folder cannot be written.
    """
    data = _read(file)
    file_format = _sniff(data)
    with _open(data, file_format) as image:
        _not_too_large_whole(image)
        exif = _exif(image)
        taken_at = _taken_at(exif)
        orientation = exif.get(EXIF_ORIENTATION, 1)
        orientation = orientation if orientation in range(1, 9) else 1
        width, height = image.size
        try:
            stripped = strip(data, file_format, orientation)
        except Damaged as error:
            raise PhotoError(
                tr("a damaged {format} file: {error}", format=file_format, error=error), tr("a whole photo")
            ) from None
    copies = _copies(stripped, file_format, list(SIZES))
    if orientation >= 5:
        width, height = height, width
    sha256 = hashlib.sha256(stripped).hexdigest()
    write_whole(original_path(folder, sha256, file_format), stripped)
    for size, content in copies.items():
        write_whole(copy_path(folder, sha256, size), content)
    photo = Photo(
        sha256=sha256,
        format=file_format,
        width=width,
        height=height,
        bytes=len(stripped),
        taken_at=taken_at,
    )
    try:
        with transaction.atomic():
            if (there := Photo.objects.filter(sha256=sha256).first()) is not None:
                return there
            photo.save()
    except IntegrityError:
        return Photo.objects.get(sha256=sha256)
    return photo


def as_kept(data: bytes) -> tuple[str, int, int]:
    """Format, width and height of a photo that a bench book has kept before: checked and decoded like a new one.

    Raises
    ------
    PhotoError
        Not a readable photo, over a limit, or with more in it than the picture.
    """
    file_format = _sniff(_read(BytesIO(data)))
    with _open(data, file_format) as image:
        _not_too_large_whole(image)
        orientation = _exif(image).get(EXIF_ORIENTATION, 1)
        orientation = orientation if orientation in range(1, 9) else 1
        width, height = image.size
    try:
        stripped = strip(data, file_format, orientation)
    except Damaged as error:
        raise PhotoError(
            tr("a damaged {format} file: {error}", format=file_format, error=error), tr("a whole photo")
        ) from None
    if stripped != data:
        raise PhotoError(
            tr("more than the picture in it: place, camera or other data"), tr("a photo as a bench book keeps it")
        )
    _copies(data, file_format, ["thumb"])
    return (file_format, height, width) if orientation >= 5 else (file_format, width, height)


# ---------------------------------------------------------------- where things lie


def original_path(folder: Path, sha256: str, file_format: str) -> Path:
    """Where the original's picture lies."""
    return _shelf(folder, sha256) / f"{sha256}.{ENDINGS[file_format]}"


def copy_path(folder: Path, sha256: str, size: str) -> Path:
    """Where a smaller copy lies; `size` is a key of SIZES."""
    if size not in SIZES:
        raise ValueError(f"size {size!r} found; allowed: {', '.join(SIZES)}")
    return _shelf(folder, sha256) / f"{sha256}.{size}.jpg"


def _shelf(folder: Path, sha256: str) -> Path:
    if not re.fullmatch("[0-9a-f]{64}", sha256):
        raise ValueError(f"{sha256!r} found; allowed: a sha256 of 64 hexadecimal digits")
    return folder / sha256[:2]


def ensure_copy(photo: Photo, size: str, folder: Path) -> Path:
    """A smaller copy, made now if it is missing.

    Raises
    ------
    FileNotFoundError
        The original is not there.
    PhotoError
        The original can no longer be read.
    """
    path = copy_path(folder, photo.sha256, size)
    if not path.exists():
        data = original_path(folder, photo.sha256, photo.format).read_bytes()
        write_whole(path, _copies(data, photo.format, [size])[size])
    return path


# ---------------------------------------------------------------- reading


def _read(file: Readable) -> bytes:
    data = file.read(MAX_BYTES + 1)
    if len(data) > MAX_BYTES:
        raise PhotoError(tr("a file of more than 60 MB"))
    if not data:
        raise PhotoError(tr("an empty file"))
    return data


def _sniff(data: bytes) -> str:
    """The format by the file's first bytes, whatever its name says."""
    if data.startswith(b"\xff\xd8\xff"):
        return "JPEG"
    if data.startswith(b"\x89PNG\r\n\x1a\n"):
        return "PNG"
    if data[:4] == b"RIFF" and data[8:12] == b"WEBP":
        return "WEBP"
    raise PhotoError(_what_it_is(data))


def _what_it_is(data: bytes) -> str:
    if data[4:8] == b"ftyp" and data[8:12] in (b"heic", b"heix", b"hevc", b"heim", b"heis", b"mif1", b"msf1"):
        return tr("a HEIC photo, which cannot be read here; set the camera to save JPEG, or convert it first")
    if data[4:8] == b"ftyp":
        return tr("an AVIF picture") if data[8:12] in (b"avif", b"avis") else tr("a film")
    for start, what in (
        (b"GIF8", tr("a GIF picture")),
        (b"BM", tr("a BMP picture")),
        (b"II*\0", tr("a TIFF or raw camera file")),
        (b"MM\0*", tr("a TIFF or raw camera file")),
        (b"%PDF", tr("a PDF document")),
        (b"PK\x03\x04", tr("a zip archive")),
    ):
        if data.startswith(start):
            return what
    head = data[:2000]
    try:
        text = head.decode("utf-8")
    except UnicodeDecodeError as error:
        text = head[: error.start].decode("utf-8") if error.start > len(head) - 4 else "\0"
    if "\0" not in text:
        return tr("a text file that begins '{text}'", text=" ".join(text.split())[:30])
    return tr("a file of an unknown kind")


def _open(data: bytes, file_format: str) -> Image.Image:
    """The picture with its size checked, before any pixel is decoded."""
    try:
        image = Image.open(BytesIO(data), formats=[file_format])
    except (Image.DecompressionBombError, Image.DecompressionBombWarning):
        raise PhotoError(
            tr("a picture of more than {megapixels:.0f} megapixels", megapixels=MAX_PIXELS / 1e6)
        ) from None
    except (UnidentifiedImageError, OSError, ValueError, SyntaxError, EOFError):
        raise PhotoError(
            tr("a damaged {format} file: its header cannot be read", format=file_format), tr("a whole photo")
        ) from None
    width, height = image.size
    if width * height > MAX_PIXELS or max(width, height) > MAX_SIDE:
        raise PhotoError(
            tr(
                "{width} x {height} pixels ({megapixels:.0f} megapixels)",
                width=width,
                height=height,
                megapixels=width * height / 1e6,
            )
        )
    if min(width, height) < MIN_SIDE:
        raise PhotoError(
            tr("{width} x {height} pixels", width=width, height=height),
            tr("at least {least} pixels each way", least=MIN_SIDE),
        )
    if file_format != "JPEG" and getattr(image, "n_frames", 1) > 1:
        raise PhotoError(tr("a moving picture"), tr("a still photo"))
    return image


def _not_too_large_whole(image: Image.Image) -> None:
    """Refuse what is taken in and would need much memory for each copy; what was kept before is still opened."""
    width, height = image.size
    whole = image.format != "JPEG" or "progressive" in image.info
    if whole and width * height > MAX_WHOLE_PIXELS:
        found = tr(
            "{width} x {height} pixels ({megapixels:.0f} megapixels)",
            width=width,
            height=height,
            megapixels=width * height / 1e6,
        )
        raise PhotoError(found, ALLOWED_WHOLE)


def _exif(image: Image.Image) -> Image.Exif:
    try:
        return image.getexif()
    except Exception:  # whatever a camera wrote there, the picture is still good
        return Image.Exif()


def _taken_at(exif: Image.Exif) -> datetime | None:
    """When the photo was taken, by the camera's clock; without its offset, in the bench's time zone."""
    try:
        details = exif.get_ifd(0x8769)
        naive = datetime.strptime(str(details[0x9003]).strip("\0 "), "%Y:%m:%d %H:%M:%S")
        offset = str(details.get(0x9011, "")).strip("\0 ")
    except Exception:  # missing or nonsense
        return None
    try:
        taken = datetime.fromisoformat(f"{naive.isoformat()}{offset}") if offset else timezone.make_aware(naive)
    except ValueError:
        taken = timezone.make_aware(naive)
    return taken if 1 < taken.year < 9999 else None  # at the ends of the calendar a time zone leads out of it


def _copies(data: bytes, file_format: str, sizes: list[str]) -> dict[str, bytes]:
    """Smaller copies as JPEG, upright. Decodes the whole picture, and so finds what is cut off."""
    longest = max(SIZES[size] for size in sizes)
    with _open(data, file_format) as image:
        try:
            image.draft("RGB", (longest, longest))  # a JPEG is decoded at a fraction of its size
            with strict_pictures():
                image.load()
            profile = image.info.get("icc_profile")
            image.thumbnail((longest, longest), Image.Resampling.LANCZOS, reducing_gap=2.0)
            upright = _flat(ImageOps.exif_transpose(image))
        except (OSError, ValueError, SyntaxError, EOFError) as error:
            raise PhotoError(
                tr("a damaged {format} file: {error}", format=file_format, error=error), tr("a whole photo")
            ) from None
    copies: dict[str, bytes] = {}
    for size in sorted(sizes, key=lambda s: -SIZES[s]):
        upright.thumbnail((SIZES[size], SIZES[size]), Image.Resampling.LANCZOS)
        out = BytesIO()
        keep = profile if upright.mode == "RGB" and image.mode in ("RGB", "RGBA", "P") else None
        upright.save(out, "JPEG", quality=85, optimize=True, icc_profile=keep)
        copies[size] = out.getvalue()
    return copies


def _flat(image: Image.Image) -> Image.Image:
    """RGB or grey, on white where it was see-through."""
    if image.mode in ("RGB", "L"):
        return image
    if image.mode.startswith("I"):
        return image.point(lambda value: value / 257).convert("L")
    if image.mode in ("RGBA", "LA", "PA") or "transparency" in image.info:
        see_through = image.convert("RGBA")
        ground = Image.new("RGBA", see_through.size, "white")
        return Image.alpha_composite(ground, see_through).convert("RGB")
    return image.convert("RGB")
