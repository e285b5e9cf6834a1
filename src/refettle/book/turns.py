"""Writing one after the other, in the order of asking, for the threads of one process.

SQLite lets one writer in at a time, and lets those who wait try again now and then: whoever tries at the right moment
is next, and with many writers one may wait for ever. Here each thread draws a ticket and is called in its turn. Other
processes meet at SQLite's own lock; so that they find it free at times, those who are called one right after the
other leave a breath now and then. No framework and no database.
"""

from __future__ import annotations

import time
from collections import deque
from pathlib import Path
from threading import Event, Lock, Thread, current_thread

LOOK_S = 1.0
"""[s] So often one who waits looks whether the thread whose turn it is lives still."""
BREATH_S, UNBROKEN_S = 0.12, 2.0
"""[s] A breath, and after how long without one: SQLite tries again every 0.1 s at the latest (its source, the table
`delays` of `sqliteDefaultBusyCallback`), so that others wait little more than these two."""


class Turn:
    """Leave to write, until it is let go."""

    def __init__(self, turns: Turns, thread: Thread) -> None:
        self._turns, self.thread = turns, thread
        self.called = Event()
        self.over = False
        self.waited = 0.0
        """[s]"""

    def let_go(self) -> None:
        """The next may write. From any thread, and a second time it does nothing."""
        self._turns.let_go(self)


class Turns:
    """Who writes now, and who waits. A thread that has the turn may take it again: it is free when all are let go."""

    def __init__(self) -> None:
        self._guard = Lock()
        self._held: list[Turn] = []
        self._waiting: deque[Turn] = deque()
        self._unbroken_since = time.monotonic()

    def take(self, most: float) -> Turn:
        """Wait for the turn.

        Parameters
        ----------
        most : float
            [s] To wait at most.

        Raises
        ------
        TimeoutError
            Nothing is held, and nobody waits for this one any more.
        """
        turn = Turn(self, current_thread())
        began = time.monotonic()
        with self._guard:
            self._drop_the_dead()
            if not self._held and not self._waiting:
                self._unbroken_since = began
                self._held = [turn]
                return turn
            if self._held and self._held[0].thread is turn.thread:
                self._held.append(turn)
                return turn
            self._waiting.append(turn)
        try:
            self._wait(turn, began + most)
            turn.waited = time.monotonic() - began
            if began + turn.waited - self._unbroken_since > UNBROKEN_S:
                time.sleep(BREATH_S)
                self._unbroken_since = time.monotonic()
        except BaseException:
            self.let_go(turn)
            raise
        return turn

    def _wait(self, turn: Turn, until: float) -> None:
        while not turn.called.wait(max(0.0, min(LOOK_S, until - time.monotonic()))):
            with self._guard:
                self._drop_the_dead()
                if not turn.called.is_set() and time.monotonic() >= until:
                    raise TimeoutError(f"{len(self._waiting)} waited, and the turn did not come")

    def let_go(self, turn: Turn) -> None:
        """Give a turn back, or stop waiting for it."""
        with self._guard:
            if turn.over:
                return
            turn.over = True
            if turn in self._held:
                self._held.remove(turn)
                self._call_next()
            elif turn in self._waiting:
                self._waiting.remove(turn)

    def _call_next(self) -> None:
        if not self._held and self._waiting:
            self._held = [self._waiting.popleft()]
            self._held[0].called.set()

    def _drop_the_dead(self) -> None:
        """A thread that ended took its connection with it: SQLite has rolled back, and the turn is free."""
        if self._held and not self._held[0].thread.is_alive():
            for each in self._held:
                each.over = True
            self._held = []
            self._call_next()


_of: dict[Path, Turns] = {}
_guard = Lock()


def turns_of(file: Path) -> Turns:
    """The turns of all connections to a database file."""
    with _guard:
        return _of.setdefault(file.resolve(), Turns())
