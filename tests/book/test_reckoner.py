"""What takes long is worked out by another process: the same answers, the same refusals, and no harm when it ends."""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Iterator

import pytest

from refettle.book import elsewhere, reckoner, state
from refettle.book.elsewhere import kept
from refettle.book.log import LogError, read_jsonl
from refettle.book.replay import replay
from refettle.book.state import JobState
from refettle.knowledge.compile import CompiledType, compile_type, weighted
from refettle.knowledge.loading import load_shipped_type

LOG = [
    {"n": 1, "at": "2031-03-02T10:00:00+00:00", "who": "Mara", "kind": "complaint", "point": "panel",
     "outcome": "blank"},
    {"n": 2, "at": "2031-03-02T10:05:00+00:00", "who": "Mara", "kind": "check", "check": "sound",
     "outcome": "no sound"},
]  # fmt: skip


@pytest.fixture
def process() -> Iterator[reckoner.Reckoner]:
    now, later = reckoner.start()
    yield now
    reckoner.stop(now, later)


def pocket() -> CompiledType:
    return compile_type(load_shipped_type("piper-pocket"))


def told(compiled: CompiledType) -> JobState:
    return replay(compiled, LOG)


def forget() -> None:
    state._findings.forget()
    state._advice.forget()


def test_another_process_says_the_same(process: reckoner.Reckoner) -> None:
    """Also of weights that were learned, which only this job has; and after it was ended from outside."""
    types = [pocket(), weighted(pocket(), (("panel", 3.0),))]
    there = [(s.findings, s.advice(depth=1)) for s in map(told, types)]
    assert process._process is not None
    process._process.kill()
    process._process.wait()
    forget()
    again = [(s.findings, s.advice(depth=1)) for s in map(told, types)]
    reckoner.stop(process)
    forget()
    here = [(s.findings, s.advice(depth=1)) for s in map(told, types)]
    assert there == again == here
    assert there[0] != there[1]


def test_what_is_refused_there_is_refused_here(process: reckoner.Reckoner) -> None:
    with pytest.raises(LogError, match="line 1: note text: nothing found") as raised:
        elsewhere.work_out(read_jsonl, '{"kind": "note"}')
    assert (raised.value.line, raised.value.field) == (1, "text")
    assert process._process is not None
    assert process._process.poll() is None


def test_what_nobody_waits_for_is_left_to_a_process_that_gives_way() -> None:
    now, later = reckoner.start()
    try:
        with elsewhere.unhurried():
            theirs = elsewhere.work_out(os.nice, 0), elsewhere.work_out(os.getpid)
        mine = elsewhere.work_out(os.nice, 0), elsewhere.work_out(os.getpid)
    finally:
        reckoner.stop(now, later)
    assert theirs[0] > mine[0] > os.nice(0)
    assert len({theirs[1], mine[1], os.getpid()}) == 3


def test_it_ends_with_who_started_it(process: reckoner.Reckoner) -> None:
    assert elsewhere.work_out(divmod, 7, 2) == (3, 1)
    running = process._process
    assert running is not None
    assert running.stdin is not None
    running.stdin.close()  # as when the server is killed
    assert running.wait(timeout=20) == 0


def test_what_is_asked_for_twice_is_worked_out_once() -> None:
    asked: list[int] = []

    @kept(2)
    def slow(n: int) -> int:
        asked.append(n)
        time.sleep(0.05)
        if n < 0:
            raise ValueError(n)
        return 2 * n

    answers: list[int] = []
    threads = [threading.Thread(target=lambda: answers.append(slow(1))) for _ in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert (answers, asked) == ([2] * 6, [1])
    assert [slow(2), slow(3), slow(1)] == [4, 6, 2]
    assert asked == [1, 2, 3, 1]  # two are kept
    for _ in range(2):
        with pytest.raises(ValueError, match="-1"):
            slow(-1)
    assert asked[-2:] == [-1, -1]  # what failed is not kept
