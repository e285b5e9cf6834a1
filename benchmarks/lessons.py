"""What experience is worth, learned from nothing but logs; and how fast ten thousand finished jobs are put together.

    python benchmarks/lessons.py [--benches 2] [--learn 200] [--jobs 50] [--factor 3] [--first 1]
    python benchmarks/lessons.py --found 60 [--type piper-pocket]
    python benchmarks/lessons.py --book 10000

On each simulated bench the true weight of every block kind is `factor` times the shipped one, or its inverse, at
random. Its units, spread over the shipped unit types, are repaired by the advice with the shipped weights; what each
had is worked out from its log alone (`faults.hindsight`) and pooled (`book.gathered`). Then the same new units are
repaired with the shipped, the learned and the true weights, one step ahead.

With --found, what hindsight finds in the logs of so many units of one type is set against what they had.

With --book, a throw-away bench book is filled with that many lessons; putting them together is timed beside reading the
same rows and writing them as text, and the pages of experience and of one job are asked for.
"""

from __future__ import annotations

import os

os.environ["OPENBLAS_NUM_THREADS"] = os.environ["OMP_NUM_THREADS"] = "1"  # before numpy is imported

import json
import tempfile
import time
from collections import defaultdict
from dataclasses import replace
from statistics import median
from typing import Any

import numpy as np
from learned_weights import Minutes, of_owner, parser, points_of, simulated

from refettle import faults
from refettle.book.gathered import gather
from refettle.faults.hindsight import expected_found, hindsight
from refettle.faults.simulate import World, follow_advice
from refettle.knowledge.compile import CompiledType, compile_type, weighted
from refettle.knowledge.loading import load_shipped_type, shipped_types
from refettle.proving.calibration import calibration
from refettle.proving.pooling import Tally, pool_factors

CAP = 2000


def repaired(
    true: CompiledType, advice: CompiledType, sets: faults.Hypotheses, seed: list[int], log: list[faults.Event] | None
) -> float:
    """Minutes of a unit of the true weights, repaired by advice with others."""
    world = World(true.model, points_of(true), np.random.default_rng(seed))
    world.model = advice.model
    options = faults.Options(depth=1, skip=of_owner(advice.model), support=300)
    return follow_advice(world, sets, options, log=log).minutes


def lesson(compiled: CompiledType, expected: dict[str, float], sets: faults.Hypotheses, log: list[faults.Event]) -> Any:
    """A lesson from a simulated log, in the form of `book.lesson`; only what weights are learned from."""
    seen = hindsight(compiled.model, log, sets)
    blocks = {
        block: {"kind": each.kind, "expected": expected[block], "found": seen.blocks[block]}
        for block, each in compiled.loaded.blocks.items()
    }
    head = {"type": compiled.loaded.name, "end": "handed over", "failed": True, "works": True}
    return head | {"blocks": blocks, "modes": {}, "cures": [], "checks": [], "minutes": 0.0, "replace_all": 0.0}


def bench(types: list[CompiledType], seed: int, learn: int, jobs: int, factor: float) -> Minutes:
    """Minutes of each new unit by each set of weights."""
    rng = np.random.default_rng(seed)
    kinds = sorted({block.kind for each in types for block in each.loaded.blocks.values()})
    truth = {kind: factor ** float(rng.choice([-1.0, 1.0])) for kind in kinds}
    lessons, true, plain = [], [], []
    for place, compiled in enumerate(types):
        factors = tuple(sorted((b.id, truth[b.kind]) for b in compiled.loaded.blocks.values()))
        true.append(weighted(compiled, factors))
        plain.append(faults.enumerate_sets(compiled.model, cap=CAP))
        expected = expected_found(compiled.model, plain[-1], points_of(compiled))
        for job in range(learn // len(types)):
            log: list[faults.Event] = []
            repaired(true[-1], compiled, plain[-1], [seed, 5, place, job], log)
            lessons.append(lesson(compiled, expected, plain[-1], log))
    learned = gather(lessons)
    minutes: Minutes = defaultdict(list)
    for place, compiled in enumerate(types):
        mine = weighted(compiled, tuple(sorted(learned.factors(compiled.loaded).items())))
        for name, advice in {"shipped": compiled, "learned": mine, "true": true[place]}.items():
            sets = faults.enumerate_sets(advice.model, cap=CAP)
            for job in range(jobs // len(types)):
                minutes[name].append(repaired(true[place], advice, sets, [seed, 7, place, job], None))
    return minutes


def found(slug: str, jobs: int, factor: float, seed: int = 3) -> None:
    """What logs show was at fault, against the truth, block by block."""
    compiled = compile_type(load_shipped_type(slug))
    compiled = replace(compiled, model=replace(compiled.model, give_up=3000.0))
    blocks = compiled.loaded.blocks
    rng = np.random.default_rng(seed)
    truth = {kind: factor ** float(rng.choice([-1.0, 1.0])) for kind in sorted({b.kind for b in blocks.values()})}
    true = weighted(compiled, tuple(sorted((b.id, truth[b.kind]) for b in blocks.values())))
    sets = faults.enumerate_sets(compiled.model, cap=1000)
    points = points_of(compiled)
    expected = expected_found(compiled.model, sets, points)
    said: list[float] = []
    was: list[bool] = []
    shown, known = [], []
    for job in range(jobs):
        world = World(true.model, points, np.random.default_rng([8, job]))
        at_fault = {compiled.model.modes[i].block for i in world.present}
        world.model = compiled.model
        log: list[faults.Event] = []
        options = faults.Options(depth=1, skip=of_owner(compiled.model), support=150)
        follow_advice(world, sets, options, log=log)
        seen = hindsight(compiled.model, log, sets).blocks
        for block, each in blocks.items():
            said.append(min(1.0, seen[block]))
            was.append(block in at_fault)
            shown.append(Tally(each.kind, block, seen[block], expected[block]))
            known.append(Tally(each.kind, block, float(block in at_fault), expected[block]))
    print(calibration(said, was).text)
    print("\n| block | true factor | learned from logs | learned from the truth |\n| --- | --- | --- | --- |")
    from_logs, from_truth = pool_factors(shown), pool_factors(known)
    for block, each in blocks.items():
        pair = [pool.of(each.kind, block).mean for pool in (from_logs, from_truth)]
        print(f"| {block} | {truth[each.kind]:.2f} | {pair[0]:.2f} | {pair[1]:.2f} |")


def book(jobs: int) -> None:
    """Fill a book with lessons and time it."""
    with tempfile.TemporaryDirectory() as home:
        os.environ["REFETTLE_HOME"] = home
        os.environ.pop("REFETTLE_DATABASE", None)
        from refettle.web.start import start

        start(lambda line: None)
        _time(jobs)


def _time(jobs: int) -> None:
    from django.test import Client
    from django.utils import timezone

    from refettle.book import experience, store
    from refettle.book.models import Entry, Job, Unit
    from refettle.book.models_experience import Lesson

    rng = np.random.default_rng(1)
    types = [load_shipped_type(slug) for slug in shipped_types()]
    versions = [store.get_or_create_type_version(loaded) for loaded in types]
    owner, now = store.get_or_create_owner(), timezone.now()
    picks = rng.integers(len(types), size=jobs)
    units = Unit.objects.bulk_create(
        [Unit(type_version=versions[i], owner=owner) for i in picks], batch_size=500
    )  # fmt: skip
    made = Job.objects.bulk_create(
        [Job(number=n, unit=unit, opened=now, closed=now) for n, unit in enumerate(units, 1)], batch_size=500
    )
    ended = {"stage": "parted out"}
    for n in range(1, 21):
        kind, data = ("note", {"text": "looked at"}) if n < 20 else ("stage", ended)
        Entry.objects.bulk_create(
            [Entry(job=job, n=n, at=now, who="Ada", kind=kind, data=data) for job in made], batch_size=500
        )
    Lesson.objects.bulk_create(
        [
            Lesson(job=job, entries=20, rules=experience.RULES, data=made_up(types[i], rng))
            for job, i in zip(made, picks, strict=True)
        ],
        batch_size=500,
    )

    def timed(work: Any, repeats: int = 5) -> float:
        taken = []
        for _ in range(repeats):
            begun = time.perf_counter()
            work()
            taken.append(time.perf_counter() - begun)
        return median(taken)

    def anew() -> None:
        experience._gathered.cache_clear()
        experience.experience()

    alone = timed(lambda: [json.dumps(d) for d in Lesson.objects.values_list("data", flat=True)])
    together, waiting = timed(anew), timed(lambda: experience.waiting().exists())
    client = Client(HTTP_HOST="127.0.0.1")
    one = store.open_job(types[0])
    experience.weigh(one, "Ada")
    rows = [("all put together anew", together), ("of which finding logs that have grown", waiting)]
    for address in ("/experience/", "/experience/advice/", "/", f"/jobs/{one.number}/"):
        assert client.get(address).status_code == 200, address
        rows.append((f"page {address}", timed(lambda a=address: client.get(a))))  # type: ignore[misc]
    print(f"\n| {jobs} finished jobs | seconds | beside reading the rows and writing them as text |")
    print("| --- | --- | --- |")
    for name, taken in [("reading the rows and writing them as text", alone), *rows]:
        print(f"| {name} | {taken:.3f} | {taken / alone:.2f} |")


def made_up(loaded: Any, rng: np.random.Generator) -> dict[str, Any]:
    """A lesson of the usual size."""
    blocks = {
        b.id: {"kind": b.kind, "expected": 0.08, "found": round(float(rng.random() < 0.1), 3)}
        for b in loaded.blocks.values()
    }
    cure = {"said": 0.9, "tried": 0.9, "cured": 0.8, "minutes": 20.0, "parts": 3.0}
    some = list(loaded.blocks.values())[: int(rng.integers(1, 4))]
    cures = [{"kind": b.kind, "repair": next(iter(b.repairs), "replace"), **cure} for b in some]
    checks = [[round(float(p), 4), bool(rng.random() < p), 0.5] for p in rng.random(20)]
    head = {"type": loaded.name, "end": "handed over", "failed": True, "works": True}
    modes = {f"{b.id}.{next(iter(b.modes))}": 0.9 for b in some if b.modes}
    tail = {"checks": checks, "minutes": 90.0, "replace_all": 600.0}
    return head | {"blocks": blocks, "modes": modes, "cures": cures} | tail


def main() -> None:
    asked = parser(__doc__, benches=2, jobs=50)
    asked.add_argument("--found", type=int, metavar="JOBS", help="what logs show, against what was there")
    asked.add_argument("--type", default="piper-pocket", help="the unit type of --found")
    asked.add_argument("--book", type=int, metavar="JOBS", help="time a book of so many finished jobs instead")
    args = asked.parse_args()
    if args.book is not None:
        book(args.book)
    elif args.found is not None:
        found(args.type, args.found, args.factor)
    else:
        simulated(bench, args)


if __name__ == "__main__":
    main()
