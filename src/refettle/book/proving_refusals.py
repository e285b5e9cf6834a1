"""What is refused of proving before it is written: entries that make no sense, a handover of what is not proven."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from refettle.book.log import LogError
from refettle.book.proving import Proving
from refettle.language import tr
from refettle.proving.counts import ProvingError


def refuse_proving(made: Proving, content: Mapping[str, Any]) -> None:
    """Refuse an entry of proving that the grid does not allow.

    Parameters
    ----------
    made : Proving
        As it stands.
    content : mapping
        The new entry's content, checked by `log.check_entry`.

    Raises
    ------
    LogError
        Naming the field, what was found, what is allowed.
    """
    kind = content["kind"]
    if kind == "safety":
        return
    row, condition = content["row"], content["condition"]
    line = made.lines.get(row)
    if line is not None and line.safety and kind in ("trial", "soak", "want"):
        raise LogError(
            tr("row: '{row}' found in a {kind}; allowed: an entry 'safety'", row=row, kind=kind), field="row"
        )
    if line is not None and line.minutes is not None and kind in ("trial", "want"):
        raise LogError(tr("row: '{row}' found in a {kind}; allowed: an entry 'soak'", row=row, kind=kind), field="row")
    if line is not None and line.minutes is None and kind == "soak":
        soaks = ", ".join(each.name for each in made.lines.values() if each.minutes is not None) or tr("no line is one")
        raise LogError(tr("row: '{row}' found in a soak; allowed: {soaks}", row=row, soaks=soaks), field="row")
    if kind == "soak":
        _refuse_soak(made, content)
    elif kind == "cell":
        try:
            cell = made.grid.cell(row, condition)
        except ProvingError as error:
            raise LogError(str(error), field="row") from None
        if cell.counts.tries:
            raise LogError(
                tr(
                    "said: '{said}' found for {name} with {counts}; allowed: what the trials say",
                    said=content["said"],
                    name=cell.name,
                    counts=cell.counts,
                ),
                field="said",
            )


def _refuse_soak(made: Proving, content: Mapping[str, Any]) -> None:
    runs = (content["row"], content["condition"]) in made.running
    if content["what"] == "started" and runs:
        raise LogError(tr("what: 'started' found while this soak runs; allowed: end it first"), field="what")
    if content["what"] == "ended" and not runs:
        running = ", ".join(f"{row}, {condition}" for row, condition in made.running) or tr("none runs")
        raise LogError(
            tr("what: 'ended' found, and this soak does not run; allowed: {running}", running=running), field="what"
        )


def refuse_handover(made: Proving, content: Mapping[str, Any], customer: bool) -> None:
    """Refuse 'handed over' while something fails or is open, without a reason; and a customer's mains unit without an
    electrical safety record or referral, whatever the reason. Raises LogError."""
    if customer and made.mains and not made.safe:
        why = tr("none recorded")
        if made.safety is not None:
            held = made.safety.get("result") == "passed"
            why = tr("recorded before the last repair or refit") if held else tr("the last test failed")
        raise LogError(
            tr(
                "stage: 'handed over' found for a customer's mains unit without an electrical safety "
                "record ({why}); allowed: an entry 'safety' first, a passed test or a referral to a "
                "qualified person; no reason stands in for it",
                why=why,
            ),
            field="stage",
        )
    if made.unproven and not str(content.get("why", "")).strip():
        raise LogError(
            tr(
                "stage: 'handed over' found with proving not done ({unproven}); allowed: prove it, say "
                "of each that it was not tested and why, or give the reason in 'why'",
                unproven=made.unproven,
            ),
            field="stage",
        )


def refuse_unsaying(before: Proving, after: Proving, stage: str, customer: bool) -> None:
    """Refuse a correction that takes the safety record from a customer's mains unit handed over. Raises LogError."""
    if stage == "handed over" and customer and before.mains and before.safe and not after.safe:
        raise LogError(
            tr(
                "corrects: the electrical safety record found, on which a customer's mains unit was handed over; "
                "allowed: correct the stage first"
            ),
            field="corrects",
        )
