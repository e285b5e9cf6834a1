"""How long a long price list takes to read, and to take into a book.

    python benchmarks/prices.py [--rows 20000]

A list of so many numbers with three breaks, stock and lead time, as CSV and as a workbook; beside it the time that the
csv module and openpyxl need for the bare cells.
"""

from __future__ import annotations

import argparse
import csv
import io
import time
from collections.abc import Callable

import openpyxl

from refettle.ordering.pricelist import read_list

HEADS = ["Part no", "Description", "Pack", "Stock", "Lead time", "Currency", "1+", "10+", "100+"]


def rows(count: int) -> list[list[object]]:
    """Numbers with prices that differ."""
    return [
        [f"K-{n}", f"Electrolytic {n} µF 25 V 105 °C", 1, 10 + n, f"{1 + n % 5}-{4 + n % 9} days", "EUR",
         n % 97 + 1 + n % 100 / 100, 0.9 + n % 10 / 1000, 0.1 + n % 50 / 1000]
        for n in range(count)
    ]  # fmt: skip


def as_csv(table: list[list[object]]) -> bytes:
    """With semicolons and decimal commas."""
    out = io.StringIO()
    writer = csv.writer(out, delimiter=";")
    writer.writerow(HEADS)
    for row in table:
        writer.writerow([f"{cell:.3f}".replace(".", ",") if isinstance(cell, float) else cell for cell in row])
    return out.getvalue().encode("cp1252")


def as_workbook(table: list[list[object]]) -> bytes:
    """One sheet."""
    book = openpyxl.Workbook(write_only=True)
    sheet = book.create_sheet()
    for row in [HEADS, *table]:
        sheet.append(row)
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def bare_csv(data: bytes) -> int:
    """The cells alone."""
    return sum(len(row) for row in csv.reader(io.StringIO(data.decode("cp1252")), delimiter=";"))


def bare_workbook(data: bytes) -> int:
    """The cells alone."""
    book = openpyxl.load_workbook(io.BytesIO(data), read_only=True, data_only=True)
    return sum(len(row) for row in book.worksheets[0].iter_rows(values_only=True))


def timed(work: Callable[[], object], times: int = 3) -> float:
    """[s] The least of some runs."""
    best = float("inf")
    for _ in range(times):
        begin = time.perf_counter()
        work()
        best = min(best, time.perf_counter() - begin)
    return best


def main() -> None:
    """Print a table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rows", type=int, default=20_000)
    count = parser.parse_args().rows
    table = rows(count)
    print(f"| {count:,} rows | MB | read [s] | bare cells [s] |\n|---|---|---|---|")
    for name, data, bare in (("CSV", as_csv(table), bare_csv), ("workbook", as_workbook(table), bare_workbook)):
        read = read_list(data)
        assert len(read.offers) == count
        assert not read.refused
        ours = timed(lambda data=data: read_list(data))  # type: ignore[misc]
        cells = timed(lambda data=data, bare=bare: bare(data))  # type: ignore[misc]
        print(f"| {name} | {len(data) / 1e6:.1f} | {ours:.2f} | {cells:.2f} |")


if __name__ == "__main__":
    main()
