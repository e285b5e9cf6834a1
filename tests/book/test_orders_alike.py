"""Needs that are alike, asked as one: the same cost as asked for each, and each gets what it asked for."""

from __future__ import annotations

from datetime import date, timedelta
from decimal import Decimal

from hypothesis import given, settings
from hypothesis import strategies as st

from refettle import ordering
from refettle.book.orders_alike import apart, together
from refettle.ordering import Acceptable, Need, Offer, Plan, Problem, Supplier, Terms, Tier

TODAY = date(2031, 3, 3)
PARTS = ("a", "b")


@st.composite
def problems(draw: st.DrawFn) -> Problem:
    needs = [
        Need(f"l{n}", tuple(map(Acceptable, draw(st.sampled_from((("a",), ("b", "a"), ("c",)))))),
             draw(st.integers(1, 9)), f"job {draw(st.integers(1, 3))}",
             TODAY + timedelta(days=6) if draw(st.booleans()) else None)
        for n in range(draw(st.integers(1, 6)))
    ]  # fmt: skip
    offers = [
        Offer(s, f"{s}{part}", part, (Tier(1, Decimal(draw(st.integers(5, 30))) / 100),), draw(st.sampled_from((1, 5))),
              stock=draw(st.sampled_from((None, 10))), lead_days=days)
        for s, days in (("X", 4), ("Y", 9))
        for part in PARTS
    ]  # fmt: skip
    suppliers = [Supplier("X", Decimal("4.9")), Supplier("Y", Decimal("2"), Decimal(draw(st.integers(1, 5))))]
    stock = {"a": draw(st.integers(0, 5))}
    return ordering.problem(needs, stock, offers, suppliers, Terms(TODAY, time_limit=20.0, explain_seconds=0.0))


def check(found: Problem, plan: Plan) -> None:
    handed = apart(found, together(found), plan)
    assert handed is not None
    assert sum((s.total for s in handed["shares"]), Decimal(0)) == plan.total.quantize(Decimal("0.01"))
    short = {s.line: s.pieces for s in handed["short"]}
    assert sum(short.values()) == sum(s.pieces for s in plan.short)
    for need in found.needs:
        mine = [s for s in handed["servings"] if s["line"] == need.line]
        assert sum(s["quantity"] for s in mine) + short.get(need.line, 0) == need.quantity
        assert {s["part"] for s in mine} <= {p.part for p in need.parts}
        assert all(s["arrives"] is None or need.by is None or s["arrives"] <= need.by for s in mine)
    for bought in plan.purchases:
        used = sum(s["quantity"] for s in handed["servings"] if s["sku"] == bought.sku)
        assert used == bought.pieces - bought.spare


@settings(max_examples=25, deadline=None)
@given(problems())
def test_by_hand_each_gets_what_it_asked_for(found: Problem) -> None:
    check(found, ordering.order(together(found).problem, None, lambda: True))


@settings(max_examples=6, deadline=None)
@given(problems())
def test_it_costs_as_much_as_asked_for_each(found: Problem) -> None:
    one, each = ordering.order(together(found).problem), ordering.order(found)
    check(found, one)
    assert one.proven
    assert each.proven
    assert sum(s.pieces for s in one.short) >= sum(s.pieces for s in each.short)
    if not one.short and not each.short:
        assert one.total == each.total
