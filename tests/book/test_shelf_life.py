"""What has lain too long: by kind, by the part's own time, from the date code, until it was looked at."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import pytest
from django.utils import timezone

from refettle.book import shelf_life
from refettle.book.models_stores import Lot, Movement, Part
from refettle.book.store import StoreError
from refettle.book.stores import Came, receive
from refettle.book.stores_facts import LOOKED, line_words

pytestmark = pytest.mark.django_db


def a_lot(kind: str, came: date, made: date | None = None, code: str = "", **more: Any) -> Lot:
    part = Part.objects.create(code=code or f"{kind} {Part.objects.count()}", name=kind or "thing", kind=kind, **more)
    return receive(part, 5, who="Ada", came=Came(since=came, made=made)).lot


def days_ago(days: int) -> date:
    return timezone.localdate() - timedelta(days=days)


def due_codes(soon: int = 0) -> list[str]:
    return [each.part.code for each in shelf_life.due(timezone.localdate(), soon)]


def test_each_kind_in_its_time_and_some_keep() -> None:
    # Two years for wet electrolytics: makers' application notes. Rubber, cells, glue: common practice, no source.
    for kind, days in (("aluminium", 730), ("flat belt", 1095), ("coin cell", 1825), ("contact adhesive", 365)):
        a_lot(kind, days_ago(days), code=f"{kind} due")
        a_lot(kind, days_ago(days - 1), code=f"{kind} not yet")
    for kind in ("film", "ceramic", "screw", "chip", ""):
        a_lot(kind, days_ago(9000))
    assert sorted(due_codes()) == ["aluminium due", "coin cell due", "contact adhesive due", "flat belt due"]
    assert len(due_codes(soon=1)) == 8


def test_the_parts_own_time_goes_first() -> None:
    a_lot("aluminium", days_ago(800), code="keeps five years", shelf_days=1826)
    a_lot("aluminium", days_ago(800), code="keeps for ever", shelf_days=0)
    a_lot("chip", days_ago(31), code="a month", shelf_days=30)
    assert due_codes() == ["a month"]


def test_time_counts_from_the_date_code_until_it_was_looked_at() -> None:
    lot = a_lot("bipolar", days_ago(10), made=days_ago(1000), code="old stock")
    assert due_codes() == ["old stock"]
    with pytest.raises(StoreError, match="what"):
        shelf_life.done(lot, who="Ada", what=" ")
    line = shelf_life.done(lot, who="Ada", what="re-formed at 25 V, leakage 4 µA after 5 min")
    assert due_codes(soon=60) == []
    lot.refresh_from_db()
    assert lot.since == timezone.localdate()
    assert (line.on_hand, line.quarantined) == (0, 0)
    assert Movement.objects.filter(lot=lot, note__startswith=LOOKED, note__contains="4 µA").count() == 1
    assert line_words(line) == "looked at again"
    later = timezone.localdate() + timedelta(days=730)
    assert [each.part.code for each in shelf_life.due(later, 0)] == ["old stock"]


def test_what_is_used_up_is_not_due() -> None:
    lot = a_lot("aluminium", days_ago(900))
    Lot.objects.filter(pk=lot.pk).update(on_hand=0)
    assert due_codes() == []


def test_whatever_can_hurt_names_its_caution() -> None:
    rule = next(each for each in shelf_life.RULES if each.name == "electrolytic")
    assert {"charged-capacitor", "burst"} <= set(rule.cautions)
