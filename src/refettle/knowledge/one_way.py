"""Steps that cannot be undone, and what each asks for before it is taken: `library/one-way.yaml`."""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from typing import Annotated, Literal

from pydantic import Field, model_validator

from refettle.knowledge.errors import KnowledgeError, Mistake
from refettle.knowledge.fields import Id, Name, Prose, Strict
from refettle.knowledge.loading import read_table
from refettle.language import tr, tr_in


class Ask(Strict):
    """One thing to be shown before the step, and how: said in words, by a photo, or by the job's saved data."""

    by: Literal["text", "photo", "saved"]
    ask: Prose


class OneWayStep(Strict):
    """A step that cannot be undone.

    `loses` says what is gone afterwards, `first` what to try before, `asks` what must be shown, `law` what the law of
    the place may say. The owner's consent is asked for wherever the unit is a customer's.
    """

    name: Name
    loses: Prose
    first: Prose
    asks: Annotated[dict[Id, Ask], Field(min_length=1)]
    law: Prose = ""
    cautions: list[Id] = []

    @model_validator(mode="after")
    def _one_saved(self) -> OneWayStep:
        if sum(ask.by == "saved" for ask in self.asks.values()) > 1:
            raise ValueError(tr("at most one ask by 'saved'"))
        return self


def asked_for(key: str) -> str:
    """What an id of `asks` is called in a log line, in the current language; one that is not known stays an id."""
    words = {
        "saved": tr_in("asked for", "saved"),
        "volts": tr_in("asked for", "volts"),
        "before": tr_in("asked for", "before"),
        "why": tr_in("asked for", "why"),
        "image": tr_in("asked for", "image"),
        "checksum": tr_in("asked for", "checksum"),
        "material": tr_in("asked for", "material"),
        "spot": tr_in("asked for", "spot"),
        "cracks": tr_in("asked for", "cracks"),
        "labels": tr_in("asked for", "labels"),
        "label": tr_in("asked for", "label"),
        "fault": tr_in("asked for", "fault"),
        "spare": tr_in("asked for", "spare"),
        "wiring": tr_in("asked for", "wiring"),
        "contact": tr_in("asked for", "contact"),
        "law": tr_in("asked for", "law"),
        "offered": tr_in("asked for", "offered"),
        "held": tr_in("asked for", "held"),
        "fit": tr_in("asked for", "fit"),
        "tried": tr_in("asked for", "tried"),
        "measures": tr_in("asked for", "measures"),
    }
    return words.get(key, key)


@lru_cache(maxsize=1)
def one_way_steps() -> Mapping[str, OneWayStep]:
    """The shipped steps by id, in the order of the file."""
    mistakes: list[Mistake] = []
    steps = read_table(OneWayStep, "one-way.yaml", mistakes)
    if mistakes:
        raise KnowledgeError(mistakes)
    return steps
