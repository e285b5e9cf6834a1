"""Readers of smaller things that others write: marks on photos, lists, days, instruments, profiles, names, backups."""

from __future__ import annotations

import hashlib
import json
import shutil
import sqlite3
from argparse import Namespace
from collections.abc import Sequence
from contextlib import closing
from functools import cache
from pathlib import Path
from random import Random
from typing import Any

from tests.support.hostile import changing
from tests.support.hostile.changing import BYTES
from tests.support.hostile.reader import NoTextError, as_text, as_typed, keepable, new_folder, reader

PART = b"\n%%%%\n"
"""Between what is read together: a file and how it is to be read, or the answers of an instrument."""


@cache
def _folder() -> Path:
    return new_folder()


def _file(data: bytes, name: str = "hostile") -> str:
    file = _folder() / name
    file.write_bytes(data)
    return str(file)


def _refused() -> tuple[type[BaseException], ...]:
    from refettle.cli.common import Refused

    return (Refused,)


# ---------------------------------------------------------------- marks and lists

MARKS = (
    b'{"frame": "photo", "reference": "unexposed", "regions": {"unexposed": [[0.1, 0.1], [0.3, 0.1], [0.3, 0.3]],'
    b' "lid": [[0.5, 0.5], [0.9, 0.5], [0.9, 0.9], [0.5, 0.9]]}}',
    b'{"frame": "card", "reference": null, "card": null, "regions": {"lid": [[-60, -40], [-20, -40], [-20, 10]]}}',
)


@reader("photo marks", examples=lambda: MARKS, refusals=_refused, inside=(changing.json_inside,))
def _marks(data: bytes) -> None:
    from refettle.cli.yellow import _regions

    _regions(Namespace(region=[], regions=_file(data), reference=None, no_card=False))


@reader(
    "typed marks",
    examples=lambda: (b"lid=0.1,0.1,0.4,0.3", b"side wall=0.1,0.1,0.4,0.1,0.4,0.3"),
    refusals=lambda: (__import__("refettle.whitening.regions", fromlist=["RegionError"]).RegionError,),
)
def _typed_marks(data: bytes) -> None:
    from refettle.whitening.regions import read_region

    read_region(as_typed(data))


def _capacitor_errors() -> tuple[type[BaseException], ...]:
    from refettle.parts.capacitor import CapacitorError

    return (*_refused(), CapacitorError)


CANDIDATES = (
    b"# candidates\n100u 25V 105C aluminium pitch=5mm name=A\n220u 35V 105C low-impedance esr=0.1@100k name=B\n",
    b"100n X2 275V film name=C life=3000 ripple=640m@100k tol=-10/+30%\n",
)


@reader("capacitor lists", examples=lambda: CANDIDATES, refusals=_capacitor_errors)
def _candidates(data: bytes) -> None:
    from refettle.cli.capacitor import _lines
    from refettle.parts.capacitor_text import read_capacitor

    for line in _lines(_file(data)):
        read_capacitor(line)


def _progress_errors() -> tuple[type[BaseException], ...]:
    from refettle.whitening.values import WhiteningError

    return (*_refused(), WhiteningError)


READINGS = (
    b"hours,yi,dose,lightness,spread\n0,41.2,0,78.1,5.0\n1,37.9,14,78.6,5.1\n2.5,33,31,79,5\n",
    b"# bath\nhours,yi\n0,40\n1,38\n",
)
EARLIER = b"method,lamp,percent,rate,spread,unit\nbath,shelf lamp,6,0.2,0.3,h\nwrap,sun,9,0.01,,J/cm2\n"


@reader("whitening readings", examples=lambda: (*READINGS, EARLIER), refusals=_progress_errors,
         inside=(changing.csv_inside,))  # fmt: skip
def _progress(data: bytes) -> None:
    from refettle.cli.progress import _earlier, _readings
    from refettle.whitening.stopping import check_readings

    name = _file(data)
    if b"rate" in data:
        _earlier(name)
    else:
        check_readings(_readings(name))


def _store_errors() -> tuple[type[BaseException], ...]:
    from refettle.book.store import StoreError

    return (StoreError,)


@reader("days", examples=lambda: (b"2031-04-01", b"2031-04", b"3114", b"20310401", b"2031-W14-2"),
         refusals=_store_errors, book=True)  # fmt: skip
def _days(data: bytes) -> None:
    from refettle.web.views.stores_fields import day

    day({"made": data.decode("utf-8", "replace")}, "made")  # as Django reads a form


# ---------------------------------------------------------------- how a price list is to be read

COLUMNS = {
    "roles": [["Part no", "sku"], ["Price", "price 1"]], "header": 1, "head_lines": 1, "decimal": ",", "per": "piece",
    "counts": "pieces", "currency": "EUR", "delimiter": ";", "encoding": "cp1252", "sheet": "",
}  # fmt: skip
TARN = "Part no;Price\nA1;0,25 €\nB2;3,50 €\n".encode("cp1252")


def _column_errors() -> tuple[type[BaseException], ...]:
    from refettle.ordering.pricelist import PriceListError

    return (PriceListError, NoTextError)


def _columns_inside(rng: Random, data: bytes, others: Sequence[bytes]) -> bytes:
    columns, _, rest = data.partition(PART)
    value = json.loads(columns)
    if rng.random() < 0.3:
        value["encoding"] = rng.choice(("utf-7", "punycode", "idna", "rot13", "zip", "hex", "utf-16", "undefined", "x"))
        return json.dumps(value).encode() + PART + rest
    return changing.json_inside(rng, columns, [columns]) + PART + rest


@reader("price columns", examples=lambda: (json.dumps(COLUMNS).encode() + PART + TARN,), refusals=_column_errors,
         inside=(_columns_inside,))  # fmt: skip
def _columns(data: bytes) -> None:
    from refettle.ordering.pricelist import read_list
    from refettle.ordering.pricelist_model import columns_from

    typed, _, rest = data.partition(PART)
    try:
        columns = columns_from(json.loads(typed.decode("utf-8", "replace") or "{}"))
    except (ValueError, TypeError, AttributeError, RecursionError) as error:  # as the page does
        if isinstance(error, _column_errors()):
            raise
        raise NoTextError("columns: they cannot be read") from None
    read_list(rest, columns, "EUR")


# ---------------------------------------------------------------- instruments

SCOPE = b"""\
name = "Tarn bench oscilloscope"
identity = "TARN"
data = "TRAC:DATA? CH{channel}"
form = "i16"
before = ["TRAC:STOP"]
after = ["TRAC:RUN"]
preamble = "TRAC:PRE?"
step = "preamble 2"
start = 0
scale = "TRAC:SCALE?"
zero = "preamble 3"
offset = 0.5
unit = "V"
big_endian = true
channels = ["1", "2"]
"""
PLAIN = b'data = "WAV?"\nstep = 1e-6\nform = "text"\n'
ANSWERS = (
    PART.join((SCOPE, b"TARN,7,0,1.0\n", b"0,1e-6,128\n", b"0.01\n", b"#216" + bytes(range(16)) + b"\n")),
    PART.join((PLAIN, b"0.5,1.5,2.5,-0.5\n")),
    PART.join((PLAIN, b"#18", b"1,2,3,4,\n")),
    PART.join((PLAIN.replace(b'"text"', b'"f32"'), b"#18" + bytes(8) + b"\n")),
)


def _instrument_errors() -> tuple[type[BaseException], ...]:
    from refettle.instruments.errors import InstrumentError

    return (InstrumentError, NoTextError)


@reader("instrument descriptions", examples=lambda: (SCOPE, PLAIN), refusals=_instrument_errors)
def _descriptions(data: bytes) -> None:
    from refettle.instruments import read_description

    read_description(as_text(data), "scope.toml")


class _Wire:
    """What an instrument sends, one piece at a time; then nothing more comes."""

    def __init__(self, pieces: Sequence[bytes]) -> None:
        self.pieces = list(pieces)

    def write(self, command: str) -> None:
        return

    def read_raw(self) -> bytes:
        if not self.pieces:
            raise OSError("VI_ERROR_TMO")
        return self.pieces.pop(0)


@reader("instrument answers", examples=lambda: ANSWERS, refusals=_instrument_errors)
def _answers(data: bytes) -> None:
    from refettle.captures.writing import write_csv
    from refettle.instruments import read_description, read_trace
    from refettle.instruments.session import Session

    text, *pieces = data.split(PART)
    session = Session(_Wire(pieces), "TCPIP::192.0.2.7::5025::SOCKET", 1.0)
    write_csv(read_trace(session, read_description(as_text(text), "scope.toml")))


METER = tuple(
    each.encode() for each in ("+1.234567E+01", "0.47 VDC", "9.9E+37", "-12.5 mV", '"3.3"', "OL", "1e-3 V DC")
)


@reader("meter answers", examples=lambda: METER, refusals=_instrument_errors)
def _meter(data: bytes) -> None:
    from refettle.instruments.meter import read_log
    from refettle.instruments.session import Session

    session = Session(_Wire([b"1.5\n", *data.split(PART)]), "ASRL/dev/ttyUSB0::INSTR", 1.0)
    ticks = iter(range(1000))
    read_log(session, count=2, every=1.0, clock=lambda: float(next(ticks)), sleep=lambda _: None)


# ---------------------------------------------------------------- colour profiles


def _profile_errors() -> tuple[type[BaseException], ...]:
    from refettle.whitening.profile import ProfileError

    return (ProfileError,)


def _profiles() -> list[bytes]:
    import numpy as np

    from tests.support.icc import parametric, profile, sampled

    curves = [
        parametric(0, 2.2), parametric(1, 2.4, 1, 0), parametric(3, 2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045),
        parametric(4, 2.4, 1, 0, 1, 0, 0, 0), sampled(np.linspace(0, 1, 64) ** 2.2), sampled(np.array([])),
    ]  # fmt: skip
    return [profile(name, curve) for curve in curves for name in ("sRGB", "Display P3")]


@reader("colour profiles", examples=_profiles, refusals=_profile_errors, plain=BYTES)
def _profile(data: bytes) -> None:
    from refettle.whitening.profile import read_profile

    read_profile(data)


# ---------------------------------------------------------------- names that are taken out

NAMES = (
    "Ingrid Mossbank\ningrid@mossbank.example, +47 912 34 567\nP-1/2031\nIngrid brought it; call 91234567, P1 2031\n",
    "Dr. José van der Berg\nTarn Lane 7\n0012-ÅB\nJOSE said so, josé@berg.example; J. Berg's son came\n",
    "Rose Hill\n\n77\nthe rose on Hill road, Rose, serial 77, 7-7\n",
)


@reader("private words", examples=lambda: [each.encode() for each in NAMES], refusals=lambda: (NoTextError,))
def _private(data: bytes) -> None:
    from refettle.book.personal import words_of
    from refettle.book.privacy_words import owners_words

    if b"\n" not in data:
        raise NoTextError("no line found; allowed: an owner, a contact, a serial, and a text")
    owner, contact, serial, text = [*data.decode("utf-8", "replace").split("\n", 3), "", "", ""][:4]
    owner, contact, serial, text = owner[:120], contact[:1000], serial[:120], text[:20_000]  # as the book takes them
    words_of(owner, contact, serial).scrub(text)
    owners_words([(owner, contact)]).own.scrub(text)


# ---------------------------------------------------------------- lists of backups

NAME = "2031-03-02T03-15-00Z"


def _backup_errors() -> tuple[type[BaseException], ...]:
    from refettle.book.backup_store import BackupError

    return (BackupError,)


@cache
def _backups() -> Any:
    from refettle.book.backup_store import Store

    kept = Store(_folder() / "backups")
    kept.begin()
    return kept


def _backup_lists() -> list[bytes]:
    from refettle.book.backup_sqlite import tables
    from refettle.book.backup_store import FORMAT, digest

    kept, source = _backups(), _folder() / "book.sqlite3"
    source.unlink(missing_ok=True)
    with closing(sqlite3.connect(source)) as database:
        database.execute("CREATE TABLE book_job (number)")
        database.commit()
    sha256, size = kept.add(source)
    photo, length = kept.add(Path(_file(b"a photo", "photo.jpg")))
    body: dict[str, Any] = {
        "format": FORMAT, "version": 1, "made": "2031-03-02T03:15:00+00:00", "refettle": "1.0", "book": "ab" * 8,
        "home": "/home/ada/refettle", "kept_in": "book.sqlite3",
        "settings": {"REFETTLE_TZ": "Europe/Oslo", "REFETTLE_CURRENCY": "EUR", "REFETTLE_WHO": ""},
        "database": {"sha256": sha256, "bytes": size, "schema": [], "tables": tables(source)},
        "jobs": {"1": {"entries": 3, "log": "cd" * 32, "type": "ef" * 32, "stage": "done", "minutes": 1.5}},
        "sums": [], "files": [{"path": f"photos/{photo[:2]}/{photo}.jpg", "sha256": photo, "bytes": length}],
        "trouble": [],
    }  # fmt: skip
    return [json.dumps({**body, "sha256": digest(body)}, indent=1).encode()]


def _list_inside(rng: Random, data: bytes, others: Sequence[bytes]) -> bytes:
    """A value changed, and mostly the list's own hash right again."""
    from refettle.book.backup_store import digest

    made = json.loads(changing.json_inside(rng, data, others))
    if isinstance(made, dict) and rng.random() < 0.9:
        made["sha256"] = digest(made)
    return json.dumps(made).encode()


@reader("backup lists", examples=_backup_lists, refusals=_backup_errors, inside=(_list_inside,) * 3)
def _backup_list(data: bytes) -> None:
    from refettle.book.backup_restore import damaged, needed, restore

    kept, home = _backups(), _folder() / "home"
    (kept.folder / f"{NAME}.json").write_bytes(data)
    listed = kept.choose()
    body = needed(listed)
    keepable([each["entries"] for each in body["jobs"].values()])
    assert all(name.startswith("REFETTLE_") for name in body["settings"])
    kept.whole(listed)
    damaged(kept, body)
    before = _around()
    try:
        restore(kept, listed, home)
        assert hashlib.sha256((home / "book.sqlite3").read_bytes()).hexdigest() == body["database"]["sha256"]
    finally:
        shutil.rmtree(home, ignore_errors=True)
    assert _around() == before  # nothing lies elsewhere


def _around() -> set[str]:
    return {each.name for each in _folder().iterdir()}
