"""Hostile input for everything that reads what others wrote; `benchmarks/fuzz.py` runs as many as wanted."""

from __future__ import annotations

import re
import sys

import pytest

from refettle.knowledge.loading import load_shipped_type
from tests.support.hostile import watching, worker
from tests.support.hostile.faulty import FAULTY
from tests.support.hostile.readers import READERS
from tests.support.hostile.watching import Result, try_readers

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="memory and processor time are read from /proc")
INPUTS = 200
NAMES = list(READERS)


def said(result: Result) -> str:
    return "; ".join(f"{each.kind} {each.where} {each.said} by {each.data[:200]!r}" for each in result.failures)


SEES_NOTHING = re.sub(r"(?m)^    sees: .*$", "    sees: []", load_shipped_type("corrigan-duo").text).encode()
FOUND = [  # what was once found to crash, hang or take too much memory, made small
    ("parts lists", b"Ref;Value;Footprint\nC2;10u;E" + b"9" * 60_000 + b"elec_5x5.4\n"),
    ("private words", b"Ingrid\n+47 912 34 567\n\ncall 912" + b"(" * 26),
    ("private words", b"A . . . . . . . . . . . . . . . . . . . . . B\n\n\nA" + b"." * 40),
    ("instrument descriptions", b".".join([b"a"] * 20_000) + b" = 1"),
    ("instrument descriptions", b'data = "A?"\nstep = 1' + b"0" * 400),
    ("instrument descriptions", b'data = "A?"\nstep = ' + b"9" * 5000),
    ("instrument descriptions", b'data = "A?"\nbefore = [0x' + b"9" * 5000 + b"]\nstep = 1"),
    ("unit types", SEES_NOTHING),
    ("logs", b'{"kind": "correction", "corrects": 1, "why": "x", "with": {"kind":' + b"[" * 400 + b"]" * 400 + b"}}"),
    ("photo marks", b'{"regions": {"a": [[1' + b"0" * 400 + b", 0], [0, 1], [1, 1]]}}"),
    ("photo marks", b'{"regions": {"a": [[1, 0], [0, 1], [1, 1]]}, "reference": []}'),
    ("photo marks", b"9" * 5000),
    ("price columns", b'{"":' * 3000 + b"1" + b"}" * 3000),
    ("private words", b"\xcc\x81\n\n\nt"),
    ("meter answers", b"-12.5 m" + b" " * 100_000 + b"|"),
    ("captures", b"Points:1e99\n8"),
    ("captures", b"1 8\ninf\n "),
    ("captures", b"\xef\xbb\xbfRate:1e-320,\n,4"),
    ("captures", b"1" + b"," * 49_000 + b"\n"),
    ("captures", b"Vertical Scale,1e78\n" + b"1\n" * 16 + b"78\n1"),
    ("captures", b"0;CH1\ninheit;mV\nAbtastintervall;0,1;m" + b" " * 20_000 + b"x\n0;1\n1;2\n"),
    ("orders", b"gap: sNaN\nneeds: [{part: Q, quantity: 1}]\n\n%%%%\nsupplier,sku,part,from,price\n"),
]


@pytest.mark.parametrize("names", [NAMES[:12], NAMES[12:24], NAMES[24:]], ids=["first", "second", "third"])
def test_hostile_input_is_read_or_refused_in_words(names: list[str]) -> None:
    results = list(try_readers(names, seed=20, inputs=INPUTS))
    assert [(result.reader, said(result)) for result in results if result.failures] == []
    assert [(result.reader, result.inputs) for result in results] == [(name, INPUTS) for name in names]
    assert all(result.read and result.refused for result in results), (
        results
    )  # the changes are neither harmless nor wild


@pytest.mark.parametrize(("reader", "data"), FOUND)
def test_what_was_found_is_read_or_refused_in_words(reader: str, data: bytes) -> None:
    outcome, seconds, peak, said = worker.attempt(READERS[reader], data)
    assert outcome[0] in ("read", "refused"), (outcome, said)
    assert seconds < 1.0
    assert peak < 200.0


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
