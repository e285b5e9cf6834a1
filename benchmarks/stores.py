"""How fast the stores are when there are many parts: search, a part's page, a line written, all sums worked out anew.

    python benchmarks/stores.py [--parts 50000] [--lines 1000000] [--database postgresql://...]

A throw-away book is filled in bulk with parts of every sort, two lots each, and a ledger that adds up; one part has
20,000 lines of its own. Then each thing is done many times on different parts, and the median and the slowest are
told. What the searches and pages find is checked, so that nothing is fast because it does nothing.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from statistics import median
from typing import Any

TYPED = ("4u7 50v", "100u 25V", "electrolytic 10u", "4k7", "drawer 77", "C100n-50-31", "100n film", "belt 70")
SERIES = (1.0, 1.5, 2.2, 3.3, 4.7, 6.8)
BUSY = 20_000
"""Lines of the busiest part."""


def parts_of(count: int, rng: random.Random) -> Iterator[dict[str, Any]]:
    """Fields of many parts: values of E6 over the decades, volts, and parts without a value."""
    for n in range(count):
        sort, place = n % 10, f"drawer {n % 400}"
        if sort < 6:
            kind = ("aluminium", "aluminium", "low-impedance", "film", "ceramic", "tantalum")[sort]
            amount = float(f"{rng.choice(SERIES)}e{rng.randint(-10, -4)}")
            volt = float(rng.choice((6.3, 10, 16, 25, 35, 50, 63, 100)))
            told = {"kind": kind, "unit": "F", "amount": amount, "volt": volt, "celsius": 105.0, "name": f"{kind} {n}"}
            told["name"] = f"Electrolytic, make {n % 97}" if sort < 3 else f"{kind.capitalize()}, make {n % 97}"
        elif sort < 9:
            amount = float(f"{rng.choice(SERIES)}e{rng.randint(0, 6)}")
            told = {"kind": "resistor", "unit": "ohm", "amount": amount, "name": f"Resistor, make {n % 97}"}
        else:
            told = {"kind": "belt", "name": f"Belt {n % 300} mm"}
        yield {"code": f"P{n}-{sort}", "place": place, **told}


def fill(count: int, lines: int) -> None:
    """Parts, lots and a ledger of so many lines, in bulk; the sums are those of the ledger."""
    from django.db import transaction

    from refettle.book.models_stores import Lot, Movement, Part

    rng = random.Random(1)
    with transaction.atomic():
        Part.objects.bulk_create([Part(**told) for told in parts_of(count, rng)], batch_size=2000)
        keys = list(Part.objects.order_by("pk").values_list("pk", flat=True))
        lots = [Lot(part_id=pk, code=str(2000 + n), currency="EUR", price="0.12") for pk in keys for n in (1, 2)]
        Lot.objects.bulk_create(lots, batch_size=5000)
        by_part: dict[int, list[int]] = {}
        for lot, part in Lot.objects.order_by("pk").values_list("pk", "part"):
            by_part.setdefault(part, []).append(lot)
    on_hand: Counter[int] = Counter()
    begin = datetime(2026, 1, 1, tzinfo=UTC)
    batch: list[Movement] = []

    def line(part: int, lot: int, n: int) -> Movement:
        out = min(on_hand[lot], rng.randint(1, 9)) if n % 4 else 0
        change, kind = (-out, "used") if out else (rng.randint(20, 200), "received")
        on_hand[lot] += change
        at = begin + timedelta(seconds=30 * n)
        return Movement(part_id=part, lot_id=lot, at=at, who="Ada", kind=kind, on_hand=change)

    def write() -> None:
        with transaction.atomic():
            Movement.objects.bulk_create(batch, batch_size=5000)
        batch.clear()

    for n in range(lines):
        part = keys[0] if n < BUSY else keys[n % count]
        batch.append(line(part, by_part[part][rng.randint(0, 1)], n))
        if len(batch) >= 50_000:
            write()
    write()
    with transaction.atomic():
        changed = [Lot(pk=lot, on_hand=held) for lot, held in on_hand.items()]
        Lot.objects.bulk_update(changed, ["on_hand"], batch_size=400)
        sums = [Part(pk=pk, on_hand=sum(on_hand[lot] for lot in by_part[pk])) for pk in keys]
        Part.objects.bulk_update(sums, ["on_hand"], batch_size=400)


def timed(what: Callable[[int], Any], times: int) -> tuple[float, float, float]:
    """Median, slowest but one in twenty, and slowest [ms]; the first is not counted."""
    what(0)
    took = []
    for n in range(1, times + 1):
        begun = time.perf_counter()
        what(n)
        took.append(1e3 * (time.perf_counter() - begun))
    took.sort()
    return median(took), took[int(0.95 * (len(took) - 1))], took[-1]


def measure() -> Iterator[tuple[str, float, float, float]]:
    """What is timed: (what, median, 95 of 100, slowest) [ms]."""
    from django.test import Client
    from django.utils import timezone

    from refettle.book import reorder, stores
    from refettle.book.models_stores import Movement, Part
    from refettle.book.stores_check import explain, verify
    from refettle.book.stores_search import find

    rng = random.Random(2)
    keys = list(Part.objects.order_by("pk").values_list("pk", flat=True))
    some = Part.objects.in_bulk([keys[0], *rng.sample(keys, 60)])
    chosen = [some[keys[0]], *[p for pk, p in some.items() if pk != keys[0]]]
    client = Client(SERVER_NAME="localhost")

    def search(n: int) -> None:
        found = find(TYPED[n % len(TYPED)])
        found.parts(0, 50)

    assert any(len(find(text)) for text in TYPED)
    yield "search, 50 parts shown", *timed(search, 40)

    def page(n: int) -> None:
        answer = client.get(f"/stores/{chosen[1 + n % 59].code}/")
        assert answer.status_code == 200, answer.status_code

    def facts(n: int) -> None:
        part = stores.find_part(chosen[1 + n % 59].code)
        assert list(part.lots.all())
        assert explain(part, newest=50)

    yield "a part: its lots and newest 50 lines", *timed(facts, 59)
    yield f"the same of a part with {BUSY} lines", *timed(lambda n: explain(chosen[0], newest=50), 20)
    begun = time.perf_counter()
    reorder.work_out(timezone.localdate())
    took = 1e3 * (time.perf_counter() - begun)
    assert reorder.level_of(chosen[3], timezone.localdate()).by == "use"
    yield "use of all parts worked out, beside the serving", took, took, took
    yield "a part's page", *timed(page, 59)
    busy = f"/stores/{chosen[0].code}/"
    yield f"the page of a part with {BUSY} lines", *timed(lambda n: client.get(busy), 20)
    yield "the list of parts, a page searched", *timed(lambda n: client.get("/stores/", {"q": TYPED[n % 8]}), 24)
    yield "what is low, nothing changed since", *timed(lambda n: client.get("/stores/reorder/"), 8)
    yield "a line written", *timed(lambda n: stores.receive(chosen[1 + n % 59], 1, who="Ada"), 40)
    yield "the oldest lot taken", *timed(lambda n: stores.take(chosen[1 + n % 59], 1, "used", who="Ada"), 40)

    def all_sums(n: int) -> None:
        assert verify() == []

    yield f"all sums of {Movement.objects.count()} lines anew", *timed(all_sums, 3)


def main() -> None:
    """Fill a book, print a table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--parts", type=int, default=50_000)
    parser.add_argument("--lines", type=int, default=1_000_000)
    parser.add_argument("--database", help="an empty database on a PostgreSQL server; by default a file")
    parser.add_argument("--json", action="store_true")
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as home:
        os.environ["REFETTLE_HOME"] = home
        os.environ.pop("REFETTLE_DATABASE", None)
        if args.database:
            os.environ["REFETTLE_DATABASE"] = args.database
        from refettle.web.start import start

        start(lambda line: None)
        import refettle.web.urls  # noqa: F401 - all of the code, before anything is timed

        begun = time.perf_counter()
        fill(args.parts, args.lines)
        filled = time.perf_counter() - begun
        rows = []
        for row in measure():
            rows.append(row)
            print(row[0], file=sys.stderr)
    if args.json:
        print(json.dumps([{"what": w, "median_ms": m, "p95_ms": p, "slowest_ms": s} for w, m, p, s in rows], indent=2))
        return
    print(f"{args.parts} parts, {args.lines} lines, filled in {filled:.0f} s\n")
    print("| what | median [ms] | 95 of 100 below [ms] | slowest [ms] |\n|---|---|---|---|")
    for what, middle, most, slowest in rows:
        print(f"| {what} | {middle:.1f} | {most:.1f} | {slowest:.1f} |")


if __name__ == "__main__":
    main()
