"""Orders in the demo book: one sent and partly here, and a plan of what is to be ordered next."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta

from refettle.book import kits, orders, orders_needs, orders_plan, prices_links, wants
from refettle.book.demo_text import JONAS, MARA
from refettle.book.models import Job
from refettle.book.models_kits import KitVersion
from refettle.book.models_orders import Order, OrderPlan
from refettle.book.models_prices import Sold, Supplier
from refettle.book.models_stores import Part
from refettle.book.orders_plan import Asked
from refettle.book.orders_receive import Arrived, receive
from refettle.book.stores_parts import add_part

LINKS = {
    "Quillfen Parts": {
        "Q-SEAT-40": "SEAT-40",
        "Q-BELT-72": "BELT-72",
        "Q-2200u-35": "C2200u-35",
        "Q-FUSE-T1A": "FUSE-T1A",
        "Q-1000u-25": "KC1000u-25",
        "Q-100u-25": "KC100u-25",
        "Q-10u-50": "KC10u-50",
        "Q-1u-50": "KC1u-50",
    },
    "Ostrey Wholesale": {"70100": "KC1000u-25", "70150": "KC100u-25", "70180": "KC10u-50", "70200": "KC1u-50"},
}
"""Which numbers are which parts, besides those linked already."""
SECONDS = 20.0
"""[s] At most; it takes a second or two on a machine that is not busy."""


def fill_orders(jobs: Sequence[Job], today: date) -> tuple[Order, OrderPlan]:
    """Write them; `jobs` are those of the demo book, in its order."""
    console, radio, player = jobs[3], jobs[7], jobs[9]
    add_part(name="Belt, 72 mm, square 1.2 mm", code="BELT-72", kind="belt", place="Box B", who=MARA)
    for name, links in LINKS.items():
        _link(Supplier.objects.get(name=name), links)
    soon, later = (today + timedelta(days=days) for days in (10, 24))
    _want(console, "Seat of 40 ways", 2, "SEAT-40", soon)
    _want(player, "Belt of the drive", 2, "BELT-72", later)
    _want(radio, "Fuse of the supply", 2, "FUSE-T1A", later)
    mine = {f"job:{job.number}:" for job in (console, radio, player)}
    every = [each.key for each in orders_needs.needs(today)]
    first = _plan(MARA, frozenset(key for key in every if not any(key.startswith(own) for own in mine)))
    (order, *_) = made = orders.make_orders(first, who=MARA)
    for each in made:
        orders.send(each, day=today - timedelta(days=1))
    here = [line for line in order.lines.select_related("part") if line.part.code == "BELT-72"]
    receive(
        order,
        [Arrived(line.pk, max(1, line.pieces // 2), note="the rest comes with the seat") for line in here],
        who=JONAS,
    )
    wants.want(
        radio, "2200u 35V 105C aluminium", 6, who=JONAS, refs=[f"C{n}" for n in range(31, 37)], by=later.isoformat()
    )
    version = KitVersion.objects.filter(withdrawn=False).order_by("-pk").first()
    if version is not None:
        kits.wish(version, 40, who=MARA, by=later)
    return order, _plan(JONAS)


def _link(supplier: Supplier, links: dict[str, str]) -> None:
    there = set(Sold.objects.filter(supplier=supplier, ended=None).values_list("sku", flat=True))
    codes = dict(Part.objects.filter(code__in=links.values()).values_list("code", "pk"))
    pairs = [(sku, codes[code]) for sku, code in links.items() if sku not in there and code in codes]
    prices_links.link(supplier, pairs, MARA)


def _want(job: Job, what: str, count: int, code: str, by: date) -> None:
    wants.want(job, what, count, who=JONAS, part=code, by=by.isoformat())


def _plan(who: str, leave: frozenset[str] = frozenset()) -> OrderPlan:
    asked = orders_plan.gather(Asked(leave=leave, seconds=SECONDS))
    return orders_plan.keep(asked, orders_plan.work_out(asked), who)
