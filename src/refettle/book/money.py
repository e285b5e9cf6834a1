"""Time and money of a job, from its log: the timer, what went out, quotes and answers, values, warranty, returns."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta
from decimal import Decimal
from typing import Any

from refettle.book.log import LogEntry, LogError
from refettle.book.money_entries import MONEY_ENTRIES
from refettle.language import tr

MONEY_KINDS = frozenset(MONEY_ENTRIES)
GUARDED = frozenset({"timer", "answer", "returned", "stage"})
"""Kinds that are refused where they do not follow from what the log says."""


@dataclass(frozen=True)
class Run:
    """One run of the timer. `minutes` is None while it runs, and where it ran over midnight and nobody said for how
    long: nothing is booked then, it is asked."""

    n: int
    started: datetime
    what: str = ""
    stop: int | None = None
    stopped: datetime | None = None
    minutes: float | None = None

    @property
    def asked(self) -> bool:
        """True if it was stopped on another day and its minutes are still to be said."""
        return self.stop is not None and self.minutes is None

    def over_midnight(self, now: datetime) -> bool:
        """True if it was started on another day than `now`."""
        return now.astimezone(self.started.tzinfo).date() != self.started.date()

    def so_far(self, now: datetime) -> float:
        """[min] since it was started."""
        return max(0.0, (now - self.started).total_seconds() / 60.0)


@dataclass(frozen=True)
class Outgoing:
    """Money paid."""

    n: int
    what: str
    amount: Decimal
    currency: str
    sort: str


@dataclass(frozen=True)
class Quoted:
    """A quote as given, with its answer if there is one. `agreed` is the ceiling that the owner accepted."""

    n: int
    at: datetime
    p50: Decimal
    p90: Decimal
    ceiling: Decimal
    currency: str
    scope: Mapping[str, str]
    valid_until: date
    options: Mapping[str, str]
    note: str
    answer: str = ""
    words: str = ""
    answered: int | None = None
    agreed: Decimal | None = None


@dataclass(frozen=True)
class Warranty:
    """The warranty given."""

    n: int
    days: int
    covers: str
    starts: date
    note: str = ""

    @property
    def ends(self) -> date:
        """The last day it holds."""
        return self.starts + timedelta(days=self.days)


@dataclass(frozen=True)
class Return:
    """The unit came back; `within` the warranty, or not; None where none was given."""

    n: int
    day: date
    why: str
    job: int | None
    within: bool | None


@dataclass
class Money:
    """Time and money of one job so far."""

    runs: list[Run] = field(default_factory=list)
    outgoings: list[Outgoing] = field(default_factory=list)
    quotes: list[Quoted] = field(default_factory=list)
    values: dict[str, Any] = field(default_factory=dict)
    warranty: Warranty | None = None
    returned: list[Return] = field(default_factory=list)
    part_out_agreed: bool = False

    @property
    def running(self) -> Run | None:
        """The timer, if it runs."""
        return self.runs[-1] if self.runs and self.runs[-1].stop is None else None

    @property
    def asked(self) -> list[Run]:
        """Runs over midnight whose minutes nobody has said."""
        return [run for run in self.runs if run.asked]

    @property
    def accepted(self) -> Quoted | None:
        """The last quote, if the owner accepted it; one since answered no, or given anew, no longer holds."""
        last = next((q for q in reversed(self.quotes) if q.answer), None)
        return last if last is not None and last.answer == "accepts" else None

    def paid(self, currency: str, sort: str | None = None) -> Decimal:
        """Outgoings in this currency, of one sort or of all."""
        return sum(
            (o.amount for o in self.outgoings if o.currency == currency and sort in (None, o.sort)), Decimal("0.00")
        )

    def foreign(self, currency: str) -> list[Outgoing]:
        """Outgoings in other currencies, which are not added up."""
        return [o for o in self.outgoings if o.currency != currency]

    def value(self, name: str, currency: str) -> Decimal | None:
        """A value given in this currency, or None."""
        found = self.values.get(name)
        return None if found is None or self.values.get("currency") != currency else Decimal(str(found))

    # ---------------------------------------------------------- the log

    def take(self, entry: LogEntry) -> float:
        """Take in one entry; the minutes that it adds to the job are returned [min]."""
        data = entry.data
        if entry.kind == "timer":
            return self._timer(entry)
        if entry.kind == "outgoing":
            amount = Decimal(data["amount"])
            self.outgoings.append(Outgoing(entry.n, data["what"], amount, data["currency"], data.get("sort", "other")))
        elif entry.kind == "quote":
            p50, p90, ceiling = (Decimal(data[k]) for k in ("p50", "p90", "ceiling"))
            until = date.fromisoformat(data["valid_until"])
            options, note = dict(data.get("options", {})), str(data.get("note", ""))
            self.quotes.append(
                Quoted(
                    entry.n, entry.at, p50, p90, ceiling, data["currency"], dict(data["scope"]), until, options, note
                )
            )
        elif entry.kind == "answer":
            self._answer(entry)
        elif entry.kind == "values":
            self.values = {**self.values, **data}
        elif entry.kind == "warranty":
            starts = date.fromisoformat(data["starts"]) if data.get("starts") else entry.at.date()
            self.warranty = Warranty(entry.n, data["days"], data["covers"], starts, str(data.get("note", "")))
        elif entry.kind == "returned":
            day = entry.at.date()
            within = None if self.warranty is None else self.warranty.starts <= day <= self.warranty.ends
            self.returned.append(Return(entry.n, day, data["why"], data.get("job"), within))
        return 0.0

    def _timer(self, entry: LogEntry) -> float:
        running = self.running
        if entry.data["do"] == "start":
            if running is None:
                self.runs.append(Run(entry.n, entry.at, str(entry.data.get("what", ""))))
            return 0.0
        if running is None:
            return 0.0
        minutes = entry.data.get("minutes")
        if minutes is None and not running.over_midnight(entry.at):
            minutes = running.so_far(entry.at)
        what = str(entry.data.get("what", "")) or running.what
        self.runs[-1] = replace(running, what=what, stop=entry.n, stopped=entry.at, minutes=minutes)
        return float(minutes or 0.0)

    def _answer(self, entry: LogEntry) -> None:
        data = entry.data
        if data.get("to") == "parting out":
            self.part_out_agreed = data["answer"] == "accepts"
            return
        for place, quoted in enumerate(self.quotes):
            if quoted.n == data["quote"]:
                agreed = Decimal(data["ceiling"]) if data.get("ceiling") is not None else quoted.ceiling
                self.quotes[place] = replace(
                    quoted,
                    answer=data["answer"],
                    words=data["words"],
                    answered=entry.n,
                    agreed=agreed if data["answer"] == "accepts" else None,
                )


def money_of(entries: Iterable[LogEntry]) -> Money:
    """Time and money after these entries, without working out any suspicion."""
    money = Money()
    for entry in entries:
        if entry.kind in MONEY_KINDS and not entry.void:
            money.take(entry)
    return money


def refuse_money(money: Money, content: Mapping[str, Any], at: datetime, customer: bool) -> None:
    """Refuse an entry that does not follow from what the log says of time and money.

    Raises
    ------
    LogError
        Naming the field, what was found, what is allowed.
    """
    kind = content["kind"]
    if kind == "timer":
        _refuse_timer(money, content, at)
    elif kind == "answer" and content.get("to", "quote") == "quote":
        numbers = [q.n for q in money.quotes]
        if content["quote"] not in numbers:
            allowed = ", ".join(map(str, numbers)) or tr("none: nothing was quoted yet")
            raise LogError(
                tr("quote: {n} found; allowed: the number of a quote: {allowed}", n=content["quote"], allowed=allowed),
                field="quote",
            )
    elif kind == "stage" and content["stage"] == "parted out" and customer and not money.part_out_agreed:
        raise LogError(
            tr(
                "stage: 'parted out' found, and the unit is a customer's; needed first: an entry 'answer' to parting "
                "out, in the owner's words"
            ),
            field="stage",
        )


def _refuse_timer(money: Money, content: Mapping[str, Any], at: datetime) -> None:
    running = money.running
    if content["do"] == "start":
        if running is not None:
            raise LogError(
                tr(
                    "do: 'start' found, while the timer runs since {since:%Y-%m-%d %H:%M}; allowed: stop",
                    since=running.started,
                ),
                field="do",
            )
        return
    if running is None:
        raise LogError(tr("do: 'stop' found, while no timer runs; allowed: start"), field="do")
    if at < running.started:
        raise LogError(
            tr(
                "at: {at:%Y-%m-%d %H:%M} found; allowed: after the start, {start:%Y-%m-%d %H:%M}",
                at=at,
                start=running.started,
            )
        )
    if content.get("minutes") is None and running.over_midnight(at):
        raise LogError(
            tr(
                "minutes: nothing found; needed, as the timer runs since {since:%Y-%m-%d %H:%M}, over midnight",
                since=running.started,
            ),
            field="minutes",
        )
