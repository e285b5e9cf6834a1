"""Reorder points of the book: what counts as use, what is available, whom a part with little history leans on."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import pytest
from django.utils import timezone

from refettle.book import reorder, reorder_fits, stores
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


def level_of(part: Part, today: date) -> reorder.Level:
    """With what like parts have in common worked out anew."""
    reorder.work_out(today)
    return reorder.level_of(part, today)


@pytest.mark.django_db
def test_the_point_follows_use_and_says_why() -> None:
    a_job()
    part, today = a_part("C", lead_days=30), timezone.localdate()
    used(part, [(20 * n + 1, 2) for n in range(36)])
    level = level_of(part, today)
    # 36 takes in 729 days are 1.5 in 30; P(D <= 4) = 0.981, P(D <= 3) = 0.934 for Poisson of 1.5 (hand sums)
    assert (level.takes, level.used, level.size) == (36, 72, 2)
    assert level.mean == pytest.approx(1.5, rel=0.03)
    assert (level.at, level.available, level.low) == (8, 28, False)
    assert "72 used in 24 months" in level.why
    assert "95 %" in level.why
    stores.scrap(part, 20, who="Ada", why="crushed")
    level = level_of(part, today)
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
    assert level_of(part, timezone.localdate()).used == 2


@pytest.mark.django_db
def test_by_hand_not_again_and_no_use() -> None:
    today = timezone.localdate()
    hand, never, idle = a_part("A", reorder_at=4), a_part("B", no_reorder=True), a_part("D")
    for each in (hand, never, idle):
        stores.receive(each, 4, who="Ada")
    assert level_of(hand, today).low
    assert level_of(never, today).at is None
    assert "No use seen" in level_of(idle, today).why
    assert [each.part for each in reorder.low(today)] == [hand.pk]


@pytest.mark.django_db
def test_reserved_is_not_there_to_use() -> None:
    from refettle.book.reservations import reserve

    part, today = a_part("A", reorder_at=4), timezone.localdate()
    stores.receive(part, 6, who="Ada")
    assert not level_of(part, today).low
    reserve(part, 2, who="Ada", job=a_job())
    assert level_of(part, today).low


@pytest.mark.django_db
def test_little_history_leans_on_the_other_parts() -> None:
    today = timezone.localdate()
    for n in range(8):
        used(a_part(f"busy {n}", kind="film"), [(30 * k + 1, 1) for k in range(24)])
    fresh = a_part("fresh", kind="film", lead_days=30)
    used(fresh, [(3, 1)], over_days=5)
    level = level_of(fresh, today)
    assert 0.8 < level.mean < 1.2  # as the others: one a month


@pytest.mark.django_db
def test_a_taking_from_two_lots_is_one() -> None:
    from refettle.book.wants import take_for_job

    part, job, now = a_part("C", lead_days=30), a_job(), timezone.now()
    for _ in range(2):
        stores.receive(part, 5, who="Ada", at=now - timedelta(days=730))
    assert len(take_for_job(job, part, 6, who="Ada")) == 2
    level = level_of(part, timezone.localdate())
    assert (level.takes, level.used, level.size) == (1, 6, 6)
    stores.receive(part, 2, who="Ada")
    assert len(stores.take(part, 5, Movement.Kind.KIT, who="Bo")) == 2
    take_for_job(job, part, 1, who="Ada", at=now - timedelta(days=1))
    assert level_of(part, timezone.localdate()).takes == 3


@pytest.mark.django_db
def test_a_part_is_told_from_its_own_lines_and_what_was_worked_out_last() -> None:
    from django.db import connection
    from django.test.utils import CaptureQueriesContext

    today = timezone.localdate()
    for n in range(8):
        used(a_part(f"busy {n}", kind="film"), [(30 * k + 1, 1) for k in range(24)])
    part = Part.objects.get(code="busy 3")
    first = reorder.level_of(part, today)
    assert (first.by, first.at, first.used) == ("not yet", None, 24)
    reorder.work_out(today)
    assert reorder.level_of(part, today) == reorder.levels(today)[part.pk]
    assert reorder.is_worked_out(today)
    stores.take(part, 5, Movement.Kind.USED, who="Ada")
    assert not reorder.is_worked_out(today)
    with CaptureQueriesContext(
        connection,
    ) as asked:
        then = reorder.level_of(part, today)
    assert (then.by, then.takes, then.used) == ("use", 25, 29)
    about = [each["sql"] for each in asked.captured_queries if "book_movement" in each["sql"]]
    assert about
    assert all("part_id" in sql.split("WHERE")[1] or "LIMIT 1" in sql for sql in about)


@pytest.mark.django_db
def test_more_parts_than_a_fit_takes_are_all_told(monkeypatch: pytest.MonkeyPatch) -> None:
    today = timezone.localdate()
    monkeypatch.setattr(reorder_fits, "FITTED_PARTS", 6)
    monkeypatch.setattr(reorder, "MOST_ASKED", 3)
    parts = [a_part(f"busy {n}") for n in range(10)]
    for part in parts:
        used(part, [(30 * k + 1, 1) for k in range(24)])
    idle = a_part("idle")
    found = reorder.levels(today)
    assert idle.pk not in found
    assert {found[part.pk].by for part in parts} == {"use"}
    assert len({found[part.pk].at for part in parts}) == 1


@pytest.mark.django_db
def test_what_parts_have_in_common_is_due_once_the_ledger_goes_on_and_it_is_old() -> None:
    now, today = timezone.now(), timezone.localdate()
    later = timedelta(minutes=reorder_fits.OFTEN_MINUTES + 1)
    part = a_part("C")
    stores.receive(part, 5, who="Ada")
    assert reorder_fits.is_due(now)
    reorder_fits.work_out(today)
    assert not reorder_fits.is_due(now + later)
    stores.take(part, 1, Movement.Kind.USED, who="Ada")
    assert not reorder_fits.is_due(now)
    assert reorder_fits.is_due(now + later)


@pytest.mark.django_db
def test_it_is_worked_out_beside_the_serving(monkeypatch: pytest.MonkeyPatch) -> None:
    from refettle.web import warm

    part = a_part("C")
    used(part, [(10, 2)])
    assert reorder.level_of(part, timezone.localdate()).by == "not yet"

    class StoppedError(Exception):
        pass

    def stop(seconds: float) -> None:
        raise StoppedError

    monkeypatch.setattr(warm._asked, "wait", stop)
    monkeypatch.setattr(warm.connection, "close", lambda: None)
    with pytest.raises(StoppedError):
        warm.keep_fits()
    assert reorder.level_of(part, timezone.localdate()).by == "use"
