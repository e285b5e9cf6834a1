"""The served book killed under load, and several at one job: small runs of benchmarks/killed.py and workers.py."""

from __future__ import annotations

import contextlib
import random
from pathlib import Path

import pytest

from tests.support.load.cluster import Cluster
from tests.support.load.killing import ALONE, COMMANDS, HARD, SERVER, Book, Tally, replayed
from tests.support.load.workers import Sent, out_of_order, work
from tests.support.postgres import NoServerError


@pytest.mark.slow
def test_killed_while_people_write(tmp_path: Path) -> None:
    tally = Tally("SQLite")
    with contextlib.closing(Book(tmp_path / "book", None, tally, random.Random(3))) as book:
        for number, kind in enumerate((SERVER, COMMANDS, SERVER, COMMANDS, SERVER)):
            book.round(number, kind, span=0.4)
        book.finish()
        assert tally.wrong == []
        assert sum(tally.acknowledged.values()) >= 5
        assert tally.jobs_replayed >= 4
        # A look that could not find anything would find nothing: each of these must be seen.
        lost = [mark for mark in book.marks if " corrects " not in mark][:1]
        assert "and is there 0 times" in book.kept.wrong(["load-never-written"])[0]
        path = next((p for p in (tmp_path / "book/home/files").glob("??/*")), None)
        if path is not None:
            path.write_bytes(b"half")
            assert any("half-written" in each for each in book.kept.wrong(lost))


@pytest.mark.slow
def test_killed_with_its_database_server(tmp_path: Path) -> None:
    pytest.importorskip("psycopg")
    tally = Tally("PostgreSQL")
    try:
        cluster = Cluster()
    except NoServerError as error:
        pytest.skip(str(error))
    with cluster, contextlib.closing(Book(tmp_path / "book", cluster, tally, random.Random(4))) as book:
        for number, kind in ((0, HARD), (2, ALONE)):
            book.round(number, kind, span=0.4)
        assert tally.wrong == []
        assert sum(tally.acknowledged.values()) >= 2
        assert replayed(book.variables).count(b"\n") >= 4


@pytest.mark.slow
def test_several_at_one_job(tmp_path: Path) -> None:
    worked = work(tmp_path, 6, workers=6, readers=1, think=(0.1, 0.5))
    assert worked.wrong == []
    assert worked.entries == len(worked.sent) >= 6


def test_what_is_out_of_order_is_seen() -> None:
    from tests.support.load.kept import Row

    def at(n: int, mark: str) -> Row:
        return Row(1, n, "note", "Ada", {"text": f"load-{mark}"})

    sent = [
        Sent(0, "load-a", "note", 0.0, 1.0),
        Sent(1, "load-b", "note", 2.0, 3.0),
        Sent(0, "load-c", "note", 2.5, 4.0),
    ]
    assert out_of_order(sent, [at(1, "a"), at(2, "b"), at(3, "c")]) == []
    assert out_of_order(sent, [at(1, "a"), at(3, "b"), at(2, "c")]) == []  # at the same time: either may be first
    assert len(out_of_order(sent, [at(2, "a"), at(1, "b"), at(3, "c")])) == 1
    assert len(out_of_order(sent, [at(3, "a"), at(1, "b"), at(2, "c")])) == 3
