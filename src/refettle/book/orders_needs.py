"""What the next order must serve: wants of open jobs, kits to make, reorder points; less what is on its way to them.

A need is known by its key: `job:7:12` is entry 12 of job 7, `kit:3:1` line 1 of kit version 3, `reorder:40` the level
of part 40. Order lines keep the keys they serve, so that nothing is ordered a second time for the same need.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date

from django.db.models import F

from refettle.book import kits, reorder, wants
from refettle.book.models_kits import KitVersion
from refettle.book.models_orders import OrderLine
from refettle.book.models_stores import Part
from refettle.language import tr

FAR = date(9999, 1, 1)


@dataclass(frozen=True)
class Choice:
    """A part that would do; `why` in words, `check_first` where something is to be looked at before."""

    code: str
    why: str = ""
    check_first: bool = False


@dataclass(frozen=True)
class Needed:
    """One need. `quantity` is not promised from the stores yet; of it `coming` are on their way already.

    `quantity` of a reorder point is the level to be had, what is free included.
    """

    key: str
    whom: str
    what: str
    quantity: int
    by: date | None
    parts: tuple[Choice, ...]
    note: str = ""
    coming: int = 0
    orders: tuple[int, ...] = ()

    @property
    def kind(self) -> str:
        """job, kit or reorder."""
        return self.key.split(":", 1)[0]

    @property
    def left(self) -> int:
        """Still to be found: in the stores, or by a new order."""
        return self.quantity - self.coming

    @property
    def line(self) -> str:
        """Its name among all needs, in words."""
        words = f"{self.whom}: {self.what}"
        return f"{words[:150]} [{self.key}]"

    def codes(self, check_first: bool = False) -> list[str]:
        """Codes of the parts that would do, the best first."""
        return [each.code for each in self.parts if check_first or not each.check_first]


# ---------------------------------------------------------------- on its way


@dataclass
class Coming:
    """Pieces of an order line that are still to come; `left` of them are given to no need yet.

    `level` were ordered to lift the part's level, and are kept for it until `all_left`.
    """

    line: int
    order: int
    sent: bool
    code: str
    part: int
    pieces: int
    due: date | None
    serves: dict[str, int]
    left: int = 0
    level: int = 0

    def keep_for_level(self) -> None:
        """Set aside what was ordered to lift the level, as far as it is left."""
        wanted = sum(pieces for key, pieces in self.serves.items() if key.startswith("reorder:"))
        self.level = min(self.left, wanted)
        self.left -= self.level

    def all_left(self) -> int:
        """Give back what was set aside; all that is left then."""
        self.left, self.level = self.left + self.level, 0
        return self.left

    def give(self, wanted: int) -> int:
        """Give so many, or as many as are left."""
        given = max(0, min(wanted, self.left))
        self.left -= given
        return given


def coming(without_plan: int | None = None) -> list[Coming]:
    """What is still to come, of orders sent and of those not yet sent; the earliest first. One query."""
    lines = OrderLine.objects.filter(
        order__cancelled=None, order__closed=None, pieces__gt=F("received") + F("gone")
    ).select_related("order", "part")
    if without_plan is not None:
        lines = lines.exclude(order__plan=without_plan, order__sent=None)
    found = [
        Coming(
            x.pk, x.order.number, x.order.sent is not None, x.part.code, x.part_id, x.open, x.due or x.order.due,
            {str(key): int(pieces) for key, pieces in x.serves}, x.open,
        )
        for x in lines
    ]  # fmt: skip
    return sorted(found, key=lambda each: (each.due or FAR, each.line))


def give_as_ordered(lines: Sequence[Coming], key: str, wanted: int) -> list[tuple[Coming, int]]:
    """What was ordered for this very need."""
    given = []
    for each in lines:
        if key in each.serves and wanted > 0:
            number = each.give(min(wanted, each.serves[key]))
            wanted -= number
            if number:
                given.append((each, number))
    return given


def give_spare(
    lines: Sequence[Coming], codes: Iterable[str], wanted: int, by: date | None = None
) -> list[tuple[Coming, int]]:
    """What comes of these parts in time and is nobody's."""
    given, fit = [], set(codes)
    for each in lines:
        if wanted > 0 and each.code in fit and (by is None or each.due is None or each.due <= by):
            number = each.give(wanted)
            wanted -= number
            if number:
                given.append((each, number))
    return given


# ---------------------------------------------------------------- needs


def needs(today: date, without_plan: int | None = None) -> list[Needed]:
    """All needs, the most pressing first, with what is on its way to them; those that are served in full included.

    `without_plan`: orders made from this plan and not sent are looked past, to see what it was made for.
    """
    lines = coming(without_plan)
    first = sorted([*_of_jobs(), *_of_kits()], key=lambda each: (each.by or FAR, each.kind != "job", each.key))
    given = {each.key: give_as_ordered(lines, each.key, each.quantity) for each in first}
    for line in lines:
        line.keep_for_level()
    found = []
    for each in first:
        mine = given[each.key]
        rest = each.quantity - sum(n for _, n in mine)
        found.append(_with(each, [*mine, *give_spare(lines, each.codes(), rest, each.by)]))
    return [*found, *_of_levels(today, found, lines)]


def _with(need: Needed, given: Sequence[tuple[Coming, int]]) -> Needed:
    orders = dict.fromkeys(each.order for each, _ in given)
    return replace(need, coming=sum(n for _, n in given), orders=tuple(orders))


def _of_jobs() -> list[Needed]:
    found = []
    for each in wants.open_wants():
        quantity = each.left - each.reserved
        if quantity > 0:
            parts = tuple(
                Choice(m.code, "; ".join((m.says, *m.check_first)), bool(m.check_first)) for m in each.acceptable
            )
            what = tr("{part} for {places}", part=each.what, places=", ".join(each.refs)) if each.refs else each.what
            key = f"job:{each.job}:{each.entry}"
            found.append(Needed(key, tr("job {job}", job=each.job), what, quantity, each.by, parts, each.note))
    return found


def _of_kits() -> list[Needed]:
    wishes = list(kits.open_wishes())
    versions = KitVersion.objects.filter(pk__in={w.version_id for w in wishes}).prefetch_related("lines__part")
    found = []
    for version in versions.order_by("pk"):
        count = kits.to_make(version)
        days = [w.by for w in wishes if w.version_id == version.pk and w.by is not None]
        for line in version.lines.all() if count else ():
            parts = (
                Choice(line.part.code, tr("as the kit says")),
                *(Choice(str(code), tr("may stand in, by the kit's list")) for code in line.alternates),
            )
            what = tr("{code}, {pieces} in each of {kits} kits", code=line.part.code, pieces=line.quantity, kits=count)
            whom = tr("kit {kit}, v{version}", kit=version.name, version=version.number)
            found.append(Needed(f"kit:{version.pk}:{line.n}", whom, what, count * line.quantity,
                                min(days, default=None), parts))  # fmt: skip
    return found


def _of_levels(today: date, others: Sequence[Needed], lines: Sequence[Coming]) -> list[Needed]:
    """Parts that are low once the other needs are served from what is free."""
    levels = {pk: level for pk, level in reorder.levels(today).items() if level.at is not None}
    parts = Part.objects.in_bulk(list(levels))
    asked: dict[str, int] = {}
    for each in others:
        if codes := each.codes():
            asked[codes[0]] = asked.get(codes[0], 0) + each.left
    spare: dict[int, int] = {}
    for line in lines:
        spare[line.part] = spare.get(line.part, 0) + line.all_left()
    found = []
    for pk, level in sorted(levels.items()):
        part = parts.get(pk)
        if part is None:
            continue
        then = replace(level, available=part.free + spare.get(pk, 0) - asked.get(part.code, 0))
        if then.low:
            what = tr("{code}, to have {pieces}", code=part.code, pieces=then.available + then.order)
            wanted = then.available + then.order
            key = f"reorder:{pk}"
            need = Needed(key, tr("the stores"), what, wanted, None, (Choice(part.code),), level.why)
            found.append(_with(need, give_spare(lines, [part.code], need.quantity)))
    return [each for each in found if each.left > 0]


def free_of(codes: Iterable[str]) -> dict[str, int]:
    """Part -> pieces on hand that nobody was promised."""
    return {part.code: part.free for part in Part.objects.filter(code__in=set(codes))}
