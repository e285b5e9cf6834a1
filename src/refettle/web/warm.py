"""Worked out beside the serving: the next step of the open jobs, so that the first page of the day is quick; and what
like parts of the stores have in common, so that no page waits for it."""

from __future__ import annotations

import gc
import logging
import threading
import time

from django.db import DatabaseError, connection
from django.utils import timezone

from refettle.book import elsewhere, experience, reorder, reorder_fits, store
from refettle.book.brief import briefs
from refettle.book.log import LogError
from refettle.faults import ModelError
from refettle.knowledge.errors import KnowledgeError
from refettle.web import advising
from refettle.web.print_pdf import pdf_trouble
from refettle.web.views.common import advice_of, get_job

JOBS = 500
"""Of the open jobs, the most recent first."""

MOST_S = 60.0
"""[s] For one of them."""
FREEZE_EVERY = 20
"""Jobs. What is kept for good is taken out of Python's search for garbage in circles: that stops every page, for 0.4 s
where 400 jobs are kept."""
LOOKED_S = 60.0
"""[s] It is looked so often whether it is to be worked out anew."""

_asked = threading.Event()
log = logging.getLogger(__name__)


def warm(jobs: int = JOBS) -> None:
    """Fill the caches behind the pages for the newest open jobs, and load what prints reports."""
    pdf_trouble()
    try:
        newest = store.bench()[::-1][:jobs]
        for first in range(0, len(newest), 50):  # as the bench shows them
            briefs(newest[first : first + 50])
        for count, job in enumerate(newest, start=1):
            begun = time.monotonic()
            try:
                view = get_job(job.number)
                if elsewhere.is_elsewhere():
                    advising.ready(view, advising.AHEAD, MOST_S)
                elif view.state is not None:
                    advice_of(view, view.state)
            except (LogError, KnowledgeError, ModelError) as error:
                log.info("job %s is not ready: %s", job.number, error)  # its page says so
            if count % FREEZE_EVERY == 0 or count == len(newest):
                gc.freeze()
            time.sleep(time.monotonic() - begun)  # half of the time is for what people ask for meanwhile
    finally:
        connection.close()


def keep_fits(often: float = LOOKED_S) -> None:
    """Work out anew what like parts have in common as the ledger goes on, for as long as the program runs."""
    while True:
        try:
            if reorder_fits.is_due(timezone.now()):
                reorder.work_out(timezone.localdate())
        except DatabaseError as error:  # locked, or gone for the moment
            log.info("what like parts have in common was not worked out: %s", error)
        finally:
            connection.close()
        _asked.wait(often)
        _asked.clear()


def keep_lessons(often: float = LOOKED_S) -> None:
    """Work out the lessons of jobs that were finished, and put them together, for as long as the program runs."""
    while True:
        try:
            with elsewhere.unhurried():
                experience.catch_up()
        except DatabaseError as error:  # locked, or gone for the moment
            log.info("what finished jobs taught was not worked out: %s", error)
        finally:
            connection.close()
        experience.asked.wait(often)
        experience.asked.clear()


def ask_for_fits() -> None:
    """A page found nothing worked out: do not wait until the next look."""
    _asked.set()


def start_warming() -> threading.Thread:
    """Do it beside serving."""
    thread = threading.Thread(target=warm, name="warm", daemon=True)
    thread.start()
    threading.Thread(target=keep_fits, name="fits", daemon=True).start()
    threading.Thread(target=keep_lessons, name="lessons", daemon=True).start()
    return thread
