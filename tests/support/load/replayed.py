"""Every job of a book replayed, as JSON of one spelling, a line for each: what must be equal byte by byte. A script."""

from __future__ import annotations

import dataclasses
import hashlib
import json
import sys
from collections.abc import Mapping
from datetime import UTC, date, datetime
from decimal import Decimal
from typing import Any


def plain(value: Any) -> Any:
    """A value in JSON's own kinds, without loss: numbers by their shortest exact spelling, sets in order."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        named = type(value).__name__
        if named == "CompiledType":
            return {"type": value.loaded.sha256}
        return {f.name: plain(getattr(value, f.name)) for f in dataclasses.fields(value)}
    if isinstance(value, datetime):
        return value.astimezone(UTC).isoformat()
    if isinstance(value, (date, Decimal)):
        return str(value)
    if isinstance(value, Mapping):
        return {str(k): plain(v) for k, v in value.items()}
    if isinstance(value, (set, frozenset)):
        return sorted((plain(each) for each in value), key=repr)
    if isinstance(value, (list, tuple)):
        return [plain(each) for each in value]
    if hasattr(value, "tolist"):
        return plain(value.tolist())
    if value is None or isinstance(value, (str, int, float, bool)):
        return value
    if hasattr(value, "model_dump"):
        return plain(value.model_dump())
    raise TypeError(f"{type(value)} has no spelling here")


def main() -> None:
    """The book that the environment names."""
    from refettle.web.start import start

    start()
    from refettle.book import store
    from refettle.book.models import Job

    for number in Job.objects.order_by("number").values_list("number", flat=True):
        job = store.find_job(number)
        state = store.job_state(job)
        told = {"job": number, "state": plain(state), "findings": plain(state.findings), "log": store.entries(job)}
        line = json.dumps(told, ensure_ascii=True, separators=(",", ":"))
        sys.stdout.write(f"{number} {hashlib.sha256(line.encode()).hexdigest()} {line}\n")


if __name__ == "__main__":
    main()
