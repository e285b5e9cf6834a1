"""Log entries of proving: trials, cells that were not tested, trials wanted, soaks, the electrical safety record."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, model_validator

from refettle.book.entry_fields import Entry as EntryFields
from refettle.book.entry_fields import Number, Short, Text, Told
from refettle.language import tr

Count = Annotated[int, Field(ge=0, le=10_000)]


class Trial(EntryFields):
    """Trials of one line of the acceptance list in one condition: as a rule one good or one bad."""

    kind: Literal["trial"]
    row: Short
    condition: Short
    good: Count = 0
    bad: Count = 0
    note: Text = ""

    @model_validator(mode="after")
    def _at_least_one(self) -> Trial:
        if not self.good + self.bad:
            raise ValueError(tr("at least one trial, good or bad"))
        return self


class CellSaid(EntryFields):
    """What is said of a cell in place of trials."""

    kind: Literal["cell"]
    row: Short
    condition: Short
    said: Literal["not tested", "not present", "not applicable"]
    why: Text = ""

    @model_validator(mode="after")
    def _with_its_reason(self) -> CellSaid:
        if self.said == "not tested" and len(self.why.strip()) < 3:
            raise ValueError(tr("why: the reason it was not tested, which goes to the report word for word"))
        return self


class TrialsWanted(EntryFields):
    """How many good trials in a row one cell asks for, and why; a new condition makes a new cell."""

    kind: Literal["want"]
    row: Short
    condition: Short
    trials: Annotated[int, Field(ge=1, le=10_000)]
    why: Told


class Soak(EntryFields):
    """A soak begins, with the minutes it shall last, or ends, with what it showed."""

    kind: Literal["soak"]
    row: Short
    condition: Short
    what: Literal["started", "ended"]
    minutes: Annotated[Number, Field(gt=0, le=100_000)] | None = None
    outcome: Literal["good", "bad"] | None = None
    note: Text = ""

    @model_validator(mode="after")
    def _what_belongs(self) -> Soak:
        if (self.what == "started") != (self.minutes is not None):
            raise ValueError(tr("minutes with 'started', and only there"))
        if (self.what == "ended") != (self.outcome is not None):
            raise ValueError(tr("outcome with 'ended', and only there"))
        return self


class SafetyRecord(EntryFields):
    """The electrical safety test of a unit, with what was measured; or to whom it was referred."""

    kind: Literal["safety"]
    what: Literal["tested", "referred"]
    by: Told
    measured: dict[Short, Text] = {}
    instrument: Text = ""
    result: Literal["passed", "failed"] | None = None
    note: Text = ""

    @model_validator(mode="after")
    def _whole(self) -> SafetyRecord:
        if self.what == "referred":
            if self.measured or self.result is not None:
                raise ValueError(tr("a referral without measured and result; or what: tested"))
        elif not self.measured or self.result is None or len(self.instrument.strip()) < 3:
            raise ValueError(tr("a test with measured, instrument and result"))
        return self
