"""Photos: what is taken, what is refused, what is kept and what goes."""

from __future__ import annotations

import hashlib
import struct
import zlib
from io import BytesIO
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image, ImageCms, ImageFile
from PIL.PngImagePlugin import PngInfo

from refettle.book.models import Photo
from refettle.book.photos import MAX_BYTES, PhotoError, copy_path, ensure_copy, original_path, store_photo
from refettle.book.stripping import Damaged, exif_with, strip

PLACE = b"52 deg 30 min"


def picture(width: int = 64, height: int = 48, mode: str = "RGB") -> Image.Image:
    """A gradient that differs at each corner."""
    x = np.linspace(0, 255, width, dtype=np.uint8)[None, :].repeat(height, 0)
    y = np.linspace(0, 255, height, dtype=np.uint8)[:, None].repeat(width, 1)
    return Image.fromarray(np.dstack([x, y, 255 - x])).convert(mode)


def exif(orientation: int = 1) -> Image.Exif:
    data = Image.Exif()
    data[0x0112] = orientation
    data[0x010F] = "Invented Camera Works"
    data.get_ifd(0x8769)[0x9003] = "2031:03:02 10:15:00"
    data.get_ifd(0x8769)[0x9011] = "+01:00"
    data.get_ifd(0x8825).update({1: "N", 2: (52.0, 30.0, 0.0), 3: "E", 4: (13.0, 24.0, 0.0), 29: PLACE.decode()})
    return data


def encoded(file_format: str, orientation: int = 1, image: Image.Image | None = None, **options: Any) -> bytes:
    out = BytesIO()
    (image or picture()).save(out, file_format, exif=exif(orientation).tobytes(), **options)
    return out.getvalue()


def pixels(data: bytes) -> Any:
    return np.asarray(Image.open(BytesIO(data)))


def stored(data: bytes, folder: Path) -> tuple[Photo, bytes]:
    photo = store_photo(BytesIO(data), folder)
    return photo, original_path(folder, photo.sha256, photo.format).read_bytes()


@pytest.mark.parametrize("file_format", ["JPEG", "PNG", "WEBP"])
@pytest.mark.parametrize("orientation", [1, 3, 6])
def test_place_and_camera_go_pixels_and_orientation_stay(
    db: None, tmp_path: Path, file_format: str, orientation: int
) -> None:
    data = encoded(file_format, orientation)
    assert PLACE in data
    photo, kept = stored(data, tmp_path)
    assert PLACE not in kept
    assert b"Invented" not in kept
    left = Image.open(BytesIO(kept)).getexif()
    assert dict(left) == ({} if orientation == 1 else {0x0112: orientation})
    assert (pixels(kept) == pixels(data)).all()
    assert (photo.width, photo.height) == ((48, 64) if orientation == 6 else (64, 48))
    assert photo.sha256 == hashlib.sha256(kept).hexdigest()
    assert photo.bytes == len(kept)
    assert photo.taken_at is not None
    assert photo.taken_at.isoformat() == "2031-03-02T10:15:00+01:00"


@pytest.mark.parametrize("options", [{"progressive": True}, {"restart_marker_rows": 1}, {"subsampling": 0}, {}])
@pytest.mark.parametrize("mode", ["RGB", "L", "CMYK"])
def test_jpeg_of_every_making(db: None, tmp_path: Path, options: dict[str, Any], mode: str) -> None:
    data = encoded("JPEG", 8, picture(mode=mode), **options)
    _, kept = stored(data, tmp_path)
    assert (pixels(kept) == pixels(data)).all()
    assert PLACE not in kept


@pytest.mark.parametrize("file_format", ["JPEG", "PNG", "WEBP"])
def test_the_colour_profile_stays(db: None, tmp_path: Path, file_format: str) -> None:
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    data = encoded(file_format, 6, icc_profile=profile)
    photo, kept = stored(data, tmp_path)
    assert Image.open(BytesIO(kept)).info["icc_profile"] == profile
    with Image.open(copy_path(tmp_path, photo.sha256, "screen")) as copy:
        assert copy.info["icc_profile"] == profile


def test_what_lies_behind_the_picture_goes(db: None, tmp_path: Path) -> None:
    for file_format in ("JPEG", "PNG", "WEBP"):
        data = encoded(file_format) + b"film behind the photo, made at " + PLACE
        _, kept = stored(data, tmp_path)
        assert PLACE not in kept
        assert (pixels(kept) == pixels(data)).all()


def test_comments_and_other_segments_go(db: None, tmp_path: Path) -> None:
    plain = encoded("JPEG")
    secret = b"taken at home"
    extra = b"".join(
        b"\xff" + bytes([marker]) + struct.pack(">H", len(secret) + 2) + secret
        for marker in (0xE1, 0xE2, 0xE5, 0xEB, 0xED, 0xFE)
    )
    _, kept = stored(plain[:2] + extra + plain[2:], tmp_path)
    assert secret not in kept
    out = BytesIO()
    info = PngInfo()
    info.add_text("Comment", "taken at home")
    info.add_itxt("XML:com.adobe.xmp", "taken at home")
    picture().save(out, "PNG", pnginfo=info)
    assert secret in out.getvalue()
    _, kept = stored(out.getvalue(), tmp_path)
    assert secret not in kept


def test_copies_are_upright_and_made_again(db: None, tmp_path: Path) -> None:
    data = encoded("JPEG", 6, picture(2400, 1800), quality=95)
    photo, _ = stored(data, tmp_path)
    upright = np.rot90(np.asarray(picture(2400, 1800)), -1)
    for size, longest in (("thumb", 480), ("screen", 1600)):
        path = ensure_copy(photo, size, tmp_path)
        with Image.open(path) as copy:
            assert copy.size == (longest * 3 // 4, longest)
            assert not copy.getexif()
            for corner in ((0, 0), (0, -1), (-1, 0), (-1, -1)):
                close = np.asarray(copy).astype(int)[corner] - upright.astype(int)[corner]
                assert abs(close).max() < 25
        path.unlink()
        assert ensure_copy(photo, size, tmp_path) == path
        assert path.stat().st_size > 1000
    with pytest.raises(ValueError, match="thumb, screen"):
        ensure_copy(photo, "huge", tmp_path)


def test_see_through_and_deep_pictures(db: None, tmp_path: Path) -> None:
    for image in (
        Image.new("RGBA", (32, 32), (0, 0, 0, 0)),
        Image.new("LA", (32, 32), (0, 0)),
        Image.fromarray(np.full((32, 32), 65535, np.uint16)),
    ):
        out = BytesIO()
        image.save(out, "PNG")
        photo, _ = stored(out.getvalue(), tmp_path)
        with Image.open(copy_path(tmp_path, photo.sha256, "thumb")) as copy:
            assert np.asarray(copy).min() >= 250


def test_the_same_photo_is_kept_once(db: None, tmp_path: Path) -> None:
    first, _ = stored(encoded("JPEG"), tmp_path)
    again, _ = stored(encoded("JPEG"), tmp_path)
    assert first == again
    assert Photo.objects.count() == 1
    path = original_path(tmp_path, first.sha256, "JPEG")
    path.unlink()
    stored(encoded("JPEG"), tmp_path)
    assert path.exists()
    assert not list(tmp_path.rglob(".new-*"))


def test_a_large_photo(db: None, tmp_path: Path) -> None:
    noise = np.random.default_rng(7).integers(0, 256, (3600, 4800, 3), dtype=np.uint8)
    data = encoded("JPEG", 6, Image.fromarray(noise), quality=98, subsampling=0)
    assert 40_000_000 < len(data) < MAX_BYTES
    photo, kept = stored(data, tmp_path)
    assert (photo.width, photo.height) == (3600, 4800)
    assert len(data) - 2000 < len(kept) < len(data)


# ---------------------------------------------------------------- refusals


def png_of(width: int, height: int) -> bytes:
    """A PNG that claims a size; its few bytes would unfold to all of it."""

    def chunk(name: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))

    head = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    rows = zlib.compress(b"\0" * min(width * height * 3 + height, 1_000_000))
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", rows) + chunk(b"IEND", b"")


REFUSED = {
    "text": (b"This is the parts list, saved under the wrong name\n", "a text file that begins 'This is the parts"),
    "text with accents": ("Müllers Liste é ü".encode() * 400, "a text file"),
    "page": (b"<html><script>alert(1)</script></html>", "a text file that begins '<html>"),
    "nothing": (b"", "an empty file"),
    "bytes": (bytes(range(256)), "a file of an unknown kind"),
    "gif": (b"GIF89a" + b"\0" * 50, "a GIF picture"),
    "heic": (b"\0\0\0\x18ftypheic\0\0\0\0mif1heic", "HEIC photo, which cannot be read here; set the camera"),
    "film": (b"\0\0\0\x18ftypmp42\0\0\0\0", "a film"),
    "pdf": (b"%PDF-1.7\n", "a PDF document"),
    "bomb": (png_of(60_000, 60_000), "megapixels"),
    "bomb, less": (png_of(15_000, 10_000), "megapixels"),
    "bomb, still less": (png_of(7_000, 6_000), "at most 37 megapixels in a PNG"),
    "strip": (png_of(70_000, 10), "70000 x 10 pixels"),
    "speck": (png_of(4, 4), "4 x 4 pixels; allowed: at least 8"),
    "unfinished": (png_of(3000, 3000), "damaged PNG"),
    "header only": (b"\xff\xd8\xff\xe0", "damaged JPEG"),
    "png header only": (b"\x89PNG\r\n\x1a\n", "damaged PNG"),
    "webp header only": (b"RIFF\x20\0\0\0WEBPVP8 ", "damaged WEBP"),
}


@pytest.mark.parametrize("name", REFUSED)
def test_what_is_no_photo_is_named(db: None, tmp_path: Path, name: str) -> None:
    data, found = REFUSED[name]
    with pytest.raises(PhotoError) as caught:
        store_photo(BytesIO(data), tmp_path)
    assert found in str(caught.value)
    assert "allowed: " in str(caught.value)
    assert list(tmp_path.iterdir()) == []
    assert Photo.objects.count() == 0


@pytest.mark.parametrize("file_format", ["JPEG", "PNG", "WEBP"])
@pytest.mark.parametrize("part", [0.02, 0.3, 0.6, 0.95, 0.999])
def test_cut_off_files_are_refused(
    db: None, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, file_format: str, part: float
) -> None:
    monkeypatch.setattr(ImageFile, "LOAD_TRUNCATED_IMAGES", True)  # as a PDF library of the same program sets it
    data = encoded(file_format, 6, picture(400, 300))
    with pytest.raises(PhotoError, match=r"damaged|unknown"):
        store_photo(BytesIO(data[: int(len(data) * part)]), tmp_path)
    assert list(tmp_path.iterdir()) == []


def test_too_many_bytes(db: None, tmp_path: Path) -> None:
    with pytest.raises(PhotoError, match="more than 60 MB"):
        store_photo(BytesIO(b"\xff\xd8\xff" + b"\0" * MAX_BYTES), tmp_path)


def test_moving_pictures_are_refused(db: None, tmp_path: Path) -> None:
    for file_format in ("WEBP", "PNG"):
        out = BytesIO()
        picture().save(out, file_format, save_all=True, append_images=[picture(mode="L").convert("RGB")])
        with pytest.raises(PhotoError, match="a still photo"):
            store_photo(BytesIO(out.getvalue()), tmp_path)


def test_a_png_with_a_wrong_check_sum(db: None, tmp_path: Path) -> None:
    data = bytearray(encoded("PNG"))
    data[data.index(b"IDAT") + 10] ^= 0xFF
    with pytest.raises(PhotoError, match=r"check sum|damaged"):
        store_photo(BytesIO(bytes(data)), tmp_path)


@pytest.mark.parametrize("seed", range(200))
def test_broken_bytes_never_crash(seed: int) -> None:
    rng = np.random.default_rng(seed)
    file_format = ("JPEG", "PNG", "WEBP")[seed % 3]
    data = bytearray(encoded(file_format, 6))
    for at in rng.integers(4, len(data), 1 + seed % 7):
        data[at] = int(rng.integers(256))
    try:
        kept = strip(bytes(data), file_format, 6)
    except Damaged:
        return
    assert len(kept) <= len(data) + 100


@pytest.mark.parametrize(
    ("time", "offset"),
    [("yesterday", ""), ("9999:12:31 23:59:59", "-14:00"), ("0001:01:01 00:00:00", "+14:00")],
)
def test_a_senseless_time_or_orientation_is_left_out(db: None, tmp_path: Path, time: str, offset: str) -> None:
    odd = Image.Exif()
    odd[0x0112] = 77
    odd.get_ifd(0x8769)[0x9003] = time
    odd.get_ifd(0x8769)[0x9011] = offset
    out = BytesIO()
    picture().save(out, "JPEG", exif=odd.tobytes())
    photo, kept = stored(out.getvalue(), tmp_path)
    assert photo.taken_at is None
    assert dict(Image.open(BytesIO(kept)).getexif()) == {}


def test_the_written_orientation_can_be_read() -> None:
    for value in range(1, 9):
        read = Image.Exif()
        read.load(b"Exif\0\0" + exif_with(value))
        assert dict(read) == {0x0112: value}
