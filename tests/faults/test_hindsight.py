"""What a whole log shows, against adding up every course of events by hand."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest

from refettle.faults import (
    Check,
    Done,
    Mode,
    Model,
    Reading,
    Repair,
    block_suspicion,
    enumerate_sets,
    error_matrix,
    replay,
)
from refettle.faults.hindsight import expected_found, hindsight, predictions

PRIOR = {"a": 0.2, "b": 0.1, "c": 0.05}
FALSE, MISS = 0.04, 0.1
SHOWS = {"out": "abc", "near": "a"}
FIXES = {"mend-a": {"a": 0.7}, "mend-both": {"a": 0.5, "b": 0.9}}


def small() -> Model:
    """Three modes, a look at the output and one at the first block, two repairs."""
    modes = tuple(Mode(m, m, m, p) for m, p in PRIOR.items())
    checks = tuple(
        Check(
            name,
            name,
            ("good", "dead"),
            np.array([[0.0, 1.0] if m in seen else [1.0, 0.0] for m in PRIOR]),
            error_matrix(2, FALSE, MISS, 0.0),
            2.0,
        )
        for name, seen in SHOWS.items()
    )
    repairs = tuple(Repair(name, name, fixes, 10.0) for name, fixes in FIXES.items())
    return Model(modes, checks, repairs)


def courses(log: list[Reading | Done]) -> dict[tuple[frozenset[str], tuple[frozenset[str], ...]], float]:
    """Chance of each start and what was there after each repair, together with all readings."""
    now = {}
    for holds in product((False, True), repeat=3):
        start = frozenset(m for m, h in zip(PRIOR, holds, strict=True) if h)
        chance = np.prod([PRIOR[m] if m in start else 1 - PRIOR[m] for m in PRIOR])
        now[start, ()] = float(chance)
    for event in log:
        after: dict[tuple[frozenset[str], tuple[frozenset[str], ...]], float] = {}
        for (start, way), chance in now.items():
            here = way[-1] if way else start
            if isinstance(event, Reading):
                bad = bool(here & set(SHOWS[event.check]))
                reads_bad = next(iter(event.counts)) != "good"
                told = (1 - MISS if reads_bad else MISS) if bad else (FALSE if reads_bad else 1 - FALSE)
                after[start, way] = after.get((start, way), 0.0) + chance * told
                continue
            fixes = [(m, p) for m, p in FIXES[event.repair].items() if m in here]
            for went in product((False, True), repeat=len(fixes)):
                gone = {m for (m, _), w in zip(fixes, went, strict=True) if w}
                share = float(np.prod([p if w else 1 - p for (_, p), w in zip(fixes, went, strict=True)]))
                key = (start, (*way, here - gone))
                after[key] = after.get(key, 0.0) + chance * share
        now = after
    return now


DEAD, WORKS = Reading("out", {"dead": 1}), Reading("out", {"good": 1})
LOGS: list[list[Reading | Done]] = [
    [DEAD, Done("mend-a"), WORKS],
    [DEAD, Done("mend-a"), DEAD, Done("mend-both"), WORKS],
    [DEAD, Reading("near", {"good": 1}), Done("mend-both"), WORKS],
    [Reading("near", {"dead": 1}), Done("mend-both"), Done("mend-a"), WORKS],
]


@pytest.mark.parametrize("log", LOGS)
def test_found_and_cured_are_those_of_every_course_of_events(log: list[Reading | Done]) -> None:
    model = small()
    seen = hindsight(model, log, enumerate_sets(model, left_out=1e-6))
    every = courses(log)
    whole = sum(every.values())
    for mode in PRIOR:
        wanted = sum(p for (start, _), p in every.items() if mode in start) / whole
        assert seen.blocks[mode] == pytest.approx(wanted, abs=1e-4)
    repairs = [event.repair for event in log if isinstance(event, Done)]
    for place, (repair, cure) in enumerate(zip(repairs, seen.cures, strict=True)):
        fixes = set(FIXES[repair])
        tried = cured = 0.0
        for (start, way), p in every.items():
            before = way[place - 1] if place else start
            if before & fixes:
                tried += p
                cured += p * (not way[place] & fixes)
        assert cure.tried == pytest.approx(tried / whole, abs=1e-4)
        assert cure.cured == pytest.approx(cured / whole, abs=1e-4)


def test_without_a_repair_it_is_what_is_suspected() -> None:
    model = small()
    log = [Reading("out", {"dead": 1}), Reading("near", {"good": 1})]
    sets = enumerate_sets(model, left_out=1e-6)
    assert hindsight(model, log, sets).blocks == pytest.approx(block_suspicion(replay(model, log, sets)))


def test_what_was_said_before_each_look() -> None:
    model = small()
    first, second = predictions(model, LOGS[0], enumerate_sets(model, left_out=1e-6))
    something = 1 - 0.8 * 0.9 * 0.95
    assert first.bad == pytest.approx(something * (1 - MISS) + (1 - something) * FALSE, abs=1e-4)
    assert first.came_bad
    assert first.of_outcome == pytest.approx(first.bad)
    assert not second.came_bad
    assert second.of_outcome == pytest.approx(1 - second.bad)


def test_expected_is_of_units_that_fail_somewhere() -> None:
    model = small()
    expected = expected_found(model, enumerate_sets(model, left_out=1e-6), ["near"])
    assert expected == pytest.approx({"a": 1.0, "b": 0.1, "c": 0.05}, abs=1e-3)
    assert expected_found(model, enumerate_sets(model), []) == {}
