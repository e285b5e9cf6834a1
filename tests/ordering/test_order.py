"""What an order tells: reasons worked out by hand, what cannot be had, what jobs bear; and laws that must hold."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from refettle.ordering import (
    Acceptable,
    Need,
    Offer,
    OrderingError,
    Plan,
    Problem,
    Supplier,
    Terms,
    Tier,
    order,
    problem,
)
from refettle.ordering.choice import cost_of, hand_out, violations
from refettle.ordering.greedy import best_by_hand, line_by_line
from refettle.ordering.order import shares
from refettle.ordering.plan import cents as to_cent
from refettle.ordering.search import Answer, Search, search
from refettle.ordering.solver import Solver
from tests.ordering.test_search import quiet, rank_of
from tests.ordering.tiny import TODAY, middling, tiny

D = Decimal


@pytest.fixture(scope="module")
def solver() -> Iterator[Solver]:
    with Solver() as one:
        yield one


def offer(supplier: str, part: str, price: str, sku: str = "", **more: object) -> Offer:
    tiers = tuple(Tier(int(n), D(p)) for n, _, p in (each.partition(":") for each in f"1:{price}".split()))
    return Offer(supplier, sku or f"{supplier}-{part}", part, tiers, **more)  # type: ignore[arg-type]


def need(line: str, *parts: str, quantity: int = 1, job: str = "job 1", **more: object) -> Need:
    listed = tuple(Acceptable(part, "fits as well" if n else "") for n, part in enumerate(parts))
    return Need(line, listed, quantity, job, **more)  # type: ignore[arg-type]


def made(needs: list[Need], offers: list[Offer], suppliers: list[Supplier], stock: dict[str, int] | None = None,
         **terms: object) -> Plan:  # fmt: skip
    return order(problem(needs, stock or {}, offers, suppliers, Terms(TODAY, **terms)))  # type: ignore[arg-type]


def test_a_substitute_says_what_it_saves_by_hand() -> None:
    """With 'cheap' from A: 2 x 1.00 + 3.00 = 5.00. With 'asked' from A: 2 x 1.60 + 3.00 = 6.20; from B: 2.00 + 6.00."""
    plan = made(
        [need("C1", "asked", "cheap", quantity=2)],
        [offer("A", "asked", "1.60"), offer("A", "cheap", "1.00"), offer("B", "asked", "1.00")],
        [Supplier("A", D("3.00")), Supplier("B", D("6.00"))],
    )
    assert plan.proven
    assert plan.total == D("5.00")
    (substitute,) = plan.substitutes
    assert (substitute.saves, substitute.how, substitute.why) == (D("1.20"), "proven", "fits as well")
    others, parts = plan.second_best
    assert (others.suppliers, others.more) == (("B",), D("3.00"))
    assert (parts.suppliers, parts.more) == (("A",), D("1.20"))
    assert "without at least one of A costs 3.00 more" in others.says


def test_buying_over_need_is_explained() -> None:
    """9 at 0.50 are 4.50, 10 at 0.40 are 4.00. 19.00 of goods and 5.00 shipping cost more than 20.00 with it free."""
    plan = made([need("R1", "r", quantity=9)], [offer("A", "r", "0.50 10:0.40")], [Supplier("A")])
    (purchase,) = plan.purchases
    assert (purchase.pieces, purchase.spare) == (10, 1)
    assert purchase.why_spare == "the break: 10 cost 4.00, 9 would cost 4.50 EUR"
    plan = made([need("R1", "r", quantity=19)], [offer("A", "r", "1.00")], [Supplier("A", D(5), free_from=D(20))])
    assert plan.total == D(20)
    assert plan.parcels[0].free_shipping
    assert plan.purchases[0].why_spare == "1 more for 1.00 EUR reach free shipping from 20.00, which saves 5.00"
    plan = made([need("R1", "r", quantity=3)], [offer("A", "r", "1.00")], [Supplier("A", minimum_order=D(5))])
    assert plan.purchases[0].why_spare == "2 more for 2.00 EUR reach the minimum order of 5.00"
    plan = made([need("R1", "r", quantity=3)], [offer("A", "r", "1.00", pack=10)], [Supplier("A")])
    assert plan.purchases[0].why_spare == "sold in packs of 10"


def test_incremental_breaks_are_paid_piece_by_piece() -> None:
    """12 pieces: 9 at 0.50 and 3 at 0.40 with incremental breaks, all at 0.40 with all units."""
    for breaks, total in (("incremental", "5.70"), ("all units", "4.80")):
        plan = made([need("R1", "r", quantity=12)], [offer("A", "r", "0.50 10:0.40", breaks=breaks)], [Supplier("A")])
        assert plan.total == D(total)


def test_what_cannot_be_had_is_told_with_its_reason_and_the_rest_is_ordered() -> None:
    soon = TODAY + timedelta(days=3)
    plan = made(
        [need("fine", "a"), need("nobody", "x"), need("late", "b", by=soon), need("few", "c", quantity=9),
         need("pair", "d", "e", quantity=2, matched_set=True)],
        [offer("A", "a", "1.00"), offer("A", "b", "1.00", lead_days=8), offer("A", "c", "1.00", stock=4),
         offer("A", "d", "1.00", stock=1), offer("A", "e", "1.00", stock=1)],
        [Supplier("A", D(3))],
    )  # fmt: skip
    told = {short.line: (short.reason, short.pieces) for short in plan.short}
    assert told == {
        "nobody": ("nobody sells it", 1),
        "late": ("too late", 1),
        "few": ("too few", 5),
        "pair": ("too few", 2),
    }
    assert {s.line: s.quantity for s in plan.servings} == {"fine": 1, "few": 4}
    assert "arrives on 2031-03-11 at the earliest, needed by 2031-03-06" in next(
        s.says for s in plan.short if s.line == "late"
    )


def test_the_number_of_suppliers_as_the_reason() -> None:
    needs = [need("L1", "a"), need("L2", "b"), need("L3", "b")]
    offers, suppliers = [offer("A", "a", "1.00"), offer("B", "b", "1.00")], [Supplier("A"), Supplier("B")]
    plan = made(needs, offers, suppliers, at_most_suppliers=1)
    assert [(s.line, s.reason) for s in plan.short] == [("L1", "suppliers")]
    assert not made(needs, offers, suppliers).short


def test_two_lines_that_want_the_same_last_piece() -> None:
    plan = made([need("L1", "a"), need("L2", "a")], [offer("A", "a", "1.00", stock=1)], [Supplier("A")])
    assert [s.reason for s in plan.short] == ["others need it"]


def test_the_stores_are_counted_once_and_the_pressing_line_has_them() -> None:
    soon = TODAY + timedelta(days=1)
    plan = made(
        [need("later", "a", quantity=2), need("now", "a", quantity=2, by=soon)],
        [offer("A", "a", "1.00", lead_days=5)],
        [Supplier("A")],
        stock={"a": 2},
    )
    assert {(s.line, s.supplier, s.quantity) for s in plan.servings} == {("now", "", 2), ("later", "A", 2)}
    assert not plan.short


def test_of_equal_orders_fewer_suppliers_then_fewer_pieces_then_the_asked_part() -> None:
    offers = [
        offer("A", "a", "1.00"),
        offer("B", "b", "1.00"),
        offer("C", "a", "1.00"),
        offer("C", "b", "0.50", pack=2),
        offer("C", "b", "1.00", sku="single"),
        offer("C", "a2", "1.00"),
    ]
    plan = made([need("L1", "a2", "a"), need("L2", "b")], offers, [Supplier("A"), Supplier("B"), Supplier("C")])
    assert plan.tidy
    assert [(p.sku, p.pieces) for p in plan.purchases] == [("single", 1), ("C-a2", 1)]


def test_currencies_are_converted_at_stated_rates_or_refused() -> None:
    needs, offers = [need("L1", "a", quantity=2)], [offer("A", "a", "1.00")]
    plan = made(needs, offers, [Supplier("A", D(1), currency="GBP")], rates={"GBP": D("1.16")})
    assert plan.total == D("3.48")
    with pytest.raises(OrderingError, match="currency: found GBP; allowed: EUR, or a rate for GBP"):
        made(needs, offers, [Supplier("A", currency="GBP")])


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"stock": -1}, "stock: found -1"),
        ({"tiers": (Tier(1, D("nan")),)}, "price: found NaN"),
        ({"tiers": (Tier(5, D(1)), Tier(5, D(2)))}, "from: found 5 after 5; allowed: breaks that rise"),
        ({"supplier": "Z"}, "supplier: found 'Z'; allowed: one of A"),
        ({"pack": 0}, "pack: found 0"),
    ],
)
def test_offers_that_are_refused(change: dict[str, object], says: str) -> None:
    wrong = replace(offer("A", "a", "1.00"), **change)  # type: ignore[arg-type]
    with pytest.raises(OrderingError, match=says):
        problem([need("L1", "a")], {}, [wrong], [Supplier("A")], Terms(TODAY))


def test_a_number_twice_is_refused() -> None:
    twice = [offer("A", "a", "1.00"), offer("A", "a", "2.00")]
    with pytest.raises(OrderingError, match="sku: found it a second time"):
        problem([need("L1", "a")], {}, twice, [Supplier("A")], Terms(TODAY))


def test_stopped_at_once_there_is_still_an_order_that_may_be_placed() -> None:
    found = problem(
        [need("L1", "a", quantity=3), need("L2", "b")],
        {},
        [offer("A", "a", "1.00"), offer("B", "b", "1.00"), offer("A", "b", "1.50")],
        [Supplier("A", D(4)), Supplier("B", D(4))],
        Terms(TODAY),
    )
    plan = order(found, stopped=lambda: True)
    assert plan.stopped
    assert not plan.proven
    assert plan.total == D("8.50"), "leaving out a supplier is tried by hand as well"
    assert "made by hand" in plan.says


def test_a_cheaper_order_met_while_explaining_is_the_order(monkeypatch: pytest.MonkeyPatch) -> None:
    """As on a machine so busy that only an order made by hand was found: two parcels where one would do."""
    needs, selling = [need("L1", "a"), need("L2", "b")], [Supplier("A", D(4)), Supplier("B", D(4))]
    found = problem(
        needs, {}, [offer("A", "a", "1.00"), offer("B", "b", "1.00"), offer("A", "b", "1.50")], selling, Terms(TODAY)
    )

    def poorly(problem_of: Problem, solver: Solver, note: object) -> Search:
        out = search(problem_of, solver, quiet)
        poor = line_by_line(problem_of)
        return replace(out, best=Answer(poor, cost_of(problem_of, poor).counted, D(0)), by_hand=True)

    monkeypatch.setattr(sys.modules["refettle.ordering.order"], "search", poorly)
    plan = order(found)
    assert plan.total == D("6.50")
    assert all(other.more >= 0 for other in (*plan.compared, *plan.second_best) if not other.short)


def test_progress_is_told_and_rises() -> None:
    told: list[float] = []
    offers = [offer("A", "b", "1.00"), offer("A", "a", "2.00")]
    found = problem([need("L1", "a", "b")], {}, offers, [Supplier("A")], Terms(TODAY))
    order(found, note=lambda share, says: told.append(share))
    assert told == sorted(told)
    assert told[-1] == 1.0


# ---------------------------------------------------------------- laws


def scaled(found: Problem, by: int) -> Problem:
    def money(value: Decimal | None) -> Decimal | None:
        return None if value is None else value * by

    return problem(
        [replace(n, parts=tuple(replace(p, penalty=p.penalty * by) for p in n.parts)) for n in found.needs],
        found.stock,
        [replace(o, tiers=tuple(replace(t, price_each=t.price_each * by) for t in o.tiers)) for o in found.offers],
        [replace(s, shipping=s.shipping * by, free_from=money(s.free_from), minimum_order=s.minimum_order * by,
                 most=money(s.most)) for s in found.suppliers.values()],
        found.terms,
    )  # fmt: skip


@given(st.integers(0, 10**6), st.integers(10, 300), st.integers(2, 9))
@settings(max_examples=25, deadline=None)
def test_laws(solver: Solver, seed: int, price: int, by: int) -> None:
    """More to choose from never costs more, nor does more in the stores; in other money it is the same order."""
    found = tiny(seed, scarce=seed % 2 == 0)
    base = rank_of(search(found, solver, quiet))
    name = next(iter(found.suppliers))
    part = found.needs[0].parts[0].part
    suppliers = list(found.suppliers.values())
    more = [*found.offers, Offer(name, "new", part, (Tier(1, D(price) / 100),), lead_days=1)]
    wider = problem(found.needs, found.stock, more, suppliers, found.terms)
    assert rank_of(search(wider, solver, quiet)) <= base
    stock = {**found.stock, part: found.stock.get(part, 0) + 1}
    fuller = problem(found.needs, stock, found.offers, suppliers, found.terms)
    assert rank_of(search(fuller, solver, quiet)) <= base
    dearer = rank_of(search(scaled(found, by), solver, quiet))
    assert dearer == (base[0], base[1], base[2] * by)


@given(st.integers(0, 10**6))
@settings(max_examples=60, deadline=None)
def test_what_jobs_bear_adds_up_to_the_cent_and_by_hand_breaks_nothing(seed: int) -> None:
    found = tiny(seed)
    choice = best_by_hand(found)
    if choice is None:
        return
    assert not violations(found, choice)
    handed = hand_out(found, choice)
    assert handed is not None
    shared = shares(found, choice, handed)
    assert sum(each.total for each in shared) == to_cent(cost_of(found, choice).paid)
    assert all(min(each.parts, each.surplus, each.shipping) >= 0 for each in shared)


def test_stopped_on_the_way_the_solver_is_ended_and_its_order_is_valid() -> None:
    """Asked for the third time, while the solver works: its process goes, what there is comes back whole."""
    asked: list[int] = []
    found = middling(5, parts=40)
    plan = order(found, stopped=lambda: len(asked) > 2 or bool(asked.append(1)))
    assert plan.stopped
    assert not plan.short
    assert plan.total == sum((p.cost for p in plan.purchases), D(0)) + plan.shipping
    assert "stopped: the best order so far" in plan.notes


def test_a_solver_that_dies_leaves_an_order_made_by_hand(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    broken = tmp_path / "broken.py"
    broken.write_text("raise SystemExit(3)\n", encoding="utf-8")
    monkeypatch.setattr("refettle.ordering.child.__file__", str(broken))
    plan = made([need("L1", "a")], [offer("A", "a", "1.00")], [Supplier("A", D(2))])
    assert plan.total == D(3)
    assert not plan.proven
    assert "made by hand" in plan.says
