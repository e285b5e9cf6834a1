"""The stores in the demo book: a small shelf with its history, a donor chip in quarantine, and what jobs want."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, datetime, timedelta

from django.db import transaction

from refettle.book import reservations, stores, wants
from refettle.book.demo_text import JONAS, MARA
from refettle.book.models import Job
from refettle.book.models_stores import Part
from refettle.book.stores import Came

Row = tuple[str, str, str, str, str, str, int]
SHELF: tuple[Row, ...] = (
    # code, name, kind, value, place, price, on hand
    ("C2200u-25", "Electrolytic, radial", "aluminium",
     "2200u 25V 105C d=16 height=25 pitch=7.5", "Drawer 1, left", "0.62", 14),
    ("C2200u-35", "Electrolytic, radial", "low-impedance",
     "2200u 35V 105C d=16 height=32 pitch=7.5 esr=21m@100k@20 ripple=2.9@100k endurance=7000",
     "Drawer 1, left", "0.84", 5),
    ("C1000u-35", "Electrolytic, radial", "aluminium",
     "1000u 35V 105C d=13 height=21 pitch=5", "Drawer 1, middle", "0.44", 22),
    ("C470u-25", "Electrolytic, radial", "aluminium",
     "470u 25V 105C d=10 height=16 pitch=5", "Drawer 1, middle", "0.24", 31),
    ("C220u-16", "Electrolytic, radial", "aluminium",
     "220u 16V 105C d=6.3 height=11 pitch=2.5", "Drawer 1, right", "0.13", 46),
    ("C100u-25", "Electrolytic, radial", "aluminium",
     "100u 25V 105C d=6.3 height=11 pitch=2.5", "Drawer 1, right", "0.11", 58),
    ("C100u-50", "Electrolytic, radial", "low-impedance",
     "100u 50V 105C d=8 height=11.5 pitch=3.5", "Drawer 1, right", "0.16", 19),
    ("C47u-63", "Electrolytic, radial", "aluminium",
     "47u 63V 105C d=6.3 height=11 pitch=2.5", "Drawer 2, left", "0.12", 37),
    ("C22u-50", "Electrolytic, radial", "aluminium",
     "22u 50V 105C d=5 height=11 pitch=2", "Drawer 2, left", "0.08", 26),
    ("C10u-63", "Electrolytic, radial", "aluminium",
     "10u 63V 105C d=5 height=11 pitch=2", "Drawer 2, left", "0.09", 61),
    ("C4u7-50", "Electrolytic, radial", "aluminium",
     "4u7 50V 105C d=5 height=11 pitch=2", "Drawer 2, middle", "0.07", 40),
    ("C1u-63", "Electrolytic, radial", "aluminium",
     "1u 63V 105C d=5 height=11 pitch=2", "Drawer 2, middle", "0.06", 33),
    ("C10u-25-NP", "Electrolytic, bipolar", "bipolar",
     "10u 25V 85C d=6.3 height=11 pitch=2.5", "Drawer 2, right", "0.21", 12),
    ("C47u-16-S", "Electrolytic, surface mount", "aluminium", "47u 16V 105C surface", "Drawer 2, right", "0.14", 24),
    ("C10u-16-T", "Tantalum bead", "tantalum", "10u 16V 85C", "Drawer 2, right", "0.48", 9),
    ("C220n-63", "Film", "film", "220n 63V 5% pitch=5", "Drawer 3, left", "0.11", 48),
    ("C100n-63", "Film", "film", "100n 63V 10% pitch=5", "Drawer 3, left", "0.08", 90),
    ("C47n-275-X2", "Film, mains", "film", "47n 275V X2 pitch=15", "Drawer 3, right", "0.31", 8),
    ("C2n2-250-Y2", "Ceramic, mains", "ceramic", "2n2 250V Y2 pitch=7.5", "Drawer 3, right", "0.27", 6),
    ("C100n-50", "Ceramic disc", "ceramic", "100n 50V pitch=5", "Drawer 3, left", "0.03", 140),
    ("C22p-50", "Ceramic disc", "ceramic", "22p 50V 5%", "Drawer 3, left", "0.03", 35),
    ("R4K7", "Resistor, metal film", "resistor", "4k7 1% 0.25W", "Box R", "0.02", 120),
    ("R220R", "Resistor, metal film", "resistor", "220R 1% 0.25W", "Box R", "0.02", 95),
    ("R10K", "Resistor, metal film", "resistor", "10k 1% 0.25W", "Box R", "0.02", 150),
    ("R2R2-3W", "Resistor, fusible", "resistor", "2R2 5% 3W", "Box R", "0.35", 7),
    ("L10u", "Choke, axial", "coil", "10uH", "Box L", "0.14", 10),
    ("X16M", "Crystal", "crystal", "16 MHz", "Box L", "0.55", 4),
    ("REG-5", "Regulator 5 V 1 A", "regulator", "", "Box IC", "0.45", 6),
    ("FUSE-T1A", "Fuse 1 A slow, 5 × 20 mm", "fuse", "", "Box F", "0.19", 25),
    ("FUSE-T315MA", "Fuse 315 mA slow, 5 × 20 mm", "fuse", "", "Box F", "0.19", 18),
    ("BELT-70", "Belt, 70 mm, square 1.2 mm", "belt", "", "Box B", "1.90", 3),
    ("CELL-TAB", "Coin cell with tabs, 20 mm", "cell", "", "Box B", "1.45", 2),
    ("SEAT-40", "Edge connector, 40 way", "connector", "", "Box S", "4.80", 1),
    ("PLUG-2.1", "DC plug, 5.5 × 2.1 mm", "plug", "", "Box S", "0.70", 5),
    ("SCREW-M3-8", "Screw M3 × 8, raised head", "screw", "", "Box S", "0.04", 160),
)  # fmt: skip
GRAM: Mapping[str, float] = {"C100u-25": 0.62, "C10u-63": 0.38, "C100n-63": 0.21, "SCREW-M3-8": 0.71}
CHIP = "VIDEO-LK"


@transaction.atomic
def fill_stores(jobs: Sequence[Job], now: datetime) -> None:
    """Write them. `jobs` are those of the demo book, in its order."""
    parts = {row[0]: _shelve(row, now) for row in SHELF}
    handheld, box = jobs[2], jobs[6]
    chip = stores.add_part(
        name="Video chip of the Larkmere 48", code=CHIP, kind="chip", place="Box IC", no_reorder="yes", who=JONAS,
        note="Made no more. Only out of donors.",
    )  # fmt: skip
    donor = "box of three, number 1: board cracked through, not to be saved"
    stores.from_donor(chip, 1, who=JONAS, unit=donor, note="Socketed, pins straight", at=_ago(now, 0.9))
    _history(parts, now)
    first = wants.want(handheld, "100u 25V 105C aluminium", 2, who=MARA, refs=["C3", "C4"], at=_ago(now, 5.6),
                       by=(now + timedelta(days=6)).date().isoformat(), why="the 5 V regulator’s set")  # fmt: skip
    second = wants.want(handheld, "22u 50V 105C aluminium", 1, who=MARA, refs=["C7"], at=_ago(now, 5.6))
    wants.want(handheld, "Coin cell with tabs, 20 mm", 1, who=MARA, part="CELL-TAB", at=_ago(now, 5.5))
    wants.want(handheld, "330u 10V 105C aluminium", 1, who=MARA, refs=["C1"], at=_ago(now, 5.5))
    wants.reserve_wanted(handheld, first.n, parts["C100u-25"], who=MARA)
    wants.take_for_job(handheld, parts["C22u-50"], 1, who=MARA, wanted=second.n, at=_ago(now, 5.2))
    wants.want(box, "Video chip", 1, who=JONAS, part=CHIP, at=_ago(now, 0.9), why="only if the minute’s look agrees")
    wants.want(box, "4k7 1%", 2, who=JONAS, refs=["R11", "R12"], at=_ago(now, 0.9))
    reservations.reserve(parts["REG-5"], 1, who=JONAS, job=box)


def _ago(now: datetime, days: float) -> datetime:
    return now - timedelta(days=days)


def _shelve(row: Row, now: datetime) -> Part:
    """One part, come in two lots where there are many of it."""
    code, name, kind, value, place, price, pieces = row
    more = {"gram": GRAM[code]} if code in GRAM else {}
    part = stores.add_part(name=name, code=code, kind=kind, value=value, place=place, who=MARA, **more)
    old = pieces // 3 if pieces >= 20 else 0
    wet = kind in ("aluminium", "low-impedance", "bipolar")
    for number, days, age in ((old, 1010, 190), (pieces - old, 140, 120)):
        if number:
            at = _ago(now, days)
            made: date | None = (at - timedelta(days=age)).date() if wet else None
            lot = f"{made.isocalendar().year % 100:02}{made.isocalendar().week:02}" if made else ""
            source = "Ostrey Wholesale" if days > 500 else "Quillfen Parts"
            stores.receive(part, number, who=MARA, came=Came(lot, made, source=source, price=price), at=at)
    return part


def _history(parts: Mapping[str, Part], now: datetime) -> None:
    """What else happened to them: counted, put aside, thrown away, a slip put right."""
    stores.count(parts["C470u-25"], 29, who=JONAS, note="after the clear-out", at=_ago(now, 30))
    stores.count(parts["SCREW-M3-8"], 171, who=JONAS, at=_ago(now, 30))
    stores.scrap(parts["BELT-70"], 1, who=MARA, why="gone sticky", at=_ago(now, 21))
    stores.quarantine(parts["C47u-16-S"], 6, who=MARA, why="from a wet bag, leads dull", at=_ago(now, 12))
    slip = stores.receive(parts["FUSE-T1A"], 100, who=JONAS, at=_ago(now, 8))
    stores.correct(slip, who=JONAS, why="ten, not a hundred", count=10, at=_ago(now, 8))
