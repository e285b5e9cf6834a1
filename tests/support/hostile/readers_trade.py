"""Readers of what comes from others about goods: price lists, stores, order files, packed jobs."""

from __future__ import annotations

import hashlib
import io
import json
from collections.abc import Sequence
from datetime import date
from functools import cache
from pathlib import Path
from random import Random

from tests.support.hostile import changing
from tests.support.hostile.changing import BYTES
from tests.support.hostile.reader import keepable, new_folder, reader

PART = b"\n%%%%\n"
"""Between the files of one input, where a reader takes several."""
TODAY = date(2031, 3, 2)


# ---------------------------------------------------------------- prices, stores, orders, archives


def _price_errors() -> tuple[type[BaseException], ...]:
    from refettle.ordering.pricelist import PriceListError

    return (PriceListError,)


HEADS = ["Part no", "Description", "Pack", "Stock", "Lead time", "Currency", "1+", "10+", "100+"]
PRICES = [
    [f"K-{n}", f"Electrolytic {n} µF 25 V", 1, 10 + n, f"{1 + n}-{4 + n} days", "EUR", 0.97, 0.912, 0.1]
    for n in range(8)
]


def _price_texts() -> list[bytes]:
    rows = [HEADS, *PRICES]
    return [
        "\n".join(";".join(str(c).replace(".", ",") for c in row) for row in rows).encode("cp1252"),
        "\n".join(",".join(str(c) for c in row) for row in rows).encode(),
        b"Part no;Description;1+;100+\nA1;Fuse 2 A;0,25;0,19\n",
        "Prices of Tarn\n\nArtikel\tMenge\tPreis\nA\t1\t€ 1.234,50\nA\t10\t€ 1.100,00\nB\t1\t3,00\n".encode("utf-16"),
        b'sku,price,pack of,moq,stock\nA1,$0.25,10,20,>1000\nA2,"1,234.50",1,1,call\n',
    ]


def _price_books() -> list[bytes]:
    from tests.ordering.test_pricelist_xlsx import book

    return [
        book([HEADS, *PRICES]),
        book([["Part no", "Price"], [471, 1.25], ["B", TODAY]], A2="00000", B2='#,##0.00 "€"'),
    ]


def _read_prices(data: bytes) -> None:
    from refettle.ordering.pricelist import read_list

    read = read_list(data, currency="EUR")
    for offer in read.offers:
        assert offer.sku
        assert all(pieces > 0 and price.is_finite() and price >= 0 for pieces, price in offer.breaks)


@reader("price lists", examples=_price_texts, refusals=_price_errors, inside=(changing.csv_inside,))
def _prices(data: bytes) -> None:
    _read_prices(data)


@reader(
    "price workbooks",
    examples=_price_books,
    refusals=_price_errors,
    plain=BYTES,
    inside=(changing.zip_inside(changing.xml_member),),
)
def _workbooks(data: bytes) -> None:
    _read_prices(data)


STORES = (
    b"code,name,kind,value,place,gram,shelf_days,count,quarantined,lot,made,since,source,price,currency\n"
    b"C1,Low ESR,,220u 25V 105C low-impedance pitch=3.5,drawer,1.2,,7,1,2031,2020-08-01,2021-01-02,Hollin,0.1234,EUR\n"
    b"C1,Low ESR,,220u 25V 105C low-impedance pitch=3.5,drawer,1.2,,3,,2140,,,,2,NOK\n"
    b"R1,Resistor,,4k7 1%,,,,100,,,,,,,\n",
    b"name;value;count\nFilm;100n X2 275V film;4\nBelt;;2\n",
)


def _store_errors() -> tuple[type[BaseException], ...]:
    from refettle.book.stores_csv import CsvError

    return (CsvError,)


@reader("stores", examples=lambda: STORES, refusals=_store_errors, inside=(changing.csv_inside,), book=True)
def _stores(data: bytes) -> None:
    from django.db import transaction

    from refettle.book.stores_check import verify
    from refettle.book.stores_csv import export_csv, import_csv

    with transaction.atomic():
        import_csv(data, who="Ada")
        assert verify() == []
        keepable("".join(export_csv()))
        transaction.set_rollback(True)


ORDER = b"""\
today: "2031-03-02"
currency: EUR
deadlines: keep
at_most_suppliers: 2
time_limit: 5
gap: 0.01
explain_seconds: 2
rates: {NOK: "0.085"}
stock: {Q-10u-50: 3}
suppliers:
  Tarn: {shipping: 4.95, free_from: 50, minimum_order: 10, most: 200, currency: EUR}
  Hollin: {shipping: "60", currency: NOK}
needs:
- {line: C1, job: "12", part: Q-10u-50, quantity: 4, by: "2031-03-20", matched_set: true,
   or: [{part: Q-22u-50, why: fits as well, penalty: 0.5}]}
- {part: Q-22u-50, quantity: 10}
"""
OFFERS = b"""\
supplier,sku,part,from,price,pack,minimum,multiple,stock,lead_days,breaks
Tarn,T-1,Q-10u-50,1,0.25,1,5,5,100,3,all units
Tarn,T-1,Q-10u-50,100,0.2,,,,,,
Hollin,H-1,Q-22u-50,1,3.5,10,10,10,1000,9,all units
"""


def _order_files() -> list[bytes]:
    import re

    page = (Path(__file__).parents[3] / "docs" / "ordering.md").read_text(encoding="utf-8")
    files = dict(re.findall(r"^```text (\S+\.\w+)\n(.*?)^```", page, re.S | re.M))
    prices = files["prices.csv"].encode()
    return [files["needs.yaml"].encode() + PART + prices, ORDER + PART + OFFERS]


def _order_errors() -> tuple[type[BaseException], ...]:
    from refettle.cli.common import Refused

    return (Refused,)


def _either(rng: Random, data: bytes, others: Sequence[bytes]) -> bytes:
    needs, prices = data.split(PART)
    if rng.random() < 0.5:
        return changing.yaml_inside(rng, needs, [needs]) + PART + prices
    return needs + PART + changing.csv_inside(rng, prices, [prices])


@cache
def _folder() -> Path:
    return new_folder()


@reader("orders", examples=_order_files, refusals=_order_errors, inside=(_either,))
def _orders(data: bytes) -> None:
    from refettle.cli.order_files import read_problem

    names = [str(_folder() / name) for name in ("needs.yaml", "prices.csv")]
    for name, part in zip(names, (*data.split(PART, 1), b""), strict=False):
        Path(name).write_bytes(part)
    read_problem(names, {}, TODAY)


def _archive_errors() -> tuple[type[BaseException], ...]:
    from refettle.book.archive import ArchiveError

    return (ArchiveError,)


def _archives() -> list[bytes]:
    from datetime import UTC, datetime

    from django.conf import settings
    from django.db import transaction
    from PIL import Image

    from refettle.book import files, photos, store
    from refettle.book.archive import pack
    from refettle.book.models_experience import BenchIdentity
    from refettle.knowledge.loading import load_shipped_type

    at, out = datetime(2031, 3, 2, 10, 15, tzinfo=UTC), []
    picture = io.BytesIO()
    Image.frombytes("RGB", (40, 30), Random(1).randbytes(3600)).save(picture, "JPEG")
    with transaction.atomic():
        BenchIdentity.objects.create(bench="ab" * 8, secret="cd" * 32)
        owner = store.get_or_create_owner("Ingrid Mossbank", "ingrid@mossbank.example")
        job = store.open_job(load_shipped_type("piper-pocket"), owner=owner, serial="P-1", label="grey", opened=at)
        photo = photos.store_photo(io.BytesIO(picture.getvalue()), settings.REFETTLE_PHOTOS)
        board = files.keep(b"Designator,Value\nC1,470u 25V\n", settings.REFETTLE_FILES)
        for entry in (
            {"kind": "take-in", "said": "it hums"}, {"kind": "photo", "photo": photo.sha256, "caption": "the board"},
            {"kind": "board", "file": board, "name": "board.csv"}, {"kind": "note", "text": "wrnog"},
            {"kind": "correction", "corrects": 4, "with": {"kind": "note", "text": "wrong"}, "why": "typed"},
        ):  # fmt: skip
            store.append(job, entry, "Ada Quill", at)
        for owned in (True, False):
            file = _folder() / f"job-{owned}.zip"
            file.unlink(missing_ok=True)
            pack(job, file, owner=owned)
            out.append(file.read_bytes())
        transaction.set_rollback(True)
    return out


def _sums_right(members: dict[str, bytes]) -> None:
    """Lengths and hashes in the head made right again, so that what was changed is looked at."""
    from refettle.book.archive import HEAD, LIBRARY, LOG, TYPE
    from refettle.book.backup_facts import log_digest

    try:
        head = json.loads(members[HEAD])
        head["members"] = {
            name: {"bytes": len(data), "sha256": hashlib.sha256(data).hexdigest()}
            for name, data in members.items() if name != HEAD
        }  # fmt: skip
        head["type"]["sha256"] = hashlib.sha256(members[TYPE] + b"\0" + members[LIBRARY]).hexdigest()
        members[HEAD] = json.dumps(head).encode()
        lines = [json.loads(line) for line in members[LOG].splitlines() if line.strip()]
        head["log"], head["entries"] = log_digest(lines), len(lines)
        members[HEAD] = json.dumps(head).encode()
    except Exception:  # then they are as wrong as they are
        return


@reader("job archives", examples=_archives, refusals=_archive_errors, plain=BYTES,
         inside=(changing.zip_inside(changing.member, _sums_right),), book=True)  # fmt: skip
def _archive(data: bytes) -> None:
    from django.db import transaction

    from refettle.book import store
    from refettle.book.archive_unpack import unpack
    from refettle.book.models import Job, Owner, TypeVersion, Unit

    file = _folder() / "hostile.zip"
    file.write_bytes(data)
    with transaction.atomic():
        taken = unpack(file, who="Ada", again=True)
        job = Job.objects.get(number=taken.job)
        store.job_state(job)
        keepable(store.entries(job), nul=True)
        keepable([*Owner.objects.values(), *Unit.objects.values(), *TypeVersion.objects.values()])
        transaction.set_rollback(True)
