"""How often repairs end well, by category and age, from published repair records: for a bench without jobs of its own.

The records are those of the Open Repair Data Standard 0.3, one repair attempt a row: `product_category` and
`repair_status` (Fixed, Repairable, End of life, Unknown), if there `product_age` [year], `id`, `data_provider`. They
are read row by row and only counted, so that memory does not grow with the file, except by some bytes for each id.
Chances are pooled over age within category (see `pooling`), so that a category with three records is not taken at its
word.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from hashlib import blake2b
from typing import Literal, get_args

from refettle.language import mark, tr
from refettle.proving.counts import ProvingError
from refettle.proving.pooling import Pool, Pooled, Tally, pool_chances

End = Literal["fixed", "repairable", "end of life"]
ENDS: tuple[End, ...] = get_args(End)
STATUS: Mapping[str, End | None] = {
    "fixed": "fixed",
    "repairable": "repairable",
    "end of life": "end of life",
    "unknown": None,
}
NOT_KNOWN = mark("age not known")
_ALL = "all"
BANDS = (mark("under 5 years"), mark("5 to 9 years"), mark("10 to 19 years"), mark("20 years and over"))
_TOPS = (5.0, 10.0, 20.0, math.inf)
MOST_ROWS = 5_000_000
MOST_LINE = 100_000
MOST_CATEGORIES = 1_000
MOST_PROVIDERS = 10_000
OLDEST = 300.0
"""[year] Ages above this, below 0 or not a number are taken as not known, and counted as odd."""


@dataclass(slots=True)
class Records:
    """What a file of repair records holds, counted.

    `counts` by category and age band are of the three ends, in the order of `ENDS`; records whose end is not known are
    in `unknown` only. `twice` were left out because their id came before; `providers` gives rows by provider.
    """

    rows: int = 0
    unknown: int = 0
    twice: int = 0
    odd_ages: int = 0
    counts: dict[tuple[str, str], list[int]] = field(default_factory=dict)
    providers: dict[str, int] = field(default_factory=dict)

    @property
    def known(self) -> int:
        """Records with a known end."""
        return sum(map(sum, self.counts.values()))


@dataclass(frozen=True, slots=True)
class BaseRate:
    """What became of such things at repair events: chances of the three ends, with intervals, and the records behind.

    `cases` are the records of this category and age, `category_cases` those of the category. Without a record of the
    age, the chances are those of records whose age is not known; without one of the category, those of a category at
    large, as far apart as categories are.
    """

    category: str
    band: str
    fixed: Pooled
    repairable: Pooled
    end_of_life: Pooled
    cases: int
    category_cases: int

    @property
    def text(self) -> str:
        """For the page."""
        known = tr(
            "{cases} records of {category}, {band}", cases=self.cases, category=self.category, band=tr(self.band)
        )
        if not self.cases:
            known = tr(
                "{cases} records of {category}, none of this age",
                cases=self.category_cases,
                category=self.category,
            )
        if not self.category_cases:
            known = tr("all records; none of this category")
        return tr(
            "{fixed:.0f} of 100 fixed ({low:.0f} to {high:.0f}), {ended:.0f} end of life ({known})",
            fixed=100 * self.fixed.mean,
            low=100 * self.fixed.low,
            high=100 * self.fixed.high,
            ended=100 * self.end_of_life.mean,
            known=known,
        )


@dataclass(frozen=True, slots=True)
class BaseRates:
    """Pooled chances of each end: `pools` by category and age, `at_large` over categories."""

    pools: Mapping[End, Pool]
    at_large: Mapping[End, Pool]
    categories: tuple[str, ...]

    def of(self, category: str, age: float | None = None) -> BaseRate:
        """The chances for a category, and an age [year] where it is known; a category not in the records is at large.

        Raises
        ------
        ProvingError
            An age below 0 or not finite.
        """
        if age is not None and (not math.isfinite(age) or age < 0):
            raise ProvingError(tr("age: {age:g} found; allowed: 0 years or more", age=age))
        known = band(age)
        name = {each.casefold(): each for each in self.categories}.get(category.strip().casefold(), category.strip())
        if name not in self.categories:
            found = {end: pool.anew.get(_ALL, pool.unknown) for end, pool in self.at_large.items()}
        else:
            there = known if (name, known) in self.pools["fixed"].types else NOT_KNOWN
            found = {end: pool.of(name, there) for end, pool in self.pools.items()}
        whole = sum(each.mean for each in found.values())
        # Pooled one by one, the three need not add up to 1; they are off by a few parts in a thousand.
        fixed, repairable, end_of_life = (_scaled(found[end], whole) for end in ENDS)
        in_band = self.pools["fixed"].types.get((name, known))
        in_category = self.pools["fixed"].kinds.get(name)
        return BaseRate(
            name,
            known,
            fixed,
            repairable,
            end_of_life,
            int(in_band.out_of) if in_band else 0,
            int(in_category.out_of) if in_category else 0,
        )


def band(age: float | None) -> str:
    """The band of an age [year]; ages are known of few records, and few of those are the same."""
    if age is None:
        return NOT_KNOWN
    return next(name for name, top in zip(BANDS, _TOPS, strict=True) if age < top)


def base_rates_of(counts: Mapping[tuple[str, str], Iterable[int]], confidence: float = 0.9) -> BaseRates:
    """Pool counted records: (category, band) -> counts of the three ends. ProvingError as `pool_chances`."""
    tallies: dict[End, list[Tally]] = {end: [] for end in ENDS}
    by_category: dict[End, list[Tally]] = {end: [] for end in ENDS}
    for (category, age), ends in counts.items():
        row = list(ends)
        for end, count in zip(ENDS, row, strict=True):
            tallies[end].append(Tally(category, age, float(count), float(sum(row))))
            by_category[end].append(Tally(_ALL, category, float(count), float(sum(row))))
    pools = {end: pool_chances(each, confidence=confidence) for end, each in tallies.items()}
    at_large = {end: pool_chances(each, confidence=confidence) for end, each in by_category.items()}
    return BaseRates(pools, at_large, tuple(sorted({category for category, _ in counts})))


def read_records(lines: Iterable[bytes]) -> Records:
    """Count the records of a CSV file.

    Parameters
    ----------
    lines : bytes
        Of the file, in UTF-8, with a head that names the columns; others than those used are passed over.

    Raises
    ------
    ProvingError
        Naming the line and the field: a line too long, no UTF-8, a row shorter than the head, a status that the
        standard does not have, or no record at all.
    """
    reader = csv.reader(_text(lines))
    out, seen = Records(), set[bytes]()
    try:
        columns = _columns(next(reader, []))
        for row in reader:
            if not row:
                continue
            if out.rows >= MOST_ROWS:
                raise ProvingError(
                    tr("more than {most_rows:,} rows found; allowed: at most that many", most_rows=MOST_ROWS)
                )
            try:
                _count(out, seen, columns, row)
            except ProvingError as error:
                raise ProvingError(tr("line {line_num}: {error}", line_num=reader.line_num, error=error)) from None
    except csv.Error as error:
        raise ProvingError(
            tr("line {line_num}: {error}; allowed: rows of a CSV file", line_num=reader.line_num, error=error)
        ) from None
    if not out.rows:
        raise ProvingError(tr("no record found; allowed: a head and at least one row"))
    return out


def _text(lines: Iterable[bytes]) -> Iterator[str]:
    for number, line in enumerate(lines, 1):
        if len(line) > MOST_LINE:
            raise ProvingError(
                tr(
                    "line {number}: more than {most_line:,} bytes found; allowed: at most that many",
                    number=number,
                    most_line=MOST_LINE,
                )
            )
        if b"\0" in line:
            raise ProvingError(
                tr(
                    "line {number}: byte {index} is 0, no text; allowed: text in UTF-8",
                    number=number,
                    index=line.index(0) + 1,
                )
            )
        try:
            yield line.decode("utf-8-sig" if number == 1 else "utf-8")
        except UnicodeDecodeError as error:
            raise ProvingError(
                tr(
                    "line {number}: byte {start} is no UTF-8; allowed: text in UTF-8",
                    number=number,
                    start=error.start + 1,
                )
            ) from None


def _columns(head: list[str]) -> dict[str, int]:
    names = [name.strip().casefold() for name in head]
    for needed in ("product_category", "repair_status"):
        if names.count(needed) != 1:
            found = ", ".join(names)[:200] or "nothing"
            raise ProvingError(
                tr(
                    "line 1: {needed} {how_often} found among the columns ({found}); allowed: once",
                    needed=needed,
                    how_often=tr("twice") if needed in names else tr("not"),
                    found=found,
                )
            )
    return {name: place for place, name in enumerate(names)}


def _count(out: Records, seen: set[bytes], columns: Mapping[str, int], row: list[str]) -> None:
    def cell(name: str) -> str:
        place = columns.get(name)
        return row[place].strip() if place is not None and place < len(row) else ""

    if len(row) < len(columns):
        raise ProvingError(
            tr("{row} fields found; allowed: {columns}, as in the head", row=len(row), columns=len(columns))
        )
    ident = cell("id")
    if ident:
        key = blake2b(ident.encode("utf-8"), digest_size=8).digest()
        if key in seen:
            out.twice += 1
            return
        seen.add(key)
    status, category, provider = cell("repair_status"), cell("product_category"), cell("data_provider")
    if status.casefold() not in STATUS:
        raise ProvingError(
            tr("repair_status: {status!r} found; allowed: Fixed, Repairable, End of life, Unknown", status=status[:40])
        )
    if not 0 < len(category) <= 100:
        raise ProvingError(
            tr("product_category: {category!r} found; allowed: 1 to 100 letters", category=category[:40])
        )
    out.rows += 1
    out.providers[provider[:100]] = out.providers.get(provider[:100], 0) + 1
    if len(out.providers) > MOST_PROVIDERS:
        raise ProvingError(
            tr(
                "data_provider: more than {most_providers:,} found; allowed: at most that many",
                most_providers=MOST_PROVIDERS,
            )
        )
    age = _age(cell("product_age"), out)
    end = STATUS[status.casefold()]
    if end is None:
        out.unknown += 1
        return
    ends = out.counts.setdefault((category, band(age)), [0, 0, 0])
    ends[ENDS.index(end)] += 1
    if len(out.counts) > MOST_CATEGORIES * (len(BANDS) + 1):
        raise ProvingError(
            tr(
                "product_category: more than {most_categories:,} found; allowed: at most that many",
                most_categories=MOST_CATEGORIES,
            )
        )


def _age(text: str, out: Records) -> float | None:
    if not text:
        return None
    try:
        age = float(text)
    except ValueError:
        age = math.nan
    if 0.0 <= age <= OLDEST:
        return age
    out.odd_ages += 1
    return None


def _scaled(pooled: Pooled, whole: float) -> Pooled:
    low, mean, high = (min(1.0, each / whole) for each in (pooled.low, pooled.mean, pooled.high))
    return Pooled(mean, low, high, min(1.0, pooled.prior / whole), pooled.worth, pooled.count, pooled.out_of)
