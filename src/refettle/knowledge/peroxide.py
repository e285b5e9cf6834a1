"""The dated file on hydrogen peroxide, read into what `refettle.whitening` computes with."""

from __future__ import annotations

from datetime import date
from functools import lru_cache
from importlib import resources
from typing import Annotated

from pydantic import Field

from refettle.knowledge.fields import Id, Name, NonNegative, Positive, Prose, Strict
from refettle.knowledge.parsing import read_text_file
from refettle.knowledge.reading import read_document
from refettle.whitening.law import AirLimit, Gate, HazardClass, PeroxideLaw

NAME = "peroxide.yaml"
Lines = Annotated[list[Prose], Field(min_length=1)]


class _Class(Strict):
    code: Annotated[str, Field(pattern=r"^H\d{3}$")]
    name: Name
    from_: Annotated[NonNegative, Field(alias="from")]
    below: Positive
    says: Name
    source: Name


class _Air(Strict):
    limit: Name
    ppm: Positive
    source: Name


class _Gate(Strict):
    says: Prose
    why: Prose


class _File(Strict):
    as_of: date
    public_percent: Positive
    licence_percent: Positive
    law: Name
    public_says: Prose
    pending: list[Prose]
    classes: Annotated[list[_Class], Field(min_length=1)]
    air: Annotated[list[_Air], Field(min_length=1)]
    never_mix: Lines
    never_seal: Lines
    never_leave: Lines
    gates: Annotated[dict[Id, _Gate], Field(min_length=1)]


@lru_cache(maxsize=1)
def load_peroxide() -> PeroxideLaw:
    """Law, classes and rules as shipped. KnowledgeError or ValueError if the file is broken."""
    file = resources.files("refettle.knowledge") / "library" / NAME
    read = _File.model_validate(read_document(read_text_file(file, NAME), NAME).data)
    return PeroxideLaw(
        as_of=read.as_of,
        public_percent=read.public_percent,
        licence_percent=read.licence_percent,
        law=read.law,
        public_says=" ".join(read.public_says.split()),
        pending=tuple(" ".join(each.split()) for each in read.pending),
        classes=tuple(HazardClass(c.code, c.name, c.from_, c.below, c.says, c.source) for c in read.classes),
        air=tuple(AirLimit(a.limit, a.ppm, a.source) for a in read.air),
        never_mix=tuple(read.never_mix),
        never_seal=tuple(read.never_seal),
        never_leave=tuple(read.never_leave),
        gates={key: Gate(key, gate.says, gate.why) for key, gate in read.gates.items()},
    )
