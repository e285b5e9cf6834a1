"""A small bench with stores for kits: parts with lots, a kit of three lines."""

from __future__ import annotations

from datetime import date
from typing import Any

from refettle.book import kits, kits_batch, kits_check, stores
from refettle.book.models_kits import Kit, KitBatch, KitVersion
from refettle.book.models_stores import Part
from refettle.book.stores_lots import Came

ADA, BO = "Ada", "Bo"


def part(code: str, farad: float = 100e-6, volt: float = 25.0, gram: float | None = 1.0, **more: Any) -> Part:
    return Part.objects.create(
        code=code,
        name=f"capacitor {code}",
        kind=more.pop("kind", "aluminium"),
        unit="F",
        amount=farad,
        volt=volt,
        celsius=105,
        gram=gram,
        **more,
    )


def came(of: Part, count: int, code: str = "", made: date | None = None, price: str | None = "0.10") -> None:
    stores.receive(of, count, who=ADA, came=Came(code=code, made=made, price=price))


def kit_of_three(a: int = 40, b: int = 20, c: int = 30) -> KitVersion:
    """Two of E100, one of E10 (or E10B), three of F1."""
    e100, e10 = part("E100"), part("E10", 10e-6, 50.0, 0.5)
    e10b, f1 = part("E10B", 10e-6, 63.0, 0.6), part("F1", 1e-6, 63.0, 0.3, kind="film")
    came(e100, a // 2, "2501", date(2025, 1, 1))
    came(e100, a - a // 2, "2510", date(2025, 3, 1))
    came(e10, b, "2502")
    came(e10b, 4, "2503")
    came(f1, c, "2504")
    return kits.new_version(
        [
            kits.LineTyped("E100", 2, "C1, C4", wanted="100u 25V 105C aluminium"),
            kits.LineTyped("E10", 1, "C7", alternates=("E10B",), wanted="10u 50V aluminium"),
            kits.LineTyped("F1", 3, "C8, C9", spares=1),
        ],
        slug="larkmere-48",
        name="Larkmere 48 capacitors",
        revision="B",
        region="Europe",
        who=ADA,
    )


def fill_all(batch: KitBatch, who: str = ADA) -> None:
    for n in range(1, 4):
        kits_batch.fill(batch, n, kits_batch.expected(batch, n), who=who)


def codes(batch: KitBatch) -> list[str]:
    return [f"B{batch.pk}-{n}" for n in range(1, 4)]


def make(version: KitVersion, count: int) -> list[Kit]:
    """So many ready kits."""
    batch = kits_batch.begin(version, count, who=ADA)
    fill_all(batch)
    for n in range(1, count + 1):
        kits_check.check_by_codes(batch, n, codes(batch), who=BO)
    return list(batch.kits.all())
