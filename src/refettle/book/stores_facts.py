"""What pages and commands tell of a part: on order, its ledger line by line, its use by month, prices, stand-ins."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Any

from django.db.models import CharField, Count, F, Min, Q, QuerySet, Sum, Value
from django.db.models.functions import Cast, Coalesce, Concat
from django.utils import timezone

from refettle.book.kept_texts import kept
from refettle.book.models_orders import OrderLine
from refettle.book.models_prices import Offer, Sold
from refettle.book.models_stores import Lot, Movement, Part
from refettle.language import tr
from refettle.parts.capacitor import KINDS, MOUNTS, SAFETY_CLASSES, AtFrequency, CapacitorError, Rated
from refettle.parts.substitutes import Assessment, compare
from refettle.quantities import MINUS

Kind = Movement.Kind
USES = (Kind.USED, Kind.KIT)
DAYS_PER_YEAR = 365.25
LIKE_LOW, LIKE_HIGH = 0.75, 2.3
"""Capacitances, as parts of the original's, among which a stand-in is looked for; the rules of substitutes decide."""
MOST_LIKE = 200


# ---------------------------------------------------------------- on order


def open_lines() -> QuerySet[OrderLine]:
    """Lines of orders that were sent and of which pieces are still to come."""
    return OrderLine.objects.filter(
        order__sent__isnull=False,
        order__cancelled=None,
        order__closed=None,
        pieces__gt=F("received") + F("gone"),
    )


def on_order(parts: Iterable[int] | None = None) -> dict[int, int]:
    """Pieces still to come by part; of these parts or of all."""
    lines = open_lines() if parts is None else open_lines().filter(part__in=list(parts))
    rows = lines.values("part").annotate(coming=Sum(F("pieces") - F("received") - F("gone"))).order_by()
    return {row["part"]: row["coming"] for row in rows}


# ---------------------------------------------------------------- the ledger


@dataclass(frozen=True)
class LedgerLine:
    """One line of the ledger with what it left behind."""

    movement: Movement
    left: int
    """On hand after it."""
    left_quarantined: int
    words: str
    corrected: bool = False
    """True where a further line puts it right."""

    @property
    def change(self) -> str:
        """Of what is on hand: +20, −2, 0."""
        return f"{self.movement.on_hand:+d}".replace("-", MINUS) if self.movement.on_hand else "0"

    @property
    def moves(self) -> bool:
        """True where it may be put right: it moved some, and is no correction itself."""
        line = self.movement
        return bool(line.on_hand or line.quarantined) and line.corrects_id is None and not self.corrected


def ledger_lines(part: Part, lines: list[Movement]) -> list[LedgerLine]:
    """These lines, one after another and the newest first, with the running balance."""
    if not lines:
        return []
    newer = Movement.objects.filter(part=part, pk__gt=lines[0].pk).aggregate(a=Sum("on_hand"), b=Sum("quarantined"))
    left, aside = part.on_hand - (newer["a"] or 0), part.quarantined - (newer["b"] or 0)
    pks = [line.pk for line in lines]
    corrected = set(Movement.objects.filter(corrects__in=pks).values_list("corrects", flat=True))
    made = []
    for line in lines:
        made.append(LedgerLine(line, left, aside, line_words(line), line.pk in corrected))
        left -= line.on_hand
        aside -= line.quarantined
    return made


def line_words(line: Movement) -> str:
    """What a line of the ledger says, in words."""
    number, aside = abs(line.on_hand), abs(line.quarantined)
    job = tr("job {job}", job=line.job.number) if line.job else tr("a job")
    into = line.quarantined > 0 and not line.on_hand
    pieces, source = number or aside, kept(line.lot.source)
    match line.kind:
        case Kind.RECEIVED if source:
            if into:
                return tr("{n} received into quarantine from {source}", n=pieces, source=source)
            return tr("{n} received from {source}", n=pieces, source=source)
        case Kind.RECEIVED:
            return tr("{n} received into quarantine", n=pieces) if into else tr("{n} received", n=pieces)
        case Kind.DONOR:
            return tr("{n} taken from {source}, into quarantine", n=pieces, source=source or tr("a donor unit"))
        case Kind.USED:
            return tr("{n} used in {job}", n=number, job=job)
        case Kind.KIT:
            return tr("{n} into a kit", n=number)
        case Kind.RETURNED if line.job:
            if into:
                return tr("{n} come back from {job} into quarantine", n=pieces, job=job)
            return tr("{n} come back from {job}", n=pieces, job=job)
        case Kind.RETURNED:
            return tr("{n} come back into quarantine", n=pieces) if into else tr("{n} come back", n=pieces)
        case Kind.SCRAPPED:
            return tr("{n} scrapped out of quarantine", n=pieces) if aside else tr("{n} scrapped", n=pieces)
        case Kind.QUARANTINED:
            return tr("{n} put in quarantine", n=aside or number)
        case Kind.RELEASED:
            return tr("{n} released from quarantine", n=pieces)
        case Kind.COUNTED if not number:
            looked = line.note and line.note.startswith(LOOKED)
            return tr("looked at again") if looked else tr("counted: as the ledger says")
        case Kind.COUNTED if line.on_hand > 0:
            return tr("counted: {n} more than the ledger said", n=number)
        case Kind.COUNTED:
            return tr("counted: {n} fewer than the ledger said", n=number)
        case _:
            return tr("line {n} put right", n=line.corrects_id)


LOOKED = "Looked at again"
"""How the note of a line begins that says no count, but that a lot was looked at."""


# ---------------------------------------------------------------- use


@dataclass(frozen=True)
class Use:
    """How many went into jobs and kits: net of what came back and of what was put right."""

    used: int
    since: datetime
    """Begin of what was looked at: the first line of the ledger, or the begin of the time asked for."""
    takes: int
    """How often some were taken. What is taken at one time for one job is one taking, from however many lots."""


def _net() -> Q:
    """Lines that count as use, or take from it."""
    counted = (*USES, Kind.RETURNED)
    return Q(kind__in=counted) | Q(kind=Kind.CORRECTED, corrects__kind__in=counted)


def used_by_month(part: Part, months: int = 24, today: date | None = None) -> list[tuple[date, int]]:
    """Month -> how many went, the oldest first, months without use included."""
    today = today or timezone.localdate()
    first = _month_before(today.replace(day=1), months - 1)
    begins = [first]
    while begins[-1] <= today:
        begins.append((begins[-1] + timedelta(days=32)).replace(day=1))
    edges = [timezone.make_aware(datetime.combine(day, time())) for day in begins]
    sums = {f"m{n}": Sum("on_hand", filter=Q(at__gte=edges[n], at__lt=edges[n + 1])) for n in range(len(edges) - 1)}
    net = Movement.objects.filter(_net(), part=part, at__gte=edges[0]).aggregate(**sums)
    return [(day, max(-(net[f"m{n}"] or 0), 0)) for n, day in enumerate(begins[:-1])]


def _month_before(month: date, count: int) -> date:
    number = month.year * 12 + month.month - 1 - count
    return date(number // 12, number % 12 + 1, 1)


def uses(since: datetime, parts: Iterable[int] | None = None) -> dict[int, Use]:
    """Use since a moment, by part; only parts of which anything ever came or went."""
    lines = Movement.objects.all() if parts is None else Movement.objects.filter(part__in=list(parts))
    first: dict[int, datetime] = {}
    for row in lines.values("part").annotate(first=Min("at")).order_by():
        first[row["part"]] = row["first"]
    net: dict[int, int] = defaultdict(int)
    takes: dict[int, int] = defaultdict(int)
    text = CharField()
    taking = Concat(Cast("at", text), Value(" "), Coalesce(Cast("job", text), Value("")), output_field=text)
    of_one = lines.filter(_net(), at__gte=since).values("part", "kind", "who")
    for taken in of_one.annotate(n=Sum("on_hand"), c=Count(taking, distinct=True)).order_by():
        net[taken["part"]] -= taken["n"]
        takes[taken["part"]] += taken["c"] if taken["kind"] in USES else 0
    return {pk: Use(max(net[pk], 0), max(at, since), takes[pk]) for pk, at in first.items()}


# ---------------------------------------------------------------- prices


@dataclass(frozen=True)
class Price:
    """What a supplier asks now."""

    offer: Offer
    breaks: tuple[tuple[int, str], ...]


def prices(part: Part) -> list[Price]:
    """Current offers of the part, the cheapest for one first; currencies apart."""
    return prices_of([part])[part.pk]


def prices_of(parts: Iterable[Part]) -> dict[int, list[Price]]:
    """`prices` of each part by its id, with two questions to the database for all."""
    made: dict[int, list[Price]] = {part.pk: [] for part in parts}
    named: dict[tuple[int, str], set[int]] = {}
    for sold in Sold.objects.filter(part__in=made, ended=None):
        named.setdefault((sold.supplier_id, sold.sku), set()).add(sold.part_id)
    wanted = Q()
    for supplier, sku in named:
        wanted |= Q(supplier=supplier, sku=sku)
    offers = Offer.objects.filter(wanted, current=True, supplier__used=True).select_related("supplier")
    for offer in offers if named else ():
        for pk in named[offer.supplier_id, offer.sku]:
            made[pk].append(Price(offer, tuple((int(n), str(p)) for n, p in offer.breaks)))
    for each in made.values():
        each.sort(key=lambda price: (price.offer.currency, float(price.breaks[0][1]) if price.breaks else 0.0))
    return made


# ---------------------------------------------------------------- stand-ins


def rated_of(part: Part, stored: float | None = None) -> Rated | None:
    """A capacitor of the stores as its sheet gives it; None where it is none, or its figures are no capacitor's.

    `stored` [year] it has lain without voltage.
    """
    if part.kind not in KINDS or part.unit != Part.Unit.FARAD or part.amount is None:
        return None
    said: dict[str, Any] = part.rated or {}
    mm = {name: value / 1000 for name, value in _sizes(part).items() if value}
    try:
        return Rated(
            part.kind,
            part.amount,
            part.volt or None,
            celsius=part.celsius,
            tolerance=tuple(said["tolerance"]) if said.get("tolerance") else None,
            esr=_at(said.get("esr")),
            ripple=_at(said.get("ripple")),
            endurance=said.get("endurance"),
            leakage=said.get("leakage"),
            mount=part.mount if part.mount in MOUNTS else None,
            safety=frozenset(c for c in said.get("safety", ()) if c in SAFETY_CLASSES),
            stored=stored,
            name=part.code,
            **mm,
        )
    except (CapacitorError, TypeError, ValueError, KeyError):
        return None


def _sizes(part: Part) -> dict[str, float | None]:
    return {"pitch": part.pitch_mm, "diameter": part.diameter_mm, "height": part.height_mm}


def _at(said: Any) -> AtFrequency | None:
    """A figure with its frequency, kept as a mapping or as a list."""
    if not said:
        return None
    return AtFrequency(**said) if isinstance(said, dict) else AtFrequency(*said)


def _stored(parts: Iterable[int], today: date) -> dict[int, float]:
    """Years that the oldest lot on hand of each part has lain without voltage."""
    oldest: dict[int, date] = {}
    for pk, since, made in Lot.objects.filter(part__in=list(parts), on_hand__gt=0).values_list("part", "since", "made"):
        day = since or made
        if day is not None and day <= today:
            oldest[pk] = min(day, oldest.get(pk, day))
    return {pk: (today - day).days / DAYS_PER_YEAR for pk, day in oldest.items()}


@dataclass(frozen=True)
class StandIn:
    """A part that may be fitted in the place of another, and what there is to say about it."""

    part: Part
    assessment: Assessment


def stand_ins(part: Part, most: int = 8) -> list[StandIn]:
    """Capacitors free in the stores that may replace this one, the best first; where they are to sit is not known."""
    original = rated_of(part)
    if original is None:
        return []
    like = Part.objects.filter(
        unit=Part.Unit.FARAD,
        amount__gte=original.farad * LIKE_LOW,
        amount__lte=original.farad * LIKE_HIGH,
        kind__in=KINDS,
        on_hand__gt=F("reserved"),
    ).exclude(pk=part.pk)
    if original.volt:
        like = like.filter(volt__gte=original.volt * (1 - 1e-9))
    near = list(like.order_by("volt", "code")[:MOST_LIKE])
    stored = _stored([each.pk for each in near], timezone.localdate())
    rated = {each.code: (each, found) for each in near if (found := rated_of(each, stored.get(each.pk)))}
    assessed = compare(original, [found for _, found in rated.values()])
    return [StandIn(rated[a.candidate.name][0], a) for a in assessed if a.says != "refused"][:most]
