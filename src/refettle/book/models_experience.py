"""Tables of experience: what finished jobs taught, here and on other benches, and counted repair records.

Nothing in them is a job's truth, which is its log. `Lesson` is a cache that may be emptied; the others are what was
brought in from elsewhere, kept when it is taken out again.
"""

from __future__ import annotations

from django.db import models
from django.utils import timezone

from refettle.book.fields import KeptJSONField


class BenchIdentity(models.Model):
    """By what other benches know this one: random, and drawn once. The secret never leaves the book."""

    bench = models.CharField(max_length=32, unique=True)
    secret = models.CharField(max_length=64)
    created = models.DateTimeField(default=timezone.now, editable=False)

    def __str__(self) -> str:
        return self.bench


class Lesson(models.Model):
    """What one finished job taught, worked out from its first `entries` entries by the rules of `rules`."""

    job = models.OneToOneField("book.Job", on_delete=models.CASCADE, related_name="lesson")
    entries = models.PositiveIntegerField()
    rules = models.PositiveIntegerField()
    data = KeptJSONField()
    trouble = models.TextField(blank=True, default="")
    """Why the job teaches nothing: its type and its log no longer fit."""
    created = models.DateTimeField(default=timezone.now, editable=False)

    class Meta:
        indexes = [
            models.Index(fields=["created"], name="lesson_by_time"),
            models.Index(fields=["job"], condition=~models.Q(trouble=""), name="lesson_with_trouble"),
        ]

    def __str__(self) -> str:
        return f"lesson of {self.job}"


class OtherBench(models.Model):
    """A bench that experience came from. `used`: its jobs count here."""

    bench = models.CharField(max_length=32, unique=True)
    name = models.CharField(max_length=120, blank=True, default="")
    """What it is called here; never passed on."""
    came_from = models.CharField(max_length=32)
    """The bench that wrote the file: itself, or one that passed it on."""
    used = models.BooleanField(default=True)
    created = models.DateTimeField(default=timezone.now, editable=False)
    changed = models.DateTimeField(default=timezone.now)

    class Meta:
        ordering = ["id"]

    def __str__(self) -> str:
        return self.name or self.bench[:8]


class OtherLesson(models.Model):
    """What a job of another bench taught; the longest of its log that was seen counts."""

    bench = models.ForeignKey(OtherBench, on_delete=models.CASCADE, related_name="lessons")
    job = models.CharField(max_length=32)
    entries = models.PositiveIntegerField()
    data = KeptJSONField()

    class Meta:
        ordering = ["id"]
        constraints = [models.UniqueConstraint(fields=["bench", "job"], name="other_lesson_once")]

    def __str__(self) -> str:
        return self.job


class RepairRecords(models.Model):
    """A file of published repair records, counted. The last one `used` gives the base rates."""

    name = models.CharField(max_length=200)
    sha256 = models.CharField(max_length=64)
    rows = models.PositiveIntegerField()
    unknown = models.PositiveIntegerField()
    twice = models.PositiveIntegerField()
    odd_ages = models.PositiveIntegerField()
    counts = KeptJSONField()
    """[category, age band, [fixed, repairable, end of life]] each."""
    providers = KeptJSONField()
    used = models.BooleanField(default=True)
    created = models.DateTimeField(default=timezone.now, editable=False)

    class Meta:
        ordering = ["id"]

    def __str__(self) -> str:
        return self.name
