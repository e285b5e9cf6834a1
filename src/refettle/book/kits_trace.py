"""Ready kits: sold, used, recalled, taken apart; and the trace both ways, from kit to lots and from lot to kits.

A kit's parts left the stores when its bags were filled: selling or using it moves nothing again.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import datetime
from decimal import Decimal
from typing import Any

from django.conf import settings
from django.db import transaction
from django.utils import timezone

from refettle.book import stores
from refettle.book.kits_batch import kit_code, kits_in, pieces_in, put_back
from refettle.book.models_kits import Kit, KitLine, KitStep
from refettle.book.models_stores import Lot, Part
from refettle.book.store import StoreError
from refettle.book.stores_lots import price_of
from refettle.book.stores_moves import said
from refettle.language import SOURCE, speaking, tr

State = Kit.State
Kind = KitStep.Kind


@dataclass(frozen=True)
class FromLot:
    """Pieces of one lot in one kit."""

    line: KitLine
    lot: Lot
    pieces: int
    step: KitStep


@dataclass(frozen=True)
class IntoKit:
    """A kit that pieces of a lot went into; `kit` is None while it is on the bench."""

    code: str
    batch: int
    number: int
    pieces: int
    kit: Kit | None

    @property
    def state(self) -> str:
        """The kit's, or that it is being made."""
        return self.kit.state if self.kit is not None else "being made"


def find_kit(code: str) -> Kit:
    """A kit by its code, as on the label. Raises StoreError."""
    kit = Kit.objects.filter(code__iexact=code.strip()).select_related("batch__version", "job").first()
    if kit is None:
        raise StoreError(
            tr("kit: '{code}' found; allowed: the code on its label, of a kit that was checked", code=code[:40]), "kit"
        )
    return kit


def find_lot(number: int) -> Lot:
    """A lot by its number in the stores. Raises StoreError."""
    lot = Lot.objects.filter(pk=number).select_related("part").first()
    if lot is None:
        raise StoreError(tr("lot: {n} found; allowed: the number of a lot in the stores", n=number), "lot")
    return lot


def lots_of(kit: Kit) -> list[FromLot]:
    """What went into a kit, lot by lot, in the order of its lines."""
    steps = kit.batch.steps.filter(kind=Kind.FILLED, quantity__gt=0).select_related("line__part", "movement__lot__part")
    found = []
    for step in steps:
        pieces = pieces_in(step, kit.number)
        if pieces and step.movement is not None and step.line is not None:
            found.append(FromLot(step.line, step.movement.lot, pieces, step))
    return sorted(found, key=lambda each: (each.line.n, each.step.pk))


def kits_of(lot: Lot) -> list[IntoKit]:
    """The kits that a lot went into, by batch and number; those that are being made among them.

    Kits that were taken out of a batch before they were ready held parts of it no longer, and are left out.
    """
    steps = KitStep.objects.filter(movement__lot=lot, kind=Kind.FILLED, quantity__gt=0).select_related("batch")
    held: dict[tuple[int, int], int] = {}
    kits = {(k.batch_id, k.number): k for k in Kit.objects.filter(batch__steps__in=steps).distinct()}
    for step in steps:
        batch = step.batch
        for number in kits_in(step):
            key = (batch.pk, number)
            if key not in kits and (batch.dropped is not None or number > batch.count):
                continue
            held[key] = held.get(key, 0) + pieces_in(step, number)
    codes = {step.batch_id: step.batch for step in steps}
    return [
        IntoKit(kit_code(codes[batch], number), batch, number, pieces, kits.get((batch, number)))
        for (batch, number), pieces in sorted(held.items())
    ]


@contextmanager
def _changing(kit: Kit, allowed: tuple[str, ...]) -> Iterator[Kit]:
    """A transaction in which nobody else changes this kit, if it is in one of these states."""
    with transaction.atomic():
        fresh = Kit.objects.select_for_update().get(pk=kit.pk)
        if fresh.state not in allowed:
            raise StoreError(
                tr(
                    "kit: {code} is {state}; allowed: {allowed}",
                    code=fresh.code,
                    state=fresh.state,
                    allowed=", ".join(allowed),
                ),
                "kit",
            )
        yield fresh
        fresh.save()
        kit.refresh_from_db()


def sell(
    kit: Kit, *, to: str, price: Any = None, currency: str = "", at: datetime | None = None, note: str = ""
) -> None:
    """A ready kit sold. Raises StoreError."""
    buyer, amount = said(to, "sold to", 200, 1), price_of(price)
    with _changing(kit, (State.READY,)) as fresh:
        fresh.state, fresh.sold_to, fresh.sold_at = State.SOLD, buyer, at or timezone.now()
        fresh.price = None if amount is None else amount.quantize(Decimal("0.01"))
        fresh.currency = (currency or settings.REFETTLE_CURRENCY) if amount is not None else ""
        fresh.note = said(note, "note", 500)


@dataclass(frozen=True)
class Recall:
    """What a recall of a lot found: kits marked now, sold, used, on the bench, and those out of the way before."""

    lot: Lot
    marked: tuple[IntoKit, ...]
    sold: tuple[IntoKit, ...]
    used: tuple[IntoKit, ...]
    being_made: tuple[IntoKit, ...]
    others: tuple[IntoKit, ...]
    aside: int = 0
    left: int = 0
    """Of the lot put into quarantine now; still on hand, as they are promised to somebody."""


def reach(lot: Lot) -> Recall:
    """What a recall of this lot would reach; nothing is changed."""
    by: dict[str, list[IntoKit]] = {}
    for each in kits_of(lot):
        by.setdefault(each.state, []).append(each)
    others = [*by.get(State.RECALLED, []), *by.get(State.TAKEN_APART, [])]
    marked, sold, used, making = (
        tuple(by.get(name, [])) for name in (State.READY, State.SOLD, State.USED, "being made")
    )
    return Recall(lot, marked, sold, used, making, tuple(others))


def recall(lot: Lot, *, who: str, why: str) -> Recall:
    """Recall a lot: ready kits with parts of it are marked, so that none is sold; the others are listed.

    Kits on the bench are marked as they pass their second check. What is left of the lot goes into quarantine, as far
    as it is not promised.
    """
    who, reason = said(who, "who", 200, 1), said(why, "why", 300, 3)
    with transaction.atomic():
        if lot.recalled is None:
            lot.recalled = timezone.now()
            Lot.objects.filter(pk=lot.pk).update(recalled=lot.recalled)
        found = reach(lot)
        for each in found.marked:
            assert each.kit is not None
            with _changing(each.kit, (State.READY,)) as fresh:
                fresh.state = State.RECALLED
                with speaking(SOURCE):  # kept
                    note = f"{timezone.localdate()} {who}: lot {lot} of {lot.part}: {reason}"
                fresh.note = note[:500]
        part = Part.objects.select_for_update().get(pk=lot.part_id)
        lot.refresh_from_db(fields=["on_hand", "quarantined"])
        aside = min(lot.on_hand, part.free)
        if aside:
            stores.quarantine(part, aside, who=who, why=f"lot recalled: {reason}", lot=lot)
    return replace(found, aside=aside, left=lot.on_hand)


def take_apart(
    kit: Kit, *, who: str, bad: Mapping[int, int] | None = None, recalled: Lot | None = None, note: str = ""
) -> list[KitStep]:
    """The parts of a kit go back through the ledger into the lots they came from.

    Parameters
    ----------
    kit : Kit
        Ready, recalled, or sold and come back.
    who : str
    bad : mapping of int to int, optional
        Line -> pieces of it that do not go back.
    recalled : Lot, optional
        Parts of this lot go into quarantine.
    note : str

    Raises
    ------
    StoreError
        The kit is not here, or more pieces are bad than it holds.
    """
    who, left = said(who, "who", 200, 1), dict(bad or {})
    with _changing(kit, (State.READY, State.RECALLED, State.SOLD)) as fresh:
        held = lots_of(fresh)
        for n, pieces in left.items():
            there = sum(each.pieces for each in held if each.line.n == n)
            if not 0 <= pieces <= there:
                raise StoreError(
                    tr("line {n}: {pieces} bad pieces found; allowed: 0 to {most}", n=n, pieces=pieces, most=there),
                    tr("line {n}", n=n),
                )
        made = []
        for each in held:
            lost = min(left.get(each.line.n, 0), each.pieces)
            left[each.line.n] = left.get(each.line.n, 0) - lost
            if each.pieces - lost:
                aside = recalled is not None and each.lot.pk == recalled.pk
                words = f"{fresh.code} taken apart"
                made.append(
                    put_back(each.step, each.pieces - lost, who=who, kits=[fresh.number], note=words, quarantine=aside)
                )
        fresh.state = State.TAKEN_APART
        fresh.note = said(f"{fresh.note} {note}", "note", 500)
    return made
