"""The bench book's tables.

Entries and unit-type versions are append-only: the database itself refuses to change or delete them
(see `guards`). Everything else about a job follows from its entries by replay.
"""

from __future__ import annotations

import hashlib
from typing import ClassVar

from django.db import models
from django.db.models import F, Q
from django.db.models.functions import Length
from django.db.models.lookups import Exact
from django.utils import timezone

from refettle.book.fields import KeptJSONField


class Owner(models.Model):
    """Whose units they are: a customer, or the bench itself."""

    class Kind(models.TextChoices):
        CUSTOMER = "customer", "customer"
        OWN_STOCK = "own stock", "own stock"

    name = models.CharField(max_length=120)
    contact = models.TextField(blank=True, default="", max_length=1000)
    kind = models.CharField(max_length=12, choices=Kind.choices, default=Kind.CUSTOMER)
    created = models.DateTimeField(default=timezone.now, editable=False)

    class Meta:
        ordering = ["name", "id"]
        constraints = [
            models.CheckConstraint(condition=~Q(name=""), name="owner_has_a_name"),
            models.CheckConstraint(condition=Q(kind__in=["customer", "own stock"]), name="owner_kind_known"),
        ]

    def __str__(self) -> str:
        return self.name


class TypeVersion(models.Model):
    """A unit-type file's text, and what it uses of the library, as they were when a job took it. Never changed."""

    name = models.CharField(max_length=200)
    slug = models.CharField(max_length=120, db_index=True)
    sha256 = models.CharField(max_length=64)
    text = models.TextField()
    library = models.TextField()
    """The block kinds, point kinds and cautions it uses, as JSON (see `knowledge.loading.library_text`)."""
    file = models.CharField(max_length=500)
    """The name it was read from, for messages."""
    created = models.DateTimeField(default=timezone.now, editable=False)

    class Meta:
        ordering = ["slug", "id"]
        constraints = [
            models.UniqueConstraint(fields=["sha256"], name="type_version_once"),
            models.CheckConstraint(condition=Exact(Length("sha256"), 64), name="type_version_sha256"),
        ]

    def __str__(self) -> str:
        return self.name

    def digest(self) -> str:
        """The hash of what is kept, which `sha256` was when it was taken in."""
        return hashlib.sha256(f"{self.text}\0{self.library}".encode()).hexdigest()


class Unit(models.Model):
    """The physical thing on the bench."""

    type_version = models.ForeignKey(TypeVersion, on_delete=models.PROTECT, related_name="units")
    serial = models.CharField(max_length=120, blank=True, default="")
    label = models.CharField(max_length=120, blank=True, default="")
    owner = models.ForeignKey(Owner, on_delete=models.PROTECT, related_name="units")
    created = models.DateTimeField(default=timezone.now, editable=False)

    class Meta:
        ordering = ["id"]

    def __str__(self) -> str:
        return self.label or self.serial or f"unit {self.pk}"


class JobQuerySet(models.QuerySet["Job"]):
    """Jobs, with what is shown beside each."""

    def with_unit(self) -> JobQuerySet:
        """With unit, owner and type, but for the type's texts: 100 kB a job, read when they are asked for."""
        named = self.select_related("unit__type_version", "unit__owner")
        return named.defer("unit__type_version__text", "unit__type_version__library")


JobManager = models.Manager.from_queryset(JobQuerySet)


class Job(models.Model):
    """One unit's stay on the bench."""

    number = models.PositiveIntegerField()
    unit = models.ForeignKey(Unit, on_delete=models.PROTECT, related_name="jobs")
    opened = models.DateTimeField(default=timezone.now)
    closed = models.DateTimeField(null=True, blank=True)

    objects: ClassVar[JobManager[Job]] = JobManager()

    class Meta:
        ordering = ["number"]
        constraints = [
            models.UniqueConstraint(fields=["number"], name="job_number_once"),
            models.CheckConstraint(condition=Q(number__gte=1), name="job_number_from_1"),
            models.CheckConstraint(
                condition=Q(closed__isnull=True) | Q(closed__gte=F("opened")), name="job_closed_after_opened"
            ),
            models.UniqueConstraint(fields=["unit"], condition=Q(closed__isnull=True), name="unit_one_open_job"),
        ]
        indexes = [models.Index(fields=["number"], condition=Q(closed=None), name="job_open")]

    def __str__(self) -> str:
        return f"job {self.number}"


class Entry(models.Model):
    """One entry of a job's log. Never changed; a correction is a new entry that names this one."""

    job = models.ForeignKey(Job, on_delete=models.PROTECT, related_name="entries")
    n = models.PositiveIntegerField()
    """1, 2, 3, ... within the job, without gaps."""
    at = models.DateTimeField()
    who = models.CharField(max_length=200)
    kind = models.CharField(max_length=40)
    data = KeptJSONField()
    """The other fields, as in the log file."""

    class Meta:
        ordering = ["job", "n"]
        verbose_name_plural = "entries"
        indexes = [models.Index(fields=["kind", "job"], name="entry_by_kind")]
        constraints = [
            models.UniqueConstraint(fields=["job", "n"], name="entry_n_once_per_job"),
            models.CheckConstraint(condition=Q(n__gte=1), name="entry_n_from_1"),
            models.CheckConstraint(condition=~Q(who="") & ~Q(kind=""), name="entry_who_and_kind_given"),
        ]

    def __str__(self) -> str:
        return f"{self.n} {self.kind}"


class Photo(models.Model):
    """A photo on the disk, by the hash of its content."""

    class Format(models.TextChoices):
        JPEG = "JPEG", "JPEG"
        PNG = "PNG", "PNG"
        WEBP = "WEBP", "WebP"

    sha256 = models.CharField(max_length=64)
    format = models.CharField(max_length=4, choices=Format.choices)
    width = models.PositiveIntegerField()
    """Pixels, as shown: after the camera's orientation."""
    height = models.PositiveIntegerField()
    bytes = models.PositiveIntegerField()
    taken_at = models.DateTimeField(null=True, blank=True)
    created = models.DateTimeField(default=timezone.now, editable=False)

    class Meta:
        ordering = ["id"]
        constraints = [
            models.UniqueConstraint(fields=["sha256"], name="photo_once"),
            models.CheckConstraint(condition=Exact(Length("sha256"), 64), name="photo_sha256"),
            models.CheckConstraint(condition=Q(format__in=["JPEG", "PNG", "WEBP"]), name="photo_format_known"),
        ]

    def __str__(self) -> str:
        return self.sha256[:12]


from refettle.book.models_experience import (  # noqa: E402, F401 - Django looks for models here
    BenchIdentity,
    Lesson,
    OtherBench,
    OtherLesson,
    RepairRecords,
)
from refettle.book.models_kits import Kit, KitBatch, KitLine, KitStep, KitVersion, KitWish  # noqa: E402, F401
from refettle.book.models_orders import Order, OrderLine, OrderPlan, Receipt  # noqa: E402, F401
from refettle.book.models_people import Person, PhoneLink, SignInCount  # noqa: E402, F401
from refettle.book.models_prices import Offer, PriceList, Sold, Supplier  # noqa: E402, F401
from refettle.book.models_privacy import ErasedPhoto, ErasedText, Erasure, OwnerBefore  # noqa: E402, F401
from refettle.book.models_stores import Lot, Movement, Part, PartChange, Reservation  # noqa: E402, F401
