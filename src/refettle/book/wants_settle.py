"""The stock follows the log: an entry `part-taken` or `part-returned` and its line of the ledger say the same.

A correction of the entry puts the line right by a further line; where the stock does not allow it, or another part or
lot is named, it is refused.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from django.db.models import Q, Sum

from refettle.book import reservations, stores
from refettle.book.log import LogEntry, LogError, effective
from refettle.book.models import Entry, Job
from refettle.book.models_stores import Lot, Movement, Part
from refettle.book.store import StoreError
from refettle.book.stores_counting import put_right
from refettle.book.stores_jobs import MOVING, STORES_KINDS, JobParts, Taken, job_parts
from refettle.book.written import entries_of
from refettle.language import tr


def stores_entries(jobs: Sequence[Job]) -> dict[int, list[LogEntry]]:
    """The entries of jobs that are about the stores, as they count now, by job key."""
    keys = {job.number: job.pk for job in jobs}
    logs = entries_of(jobs, STORES_KINDS)
    return {keys[number]: effective(log) for number, log in logs.items() if log}


def parts_of(job: Job) -> JobParts:
    """What one job wants and has taken, without replaying the rest of its log."""
    return job_parts(stores_entries([job]).get(job.pk, []))


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
        log = {e.n: e for e in stores_entries([job]).get(job.pk, [])}
        parts = job_parts(log.values())
        _hold(parts, touched)
        for n in sorted(n for n in touched if n > parts.came):
            try:
                _follow(job, n, touched[n], log.get(n), parts)
            except StoreError as error:
                place = f"entry {touched[n].n}: " if len(made) > 1 else ""
                raise LogError(f"{place}{error}", field=error.field) from None
        _trim(job, parts)
    if job.closed is not None:
        reservations.let_all_go(job)


def _hold(parts: JobParts, touched: Iterable[int]) -> None:
    """Lock the parts of several takings in one order, so that two writers do not wait for each other."""
    lots = {parts.taken[n].lot for n in touched if n in parts.taken}
    if len(lots) > 1:
        list(Part.objects.select_for_update().filter(lots__in=lots).order_by("pk").values_list("pk", flat=True))


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
                tr(
                    "entry {n}: another part, lot or place found than the line of the ledger has ({code}, "
                    "lot {lot}); allowed: correct it to nothing, and write a new entry",
                    n=n,
                    code=line.lot.part.code,
                    lot=line.lot_id,
                ),
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
                tr(
                    "the stores cannot follow a correction of entry {n}: {error}; first count it, or see who has it",
                    n=n,
                    error=error,
                ),
                error.field,
            ) from None


def _lot(entry: LogEntry, parts: JobParts) -> tuple[Lot, Taken]:
    taken = parts.taken[entry.n] if entry.kind == "part-taken" else parts.taken[entry.data["taken"]]
    lot = Lot.objects.filter(pk=taken.lot).select_related("part").first()
    if lot is None:
        raise StoreError(tr("lot: {lot} found; allowed: the number of a lot in the stores", lot=taken.lot), "lot")
    return lot, taken


def _first_line(job: Job, entry: LogEntry, parts: JobParts) -> None:
    lot, taken = _lot(entry, parts)
    if lot.part.code.casefold() != taken.part.casefold() and entry.kind == "part-taken":
        raise StoreError(
            tr(
                "part: '{part}' found; allowed: {code}, of which lot {pk} is",
                part=taken.part,
                code=lot.part.code,
                pk=lot.pk,
            ),
            "part",
        )
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
