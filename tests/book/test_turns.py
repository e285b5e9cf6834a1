"""Writers of one process go one after the other in the order of asking, and nobody is left holding the turn."""

from __future__ import annotations

import sqlite3
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from django.db import OperationalError, connections, transaction

from refettle.book import moving, turns
from refettle.book.databases import SqliteFile
from refettle.book.sqlite import base
from refettle.book.turns import Turns, turns_of

ALIAS = "turns"


def in_thread(run: Callable[[], Any]) -> threading.Thread:
    thread = threading.Thread(target=run, daemon=True)
    thread.start()
    return thread


def waiting(of: Turns, count: int) -> None:
    """Until so many wait."""
    until = time.monotonic() + 10
    while len(of._waiting) < count and time.monotonic() < until:
        time.sleep(0.002)
    assert len(of._waiting) == count


def is_free(of: Turns) -> bool:
    """True if another thread would have it at once."""
    got: list[bool] = []

    def run() -> None:
        try:
            of.take(0.0).let_go()
            got.append(True)
        except TimeoutError:
            got.append(False)

    in_thread(run).join(10)
    return got == [True]


# ---------------------------------------------------------------- turns alone


def test_first_come_first_served() -> None:
    of, order = Turns(), []
    mine = of.take(1)
    threads = []

    def run(n: int) -> None:
        turn = of.take(30)
        order.append(n)
        turn.let_go()

    for n in range(20):
        threads.append(in_thread(lambda n=n: run(n)))  # type: ignore[misc]
        waiting(of, n + 1)
    mine.let_go()
    for each in threads:
        each.join(10)
    assert order == list(range(20))
    assert is_free(of)


def test_a_thread_takes_it_again_and_it_is_free_when_all_is_let_go() -> None:
    of = Turns()
    outer, inner = of.take(1), of.take(1)
    outer.let_go()
    outer.let_go()
    assert not is_free(of)
    inner.let_go()
    assert is_free(of)


def test_who_waits_too_long_is_told_and_is_not_called_later() -> None:
    of, said = Turns(), []
    mine = of.take(1)

    def run() -> None:
        with pytest.raises(TimeoutError) as error:
            of.take(0.05)
        said.append(str(error.value))

    in_thread(run).join(10)
    assert len(said) == 1
    assert not of._waiting
    mine.let_go()
    assert is_free(of)


def test_a_thread_that_ended_holds_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(turns, "LOOK_S", 0.05)
    of, kept = Turns(), []
    in_thread(lambda: kept.append(of.take(1))).join(10)
    assert is_free(of)  # whoever comes next
    in_thread(lambda: kept.append(of.take(1))).join(10)
    ready, end, got = threading.Event(), threading.Event(), []

    def holder() -> None:
        kept.append(of.take(1))
        ready.set()
        end.wait(10)

    dying = in_thread(holder)
    assert ready.wait(10)
    waiter = in_thread(lambda: got.append(of.take(20)))
    waiting(of, 1)
    end.set()
    dying.join(10)
    waiter.join(10)  # and whoever waited already
    assert len(got) == 1
    for each in kept:
        each.let_go()  # too late to matter
    got[0].let_go()
    assert is_free(of)


# ---------------------------------------------------------------- with a database


@pytest.fixture
def file(django_db_blocker: Any, tmp_path: Path) -> Iterator[Path]:
    """A database file with one table, known as ALIAS."""
    path = tmp_path / "book.sqlite3"
    with django_db_blocker.unblock():
        moving.connect(SqliteFile(path), ALIAS)
        with connections[ALIAS].cursor() as cursor:
            cursor.execute("CREATE TABLE line (n INTEGER PRIMARY KEY, who TEXT)")
        yield path
        connections[ALIAS].close()
        del connections[ALIAS]
        connections.settings.pop(ALIAS, None)


def write(who: str) -> None:
    with connections[ALIAS].cursor() as cursor:
        cursor.execute("INSERT INTO line (who) VALUES (%s)", [who])


def write_whole(who: str) -> None:
    with transaction.atomic(using=ALIAS):
        write(who)


def write_and_fail(error: type[BaseException]) -> None:
    with transaction.atomic(using=ALIAS):
        write("taken back")
        raise error


def lines() -> list[str]:
    with connections[ALIAS].cursor() as cursor:
        cursor.execute("SELECT who FROM line ORDER BY n")
        return [who for (who,) in cursor.fetchall()]


def test_a_transaction_holds_the_turn_and_every_way_out_lets_it_go(file: Path) -> None:
    of = turns_of(file)
    with transaction.atomic(using=ALIAS):
        write("kept")
        assert not is_free(of)
        with transaction.atomic(using=ALIAS):  # a savepoint
            write("kept too")
        assert not is_free(of)
    assert is_free(of)
    for error in (LookupError, KeyboardInterrupt):
        with pytest.raises(error):
            write_and_fail(error)
        assert is_free(of)
    with transaction.atomic(using=ALIAS):
        write("lost")
        connections[ALIAS].close()
    assert is_free(of)
    with transaction.atomic(using=ALIAS):
        transaction.set_rollback(True, using=ALIAS)
    assert is_free(of)
    write("alone")
    assert is_free(of)
    assert lines() == ["kept", "kept too", "alone"]


def test_a_commit_that_fails_lets_it_go(file: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def fails(connection: object) -> None:
        raise OperationalError("database or disk is full")

    monkeypatch.setattr(base.base.DatabaseWrapper, "_commit", fails)
    with pytest.raises(OperationalError, match="disk"):
        write_whole("taken back")
    monkeypatch.undo()
    assert is_free(turns_of(file))
    assert lines() == []


def test_a_book_held_by_another_program(file: Path) -> None:
    connections[ALIAS].settings_dict["OPTIONS"]["timeout"] = 0.2
    connections[ALIAS].close()
    with closing(sqlite3.connect(file, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(OperationalError, match="locked"):
            write_whole("refused")
        assert is_free(turns_of(file))
        with pytest.raises(OperationalError, match="locked"):
            write("refused")
        assert is_free(turns_of(file))
        other.execute("COMMIT")
    write("kept")
    assert lines() == ["kept"]


def test_the_wait_is_bounded(file: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(base, "MOST_WAIT_S", 0.1)
    said: list[str] = []

    def run() -> None:
        for alone in (True, False):
            try:
                if alone:
                    write("refused")
                else:
                    write_whole("refused")
            except OperationalError as error:
                said.append(str(error))
        connections[ALIAS].close()

    with transaction.atomic(using=ALIAS):
        in_thread(run).join(10)
    assert len(said) == 2
    assert all("database is locked" in each for each in said)  # what the pages know as busy
    assert lines() == []


def test_many_writers_get_equal_shares_and_another_program_gets_in(file: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(turns, "UNBROKEN_S", 0.5)
    stop = threading.Event()
    counts, longest = dict.fromkeys("abcdefgh", 0), dict.fromkeys("abcdefgh", 0.0)

    def run(who: str) -> None:
        while not stop.is_set():
            asked = time.monotonic()
            with transaction.atomic(using=ALIAS):
                longest[who] = max(longest[who], time.monotonic() - asked)
                write(who)
                time.sleep(0.02)
            counts[who] += 1
        connections[ALIAS].close()

    threads = [in_thread(lambda who=who: run(who)) for who in counts]  # type: ignore[misc]
    waited = []
    with closing(sqlite3.connect(file, timeout=20)) as other:
        for _ in range(2):
            time.sleep(0.2)
            asked = time.monotonic()
            with other:
                other.execute("INSERT INTO line (who) VALUES ('other')")
            waited.append(time.monotonic() - asked)
    stop.set()
    for each in threads:
        each.join(20)
    assert max(counts.values()) - min(counts.values()) <= 2
    assert sum(counts.values()) + 2 == len(lines())
    assert max(waited) < 10, waited
    assert max(longest.values()) < 10, longest
