"""From bytes to pixels: what is refused, turned upright, and brought to light by its profile."""

from __future__ import annotations

import struct
import zlib
from contextlib import suppress
from io import BytesIO

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image, ImageCms, ImageFile, ImageOps

from refettle.whitening.colour import decode_srgb, rgb_matrix
from refettle.whitening.picture import PhotoError, open_picture
from refettle.whitening.profile import D50, ProfileError, read_profile, srgb
from refettle.whitening.reading import read_photo
from tests.support.camera import as_display_p3
from tests.support.icc import parametric, profile, sampled
from tests.whitening.scenes import REGIONS, before, file_of

SRGB_CURVE = parametric(3, 2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045)


def encoded(image: Image.Image, form: str = "PNG", **more: object) -> bytes:
    out = BytesIO()
    image.save(out, form, **more)
    return out.getvalue()


def noise(width: int = 320, height: int = 240, mode: str = "RGB") -> Image.Image:
    rng = np.random.default_rng(1)
    return Image.fromarray(rng.integers(0, 256, (height, width, 3), dtype=np.uint8)).convert(mode)


def png_that_claims(width: int, height: int) -> bytes:
    def chunk(name: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))

    head = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    body = zlib.compress(b"\0" * 2_000_000)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", body) + chunk(b"IEND", b"")


def jpeg_that_claims(width: int, height: int) -> bytes:
    data = bytearray(encoded(noise(), "JPEG"))
    at = data.index(b"\xff\xc0") + 5
    data[at : at + 4] = struct.pack(">HH", height, width)
    return bytes(data)


@pytest.mark.parametrize(
    ("data", "why", "said"),
    [
        (b"", "not-a-photo", "found an empty file; allowed: a JPEG, PNG or WebP colour photo of at most 60 MB"),
        (b"region,yi\nlid,30\n", "not-a-photo", "found a file that is no photo"),
        (b"\0\0\0\x18ftypheic\0\0\0\0", "not-a-photo", "found a HEIC photo; allowed: JPEG, PNG or WebP"),
        (b"\xff\xd8\xff", "damaged", "found a damaged JPEG file"),
        (b"\x89PNG\r\n\x1a\n", "damaged", "found a damaged PNG file"),
        (b"RIFF\0\0\0\0WEBPVP8 ", "damaged", "found a damaged WebP file"),
        (encoded(noise(), "JPEG")[:20_000], "damaged", "found a damaged JPEG file: image file is truncated"),
        (encoded(noise())[:20_000], "damaged", "found a damaged PNG file"),
        (png_that_claims(12_000, 9_000), "too-large", "found 12000 x 9000 pixels (108 megapixels); allowed: "),
        (jpeg_that_claims(30_000, 30_000), "too-large", "found 30000 x 30000 pixels (900 megapixels); allowed: "),
        (encoded(noise(150, 900)), "too-small", "found 150 x 900 pixels; allowed: at least 200"),
        (encoded(noise(mode="L")), "no-colour", "found a grey photo; allowed: a colour photo in RGB"),
        (encoded(noise(mode="CMYK"), "JPEG"), "no-colour", "found a photo in CMYK"),
        (encoded(noise(), icc_profile=b"nothing of the kind" * 20), "profile", "found a damaged colour profile"),
    ],
    ids=lambda value: value if isinstance(value, str) and " " not in value else "",
)
def test_what_is_no_photo_is_refused_in_one_line(data: bytes, why: str, said: str) -> None:
    with pytest.raises(PhotoError) as raised:
        open_picture(data)
    assert raised.value.why == why
    assert str(raised.value).startswith(said)
    assert "\n" not in str(raised.value)


def test_a_photo_cut_off_is_refused_whatever_others_told_the_library(monkeypatch: pytest.MonkeyPatch) -> None:
    """Programs that lay out pages tell Pillow to pass over it."""
    monkeypatch.setattr(ImageFile, "LOAD_TRUNCATED_IMAGES", True)
    for data in (encoded(noise(), "JPEG")[:20_000], encoded(noise())[:20_000], b"\xff\xd8\xff", b"\x89PNG\r\n\x1a\n"):
        with pytest.raises(PhotoError, match="found a damaged"):
            open_picture(data)
    assert ImageFile.LOAD_TRUNCATED_IMAGES is True


@given(st.integers(0, 40_000), st.binary(min_size=1, max_size=8))
@settings(max_examples=60, deadline=None)
def test_a_damaged_file_never_does_anything_but_open_or_refuse(at: int, put: bytes) -> None:
    data = bytearray(WHOLE)
    data[at % len(data) : at % len(data) + len(put)] = put
    with suppress(PhotoError):
        assert open_picture(bytes(data)).code.dtype == np.uint8


WHOLE = encoded(noise(), "JPEG", quality=60)


@pytest.mark.parametrize("orientation", range(1, 9))
def test_orientation_is_that_of_the_library(orientation: int) -> None:
    exif = Image.Exif()
    exif[0x0112] = orientation
    data = encoded(noise(), exif=exif)
    upright = np.asarray(ImageOps.exif_transpose(Image.open(BytesIO(data))))
    assert (open_picture(data).code == upright).all()


def test_see_through_is_on_white_and_palettes_are_colours() -> None:
    clear = Image.new("RGBA", (300, 300), (200, 10, 10, 0))
    assert (open_picture(encoded(clear)).code == 255).all()
    palette = Image.new("RGB", (300, 300), (200, 10, 10)).convert("P", palette=Image.Palette.ADAPTIVE)
    assert (open_picture(encoded(palette)).code == (200, 10, 10)).all()


def test_a_photo_that_says_it_is_not_srgb_is_noted() -> None:
    exif = Image.Exif()
    exif.get_ifd(0x8769)[0xA001] = 0xFFFF
    picture = open_picture(encoded(noise(), "JPEG", exif=exif))
    assert picture.profile.name == "sRGB, assumed"
    assert "sRGB is assumed" in picture.notes[0]


# ---------------------------------------------------------------- profiles


def test_the_librarys_own_srgb_profile() -> None:
    """Pillow's ImageCms (the colour engine of littleCMS) writes it."""
    made = read_profile(ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes())
    assert made.light == pytest.approx(srgb().light, abs=1e-5)
    assert made.matrix == pytest.approx(srgb().matrix, abs=2e-5)


@pytest.mark.parametrize("space", ["sRGB", "Display P3"])
@pytest.mark.parametrize("curve", [SRGB_CURVE, sampled(decode_srgb(np.linspace(0, 1, 1024))), parametric(0, 2.2)])
def test_profiles_against_a_colour_engine(space: str, curve: bytes) -> None:
    """littleCMS, as ImageCms calls it, turns the same values to XYZ through sRGB; equal within its 8 bits."""
    data = profile(space, curve)
    ours = read_profile(data)
    assert ours.name == space
    assert ours.matrix == pytest.approx(rgb_matrix(space), abs=2e-4)
    assert ours.matrix.sum(axis=1) == pytest.approx(rgb_matrix().sum(axis=1), abs=1e-4)
    code = np.random.default_rng(2).integers(90, 200, (20, 20, 3), dtype=np.uint8)
    theirs = ImageCms.profileToProfile(
        Image.fromarray(code), ImageCms.ImageCmsProfile(BytesIO(data)), ImageCms.createProfile("sRGB"),
        renderingIntent=ImageCms.Intent.RELATIVE_COLORIMETRIC,
    )  # fmt: skip
    light = np.stack([ours.light[k][code[..., k]] for k in range(3)], axis=-1)
    there = decode_srgb(np.asarray(theirs) / 255) @ rgb_matrix().T
    assert light @ ours.matrix.T == pytest.approx(there, abs=0.012)


def test_display_p3_reads_as_srgb_does() -> None:
    plain = read_photo(file_of(before()), REGIONS, reference="flap")
    wide = read_photo(file_of(as_display_p3(before()), icc_profile=profile("Display P3", SRGB_CURVE)), REGIONS,
                      reference="flap")  # fmt: skip
    ignored = read_photo(file_of(as_display_p3(before())), REGIONS, reference="flap")
    assert wide.profile == "Display P3"
    for name in ("lid", "flap"):
        assert wide[name].yi == pytest.approx(plain[name].yi, abs=1.5)  # both rounded by JPEG
    assert abs(ignored["lid"].yi - plain["lid"].yi) > 3.0


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (profile("sRGB", SRGB_CURVE, space=b"CMYK"), "a colour profile for CMYK"),
        (profile("sRGB", SRGB_CURVE, drop=b"rXYZ"), "a colour profile of tables"),
        (profile("sRGB", SRGB_CURVE)[:200], "a damaged colour profile"),
        (profile("sRGB", b"tabl\0\0\0\0\0\0\0\0"), "a colour profile with a curve of an unknown kind"),
        (profile("sRGB", sampled(np.linspace(1, 0, 64))), "a colour profile whose curves do not rise"),
        (profile("sRGB", SRGB_CURVE, white=0.8 * D50), "a colour profile whose white is not white"),
        (b"", "a damaged colour profile"),
    ],
)
def test_profiles_that_are_refused(data: bytes, said: str) -> None:
    with pytest.raises(ProfileError, match=said):
        read_profile(data)


@given(st.binary(max_size=400))
def test_any_bytes_are_refused_as_a_profile(junk: bytes) -> None:
    with pytest.raises(ProfileError):
        read_profile(junk)
