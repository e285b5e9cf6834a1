"""Steps that cannot be undone: what is still to be shown, and what is refused. Pure: no database and no framework."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from refettle.book.log import LogError
from refettle.knowledge.one_way import OneWayStep, one_way_steps
from refettle.language import tr


@dataclass(frozen=True)
class OneWay:
    """A step that cannot be undone in a job: its go-ahead, and the entry that says it was taken.

    `without` is the reason where it was taken without a go-ahead.
    """

    step: str
    what: str
    go_ahead: int | None = None
    taken: int | None = None
    without: str = ""

    @property
    def name(self) -> str:
        """The step's name, or its id where it is not known here."""
        known = one_way_steps().get(self.step)
        return known.name if known else self.step


def known_step(step: str) -> OneWayStep:
    """The step of this id. Raises LogError."""
    known = one_way_steps().get(step)
    if known is None:
        raise LogError(
            tr("step: '{step}' found; allowed: {steps}", step=step[:40], steps=", ".join(one_way_steps())), field="step"
        )
    return known


def refuse_go_ahead(
    content: Mapping[str, Any], data_settled: bool, customer: bool, unread: Collection[str] = ()
) -> None:
    """Refuse a go-ahead that does not show all that its step asks for.

    Parameters
    ----------
    content : mapping
        A checked `go-ahead` entry.
    data_settled : bool
        The data the unit holds was saved or waived in the log.
    customer : bool
        The unit is a customer's.
    unread : collection of str
        Names of cautions that gate the step and are not read in this job.

    Raises
    ------
    LogError
        Naming the first thing missing.
    """
    step = known_step(content["step"])
    if unread:
        raise LogError(
            tr(
                "step: {step} found; needed first: the caution read: {unread}", step=step.name, unread=", ".join(unread)
            ),
            field="step",
        )
    shown, photos = content.get("shown", {}), content.get("photos", {})
    for given, by, field in ((shown, "text", "shown"), (photos, "photo", "photos")):
        for key in given:
            if key not in step.asks or step.asks[key].by != by:
                asked = ", ".join(k for k, a in step.asks.items() if a.by == by) or tr("nothing")
                raise LogError(
                    tr(
                        "{field}: '{key}' found; {step}: asked for: {asked}",
                        field=field,
                        key=key[:40],
                        step=step.name,
                        asked=asked,
                    ),
                    field=field,
                )
    for key, ask in step.asks.items():
        if ask.by == "text" and key not in shown:
            raise LogError(
                tr("shown.{key}: nothing found; needed: {asked}", key=key, asked=ask.ask), field=f"shown.{key}"
            )
        if ask.by == "photo" and key not in photos:
            raise LogError(
                tr("photos.{key}: nothing found; needed: {asked}", key=key, asked=ask.ask), field=f"photos.{key}"
            )
        if ask.by == "saved" and not data_settled:
            raise LogError(
                tr("{key}: nothing found in the log; needed: an entry 'saved': {asked}", key=key, asked=ask.ask),
                field=key,
            )
    if customer and len(str(content.get("consent", "")).strip()) < 3:
        raise LogError(
            tr(
                "consent: nothing found; needed: the owner's consent, in what words and when, since the unit is a "
                "customer's"
            ),
            field="consent",
        )


def refuse_one_way(earlier: Iterable[OneWay], content: Mapping[str, Any]) -> None:
    """Refuse a step said to be taken on a go-ahead that is not there, is another step's, or is used up.

    Raises LogError.
    """
    known_step(content["step"])
    number = content.get("go_ahead")
    if number is None:
        return
    given = next((each for each in earlier if each.go_ahead == number), None)
    if given is None or given.step != content["step"]:
        raise LogError(
            tr(
                "go_ahead: {number} found; allowed: the number of a go-ahead for '{step}'",
                number=number,
                step=content["step"],
            ),
            field="go_ahead",
        )
    if given.taken is not None:
        raise LogError(
            tr(
                "go_ahead: {number} found, on which the step was taken in entry {taken}; allowed: a new go-ahead",
                number=number,
                taken=given.taken,
            ),
            field="go_ahead",
        )
