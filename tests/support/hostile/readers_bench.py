"""Readers of what is measured and drawn: quantities, markings, captures, sound, photos, boards."""

from __future__ import annotations

import io
import json
from contextlib import suppress
from functools import cache
from random import Random
from typing import Any

from tests.support.hostile import changing
from tests.support.hostile.changing import BYTES
from tests.support.hostile.reader import as_typed, reader

# ---------------------------------------------------------------- quantities and markings


def _quantity_errors() -> tuple[type[BaseException], ...]:
    from refettle.quantities import QuantityError

    return (QuantityError,)


QUANTITIES = (
    "4.7k",
    "4k7",
    "4,7 kΩ",
    "R47",
    "100 nF",
    "1 000",
    "2.2e-9",
    "2n2",
    "20 °C",
    "−3.5 V",
    "50 %",
    "0.1 mH",
    "1e3",
)


@reader("quantities", examples=lambda: [each.encode() for each in QUANTITIES], refusals=_quantity_errors)
def _quantities(data: bytes) -> None:
    from refettle.quantities import UNIT_WORDS, parse, show

    text, read, last = as_typed(data), 0, None
    for unit in (*UNIT_WORDS, ""):
        try:
            value = parse(text, unit)
        except _quantity_errors() as error:
            last = error
            continue
        read += 1
        assert isinstance(value, float)
        with suppress(*_quantity_errors()):
            show(value, unit)
    if not read and last is not None:
        raise last


def _typed_errors() -> tuple[type[BaseException], ...]:
    from refettle.supply.values import SupplyError

    return (SupplyError,)


FORMS = tuple(
    each.encode() for each in ("Ω\n4k7", "Ω\nR47", "F\n100 nF", "V\n−3,5", "\n1 000", "%\n50", "°C\n20 °C", "m\n3.5 mm")
)


@reader("forms", examples=lambda: FORMS, refusals=_typed_errors)
def _forms(data: bytes) -> None:
    from refettle.quantities import UNIT_WORDS
    from refettle.supply.values import SupplyError
    from refettle.web.typed import quantity_of

    unit, _, text = data.decode("utf-8", "replace").partition("\n")  # as Django reads a form
    quantity_of({"field": text}, "field", unit if unit in UNIT_WORDS else "", "Field", SupplyError)


def _marking_errors() -> tuple[type[BaseException], ...]:
    from refettle.parts.markings_reading import MarkingError

    return (MarkingError,)


def _markings() -> list[bytes]:
    from tests.parts import marking_cases as cases

    lists = [v for v in vars(cases).values() if isinstance(v, list)]
    return [case[0].encode() for each in lists for case in each]


@reader("markings", examples=_markings, refusals=_marking_errors)
def _read_markings(data: bytes) -> None:
    from refettle.parts.markings import read_marking

    text = as_typed(data)
    for years, kind in ((None, None), ((1975, 1990), "capacitor")):
        for reading in read_marking(text, years, kind):
            str(reading)
            json.dumps(reading.facts() if hasattr(reading, "facts") else str(reading))


KITS = (
    b"C1, C4: 100u 25V 105C aluminium pitch=5mm\nC7: 10u 50V aluminium +1\nDRIVE: part BELT-71 x2\n",
    b"220u 25V 105C low-impedance pitch=3.5 tol=-10/+30% esr=0.1@100k ripple=640m@100k endurance=3000\n",
    b"C9: 100n X2 275V film x3 +2\n",
)


def _kit_errors() -> tuple[type[BaseException], ...]:
    from refettle.parts.kits import KitError

    return (KitError,)


@reader("kit lists", examples=lambda: KITS, refusals=_kit_errors)
def _kits(data: bytes) -> None:
    from refettle.parts.kit_list import read_list, words_of

    for wanted in read_list(as_typed(data)):
        if wanted.rated is not None:
            words_of(wanted.rated)


# ---------------------------------------------------------------- captures and sound


def _capture_errors() -> tuple[type[BaseException], ...]:
    from refettle.captures import CaptureError

    return (CaptureError,)


def _capture_texts() -> list[bytes]:
    from tests.captures.random_files import random_file
    from tests.captures.shapes import SHAPES

    return [each.data for each in SHAPES] + [random_file(seed).data for seed in range(40)]


def _capture_arrays() -> list[bytes]:
    import numpy as np

    from tests.captures.test_other_files import npy, npz, wav

    t = 1e-4 * np.arange(400)
    v = np.round(8 + np.sin(630 * t), 2)
    named = np.array(list(zip(t, v, strict=True)), dtype=[("t", "f8"), ("CH1", "f4")])
    waves = [wav(np.sin(630 * t) / 2, subtype=s) for s in ("PCM_16", "PCM_24", "FLOAT")]
    return [npy(np.column_stack([t, v])), npy(named), npz(t=t, CH1=v), npz(CH1=v, dt=1e-4), *waves]


@reader("captures", examples=_capture_texts, refusals=_capture_errors, inside=(changing.csv_inside,))
def _captures(data: bytes) -> None:
    from refettle.captures.writing import write_csv

    write_csv(_captured(data, "x.csv"))


def _captured(data: bytes, name: str) -> Any:
    """Read without a word said, and where it asks for the interval, with that."""
    from refettle.captures import CaptureError, Choices, read_capture

    try:
        return read_capture(data, name)
    except CaptureError as error:
        if error.asks != "interval":
            raise
    return read_capture(data, name, Choices(interval=1e-4))


@reader("capture arrays", examples=_capture_arrays, refusals=_capture_errors, plain=BYTES,
         inside=(changing.zip_inside(changing.BYTES[0]),))  # fmt: skip
def _arrays(data: bytes) -> None:
    _captured(data, "x.npz")


def _sound_errors() -> tuple[type[BaseException], ...]:
    from refettle.sound import SoundError

    return (SoundError,)


def _sounds() -> list[bytes]:
    import numpy as np

    from tests.sound.signals import noise, sine, times
    from tests.sound.test_files import wav

    time = times(0.5, 8000)
    both = np.stack([noise(-20, time), sine(-12, 997, time)], axis=1)
    forms = [("PCM_16", "WAV"), ("PCM_U8", "WAV"), ("PCM_24", "WAV"), ("FLOAT", "WAV"), ("PCM_16", "FLAC"),
             ("PCM_16", "AIFF"), ("PCM_16", "RF64"), ("VORBIS", "OGG")]  # fmt: skip
    return [wav(both, subtype=s, kind=k, rate=8000) for s, k in forms] + [wav(both[:, 0], rate=8000)]


@reader("sound", examples=_sounds, refusals=_sound_errors, plain=BYTES)
def _sound(data: bytes) -> None:
    from refettle.sound import FileSource, read_sound

    source = FileSource(io.BytesIO(data))
    str(read_sound(source, tones=False))


# ---------------------------------------------------------------- photos


def _photos(width: int, height: int) -> list[bytes]:
    from PIL import Image

    from tests.support.icc import parametric, profile

    image = Image.frombytes("RGB", (width, height), Random(1).randbytes(3 * width * height))
    exif = Image.Exif()
    exif[0x0112], exif[0x0132] = 6, "2031:03:02 10:15:00"
    icc = profile("Display P3", parametric(3, 2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045))
    out = []
    for form, more in (
        ("JPEG", {"exif": exif}), ("JPEG", {"icc_profile": icc, "progressive": True}), ("PNG", {"icc_profile": icc}),
        ("PNG", {"exif": exif}), ("WEBP", {"exif": exif, "icc_profile": icc}), ("WEBP", {"lossless": True}),
    ):  # fmt: skip
        file = io.BytesIO()
        image.save(file, form, **more)
        out.append(file.getvalue())
    for mode in ("L", "P", "RGBA", "1", "I;16"):
        file = io.BytesIO()
        image.convert("L" if mode == "I;16" else mode).convert(mode).save(file, "PNG")
        out.append(file.getvalue())
    return out


def _photo_errors() -> tuple[type[BaseException], ...]:
    from refettle.book.photos import PhotoError

    return (PhotoError,)


def _colour_errors() -> tuple[type[BaseException], ...]:
    from refettle.whitening.picture import PhotoError

    return (PhotoError,)


@reader(
    "photos",
    examples=lambda: _photos(40, 30),
    refusals=_photo_errors,
    plain=BYTES,
    inside=(changing.png_inside,),
    book=True,
)
def _photo(data: bytes) -> None:
    from django.conf import settings
    from django.db import transaction

    from refettle.book.photos import as_kept, original_path, store_photo

    with transaction.atomic():
        photo = store_photo(io.BytesIO(data), settings.REFETTLE_PHOTOS)
        kept = original_path(settings.REFETTLE_PHOTOS, photo.sha256, photo.format)
        as_kept(kept.read_bytes())  # what was taken in can be unpacked elsewhere
        for each in kept.parent.glob(f"{photo.sha256}*"):
            each.unlink()
        transaction.set_rollback(True)


@reader(
    "photo colours",
    examples=lambda: _photos(210, 200),
    refusals=_colour_errors,
    plain=BYTES,
    inside=(changing.png_inside,),
)
def _picture(data: bytes) -> None:
    from refettle.whitening.picture import open_picture

    picture = open_picture(data)
    picture.profile.decode(picture.code[:4, :4]) if hasattr(picture.profile, "decode") else None


# ---------------------------------------------------------------- boards


def _board_errors() -> tuple[type[BaseException], ...]:
    from refettle.parts.board_text import BoardError

    return (BoardError,)


def _board_layouts() -> list[bytes]:
    from tests.parts.boards import PARTS, VERSIONS, layout

    return [layout(generation, PARTS[:12]) for generation in VERSIONS]


def _read_board(data: bytes, nets: bytes | None = None) -> None:
    from refettle.parts.board_reading import facts, read_board

    json.dumps(facts(read_board(data, nets)), allow_nan=False)


@reader("boards", examples=_board_layouts, refusals=_board_errors)
def _boards(data: bytes) -> None:
    _read_board(data)


def _netlists() -> list[bytes]:
    from tests.parts.boards import PARTS, netlist

    return [netlist(quoted, PARTS[:12]) for quoted in (True, False)]


@cache
def _small_board() -> bytes:
    from tests.parts.boards import PARTS, layout

    return layout(2024, PARTS[:4])


@reader("netlists", examples=_netlists, refusals=_board_errors)
def _nets(data: bytes) -> None:
    _read_board(_small_board(), data)


def _parts_lists() -> list[bytes]:
    from tests.parts.test_board_csv import LIST
    from tests.web.board_lists import parts_list

    return [
        LIST.encode(),
        parts_list(12),
        b"Designator,Value,PosX,PosY,Rot,Layer,Package\nC1,470u 25V,10.5,-20,90,top,R_D8\n",
    ]


@reader("parts lists", examples=_parts_lists, refusals=_board_errors, inside=(changing.csv_inside,))
def _parts(data: bytes) -> None:
    _read_board(data)
