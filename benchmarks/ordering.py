"""How fast the cheapest order is found and proven, and what it saves against ordering as by hand.

    python benchmarks/ordering.py                 60 parts and 300 parts, five sets of prices each
    python benchmarks/ordering.py --parts 60 --seeds 3

Invented prices: 6 suppliers, each with about 70 % of the parts; breaks for all units from 1, 5, 25 and 100 pieces, at
10, 25 and 40 % less; parts below 0.50 in packs of 1, 5 or 10; shipping 3.95 to 12.00, free from 33 to 100 (twice that
at 300 parts); a minimum order at every second supplier; 15 % of the parts with 1 to 5 pieces in the stores; 40 % of the
lines with a substitute at 0.6 to 1.6 times the price, 15 % with two; lines of 1 to 10 pieces. Savings depend on that.

The clock counts everything from the values to the order with its proof, the solver's process included; beside it stands
the processor's time, which other programs do not lengthen as much.
"""

from __future__ import annotations

import argparse
import os
import random
import resource
import statistics
import time
from datetime import date
from decimal import Decimal
from itertools import combinations
from math import exp

from refettle.ordering import Acceptable, Need, Offer, Problem, Supplier, Terms, Tier, problem
from refettle.ordering.choice import cost_of, short_of
from refettle.ordering.greedy import line_by_line
from refettle.ordering.search import search
from refettle.ordering.solver import Solver

QUANTITIES = (1, 1, 1, 2, 2, 2, 3, 4, 5, 6, 8, 10)


def instance(seed: int, parts: int, limit: float, suppliers: int = 6) -> Problem:
    """Prices by chance, as the head of this file says."""
    rnd = random.Random(seed)
    scale = 2 if parts >= 200 else 1

    def money(low: float, high: float) -> Decimal:
        return Decimal(round(rnd.uniform(low, high) * 100)) / 100

    selling = [
        Supplier(f"S{n}", money(3.95, 12.0), money(33 * scale, 100 * scale), money(10, 30) if n % 2 else Decimal(0))
        for n in range(suppliers)
    ]
    offers: list[Offer] = []
    needs: list[Need] = []
    stock: dict[str, int] = {}

    def sell(part: str, price: float) -> None:
        have = [n for n in range(suppliers) if rnd.random() < 0.7] or [rnd.randrange(suppliers)]
        for n in have:
            first = price * rnd.uniform(0.8, 1.25)
            pack = rnd.choice((1, 5, 10)) if first < 0.5 else 1
            tiers = [Tier(start, max(Decimal("0.001"), Decimal(round(first * less * 1000)) / 1000))
                     for start, less in ((1, 1.0), (5, 0.9), (25, 0.75), (100, 0.6))]  # fmt: skip
            offers.append(Offer(f"S{n}", f"S{n}-{part}", part, tuple(tiers), pack))

    for number in range(parts):
        price = exp(rnd.gauss(-0.3, 1.2))
        listed = [f"p{number}"]
        sell(listed[0], price)
        chance = rnd.random()
        for n in range((chance < 0.4) + (chance < 0.15)):
            listed.append(f"p{number}{'ab'[n]}")
            sell(listed[-1], price * rnd.uniform(0.6, 1.6))
        if rnd.random() < 0.15:
            stock[listed[0]] = rnd.randint(1, 5)
        acceptable = tuple(Acceptable(part) for part in listed)
        matched = rnd.random() < 0.1
        needs.append(Need(f"L{number}", acceptable, rnd.choice(QUANTITIES), f"job {rnd.randint(1, 4)}", None, matched))
    return problem(needs, stock, offers, selling, Terms(date(2031, 3, 3), time_limit=limit))


def main_supplier(found: Problem) -> Decimal:
    """The best of: all that one supplier has from it, the rest line by line."""
    best = []
    for name in found.suppliers:
        own = {o.part for o in found.offers if o.supplier == name}
        offers = [
            o for o in found.offers
            if o.supplier == name or not any(
                o.part in {p.part for p in need.parts} and own & {p.part for p in need.parts} for need in found.needs)
        ]  # fmt: skip
        only = problem(found.needs, found.stock, offers, list(found.suppliers.values()), found.terms)
        choice = line_by_line(only)
        if not short_of(only, choice):
            best.append(cost_of(only, choice).counted)
    return min(best)


def best_subset(found: Problem) -> Decimal:
    """The best of all sets of suppliers, line by line within each."""
    best = []
    for size in range(1, len(found.suppliers) + 1):
        for names in combinations(found.suppliers, size):
            choice = line_by_line(found, names)
            if not short_of(found, choice):
                best.append(cost_of(found, choice).counted)
    return min(best)


def processor() -> float:
    """[s] Of this process and of those that have ended."""
    own, ended = resource.getrusage(resource.RUSAGE_SELF), resource.getrusage(resource.RUSAGE_CHILDREN)
    return own.ru_utime + own.ru_stime + ended.ru_utime + ended.ru_stime


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--parts", type=int, nargs="+", default=[60, 300])
    parser.add_argument("--seeds", type=int, default=5)
    parser.add_argument("--limit", type=float, default=60.0, help="[s] for each")
    args = parser.parse_args()
    print(f"load of the machine at the start {os.getloadavg()[0]:.1f}, {os.cpu_count()} cores\n")
    heads = ("parts", "set", "cost", "s", "processor s", "proven", "gap", "unit price, asked parts", "unit price",
             "line by line", "main supplier", "best set of suppliers")  # fmt: skip
    print(f"| {' | '.join(heads)} |\n|{'---|' * len(heads)}")
    for parts in args.parts:
        times, work, ratios = [], [], []
        for seed in range(args.seeds):
            found = instance(seed, parts, args.limit)
            begun, used = time.perf_counter(), processor()
            with Solver() as solver:
                out = search(found, solver, lambda share, says: None)
            times.append(time.perf_counter() - begun)
            work.append(processor() - used)
            cost = out.best.counted
            others = [
                cost_of(found, line_by_line(found, by="unit price", substitutes=False)).counted,
                cost_of(found, line_by_line(found, by="unit price")).counted,
                cost_of(found, line_by_line(found)).counted,
                main_supplier(found),
                best_subset(found),
            ]
            ratios.append([float(other / cost) for other in others])
            gap = (cost - out.best.bound) / cost
            shown = " | ".join(f"{ratio:.3f}" for ratio in ratios[-1])
            proven = "to the cent" if out.best.proven else "not to the cent"
            told = f"{cost:.2f} | {times[-1]:.2f} | {work[-1]:.2f} | {proven} | {gap:.3%} | {shown}"
            print(f"| {parts} | {seed} | {told} |",
                  flush=True)  # fmt: skip
        middle = " | ".join(f"{statistics.median(column):.3f}" for column in zip(*ratios, strict=True))
        print(f"| {parts} | median | | {statistics.median(times):.2f} | {statistics.median(work):.2f} | | | {middle} |")
    print(f"\nload of the machine at the end {os.getloadavg()[0]:.1f}")


if __name__ == "__main__":
    main()
