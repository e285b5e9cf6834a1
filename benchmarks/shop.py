"""A whole shop, made up: thousands of finished jobs, some hundred open, their logs, photos, owners, people and stores.

    REFETTLE_HOME=/tmp/shop python benchmarks/shop.py [--jobs 20000] [--entries 2000000] [--photos 200000]
        [--open 400] [--types 40] [--parts 5000] [--people 20] [--check 200]

It fills the book that REFETTLE_HOME and REFETTLE_DATABASE name, which must be empty or left unfinished by this program;
run again after an interruption it goes on where it was. The same numbers give the same book. Entries replay: logs are
varied from repairs worked out with the shipped unit types (see `shop_jobs.py`), job lengths are long-tailed, photos are
small real JPEGs, each another file, the ledger of the stores says what the logs took. `--check` takes that many jobs at
random afterwards and has every entry checked as the book checks it, and the lesson worked out anew.

Everybody's password is in PASSWORD. Times of day are UTC: serve it with REFETTLE_TZ=UTC.
"""

from __future__ import annotations

import os

os.environ["OPENBLAS_NUM_THREADS"] = os.environ["OMP_NUM_THREADS"] = "1"  # before numpy is imported

import argparse
import json
import random
import sys
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from datetime import UTC, datetime, timedelta
from io import BytesIO
from pathlib import Path
from typing import Any

import shop_jobs
from shop_jobs import Pattern, Plan, Told, Written, job_log, lesson_of, refused, sha_of
from stores import parts_of

from refettle.book.log import check_entry

SEED, CHUNK = 1, 250
"""Jobs of one transaction."""
YEARS = 12.0
PATTERNS = 8
"""Repairs worked out for each shipped unit type."""
PASSWORD = "a shop of many years"
FIRST = [
    "Alda",
    "Bruno",
    "Cora",
    "Desmond",
    "Elspeth",
    "Falk",
    "Greta",
    "Hollis",
    "Imke",
    "Jasper",
    "Kirsten",
    "Leander",
    "Minna",
    "Norbert",
    "Odile",
    "Piers",
    "Quenby",
    "Rasmus",
    "Sunniva",
    "Thilo",
    "Ulla",
    "Verity",
    "Wim",
    "Yrsa",
]
LAST = [
    "Abelour",
    "Brackwold",
    "Crannow",
    "Dellwick",
    "Eskrigg",
    "Farnholt",
    "Gillamoor",
    "Haverstow",
    "Inglebeck",
    "Jarrowby",
    "Kestwick",
    "Lindrigg",
    "Marrable",
    "Nethercot",
    "Ormsay",
    "Pellworm",
    "Quarmby",
    "Rowanhill",
    "Stavely",
    "Thornaby",
    "Ullock",
    "Venwick",
    "Withernsea",
    "Yarrowdale",
    "Zellhorn",
]


@dataclass(frozen=True)
class Size:
    """How large the shop is to be."""

    jobs: int
    entries: int
    photos: int
    open: int
    types: int
    parts: int
    people: int


# ---------------------------------------------------------------- plan


def lengths(size: Size, least: int) -> list[int]:
    """How many entries each job has: log-normal, the longest some thousand, together as many as wanted."""
    rng = random.Random(SEED)
    drawn = [least + min(4000.0, rng.lognormvariate(3.4, 1.25)) for _ in range(size.jobs)]
    scale = (size.entries - least * size.jobs) / (sum(drawn) - least * size.jobs)
    exact, out, owed = [least + (each - least) * max(0.0, scale) for each in drawn], [], 0.0
    for each in exact:
        out.append(round(each + owed))
        owed += each - out[-1]
    return out


def plans(size: Size, now: datetime, people: Sequence[str]) -> list[Plan]:
    """All jobs in the order in which they came in."""
    rng = random.Random(SEED + 1)
    recent = min(size.jobs, 2 * size.open)
    still_open = set(rng.sample(range(size.jobs - recent, size.jobs), min(size.open, recent)))
    out, owed = [], 0.0
    for n, entries in enumerate(lengths(size, 50)):
        photos = int(owed + entries * size.photos / size.entries)
        owed += entries * size.photos / size.entries - photos
        age = YEARS * 365.0 * (1.0 - n / size.jobs) + 40.0
        if n >= size.jobs - recent:
            age = 90.0 * (size.jobs - n) / recent + 12.0
        days = min(400.0, rng.lognormvariate(2.2, 1.0)) if n not in still_open else age * rng.uniform(0.1, 0.9)
        opened = now - timedelta(days=age + (days if n not in still_open else 0))
        opened = opened.replace(hour=rng.randint(9, 12), minute=rng.randint(0, 59), second=0, microsecond=0)
        team = rng.sample(people, rng.choice((1, 1, 2, 3)))
        out.append(Plan(n + 1, entries, photos, opened, days, n not in still_open, team))
    return out


# ---------------------------------------------------------------- what stands before jobs


def kept_patterns(folder: Path) -> dict[str, list[Pattern]]:
    """The patterns, worked out once for a folder."""
    file = folder / f"shop-patterns-{PATTERNS}-{SEED}.json"
    if not file.exists():
        made = {}
        for slug in shop_jobs.shipped_types():
            say(f"working out {PATTERNS} repairs of {slug}")
            made[slug] = shop_jobs.patterns(slug, PATTERNS, SEED)
        file.write_text(json.dumps({slug: [asdict(p) for p in each] for slug, each in made.items()}))
    read = json.loads(file.read_text())
    return {
        slug: [Pattern(**{**each, "told": tuple(Told(**t) for t in each["told"])}) for each in patterns]
        for slug, patterns in read.items()
    }


def make_types(size: Size) -> list[tuple[str, Any]]:
    """(shipped slug, loaded type) of each type of the shop: shipped ones and its own, some in two versions."""
    from django.conf import settings

    from refettle.knowledge.loading import load_shipped_type, load_unit_type

    slugs = list(shop_jobs.shipped_types())
    each = max(0, -(-size.types // len(slugs)) - 1)
    out = []
    for slug in slugs:
        out.append((slug, load_shipped_type(slug)))
        for name, text in shop_jobs.variants(slug, each):
            path: Path = settings.REFETTLE_TYPES / f"{name}.yaml"
            path.write_text(text, encoding="utf-8")
            loaded = load_unit_type(path)
            out += [(slug, loaded), (slug, shop_jobs.earlier(loaded))]
    return out


def make_people(size: Size) -> list[str]:
    """Everybody who signs in; the first is an owner of the book."""
    from refettle.book import people
    from refettle.book.models import Person

    names = [f"{FIRST[n % len(FIRST)]} {LAST[(n * 7) % len(LAST)]}" for n in range(size.people)]
    if not Person.objects.exists():
        for n, name in enumerate(names):
            people.add(name, "owner" if n == 0 else "bench", PASSWORD)
    return names


def make_owners(size: Size) -> list[int]:
    """Keys of owners: the bench's own stock first."""
    from refettle.book.models import Owner
    from refettle.book.store import get_or_create_owner

    own = get_or_create_owner()
    if Owner.objects.count() == 1:
        rng = random.Random(SEED + 2)
        rows = []
        for n in range(max(1, size.jobs * 2 // 5)):
            name = f"{rng.choice(FIRST)} {rng.choice(LAST)}"
            contact = f"{name.lower().replace(' ', '.')}{n}@post.example\n0100 {n:06d}"
            rows.append(Owner(name=name, contact=contact, kind="customer"))
        Owner.objects.bulk_create(rows, batch_size=1000)
    return [own.pk, *Owner.objects.exclude(pk=own.pk).order_by("pk").values_list("pk", flat=True)]


def make_parts(size: Size) -> list[tuple[str, int, int]]:
    """(code, part, lot) of all parts: two lots each, the first used from."""
    from refettle.book.models import Lot, Part

    if not Part.objects.exists():
        rng = random.Random(SEED + 3)
        Part.objects.bulk_create([Part(**told) for told in parts_of(size.parts, rng)], batch_size=1000)
        keys = list(Part.objects.order_by("pk").values_list("pk", flat=True))
        lots = [Lot(part_id=pk, code=str(n), currency="EUR", price="0.12") for pk in keys for n in (1, 2)]
        Lot.objects.bulk_create(lots, batch_size=1000)
    first: dict[int, int] = {}
    for lot, part in Lot.objects.order_by("pk").values_list("pk", "part"):
        first.setdefault(part, lot)
    return [(code, pk, first[pk]) for pk, code in Part.objects.order_by("pk").values_list("pk", "code")]


# ---------------------------------------------------------------- photos


class Camera:
    """Small JPEGs, each another, cut from one picture with grain."""

    def __init__(self) -> None:
        import numpy as np
        from PIL import Image

        rng = np.random.default_rng(SEED)
        rows, columns = np.mgrid[0:900, 0:1200]
        wide = np.stack([120 + 60 * np.sin(rows / 70), 110 + 50 * np.sin(columns / 50), 90 + (rows + columns) / 40], -1)
        grain = rng.normal(0, 6, (900, 1200, 1))
        self.picture = Image.fromarray(np.clip(wide + grain, 0, 255).astype("uint8"))

    def taken(self, job: int, n: int) -> bytes:
        """One photo of a job: another cut for each."""
        from PIL import ImageDraw

        rng = random.Random(f"photo {job} {n}")
        x, y = rng.randrange(1200 - 200), rng.randrange(900 - 150)
        image = self.picture.crop((x, y, x + 200, y + 150))
        draw = ImageDraw.Draw(image)
        draw.rectangle((8, 8, 120, 26), fill=(236, 232, 222))
        draw.text((12, 11), f"job {job}, {n + 1}", fill=(20, 20, 20))
        out = BytesIO()
        image.save(out, "JPEG", quality=70)
        return out.getvalue()


def lay_down(data: bytes, folder: Path) -> Any:
    """Write a photo where the book keeps it, with its smaller copies, which are the same picture; gives its row."""
    from refettle.book.models import Photo
    from refettle.book.photos import SIZES, copy_path, original_path

    sha = sha_of(data)
    path = original_path(folder, sha, "JPEG")
    if not path.exists():
        path.parent.mkdir(exist_ok=True)
        path.write_bytes(data)
    for size in SIZES:
        copy = copy_path(folder, sha, size)
        if not copy.exists():
            os.link(path, copy)
    return Photo(sha256=sha, format="JPEG", width=200, height=150, bytes=len(data))


# ---------------------------------------------------------------- jobs


def say(line: str) -> None:
    """To who waits."""
    print(f"{time.strftime('%H:%M:%S')} {line}", file=sys.stderr, flush=True)


def choose(plan: Plan, patterns: dict[str, list[Pattern]], types: Sequence[tuple[str, Any]]) -> tuple[Pattern, int]:
    """The pattern of a job and its type's place. Types are not equally common."""
    rng = random.Random(f"choice {plan.number}")
    place = min(int(rng.paretovariate(0.7)) - 1, len(types) - 1) if rng.random() < 0.6 else rng.randrange(len(types))
    return rng.choice(patterns[types[place][0]]), place


def taken_of(plan: Plan, parts: Sequence[tuple[str, int, int]]) -> list[dict[str, Any]]:
    """Entries of parts taken from the stores; of open jobs also of parts wanted."""
    rng = random.Random(f"parts {plan.number}")
    out = []
    for _ in range(min(rng.choice((0, 0, 1, 2, 3, 6)), plan.entries // 20)):
        code, _, lot = parts[rng.randrange(len(parts))]
        out.append({"kind": "part-taken", "part": code, "lot": lot, "count": rng.randint(1, 4), "price": 0.12})
    if not plan.closed and rng.random() < 0.4:
        code, _, _ = parts[rng.randrange(len(parts))]
        what = rng.choice(("100 µF 25 V", "4.7 µF 50 V", "470 µF 16 V", "belt 70 mm"))
        out.append(
            {"kind": "part-wanted", "what": what, "count": rng.randint(1, 4), **rng.choice(({}, {"part": code}))}
        )
    return [check_entry(each) for each in out]


def learned_entry(rng: random.Random, lessons: list[dict[str, Any]], loaded: Any) -> dict[str, Any] | None:
    """The weights an open job was given: learned from some of the lessons, so that hardly two jobs have the same."""
    from refettle.book.gathered import gather

    factors = gather(rng.sample(lessons, min(len(lessons), 60))).factors(loaded)
    return {"kind": "experience", "factors": factors, "jobs": len(lessons)} if factors else None


@dataclass
class Shop:
    """What the jobs are made of."""

    plans: list[Plan]
    patterns: dict[str, list[Pattern]]
    types: list[tuple[str, Any]]
    versions: list[int]
    owners: list[int]
    parts: list[tuple[str, int, int]]
    folder: Path
    camera: Camera

    def log(self, plan: Plan) -> tuple[Pattern, int, list[Written], list[bytes]]:
        """Pattern, type, log and photos of a job."""
        pattern, place = choose(plan, self.patterns, self.types)
        photos = [self.camera.taken(plan.number, n) for n in range(plan.photos)]
        log = job_log(pattern, plan, [sha_of(data) for data in photos], taken_of(plan, self.parts))
        if not plan.closed:
            lessons = [each.lesson for several in self.patterns.values() for each in several]
            learned = learned_entry(random.Random(f"learned {plan.number}"), lessons, self.types[place][1])
            if learned:
                kind = learned.pop("kind")
                log.insert(0, Written(log[0].at, log[0].who, kind, learned))
        return pattern, place, log, photos

    def write(self, some: Sequence[Plan]) -> None:
        """Rows of some jobs, in one transaction; their photos lie there first."""
        from django.db import transaction

        from refettle.book.lesson import RULES
        from refettle.book.models import Entry, Job, Lesson, Movement, Photo, Unit

        units, made, photos = [], [], []
        for plan in some:
            pattern, place, log, pictures = self.log(plan)
            photos += [lay_down(data, self.folder) for data in pictures]
            rng = random.Random(f"owner {plan.number}")
            own = pattern.parted or rng.random() < 0.15
            owner = self.owners[0] if own else self.owners[1 + int(rng.random() ** 1.5 * (len(self.owners) - 1))]
            name = self.types[place][1].name
            serial = f"{name[:2].upper()}-{10_000 + 7 * plan.number}"
            label = rng.choice(("", f"{rng.choice(FIRST)}'s {name.split()[0].lower()}", f"shelf {rng.randint(1, 99)}"))
            units.append(Unit(type_version_id=self.versions[place], serial=serial, label=label, owner_id=owner))
            made.append((plan, pattern, name, log))
        with transaction.atomic():
            Unit.objects.bulk_create(units, batch_size=500)
            jobs = [
                Job(number=plan.number, unit=unit, opened=plan.opened, closed=log[-1].at if plan.closed else None)
                for unit, (plan, _, _, log) in zip(units, made, strict=True)
            ]
            Job.objects.bulk_create(jobs, batch_size=500)
            entries: list[Entry] = []
            movements: list[Movement] = []
            lessons: list[Lesson] = []
            by_code = {code: part for code, part, _ in self.parts}
            for job, (plan, pattern, name, log) in zip(jobs, made, strict=True):
                for n, each in enumerate(log, start=1):
                    entries.append(Entry(job=job, n=n, at=each.at, who=each.who, kind=each.kind, data=each.data))
                    if each.kind == "part-taken":
                        movements.append(
                            Movement(
                                part_id=by_code[each.data["part"]], lot_id=each.data["lot"], at=each.at, who=each.who,
                                kind="used", on_hand=-each.data["count"], job=job, entry=n,
                            )
                        )  # fmt: skip
                if plan.closed:
                    data = lesson_of(pattern, name, log)
                    lessons.append(Lesson(job=job, entries=len(log), rules=RULES, data=data))
            Entry.objects.bulk_create(entries, batch_size=4000)
            Photo.objects.bulk_create(photos, batch_size=2000)
            Movement.objects.bulk_create(movements, batch_size=2000)
            Lesson.objects.bulk_create(lessons, batch_size=500)


def settle_stores() -> None:
    """Each lot received as much as was used of it and some more, so that the sums follow from the ledger."""
    from django.db import transaction
    from django.db.models import Sum

    from refettle.book.models import Lot, Movement, Part

    if Movement.objects.filter(kind="received").exists():
        return
    rng = random.Random(SEED + 4)
    with transaction.atomic():
        used = dict(Movement.objects.values_list("lot").annotate(Sum("on_hand")).order_by())
        first = Movement.objects.order_by("at").values_list("at", flat=True).first() or datetime.now(UTC)
        lots = list(Lot.objects.all())
        sums: Counter[int] = Counter()
        lines = []
        for lot in lots:
            more = rng.choice((0, 3, 10, 25, 60))
            got = more - int(used.get(lot.pk, 0) or 0)
            lot.on_hand = more
            sums[lot.part_id] += more
            if got:
                at = first - timedelta(days=1)
                lines.append(Movement(part_id=lot.part_id, lot=lot, at=at, who="Ada", kind="received", on_hand=got))
        Movement.objects.bulk_create(lines, batch_size=2000)
        Lot.objects.bulk_update(lots, ["on_hand"], batch_size=400)
        Part.objects.bulk_update([Part(pk=pk, on_hand=n) for pk, n in sums.items()], ["on_hand"], batch_size=400)


def fill(size: Size, home: Path, now: datetime) -> Shop:
    """Fill the book, or go on filling it."""
    from django.conf import settings
    from django.db import connection
    from django.db.models import Max

    from refettle.book.models import Job
    from refettle.book.store import get_or_create_type_version

    if connection.vendor == "sqlite":
        with connection.cursor() as cursor:  # what is lost in a power cut is made again
            cursor.execute("PRAGMA synchronous=OFF")
    patterns = kept_patterns(home)
    types = make_types(size)
    people = make_people(size)
    shop = Shop(
        plans(size, now, people), patterns, types, [get_or_create_type_version(t).pk for _, t in types],
        make_owners(size), make_parts(size), settings.REFETTLE_PHOTOS, Camera(),
    )  # fmt: skip
    there = Job.objects.aggregate(last=Max("number"))["last"] or 0
    begun = time.monotonic()
    for at in range(there, size.jobs, CHUNK):
        shop.write(shop.plans[at : at + CHUNK])
        done = min(size.jobs, at + CHUNK)
        if done % (10 * CHUNK) < CHUNK or done == size.jobs:
            say(f"{done} of {size.jobs} jobs, {(time.monotonic() - begun) / (done - there) * 1000:.0f} s for 1000")
    settle_stores()
    with connection.cursor() as cursor:
        cursor.execute("ANALYZE")
    return shop


def check(shop: Shop, jobs: int) -> Iterator[str]:
    """What is wrong with some jobs, taken at random and read from the book."""
    from refettle.book import store
    from refettle.book.models import Job

    rng = random.Random(SEED + 5)
    for plan in rng.sample(shop.plans, min(jobs, len(shop.plans))):
        pattern, place, log, _ = shop.log(plan)
        job = Job.objects.select_related("unit__type_version").get(number=plan.number)
        entries = store.entries(job)
        if [(e["kind"], e["n"]) for e in entries] != [(w.kind, n) for n, w in enumerate(log, 1)]:
            yield f"job {plan.number}: the book holds another log"
        if said := refused(pattern, shop.types[place][1], log):
            yield f"job {plan.number}: {said}"
        store.job_state(job)


def counted() -> dict[str, int]:
    """How many rows of each the book holds."""
    from refettle.book import models

    names = ("Job", "Entry", "Photo", "Owner", "Unit", "TypeVersion", "Part", "Movement", "Lesson", "Person")
    told = {name.lower(): getattr(models, name).objects.count() for name in names}
    return told | {"open": models.Job.objects.filter(closed=None).count()}


def main() -> None:
    """Fill the book that the environment names."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    for name, default in (("jobs", 20_000), ("entries", 2_000_000), ("photos", 200_000), ("open", 400), ("types", 40),
                          ("parts", 5000), ("people", 20)):  # fmt: skip
        parser.add_argument(f"--{name}", type=int, default=default)
    parser.add_argument("--check", type=int, default=0, help="jobs to be looked over afterwards")
    parser.add_argument("--now", default="", help="the day the shop is at, by default today")
    args = parser.parse_args()
    if "REFETTLE_HOME" not in os.environ:
        raise SystemExit("set REFETTLE_HOME to a folder of its own: a shop is not filled into anybody's book")
    os.environ["REFETTLE_TZ"] = "UTC"
    from refettle.web.start import start

    home = start(say)
    now = datetime.fromisoformat(args.now).replace(tzinfo=UTC) if args.now else datetime.now(UTC)
    size = Size(args.jobs, args.entries, args.photos, args.open, args.types, args.parts, args.people)
    begun = time.monotonic()
    shop = fill(size, home.folder, now.replace(hour=6, minute=0, second=0, microsecond=0))
    say(f"filled in {time.monotonic() - begun:.0f} s")
    print(json.dumps(counted()))
    wrong = list(check(shop, args.check)) if args.check else []
    print(*wrong, sep="\n", end="\n" if wrong else "")
    if args.check:
        say(f"{args.check} jobs looked over, {len(wrong)} wrong")
    sys.exit(1 if wrong else 0)


if __name__ == "__main__":
    main()
