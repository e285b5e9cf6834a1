"""Repair records of community repair events: read, counted, and foretold better than by bare shares.

The real ones are the release 2025-07 of the Open Repair Data by the Open Repair Alliance (CC BY-SA 4.0), in the Open
Repair Data Standard 0.3; they are not kept with this project, and tests of them skip where they are absent. The same is
tried on a file in the same format that is drawn here.
"""

from __future__ import annotations

import csv
import io
from collections import Counter, defaultdict
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest

from refettle.proving.base_rates import BaseRates, band, base_rates_of, read_records
from refettle.proving.calibration import calibration, log_loss
from refettle.proving.counts import ProvingError

REAL = Path(__file__).parents[2].parent / "shared" / "data" / "repairs" / "repairs.csv"
HEAD = "id,data_provider,country,product_category,product_age,repair_status,repair_barrier_if_end_of_life,event_date"
Row = dict[str, str]


def real_rows() -> list[Row]:
    if not REAL.is_file():
        pytest.skip(f"the repair records are not at {REAL}")
    with REAL.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def drawn_rows(count: int = 3000, seed: int = 4) -> list[Row]:
    """Records of 60 categories, some common and most rare, whose chances differ."""
    rng = np.random.default_rng(seed)
    size = rng.pareto(0.8, 60) + 0.2
    fixed = rng.beta(6, 4, 60)
    rows = []
    for n in range(count):
        c = int(rng.choice(60, p=size / size.sum()))
        status = "Fixed" if rng.random() < fixed[c] else "End of life" if rng.random() < 0.9 else "Repairable"
        year = 2016 + n * 8 // count
        rows.append(
            dict(
                zip(
                    HEAD.split(","),
                    (f"r{n}", f"provider {n % 3}", "DNK", f"category {c}", "", status, "", f"{year}-05-01"),
                    strict=True,
                )
            )
        )
    return rows


def written(rows: list[Row]) -> list[bytes]:
    out = io.StringIO()
    writer = csv.DictWriter(out, HEAD.split(","))
    writer.writeheader()
    writer.writerows(rows)
    return [line.encode() for line in out.getvalue().splitlines(keepends=True)]


def rates_of(rows: list[Row]) -> BaseRates:
    return base_rates_of(read_records(written(rows)).counts)


def losses(learned: list[Row], unseen: list[Row]) -> tuple[float, float, float, int]:
    """Log loss of 'fixed' by the overall share, by the bare share of the category, pooled; and bins that are off."""
    share: dict[str, list[int]] = defaultdict(lambda: [0, 0])
    for row in learned:
        for key in ("", row["product_category"]):
            share[key][0] += row["repair_status"] == "Fixed"
            share[key][1] += 1
    pooled, rates = [], rates_of(learned)
    for row in unseen:
        age = float(row["product_age"]) if row["product_age"] else None
        pooled.append(rates.of(row["product_category"], age).fixed.mean)
    whole = share[""][0] / share[""][1]
    bare = [share[c][0] / share[c][1] if c in share else whole for c in (row["product_category"] for row in unseen)]
    came = [row["repair_status"] == "Fixed" for row in unseen]
    off = sum(not each.agrees for each in calibration(pooled, came).bins)
    return log_loss([whole] * len(came), came), log_loss(bare, came), log_loss(pooled, came), off


def known(rows: list[Row]) -> list[Row]:
    return [row for row in rows if row["repair_status"] != "Unknown"]


@pytest.mark.parametrize("rows", [real_rows, drawn_rows])
@pytest.mark.parametrize("year", ["2018", "2020", "2022"])
def test_later_years_are_foretold_better_than_by_shares(rows: Callable[[], list[Row]], year: str) -> None:
    ended = known(rows())
    overall, bare, pooled, _ = losses(
        [row for row in ended if row["event_date"] < year], [row for row in ended if row["event_date"] >= year]
    )
    assert pooled < min(overall, bare)


def test_one_provider_is_foretold_from_the_others() -> None:
    """Over all four together, each from the other three; not for every one of them."""
    ended = known(real_rows())
    providers = {row["data_provider"] for row in ended}
    sums = np.zeros(3)
    for each in providers:
        unseen = [row for row in ended if row["data_provider"] == each]
        found = losses([row for row in ended if row["data_provider"] != each], unseen)
        sums += np.array(found[:3]) * len(unseen)
    overall, bare, pooled = sums / len(ended)
    assert pooled < min(overall, bare)


@pytest.mark.parametrize("rows", [real_rows, drawn_rows])
def test_counts_are_those_of_a_plain_count(rows: Callable[[], list[Row]]) -> None:
    all_rows = rows()
    read = read_records(written(all_rows))
    assert read.rows == len(all_rows)
    assert read.unknown == sum(row["repair_status"] == "Unknown" for row in all_rows)
    plain = Counter(row["product_category"] for row in all_rows if row["repair_status"] == "Fixed")
    counted: Counter[str] = Counter()
    for (category, _), ends in read.counts.items():
        counted[category] += ends[0]
    assert +counted == plain
    assert read.providers == Counter(row["data_provider"] for row in all_rows)


def test_the_three_ends_add_up_and_leave_nothing_out() -> None:
    rates = rates_of(drawn_rows())
    for category, age in (("category 3", None), ("CATEGORY 3", 40.0), ("never seen", 12.0)):
        found = rates.of(category, age)
        assert found.fixed.mean + found.repairable.mean + found.end_of_life.mean == pytest.approx(1.0)
        assert 0 <= found.fixed.low <= found.fixed.mean <= found.fixed.high <= 1
        assert "of 100 fixed" in found.text
    assert rates.of("never seen").category_cases == 0
    with pytest.raises(ProvingError, match="age: -1 found"):
        rates.of("category 3", -1)


def test_a_record_counts_once_and_odd_ages_are_told() -> None:
    head = b"\xef\xbb\xbfid,product_category,product_age,repair_status\n"
    rows = [b"a,Lamp,3,Fixed\n", b"a,Lamp,3,Fixed\n", b"b,Lamp,old,fixed\n", b"c,Lamp,-4,END OF LIFE\n"]
    read = read_records([head, *rows])
    assert (read.rows, read.twice, read.odd_ages, read.known) == (3, 1, 2, 3)
    assert read.counts["Lamp", "under 5 years"] == [1, 0, 0]
    assert band(35) == "20 years and over"


@pytest.mark.parametrize(
    ("lines", "said"),
    [
        ([], "line 1: product_category not found"),
        ([b"id,repair_status\n"], "line 1: product_category not found"),
        ([b"product_category,repair_status,product_category\n"], "line 1: product_category twice found"),
        ([b"product_category,repair_status\n"], "no record found"),
        ([b"product_category,repair_status\n", b"Lamp,Mended\n"], "line 2: repair_status: 'Mended' found; allowed: Fi"),
        ([b"product_category,repair_status\n", b",Fixed\n"], "line 2: product_category: '' found"),
        ([b"product_category,repair_status\n", b"Lamp\n"], "line 2: 1 fields found; allowed: 2"),
        ([b"product_category,repair_status\n", b"Lamp\xff,Fixed\n"], "line 2: byte 5 is no UTF-8"),
        ([b"product_category,repair_status\n", b"La\0mp,Fixed\n"], "line 2: byte 3 is 0, no text; allowed"),
        ([b"product_category,repair_status\n", b"x" * 200_000], "line 2: more than 100,000 bytes found"),
        ([b"product_category,repair_status\n", b'"', *[b"x" * 90_000 + b"\n"] * 3], "field larger than field limit"),
    ],
)
def test_a_file_that_cannot_be_is_refused_by_line(lines: list[bytes], said: str) -> None:
    with pytest.raises(ProvingError) as caught:
        read_records(lines)
    assert said in str(caught.value)


def test_a_long_file_takes_little_memory() -> None:
    import tracemalloc

    def lines() -> Iterator[bytes]:
        yield b"id,product_category,product_age,repair_status,problem\n"
        for n in range(200_000):
            yield f"r{n},category {n % 50},{n % 60},Fixed,{'it hums ' * 10}\n".encode()

    tracemalloc.start()
    read = read_records(lines())
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert read.rows == 200_000
    assert peak < 40e6
