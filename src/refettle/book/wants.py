"""What jobs want of the stores and take from them. The log says it, and the stock follows in the same transaction.

An entry `part-taken` or `part-returned` and its line of the ledger say the same. A correction of the entry puts the
line right by a further line; where the stock does not allow it, or another part or lot is named, it is refused.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.conf import settings
from django.db import transaction
from django.db.models import Q, Sum
from django.utils import timezone

from refettle.book import reservations, stores
from refettle.book.log import LogEntry, LogError, effective
from refettle.book.models import Entry, Job
from refettle.book.models_stores import Lot, Movement, Part, Reservation
from refettle.book.store import StoreError, append, append_all, entries_as_written
from refettle.book.stores_counting import put_right
from refettle.book.stores_jobs import MOVING, STORES_KINDS, JobParts, Taken, Want, job_parts
from refettle.book.stores_lots import price_of
from refettle.book.stores_moves import holding, own_reservations, quantity, refuse_count, spread

__all__ = [
    "give_back_from_job",
    "held_wants",
    "let_go",
    "parts_of",
    "reserve_wanted",
    "settle",
    "take_for_job",
    "want",
    "wants_of",
]


def _effective(jobs: Iterable[Job]) -> dict[int, list[LogEntry]]:
    """The entries of jobs that are about the stores, as they count now, by job key."""
    rows = Entry.objects.filter(job__in=[job.pk for job in jobs])
    found = list(rows.filter(Q(kind__in=STORES_KINDS) | Q(kind="correction")).order_by("job", "n"))
    have = {(e.job_id, e.n) for e in found}
    missing = {(e.job_id, e.data["corrects"]) for e in found if e.kind == "correction"} - have
    if missing:  # corrections of other entries, which may have become one of these
        numbers = {n for _, n in missing}
        found += [e for e in rows.filter(n__in=numbers) if (e.job_id, e.n) in missing]
        found.sort(key=lambda e: (e.job_id, e.n))
    logs: dict[int, list[Entry]] = {}
    for entry in found:
        logs.setdefault(entry.job_id, []).append(entry)
    return {key: effective(entries_as_written(log)) for key, log in logs.items()}


def parts_of(job: Job) -> JobParts:
    """What one job wants and has taken, without replaying the rest of its log."""
    return job_parts(_effective([job]).get(job.pk, []))


# ---------------------------------------------------------------- writing


def want(job: Job, what: str, count: int = 1, *, who: str, at: datetime | None = None, **more: Any) -> Entry:
    """Write that the job wants parts; `more`: part, refs, by, repair, why. Raises LogError, StoreError."""
    content = {"kind": "part-wanted", "what": what, "count": count, **{k: v for k, v in more.items() if v}}
    if content.get("part"):
        content["part"] = stores.find_part(str(content["part"])).code
    return append(job, content, who, at)


def wants_of(capacitors: Iterable[tuple[str, str]], parts: JobParts, why: str = "") -> list[dict[str, Any]]:
    """Entries that want all capacitors of a list, (designator, value in words), equal ones in one entry.

    Left out are those for which something was wanted or taken before, and those without a value.
    """
    had = {ref for w in parts.wants.values() if w.let_go is None for ref in w.refs} | parts.refs
    by_value: dict[str, list[str]] = {}
    for ref, value in capacitors:
        if ref not in had and value.strip():
            by_value.setdefault(" ".join(value.split()), []).append(ref)
    return [
        {"kind": "part-wanted", "what": value, "count": len(refs), "refs": refs, **({"why": why} if why else {})}
        for value, refs in by_value.items()
    ]


def let_go(job: Job, wanted: int, why: str, *, who: str, at: datetime | None = None) -> Entry:
    """Write that a want is none any more; what was promised for it is let go."""
    return append(job, {"kind": "part-let-go", "wanted": wanted, "why": why}, who, at)


def take_for_job(
    job: Job,
    part: Part,
    count: int,
    *,
    who: str,
    wanted: int | None = None,
    lot: Lot | None = None,
    refs: Sequence[str] = (),
    price: Any = None,
    repair: str = "",
    note: str = "",
    at: datetime | None = None,
) -> list[Entry]:
    """Take parts for a job: one entry in its log and one line in the ledger for each lot, all or nothing.

    Parameters
    ----------
    job, part, count, who
    wanted : int, optional
        The entry of the want that this serves.
    lot : Lot, optional
        By default the oldest first.
    refs : sequence of str
        Designators they are for; by default those of the want.
    price : optional
        Of one, in the bench's currency; by default what was paid for the lot.
    repair : str
        The repair they are for: its estimate for parts then no longer counts.

    Raises
    ------
    StoreError, LogError
        There are not so many, or the log does not allow it; nothing is written.
    """
    count = quantity(count)
    by_hand = price_of(price)
    with transaction.atomic():
        Job.objects.select_for_update().get(pk=job.pk)
        with holding(part):
            own = sum(r.quantity for r in own_reservations(part, job, None, wanted))
            if count > part.free + own:
                raise refuse_count(part, count, part.free + own, own)
            plan = spread(part, count, lot)
        new, left = [], list(refs)
        for each, number in plan:
            mine, left = (left[:number], left[number:]) if len(refs) == count else (left, left)
            content: dict[str, Any] = {"kind": "part-taken", "part": part.code, "lot": each.pk, "count": number}
            more = {"wanted": wanted, "refs": mine, "repair": repair, "note": note, **_price(each, by_hand)}
            content |= {k: v for k, v in more.items() if v not in (None, "", [])}
            new.append({**content, "who": who, "at": at or timezone.now().replace(microsecond=0)})
        made = append_all(job, new)
        part.refresh_from_db(fields=["on_hand", "reserved", "quarantined"])
        return made


def _price(lot: Lot, by_hand: Any) -> dict[str, Any]:
    if by_hand is not None:
        return {"price": float(by_hand)}
    if lot.price is None:
        return {}
    foreign = lot.currency != settings.REFETTLE_CURRENCY
    return {"price": float(lot.price), **({"currency": lot.currency} if foreign else {})}


def give_back_from_job(
    job: Job, taken: int, count: int, *, who: str, why: str, quarantine: bool = False, at: datetime | None = None
) -> Entry:
    """Bring parts back that were taken and not used; `taken` is the entry that took them."""
    content = {"kind": "part-returned", "taken": taken, "count": count, "why": why}
    return append(job, {**content, **({"into": "quarantine"} if quarantine else {})}, who, at)


# ---------------------------------------------------------------- the stock follows the log


def settle(job: Job, made: Sequence[Entry]) -> None:
    """Bring the stock in step with what was just written. To be called in the transaction that wrote it.

    Raises
    ------
    LogError
        The stock does not allow it; says which entry, and the way out.
    """
    touched = {e.data["corrects"] if e.kind == "correction" else e.n: e for e in made}
    relevant = [e for e in made if e.kind in STORES_KINDS or e.kind == "correction"]
    if relevant:
        log = {e.n: e for e in _effective([job]).get(job.pk, [])}
        parts = job_parts(log.values())
        for n in sorted(touched):
            try:
                _follow(job, n, touched[n], log.get(n), parts)
            except StoreError as error:
                place = f"entry {touched[n].n}: " if len(made) > 1 else ""
                raise LogError(f"{place}{error}", field=error.field) from None
        _trim(job, parts)
    if job.closed is not None:
        reservations.let_all_go(job)


def _follow(job: Job, n: int, written: Entry, entry: LogEntry | None, parts: JobParts) -> None:
    """The line of the ledger for one entry: made, or put right."""
    counts = entry is not None and not entry.void and entry.kind in MOVING
    line = Movement.objects.filter(job=job, entry=n, corrects=None).select_related("lot__part").first()
    if line is None:
        if counts and entry is not None:
            _first_line(job, entry, parts)
        return
    new = 0
    if counts and entry is not None:
        lot, _ = _lot(entry, parts)
        kind = Movement.Kind.USED if entry.kind == "part-taken" else Movement.Kind.RETURNED
        aside = entry.data.get("into") == "quarantine"
        if lot.pk != line.lot_id or kind != line.kind or aside != bool(line.quarantined):
            raise StoreError(
                f"entry {n}: another part, lot or place found than the line of the ledger has ("
                f"{line.lot.part.code}, lot {line.lot_id}); allowed: correct it to nothing, and write a new entry",
                "corrects",
            )
        new = entry.data["count"]
    moved = Movement.objects.filter(Q(pk=line.pk) | Q(corrects=line)).aggregate(a=Sum("on_hand"), b=Sum("quarantined"))
    if abs(moved["a"] + moved["b"]) != new:
        why = str(written.data.get("why") or "") or f"entry {n} corrected"
        try:
            put_right(line, who=written.who, why=why[:500], count=new, job=job, entry=written.n, at=written.at)
        except StoreError as error:
            raise StoreError(
                f"the stores cannot follow a correction of entry {n}: {error}; first count it, or see who has it",
                error.field,
            ) from None


def _lot(entry: LogEntry, parts: JobParts) -> tuple[Lot, Taken]:
    taken = parts.taken[entry.n] if entry.kind == "part-taken" else parts.taken[entry.data["taken"]]
    lot = Lot.objects.filter(pk=taken.lot).select_related("part").first()
    if lot is None:
        raise StoreError(f"lot: {taken.lot} found; allowed: the number of a lot in the stores", "lot")
    return lot, taken


def _first_line(job: Job, entry: LogEntry, parts: JobParts) -> None:
    lot, taken = _lot(entry, parts)
    if lot.part.code.casefold() != taken.part.casefold() and entry.kind == "part-taken":
        raise StoreError(f"part: '{taken.part}' found; allowed: {lot.part.code}, of which lot {lot.pk} is", "part")
    note = str(entry.data.get("note") or entry.data.get("why") or "")[:500]
    if entry.kind == "part-taken":
        kind, wanted = Movement.Kind.USED, taken.wanted
        stores.take(
            lot.part,
            taken.count,
            kind,
            who=entry.who,
            job=job,
            want=wanted,
            entry=entry.n,
            lot=lot,
            note=note,
            at=entry.at,
        )
    else:
        aside = entry.data.get("into") == "quarantine"
        stores.give_back(
            lot, entry.data["count"], who=entry.who, job=job, entry=entry.n, quarantine=aside, note=note, at=entry.at
        )


def _trim(job: Job, parts: JobParts) -> None:
    """Let go what is promised beyond what a want still asks for."""
    left = {n: w.left for n, w in parts.wants.items()}
    for each in sorted(reservations.held_for(job), key=lambda r: (r.part_id, r.pk)):
        if each.want is None:
            continue
        keep = min(each.quantity, left.get(each.want, 0))
        left[each.want] = left.get(each.want, 0) - keep
        if keep < each.quantity:
            reservations.let_go(each, each.quantity - keep)


# ---------------------------------------------------------------- all open jobs


@dataclass(frozen=True)
class HeldWant:
    """A want of an open job, with how many are promised to it."""

    job: Job
    want: Want
    reserved: int


def held_wants(jobs: Sequence[Job] | None = None) -> list[HeldWant]:
    """Wants with something left, of all open jobs or of these."""
    chosen = jobs if jobs is not None else list(Job.objects.filter(closed=None).order_by("number"))
    held: dict[tuple[int, int], int] = {}
    for each in Reservation.objects.filter(closed=None, job__in=[j.pk for j in chosen]).exclude(want=None):
        key = (each.job_id or 0, each.want or 0)
        held[key] = held.get(key, 0) + each.quantity
    logs = _effective(chosen)
    return [
        HeldWant(job, each, held.get((job.pk, each.n), 0))
        for job in chosen
        for each in job_parts(logs.get(job.pk, [])).open
    ]


def reserve_wanted(job: Job, wanted: int, part: Part, *, who: str, count: int | None = None) -> Reservation:
    """Promise parts to a want: as many as it still asks for, or fewer. Raises StoreError."""
    mine: Mapping[int, HeldWant] = {h.want.n: h for h in held_wants([job])}
    if wanted not in mine:
        raise StoreError(f"wanted: {wanted} found; allowed: {', '.join(map(str, mine)) or 'none: nothing is wanted'}")
    most = mine[wanted].want.left - mine[wanted].reserved
    number = most if count is None else quantity(count)
    if not 1 <= number <= most:
        raise StoreError(f"count: {number} found; allowed: 1 to {most}, as is wanted and not reserved", "count")
    return reservations.reserve(part, number, who=who, job=job, want=wanted)
