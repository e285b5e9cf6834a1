"""The ledger of the stores: what comes, goes and is counted, and what is refused."""

from __future__ import annotations

from datetime import date

import pytest
from django.db import IntegrityError, transaction
from django.db.models import F

from refettle.book import reservations, stores
from refettle.book.models import Job
from refettle.book.models_stores import Lot, Movement, Part
from refettle.book.store import StoreError
from refettle.book.stores import Came


@pytest.fixture
def part(db: None) -> Part:
    return Part.objects.create(code="C4u7-50", name="Electrolytic", unit="F", amount=4.7e-6, volt=50)


def sums(part: Part) -> tuple[int, int, int]:
    fresh = Part.objects.get(pk=part.pk)
    assert (part.on_hand, part.reserved, part.quarantined) == (fresh.on_hand, fresh.reserved, fresh.quarantined)
    return fresh.on_hand, fresh.reserved, fresh.quarantined


def two_lots(part: Part) -> tuple[Lot, Lot]:
    """A younger lot that came first, and an older one that came second."""
    young = stores.receive(part, 5, who="Ada", came=Came("2031", date(2021, 3, 1), price="0.12"))
    old = stores.receive(part, 3, who="Ada", came=Came("1807", date(2018, 7, 1)))
    return young.lot, old.lot


def test_the_oldest_by_its_date_code_goes_first(part: Part) -> None:
    young, old = two_lots(part)
    taken = stores.take(part, 4, "used", who="Bo")
    assert [(m.lot, m.on_hand) for m in taken] == [(old, -3), (young, -1)]
    assert sums(part) == (4, 0, 0)


def test_the_lot_may_be_chosen(part: Part) -> None:
    young, old = two_lots(part)
    assert [(m.lot, m.on_hand) for m in stores.take(part, 2, "used", who="Bo", lot=young)] == [(young, -2)]
    with pytest.raises(StoreError, match="count: 4 found; allowed: at most 3, as 1807 holds"):
        stores.take(part, 4, "used", who="Bo", lot=old)


def test_what_is_promised_to_others_is_not_taken(part: Part, job: Job) -> None:
    stores.receive(part, 3, who="Ada")
    reservations.reserve(part, 2, who="Ada", job=job)
    with pytest.raises(StoreError) as raised:
        stores.take(part, 2, "used", who="Bo")
    assert str(raised.value) == "count: 2 found; allowed: at most 1 free (3 on hand, 2 reserved for job 1)"
    assert sums(part) == (3, 2, 0)
    stores.take(part, 3, "used", who="Bo", job=job)
    assert sums(part) == (0, 0, 0)
    assert reservations.held_for(job) == []


def test_no_more_is_promised_than_is_free(part: Part, job: Job) -> None:
    stores.receive(part, 3, who="Ada")
    first = reservations.reserve(part, 2, who="Ada", job=job)
    with pytest.raises(
        StoreError, match=r"count: 2 found; allowed: at most 1 free \(3 on hand, 2 reserved for job 1\)"
    ):
        reservations.reserve(part, 2, who="Ada", job=job)
    with pytest.raises(IntegrityError), transaction.atomic():
        Part.objects.filter(pk=part.pk).update(reserved=F("on_hand") + 1)
    reservations.let_go(first, 1)
    assert (first.quantity, first.closed, sums(part)) == (1, None, (3, 1, 0))
    reservations.let_go(first)
    assert (first.quantity, sums(part)) == (0, (3, 0, 0))
    assert first.closed is not None


def test_counting_below_what_is_promised_asks_whose(part: Part, job: Job) -> None:
    stores.receive(part, 5, who="Ada")
    held = reservations.reserve(part, 4, who="Ada", job=job)
    with pytest.raises(StoreError) as raised:
        stores.count(part, 2, who="Bo")
    assert str(raised.value) == (
        "counted: 2 found, which cuts into 2 of the 4 reserved (job 1: 4) of 5 on hand; allowed: 4 or more, or "
        "name whose reservation to let go"
    )
    (line,) = stores.count(part, 2, who="Bo", let_go=[held])
    held.refresh_from_db()
    assert (line.kind, line.on_hand, held.quantity, sums(part)) == ("counted", -3, 2, (2, 2, 0))


def test_counting_more_less_and_the_same(part: Part) -> None:
    young, old = two_lots(part)
    assert [(m.lot, m.on_hand) for m in stores.count(part, 4, who="Bo")] == [(old, -3), (young, -1)]
    assert [(m.lot, m.on_hand) for m in stores.count(part, 6, who="Bo")] == [(young, 2)]
    assert [m.on_hand for m in stores.count(part, 6, who="Bo")] == [0]
    assert [(m.lot, m.on_hand) for m in stores.count(part, 7, who="Bo", lot=old)] == [(old, 7)]
    assert sums(part) == (13, 0, 0)


def test_counting_a_part_that_never_came(part: Part) -> None:
    (line,) = stores.count(part, 9, who="Bo")
    assert (line.lot.source, sums(part)) == ("found when counted", (9, 0, 0))


def test_a_donor_part_waits_until_shown_good(part: Part, job: Job) -> None:
    line = stores.from_donor(part, 2, who="Ada", job=job)
    assert line.lot.source == "donor job 1: Larkmere 48, the grey one"
    assert (line.lot.proven, sums(part)) == (False, (0, 0, 2))
    with pytest.raises(StoreError, match=r"count: 1 found; allowed: at most 0 free \(0 on hand, 2 in quarantine\)"):
        stores.take(part, 1, "used", who="Ada")
    with pytest.raises(StoreError, match="how: 0 characters found; allowed: 3 to 500"):
        stores.release(part, 1, who="Ada", how=" ")
    (released,) = stores.release(part, 1, who="Ada", how="runs in the bench unit")
    assert (released.lot.proven, sums(part)) == (True, (1, 0, 1))
    stores.correct(released, who="Ada", why="that was another one")
    assert (Lot.objects.get(pk=released.lot_id).proven, sums(Part.objects.get(pk=part.pk))) == (False, (0, 0, 2))
    stores.release(part, 1, who="Ada", how="runs in the bench unit")
    stores.scrap(part, 1, who="Ada", why="shorted", from_quarantine=True)
    assert sums(part) == (1, 0, 0)
    with pytest.raises(StoreError, match="unit: no donor found"):
        stores.from_donor(part, 1, who="Ada")


def test_put_in_quarantine_and_scrapped(part: Part) -> None:
    stores.receive(part, 5, who="Ada")
    stores.quarantine(part, 2, who="Ada", why="leads black")
    assert sums(part) == (3, 0, 2)
    stores.scrap(part, 3, who="Ada", why="leaking")
    assert sums(part) == (0, 0, 2)
    with pytest.raises(StoreError, match="count: 3 found; allowed: at most 2 in quarantine"):
        stores.scrap(part, 3, who="Ada", why="leaking", from_quarantine=True)


def test_a_line_is_put_right_by_a_further_one(part: Part) -> None:
    line = stores.receive(part, 100, who="Ada")
    right = stores.correct(line, who="Bo", why="ten, not a hundred", count=10)
    assert (right.kind, right.on_hand, right.corrects, sums(part)) == ("corrected", -90, line, (10, 0, 0))
    with pytest.raises(StoreError, match=f"a correction found; allowed: line {line.pk}, which it puts right"):
        stores.correct(right, who="Bo", why="no, it was right")
    with pytest.raises(StoreError, match="stands at 10 already"):
        stores.correct(line, who="Bo", why="again", count=10)
    stores.take(part, 4, "used", who="Bo")
    with pytest.raises(StoreError, match="count: 8 found; allowed: at most 6 free"):
        stores.correct(line, who="Bo", why="two", count=2)
    stores.correct(line, who="Bo", why="it was twelve", count=12)
    assert sums(part) == (8, 0, 0)
    assert Movement.objects.get(pk=line.pk).on_hand == 100


def test_looked_at_begins_its_time_anew(part: Part) -> None:
    line = stores.receive(part, 3, who="Ada", came=Came(since=date(2021, 1, 1)))
    made = stores.looked_at(line.lot, who="Ada", what="re-formed at 50 V, leakage below the limit")
    assert (made.on_hand, made.note[:9]) == (0, "re-formed")
    assert Lot.objects.get(pk=line.lot_id).since > date(2021, 1, 1)  # type: ignore[operator]


@pytest.mark.parametrize("count", [0, -1, "2.5", "many", True, 10_000_001])
def test_counts_that_are_none(part: Part, count: object) -> None:
    with pytest.raises(StoreError, match=r"count: .* found; allowed: a whole number from 1 to 10000000"):
        stores.receive(part, count, who="Ada")  # type: ignore[arg-type]
    assert sums(part) == (0, 0, 0)


@pytest.mark.parametrize(
    ("came", "said"),
    [
        (Came(price="-1"), "price: '-1' found; allowed: such as 0.12"),
        (Came(price="1", currency="euros"), "currency: 'euros' found; allowed: three letters"),
        (Came(made=date(2999, 1, 1)), "made: 2999-01-01 found; allowed: from 1900 to today"),
        (Came(code="x" * 81), "lot code: 81 characters found; allowed: at most 80"),
    ],
)
def test_lots_that_cannot_be(part: Part, came: Came, said: str) -> None:
    with pytest.raises(StoreError, match=said):
        stores.receive(part, 1, who="Ada", came=came)
    assert not Lot.objects.exists()


def test_a_lot_of_another_part_is_refused(part: Part) -> None:
    other = Part.objects.create(code="R4K7", name="Resistor")
    lot = stores.receive(other, 5, who="Ada").lot
    for use in (
        lambda: stores.receive(part, 1, who="Ada", lot=lot),
        lambda: stores.take(part, 1, "used", who="Ada", lot=lot),
    ):
        with pytest.raises(StoreError):
            use()
    assert sums(part) == (0, 0, 0)


def test_more_thrown_away_than_is_there_says_how_many_there_are(part: Part, job: Job) -> None:
    with pytest.raises(StoreError, match=r"count: 88 found; allowed: at most 0 free \(0 on hand\)"):
        stores.scrap(part, 88, who="Bo", why="leaking")
    stores.receive(part, 5, who="Ada")
    reservations.reserve(part, 2, who="Ada", job=job)
    with pytest.raises(StoreError, match=r"allowed: at most 3 free \(5 on hand, 2 reserved for job 1\)"):
        stores.quarantine(part, 88, who="Bo", why="leaking")
    with pytest.raises(StoreError) as raised:
        stores.scrap(part, 4, who="Bo", why="leaking")
    assert str(raised.value) == (
        "count: 4 found, which cuts into 1 of the 2 reserved (job 1: 2) of 5 on hand; allowed: at most 3, which are "
        "free, or name whose reservation to let go"
    )


def test_use_by_month_is_by_the_months_of_the_bench(part: Part) -> None:
    from datetime import UTC, date, datetime

    from django.utils import timezone

    from refettle.book.stores_facts import used_by_month

    stores.receive(part, 50, who="Ada", at=datetime(2031, 1, 1, tzinfo=UTC))
    with timezone.override("Asia/Kathmandu"):  # UTC+5:45
        for minute, count in ((14, 1), (16, 2)):
            stores.take(part, count, "used", who="Ada", at=datetime(2031, 1, 31, 18, minute, tzinfo=UTC))
        stores.take(part, 9, "used", who="Ada", at=datetime(2030, 12, 31, 18, 14, tzinfo=UTC))
        assert used_by_month(part, 3, date(2031, 3, 9)) == [
            (date(2031, 1, 1), 1), (date(2031, 2, 1), 2), (date(2031, 3, 1), 0),
        ]  # fmt: skip
