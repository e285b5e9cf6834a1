"""Reorder points: the Poisson table, what pooling does, what the book's own history says."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import numpy as np
import pytest
from django.utils import timezone
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from refettle.book import reorder, stores
from refettle.book.models_stores import Movement, Part
from tests.web.pages import a_job

TABLE = {
    0.5: (1, 2, 2),
    1: (2, 3, 3),
    2: (4, 5, 5),
    3: (5, 6, 7),
    5: (8, 9, 10),
    8: (12, 13, 14),
    12: (17, 18, 20),
    20: (26, 28, 30),
}


@pytest.mark.parametrize("mean", TABLE)
def test_the_poisson_table(mean: float) -> None:
    # Cumulative Poisson probabilities, as tabled in any handbook of statistics; the smallest s with P(D <= s) of at
    # least 90, 95 and 98 %; computed once by hand sums of exp(-m) m^k / k!.
    assert tuple(reorder.point(mean, service) for service in (0.90, 0.95, 0.98)) == TABLE[mean]


@given(st.floats(0.001, 200), st.floats(0.5, 0.999), st.floats(0.1, 500))
def test_the_point_against_another_library_function(mean: float, service: float, shape: float) -> None:
    # scipy.stats goes by its own search, and here is the reference
    assert reorder.point(mean, service) == int(stats.poisson.ppf(service, mean))
    got, p = reorder.point(mean, service, shape), shape / (shape + mean)
    assert stats.nbinom.cdf(got, shape, p) >= service * (1 - 1e-9)
    assert got == 0 or stats.nbinom.cdf(got - 1, shape, p) < service * (1 + 1e-9)
    assert got >= reorder.point(mean, service) - 1 or service < 0.8


@pytest.mark.parametrize(("mean", "service"), [(-1, 0.9), (1, 0), (1, 1)])
def test_a_service_that_cannot_be(mean: float, service: float) -> None:
    with pytest.raises(ValueError, match="allowed"):
        reorder.point(mean, service)


def test_the_spread_of_many_parts_is_found_again() -> None:
    random = np.random.default_rng(5)
    years = random.uniform(0.5, 2, 4000)
    takes = random.poisson(random.gamma(2.0, 1 / 0.8, 4000) * years)
    found = reorder.spread_of(zip(takes.tolist(), years.tolist(), strict=True))
    assert found.a == pytest.approx(2.0, rel=0.15)
    assert found.b == pytest.approx(0.8, rel=0.15)


def test_few_parts_tell_no_spread() -> None:
    assert reorder.spread_of([(3, 1.0)] * 4) == reorder.ALONE
    assert reorder.spread_of([(0, 1.0)] * 40) == reorder.ALONE
    assert reorder.spread_of([(3, 1.0)] * 40).b == reorder.ENOUGH_YEARS  # all alike: as sure as may be


def test_pooling_stands_between_the_part_and_the_others() -> None:
    """A part with one take in a month is not believed to take twelve a year where the others take one."""
    others = reorder.spread_of([(n, 2.0) for n in (0, 1, 2, 3, 4, 2, 1, 0, 5, 2)])
    rate = (others.a + 1) / (others.b + 1 / 12)
    assert 1.0 < rate < 12.0


# ---------------------------------------------------------------- of the book


def a_part(code: str, **more: Any) -> Part:
    return Part.objects.create(code=code, name=code, **more)


def used(part: Part, takes: list[tuple[int, int]], stock: int = 100, over_days: int = 730) -> None:
    """Stock that came `over_days` ago, and takes as (days ago, pieces)."""
    now = timezone.now()
    stores.receive(part, stock, who="Ada", at=now - timedelta(days=over_days))
    for ago, pieces in takes:
        stores.take(part, pieces, Movement.Kind.USED, who="Ada", at=now - timedelta(days=ago))


@pytest.mark.django_db
def test_the_point_follows_use_and_says_why() -> None:
    a_job()
    part, today = a_part("C", lead_days=30), timezone.localdate()
    used(part, [(20 * n + 1, 2) for n in range(36)])
    level = reorder.level_of(part, today)
    # 36 takes in 729 days are 1.5 in 30; P(D <= 4) = 0.981, P(D <= 3) = 0.934 for Poisson of 1.5 (hand sums)
    assert (level.takes, level.used, level.size) == (36, 72, 2)
    assert level.mean == pytest.approx(1.5, rel=0.03)
    assert (level.at, level.available, level.low) == (8, 28, False)
    assert "72 used in 24 months" in level.why
    assert "95 %" in level.why
    stores.scrap(part, 20, who="Ada", why="crushed")
    level = reorder.level_of(part, today)
    assert (level.low, level.used) == (True, 72)
    assert level.order >= 1 + level.at - 8
    assert [each.part for each in reorder.low(today)] == [part.pk]


@pytest.mark.django_db
def test_what_came_back_and_was_put_right_is_no_use() -> None:
    part = a_part("C")
    used(part, [(10, 5), (9, 5)])
    last = Movement.objects.filter(kind="used").last()
    stores.correct(last, who="Ada", why="not taken after all")
    stores.give_back(part.lots.get(), 3, who="Ada")
    assert reorder.level_of(part, timezone.localdate()).used == 2


@pytest.mark.django_db
def test_by_hand_not_again_and_no_use() -> None:
    today = timezone.localdate()
    hand, never, idle = a_part("A", reorder_at=4), a_part("B", no_reorder=True), a_part("D")
    for each in (hand, never, idle):
        stores.receive(each, 4, who="Ada")
    assert reorder.level_of(hand, today).low
    assert reorder.level_of(never, today).at is None
    assert "No use seen" in reorder.level_of(idle, today).why
    assert [each.part for each in reorder.low(today)] == [hand.pk]


@pytest.mark.django_db
def test_reserved_is_not_there_to_use() -> None:
    from refettle.book.reservations import reserve

    part, today = a_part("A", reorder_at=4), timezone.localdate()
    stores.receive(part, 6, who="Ada")
    assert not reorder.level_of(part, today).low
    reserve(part, 2, who="Ada", job=a_job())
    assert reorder.level_of(part, today).low


@pytest.mark.django_db
def test_little_history_leans_on_the_other_parts() -> None:
    today = timezone.localdate()
    for n in range(8):
        used(a_part(f"busy {n}", kind="film"), [(30 * k + 1, 1) for k in range(24)])
    fresh = a_part("fresh", kind="film", lead_days=30)
    used(fresh, [(3, 1)], over_days=5)
    level = reorder.level_of(fresh, today)
    assert 0.8 < level.mean < 1.2  # as the others: one a month
