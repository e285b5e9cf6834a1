"""Whatever is done with kits in whatever order: sums hold, nothing is promised or needed twice, the trace is whole."""

from __future__ import annotations

from collections import Counter
from contextlib import suppress
from typing import Any

import pytest
from django.db import transaction
from django.db.models import Sum
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from refettle.book import kits, kits_batch, kits_check, kits_trace
from refettle.book.models_kits import Kit, KitBatch, KitVersion
from refettle.book.models_stores import Lot, Movement, Part, Reservation
from refettle.book.store import StoreError
from tests.book.kits_bench import ADA, BO, codes, kit_of_three, make

pytestmark = pytest.mark.django_db
WHAT = ("wish", "begin", "fill", "fill", "fill", "check", "check", "sell", "fewer", "drop", "apart", "recall")
acts = st.lists(st.tuples(st.sampled_from(WHAT), st.integers(1, 6)), max_size=22)


def do(version: KitVersion, what: str, n: int) -> None:
    """One act; what cannot be done now is refused and changes nothing."""
    batches = list(KitBatch.objects.filter(done=None, dropped=None).order_by("pk"))
    batch = batches[n % len(batches)] if batches else None
    stock: list[Kit] = list(Kit.objects.order_by("pk"))
    kit = stock[n % len(stock)] if stock else None
    if what == "wish":
        kits.wish(version, n, who=ADA)
    elif what == "begin":
        kits_batch.begin(version, n, who=ADA, fewer=n % 2 == 0)
    elif what == "recall":
        kits_trace.recall(Lot.objects.order_by("pk")[n % 3], who=ADA, why="leaks")
    elif batch is not None and what in ("fill", "check", "fewer", "drop"):
        state = kits_batch.state_of(batch)
        if what == "fill" and state.current is not None:
            kits_batch.fill(batch, state.current.line.n, state.current.pieces, who=ADA)
        elif what == "check":
            kits_check.check_by_codes(batch, n, codes(batch)[: 2 + n % 3], who=BO)
        elif what == "fewer":
            kits_batch.make_fewer(batch, n, who=ADA)
        elif what == "drop":
            kits_batch.drop(batch, who=ADA, why="given up")
    elif kit is not None and what == "sell":
        before = Movement.objects.count(), needs(), list(Reservation.objects.values("pk", "quantity", "closed"))
        kits_trace.sell(kit, to="Ines Aldane")
        assert (
            Movement.objects.count(),
            needs(),
            list(Reservation.objects.values("pk", "quantity", "closed")),
        ) == before
    elif kit is not None and what == "apart":
        kits_trace.take_apart(kit, who=ADA)


def moved() -> tuple[Any, ...]:
    """All that selling must leave as it is."""
    return Movement.objects.count(), needs(), list(Reservation.objects.values("pk", "quantity", "closed"))


def needs() -> dict[int, int]:
    return kits.needs()


def hold(version: KitVersion) -> None:
    """What must hold at any time."""
    held: Counter[int] = Counter()
    promised: Counter[int] = Counter()
    for batch in KitBatch.objects.all():
        state = kits_batch.state_of(batch)
        there = {kit.number: kit for kit in batch.kits.all()}
        for each in state.lines:
            inside = sum(step.quantity for step in each.steps if step.kind == "filled")
            if each.filled:
                held[each.line.part_id] += inside if len(each.runs) == 1 and each.runs[0].part == "E100" else 0
            elif state.open:
                for run in each.runs:
                    promised[Part.objects.get(code=run.part).pk] += run.pieces
        for number, kit in there.items():
            # every kit, wherever it is, has its whole list behind it, lot by lot
            by_line: Counter[int] = Counter()
            for found in kits_trace.lots_of(kit):
                by_line[found.line.n] += found.pieces
                assert any(x.code == kit.code and x.pieces == found.pieces for x in kits_trace.kits_of(found.lot))
            assert by_line == {1: 2, 2: 1, 3: 3}, number
    for part in Part.objects.annotate(total=Sum("movements__on_hand")):
        assert part.on_hand == part.total
        assert part.reserved == promised[part.pk]
        assert part.reserved == sum(r.quantity for r in Reservation.objects.filter(part=part, closed=None))
    e100 = Part.objects.get(code="E100")
    assert e100.on_hand + e100.quarantined + held[e100.pk] == 40
    # needed: for what is wished for and neither made nor on the bench, never more
    wished = sum(w.count - w.made for w in kits.open_wishes())
    running = sum(b.count - b.kits.count() for b in KitBatch.objects.filter(done=None, dropped=None))
    to_make = max(0, wished - running)
    lines = {line.part_id: line.quantity * to_make for line in version.lines.all() if to_make}
    assert needs() == lines


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(acts)
def test_in_any_order(db: Any, order: list[tuple[str, int]]) -> None:
    with transaction.atomic():
        version = kit_of_three()
        make(version, 2)
        for what, n in order:
            with suppress(StoreError), transaction.atomic():
                do(version, what, n)
            hold(version)
        transaction.set_rollback(True)


def test_made_kits_are_no_longer_needed() -> None:
    version = kit_of_three()
    kits.wish(version, 5, who=ADA)
    e100 = Part.objects.get(code="E100").pk
    assert needs()[e100] == 10
    batch = kits_batch.begin(version, 3, who=ADA)
    assert needs()[e100] == 4
    for n in (1, 2, 3):
        kits_batch.fill(batch, n, kits_batch.expected(batch, n), who=ADA)
    kit = kits_check.check_by_codes(batch, 1, codes(batch), who=BO)
    assert isinstance(kit, Kit)
    assert needs()[e100] == 4
    kits_trace.sell(kit, to="Ines Aldane")
    assert needs()[e100] == 4
    kits_batch.drop(batch, who=ADA, why="given up")
    assert needs()[e100] == 8  # one is made, four are wanted
