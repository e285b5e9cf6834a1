"""Parts promised to a job or a batch of kits. Never more than is on hand: the database itself sees to it."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from django.db import transaction
from django.db.models import F
from django.utils import timezone

from refettle.book.models import Job
from refettle.book.models_kits import KitBatch
from refettle.book.models_stores import Part, Reservation
from refettle.book.store import StoreError
from refettle.book.stores_moves import holding, open_reservations, quantity, refuse_count, said
from refettle.language import tr

__all__ = ["held_for", "let_all_go", "let_go", "open_reservations", "reserve"]


def reserve(
    part: Part,
    count: int,
    *,
    who: str,
    job: Job | None = None,
    batch: KitBatch | None = None,
    want: int | None = None,
) -> Reservation:
    """Promise parts that are free to a job (for a want of its log, by its entry) or to a batch of kits.

    Raises
    ------
    StoreError
        Not so many are free; says how many are, and who holds the others.
    """
    count = quantity(count)
    if (job is None) == (batch is None):
        raise StoreError(tr("reserve: allowed: for a job or for a batch of kits, one of them"))
    with transaction.atomic(), holding_open(job, batch), holding(part):
        free = Part.objects.filter(pk=part.pk, on_hand__gte=F("reserved") + count)
        if not free.update(reserved=F("reserved") + count):
            raise refuse_count(part, count, part.free)
        return Reservation.objects.create(
            part=part, job=job, batch=batch, want=want, quantity=count, who=said(who, "who", 200, 1)
        )


@contextmanager
def holding_open(job: Job | None, batch: KitBatch | None) -> Iterator[None]:
    """In a transaction: nobody closes the job or batch meanwhile. StoreError where it is closed."""
    if job is not None and Job.objects.select_for_update().get(pk=job.pk).closed is not None:
        raise StoreError(tr("job: {number} found, which is closed; allowed: an open job", number=job.number), "job")
    if batch is not None:
        found = KitBatch.objects.select_for_update().get(pk=batch.pk)
        if found.done is not None or found.dropped is not None:
            raise StoreError(tr("batch: {pk} found, which is closed; allowed: an open batch", pk=batch.pk), "batch")
    yield


def let_go(reservation: Reservation, count: int | None = None) -> None:
    """Promise no longer: all of it, or so many."""
    with holding(reservation.part) as part:
        fresh = Reservation.objects.filter(pk=reservation.pk, closed=None).first()
        if fresh is None:
            raise StoreError(tr("reservation {n}: closed already; allowed: an open one", n=reservation.pk))
        gone = fresh.quantity if count is None else quantity(count)
        if gone > fresh.quantity:
            raise StoreError(
                tr("count: {n} found; allowed: at most {most}, as is reserved", n=gone, most=fresh.quantity), "count"
            )
        rest = fresh.quantity - gone
        Part.objects.filter(pk=part.pk).update(reserved=F("reserved") - gone)
        changed = {"quantity": rest} if rest else {"quantity": 0, "closed": timezone.now()}
        Reservation.objects.filter(pk=fresh.pk).update(**changed)
        reservation.refresh_from_db(fields=["quantity", "closed"])


def held_for(job: Job | None = None, batch: KitBatch | None = None) -> list[Reservation]:
    """What is promised to a job or a batch, oldest first."""
    mine = Reservation.objects.filter(closed=None).select_related("part")
    return list((mine.filter(job=job) if job is not None else mine.filter(batch=batch)).order_by("id"))


def let_all_go(job: Job | None = None, batch: KitBatch | None = None, want: int | None = None) -> int:
    """Let go all that is promised to a job, to one want of it, or to a batch; how many parts that freed."""
    mine = [r for r in held_for(job, batch) if want is None or r.want == want]
    freed = 0
    for each in sorted(mine, key=lambda r: r.part_id):  # always in the same order: two writers do not wait in a ring
        freed += each.quantity
        let_go(each)
    return freed
