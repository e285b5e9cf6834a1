"""What a finished job shows: which failure modes were there, which repairs cured, and how good the predictions were.

Suspicions look at the unit as it is now; after a repair that cured, they no longer hold what was found. Hindsight asks
of the whole log what the unit had when it came: the chance of all readings under the sets that hold a block's modes,
beside their chance under all sets. A repair is judged the same way: was something there for it to cure, and was it
gone afterwards, given all that was read later. So a repair tried last is not credited with what one before it did.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from refettle.faults.evidence import Done, Event, Reading
from refettle.faults.hypotheses import Hypotheses, grown
from refettle.faults.model import GOOD, Array, Bools, Model, ModelError
from refettle.faults.posterior import Suspicions

GROW = 30
KEPT = 1500
LEAST = 0.002
"""Blocks and modes below this chance before and after are not looked into."""
MOST_REPAIRS = 12
"""Of a longer row of repairs only the last are judged: the work grows with the square of their number."""


@dataclass(frozen=True, slots=True)
class Cure:
    """A repair made: the chance that something was there for it (`tried`), and that it was there and went (`cured`)."""

    repair: str
    ref: str
    tried: float
    cured: float


@dataclass(frozen=True, slots=True)
class Prediction:
    """Before a check was made: the chance said of anything but good, whether that came, and the chance said of what
    came exactly."""

    check: str
    ref: str
    bad: float
    came_bad: bool
    of_outcome: float


@dataclass(frozen=True)
class Hindsight:
    """What a whole log shows. `blocks` and `modes`: chance that each was at fault when the unit came."""

    blocks: dict[str, float]
    modes: dict[str, float]
    cures: tuple[Cure, ...]
    predictions: tuple[Prediction, ...]


def expected_found(model: Model, sets: Hypotheses, points: Sequence[str]) -> dict[str, float]:
    """How often each block is at fault among units that fail at one of these outputs, by the model's own weights.

    Units that came with nothing to be seen at any output are no cases: nobody brings them.
    """
    works = np.ones(len(sets))
    other = [i for i, mode in enumerate(model.modes) if mode.other]
    for point in points:
        good = model.checks[model.check_index[point]].shows[:, 0].copy()
        good[other] = 0.0  # what no model names shows somewhere
        works *= np.exp(sets.member @ np.log(np.maximum(good, 1e-12)))
    fails = sets.prior * (1.0 - works)
    whole = fails.sum()
    if whole <= 0:
        return {}
    return {block: float(fails[holds].sum() / whole) for block, holds in _holding(model, sets.member).items()}


def hindsight(model: Model, events: Iterable[Event], sets: Hypotheses) -> Hindsight:
    """What the log shows in the end.

    Parameters
    ----------
    model : Model
    events : Event
        In order, as for `replay`.
    sets : Hypotheses
        Enumerated for the model; those that the log asks for are added.

    Raises
    ------
    ModelError
        An event names what the model does not have.
    """
    log = list(events)
    sets = _grown_for(model, log, sets)
    whole = Suspicions(model, sets)
    before: dict[int, Suspicions] = {}
    judged = [i for i, event in enumerate(log) if isinstance(event, Done)][-MOST_REPAIRS:]
    said = []
    for i, event in enumerate(log):
        if i in judged:
            before[i] = whole.copy()
        if isinstance(event, Reading):
            made = _prediction(whole, event)
            said += [made] if made else []
        whole.add(event)
    evidence = whole.log_evidence
    blocks, modes = _found(model, log, sets, whole, evidence)
    cures = tuple(_cure(before[i], log[i:], evidence) for i in judged)
    return Hindsight(blocks, modes, cures, tuple(said))


def predictions(model: Model, events: Iterable[Event], sets: Hypotheses) -> tuple[Prediction, ...]:
    """What was said of each check before it was made, by this model's weights. Errors as `hindsight`."""
    suspicions, out = Suspicions(model, sets), []
    for event in events:
        if isinstance(event, Reading):
            out.append(_prediction(suspicions, event))
        suspicions.add(event)
    return tuple(each for each in out if each is not None)


def _grown_for(model: Model, log: list[Event], sets: Hypotheses) -> Hypotheses:
    """`sets` with the neighbours of the heaviest before each repair and at the end, then the `KEPT` heaviest of them
    before the first repair: what weighs next to nothing there cannot come to weigh much."""
    _, heavy = _until_repair(model, log, sets, everywhere=True)
    sets = grown(model, sets, heavy)
    weights, _ = _until_repair(model, log, sets)
    if len(weights) <= KEPT:
        return sets
    keep = np.sort(np.argpartition(-weights, KEPT)[:KEPT])
    left_out = max(0.0, 1.0 - float(sets.prior[keep].sum()))
    return Hypotheses(sets.member[keep], sets.prior[keep], left_out, sets.key[keep], sets.mode_key)


def _until_repair(model: Model, log: list[Event], sets: Hypotheses, everywhere: bool = False) -> tuple[Array, Bools]:
    """Weights before the first repair; with `everywhere`, also the heaviest sets before each repair and at the end."""
    suspicions, heavy = Suspicions(model, sets), [sets.member[:0]]
    first: Array | None = None
    for event in (*log, None):
        if event is None or isinstance(event, Done):
            first = suspicions.weights[: len(sets)] if first is None else first
            if not everywhere:
                break
            count = min(GROW, len(suspicions.weights))
            heavy.append(suspicions.member[np.argpartition(-suspicions.weights, count - 1)[:count]])
        if event is not None:
            suspicions.add(event)
    assert first is not None
    return first, np.vstack(heavy)


def _prediction(suspicions: Suspicions, reading: Reading) -> Prediction | None:
    """What was said of a check beforehand; None for several trials or a graded reading, which have no one outcome."""
    counted = [outcome for outcome, count in reading.counts.items() if count]
    if reading.likelihood is not None or len(counted) != 1 or sum(reading.counts.values()) != 1:
        return None
    check = suspicions.model.checks[suspicions.model.check_index[reading.check]]
    weights = suspicions.weights
    rows = np.flatnonzero(weights > 1e-9)
    chances = weights[rows] @ suspicions.outcome_chances(check, rows) / weights[rows].sum()
    came = check.outcomes.index(counted[0])
    return Prediction(check.id, reading.ref, float(1.0 - chances[0]), counted[0] != GOOD, float(chances[came]))


def _found(
    model: Model, log: list[Event], sets: Hypotheses, end: Suspicions, evidence: float
) -> tuple[dict[str, float], dict[str, float]]:
    """By block and by mode. What no repair touched is at the end as it was at the start."""
    touched: set[str] = set()
    for event in log:
        if isinstance(event, Done):
            repair = model.repairs[model.repair_index[event.repair]]
            touched |= set(repair.fixes) | ({repair.causes} if repair.causes else set())
    at_end = {block: float(end.weights[holds].sum()) for block, holds in _holding(model, end.member).items()}
    by_mode = end.suspicion()
    blocks: dict[str, float] = {}
    modes: dict[str, float] = {}
    for block, holds in _holding(model, sets.member).items():
        mine = [i for i, mode in enumerate(model.modes) if mode.block == block]
        again = any(model.modes[i].id in touched for i in mine)
        blocks[block] = _share(model, log, sets, holds, evidence) if again else at_end[block]
        if blocks[block] < LEAST:
            continue
        for i in mine:
            name = model.modes[i].dormant_of or model.modes[i].id
            chance = _share(model, log, sets, sets.member[:, i], evidence) if again else float(by_mode[i])
            modes[name] = min(1.0, modes.get(name, 0.0) + chance)
    return blocks, modes


def _share(model: Model, log: list[Event], sets: Hypotheses, holds: Bools, evidence: float) -> float:
    """Chance that one of the sets `holds` was there at the start, given the whole log."""
    if not holds.any():
        return 0.0
    some = Hypotheses(sets.member[holds], sets.prior[holds], 0.0, sets.key[holds], sets.mode_key)
    suspicions = Suspicions(model, some)
    try:
        for event in log:
            suspicions.add(event)
        return float(min(1.0, np.exp(suspicions.log_evidence - evidence)))
    except ModelError:  # nothing of these allows the readings
        return 0.0


def _cure(before: Suspicions, rest: list[Event], evidence: float) -> Cure:
    """A repair judged by all that came after it. `rest` begins with it."""
    model, done = before.model, rest[0]
    assert isinstance(done, Done)
    fixes = [model.mode_index[mode] for mode in model.repairs[model.repair_index[done.repair]].fixes]
    branch = before.copy()
    _only(branch, np.asarray(branch.member[:, fixes].any(axis=1)))
    try:
        _ = branch.weights
        branch.add(done)
        went = branch.copy()
        tried = _evidence(branch, rest[1:], evidence)
        _only(went, np.asarray(~went.member[:, fixes].any(axis=1)))
        return Cure(done.repair, done.ref, tried, min(tried, _evidence(went, rest[1:], evidence)))
    except ModelError:  # nothing it cures can have been there
        return Cure(done.repair, done.ref, 0.0, 0.0)


def _evidence(suspicions: Suspicions, rest: list[Event], evidence: float) -> float:
    try:
        for event in rest:
            suspicions.add(event)
        return float(min(1.0, np.exp(suspicions.log_evidence - evidence)))
    except ModelError:
        return 0.0


def _only(suspicions: Suspicions, holds: Bools) -> None:
    """Leave only the sets `holds`; their mass is kept as it is, so that the evidence is that of both."""
    suspicions._start = np.where(holds, suspicions._start, 0.0)
    suspicions._log_start = suspicions._weights = None


def _holding(model: Model, member: Bools) -> dict[str, Bools]:
    """Which sets hold a mode of each block."""
    blocks: dict[str, list[int]] = {}
    for i, mode in enumerate(model.modes):
        blocks.setdefault(mode.block, []).append(i)
    return {block: np.asarray(member[:, columns].any(axis=1)) for block, columns in blocks.items()}
