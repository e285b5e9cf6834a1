"""Kits in the demo book: one kit in two versions, a batch sold in part, and one half made on the bench."""

from __future__ import annotations

from datetime import date
from typing import Any

from django.conf import settings

from refettle.book import kits, kits_batch, kits_check, kits_trace, stores
from refettle.book.demo_text import JONAS, MARA
from refettle.book.files import keep
from refettle.book.models_kits import KitBatch, KitVersion
from refettle.book.models_stores import Part
from refettle.book.stores_lots import Came
from refettle.book.stores_parts import add_part

BOARD = """\
ref,value,symbol,side,x,y,angle,plus,minus
C1,1000u 25V,CP,front,14,16,0,+9V,GND
C2,1000u 25V,CP,front,34,16,180,+9V,GND
C3,100u 16V,CP,front,58,14,90,+5V,GND
C4,100u 16V,CP,front,72,14,90,+5V,GND
C5,100u 16V,CP,front,86,14,270,+5V,GND
C8,10u 50V,CP,front,30,44,0,AUDIO,OUT
C9,10u 50V,CP,front,52,44,0,RESET,GND
C12,1u 50V,CP,front,74,46,180,VIDEO,OUT2
"""
PARTS: dict[str, dict[str, Any]] = {
    "KC1000u-25": {
        "value": "1000u 25V 105C",
        "gram": 2.9,
        "place": "Drawer 4, left",
        "price": "0.38",
        "lots": (18, 40),
    },
    "KC100u-25": {
        "value": "100u 25V 105C",
        "gram": 0.62,
        "place": "Drawer 4, middle",
        "price": "0.11",
        "lots": (20, 60),
    },
    "KC10u-50": {"value": "10u 50V 105C", "gram": 0.34, "place": "Drawer 4, right", "price": "0.07", "lots": (50,)},
    "KC10u-63": {"value": "10u 63V 105C", "gram": 0.38, "place": "Drawer 5, left", "price": "0.09", "lots": (12,)},
    "KC1u-50": {"value": "1u 50V 105C", "gram": 0.21, "place": "Drawer 5, middle", "price": "0.06", "lots": (40,)},
}
"""What the kit needs, made where the stores do not have it; the numbers of the lots are pieces."""


def fill_kits() -> KitBatch:
    """Write them; gives the batch that is on the bench. The stores must not hold parts of these codes."""
    for code, told in PARTS.items():
        part = add_part(
            name="Electrolytic capacitor",
            who=MARA,
            code=code,
            value=told["value"],
            kind="aluminium",
            gram=told["gram"],
            place=told["place"],
        )
        _lots(part, told["lots"], told["price"])
    old = _version({"note": ""})
    sold = kits_batch.begin(old, 4, who=JONAS)
    _fill(sold, 4)
    for n in range(1, 5):
        kits_check.check_by_codes(sold, n, [f"B{sold.pk}-{x}" for x in range(1, 5)], who=MARA)
    first, second = list(sold.kits.all())[:2]
    kits_trace.sell(first, to="Ines Aldane", price="14.50")
    kits_trace.sell(second, to="Tobias Rook", price="14.50")
    new = _version({"note": "Stand it upright: the shield comes close."})
    kits.wish(new, 15, who=MARA)
    batch = kits_batch.begin(new, 10, who=JONAS)
    kits_batch.fill(batch, 1, 20, who=JONAS)
    kits_batch.miscounted(batch, 2, 29, who=JONAS)
    kits_batch.fill(batch, 2, 30, who=JONAS)
    return batch


def _lots(part: Part, lots: tuple[int, ...], price: str) -> None:
    days = (date(2025, 3, 3), date(2025, 11, 10))
    for pieces, made in zip(lots, days, strict=False):
        week = made.isocalendar()
        came = Came(f"{week.year % 100:02}{week.week:02}", made, source="Quillfen Parts", price=price)
        stores.receive(part, pieces, who=MARA, came=came)


def _version(last: dict[str, str]) -> KitVersion:
    lines = [
        kits.LineTyped("KC1000u-25", 2, "C1, C2", wanted="1000u 25V aluminium"),
        kits.LineTyped("KC100u-25", 3, "C3, C4, C5", wanted="100u 16V aluminium", note=last["note"]),
        kits.LineTyped("KC10u-50", 2, "C8, C9", alternates=("KC10u-63",), wanted="10u 50V aluminium"),
        kits.LineTyped("KC1u-50", 2, "C12", spares=1, wanted="1u 50V aluminium"),
    ]
    return kits.new_version(
        lines,
        slug="larkmere-48",
        name="Larkmere 48 capacitors",
        revision="B",
        region="Europe",
        note="Not covered: the can on the mains side of the supply, and the capacitors in the modulator.\n"
        "Read off two boards of revision B; revision A has two more on the supply.",
        board=keep(BOARD.encode(), settings.REFETTLE_FILES),
        minutes=5,
        fee="2.40",
        margin=0.3,
        who=MARA,
    )


def _fill(batch: KitBatch, lines: int) -> None:
    for n in range(1, lines + 1):
        kits_batch.fill(batch, n, kits_batch.expected(batch, n), who=JONAS)
