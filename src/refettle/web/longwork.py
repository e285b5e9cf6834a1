"""Work that may take long: in a thread of its own, with how far it is, a stop, and its result kept for a while.

A page asks for its work by what it is (`key`): the first time starts it, later ones find it under way or done.
"""

from __future__ import annotations

import logging
import secrets
import time
from collections import OrderedDict
from collections.abc import Callable, Hashable
from contextvars import copy_context
from threading import BoundedSemaphore, Event, Lock, Thread
from typing import Any, Literal

from django.db import connections

from refettle.language import manner, tr

State = Literal["waiting", "running", "done", "stopped", "failed"]

AT_ONCE = 2
"""More would only hold each other up."""
MOST_UNDER_WAY = 8
MOST_KEPT, MOST_KEPT_BYTES = 24, 400_000_000
"""Results that are kept: so many, and so much of those whose size is told."""
AT_ONCE_S = 1.5
"""[s] What is done by then is shown at once, without a page that says how far it is."""

log = logging.getLogger("refettle")


class Stopped(Exception):  # noqa: N818 - reads as what it is
    """Somebody pressed stop. `best`: what there was by then."""

    def __init__(self, best: Any = None) -> None:
        super().__init__("stopped")
        self.best = best


class TooMuchWork(Exception):  # noqa: N818 - reads as what it is
    """As much is under way as the bench takes on at once."""


class Work:
    """One piece of work. `error`: what it was refused for, in words for the page."""

    def __init__(self, title: str, key: Hashable) -> None:
        self.token = secrets.token_urlsafe(12)
        self.title = title
        self.key = key
        self.state: State = "waiting"
        self.share = 0.0
        self.says = ""
        self.result: Any = None
        self.error = ""
        self.size = 0
        self.began = time.monotonic()
        self._stop = Event()
        self._over = Event()

    @property
    def over(self) -> bool:
        """True when nothing more happens."""
        return self._over.is_set()

    @property
    def percent(self) -> int:
        """How far it is."""
        return round(100 * min(1.0, max(0.0, self.share)))

    def note(self, share: float, says: str = "") -> None:
        """Say how far it is."""
        self.share = share
        self.says = says or self.says

    def tick(self, share: float, says: str = "") -> None:
        """Say how far it is. Raises Stopped when that was asked for."""
        self.note(share, says)
        if self._stop.is_set():
            raise Stopped

    def asked_to_stop(self) -> bool:
        """For work that asks instead."""
        return self._stop.is_set()

    def stop(self) -> None:
        """Ask it to stop; it does so at its next tick."""
        self._stop.set()

    def wait(self, seconds: float) -> bool:
        """True if it is over within that time."""
        return self._over.wait(seconds)


_works: OrderedDict[Hashable, Work] = OrderedDict()
_guard = Lock()
_turn = BoundedSemaphore(AT_ONCE)


def work(
    title: str,
    key: Hashable,
    run: Callable[[Work], Any],
    refusals: tuple[type[Exception], ...] = (ValueError,),
    size: Callable[[Any], int] | None = None,
) -> Work:
    """The work of this key and language, started if it is new; waits a moment for it.

    Parameters
    ----------
    title : str
        What is being done, for the page.
    run : callable
        Given the Work, to tick and to be stopped by; gives the result.
    refusals : exception types
        What it raises for bad input: `error` then holds its words.
    size : callable, optional
        [byte] Of the result, where it is large.

    Raises
    ------
    TooMuchWork
    """
    spoken = (manner(), key)
    with _guard:
        found = _works.get(spoken)
        if found is None:
            under_way = sum(not each.over for each in _works.values())
            if under_way >= MOST_UNDER_WAY:
                raise TooMuchWork(
                    tr("{under_way} long pieces of work are under way. Wait for one, or stop one.", under_way=under_way)
                )
            found = _works[spoken] = Work(title, key)
            _make_room()
            Thread(target=copy_context().run, args=(_run, found, run, refusals, size), daemon=True).start()
        else:
            _works.move_to_end(spoken)
    found.wait(AT_ONCE_S)
    return found


def _make_room() -> None:
    """Let go of the oldest results. Under the guard."""
    over = [k for k, each in _works.items() if each.over]
    while over and (len(_works) > MOST_KEPT or sum(each.size for each in _works.values()) > MOST_KEPT_BYTES):
        del _works[over.pop(0)]


def _run(
    work: Work,
    run: Callable[[Work], Any],
    refusals: tuple[type[Exception], ...],
    size: Callable[[Any], int] | None,
) -> None:
    try:
        while not _turn.acquire(timeout=0.2):
            if work.asked_to_stop():
                work.state = "stopped"
                return
        try:
            work.state = "running"
            work.result = run(work)
            work.size = size(work.result) if size is not None else 0
            work.share = 1.0
            work.state = "done"
        finally:
            _turn.release()
    except Stopped as stopped:
        work.result = stopped.best
        work.state = "stopped"
    except refusals as error:
        work.error = str(error)
        # A reading that was stopped may say so in its own way.
        work.state = "stopped" if work.asked_to_stop() else "failed"
    except Exception:
        log.exception("long work failed: %s", work.title)
        work.error = tr("This failed by a fault of the bench book; the lines it printed where it was started say why.")
        work.state = "failed"
    finally:
        connections.close_all()  # those of this thread, which ends
        work._over.set()


def find(token: str) -> Work | None:
    """Work by its token, if it is still known."""
    with _guard:
        return next((each for each in _works.values() if each.token == token), None)


def forget(key: Hashable) -> None:
    """Let go of work that is over, so that it can be started again."""
    spoken = (manner(), key)
    with _guard:
        found = _works.get(spoken)
        if found is not None and found.over:
            del _works[spoken]
