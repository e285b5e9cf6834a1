"""Tables of suppliers and their prices. A list that was read stays; a newer one of the same supplier takes over."""

from __future__ import annotations

from django.db import models
from django.db.models import Q
from django.utils import timezone

from refettle.book.fields import KeptJSONField


class Supplier(models.Model):
    """Who sells parts, and on what terms. Money is in the supplier's currency."""

    name = models.CharField(max_length=120, unique=True)
    currency = models.CharField(max_length=3)
    shipping = models.DecimalField(max_digits=12, decimal_places=2, default=0)
    free_from = models.DecimalField(max_digits=12, decimal_places=2, null=True, blank=True)
    """Goods worth this much travel free."""
    minimum = models.DecimalField(max_digits=12, decimal_places=2, default=0)
    """An order below is not taken."""
    lead_days = models.PositiveIntegerField(default=5)
    address = models.TextField(blank=True, default="", max_length=1000)
    note = models.TextField(blank=True, default="", max_length=4000)
    used = models.BooleanField(default=True)
    columns = KeptJSONField(default=dict, blank=True)
    """How the columns of its lists were mapped the last time, with decimal mark, delimiter and header line."""
    created = models.DateTimeField(default=timezone.now, editable=False)

    class Meta:
        ordering = ["name"]
        constraints = [models.CheckConstraint(condition=~Q(name=""), name="supplier_has_a_name")]

    def __str__(self) -> str:
        return self.name


class PriceList(models.Model):
    """One file of prices, as it was read."""

    supplier = models.ForeignKey(Supplier, on_delete=models.PROTECT, related_name="lists")
    name = models.CharField(max_length=200)
    sha256 = models.CharField(max_length=64)
    columns = KeptJSONField(default=dict)
    valid_from = models.DateField()
    rows = models.PositiveIntegerField()
    refused = KeptJSONField(default=list)
    """[line, what was wrong] of rows left out."""
    remarks = KeptJSONField(default=list)
    """[line, what was wrong] of cells that rows were taken without."""
    doubts = KeptJSONField(default=list)
    """What was taken one way and might have been meant another."""
    who = models.CharField(max_length=200)
    created = models.DateTimeField(default=timezone.now, editable=False)

    class Meta:
        ordering = ["id"]

    def __str__(self) -> str:
        return self.name


class Offer(models.Model):
    """One line of a price list. Never changed; the one of the newest list counts, unless it was withdrawn."""

    list = models.ForeignKey(PriceList, on_delete=models.PROTECT, related_name="offers")
    supplier = models.ForeignKey(Supplier, on_delete=models.PROTECT, related_name="offers")
    sku = models.CharField(max_length=80)
    """The supplier's own number."""
    name = models.CharField(max_length=300, blank=True, default="")
    pack = models.PositiveIntegerField(default=1)
    """Pieces in a pack; it is sold by whole packs."""
    breaks = KeptJSONField()
    """[[from so many pieces, price of one piece as text], ...], the first from 1 or from the minimum."""
    least = models.PositiveIntegerField(default=1)
    """Fewest pieces sold."""
    currency = models.CharField(max_length=3)
    stock = models.PositiveIntegerField(null=True, blank=True)
    """None: not said."""
    lead_days = models.PositiveIntegerField(null=True, blank=True)
    current = models.BooleanField(default=True)
    """False once a newer list of the supplier was read."""

    class Meta:
        ordering = ["id"]
        indexes = [models.Index(fields=["supplier", "sku"], name="offer_by_sku")]
        constraints = [
            models.UniqueConstraint(fields=["list", "sku"], name="offer_once_per_list"),
            models.UniqueConstraint(
                fields=["supplier", "sku"], condition=Q(current=True), name="offer_one_current_per_sku"
            ),
            models.CheckConstraint(condition=~Q(sku="") & Q(pack__gte=1), name="offer_has_sku_and_pack"),
        ]

    def __str__(self) -> str:
        return self.sku


class Sold(models.Model):
    """That a supplier's number is a part of the stores: said once, kept for later lists."""

    supplier = models.ForeignKey(Supplier, on_delete=models.PROTECT, related_name="sells")
    sku = models.CharField(max_length=80)
    part = models.ForeignKey("book.Part", on_delete=models.PROTECT, related_name="sold_as")
    who = models.CharField(max_length=200)
    created = models.DateTimeField(default=timezone.now, editable=False)
    ended = models.DateTimeField(null=True, blank=True)
    """Since then it is held to be another part, or none."""

    class Meta:
        ordering = ["id"]
        constraints = [
            models.UniqueConstraint(fields=["supplier", "sku"], condition=Q(ended=None), name="sold_once"),
        ]

    def __str__(self) -> str:
        return f"{self.sku} is {self.part_id}"
