"""Finish, sell as it is, or part out: the rule by hand, sunk cost ignored, what would change it."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from refettle.money import MoneyError, Sale, Sureness, decide, per_hour

SALE = Sale(working=120.0, as_is=35.0, for_parts=40.0)


def test_the_rule_by_hand() -> None:
    """0.8 x 120 x 0.95 + 0.2 x 40 - 50 = 49.2; now max(35, 40 - 20) = 35; margin 3.5."""
    found = decide(SALE, p=0.8, cost=50.0, strip_cost=20.0)
    assert found.values["finish"] == pytest.approx(49.2)
    assert found.values["sell as is"] == 35.0
    assert found.values["part out"] == 20.0
    assert found.margin == pytest.approx(3.5)
    assert found.best == "finish"
    assert found.cost_allowed == pytest.approx(60.7)


def test_a_dead_shell_with_rare_chips_is_worth_more_in_parts() -> None:
    found = decide(Sale(120.0, 20.0, 90.0), p=0.3, cost=60.0, strip_cost=22.5)
    assert found.best == "part out"
    assert found.chances["part out"] > 0.8


def test_what_would_change_it_does() -> None:
    found = decide(SALE, p=0.5, cost=50.0, strip_cost=20.0)
    assert found.best == "sell as is"
    assert found.p_needed is not None
    assert found.price_needed is not None
    again = {"cost": 50.0, "strip_cost": 20.0}
    assert decide(SALE, p=found.p_needed + 0.001, **again).best == "finish"
    assert decide(SALE, p=found.p_needed - 0.001, **again).best != "finish"
    dearer = Sale(found.price_needed + 0.1, 35.0, 40.0)
    assert decide(dearer, p=0.5, **again).best == "finish"
    assert decide(SALE, p=0.5, cost=found.cost_allowed - 0.01, strip_cost=20.0).best == "finish"
    assert decide(Sale(10.0, 35.0, 40.0), p=0.5, **again).p_needed is None


@given(st.floats(0, 1), st.floats(0, 500), st.floats(0, 1e5), st.floats(0, 400), st.floats(0, 400), st.floats(0, 400))
@settings(max_examples=60, deadline=None)
def test_what_is_spent_changes_nothing(p: float, cost: float, spent: float, a: float, b: float, c: float) -> None:
    sale = Sale(a, b, c, fee=0.1, post=5.0)
    one = decide(sale, p=p, cost=cost, strip_cost=10.0)
    other = decide(sale, p=p, cost=cost, strip_cost=10.0, spent=spent)
    assert (one.best, one.values, one.chances) == (other.best, other.values, other.chances)
    assert sum(one.chances.values()) == pytest.approx(1.0)
    assert (one.best == "finish") == (one.values["finish"] > max(one.values[k] for k in one.values if k != "finish")
                                      + one.margin)  # fmt: skip


def test_sure_inputs_leave_no_doubt() -> None:
    sure = Sureness(price=0.0, cost=0.0, jobs=1e9)
    assert decide(SALE, p=0.8, cost=50.0, strip_cost=20.0, sure=sure).chances["finish"] == 1.0


def test_money_per_hour_by_hand() -> None:
    """Bought 25, post 8, parts 12, sold 140 less 12 % fee and 5 % returns, post out 9, 4 h: 62.2 left, 15.55/h."""
    found = per_hour(140, 240, 30, bought=25, post_in=8, parts=12, fee=0.12, post_out=9, returned=0.05)
    assert found.left == pytest.approx(62.2)
    assert found.per_hour == pytest.approx(15.55)
    assert found.profit == pytest.approx(-57.8)


def test_bad_input_is_named() -> None:
    with pytest.raises(MoneyError, match=r"p: 1\.2 found; allowed: 0 to 1"):
        decide(SALE, p=1.2, cost=0, strip_cost=0)
    with pytest.raises(MoneyError, match="minutes: 0 found"):
        per_hour(10, 0, 30)
