"""What each open job waits for and when it can go on: on hand, on order, not ordered. A few queries for all jobs.

Jobs reach for what is there in the order in which they want it: by their day, then by their number.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from functools import lru_cache
from typing import Any

from django.db.models import Count, Max

from refettle.book import wants
from refettle.book.models_orders import Order
from refettle.book.models_stores import Part, PartChange
from refettle.book.orders_needs import FAR, Coming, coming, give_as_ordered, give_spare
from refettle.language import several, tr


@dataclass(frozen=True)
class Here:
    """Pieces on hand and free, of one part."""

    code: str
    pieces: int
    check_first: bool = False


@dataclass(frozen=True)
class OnOrder:
    """Pieces that an order brings."""

    order: int
    pieces: int
    due: date | None
    sent: bool


@dataclass(frozen=True)
class WantWaits:
    """A want of a job. Of `left`, `reserved` are promised, `here` can be, `ordered` come; `missing` are not ordered."""

    entry: int
    what: str
    refs: tuple[str, ...]
    by: date | None
    left: int
    reserved: int
    here: tuple[Here, ...]
    ordered: tuple[OnOrder, ...]

    @property
    def on_hand(self) -> int:
        """Pieces that can be reserved now."""
        return sum(each.pieces for each in self.here)

    @property
    def coming(self) -> int:
        """Pieces on order."""
        return sum(each.pieces for each in self.ordered)

    @property
    def missing(self) -> int:
        """Pieces neither promised, on hand nor on order."""
        return self.left - self.reserved - self.on_hand - self.coming

    @property
    def due(self) -> date | None:
        """When the last of what is on order comes; None where nothing is, or nobody said when."""
        days = [each.due for each in self.ordered]
        return max((day for day in days if day is not None), default=None) if None not in days else None


@dataclass(frozen=True)
class JobWaits:
    """All that one job waits for."""

    job: int
    wants: tuple[WantWaits, ...]

    @property
    def on_hand(self) -> int:
        """Pieces it could be promised now."""
        return sum(each.on_hand for each in self.wants)

    @property
    def coming(self) -> int:
        """Pieces on order for it."""
        return sum(each.coming for each in self.wants)

    @property
    def missing(self) -> int:
        """Pieces that are not ordered."""
        return sum(each.missing for each in self.wants)

    @property
    def waits(self) -> int:
        """Pieces that are not in the house."""
        return self.coming + self.missing

    @property
    def due(self) -> date | None:
        """The latest day of what is on order."""
        days = [each.due for each in self.wants if each.coming]
        return max((day for day in days if day is not None), default=None) if None not in days else None

    def words(self, today: date) -> str:
        """What the bench says of it: `waits for 2 parts, due 2031-04-02`."""
        if not self.waits:
            return several("{n} part for it on hand", "{n} parts for it on hand", self.on_hand) if self.on_hand else ""
        said = several("waits for {n} part", "waits for {n} parts", self.waits)
        if self.missing and not self.coming:
            return tr("{waits}, not ordered", waits=said)
        if self.missing:
            return tr("{waits}, {n} not ordered", waits=said, n=self.missing)
        if self.due is None:
            return tr("{waits}, on order", waits=said)
        if self.due >= today:
            return tr("{waits}, due {day}", waits=said, day=self.due.isoformat())
        return tr("{waits}, overdue since {day}", waits=said, day=self.due.isoformat())


@dataclass(frozen=True)
class CanGoOn:
    """A want for which parts are free now, of a part that just came."""

    job: int
    entry: int
    what: str
    code: str
    pieces: int
    check_first: bool
    whole: bool
    """True where the job then waits for nothing more."""


# ---------------------------------------------------------------- all jobs


def waiting() -> dict[int, JobWaits]:
    """Number -> what it waits for, of every open job with something wanted."""
    held = wants.held_wants()
    if not held:
        return {}
    held.sort(key=lambda h: (h.want.by or FAR, h.job.number, h.want.n))
    stamp = _stamp()
    serve = {(h.want.what, h.want.part): _serving(h.want.what, h.want.part, stamp) for h in held}
    codes = {code for each in serve.values() for code, _ in each}
    free = {p.code: p.free for p in Part.objects.filter(code__in=codes).only("code", "on_hand", "reserved")}
    lines = coming()
    here: dict[tuple[int, int], tuple[Here, ...]] = {}
    for h in held:
        here[h.job.number, h.want.n] = _here(serve[h.want.what, h.want.part], free, h.want.left - h.reserved)
    rest = {key: max(0, h.want.left - h.reserved - sum(x.pieces for x in here[key])) for h in held
            if (key := (h.job.number, h.want.n))}  # fmt: skip
    ordered = {key: give_as_ordered(lines, f"job:{key[0]}:{key[1]}", wanted) for key, wanted in rest.items()}
    found: dict[int, list[WantWaits]] = {}
    for h in held:
        key = (h.job.number, h.want.n)
        good = [code for code, check in serve[h.want.what, h.want.part] if not check]
        mine = ordered[key]
        mine = [*mine, *give_spare(lines, good, rest[key] - sum(n for _, n in mine))]
        found.setdefault(h.job.number, []).append(
            WantWaits(
                h.want.n, h.want.what, h.want.refs, h.want.by, h.want.left, h.reserved, here[key], _by_order(mine)
            )
        )
    return {number: JobWaits(number, tuple(sorted(mine, key=lambda w: w.entry))) for number, mine in found.items()}


def _here(serve: Iterable[tuple[str, bool]], free: dict[str, int], wanted: int) -> tuple[Here, ...]:
    """What is free of the parts that would do; those to be looked at first come last."""
    found = []
    for code, check in sorted(serve, key=lambda each: each[1]):
        pieces = max(0, min(wanted, free.get(code, 0)))
        if pieces:
            free[code] -= pieces
            wanted -= pieces
            found.append(Here(code, pieces, check))
    return tuple(found)


def _by_order(given: Sequence[tuple[Coming, int]]) -> tuple[OnOrder, ...]:
    sums: dict[int, OnOrder] = {}
    for line, pieces in given:
        before = sums[line.order].pieces if line.order in sums else 0
        sums[line.order] = OnOrder(line.order, before + pieces, line.due, line.sent)
    return tuple(sums.values())


def can_go_on(order: Order) -> list[CanGoOn]:
    """Wants for which something is free of the parts that this order brought."""
    brought = set(order.lines.filter(received__gt=0).values_list("receipts__movement__part__code", flat=True))
    found = []
    for number, job in sorted(waiting().items()):
        for want in job.wants:
            for each in want.here:
                if each.code in brought:
                    found.append(
                        CanGoOn(number, want.entry, want.what, each.code, each.pieces, each.check_first, not job.waits)
                    )
    return found


# ---------------------------------------------------------------- which parts would do


def _stamp() -> tuple[Any, ...]:
    """Changes whenever a part is added or said to be otherwise."""
    parts = Part.objects.aggregate(n=Count("pk"), last=Max("pk"), at=Max("created"))
    changes = PartChange.objects.aggregate(last=Max("pk"), at=Max("at"))
    return (*parts.values(), *changes.values())


@lru_cache(maxsize=4096)
def _serving(what: str, code: str, stamp: tuple[Any, ...]) -> tuple[tuple[str, bool], ...]:
    """(part, to be looked at first) that would serve a want, the best first; kept until the stores' parts change."""
    return tuple((each.code, bool(each.check_first)) for each in wants.may_serve(what, code)[0])
