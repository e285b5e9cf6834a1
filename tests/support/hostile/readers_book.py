"""Readers of what the book takes in: knowledge files, logs, experience, repair records."""

from __future__ import annotations

import io
import json
from functools import cache
from pathlib import Path
from random import Random
from typing import Any

from tests.support.hostile import changing
from tests.support.hostile.reader import NoTextError, as_text, keepable, reader

# ---------------------------------------------------------------- knowledge files


def _knowledge_errors() -> tuple[type[BaseException], ...]:
    from refettle.knowledge.errors import KnowledgeError

    return (KnowledgeError, NoTextError)


def _shipped(folder: str) -> list[bytes]:
    import refettle.knowledge as knowledge

    return [p.read_bytes() for p in sorted((Path(str(knowledge.__file__)).parent / "library" / folder).glob("*.yaml"))]


def _unit_types() -> list[bytes]:
    from tests.knowledge.small import SMALL

    return [SMALL.encode()] * 6 + _shipped("types")


@reader("unit types", examples=_unit_types, refusals=_knowledge_errors, inside=(changing.yaml_inside,))
def _types(data: bytes) -> None:
    from refettle.knowledge.compile import compile_type
    from refettle.knowledge.loading import parse_unit_type

    _ = compile_type(parse_unit_type(as_text(data), "type.yaml")).model


@reader("block kinds", examples=lambda: _shipped("kinds"), refusals=_knowledge_errors, inside=(changing.yaml_inside,))
def _kinds(data: bytes) -> None:
    from refettle.knowledge.crosschecks import Checker, check_kind
    from refettle.knowledge.errors import KnowledgeError
    from refettle.knowledge.loading import load_library
    from refettle.knowledge.parsing import parse_model
    from refettle.knowledge.reading import read_document
    from refettle.knowledge.schema import BlockKind

    library, mistakes = load_library(), []
    document = read_document(as_text(data), "kind.yaml")
    kind = parse_model(BlockKind, document.data, document, (), mistakes)
    if kind is not None:
        check_kind(kind, {**library.kinds, kind.block_kind: kind}, Checker(document, mistakes, library.cautions))
    if mistakes:
        raise KnowledgeError(mistakes)


def _supplies() -> list[bytes]:
    from tests.knowledge.test_supply_files import TEXT as SUPPLY

    return [SUPPLY.encode()]


@reader("supplies", examples=_supplies, refusals=_knowledge_errors, inside=(changing.yaml_inside,))
def _supply(data: bytes) -> None:
    from refettle.knowledge.supply_files import parse_supply

    parse_supply(as_text(data), "supply.yaml")


# ---------------------------------------------------------------- logs, experience, records


def _log_errors() -> tuple[type[BaseException], ...]:
    from refettle.book.log import LogError

    return (LogError, NoTextError)


@cache
def _compiled() -> Any:
    from refettle.knowledge.compile import compile_type
    from refettle.knowledge.loading import load_shipped_type

    return compile_type(load_shipped_type("piper-pocket"))


def _logs() -> list[bytes]:
    from refettle.book.log import write_jsonl
    from tests.book.finished import finished_log
    from tests.book.logs import content, entry

    rng, out = Random(1), []
    for _six in range(6):
        log = []
        for _ in range(8):
            told = content(rng, _compiled())
            log.append(entry(len(log) + 1, told.pop("kind"), len(log), **told))
        out.append(write_jsonl(log).encode())
    return [*out, *(write_jsonl(finished_log(_compiled(), seed)[0]).encode() for seed in (0, 3))]


@reader("logs", examples=_logs, refusals=_log_errors, inside=(changing.jsonl_inside,))
def _log(data: bytes) -> None:
    from refettle.book.log import effective, read_jsonl, write_jsonl

    entries = read_jsonl(as_text(data))
    effective(entries)
    keepable(entries, nul=True)
    assert read_jsonl(write_jsonl(entries)) == entries


@reader("logs replayed", examples=_logs, refusals=_log_errors, inside=(changing.jsonl_inside,))
def _replayed(data: bytes) -> None:
    from refettle.book.log import read_jsonl
    from refettle.book.replay import replay

    replay(_compiled(), read_jsonl(as_text(data)))


def _exchange_errors() -> tuple[type[BaseException], ...]:
    from refettle.book.exchange import ExchangeError

    return (ExchangeError, NoTextError)


def _exchanged() -> list[bytes]:
    from refettle.book.exchange import FORMAT, VERSION
    from refettle.book.lesson import lesson
    from tests.book.finished import finished_log

    jobs = [
        {
            "bench": "beef" * 4,
            "job": f"{n:024x}",
            "entries": 9,
            **lesson(_compiled(), finished_log(_compiled(), seed)[0]),
        }
        for n, seed in enumerate((0, 3))
    ]
    return [
        json.dumps({"format": FORMAT, "version": VERSION, "bench": "beef" * 4, "jobs": some}).encode()
        for some in (jobs, jobs[:1])
    ]


@reader("experience", examples=_exchanged, refusals=_exchange_errors, inside=(changing.json_inside,), book=True)
def _experience(data: bytes) -> None:
    from django.db import transaction

    from refettle.book.exchange import export, merge
    from refettle.book.models_experience import OtherLesson

    with transaction.atomic():
        merge(as_text(data), "from a friend")
        keepable(list(OtherLesson.objects.values()))
        merge(export().replace("beef", "cafe"))  # what was taken in can be passed on
        transaction.set_rollback(True)


def _proving_errors() -> tuple[type[BaseException], ...]:
    from refettle.proving.counts import ProvingError

    return (ProvingError,)


def _record_files() -> list[bytes]:
    from tests.outside.test_repair_records import drawn_rows, written

    return [b"".join(written(drawn_rows(10)))]


@reader("repair records", examples=_record_files, refusals=_proving_errors, inside=(changing.csv_inside,), book=True)
def _records(data: bytes) -> None:
    from django.db import transaction

    from refettle.book.models_experience import RepairRecords
    from refettle.book.records import base_rates, import_records

    with transaction.atomic():
        import_records(io.BytesIO(data), "records.csv")
        base_rates("category 1", 20.0)
        keepable(list(RepairRecords.objects.values()))
        transaction.set_rollback(True)
