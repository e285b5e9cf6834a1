"""The ledger explained line by line, and all its sums worked out anew."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from django.db.models import Count, F, Q, Sum, Window

from refettle.book.models_stores import Lot, Movement, Part, Reservation


@dataclass(frozen=True)
class Balance:
    """A line of the ledger, and what there was of the part after it."""

    movement: Movement
    on_hand: int
    quarantined: int


def explain(part: Part, newest: int | None = None, before: int | None = None) -> list[Balance]:
    """Every line of a part with the running balance, oldest first.

    Parameters
    ----------
    part : Part
    newest : int, optional
        Only so many, the newest; their balance counts all that went before.
    before : int, optional
        Only lines with a number below this one: the page before.
    """
    lines = Movement.objects.filter(part=part).select_related("lot", "job", "corrects")
    if before is not None:
        lines = lines.filter(pk__lt=before)
    if newest is None:
        summed = lines.annotate(
            a=Window(Sum("on_hand"), order_by=F("id").asc()), b=Window(Sum("quarantined"), order_by=F("id").asc())
        ).order_by("id")
        return [Balance(m, m.a, m.b) for m in summed]
    chosen = list(lines.order_by("-id")[:newest])[::-1]
    if not chosen:
        return []
    earlier = Movement.objects.filter(part=part, pk__lt=chosen[0].pk).aggregate(a=Sum("on_hand"), b=Sum("quarantined"))
    on_hand, aside = earlier["a"] or 0, earlier["b"] or 0
    found = []
    for each in chosen:
        on_hand += each.on_hand
        aside += each.quarantined
        found.append(Balance(each, on_hand, aside))
    return found


@dataclass(frozen=True)
class Disagreement:
    """A sum that is not what the ledger says: where, what is kept there, and what it should be."""

    where: str
    what: str
    kept: int
    should_be: int

    def __str__(self) -> str:
        return f"{self.where}: {self.what} {self.kept} kept, {self.should_be} by the ledger"


def verify() -> list[Disagreement]:
    """Work out all sums anew and say what disagrees; nothing should, and nothing is changed.

    Lots and parts against their movements, what is reserved against the open reservations, movements against the part
    of their lot, and what a job's log says was moved against the lines of the ledger.
    """
    return [*_lots(), *_parts(), *_strays(), *_jobs()]


def _lots() -> Iterator[Disagreement]:
    totals = {
        row["lot"]: row
        for row in Movement.objects.order_by().values("lot").annotate(a=Sum("on_hand"), b=Sum("quarantined"))
    }
    nothing = {"a": 0, "b": 0}
    for pk, code, on_hand, aside in Lot.objects.values_list("pk", "part__code", "on_hand", "quarantined").iterator():
        should = totals.get(pk, nothing)
        if on_hand != should["a"]:
            yield Disagreement(f"lot {pk} of {code}", "on hand", on_hand, should["a"])
        if aside != should["b"]:
            yield Disagreement(f"lot {pk} of {code}", "in quarantine", aside, should["b"])


def _parts() -> Iterator[Disagreement]:
    moved = {
        row["part"]: (row["a"], row["b"])
        for row in Movement.objects.order_by().values("part").annotate(a=Sum("on_hand"), b=Sum("quarantined"))
    }
    promised = dict(
        Reservation.objects.filter(closed=None).order_by().values_list("part").annotate(total=Sum("quantity"))
    )
    for pk, code, *kept in Part.objects.values_list("pk", "code", "on_hand", "quarantined", "reserved").iterator():
        should = (*moved.get(pk, (0, 0)), promised.get(pk, 0))
        for what, has, wants in zip(("on hand", "in quarantine", "reserved"), kept, should, strict=True):
            if has != wants:
                yield Disagreement(code, what, has, wants)


def _strays() -> Iterator[Disagreement]:
    for stray in Movement.objects.exclude(lot__part=F("part")).select_related("part", "lot__part")[:100]:
        yield Disagreement(f"line {stray.pk}", f"of {stray.part.code}, its lot of {stray.lot.part.code}", 1, 0)
    crossed = Movement.objects.filter(corrects__isnull=False).exclude(corrects__lot=F("lot"))
    for stray in crossed[:100]:
        yield Disagreement(f"line {stray.pk}", f"puts line {stray.corrects_id} right in another lot", 1, 0)


def _jobs() -> Iterator[Disagreement]:
    from refettle.book.models import Job
    from refettle.book.stores_jobs import MOVING, job_parts
    from refettle.book.wants_settle import stores_entries

    said: dict[tuple[int, int], int] = {}
    moving = Q(entries__kind__in=MOVING) | Q(movements__entry__isnull=False)
    jobs = Job.objects.filter(moving).distinct()
    numbers = {job.pk: job.number for job in jobs}
    for job_pk, log in stores_entries(list(jobs)).items():
        came = job_parts(log).came
        for entry in log:
            if entry.kind in MOVING and entry.n > came:
                sign = -1 if entry.kind == "part-taken" else 1
                said[job_pk, entry.n] = 0 if entry.void else sign * entry.data["count"]
    moved: dict[tuple[int, int], int] = {}
    lines = Movement.objects.filter(job__isnull=False, entry__isnull=False).order_by()
    own = lines.filter(corrects=None).values_list("job", "entry", "on_hand", "quarantined")
    right = lines.filter(corrects__isnull=False).values_list("job", "corrects__entry", "on_hand", "quarantined")
    for job_key, n, on_hand, aside in [*own, *right]:
        moved[job_key or 0, n or 0] = moved.get((job_key or 0, n or 0), 0) + on_hand + aside
    for key in sorted(said.keys() | moved.keys()):
        if said.get(key, 0) != moved.get(key, 0):
            where = f"job {numbers.get(key[0], '?')}, entry {key[1]}"
            yield Disagreement(where, "moved by the log", said.get(key, 0), moved.get(key, 0))


def sums() -> dict[str, int]:
    """How much there is of everything: parts, lots, lines, pieces on hand, reserved, in quarantine."""
    held = Part.objects.aggregate(n=Count("pk"), a=Sum("on_hand"), b=Sum("reserved"), c=Sum("quarantined"))
    return {
        "parts": held["n"],
        "lots": Lot.objects.count(),
        "lines": Movement.objects.count(),
        "on_hand": held["a"] or 0,
        "reserved": held["b"] or 0,
        "quarantined": held["c"] or 0,
    }
