"""The log entries of whitening: a photo read for yellowness, parts into a bath, turned, out again."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, model_validator

from refettle.book.entry_fields import Entry, Minutes, Number, Sha256, Short, Text, Told
from refettle.language import tr

Parts = Annotated[list[Short], Field(min_length=1, max_length=50)]
Points = Annotated[list[tuple[Number, Number]], Field(min_length=3, max_length=100)]
Percent = Annotated[Number, Field(gt=0, le=100)]
Yi = Annotated[Number, Field(ge=-300, le=500)]
Share = Annotated[Number, Field(ge=-10, le=10)]
Spread = Annotated[Number, Field(ge=0, le=500)]


class YellowFigures(Entry):
    """What one region of a photo read. `not_read`: why there is nothing."""

    yi: Yi | None = None
    plus_minus: Spread | None = None
    above: Yi | None = None
    above_plus_minus: Spread | None = None
    b_above: Yi | None = None
    ciede2000: Spread | None = None
    lightness: Annotated[Number, Field(ge=0, le=110)] | None = None
    spread: Spread | None = None
    remaining: Share | None = None
    remaining_plus_minus: Share | None = None
    not_read: Text = ""


class YellowRead(Entry):
    """A photo read for yellowness: regions as marked, each named as its part, and what each read.

    The photo is kept by its sha256, so that it can be read again; `version` says what read it.
    """

    kind: Literal["yellow"]
    photo: Sha256
    frame: Literal["card", "photo"] = "photo"
    regions: Annotated[dict[Short, Points], Field(min_length=1, max_length=50)]
    reference: Short | None = None
    taken: Literal["phone", "rig", "locked"] = "phone"
    neutral: Short = "ptfe"
    rough: bool = False
    first: Annotated[int, Field(ge=1)] | None = None
    figures: dict[Short, YellowFigures]
    version: Short
    note: Text = ""

    @model_validator(mode="after")
    def _regions_agree(self) -> YellowRead:
        if self.reference is not None and self.reference not in self.regions:
            raise ValueError(tr("a reference that is one of the regions: {regions}", regions=", ".join(self.regions)))
        if not set(self.figures) <= set(self.regions):
            raise ValueError(tr("figures of the regions only: {regions}", regions=", ".join(self.regions)))
        if self.rough and (self.reference is None or self.frame == "card"):
            raise ValueError(
                tr("a rough reading marked on the photo, with its patch of unexposed plastic as reference")
            )
        return self


class BathIn(Entry):
    """Parts put in to whiten: into a bath, under a cream, or into light alone. Cannot be undone.

    `go_ahead` is the number of the go-ahead for the step `whiten`; `gates` what was held to before it.
    """

    kind: Literal["bath-in"]
    batch: Short
    parts: Parts
    method: Literal["bath", "cream", "light only", "sun"] = "bath"
    percent: Percent | None = None
    litres: Annotated[Number, Field(gt=0, le=500)] | None = None
    lamp: Text = ""
    mw_cm2: Annotated[Number, Field(gt=0, le=1000)] | None = None
    turn_every: Annotated[Minutes, Field(gt=0)] = 60.0
    check_every: Annotated[Minutes, Field(gt=0)] = 60.0
    professional: bool = False
    gates: list[Short] = []
    go_ahead: Annotated[int, Field(ge=1)] | None = None
    without: Told | None = None
    note: Text = ""

    @model_validator(mode="after")
    def _whole(self) -> BathIn:
        if (self.go_ahead is None) == (self.without is None):
            raise ValueError(tr("exactly one of go_ahead, without"))
        if self.method in ("bath", "cream") and self.percent is None:
            raise ValueError(tr("percent, the strength in % w/w of what they lie in"))
        if self.method == "bath" and self.litres is None:
            raise ValueError(tr("litres, how much the bath holds"))
        if self.method == "light only" and self.percent is not None:
            raise ValueError(tr("no percent: light only is without peroxide"))
        if len(set(self.parts)) < len(self.parts):
            raise ValueError(tr("each part once"))
        return self


class Turned(Entry):
    """The parts of a batch turned, and the bath stirred."""

    kind: Literal["turned"]
    batch: Short
    note: Text = ""


class BathOut(Entry):
    """Parts taken out of a batch, all of this job's without `parts`: to look and go back, done, or given up."""

    kind: Literal["bath-out"]
    batch: Short
    parts: Annotated[list[Short], Field(max_length=50)] = []
    why: Literal["to look", "done", "given up"] = "to look"
    note: Text = ""
