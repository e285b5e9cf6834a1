"""What has lain so long that it is looked at before it is fitted: electrolytics, rubber, cells, what sticks.

An aluminium electrolytic loses oxide while it lies without voltage; makers' application notes take up to about two
years at 5 to 35 °C as needing no treatment, and after that ask for rated voltage through about 1 kΩ for 30 to 60
minutes (summary of makers' notes, not read in full; some distributors write five years and more). The other times are
common practice, no source, taken at their short end. A part's own `shelf_days` goes before all of them.

Time counts from the date code where there is one: parts lie at the maker's and the dealer's too.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from django.db.models import Exists, OuterRef, Q, QuerySet
from django.utils import timezone

from refettle.book.models_stores import Lot, Movement, Part
from refettle.book.store import StoreError
from refettle.book.stores import looked_at
from refettle.book.stores_facts import LOOKED
from refettle.language import mark, tr
from refettle.parts.capacitor import WET

SOON_DAYS = 60
"""What will be due within so many days is told beforehand."""


@dataclass(frozen=True)
class Rule:
    """After how many days a kind is looked at again, what to do then, and on whose word."""

    name: str
    days: int
    todo: str
    source: str
    cautions: tuple[str, ...] = ()
    kinds: tuple[str, ...] = ()
    words: tuple[str, ...] = ()


RULES = (
    Rule(
        mark("electrolytic"),
        730,
        mark("Re-form it: rated voltage through 1 kΩ for 30 to 60 minutes, then measure its leakage. Discharge it."),
        mark("makers’ application notes: about two years at 5 to 35 °C without treatment"),
        ("charged-capacitor", "burst"),
        kinds=tuple(sorted(WET)),
        words=("electrolytic",),
    ),
    Rule(
        mark("rubber"),
        3 * 365,
        mark("Bend and stretch it: no cracks, no shine, no stickiness, and it springs back. Measure a belt."),
        mark("common practice, no source: 3 to 5 years"),
        words=("belt", "rubber", "idler", "roller", "tyre", "grommet"),
    ),
    Rule(
        mark("cell"),
        5 * 365,
        mark("Measure its voltage under a small load; look for leakage at the rim."),
        mark("common practice, no source: 5 to 8 years"),
        ("lithium",),
        words=("cell", "battery", "batteries"),
    ),
    Rule(
        mark("what sticks"),
        365,
        mark("Try it on scrap: it must still flow, wet and set. Read the date on the tin."),
        mark("common practice, no source: 1 to 2 years"),
        words=("adhesive", "glue", "paste", "epoxy", "tape", "lacquer"),
    ),
)


@dataclass(frozen=True)
class Due:
    """A lot that is to be looked at."""

    lot: Lot
    part: Part
    since: date
    days: int
    """After so many days in store."""
    own: bool
    """True where the part's own time says so."""
    rule: Rule | None
    due: date
    late: bool

    @property
    def todo(self) -> str:
        """What to do."""
        return tr(self.rule.todo) if self.rule else tr("Look at it and try one before it is fitted.")

    @property
    def years(self) -> float:
        """Years it has lain when due."""
        return self.days / 365.25


def rule_of(part: Part) -> Rule | None:
    """The rule for a part's kind, if there is one; the kind as written, capacitors by theirs."""
    kind = part.kind.casefold()
    return next((r for r in RULES if kind in r.kinds or any(word in kind for word in r.words)), None)


def days_of(part: Part) -> int | None:
    """After how many days in store a part is looked at again; None: never."""
    if part.shelf_days is not None:
        return part.shelf_days or None
    rule = rule_of(part)
    return rule.days if rule else None


def lies_since(lot: Lot) -> date:
    """The day from which its time without use counts: when it was last looked at, else when it was made or came."""
    since = lot.since or timezone.localdate(lot.created)
    if lot.made is None or lot.made >= since:
        return since
    seen = getattr(lot, "seen", None)
    return since if (_looks(lot.pk).exists() if seen is None else seen) else lot.made


def _looks(lot: int | OuterRef) -> QuerySet[Movement]:
    """Lines that say a lot was looked at."""
    return Movement.objects.filter(lot=lot, kind=Movement.Kind.COUNTED, on_hand=0, note__startswith=LOOKED)


def due_of(lot: Lot, part: Part, today: date) -> Due | None:
    """When a lot is to be looked at; None where its kind keeps."""
    days = days_of(part)
    if days is None or not lot.on_hand:
        return None
    since = lies_since(lot)
    due = since + timedelta(days=days)
    return Due(lot, part, since, days, part.shelf_days is not None, rule_of(part), due, due <= today)


def due(today: date, soon_days: int = SOON_DAYS, parts: Iterable[int] | None = None) -> list[Due]:
    """Lots on hand that are due, or will be within `soon_days`; the longest overdue first."""
    kinds = Q(part__shelf_days__gt=0)
    for rule in RULES:
        kinds |= Q(part__shelf_days=None, part__kind__in=rule.kinds)
        for word in rule.words:
            kinds |= Q(part__shelf_days=None, part__kind__icontains=word)
    lots = Lot.objects.filter(kinds, on_hand__gt=0).select_related("part").annotate(seen=Exists(_looks(OuterRef("pk"))))
    if parts is not None:
        lots = lots.filter(part__in=list(parts))
    found = [each for lot in lots if (each := due_of(lot, lot.part, today)) is not None]
    until = today + timedelta(days=soon_days)
    return sorted((each for each in found if each.due <= until), key=lambda each: (each.due, each.part.code))


def done(lot: Lot, *, who: str, what: str, at: datetime | None = None) -> Movement:
    """A lot was looked at or re-formed and is good: a line of the ledger says so, and its time begins anew."""
    if len(" ".join(what.split())) < 3:
        raise StoreError(tr("what: nothing found; allowed: what was done and found, 3 characters or more"), "what")
    return looked_at(lot, who=who, what=f"{LOOKED}: {' '.join(what.split())}", at=at)
