"""Log entries about parts from the stores: wanted, taken, brought back, wanted no longer."""

from __future__ import annotations

import re
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field, model_validator

from refettle.book.entry_fields import Entry, Number, Short, Text, Told
from refettle.book.money_entries import Currency, Day
from refettle.language import tr


def _listed(value: Any) -> Any:
    """Designators as typed in one line: C1, C4 C7."""
    return [ref for ref in re.split(r"[\s,;]+", value) if ref] if isinstance(value, str) else value


Refs = Annotated[list[Short], BeforeValidator(_listed), Field(max_length=200)]
Count = Annotated[int, Field(ge=1, le=10_000)]
Price = Annotated[Number, Field(ge=0, le=1_000_000)]
NumberOf = Annotated[int, Field(ge=1)]


class PartWanted(Entry):
    """Parts that the job needs: as typed, and by its code where the part is settled. `repair`: what they are for."""

    kind: Literal["part-wanted"]
    what: Short
    part: Annotated[str, Field(max_length=40)] = ""
    count: Count = 1
    refs: Refs = []
    by: Day | None = None
    repair: Annotated[str, Field(max_length=200)] = ""
    why: Text = ""


class PartTaken(Entry):
    """Parts taken out of the stores for the job, of one lot. `price`: of one, in `currency`, without it the bench's."""

    kind: Literal["part-taken"]
    wanted: NumberOf | None = None
    part: Annotated[str, Field(min_length=1, max_length=40)]
    lot: NumberOf
    count: Count
    refs: Refs = []
    price: Price | None = None
    currency: Currency | None = None
    repair: Annotated[str, Field(max_length=200)] = ""
    note: Text = ""

    @model_validator(mode="after")
    def _currency_of_a_price(self) -> PartTaken:
        if self.currency is not None and self.price is None:
            raise ValueError(tr("a currency with a price only"))
        return self


class PartReturned(Entry):
    """Parts that were taken and not used, brought back into their lot, or into quarantine."""

    kind: Literal["part-returned"]
    taken: NumberOf
    count: Count
    into: Literal["stock", "quarantine"] = "stock"
    why: Told


class PartLetGo(Entry):
    """Parts wanted no longer, as far as they were not taken; what was promised is let go."""

    kind: Literal["part-let-go"]
    wanted: NumberOf
    why: Told


class KitUsed(Entry):
    """A ready kit used. Its parts left the stores when it was made; `price` is theirs, in the bench's currency."""

    kind: Literal["kit-used"]
    kit: Annotated[str, Field(min_length=1, max_length=40)]
    refs: Refs = []
    price: Price | None = None
    repair: Annotated[str, Field(max_length=200)] = ""
    note: Text = ""


STORES_ENTRIES: dict[str, type[Entry]] = {
    "part-wanted": PartWanted,
    "part-taken": PartTaken,
    "part-returned": PartReturned,
    "part-let-go": PartLetGo,
    "kit-used": KitUsed,
}
