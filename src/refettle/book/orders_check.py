"""The sums of order lines worked out anew from their receipts."""

from __future__ import annotations

from dataclasses import dataclass

from django.db.models import Sum

from refettle.book.models_orders import OrderLine


@dataclass(frozen=True)
class Differs:
    """A line whose sums are not those of its receipts."""

    order: int
    sku: str
    field: str
    kept: int
    receipts: int

    def __str__(self) -> str:
        return f"order {self.order}, {self.sku}: {self.field} {self.kept}, by its receipts {self.receipts}"


def verify() -> list[Differs]:
    """Lines whose `received` or `gone` differs from the sum of their receipts; none in a sound book."""
    rows = OrderLine.objects.annotate(came=Sum("receipts__pieces"), lost=Sum("receipts__gone")).order_by("pk")
    found = []
    for number, sku, received, gone, came, lost in rows.values_list(
        "order__number", "sku", "received", "gone", "came", "lost"
    ):
        for field, kept, told in (("received", received, came or 0), ("gone", gone, lost or 0)):
            if kept != told:
                found.append(Differs(number, sku, field, kept, told))
    return found
