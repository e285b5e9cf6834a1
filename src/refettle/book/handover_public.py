"""A report to be published: without the owner, the contact, serials and who wrote what, in every text of it. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields, is_dataclass, replace
from typing import Any, TypeVar

from refettle.book.handover_model import Handover
from refettle.book.personal import PersonalWords
from refettle.language import mark, tr

T = TypeVar("T")
PRIVATE_KINDS = frozenset({"answer", "quote", "consent", "outgoing", "values"})
"""Entries between bench and owner, and money: their words are left out whole."""
LEFT_OUT = mark("Left out of what is published.")
KEPT = ("sha256", "kind", "photo")
"""Fields that are no free text."""
WARNING = mark(
    "Names, contact and serials are taken out of the texts. Photos are not looked at: one of a label, a letter or a "
    "screen can show them. Look at each, and leave out those that do."
)


def publishable(report: Handover, words: PersonalWords) -> Handover:
    """The report without personal data; photos are left out by their numbers when it is collected."""
    clean = _scrubbed(report, words)
    unit = replace(clean.unit, serial="", owner="a customer" if report.unit.customer else "own stock", contact="")
    record = tuple(
        replace(each, who="", text=tr(LEFT_OUT) if each.kind in PRIVATE_KINDS else each.text,
                note="" if each.kind in PRIVATE_KINDS else each.note)
        for each in clean.record
    )  # fmt: skip
    return replace(clean, unit=unit, record=record, price=None, public=True)


def _scrubbed(value: T, words: PersonalWords) -> T:
    made: Any = value
    if isinstance(value, str):
        made = words.scrub(value)
    elif isinstance(value, tuple):
        made = tuple(_scrubbed(each, words) for each in value)
    elif isinstance(value, Mapping):
        made = {k: _scrubbed(v, words) for k, v in value.items()}
    elif is_dataclass(value) and not isinstance(value, type):
        changed = {f.name: _scrubbed(getattr(value, f.name), words) for f in fields(value) if f.name not in KEPT}
        made = replace(value, **changed)
    result: T = made
    return result
