"""What is in a bench book, read without Refettle: by SQL and from its folder alone."""

from __future__ import annotations

import hashlib
import json
import sqlite3
from collections import Counter, defaultdict
from collections.abc import Iterable
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

HASHES = {"photo": ("photos", "photo"), "board": ("files", "file")}
"""Kinds of entries that name a file: its folder, and the field."""


@dataclass(frozen=True)
class Row:
    """One entry."""

    job: int
    n: int
    kind: str
    who: str
    data: dict[str, Any]

    @property
    def mark(self) -> str:
        """The word that the load wrote into it, by which it is known."""
        for key in ("text", "note", "caption", "why", "said", "name", "what"):
            value = self.data.get(key)
            if isinstance(value, str) and value.startswith("load-"):
                return value.removesuffix(".csv")
        return ""


class Kept:
    """A book's rows."""

    def __init__(self, variables: dict[str, str]) -> None:
        self.home = Path(variables["REFETTLE_HOME"])
        self.url = variables.get("REFETTLE_DATABASE", "")

    def rows(self, query: str) -> list[tuple[Any, ...]]:
        """Of one query, the same on both databases."""
        if self.url:
            import psycopg

            with psycopg.connect(self.url) as server:
                return server.execute(query).fetchall()  # type: ignore[call-overload,no-any-return]
        with closing(sqlite3.connect(self.home / "book.sqlite3", timeout=30)) as database:
            return database.execute(query).fetchall()

    def entries(self) -> list[Row]:
        """All, in the order in which they were committed, by job."""
        found = self.rows(
            "SELECT j.number, e.n, e.kind, e.who, CAST(e.data AS text) FROM book_entry e "
            "JOIN book_job j ON j.id = e.job_id ORDER BY j.number, e.n"
        )
        return [Row(job, n, kind, who, json.loads(data)) for job, n, kind, who, data in found]

    def wrong(self, acknowledged: Iterable[str], labels: Iterable[str] = ()) -> list[str]:
        """What is lost, double or half-written, in words: nothing.

        Parameters
        ----------
        acknowledged : iterable of str
            Marks of entries that were answered for.
        labels : iterable of str
            Of units whose take-in was answered for.
        """
        entries = self.entries()
        found: list[str] = []
        marks = Counter(e.mark for e in entries if e.mark)
        found += [
            f"{mark} was acknowledged and is there {marks[mark]} times" for mark in acknowledged if marks[mark] != 1
        ]
        found += [f"{mark} is there {count} times" for mark, count in marks.items() if count > 1]
        by_job: dict[int, list[Row]] = defaultdict(list)
        for entry in entries:
            by_job[entry.job].append(entry)
        for job, rows in by_job.items():
            if [r.n for r in rows] != list(range(1, len(rows) + 1)):
                found.append(f"job {job}: its entries are not numbered from 1 without a gap")
        jobs = self.rows(
            "SELECT j.number, u.label FROM book_job j JOIN book_unit u ON u.id = j.unit_id ORDER BY j.number"
        )
        if [number for number, _ in jobs] != list(range(1, len(jobs) + 1)):
            found.append("the jobs are not numbered from 1 without a gap")
        kept = Counter(label for _, label in jobs)
        found += [f"unit {label} was taken in and is there {kept[label]} times" for label in labels if kept[label] != 1]
        for number, label in jobs:
            kinds = [r.kind for r in by_job[number]]
            if label.startswith("load-") and "take-in" not in kinds:
                found.append(f"job {number} has no take-in")
        (alone,) = self.rows(
            "SELECT count(*) FROM book_unit WHERE id NOT IN (SELECT unit_id FROM book_job)"
        )[0]  # fmt: skip
        if alone:
            found.append(f"{alone} units without a job")
        return found + self._files(entries) + self._corrections(by_job)

    def _files(self, entries: list[Row]) -> list[str]:
        formats = {"JPEG": "jpg", "PNG": "png", "WEBP": "webp"}
        photos = {sha256: formats[form] for sha256, form in self.rows("SELECT sha256, format FROM book_photo")}
        found = [f"{e.data['photo'][:12]} of job {e.job}, entry {e.n}, has no row of its own" for e in entries
                 if e.kind == "photo" and e.data["photo"] not in photos]  # fmt: skip
        wanted = {(sha256, Path("photos") / sha256[:2] / f"{sha256}.{end}") for sha256, end in photos.items()}
        wanted |= {(e.data["file"], Path("files") / e.data["file"][:2] / e.data["file"]) for e in entries
                   if e.kind == "board"}  # fmt: skip
        for sha256, path in wanted:
            try:
                right = hashlib.sha256((self.home / path).read_bytes()).hexdigest() == sha256
            except FileNotFoundError:
                right = False
            if not right:
                found.append(f"{path} is missing or not what was kept")
        for path in [*(self.home / "photos").glob("??/*"), *(self.home / "files").glob("??/*")]:
            if path.name.startswith(".new-"):
                continue  # never looked at: it has no name yet
            sha256 = path.name.partition(".")[0]
            original = path.name.count(".") < 2
            if original and hashlib.sha256(path.read_bytes()).hexdigest() != sha256:
                found.append(f"{path} stands under its name half-written")
        return found

    def _corrections(self, by_job: dict[int, list[Row]]) -> list[str]:
        """A correction of the load says in `why` which entry it means: 'load-X corrects load-Y'."""
        found = []
        for job, rows in by_job.items():
            marks = {r.n: r.mark for r in rows}
            for row in rows:
                if row.kind != "correction" or " corrects " not in row.data.get("why", ""):
                    continue
                meant = row.data["why"].split(" corrects ")[1]
                target = row.data["corrects"]
                if target >= row.n or marks.get(target) != meant:
                    found.append(f"job {job}, entry {row.n}: corrects entry {target}, which is not {meant}")
        return found

    def unfinished(self) -> int:
        """Files that a killed process had begun."""
        return sum(1 for folder in ("photos", "files") for _ in (self.home / folder).rglob(".new-*"))
