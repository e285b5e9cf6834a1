"""The handover report of a job: collected from its log, claiming nothing that the log does not show.

`handover(job, state, entries)` gives plain values that pages, PDF, command line and JSON share. Where type and log no
longer fit (`state` None), it is the plain record: what stands in the log, and no claim at all. No database.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import date, datetime
from typing import TYPE_CHECKING, Any

from refettle.book.handover_found import found_of, verified_of
from refettle.book.handover_model import (
    Adapter,
    CameIn,
    Caution,
    Handover,
    Price,
    Proven,
    ProvenRow,
    Recorded,
    Safety,
    Standing,
    Unit,
    Warranty,
    headed,
)
from refettle.book.handover_photos import WORK, pairs_of, photos_of
from refettle.book.handover_work import done_of, measured_of, parts_of, whitened_of
from refettle.book.log import LogEntry, LogError, effective
from refettle.book.proving import AT_THE_BENCH, proving_cautions
from refettle.book.state import JobState
from refettle.language import spoken, tr

if TYPE_CHECKING:
    from refettle.book.models import Job

ENDS = ("handed over", "parted out")
Describe = Callable[[Mapping[str, Any]], Recorded]
"""An entry as the full record shows it."""
REMAINS = 0.05
"""Faults of the unit whose chance now is at least this are named as what may remain."""


def handover(
    job: Job,
    state: JobState | None,
    entries: Sequence[Mapping[str, Any]],
    made: date,
    *,
    trouble: str = "",
    currency: str = "",
    priced: bool = False,
    describe: Describe | None = None,
    without: frozenset[int] = frozenset(),
) -> Handover:
    """The report.

    Parameters
    ----------
    job : Job
        With its unit, type and owner.
    state : JobState or None
        None where type and log no longer fit; `trouble` says why.
    entries : sequence of mappings
        The whole log.
    made : date
        Of the report.
    currency : str
        Of the bench.
    priced : bool
        Show prices: of parts, the quote, the time.
    describe : callable, optional
        Puts an entry in words; without it the record stays empty.
    without : frozenset of int
        Numbers of entries whose photos are left out.
    """
    try:
        counted = state.entries if state is not None else effective(entries)
    except LogError as error:
        counted, trouble = [], trouble or str(error)
    photos = tuple(photo for photo in photos_of(counted) if photo.n not in without)
    hidden = {photo.sha256 for photo in photos_of(counted) if photo.n in without}
    base = Handover(
        job=job.number,
        unit=_unit(job, state),
        opened=_day(job.opened),
        closed=_day(job.closed) if job.closed else None,
        made=made,
        standing=_no_standing(counted, trouble),
        came=_came(counted, state),
        went=_went(counted),
        pairs=pairs_of(photos),
        photos=photos,
        record=_record(entries, describe, hidden),
        trouble=trouble,
    )
    if state is None:
        return base
    found, note = found_of(state)
    parts = parts_of(state)
    return replace(
        base,
        standing=_standing(state, base.unit.customer),
        found=found,
        found_note=note,
        verified=verified_of(state),
        done=done_of(state),
        parts=parts if priced else tuple(replace(part, price=None) for part in parts),
        measured=measured_of(state),
        whitened=whitened_of(state),
        proven=_proven(state),
        left_off=tuple((each.item, each.why_left) for each in state.ledger.lines.values() if _left(each)),
        wear=_wear(state, base),
        safety=_safety(state),
        adapter=_adapter(state),
        cautions=_cautions(state),
        warranty=_warranty(state),
        price=_price(state, currency) if priced else None,
    )


def _day(at: datetime) -> date:
    from django.utils import timezone

    return timezone.localtime(at).date()


def _left(line: Any) -> bool:
    return line.missing > 0 and bool(line.why_left)


def _unit(job: Job, state: JobState | None) -> Unit:
    unit, customer = job.unit, job.unit.owner.kind == "customer"
    return Unit(
        type=unit.type_version.name,
        label=unit.label,
        serial=unit.serial,
        owner=unit.owner.name,
        contact=unit.owner.contact if customer else "",
        customer=customer,
        maker=(state.compiled.loaded.unit_type.maker or "") if state is not None else "",
    )


# ---------------------------------------------------------------- where the job stands


def _no_standing(counted: Iterable[LogEntry], trouble: str) -> Standing:
    """Where nothing can be worked out: the last stage written, and that nothing is claimed."""
    stages = [entry for entry in counted if entry.kind == "stage" and not entry.void]
    stage = str(stages[-1].data["stage"]) if stages else "take-in"
    head = tr("Not worked out: the log no longer fits its unit type. This is the plain record; it claims nothing.")
    return Standing(stage, stage in ENDS, False, head, (trouble,) if trouble else ())


def _standing(state: JobState, customer: bool) -> Standing:
    made, against = state.proving, []
    if customer and made.mains and not made.safe:
        why = tr("the last one no longer holds") if made.safety else tr("none is recorded")
        against.append(
            tr(
                "a customer’s unit fed by mains without an electrical safety record or referral ({why}): "
                "it is not ready",
                why=why,
            )
        )
    if state.stage != "parted out":
        against += [tr("{point} fails", point=_point_name(state, point)) for point in sorted(state.failing)]
        if made.unproven:
            against.append(tr("proving: {reasons}", reasons=made.unproven))
    if left := state.ledger.left_over():
        against.append(tr("left over: {rest}", rest=left))
    if inside := state.whitening.in_tub:
        against.append(tr("parts in the tub: {parts}", parts=inside))
    stages = [entry for entry in state.entries if entry.kind == "stage" and not entry.void]
    last = stages[-1] if stages else None
    reason = str(last.data.get("why", "")) if last is not None and state.stage in ENDS else ""
    ended = state.stage in ENDS
    if state.stage == "parted out":
        head = tr("Parted out: the unit was taken for its parts. Nothing is claimed of it.")
    elif not ended:
        waits = tr(", waits for {waits_for}", waits_for=state.waits_for) if state.waits_for else ""
        open_now = "; ".join(against) or tr("all that is asked for was done; it was not handed over yet")
        head = tr(
            "Not finished: the job stands at “{stage}”{waits}; {open_now}.",
            stage=tr(state.stage),
            waits=waits,
            open_now=open_now,
        )
    elif against:
        head = tr("Handed over, and not all is proven: {reasons}.", reasons="; ".join(against))
    else:
        head = tr("Handed over.")
    ready = state.stage == "handed over" and not against
    return Standing(state.stage, ended, ready, head, tuple(against), reason)


def _point_name(state: JobState, point: str) -> str:
    step = state.compiled.steps.get(point)
    return spoken(step.name.removeprefix("Look: ") if step else point)


# ---------------------------------------------------------------- in and out


def _came(counted: Iterable[LogEntry], state: JobState | None) -> CameIn:
    told: dict[str, Any] = {}
    complaints = []
    for entry in counted:
        if entry.void:
            continue
        if entry.kind in WORK:
            break
        if entry.kind == "take-in":
            told = {**told, **entry.data}
        elif entry.kind == "complaint":
            point = str(entry.data["point"])
            step = state.compiled.steps.get(point) if state is not None else None
            name = step.name.removeprefix("Look: ") if step else point
            complaints.append((headed(name), spoken(str(entry.data["outcome"]))))
    return CameIn(
        said=str(told.get("said", "")),
        condition=_pairs(told.get("condition")),
        accessories=_pairs(told.get("accessories")),
        rattle=str(told.get("rattle", "")),
        smell=str(told.get("smell", "")),
        note=str(told.get("note", "")),
        complaints=tuple(complaints),
    )


def _pairs(told: Any) -> tuple[tuple[str, str], ...]:
    return tuple((str(k), str(v)) for k, v in sorted((told or {}).items()))


def _went(counted: Iterable[LogEntry]) -> tuple[tuple[str, str], ...]:
    """The condition as written down after the work began; empty where nobody did."""
    began = False
    told: dict[str, Any] = {}
    for entry in counted:
        if entry.void:
            continue
        began = began or entry.kind in WORK
        if began and entry.kind == "take-in":
            told = {**told, **entry.data.get("condition", {})}
    return _pairs(told)


def _wear(state: JobState, base: Handover) -> tuple[str, ...]:
    """What is known to remain: worn and damaged places, what is missing, faults that may still be there."""
    now = dict(base.came.condition) | dict(base.went)
    later = dict(base.went)
    said = []
    for part, how in sorted(now.items()):
        if how in ("worn", "damaged", "missing"):
            said.append(
                f"{spoken(part)}: {tr(how)}" + ("" if part in later else tr(" at take-in, and nothing said since"))
            )
        elif how == "not looked at":
            said.append(tr("{part}: not looked at", part=spoken(part)))
    accessories = dict(state.take_in.get("accessories") or {})
    said += [tr("{name}: missing", name=spoken(name)) for name, how in sorted(accessories.items()) if how == "missing"]
    if state.stage != "parted out" and (state.repairs_done or state.failed_before or state.failing):
        for suspect in state.suspects():
            if suspect.chance >= REMAINS and not suspect.bench and suspect.block != "other":
                mode = suspect.modes[0][1] if suspect.modes else ""
                said.append(
                    tr(
                        "may remain: {name}, {mode} ({chance:.0f}\u202f%, estimate)",
                        name=spoken(suspect.name),
                        mode=spoken(mode),
                        chance=100 * suspect.chance,
                    )
                )
    return tuple(said)


# ---------------------------------------------------------------- proving, safety, what the owner must know


def _proven(state: JobState) -> Proven:
    made = state.proving.statement
    return Proven(
        begun=state.proving.begun,
        text=made.text,
        rows=_rows(state),
        passed=made.passed,
        failed=made.failed,
        not_tested=made.lines("not tested"),
        still_open=made.lines("open"),
        open_rows=_open_rows(state),
        absent=made.absent,
    )


def _rows(state: JobState) -> tuple[ProvenRow, ...]:
    made = state.proving
    found: dict[str, list[str]] = {}
    for cell in made.grid.cells:
        if cell.status != "pass":
            continue
        line, key = made.lines[cell.row], (cell.row, cell.condition)
        where = "" if cell.condition == AT_THE_BENCH else f"{spoken(cell.condition)} "
        if line.safety:
            continue  # it stands by itself
        said = (
            f"{made.soaked.get(key, 0.0):.0f}\u202fmin"
            if line.minutes is not None
            else tr("{good} of {tries}", good=cell.counts.good, tries=cell.counts.tries)
        )
        found.setdefault(cell.row, []).append(where + said)
    return tuple(ProvenRow(spoken(name), tuple(cells)) for name, cells in found.items())


def _open_rows(state: JobState) -> tuple[ProvenRow, ...]:
    found: dict[str, list[str]] = {}
    for cell in state.proving.grid.cells:
        if cell.status == "open":
            where = [] if cell.condition == AT_THE_BENCH else [spoken(cell.condition)]
            some = tr("{good} of {needed} good", good=cell.counts.good, needed=cell.needed) if cell.counts.tries else ""
            found.setdefault(cell.row, []).append(" ".join([*where, some]).strip())
    return tuple(ProvenRow(spoken(name), tuple(c for c in cells if c)) for name, cells in found.items())


def _safety(state: JobState) -> Safety:
    made = state.proving
    record = made.safety
    if record is None:
        says = tr("No electrical safety test is recorded.")
        if not made.mains:
            says += tr(" The unit itself is not on the mains.")
        return Safety(made.mains, False, False, says)
    if record["what"] == "referred":
        says = tr("Not tested here: referred to {by}.", by=record["by"])
    else:
        measured = ", ".join(f"{name} {value}" for name, value in record.get("measured", {}).items())
        says = tr(
            "{result}: {measured}; by {by} with {instrument}.",
            result=tr(str(record.get("result", ""))).capitalize(),
            measured=measured,
            by=record["by"],
            instrument=record["instrument"],
        )
    if record.get("note"):
        says += f" {record['note']}"
    if not made.safe and record.get("result") == "passed":
        says += tr(" It no longer holds: the unit was repaired or opened since.")
    return Safety(made.mains, True, made.safe, says)


def _adapter(state: JobState) -> Adapter | None:
    facts = state.compiled.loaded.unit_type.adapter
    if facts is None:
        return None
    said = dict((state.first_power or {}).get("adapter", {}))
    confirmed = len(said) == 5 and set(said.values()) == {"matches"}
    return Adapter(facts.output, facts.volts, facts.amps, facts.polarity, facts.plug, confirmed)


def _cautions(state: JobState) -> tuple[Caution, ...]:
    known = state.compiled.loaded.library.cautions
    return tuple(
        Caution(c, known[c].name, known[c].hazard, tuple(known[c].do), known[c].defer)
        for c in proving_cautions(state.compiled.loaded.unit_type)
        if c in known
    )


def _warranty(state: JobState) -> Warranty | None:
    given = state.money.warranty
    return Warranty(given.days, given.covers, given.starts, given.ends, given.note) if given else None


def _price(state: JobState, currency: str) -> Price:
    last = state.money.quotes[-1] if state.money.quotes else None
    quoted = agreed = ""
    if last is not None:
        quoted = tr(
            "{p50} to {p90}, asked before {ceiling}\u202f{currency}",
            p50=last.p50,
            p90=last.p90,
            ceiling=last.ceiling,
            currency=last.currency,
        )
        agreed = (
            tr(
                "{answer}, up to {agreed}\u202f{currency}",
                answer=last.answer,
                agreed=last.agreed,
                currency=last.currency,
            )
            if last.agreed is not None
            else last.answer
        )
    return Price(currency, quoted, agreed, round(state.parts, 2), round(state.minutes, 1))


# ---------------------------------------------------------------- the full record


def _record(entries: Iterable[Mapping[str, Any]], describe: Describe | None, hidden: set[str]) -> tuple[Recorded, ...]:
    if describe is None:
        return ()
    made = (describe(entry) for entry in entries)
    return tuple(replace(each, photo="") if each.photo in hidden else each for each in made)
