"""What was done to a unit: repairs, steps that cannot be undone, parts, figures before and after, whitening. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import timedelta
from typing import Any

from refettle.book.handover_model import Done, Measured, Part, Whitened
from refettle.book.kept_texts import kept
from refettle.book.log import LogEntry
from refettle.book.state import JobState
from refettle.book.whitening import above
from refettle.knowledge.one_way import one_way_steps
from refettle.language import decimal, mark, spoken, tr
from refettle.whitening.stopping import DARK_DAYS

REPAIRS = ("repair", "part-in")
METHODS = {"bath": mark("bath"), "cream": mark("cream"), "light only": mark("light alone"), "sun": mark("sun")}


def _counted(state: JobState) -> list[LogEntry]:
    return [entry for entry in state.entries if not entry.void]


def done_of(state: JobState) -> tuple[Done, ...]:
    """Repairs, steps that cannot be undone and baths, in the order of the log."""
    made: list[Done] = []
    batches: set[tuple[str, ...]] = set()
    for entry in _counted(state):
        data, day = entry.data, entry.at.date()
        note = str(data.get("note", ""))
        if entry.kind == "repair":
            info = state.compiled.steps.get(data["repair"])
            kept = info is None or info.undo
            allowed = "" if kept else _consented(state, str(data["repair"]))
            made.append(Done(entry.n, day, spoken(info.name) if info else data["repair"], note, not kept, allowed))
        elif entry.kind == "one-way":
            known = one_way_steps().get(data["step"])
            name = spoken(known.name) if known else str(data["step"])
            made.append(Done(entry.n, day, f"{name}: {data['what']}", note, True, _allowed(data)))
        elif entry.kind == "bath-in" and (data["batch"], *data["parts"]) not in batches:
            batches.add((data["batch"], *data["parts"]))  # put back in after a look, it is the same batch
            method = tr(METHODS.get(str(data.get("method", "bath")), str(data.get("method"))))
            strength = f", {decimal(data['percent'], 'g')}\u202f% w/w" if data.get("percent") is not None else ""
            what = tr(
                "Whitening, {parts}: {method}{strength}",
                parts=", ".join(data["parts"]),
                method=method,
                strength=strength,
            )
            made.append(Done(entry.n, day, what, note, True, _allowed(data), whitening=True))
    return tuple(made)


def _allowed(data: Mapping[str, Any]) -> str:
    if data.get("without"):
        return tr("without a go-ahead: {without}", without=data["without"])
    return tr("on go-ahead {n}", n=data.get("go_ahead"))


def _consented(state: JobState, repair: str) -> str:
    said = [
        tr("consent: {text} (entry {n})", text=entry.data["text"], n=entry.n)
        if entry.kind == "consent"
        else tr("shown first: {text} (entry {n})", text=entry.data["text"], n=entry.n)
        for entry in _counted(state)
        if entry.kind in ("proof", "consent") and entry.data["repair"] == repair
    ]
    return "; ".join(said) or tr("no proof or consent is recorded")


def parts_of(state: JobState) -> tuple[Part, ...]:
    """Parts fitted: one for one with their places, and those of repairs."""
    made, out = [], {}
    for entry in _counted(state):
        data = entry.data
        if entry.kind == "part-out":
            out[data["ref"]] = str(data["value"])
        elif entry.kind == "part-in":
            price = None if data.get("price") is None else float(data["price"])
            old = out.pop(data["ref"], "")
            note = str(data.get("note", ""))
            made.append(Part(str(data["ref"]), str(data["value"]), old, price, str(data.get("why", "")), note))
        elif entry.kind == "repair":
            info = state.compiled.steps.get(data["repair"])
            listed = ", ".join(f"{count} × {spoken(name)}" for name, count, _ in info.parts) if info else ""
            price = float(data["parts"]) if data.get("parts") else None
            if listed or price is not None:
                why = (
                    tr("as listed for the repair, entry {n}", n=entry.n)
                    if listed
                    else tr("not named, entry {n}", n=entry.n)
                )
                made.append(Part(_block(state, data["repair"]), listed or tr("parts"), price=price, why=why))
    return tuple(made)


def _block(state: JobState, repair: str) -> str:
    """Of which block a repair's parts are; a repair of the whole unit stands under its own name."""
    info = state.compiled.steps.get(repair)
    if info is None or info.block not in state.compiled.loaded.blocks:
        return spoken(info.name) if info else repair
    return spoken(state.compiled.block_name(info.block))


# ---------------------------------------------------------------- figures


def measured_of(state: JobState) -> tuple[Measured, ...]:
    """Figures taken, by where: the last before the first repair, and the last after the last one.

    Without a repair all figures stand as before it. Those taken between two repairs are in the full record.
    """
    counted = _counted(state)
    repairs = [entry.n for entry in counted if entry.kind in REPAIRS]
    first, last = (repairs[0], repairs[-1]) if repairs else (None, None)
    before: dict[str, tuple[str, int]] = {}
    after: dict[str, tuple[str, int]] = {}
    for entry in counted:
        for where, value in _figures(state, entry):
            if first is None or entry.n < first:
                before[where] = value, entry.n
            elif last is not None and entry.n > last:
                after[where] = value, entry.n
    made = []
    for where in [*before, *(w for w in after if w not in before)]:
        (was, n_was), (is_now, n_now) = before.get(where, ("", None)), after.get(where, ("", None))
        made.append(Measured(where, was, is_now, n_was, n_now))
    return tuple(made)


def _figures(state: JobState, entry: LogEntry) -> list[tuple[str, str]]:
    data = entry.data
    if entry.kind == "check" and data.get("value"):
        info = state.compiled.steps.get(data["check"])
        name = spoken(info.name.removeprefix("Look: ")) if info else str(data["check"])
        where = f"{spoken(state.compiled.block_name(info.block))}: {name}" if info and not info.is_point else name
        return [(where, str(data["value"]))]
    if entry.kind == "reading":
        place = str(data["place"])
        blocks = state.compiled.loaded.blocks
        info = state.compiled.steps.get(place)
        name = blocks[place].name if place in blocks else info.name.removeprefix("Look: ") if info else place
        return [
            (f"{spoken(name)}: {kept(figure)}", kept(str(value))) for figure, value in data.get("figures", {}).items()
        ]
    if entry.kind == "first-power":
        rails = state.compiled.loaded.unit_type.power_on.rails
        return [
            (tr("{rail} to ground, unpowered", rail=spoken(rails[key].name) if key in rails else key), _ohm(float(ohm)))
            for key, ohm in data.get("rails_ohm", {}).items()
        ]
    return []


def _ohm(value: float) -> str:
    from refettle import quantities

    return quantities.show(value, "Ω", digits=4)


# ---------------------------------------------------------------- whitening


def whitened_of(state: JobState) -> tuple[Whitened, ...]:
    """Of each part that was read or lay in a batch: before, after, what is left, what came back in the dark."""
    book, made = state.whitening, []
    for part in book.parts:
        batch = book.batch_of(part)
        first = book.first_reading(part) or book.first_reading(part, rough=True)
        ended = batch is not None and part in batch.ended
        reads = [e for e in book.readings if above(e, part) is not None]
        last = reads[-1] if reads and first is not None and reads[-1].n != first.n else None
        hours = (
            batch.hours(part, batch.ended[part][0] if ended else reads[-1].at) if batch and (ended or reads) else 0.0
        )
        made.append(
            Whitened(
                part,
                _method(batch),
                round(hours, 1),
                _yellow(first, part),
                _yellow(last, part),
                _left(last, part),
                _later(state, part, ended),
            )
        )
    return tuple(made)


def _method(batch: Any) -> str:
    if batch is None:
        return tr("not whitened")
    strength = f", {decimal(batch.terms['percent'], 'g')}\u202f% w/w" if batch.terms.get("percent") is not None else ""
    return f"{tr(METHODS.get(batch.method, batch.method))}{strength}" + (f", {batch.lamp}" if batch.lamp else "")


def _yellow(entry: LogEntry | None, part: str) -> str:
    if entry is None:
        return ""
    figures = entry.data["figures"][part]
    off = f" ± {decimal(figures['above_plus_minus'], '.1f')}" if figures.get("above_plus_minus") is not None else ""
    yi = (decimal(figures["above"], "+.1f") + off).replace("-", "−")
    if entry.data.get("rough"):
        return tr("YI {yi} against unexposed, rough", yi=yi)
    return tr("YI {yi} against unexposed", yi=yi)


def _left(entry: LogEntry | None, part: str) -> str:
    figures = entry.data["figures"][part] if entry is not None else {}
    if figures.get("remaining") is None:
        return ""
    off = figures.get("remaining_plus_minus")
    spread = tr(", ± {off:.0f} points", off=100 * off) if off is not None else ""
    return tr(
        "{remaining:.0f}\u202f% of the yellowing left{spread}", remaining=100 * figures["remaining"], spread=spread
    )


def _later(state: JobState, part: str, ended: bool) -> str:
    """What is known of whether it lasts."""
    book = state.whitening
    batch = book.batch_of(part)
    if batch is None:
        return ""
    if not ended:
        return tr("the batch is not over")
    back = book.rebound_of(part)
    if back is not None:
        dark = book.dark_reading(part)
        now = above(dark, part) if dark is not None else None
        return tr("read again after {days:g} days in the dark", days=back.days) + (
            f": YI {now:+.1f}" if now is not None else ""
        )
    due = (batch.ended[part][0] + timedelta(days=DARK_DAYS)).date()
    return tr(
        "whether it comes back was not looked at yet: due {due:%Y-%m-%d}. Whitened plastic can yellow again", due=due
    )
