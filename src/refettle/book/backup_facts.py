"""What a backup must give back, in brief: of each job its log and what follows from it; the sums of the stores."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping
from datetime import UTC, datetime
from typing import Any

from refettle import __version__
from refettle.book import store, stores_check
from refettle.book.log import LogError
from refettle.book.models import Job, TypeVersion
from refettle.faults import ModelError
from refettle.knowledge.errors import KnowledgeError

Facts = dict[str, Any]


def log_digest(entries: Iterable[Mapping[str, Any]]) -> str:
    """A hash over a log: every entry as one line of JSON, its time in UTC, so that no time zone of a bench matters."""
    hashed = hashlib.sha256()
    for entry in entries:
        at = datetime.fromisoformat(entry["at"]).astimezone(UTC).isoformat()
        hashed.update(json.dumps({**entry, "at": at}, ensure_ascii=True).encode("ascii") + b"\n")
    return hashed.hexdigest()


def job_facts(had: Mapping[str, Facts] | None = None) -> dict[str, Facts]:
    """Of every job, by its number: entries, hash of the log, unit type, stage, minutes, parts; where it does not
    replay, what was said.

    Parameters
    ----------
    had : mapping, optional
        The facts of an earlier time, of this version of Refettle: the same log and type are not replayed again.
    """
    found: dict[str, Facts] = {}
    types = {version.pk: version.digest() for version in TypeVersion.objects.iterator(chunk_size=10)}
    for job in Job.objects.with_unit().order_by("number"):
        log = store.entries(job)
        facts: Facts = {"entries": len(log), "log": log_digest(log), "type": types[job.unit.type_version_id]}
        before = (had or {}).get(str(job.number), {})
        if {k: before.get(k) for k in facts} == facts:
            found[str(job.number)] = dict(before)
            continue
        try:
            state = store.job_state(job)
            facts |= {
                "stage": state.stage,
                "waits_for": state.waits_for,
                "minutes": round(state.minutes, 1),
                "parts": round(state.parts, 2),
            }
        except (LogError, KnowledgeError, ModelError) as error:
            facts["said"] = str(error)
        found[str(job.number)] = facts
    return found


def book_facts(had: Mapping[str, Any] | None = None) -> Facts:
    """What is in the book that is open: jobs, and the sums of the stores that do not add up."""
    earlier = had["jobs"] if had is not None and had.get("refettle") == __version__ else None
    return {"jobs": job_facts(earlier), "sums": [str(each) for each in stores_check.verify()]}
