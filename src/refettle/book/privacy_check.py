"""What an erasure must leave the same, and whether what was altered is as its erasure says."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from typing import Any

from django.db import connection
from django.db.models import Q

from refettle.book import store
from refettle.book.log import LogError
from refettle.book.models import Job
from refettle.book.models_privacy import ErasedText, Erasure
from refettle.book.state import JobState
from refettle.faults import ModelError
from refettle.knowledge.errors import KnowledgeError

UNREAD = "does not replay"


def standing(job: Job) -> Any:
    """All that a job's log gives by replay, texts left out: figures, days, and what its unit type names."""
    try:
        state = store.job_state(job)
    except (LogError, KnowledgeError, ModelError):
        return UNREAD
    return plain_state(state)


def plain_state(state: JobState) -> Any:
    """A state as plain values that can be compared, without the texts that people wrote."""
    model = state.compiled.model
    known = {*state.compiled.steps, *state.compiled.loaded.blocks, *(m.id for m in model.modes)}
    known |= {*(c.id for c in model.checks), *(r.id for r in model.repairs), *(g.id for g in model.gear)}
    return {f.name: _plain(getattr(state, f.name), known) for f in fields(state) if f.name != "compiled"}


def _plain(value: Any, known: set[str]) -> Any:
    if isinstance(value, str):
        return value if value in known else "text" if value else ""
    if is_dataclass(value) and not isinstance(value, type):
        return [type(value).__name__, *(_plain(getattr(value, f.name), known) for f in fields(value))]
    if isinstance(value, Mapping):
        # Names in it may have changed, their order not.
        return [[_plain(k, known), _plain(v, known)] for k, v in value.items()]
    if isinstance(value, set | frozenset):
        return sorted(json.dumps(_plain(each, known), default=str) for each in value)
    if isinstance(value, list | tuple):
        return [_plain(each, known) for each in value]
    return str(value)


def altered(job: Job) -> int:
    """How many entries of this job were altered by erasures."""
    return ErasedText.objects.filter(job=job).values("n").distinct().count()


def erased_in(job: Job) -> tuple[Erasure | None, int]:
    """The newest erasure that altered this job's log or erased its owner, and how many of its entries were altered."""
    erasure = Erasure.objects.filter(Q(texts__job=job) | Q(owner__units__jobs=job)).order_by("-pk").first()
    return (erasure, altered(job)) if erasure else (None, 0)


def altered_entries() -> int:
    """How many entries of the whole book were altered by erasures."""
    return ErasedText.objects.filter(of_table="book_entry").values("of_row").distinct().count()


def not_as_erased() -> list[str]:
    """Texts that are not what their newest erasure says: none, unless another program changed the book."""
    found: list[str] = []
    newest = {(t.of_table, t.of_row, t.of_column): t for t in ErasedText.objects.order_by("pk").iterator()}
    quote = connection.ops.quote_name
    with connection.cursor() as cursor:
        for (table, row, column), erased in newest.items():
            text = f"{quote(column)}::text" if connection.vendor == "postgresql" else quote(column)
            cursor.execute(f"SELECT {text} FROM {quote(table)} WHERE id = %s", [row])  # noqa: S608 - names of ours
            there = cursor.fetchone()
            if there is None or there[0] != erased.text:
                found.append(f"{table}, row {row}, {column} is not what erasure {erased.erasure_id} left there")
    return found
