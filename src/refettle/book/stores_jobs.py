"""What a job wants of the stores and has taken: a pure function of its log. No database, no framework.

What is paid once is counted once: a designator for which a part was taken does not count the price in its `part-in`,
and a repair for which parts were taken does not count the estimate of the unit type.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from decimal import Decimal
from typing import Any

from refettle.book.log import LogEntry, LogError
from refettle.language import tr

STORES_KINDS = ("part-wanted", "part-taken", "part-returned", "part-let-go", "kit-used", "came-over")
MOVING = ("part-taken", "part-returned")
"""Entries that the ledger of the stores says as well."""


@dataclass(frozen=True)
class Want:
    """Parts wanted. `taken` for it so far; `let_go` says why it is wanted no longer."""

    n: int
    at: datetime
    who: str
    what: str
    part: str
    count: int
    refs: tuple[str, ...] = ()
    by: date | None = None
    repair: str = ""
    why: str = ""
    taken: int = 0
    let_go: str | None = None

    @property
    def left(self) -> int:
        """How many are still wanted."""
        return 0 if self.let_go is not None else max(0, self.count - self.taken)

    @property
    def state(self) -> str:
        """open, served or let go."""
        return "let go" if self.let_go is not None else "open" if self.left else "served"


@dataclass(frozen=True)
class Taken:
    """Parts taken, of one lot; `returned` of them came back."""

    n: int
    at: datetime
    who: str
    part: str
    lot: int
    count: int
    refs: tuple[str, ...] = ()
    price: float | None = None
    currency: str = ""
    wanted: int | None = None
    repair: str = ""
    returned: int = 0
    elsewhere: bool = False
    """Out of the stores of another bench, before the job came over."""

    @property
    def kept(self) -> int:
        """How many did not come back."""
        return self.count - self.returned

    @property
    def cost(self) -> float:
        """Of those kept."""
        return self.kept * (self.price or 0.0)


@dataclass(frozen=True)
class KitIn:
    """A kit used: the price of its parts, the designators it served."""

    n: int
    kit: str
    refs: tuple[str, ...] = ()
    price: float = 0.0
    repair: str = ""
    elsewhere: bool = False


@dataclass
class JobParts:
    """Wants and takings of one job, by the number of their entry."""

    wants: dict[int, Want] = field(default_factory=dict)
    taken: dict[int, Taken] = field(default_factory=dict)
    kits: dict[int, KitIn] = field(default_factory=dict)
    odd: list[tuple[int, str]] = field(default_factory=list)
    """Entries that do not follow from the others, and why."""
    came: int = 0
    """Up to this entry the job was at another bench, and moved nothing in the stores here."""

    @property
    def open(self) -> list[Want]:
        """Wants with something left."""
        return [want for want in self.wants.values() if want.left]

    @property
    def refs(self) -> frozenset[str]:
        """Designators for which a part was taken, and kept."""
        taken = [ref for each in self.taken.values() if each.kept for ref in each.refs]
        return frozenset([*taken, *(ref for each in self.kits.values() for ref in each.refs)])

    @property
    def repairs(self) -> frozenset[str]:
        """Repairs for which parts were taken, and kept."""
        kits = [each.repair for each in self.kits.values() if each.repair]
        return frozenset([*kits, *(each.repair for each in self.taken.values() if each.kept and each.repair)])

    @property
    def cost(self) -> float:
        """Of what was taken and kept, in the bench's currency."""
        kits = sum(each.price for each in self.kits.values())
        return kits + sum(each.cost for each in self.taken.values() if not each.currency)

    @property
    def foreign(self) -> list[Taken]:
        """Takings priced in a currency that the entry names."""
        return [each for each in self.taken.values() if each.currency and each.kept and each.price is not None]


def job_parts(entries: Iterable[LogEntry]) -> JobParts:
    """Wants and takings after these entries."""
    parts = JobParts()
    for entry in entries:
        if entry.kind in STORES_KINDS and not entry.void:
            _take(parts, entry)
    for each in parts.taken.values():
        if each.returned > each.count:
            parts.odd.append(
                (
                    each.n,
                    tr(
                        "count: {count} found, and {returned} came back; allowed: as many or more",
                        count=each.count,
                        returned=each.returned,
                    ),
                )
            )
    return parts


def _take(parts: JobParts, entry: LogEntry) -> None:
    data, n = entry.data, entry.n
    refs = tuple(data.get("refs", ()))
    if entry.kind == "part-wanted":
        by = date.fromisoformat(data["by"]) if data.get("by") else None
        part, repair, why = (str(data.get(k, "")) for k in ("part", "repair", "why"))
        count = data.get("count", 1)
        parts.wants[n] = Want(n, entry.at, entry.who, data["what"], part, count, refs, by, repair, why)
    elif entry.kind == "came-over":
        # What a want was settled on is another bench's code for a part: here it may be any other.
        parts.came = n
        parts.wants = {k: replace(want, part="") for k, want in parts.wants.items()}
        parts.taken = {k: replace(taken, elsewhere=True) for k, taken in parts.taken.items()}
        parts.kits = {k: replace(kit, elsewhere=True) for k, kit in parts.kits.items()}
    elif entry.kind == "kit-used":
        price, repair = float(data.get("price") or 0.0), str(data.get("repair", ""))
        parts.kits[n] = KitIn(n, data["kit"], refs, price, repair)
    elif entry.kind == "part-taken":
        wanted = data.get("wanted")
        want = parts.wants.get(wanted) if wanted is not None else None
        repair = str(data.get("repair", "")) or (want.repair if want else "")
        parts.taken[n] = Taken(
            n, entry.at, entry.who, data["part"], data["lot"], data["count"], refs or (want.refs if want else ()),
            data.get("price"), str(data.get("currency") or ""), wanted, repair,
        )  # fmt: skip
        if want is not None:
            parts.wants[want.n] = replace(want, taken=want.taken + data["count"])
        elif wanted is not None:
            parts.odd.append(
                (n, tr("wanted: {wanted} found; allowed: the number of an entry part-wanted", wanted=wanted))
            )
    elif entry.kind == "part-returned":
        taken = parts.taken.get(data["taken"])
        if taken is None:
            parts.odd.append(
                (n, tr("taken: {taken} found; allowed: the number of an entry part-taken", taken=data["taken"]))
            )
            return
        parts.taken[taken.n] = replace(taken, returned=taken.returned + data["count"])
        want = parts.wants.get(taken.wanted or 0)
        if want is not None:
            parts.wants[want.n] = replace(want, taken=want.taken - data["count"])
    elif entry.kind == "part-let-go":
        want = parts.wants.get(data["wanted"])
        if want is None:
            parts.odd.append(
                (n, tr("wanted: {wanted} found; allowed: the number of an entry part-wanted", wanted=data["wanted"]))
            )
        else:
            parts.wants[want.n] = replace(want, let_go=data["why"])


def refuse_parts(parts: JobParts, content: Mapping[str, Any]) -> None:
    """Refuse an entry that does not follow from what the log says of wants and takings.

    Raises
    ------
    LogError
        Naming the field, what was found, what is allowed.
    """
    kind, wanted = content["kind"], content.get("wanted")
    if kind == "part-let-go" or (kind == "part-taken" and wanted is not None):
        want = parts.wants.get(int(wanted or 0))
        numbers = ", ".join(str(w.n) for w in parts.open) or tr("none: nothing is wanted")
        if want is None or not want.left:
            if not want:
                raise LogError(
                    tr("wanted: {wanted} found; allowed: an open want: {numbers}", wanted=wanted, numbers=numbers),
                    field="wanted",
                )
            raise LogError(
                tr(
                    "wanted: {wanted} found, which is {state}; allowed: an open want: {numbers}",
                    wanted=wanted,
                    state=tr(want.state),
                    numbers=numbers,
                ),
                field="wanted",
            )
        if kind == "part-taken" and content["count"] > want.left:
            raise LogError(
                tr(
                    "count: {count} found; allowed: at most {most}, as are still wanted; take more without 'wanted'",
                    count=content["count"],
                    most=want.left,
                ),
                field="count",
            )
    elif kind == "part-returned":
        taken = parts.taken.get(content["taken"])
        if taken is not None and taken.elsewhere:
            raise LogError(
                tr(
                    "taken: {taken} found, which was taken at another bench; allowed: what was taken here. "
                    "Put it into the stores as a new lot",
                    taken=content["taken"],
                ),
                field="taken",
            )
        if taken is None or not taken.kept:
            numbers = ", ".join(str(t.n) for t in parts.taken.values() if t.kept) or tr("none: nothing was taken")
            raise LogError(
                tr("taken: {taken} found; allowed: what was taken: {numbers}", taken=content["taken"], numbers=numbers),
                field="taken",
            )
        if content["count"] > taken.kept:
            raise LogError(
                tr("count: {count} found; allowed: at most {most}", count=content["count"], most=taken.kept),
                field="count",
            )


def refuse_oddities(before: JobParts, after: JobParts) -> None:
    """Refuse corrections after which entries no longer follow from each other, where they did before."""
    new = [each for each in after.odd if each not in before.odd]
    if new:
        n, why = new[0]
        raise LogError(
            tr("after this, entry {n} would not hold: {why}; correct that one first", n=n, why=why), field="corrects"
        )


def amount_of(taken: Taken) -> Decimal:
    """What those kept cost, as an amount."""
    return Decimal(f"{taken.cost:.2f}")
