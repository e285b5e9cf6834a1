"""Working out the next step of the open jobs beforehand, so that the first page of the day is quick."""

from __future__ import annotations

import logging
import threading

from django.db import connection

from refettle.book import store
from refettle.book.log import LogError
from refettle.faults import ModelError
from refettle.knowledge.errors import KnowledgeError

JOBS = 40
"""Of the most recent open jobs."""

log = logging.getLogger(__name__)


def warm(jobs: int = JOBS) -> None:
    """Fill the caches behind the pages for the newest open jobs."""
    try:
        for job in store.bench()[-jobs:]:
            try:
                store.job_state(job).advice(customer=job.unit.owner.kind == "customer")
            except (LogError, KnowledgeError, ModelError) as error:
                log.info("job %s is not ready: %s", job.number, error)  # its page says so
    finally:
        connection.close()


def start_warming() -> threading.Thread:
    """Do it beside serving."""
    thread = threading.Thread(target=warm, name="warm", daemon=True)
    thread.start()
    return thread
