"""Hostile input for everything that reads what others wrote; `benchmarks/fuzz.py` runs as many as wanted."""

from __future__ import annotations

import sys

import pytest

from tests.support.hostile import watching, worker
from tests.support.hostile.faulty import FAULTY
from tests.support.hostile.readers import READERS
from tests.support.hostile.watching import Result, try_readers

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="memory and processor time are read from /proc")
INPUTS = 200
NAMES = list(READERS)


def said(result: Result) -> str:
    return "; ".join(f"{each.kind} {each.where} {each.said} by {each.data[:200]!r}" for each in result.failures)


@pytest.mark.parametrize("names", [NAMES[:12], NAMES[12:]], ids=["of the bench", "of the book"])
def test_hostile_input_is_read_or_refused_in_words(names: list[str]) -> None:
    results = list(try_readers(names, seed=20, inputs=INPUTS))
    assert [(result.reader, said(result)) for result in results if result.failures] == []
    assert [(result.reader, result.inputs) for result in results] == [(name, INPUTS) for name in names]
    assert all(result.read and result.refused for result in results), (
        results
    )  # the changes are neither harmless nor wild


@pytest.mark.parametrize(
    ("reader", "kinds"),
    [("hangs", {"hang"}), ("crashes", {"crash", "silent refusal"}), ("dies", {"died (9)"}), ("hogs", {"memory"})],
)
def test_what_no_reader_may_do_is_seen(reader: str, kinds: set[str], monkeypatch: pytest.MonkeyPatch) -> None:
    if reader == "hangs":
        monkeypatch.setattr(watching, "HANG_S", 0.5)
    inputs = 2 if reader == "hangs" else 6
    (result,) = try_readers([reader], seed=10, inputs=inputs)
    assert {each.kind for each in result.failures} == kinds
    assert result.inputs == inputs
    assert result.failed < inputs
    if reader == "crashes":
        assert {each.data for each in result.failures} == {b"x", b""}  # made smaller
    if reader == "hangs":
        assert result.failures[0].data == b"hang"


def test_a_slow_reader_is_seen(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(worker, "SLOW_S", 0.05)
    assert worker.attempt(FAULTY["slow"], b"slow")[0] == ("slow", "read")
    assert worker.attempt(FAULTY["slow"], b"")[0] == ("read", "")
