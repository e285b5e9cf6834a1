"""Published repair records in the book: brought in from a file, counted, and asked for base rates."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from datetime import date
from functools import lru_cache
from pathlib import Path
from typing import BinaryIO

from refettle.book.experience import experience
from refettle.book.models_experience import RepairRecords
from refettle.knowledge.schema import UnitType
from refettle.money import Ends, ends_of
from refettle.proving.base_rates import MOST_LINE, BaseRate, BaseRates, base_rates_of, read_records


def import_records(file: BinaryIO, name: str) -> RepairRecords:
    """Count a file of repair records and keep the counts; they take the place of those that were used before.

    The same file again changes nothing but that it is used.

    Raises
    ------
    ProvingError
        Naming the line and the field; nothing is kept then.
    """
    digest = hashlib.sha256()
    read = read_records(_lines(file, digest))
    same = RepairRecords.objects.filter(sha256=digest.hexdigest()).first()
    if same is not None:
        return _use(same)
    counts = [[category, band, ends] for (category, band), ends in read.counts.items()]
    made = RepairRecords.objects.create(
        name=Path(name).name[:200],
        sha256=digest.hexdigest(),
        rows=read.rows,
        unknown=read.unknown,
        twice=read.twice,
        odd_ages=read.odd_ages,
        counts=counts,
        providers=read.providers,
    )
    return _use(made)


def _lines(file: BinaryIO, digest: hashlib._Hash) -> Iterator[bytes]:
    while line := file.readline(MOST_LINE + 1):
        digest.update(line)
        yield line


def _use(records: RepairRecords) -> RepairRecords:
    RepairRecords.objects.exclude(pk=records.pk).filter(used=True).update(used=False)
    records.used = True
    records.save(update_fields=["used"])
    return records


def records_in_use() -> RepairRecords | None:
    """The records that give the base rates; None before any came in, or when they were taken out."""
    return RepairRecords.objects.filter(used=True).order_by("-id").first()


def take_out() -> RepairRecords | None:
    """Use no records any more; their counts stay in the book. The ones taken out, or None."""
    records = records_in_use()
    if records is not None:
        records.used = False
        records.save(update_fields=["used"])
    return records


@lru_cache(maxsize=4)
def _rates(pk: int, sha256: str) -> BaseRates:
    kept = RepairRecords.objects.get(pk=pk)
    return base_rates_of({(category, band): ends for category, band, ends in kept.counts})


def base_rates(category: str, age: float | None = None) -> BaseRate | None:
    """What became of such things at repair events: fixed, repairable, end of life, pooled over age and category.

    Parameters
    ----------
    category : str
        As in the records, in any case: 'Hi-Fi separates'. One that they do not have is taken at large.
    age : float, optional
        [year].

    Returns
    -------
    BaseRate or None
        None while no records are in the book (`refettle repairs import FILE.csv`).

    Raises
    ------
    ProvingError
        An age below 0.
    """
    used = records_in_use()
    return _rates(used.pk, used.sha256).of(category, age) if used else None


def ends_for(unit_type: UnitType, day: date) -> Ends | None:
    """How units of a type end, by the records in use and the bench's own finished jobs of the type.

    The age is taken from the middle of the years in which it was made to `day`.

    Returns
    -------
    Ends or None
        None while no records are in use, or for a type without a category: then a quote goes by the log alone.
    """
    category = unit_type.records_category
    used = records_in_use() if category else None
    if used is None or category is None:
        return None
    years = unit_type.years
    age = None if years is None else max(0.0, day.year - 0.5 * (years[0] + years[1]))
    worked, jobs = experience().ended.get(unit_type.unit_type, (0, 0))
    return ends_of(_rates(used.pk, used.sha256).of(category, age), worked, jobs, used.name)


def categories() -> tuple[str, ...]:
    """The categories of the records in use, in order of name."""
    used = records_in_use()
    return _rates(used.pk, used.sha256).categories if used else ()
