"""Entries about time and money. Amounts are decimal strings with two digits, and name their currency."""

from __future__ import annotations

from datetime import date
from decimal import Decimal, InvalidOperation
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field, model_validator

from refettle.book.entry_fields import Entry, Minutes, Number, Short, Text, Told
from refettle.language import tr

MOST = Decimal(10_000_000)


def amount_text(value: Any) -> str:
    """An amount as typed or read, as a decimal string with two digits. Raises ValueError."""
    if isinstance(value, bool) or not isinstance(value, str | int | float | Decimal):
        raise ValueError(tr("an amount such as 12.50"))
    try:
        amount = Decimal(str(value).strip().replace(",", "."))
    except InvalidOperation:
        raise ValueError(tr("an amount such as 12.50")) from None
    if not amount.is_finite() or not 0 <= amount <= MOST or amount != round(amount, 2):
        raise ValueError(
            tr("an amount such as 12.50, from 0 to {most}, with at most two digits after the point", most=MOST)
        )
    return f"{abs(amount):.2f}"


def _day(value: Any) -> Any:
    try:
        return date.fromisoformat(str(value)).isoformat()
    except ValueError:
        raise ValueError(tr("a day such as 2031-03-02")) from None


Amount = Annotated[str, BeforeValidator(amount_text)]
Currency = Annotated[str, Field(pattern=r"^[A-Z]{3}$")]
Day = Annotated[str, BeforeValidator(_day)]
Scope = Literal["make safe", "make work", "preventive", "cosmetic", "convert"]


class Timer(Entry):
    """The timer started or stopped. `minutes`: what is to count, instead of what the clock says."""

    kind: Literal["timer"]
    do: Literal["start", "stop"]
    what: Text = ""
    minutes: Minutes | None = None

    @model_validator(mode="after")
    def _minutes_at_the_stop(self) -> Timer:
        if self.do == "start" and self.minutes is not None:
            raise ValueError(tr("minutes only with stop"))
        return self


class OutgoingPaid(Entry):
    """Money paid for the job that no repair or part names."""

    kind: Literal["outgoing"]
    what: Short
    amount: Amount
    currency: Currency
    sort: Literal["parts", "post", "fee", "other"] = "other"
    note: Text = ""


class QuoteMade(Entry):
    """What the owner was quoted: the whole job as a range, and the ceiling to stop and ask at."""

    kind: Literal["quote"]
    p50: Amount
    p90: Amount
    ceiling: Amount
    currency: Currency
    scope: Annotated[dict[Scope, Text], Field(min_length=1)]
    valid_until: Day
    options: dict[Short, Text] = {}
    note: Text = ""

    @model_validator(mode="after")
    def _in_order(self) -> QuoteMade:
        if not Decimal(self.p50) <= Decimal(self.p90) <= Decimal(self.ceiling):
            raise ValueError(tr("p50 at most p90, and p90 at most the ceiling"))
        return self


class Answered(Entry):
    """The owner's answer to a quote, or to parting the unit out, and in what words."""

    kind: Literal["answer"]
    to: Literal["quote", "parting out"] = "quote"
    answer: Literal["accepts", "declines", "asks"]
    words: Told
    quote: Annotated[int, Field(ge=1)] | None = None
    ceiling: Amount | None = None

    @model_validator(mode="after")
    def _to_what(self) -> Answered:
        if self.to == "quote" and self.quote is None:
            raise ValueError(tr("the number of the quote that is answered"))
        return self


class ValuesGiven(Entry):
    """What the unit cost, and what it is thought to bring; a later field replaces the earlier one."""

    kind: Literal["values"]
    currency: Currency
    bought: Amount | None = None
    working: Amount | None = None
    as_is: Amount | None = None
    for_parts: Amount | None = None
    sold: Amount | None = None
    post: Amount | None = None
    fee_percent: Annotated[Number, Field(ge=0, le=100)] | None = None


class WarrantyGiven(Entry):
    """The warranty on the work done: how long, on what, from when (by default the day of the entry)."""

    kind: Literal["warranty"]
    days: Annotated[int, Field(ge=1, le=3650)]
    covers: Told
    starts: Day | None = None
    note: Text = ""


class CameBack(Entry):
    """The unit came back after it was handed over. `job`: the job that was opened for it."""

    kind: Literal["returned"]
    why: Told
    job: Annotated[int, Field(ge=1)] | None = None


MONEY_ENTRIES: dict[str, type[Entry]] = {
    "timer": Timer,
    "outgoing": OutgoingPaid,
    "quote": QuoteMade,
    "answer": Answered,
    "values": ValuesGiven,
    "warranty": WarrantyGiven,
    "returned": CameBack,
}
