"""Ordering: price lists read, and the cheapest order worked out. Plain values in and out."""

from refettle.ordering.model import (
    Acceptable,
    Need,
    Offer,
    OrderingError,
    Problem,
    Supplier,
    Terms,
    Tier,
    problem,
)
from refettle.ordering.order import order
from refettle.ordering.plan import Other, Parcel, Plan, Purchase, Serving, Share, Short, Substitute

__all__ = [
    "Acceptable",
    "Need",
    "Offer",
    "OrderingError",
    "Other",
    "Parcel",
    "Plan",
    "Problem",
    "Purchase",
    "Serving",
    "Share",
    "Short",
    "Substitute",
    "Supplier",
    "Terms",
    "Tier",
    "order",
    "problem",
]
