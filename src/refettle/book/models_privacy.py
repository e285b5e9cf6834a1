"""Tables of what was erased on an owner's request: by whom, when, why, and what every altered text became.

`ErasedText` and `Erasure` are never changed or deleted. The guards of append-only tables let a text be altered only to
what the newest `ErasedText` of that row and column says (see `guards`).
"""

from __future__ import annotations

from django.db import models
from django.db.models import Q
from django.db.models.functions import Length
from django.db.models.lookups import Exact
from django.utils import timezone


class OwnerBefore(models.Model):
    """What an owner's name and contact were until they were put right; found in texts when the owner is erased. Goes
    with the rest on that day."""

    owner = models.ForeignKey("book.Owner", on_delete=models.PROTECT, related_name="before")
    name = models.CharField(max_length=120)
    contact = models.TextField(blank=True, default="", max_length=1000)
    until = models.DateTimeField(default=timezone.now)

    class Meta:
        ordering = ["id"]

    def __str__(self) -> str:
        return f"until {self.until:%Y-%m-%d}"


class Erasure(models.Model):
    """One owner erased on request."""

    owner = models.ForeignKey("book.Owner", on_delete=models.PROTECT, related_name="erasures")
    at = models.DateTimeField(default=timezone.now)
    who = models.CharField(max_length=200)
    why = models.TextField(max_length=2000)

    class Meta:
        ordering = ["id"]
        constraints = [models.CheckConstraint(condition=~Q(who="") & ~Q(why=""), name="erasure_who_and_why_given")]

    def __str__(self) -> str:
        return f"erasure {self.pk}"


class ErasedText(models.Model):
    """One text of an append-only row, as it is after the erasure, word for word as the database holds it."""

    erasure = models.ForeignKey(Erasure, on_delete=models.PROTECT, related_name="texts")
    of_table = models.CharField(max_length=63)
    of_row = models.BigIntegerField()
    of_column = models.CharField(max_length=63)
    job = models.ForeignKey("book.Job", on_delete=models.PROTECT, null=True, blank=True, related_name="erased_texts")
    n = models.PositiveIntegerField(null=True, blank=True)
    """Number of the entry, where it is one."""
    text = models.TextField()
    before = models.CharField(max_length=64)
    """HMAC-SHA256 (RFC 2104) of the text before, with the erasure's key, which is not kept: a plain hash of a name can
    be found by trying names."""
    after = models.CharField(max_length=64)
    """SHA-256 of `text`."""

    class Meta:
        ordering = ["id"]
        indexes = [models.Index(fields=["of_table", "of_row", "of_column"], name="erased_text_of_row")]
        constraints = [
            models.UniqueConstraint(
                fields=["erasure", "of_table", "of_row", "of_column"], name="erased_text_once_per_erasure"
            ),
            models.CheckConstraint(
                condition=Exact(Length("before"), 64) & Exact(Length("after"), 64), name="erased_text_hashes"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.of_table} {self.of_row} {self.of_column}"


class ErasedPhoto(models.Model):
    """A photo whose file was removed on request: not missing, but gone for good."""

    erasure = models.ForeignKey(Erasure, on_delete=models.PROTECT, related_name="photos")
    sha256 = models.CharField(max_length=64)

    class Meta:
        ordering = ["id"]
        constraints = [models.UniqueConstraint(fields=["sha256"], name="erased_photo_once")]

    def __str__(self) -> str:
        return self.sha256[:12]
