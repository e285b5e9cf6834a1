"""Advice that pages do not wait for: asked for, worked out one after the other, what somebody looks at first.

A server answers with a few threads. Were each to wait until an advice is worked out, twenty people who open the bench
in the morning would keep everybody waiting, also for a page of plain text. So a page asks, waits a moment, and else
says that it is being worked out; the browser asks again. What a row of the bench shows, and what nobody looks at yet,
is worked out beside that, and gives way. Without processes to work things out (see `book.reckoner`) it is worked out at
once, as on the command line.
"""

from __future__ import annotations

import itertools
import logging
import queue
import threading
from collections.abc import Callable, Hashable
from contextvars import copy_context
from dataclasses import dataclass
from functools import partial
from typing import Any, TypeAlias

from django.conf import settings
from django.db import connection
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django_htmx.http import HttpResponseClientRefresh

from refettle.book import elsewhere
from refettle.book.state import JobState
from refettle.faults import ModelError
from refettle.knowledge.errors import KnowledgeError
from refettle.language import manner
from refettle.web.views.common import JobView, advice_of

PAGE, ROW, AHEAD = 0, 1, 2
"""Who asks: a page that somebody looks at, a row of the bench, nobody yet."""
PAGE_S, ALONE_S, ROW_S = 0.08, 1.5, 0.02
"""[s] To wait for it before it is said that it is being worked out. Where several people sign in a page may take 150
ms; whoever is alone at the bench holds nobody up, and sees no page that comes and goes."""

log = logging.getLogger("refettle")
_guard = threading.Lock()
_asked: dict[Hashable, tuple[threading.Event, int]] = {}
_Order: TypeAlias = "queue.PriorityQueue[tuple[int, int, Hashable, Callable[[], Any]]]"
_waited_for: _Order = queue.PriorityQueue()
_later: _Order = queue.PriorityQueue()
_count = itertools.count()
_begun: set[Hashable] = set()
_workers: dict[str, threading.Thread] = {}


@dataclass(frozen=True)
class Needed:
    """What a page shows of a job, beyond its log: whether that is there already, and how it comes to be."""

    name: str
    is_there: Callable[[JobView, JobState], bool]
    work_out: Callable[[JobView, JobState], Any]


def _advise(view: JobView, state: JobState) -> None:
    _ = state.findings
    advice_of(view, state)


ADVICE = Needed("advice", lambda view, state: state.is_advised(view.customer), _advise)


def ready(view: JobView, who: int, wait: float, needed: Needed = ADVICE) -> bool:
    """True where it is there, now or within so many seconds [s]; else it is being worked out."""
    state = view.state
    if state is None or not elsewhere.is_elsewhere() or needed.is_there(view, state):
        return True
    key = needed.name, view.job.pk, len(view.entries), view.customer, manner()
    return _ask(key, who, lambda: needed.work_out(view, state)).wait(wait)


def still_working(request: HttpRequest, view: JobView, needed: Needed = ADVICE) -> HttpResponse | None:
    """A page that says that it is being worked out, and goes on by itself; None once it is there."""
    here = request.get_full_path()
    htmx = getattr(request, "htmx", None)
    if htmx and not htmx.boosted:  # the page that waits asks every half second; a form or link wants a page
        return HttpResponseClientRefresh() if ready(view, PAGE, 0.0, needed) else HttpResponse(status=204)
    if ready(view, PAGE, PAGE_S if settings.REFETTLE_SIGN_IN else ALONE_S, needed):
        return None
    return render(request, "refettle/advice_wait.html", {"area": "bench", "view": view, "here": here})


def _ask(key: Hashable, who: int, run: Callable[[], Any]) -> threading.Event:
    order, name = (_waited_for, "advice") if who == PAGE else (_later, "advice, later")
    with _guard:
        event, before = _asked.get(key, (threading.Event(), AHEAD + 1))
        if who < before and key not in _begun:  # asked for the first time, or by somebody who goes before
            _asked[key] = event, who
            context, doing = copy_context(), run if who == PAGE else partial(_later_on, run)
            order.put((who, next(_count), key, lambda: context.run(doing)))
            if len(_asked) > KEPT:
                _drop_the_oldest()
        if name not in _workers or not _workers[name].is_alive():
            _workers[name] = threading.Thread(target=_work, args=(order,), name=name, daemon=True)
            _workers[name].start()
    return event


KEPT = 4000
"""Jobs of which it is known that their advice is there."""


def _drop_the_oldest() -> None:
    done = [key for key, (event, _) in _asked.items() if event.is_set()]
    for key in done[: KEPT // 10]:
        del _asked[key]


def _later_on(run: Callable[[], Any]) -> None:
    with elsewhere.unhurried():
        run()


def _work(order: _Order) -> None:
    while True:
        _, _, key, run = order.get()
        with _guard:
            event = _asked.get(key, (threading.Event(), 0))[0]
            if event.is_set() or key in _begun:
                continue
            _begun.add(key)
        try:
            run()
        except (ModelError, KnowledgeError) as error:
            log.info("no advice: %s", error)  # its page says so
        except Exception:
            log.exception("advice failed")
        finally:
            connection.close()  # of this thread: who waits for the next may find it gone
            with _guard:
                _begun.discard(key)
            event.set()
