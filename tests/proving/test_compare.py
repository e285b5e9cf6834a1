"""Two counts, one-sided: exact against enumeration, and what follows for trials."""

from __future__ import annotations

from math import comb

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from refettle.proving.compare import (
    compare,
    each_needed,
    good_after,
    holm,
    power,
    worst_positions,
)
from refettle.proving.counts import Counts, ProvingError


def test_the_sentence() -> None:
    shown = compare(Counts(0, 10), Counts(4, 10))
    assert shown.shows
    assert shown.text == "0 bad of 10 fails less than 4 bad of 10: by luck alone in 2.2 % of cases (Boschloo)"
    assert not compare(Counts(0, 10), Counts(3, 10)).shows
    assert "exact" in shown.why


@settings(max_examples=30, deadline=None)
@given(st.integers(1, 12), st.integers(1, 12), st.floats(0.01, 0.99))
def test_wrong_in_no_more_than_alpha(n1: int, n2: int, rate: float) -> None:
    """Every table of two counts at one common rate: each test shows a difference in at most 5 %."""
    wrong = {"boschloo": 0.0, "fisher": 0.0, "barnard": 0.0}
    for x in range(n1 + 1):
        for y in range(n2 + 1):
            found = compare(Counts(x, n1), Counts(y, n2))
            chance = comb(n1, x) * comb(n2, y) * rate ** (x + y) * (1 - rate) ** (n1 + n2 - x - y)
            for name in wrong:
                wrong[name] += chance * (getattr(found, name) <= 0.05)
            assert found.boschloo <= found.fisher + 1e-9
    assert max(wrong.values()) <= 0.05 + 1e-9


@settings(max_examples=30, deadline=None)
@given(st.integers(2, 40), st.integers(2, 40), st.data())
def test_one_more_bad_in_the_second_shows_more(n1: int, n2: int, data: st.DataObject) -> None:
    x, y = data.draw(st.integers(0, n1)), data.draw(st.integers(0, n2 - 1))
    less, more = compare(Counts(x, n1), Counts(y, n2)), compare(Counts(x, n1), Counts(y + 1, n2))
    assert more.boschloo <= less.boschloo + 1e-9
    assert more.fisher <= less.fisher + 1e-9


@pytest.mark.parametrize("test", ["boschloo", "fisher", "barnard"])
def test_power_by_enumeration(test: str) -> None:
    n1, n2, rate1, rate2 = 8, 9, 0.1, 0.7
    found = 0.0
    for x in range(n1 + 1):
        for y in range(n2 + 1):
            chance = comb(n1, x) * rate1**x * (1 - rate1) ** (n1 - x) * comb(n2, y) * rate2**y * (1 - rate2) ** (n2 - y)
            found += chance * (getattr(compare(Counts(x, n1), Counts(y, n2)), test) <= 0.05)
    assert power(n1, n2, rate1, rate2, test=test) == pytest.approx(found)  # type: ignore[arg-type]


def test_trials_needed() -> None:
    each = each_needed(0.0, 0.3)
    assert power(each, each, 0.0, 0.3) >= 0.8 > power(each - 1, each - 1, 0.0, 0.3)
    assert each <= each_needed(0.0, 0.3, test="fisher")
    assert good_after(Counts(3, 10)) == 11


def test_positions_with_holm() -> None:
    assert holm([0.01, 0.04, 0.03, 0.005]) == pytest.approx([0.03, 0.06, 0.06, 0.02])
    seats = worst_positions({"left seat": Counts(0, 20), "right seat": Counts(7, 20), "top seat": Counts(1, 20)})
    assert [each.shows for each in seats] == [False, True, False]
    assert seats[1].others == Counts(1, 40)
    assert all(each.corrected >= each.chance for each in seats)


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: compare(Counts(0, 0), Counts(1, 2)), "first: 0 trials found; allowed: 1 to 200"),
        (lambda: power(5, 5, 0.1, 0.2, test="chi"), "test: 'chi' found; allowed: boschloo, fisher, barnard"),  # type: ignore[arg-type]
        (lambda: each_needed(0.3, 0.3), "rate of the first: 0.3 found; allowed: below that of the second, 0.3"),
        (lambda: each_needed(0.3, 0.31), "rates: 0.3 and 0.31 found; allowed: a difference that 200 trials each show"),
        (lambda: good_after(Counts(0, 10)), "before: 0 bad of 10 found"),
        (lambda: worst_positions({"left": Counts(0, 2)}), "positions: 1 found; allowed: two or more"),
    ],
)
def test_mistakes_are_named(make: object, message: str) -> None:
    with pytest.raises(ProvingError) as raised:
        make()  # type: ignore[operator]
    assert str(raised.value).startswith(message)
