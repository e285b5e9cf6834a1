"""What takes long is worked out before others have to wait for it, also where somebody writes at the same time."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest
from django.db import connection

from refettle.book import store
from refettle.knowledge.loading import load_shipped_type

CHECK = {"kind": "check", "check": "picture", "outcome": "good"}
pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def outside(monkeypatch: pytest.MonkeyPatch) -> None:
    """The tests' own transaction, which the guards would not let be emptied otherwise, is taken for none."""
    monkeypatch.setattr(store, "connection", SimpleNamespace(in_atomic_block=False))


def locked() -> bool:
    return bool(connection.savepoint_ids)


@pytest.mark.parametrize(("others", "before", "within"), [(0, 1, 0), (2, 3, 0), (9, 3, 1)])
def test_it_is_worked_out_again_before_the_lock(
    others: int, before: int, within: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    job = store.open_job(load_shipped_type("corrigan-duo"))
    fits: Any = store._check_fits
    seen: list[tuple[bool, int]] = []

    def watched(of: Any, made: Any) -> None:
        if made[0].who != "Ada":
            return
        seen.append((locked(), made[0].n))
        fits(of, made)
        if not locked() and len(seen) <= others:
            store.append(job, CHECK, "Ines")  # somebody else, just then
            store.append(job, {"kind": "note", "text": "n"}, "Ines")

    monkeypatch.setattr(store, "_check_fits", watched)
    entry = store.append(job, CHECK, "Ada")
    beforehand = [n for inside, n in seen if not inside]
    inside = [n for inside, n in seen if inside]
    assert len(beforehand) == before
    assert len(inside) == 1
    assert entry.n == inside[0]
    rows = store.entries(job)
    assert [e["n"] for e in rows] == list(range(1, len(rows) + 1))
    assert sum(e["who"] == "Ada" for e in rows) == 1
    # Written for the same log as it was worked out for, or after three times in vain for one that went on.
    checks_after = sum(e["kind"] == "check" and e["who"] == "Ines" and e["n"] > beforehand[-1] - 1 for e in rows)
    assert (checks_after > 0) == bool(within)


def test_a_note_beside_it_changes_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    job = store.open_job(load_shipped_type("corrigan-duo"))
    fits: Any = store._check_fits
    seen: list[bool] = []

    def watched(of: Any, made: Any) -> None:
        seen.append(locked())
        fits(of, made)
        if len(seen) == 1:
            store.append(job, {"kind": "note", "text": "n"}, "Ines")

    monkeypatch.setattr(store, "_check_fits", watched)
    assert store.append(job, CHECK, "Ada").n == 2
    assert seen == [False, True, True]  # worked out, the note's own, written
