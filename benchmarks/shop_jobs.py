"""Logs of jobs for a made-up shop: a few hundred repairs really worked out, from which thousands of jobs are varied.

A pattern is one repair: a simulated unit with faults drawn from its type's weights is taken in, looked over and
repaired by the advice, proven line by line and handed over, or parted out. Every entry of a pattern has gone through
the checks that the book makes before it writes (`check_entry`, `check_new`), and its lesson is worked out from its log.
A job is a pattern of its type with other words, times and people, and filled up to its length with what a bench writes
besides: notes, minutes, photos, further trials, parts of the stores. None of these moves a suspicion, so the pattern's
lesson is the job's, but for its minutes.
"""

from __future__ import annotations

import hashlib
import random
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np

from refettle import faults
from refettle.book.lesson import lesson
from refettle.book.log import LogError, check_entry
from refettle.book.proving import acceptance_grid, acceptance_lines
from refettle.book.replay import check_new
from refettle.faults.simulate import World, follow_advice
from refettle.knowledge.compile import OWNER, CompiledType, compile_type
from refettle.knowledge.loading import LoadedType, load_shipped_type, parse_unit_type, shipped_types

Content = dict[str, Any]
BEGIN = datetime(2021, 1, 4, 9, tzinfo=UTC)
SETS, STEPS = 2000, 30
"""Sets of failure modes the advice weighs, and steps after which a unit is parted out."""
PLACES = ("bench 1", "bench 2", "the long bench", "tray 4", "tray 11", "tray 27", "the shelf by the window", "box 6")
WORK = ("cleaned the contacts", "looked under the glass", "traced the flex", "reflowed a joint", "measured the rails",
        "copied the label", "waited for it to warm up", "cleaned the case", "sorted the screws", "drew a sketch",
        "asked the owner", "read the service sheet", "dried the board", "tightened the heat sink")  # fmt: skip
SAID = (
    "No life at all.",
    "It worked until last winter.",
    "Smells warm after ten minutes.",
    "Was in the loft for years.",
    "Comes and goes.",
    "My father bought it new.",
    "Dropped once, worked after that.",
    "The lead was bent.",
    "Only when it is cold.",
    "Somebody had the lid off before.",
)
CAPTIONS = (
    "as it came, top",
    "as it came, underside",
    "label",
    "board, left half",
    "board, right half",
    "screws, tray",
    "connector, close",
    "before cleaning",
    "after cleaning",
    "joint under the glass",
    "packed",
)


@dataclass(frozen=True)
class Told:
    """One entry of a pattern: on which day at the bench, how many minutes after the one before."""

    day: int
    minutes: float
    content: Content


@dataclass(frozen=True)
class Pattern:
    """One repair: what was written; at `open_at` more trials may follow.

    `finding`: place of the first entry of fault finding. `good`: a trial to repeat. `lesson`: what it taught.
    `parted`: it ended in parts, which a customer's unit would need an answer for.
    """

    type: str
    told: tuple[Told, ...]
    finding: int
    open_at: int
    good: Content | None
    lesson: dict[str, Any]
    parted: bool


# ---------------------------------------------------------------- unit types


def variants(slug: str, count: int) -> list[tuple[str, str]]:
    """(slug, text of the file) of a shipped type under other names, as a shop has them that knows many types."""
    loaded = load_shipped_type(slug)
    made = []
    for n in range(count):
        mark = f"{loaded.unit_type.unit_type} mk {n + 2}"
        head = f"unit_type: {loaded.unit_type.unit_type}\n"
        if head not in loaded.text:
            raise SystemExit(f"{slug}: no line '{head.strip()}'")
        made.append((f"{slug}-mk{n + 2}", loaded.text.replace(head, f"unit_type: {mark}\n", 1)))
    return made


def earlier(loaded: LoadedType) -> LoadedType:
    """The same type as its file was once: a stored version of its own."""
    return parse_unit_type(loaded.text + "\n# as first written down\n", loaded.file, loaded.library)


# ---------------------------------------------------------------- patterns


class _Telling:
    """A log as it is written, in days at the bench; whole, it is checked as the book checks it."""

    def __init__(self, compiled: CompiledType) -> None:
        self.compiled, self.at = compiled, BEGIN
        self.told: list[Told] = []
        self.entries: list[dict[str, Any]] = []

    def say(self, minutes: float, content: Content) -> None:
        plain = check_entry(content)
        self.at += timedelta(minutes=minutes)
        ending = plain["kind"] == "soak" and plain["what"] == "ended"
        if self.at.hour >= 17 and not ending:
            self.at, minutes = (self.at + timedelta(days=1)).replace(hour=9, minute=0), 0
        self.entries.append({"n": len(self.entries) + 1, "at": self.at.isoformat(), "who": "Ada", **plain})
        self.told.append(Told((self.at.date() - BEGIN.date()).days, minutes, plain))

    def checked(self, customer: bool) -> None:
        """Raises LogError where the book would refuse an entry."""
        check_new(self.compiled, [], self.entries, customer)


def patterns(slug: str, count: int, seed: int) -> list[Pattern]:
    """So many repairs of a shipped unit type."""
    compiled = compile_type(load_shipped_type(slug))
    advised = replace(compiled, model=replace(compiled.model, give_up=3000.0))
    sets = faults.enumerate_sets(advised.model, cap=SETS)
    made: list[Pattern] = []
    unit = 0
    while len(made) < count:
        unit += 1
        made.append(_pattern(slug, compiled, advised, sets, [seed, unit]))
    return made


def _pattern(
    slug: str, compiled: CompiledType, advised: CompiledType, sets: faults.Hypotheses, seed: list[int]
) -> Pattern:
    rng = random.Random(str(seed))
    points = [step.id for step in compiled.steps.values() if step.is_point]
    world = World(advised.model, points, np.random.default_rng(seed))
    options = faults.Options(
        depth=1, support=300, skip=frozenset(c.id for c in advised.model.checks if c.id.startswith(OWNER))
    )
    events: list[faults.Event] = []
    done = follow_advice(world, sets, options, limit=STEPS, log=events)
    telling = _Telling(compiled)
    _intake(telling, events[0], rng)
    finding = len(telling.told)
    for event in events:
        _worked(telling, event, rng)
    open_at, good = len(telling.told), None
    if done.works and rng.random() < 0.95:
        telling.say(5, {"kind": "stage", "stage": "proving"})
        good = _proven(telling)
        open_at = len(telling.told)
        telling.say(20, {"kind": "stage", "stage": "handed over"})
    else:
        telling.say(30, {"kind": "stage", "stage": "parted out", "why": "not worth more hours"})
    parted = telling.entries[-1]["stage"] == "parted out"
    telling.checked(not parted)
    taught = lesson(compiled, telling.entries)
    return Pattern(slug, tuple(telling.told), finding, open_at, good, taught, parted)


def _intake(telling: _Telling, first: faults.Event, rng: random.Random) -> None:
    compiled = telling.compiled
    unit, library = compiled.loaded.unit_type, compiled.loaded.library.cautions
    assert isinstance(first, faults.Reading)
    here = {name: rng.choice(("here", "here", "missing")) for name in unit.accessories}
    case = dict.fromkeys(("Case", "Screws", "Labels", "Ports"), "sound") | {rng.choice(("Case", "Labels")): "worn"}
    telling.say(0, {"kind": "take-in", "said": "?", "condition": case, "rattle": "none", "accessories": here})
    (outcome,) = first.counts
    telling.say(4, {"kind": "complaint", "point": first.check, "outcome": outcome})
    gates = {g for step in (*compiled.model.checks, *compiled.model.repairs) for g in step.gates}
    read = [g.removeprefix("caution:") for g in sorted(gates) if g.startswith("caution:")]
    for caution in dict.fromkeys([*read, *(c for c in unit.cautions if c in library), "first-power"]):
        telling.say(1, {"kind": "caution", "caution": caution})
    for what in unit.must_save:
        telling.say(9, {"kind": "saved", "what": what, "how": "read out twice, both the same"})
    power: Content = {"kind": "first-power", "limit_amps": unit.power_on.current_amps or 0.5}
    if unit.adapter is not None:
        power["adapter"] = dict.fromkeys(("output", "volts", "amps", "polarity", "plug"), "matches")
    power["rails_ohm"] = {key: rail.to_ground_ohm or 100.0 for key, rail in unit.power_on.rails.items()}
    telling.say(8, power)


def _worked(telling: _Telling, event: faults.Event, rng: random.Random) -> None:
    """A check or repair of the simulated job, with what the book asks for before it."""
    steps = telling.compiled.steps
    if isinstance(event, faults.Reading):
        (outcome,) = event.counts
        telling.say(rng.choice((2, 3, 5, 8)), {"kind": "check", "check": event.check, "outcome": outcome})
    elif isinstance(event, faults.Done):
        step = steps[event.repair]
        if step.proof:
            telling.say(2, {"kind": "proof", "repair": event.repair, "text": "shown on two readings of the same day"})
        if not step.undo:
            telling.say(2, {"kind": "consent", "repair": event.repair, "text": "agreed by telephone, in writing since"})
        telling.say(rng.choice((6, 12, 20, 35)), {"kind": "repair", "repair": event.repair})


def _proven(telling: _Telling) -> Content | None:
    """Every cell of the acceptance grid; gives a trial that may be repeated."""
    unit, good = telling.compiled.loaded.unit_type, None
    lines = acceptance_lines(unit)
    for cell in acceptance_grid(lines).cells:
        where = {"row": cell.row, "condition": cell.condition}
        line = lines[cell.row]
        if line.minutes is not None:
            telling.say(1, {"kind": "soak", **where, "what": "started", "minutes": line.minutes})
            telling.say(line.minutes + 2, {"kind": "soak", **where, "what": "ended", "outcome": "good"})
        elif not line.safety:
            telling.say(2 * cell.needed, {"kind": "trial", **where, "good": cell.needed})
            good = good or {"kind": "trial", **where, "good": 1}
    measured = {"insulation at 500 V": "above 200 MΩ", "touch current": "0.02 mA"}
    record = {"kind": "safety", "what": "tested", "by": "Ada", "measured": measured, "result": "passed"}
    telling.say(25, record | {"instrument": "appliance tester, proven on a known resistor"})
    return good


def shipped_patterns(count: int, seed: int = 1) -> dict[str, list[Pattern]]:
    """So many of each shipped unit type."""
    return {slug: patterns(slug, count, seed) for slug in shipped_types()}


# ---------------------------------------------------------------- jobs


@dataclass(frozen=True)
class Plan:
    """One job to be: how many entries and photos, whether it is finished, and the people who work on it."""

    number: int
    entries: int
    photos: int
    opened: datetime
    days: float
    closed: bool
    people: Sequence[str]


@dataclass(frozen=True)
class Written:
    """One entry of a job, ready for its row."""

    at: datetime
    who: str
    kind: str
    data: Content


def photo_hashes(number: int, photos: int) -> Iterator[str]:
    """Names to know the photos of a job by before they are drawn."""
    for n in range(photos):
        yield f"job {number} photo {n}"


def job_log(pattern: Pattern, plan: Plan, photos: Sequence[str], taken: Sequence[Content]) -> list[Written]:
    """The job's log: its pattern, filled up to the length planned (longer where the pattern alone is)."""
    rng = random.Random(f"job {plan.number}")
    told = list(pattern.told)
    if not plan.closed:
        told = told[: rng.randint(min(4, pattern.finding), len(told) - 1)]
        told = [each for each in told if each.content["kind"] != "soak"]
    extra = max(0, plan.entries - len(told) - len(photos) - len(taken))
    trials = round(extra * rng.choice((0.0, 0.2, 0.5, 0.8))) if pattern.good and len(told) > pattern.open_at else 0
    filling: list[Content] = [{"kind": "photo", "photo": sha, "caption": rng.choice(CAPTIONS)} for sha in photos]
    filling += [dict(each) for each in taken]
    filling += [_besides(rng) for _ in range(extra - trials)]
    rng.shuffle(filling)
    cuts = sorted(rng.randint(1, len(told) - (1 if plan.closed else 0)) for _ in filling)
    whole: list[Told] = []
    at = 0
    for place, each in enumerate(told):
        if trials and place == pattern.open_at:
            whole += [Told(each.day, 0, dict(pattern.good or {})) for _ in range(trials)]
        while at < len(cuts) and cuts[at] == place:
            whole.append(Told(each.day, 0, filling[at]))
            at += 1
        whole.append(each)
    whole += [Told(told[-1].day, 0, content) for content in filling[at:]]
    return _dated(whole, plan, rng)


def _besides(rng: random.Random) -> Content:
    """What a bench writes besides; none of it moves a suspicion."""
    if rng.random() < 0.25:
        return {"kind": "time", "minutes": float(rng.randint(2, 40)), "what": rng.choice(WORK)}
    words = ", ".join(rng.sample(WORK, rng.randint(1, 3)))
    return {"kind": "note", "text": f"{words[:1].upper()}{words[1:]}; {rng.choice(PLACES)}, {rng.randint(1, 900)}."}


def _dated(whole: list[Told], plan: Plan, rng: random.Random) -> list[Written]:
    """The days at the bench spread over the time the job lies there. What was read on one day stays on one day."""
    last = whole[-1].day
    later = sorted(rng.sample(range(1, max(last, round(plan.days)) + 1), last))
    on = [0, *later]
    out: list[Written] = []
    at, day = plan.opened, 0
    for each in whole:
        if each.day != day:
            day = each.day
            at = plan.opened.replace(hour=9, minute=0) + timedelta(days=on[day])
        at += timedelta(seconds=60 * each.minutes or rng.randint(4, 9))
        data = {key: value for key, value in each.content.items() if key != "kind"}
        if each.content["kind"] == "take-in":
            data["said"] = rng.choice(SAID)
        out.append(Written(at, rng.choice(plan.people), each.content["kind"], data))
    return out


def lesson_of(pattern: Pattern, name: str, log: Sequence[Written]) -> dict[str, Any]:
    """What the job taught: its pattern's lesson under its type's name, with the minutes of its own log."""
    more = sum(each.data["minutes"] for each in log if each.kind == "time")
    return {**pattern.lesson, "type": name, "minutes": round(pattern.lesson["minutes"] + more, 1)}


def refused(pattern: Pattern, loaded: LoadedType, log: Sequence[Written]) -> str:
    """Why the log does not replay, or the lesson is another; empty where all is well."""
    compiled = compile_type(loaded)
    entries = [{"n": n, "at": w.at.isoformat(), "who": w.who, "kind": w.kind, **w.data} for n, w in enumerate(log, 1)]
    try:
        for each in entries:
            plain = check_entry({k: v for k, v in each.items() if k not in ("n", "at", "who")})
            assert {k: v for k, v in plain.items() if k != "kind"} == log[each["n"] - 1].data, each
        check_new(compiled, [], entries, customer=not pattern.parted)
        if log[-1].kind == "stage" and log[-1].data["stage"] in ("handed over", "parted out"):
            made, said = lesson(compiled, entries), lesson_of(pattern, compiled.loaded.name, log)
            if made != said:
                return f"another lesson: {[k for k in made if made[k] != said.get(k)]}"
    except LogError as error:
        return str(error)
    return ""


def sha_of(data: bytes) -> str:
    """The name of a kept photo."""
    return hashlib.sha256(data).hexdigest()
