"""A capacitor's bench readings from a form: judged, and as an entry for the log."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from refettle import quantities
from refettle.book.log import LogError
from refettle.book.state import JobState
from refettle.faults import GOOD
from refettle.language import SOURCE, speaking, spoken, tr
from refettle.parts.capacitor import CapacitorError
from refettle.parts.capacitor_text import read_capacitor
from refettle.parts.health_readings import UNITS, WORDS, BenchReading, Quantity, Seen, Verdict, judge
from refettle.web.boards import BlockLink

SEEN: tuple[Seen, ...] = ("clean", "leaked", "domed", "vented", "cracked")
AT: dict[str, tuple[Quantity, str]] = {
    "c": ("capacitance", "120"),
    "esr": ("esr", "100k"),
    "tan": ("dissipation", "120"),
    "leakage": ("leakage", ""),
}
"""Form field -> quantity, and the frequency it is usually taken at."""


@dataclass(frozen=True)
class Judgement:
    """Readings judged, and the entry they make: a graded check of a block, or a note."""

    verdict: Verdict
    entry: dict[str, Any]
    counts_for: str


def judgement(state: JobState, ref: str, link: BlockLink | None, form: Mapping[str, Any]) -> Judgement:
    """Judge what was typed for one capacitor.

    Raises
    ------
    LogError
        Naming the field, what was found, what is allowed.
    """
    part = str(form.get("part", "")).strip()
    try:
        rated = read_capacitor(part)
    except CapacitorError as error:
        raise LogError(tr("Part: {error}", error=error), field="part") from None
    readings = [r for name in AT if (r := _reading(name, form)) is not None]
    seen = _seen(str(form.get("seen", "")))
    if not readings and seen is None:
        raise LogError(tr("Reading: nothing found; allowed: at least one reading, or what a look shows"), field="c")
    try:
        verdict = judge(rated, readings, seen=seen, reformed=form.get("reformed") == "yes")
    except CapacitorError as error:
        raise LogError(tr("Reading: {error}", error=error), field="c") from None
    with speaking(SOURCE):  # what is kept says the same whatever language it is shown in
        kept = judge(rated, readings, seen=seen, reformed=form.get("reformed") == "yes")
        text = "; ".join(t for t in (kept.text, f"seen: {seen}" if seen else "") if t)
    value = f"{ref}, {part}: {text}"
    why_not = _why_not(link, verdict)
    if link is None or why_not:
        return Judgement(
            verdict,
            {"kind": "note", "text": f"{value}. By its readings: {kept.says}."},
            why_not,
        )
    check = str(form.get("check") or (link.meant if readings else link.look))
    known = {c: name for c, name, _ in link.checks}
    if check not in known:
        raise LogError(
            tr("Check: '{check}' found; allowed: {known}", check=check[:60], known=", ".join(known)), field="check"
        )
    model = state.compiled.model
    bad = [o for o in model.checks[model.check_index[check]].outcomes if o != GOOD]
    likelihood = {o: round(v, 6) for o, v in verdict.likelihood(bad).items()}
    entry = {"kind": "check", "check": check, "likelihood": likelihood, "value": value[:20_000]}
    return Judgement(
        verdict, entry, tr("It counts as “{check}” of {block}.", check=spoken(known[check]), block=spoken(link.name))
    )


def _why_not(link: BlockLink | None, verdict: Verdict) -> str:
    """Why the readings are noted and count as no check; empty where they count."""
    if link is None:
        return tr("No block of this unit type names this part, so it is a note and moves no suspicion.")
    if not link.checks:
        return tr(
            "{block} has no check without power, so it is a note and moves no suspicion.", block=spoken(link.name)
        )
    if verdict.odds == 1.0:
        return tr("It says neither good nor bad, so it is a note and moves no suspicion.")
    if verdict.odds > 1.0 and not link.alone:
        return tr(
            "{block} is more parts than this one: a good one clears only itself, so it is a note.",
            block=spoken(link.name),
        )
    return ""


def _seen(text: str) -> Seen | None:
    found = next((s for s in SEEN if s == text), None)
    if text and found is None:
        raise LogError(tr("Look: '{text}' found; allowed: {seen}", text=text[:40], seen=", ".join(SEEN)), field="seen")
    return found


def _reading(name: str, form: Mapping[str, Any]) -> BenchReading | None:
    text = str(form.get(name, "")).strip()
    if not text:
        return None
    quantity, _ = AT[name]
    value = _quantity(text, UNITS[quantity], spoken(WORDS[quantity]))
    celsius = _quantity(str(form.get("celsius", "")) or "20", "°C", tr("Temperature"))
    in_circuit = form.get("in_circuit") == "yes"
    at = str(form.get(f"{name}_at", "")).strip()
    try:
        if quantity == "leakage":
            minutes = str(form.get("leakage_min", "")).strip()
            return BenchReading(
                quantity,
                value,
                celsius=celsius,
                volt=_quantity(at, "V", tr("Leakage at")) if at else None,
                minutes=_quantity(minutes, "", tr("Leakage after")) if minutes else None,
                in_circuit=in_circuit,
            )
        hertz = _quantity(at, "Hz", tr("{quantity} at", quantity=spoken(WORDS[quantity]))) if at else None
        return BenchReading(quantity, value, hertz, celsius, in_circuit=in_circuit)
    except CapacitorError as error:
        raise LogError(f"{spoken(WORDS[quantity])}: {error}", field=name) from None


def _quantity(text: str, unit: str, name: str) -> float:
    try:
        return quantities.parse(text, unit)
    except quantities.QuantityError as error:
        raise LogError(f"{name}: {error}", field=name.lower()) from None
