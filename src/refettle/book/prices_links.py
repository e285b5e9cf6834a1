"""Which part of the stores a supplier's number is: proposed from the words of its list, said by a person."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass

from django.db import IntegrityError, transaction
from django.utils import timezone

from refettle.book.models_prices import Offer, Sold, Supplier
from refettle.book.models_stores import Part
from refettle.book.prices import PriceError
from refettle.book.stores_search import ROUNDING, read
from refettle.language import tr
from refettle.parts.capacitor import KINDS

MOST_READ = 4_000
"""Numbers looked at in one go."""
_KINDS: dict[str, str] = {
    **{str(kind): str(kind) for kind in KINDS}, "electrolytic": "aluminium", "elko": "aluminium", "elco": "aluminium",
    "resistor": "resistor", "widerstand": "resistor", "coil": "coil", "choke": "coil", "inductor": "coil",
    "crystal": "crystal", "quartz": "crystal", "tantal": "tantalum", "foil": "film", "polyester": "film",
    "belt": "belt", "fuse": "fuse", "regulator": "regulator",
}  # fmt: skip
_AKIN = {"aluminium": {"aluminium", "low-impedance", "bipolar", "polymer", "electrolytic"}}


@dataclass(frozen=True)
class Proposal:
    """A part that a supplier's number may be, with the reasons; nothing is linked by it."""

    offer: Offer
    part: Part
    reasons: tuple[str, ...]
    points: int


@dataclass(frozen=True)
class Proposed:
    """Proposals, one for each number; `after` is the id to go on from, 0 at the end."""

    proposals: tuple[Proposal, ...]
    after: int = 0


def unlinked(supplier: Supplier, after: int = 0) -> list[Offer]:
    """Numbers of the current list that are no part yet, up to MOST_READ."""
    sold = Sold.objects.filter(supplier=supplier, ended=None).values("sku")
    rows = Offer.objects.filter(supplier=supplier, current=True, pk__gt=after).exclude(sku__in=sold)
    return list(rows.order_by("pk")[:MOST_READ])


def propose(supplier: Supplier, most: int = 40, after: int = 0) -> Proposed:
    """The best part for each number that fits one by value, voltage and kind, or by its code; in the list's order."""
    parts = list(Part.objects.all())
    by_unit: dict[str, list[Part]] = defaultdict(list)
    for part in parts:
        if part.amount is not None:
            by_unit[part.unit].append(part)
    by_code = {part.code.casefold(): part for part in parts if len(part.code) >= 3}
    rows = unlinked(supplier, after)
    made: list[Proposal] = []
    for offer in rows:
        best = max(_fitting(offer, by_unit, by_code), key=lambda each: each.points, default=None)
        if best is not None:
            made.append(best)
            if len(made) == most:
                return Proposed(tuple(made), offer.pk)
    return Proposed(tuple(made), rows[-1].pk if len(rows) == MOST_READ else 0)


def _fitting(offer: Offer, by_unit: dict[str, list[Part]], by_code: dict[str, Part]) -> Iterable[Proposal]:
    text = f"{offer.name} {offer.sku}" if not offer.name else offer.name
    for word in {offer.sku.casefold(), *re.split(r"[\s,;()]+", text.casefold())}:
        if word in by_code:
            yield Proposal(offer, by_code[word], (tr("its code {code} is in the line", code=by_code[word].code),), 6)
    words = set(re.findall(r"[a-zäöü-]+", text.casefold()))
    kinds = {_KINDS[w] for w in words if w in _KINDS}
    query = read(text)
    for meant in query.meant[:2]:
        for part in by_unit.get(meant.unit, ()):
            if part.amount is None or abs(part.amount - meant.amount) > ROUNDING * meant.amount:
                continue
            reasons, points = [tr("the value is the same")], 2
            if meant.volt and part.volt:
                if abs(meant.volt - part.volt) > 0.5:
                    continue
                reasons, points = [tr("value and voltage are the same")], 4
            elif part.volt:
                reasons.append(tr("the line names no voltage"))
            if kinds and part.kind:
                if not any(part.kind == k or part.kind in _AKIN.get(k, ()) for k in kinds):
                    continue
                reasons.append(tr("both are {kind}", kind=part.kind))
                points += 1
            elif meant.unit == "ohm" and not kinds:
                points -= 1
            if query.celsius and part.celsius and abs(query.celsius - part.celsius) > 0.5:
                reasons.append(
                    tr(
                        "the part is for {celsius:g} °C, the line says {line:g}",
                        celsius=part.celsius,
                        line=query.celsius,
                    )
                )
                points -= 1
            yield Proposal(offer, part, tuple(reasons), points)


def link(supplier: Supplier, pairs: Iterable[tuple[str, int]], who: str) -> int:
    """Say that these numbers are these parts; all or none. Gives how many were new. Raises PriceError."""
    made = 0
    with transaction.atomic():
        for sku, key in pairs:
            part = Part.objects.filter(pk=key).first()
            if part is None:
                raise PriceError(tr("part: number {key} found; allowed: one of the stores", key=key), "part")
            if not Offer.objects.filter(supplier=supplier, sku=sku).exists():
                raise PriceError(
                    tr(
                        "number: '{sku}' found; allowed: one in a list of {supplier}",
                        sku=sku[:80],
                        supplier=supplier.name,
                    ),
                    "sku",
                )
            there = Sold.objects.filter(supplier=supplier, sku=sku, ended=None).select_related("part").first()
            if there is not None and there.part_id == key:
                continue
            if there is not None:
                raise PriceError(
                    tr("number: '{sku}' is {code} already; allowed: let that go first", sku=sku, code=there.part.code),
                    "sku",
                )
            try:
                with transaction.atomic():
                    Sold.objects.create(supplier=supplier, sku=sku, part=part, who=who)
            except IntegrityError:
                raise PriceError(tr("number: '{sku}' was linked by somebody else just now", sku=sku), "sku") from None
            made += 1
    return made


def unlink(supplier: Supplier, sku: str) -> bool:
    """The number is that part no longer; that it was is kept. False where it was none."""
    return bool(Sold.objects.filter(supplier=supplier, sku=sku, ended=None).update(ended=timezone.now()))
