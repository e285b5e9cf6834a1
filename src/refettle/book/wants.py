"""What jobs want of the stores and take from them. The log says it, and the stock follows in the same transaction.

See `wants_settle` for how it follows, and what a correction does.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from django.conf import settings
from django.db import transaction
from django.db.models import Exists, OuterRef, Q, TextField
from django.db.models.functions import Cast
from django.utils import timezone

from refettle.book import reservations, stores
from refettle.book.kept import of_logs
from refettle.book.log import effective
from refettle.book.models import Entry, Job
from refettle.book.models_stores import Lot, Part, PartChange, Reservation
from refettle.book.store import StoreError, append, append_all
from refettle.book.stores_jobs import STORES_KINDS, JobParts, Want, job_parts
from refettle.book.stores_lots import price_of
from refettle.book.stores_moves import holding, own_reservations, quantity, refuse_count, spread
from refettle.book.stores_parts import by_code
from refettle.book.stores_values import ValueTextError, polar_guess, rated_of_part, read_value
from refettle.book.wants_settle import parts_of
from refettle.language import tr
from refettle.parts.capacitor import CapacitorError, Rated
from refettle.parts.capacitor_text import read_capacitor
from refettle.parts.substitutes import compare

__all__ = [
    "give_back_from_job",
    "held_wants",
    "let_go",
    "open_wants",
    "parts_of",
    "reserve_wanted",
    "take_for_job",
    "want",
    "wants_of",
]


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
        at = at or timezone.now().replace(microsecond=0)  # one taking, however many lots it takes from
        for each, number in plan:
            mine, left = (left[:number], left[number:]) if len(refs) == count else (left, left)
            content: dict[str, Any] = {"kind": "part-taken", "part": part.code, "lot": each.pk, "count": number}
            more = {"wanted": wanted, "refs": mine, "repair": repair, "note": note, **_price(each, by_hand)}
            content |= {k: v for k, v in more.items() if v not in (None, "", [])}
            new.append({**content, "who": who, "at": at})
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


# ---------------------------------------------------------------- all open jobs


@dataclass(frozen=True)
class HeldWant:
    """A want of an open job, with how many are promised to it."""

    job: Job
    want: Want
    reserved: int


def held_wants(jobs: Sequence[Job] | None = None) -> list[HeldWant]:
    """Wants with something left, of all open jobs or of these."""
    chosen = jobs if jobs is not None else _with_wants()
    held: dict[tuple[int, int], int] = {}
    for each in Reservation.objects.filter(closed=None, job__in=[j.pk for j in chosen]).exclude(want=None):
        key = (each.job_id or 0, each.want or 0)
        held[key] = held.get(key, 0) + each.quantity
    wanted = of_logs("wants", chosen, STORES_KINDS, _still_open)
    return [HeldWant(job, each, held.get((job.pk, each.n), 0)) for job in chosen for each in wanted[job.number]]


def _with_wants() -> list[Job]:
    """Open jobs that ever wanted something."""
    wanted = Q(kind="part-wanted") | Q(kind="correction", data__with__kind="part-wanted")
    ever = Exists(Entry.objects.filter(wanted, job=OuterRef("pk")))
    return list(Job.objects.filter(ever, closed=None).order_by("number"))


def _still_open(log: list[dict[str, Any]]) -> list[Want]:
    return list(job_parts(effective(log)).open)


def want_of_part(job: Job, part: Part) -> int | None:
    """The oldest open want of this job that names the part, or for which some of it is promised; None without one."""
    promised = Reservation.objects.filter(closed=None, job=job, part=part).exclude(want=None)
    for_want = set(promised.values_list("want", flat=True))
    named = part.code.casefold()
    fits = [held.want.n for held in held_wants([job]) if held.want.part.casefold() == named or held.want.n in for_want]
    return min(fits, default=None)


def reserve_wanted(job: Job, wanted: int, part: Part, *, who: str, count: int | None = None) -> Reservation:
    """Promise parts to a want: as many as it still asks for, or fewer. Raises StoreError."""
    mine: Mapping[int, HeldWant] = {h.want.n: h for h in held_wants([job])}
    if wanted not in mine:
        raise StoreError(
            tr(
                "wanted: {wanted} found; allowed: {allowed}",
                wanted=wanted,
                allowed=", ".join(map(str, mine)) or "none: nothing is wanted",
            )
        )
    most = mine[wanted].want.left - mine[wanted].reserved
    number = most if count is None else quantity(count)
    if not 1 <= number <= most:
        raise StoreError(
            tr("count: {n} found; allowed: 1 to {most}, as is wanted and not reserved", n=number, most=most), "count"
        )
    return reservations.reserve(part, number, who=who, job=job, want=wanted)


# ---------------------------------------------------------------- what would serve


@dataclass(frozen=True)
class MayServe:
    """A part that may serve a want. `says`: exact, better, acceptable; `check_first` before it is used."""

    code: str
    says: str
    free: int
    check_first: tuple[str, ...] = ()


@dataclass(frozen=True)
class OpenWant:
    """A want of an open job with something left.

    `left` are still wanted, of which `reserved` are promised already; `acceptable` parts of the stores, the best first,
    also those of which there are none; `note` says why there is no part, or what was taken for granted.
    """

    job: int
    entry: int
    what: str
    part: str
    count: int
    left: int
    reserved: int
    refs: tuple[str, ...]
    by: date | None
    why: str
    acceptable: tuple[MayServe, ...]
    note: str = ""

    @property
    def codes(self) -> tuple[str, ...]:
        """Codes of the acceptable parts, the best first."""
        return tuple(each.code for each in self.acceptable)


def open_wants(jobs: Sequence[Job] | None = None) -> list[OpenWant]:
    """What all open jobs still want (or these jobs), with the parts of the stores that would serve."""
    found, known = [], {}
    for held in held_wants(jobs):
        each = held.want
        key = (each.what, each.part)
        if key not in known:
            known[key] = may_serve(each.what, each.part)
        acceptable, note = known[key]
        found.append(
            OpenWant(
                held.job.number, each.n, each.what, each.part, each.count, each.left, held.reserved, each.refs, each.by,
                each.why, acceptable, note,
            )
        )  # fmt: skip
    return found


def may_serve(what: str, code: str = "") -> tuple[tuple[MayServe, ...], str]:
    """Parts that serve what is wanted: the part named, else those of its value; and a note.

    A capacitor is compared by the rules for substitutes, its seat not known: what depends on that is to be checked
    first. Of other parts those of the very value serve; power and tolerance are to be checked.
    """
    if code:
        part = _named(code)
        return (
            ((MayServe(part.code, "exact", part.free),), "")
            if part
            else ((), tr("no part '{code}' in the stores", code=code))
        )
    part = by_code(what).first()
    if part is not None:
        return (MayServe(part.code, "exact", part.free),), ""
    try:
        value = read_value(what)
    except ValueTextError:
        return (), tr("no value in it, and no part of this code")
    if not value:
        return (), tr("no value in it")
    amount = value["amount"]
    if value["unit"] != "F":
        parts = Part.objects.filter(unit=value["unit"], amount__range=(amount * 0.999, amount * 1.001)).order_by("code")
        check = (tr("power, tolerance and size: only the value was compared"),)
        return _ranked([MayServe(p.code, "acceptable", p.free, check) for p in parts[:200]]), ""
    return _capacitors(what, value)


def _named(code: str) -> Part | None:
    """The part of this code, or that had it when it was written down."""
    part = by_code(code).first()
    if part is None:
        said = PartChange.objects.annotate(said=Cast("was", TextField())).filter(said__contains='"code"')
        had = [c for c in said.select_related("part").order_by("-id") if c.was.get("code") == code]
        part = had[0].part if had else None
    return part


def _capacitors(what: str, value: Mapping[str, Any]) -> tuple[tuple[MayServe, ...], str]:
    kind = str(value.get("kind") or polar_guess(value["amount"]))
    if not kind:
        return (), tr("its kind is not known: write it with its kind, such as film or ceramic")
    note = "" if value.get("kind") else tr("taken for {kind}, as no kind is said", kind=kind)
    original = _rated(what, kind, value)
    if original is None:
        return (), tr("it cannot be read as a capacitor")
    span = (original.farad * 0.79, original.farad * 1.21)
    parts = {p.code: p for p in Part.objects.filter(unit="F", amount__range=span)}
    rated = [r for p in parts.values() if (r := rated_of_part(p)) is not None]
    serve = [
        MayServe(a.candidate.name, a.says, parts[a.candidate.name].free, tuple(f.reason for f in a.check_first))
        for a in compare(original, rated)
        if a.says != "refused"
    ]
    unknown = sum(1 for p in parts.values() if not p.kind)
    more = tr("{n} of about this value have no kind written down", n=unknown) if unknown else ""
    return _ranked(serve), "; ".join(text for text in (note, more) if text)


def _rated(what: str, kind: str, value: Mapping[str, Any]) -> Rated | None:
    try:
        return read_capacitor(what, kind)
    except CapacitorError:
        try:
            return Rated(kind, value["amount"], value.get("volt"), value.get("celsius"))  # type: ignore[arg-type]
        except CapacitorError:
            return None


def _ranked(serve: Sequence[MayServe]) -> tuple[MayServe, ...]:
    """Better before acceptable, of these what is there before what is not; else as given."""
    order = {"exact": 0, "better": 1, "acceptable": 2}
    return tuple(sorted(serve, key=lambda m: (order[m.says], m.free <= 0)))[:50]
