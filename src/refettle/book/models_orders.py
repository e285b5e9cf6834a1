"""Tables of orders: what was worked out, what was sent, what came."""

from __future__ import annotations

from django.db import models
from django.db.models import Q
from django.utils import timezone

from refettle.book.fields import KeptJSONField


class OrderPlan(models.Model):
    """One working out of the cheapest order: what was asked, and the answer. Never changed."""

    asked = KeptJSONField()
    """Needs, stock, offers and terms, as given to `refettle.ordering`."""
    answer = KeptJSONField()
    """What it said: quantities, costs, gap, shares, second best."""
    who = models.CharField(max_length=200)
    created = models.DateTimeField(default=timezone.now, editable=False)

    class Meta:
        ordering = ["id"]

    def __str__(self) -> str:
        return f"plan {self.pk}"


class Order(models.Model):
    """An order to one supplier."""

    plan = models.ForeignKey(OrderPlan, on_delete=models.PROTECT, null=True, blank=True, related_name="orders")
    supplier = models.ForeignKey("book.Supplier", on_delete=models.PROTECT, related_name="orders")
    number = models.PositiveIntegerField(unique=True)
    currency = models.CharField(max_length=3)
    shipping = models.DecimalField(max_digits=12, decimal_places=2, default=0)
    due = models.DateField(null=True, blank=True)
    sent = models.DateTimeField(null=True, blank=True)
    cancelled = models.DateTimeField(null=True, blank=True)
    closed = models.DateTimeField(null=True, blank=True)
    """All that will come has come."""
    who = models.CharField(max_length=200)
    note = models.TextField(blank=True, default="", max_length=4000)
    created = models.DateTimeField(default=timezone.now, editable=False)

    class Meta:
        ordering = ["-number"]
        constraints = [models.CheckConstraint(condition=Q(number__gte=1), name="order_number_from_1")]

    def __str__(self) -> str:
        return f"order {self.number}"


class OrderLine(models.Model):
    """So many packs of one offer, for a part of the stores."""

    order = models.ForeignKey(Order, on_delete=models.PROTECT, related_name="lines")
    offer = models.ForeignKey("book.Offer", on_delete=models.PROTECT, null=True, blank=True, related_name="ordered")
    part = models.ForeignKey("book.Part", on_delete=models.PROTECT, related_name="ordered")
    sku = models.CharField(max_length=80)
    pieces = models.PositiveIntegerField()
    price = models.DecimalField(max_digits=14, decimal_places=4)
    """Of one piece."""
    due = models.DateField(null=True, blank=True)
    """Where it comes on another day than the order as a whole."""
    received = models.PositiveIntegerField(default=0)
    """Pieces that came, of this part or of one sent in its place."""
    gone = models.PositiveIntegerField(default=0)
    """Pieces that will not come: cancelled or sold out."""
    serves = KeptJSONField(default=list)
    """[need, pieces] each: whom it was ordered for, as `orders_needs` calls needs: job:7:12, kit:3:1, reorder:40."""

    class Meta:
        ordering = ["id"]
        constraints = [
            models.CheckConstraint(condition=Q(pieces__gte=1), name="order_line_holds_some"),
        ]

    def __str__(self) -> str:
        return f"{self.pieces} of {self.sku}"

    @property
    def open(self) -> int:
        """Pieces still to come."""
        return max(self.pieces - self.received - self.gone, 0)


class Receipt(models.Model):
    """What came against an order line, or will not come, or was put right. Never changed: the line holds its sums."""

    line = models.ForeignKey(OrderLine, on_delete=models.PROTECT, related_name="receipts")
    movement = models.ForeignKey(
        "book.Movement", on_delete=models.PROTECT, null=True, blank=True, related_name="receipts"
    )
    """The line of the ledger; none where nothing went into the stores."""
    pieces = models.IntegerField(default=0)
    """That came; below nothing where a further line of the ledger puts an earlier one right."""
    gone = models.IntegerField(default=0)
    """That will not come; below nothing where they are waited for after all."""
    instead = models.BooleanField(default=False)
    """Another part than ordered was sent."""
    delivery = models.CharField(max_length=40, blank=True, default="")
    """The form it was written by, so that one sent twice counts once."""
    note = models.CharField(max_length=500, blank=True, default="")
    who = models.CharField(max_length=200)
    at = models.DateTimeField(default=timezone.now)

    class Meta:
        ordering = ["id"]
        constraints = [
            models.CheckConstraint(condition=~Q(pieces=0) | ~Q(gone=0) | ~Q(note=""), name="receipt_says_something"),
        ]

    def __str__(self) -> str:
        return f"{self.pieces} came"
