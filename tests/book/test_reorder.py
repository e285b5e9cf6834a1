"""Reorder points of the book: what counts as use, what is available, whom a part with little history leans on."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from django.utils import timezone

from refettle.book import reorder, stores
from refettle.book.models_stores import Movement, Part
from tests.web.pages import a_job


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
