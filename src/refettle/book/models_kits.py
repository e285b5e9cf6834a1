"""Tables of kits: what belongs into one, batches of them, single kits and the lots that went into them."""

from __future__ import annotations

from django.db import models
from django.db.models import F, Q
from django.utils import timezone

from refettle.book.fields import KeptJSONField
from refettle.language import mark, tr


class KitVersion(models.Model):
    """What belongs into a kit, for one unit type, board revision and region. Once a batch is begun it is not changed: a
    change is a new version."""

    slug = models.CharField(max_length=120)
    """The unit type's."""
    revision = models.CharField(max_length=80, blank=True, default="")
    region = models.CharField(max_length=80, blank=True, default="")
    number = models.PositiveIntegerField()
    """1, 2, 3, ... for this type, revision and region."""
    name = models.CharField(max_length=200)
    note = models.TextField(blank=True, default="", max_length=4000)
    """What it does not cover; where the list comes from."""
    board = models.CharField(max_length=64, blank=True, default="")
    """sha256 of the board file whose map goes on the contents sheet."""
    minutes = models.FloatField(default=5)
    """To make one, in a batch."""
    fee = models.DecimalField(max_digits=12, decimal_places=2, default=0)
    """Bag, label, post and selling fees of one."""
    margin = models.FloatField(default=0.3)
    """Wanted of the price, as a share of it."""
    withdrawn = models.BooleanField(default=False)
    who = models.CharField(max_length=200)
    created = models.DateTimeField(default=timezone.now, editable=False)

    class Meta:
        ordering = ["slug", "revision", "region", "number"]
        constraints = [
            models.UniqueConstraint(fields=["slug", "revision", "region", "number"], name="kit_version_once"),
            models.CheckConstraint(condition=~Q(name="") & Q(number__gte=1), name="kit_version_named"),
            models.CheckConstraint(condition=Q(margin__gte=0) & Q(margin__lt=1), name="kit_version_margin_is_a_share"),
        ]

    def __str__(self) -> str:
        return tr("{name}, version {number}", name=self.name, number=self.number)


class KitLine(models.Model):
    """One line of a kit: so many of one part, for these places on the board."""

    version = models.ForeignKey(KitVersion, on_delete=models.PROTECT, related_name="lines")
    n = models.PositiveIntegerField()
    part = models.ForeignKey("book.Part", on_delete=models.PROTECT, related_name="kit_lines")
    quantity = models.PositiveIntegerField()
    refs = models.CharField(max_length=500, blank=True, default="")
    """C1, C4, C7."""
    spares = models.PositiveIntegerField(default=0)
    """Of the quantity, more than there are places for."""
    wanted = models.CharField(max_length=200, blank=True, default="")
    """What the list said the place needs, as in `parts.capacitor_text`: the part was held against it."""
    alternates = KeptJSONField(default=list)
    """Codes of parts that may stand in, in order."""
    note = models.CharField(max_length=500, blank=True, default="")
    """Way round, height, what to mind."""

    class Meta:
        ordering = ["version", "n"]
        constraints = [
            models.UniqueConstraint(fields=["version", "n"], name="kit_line_once"),
            models.CheckConstraint(condition=Q(quantity__gte=1), name="kit_line_holds_some"),
            models.CheckConstraint(condition=Q(spares__lt=F("quantity")), name="kit_line_is_not_all_spares"),
        ]

    def __str__(self) -> str:
        return f"line {self.n}"


class KitBatch(models.Model):
    """Kits made together, one value at a time."""

    version = models.ForeignKey(KitVersion, on_delete=models.PROTECT, related_name="batches")
    count = models.PositiveIntegerField()
    parts = KeptJSONField(default=dict)
    """Number of the line -> [[code of the part, kits that take it], ...], from the first kit on."""
    who = models.CharField(max_length=200)
    created = models.DateTimeField(default=timezone.now, editable=False)
    done = models.DateTimeField(null=True, blank=True)
    dropped = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["id"]
        constraints = [models.CheckConstraint(condition=Q(count__gte=1) & Q(count__lte=500), name="kit_batch_size")]

    def __str__(self) -> str:
        return tr("batch {pk}", pk=self.pk)


class KitStep(models.Model):
    """What was done in a batch, in order. Never changed: counted into the bags, second check, shortage, mistake."""

    class Kind(models.TextChoices):
        FILLED = "filled", mark("counted into the bags")
        CHECKED = "checked", mark("checked a second time")
        SHORT = "short", mark("short of parts")
        MISTAKE = "mistake", mark("a mistake found")

    batch = models.ForeignKey(KitBatch, on_delete=models.PROTECT, related_name="steps")
    line = models.ForeignKey(KitLine, on_delete=models.PROTECT, null=True, blank=True, related_name="steps")
    kind = models.CharField(max_length=8, choices=Kind.choices)
    quantity = models.IntegerField(default=0)
    data = KeptJSONField(default=dict)
    """How it was checked: weights and limits, codes scanned; where a mistake was found."""
    movement = models.ForeignKey(
        "book.Movement", on_delete=models.PROTECT, null=True, blank=True, related_name="kit_steps"
    )
    """The line of the ledger by which parts of one lot went in: the trace from kit to lot."""
    who = models.CharField(max_length=200)
    at = models.DateTimeField(default=timezone.now)

    class Meta:
        ordering = ["id"]

    def __str__(self) -> str:
        return self.kind


class Kit(models.Model):
    """One kit in its bag."""

    class State(models.TextChoices):
        READY = "ready", mark("ready")
        SOLD = "sold", mark("sold")
        USED = "used", mark("used in a job")
        RECALLED = "recalled", mark("recalled")
        TAKEN_APART = "taken apart", mark("taken apart")

    code = models.CharField(max_length=40, unique=True)
    batch = models.ForeignKey(KitBatch, on_delete=models.PROTECT, related_name="kits")
    number = models.PositiveIntegerField()
    """1 to the batch's count."""
    state = models.CharField(max_length=12, choices=State.choices, default=State.READY)
    sold_at = models.DateTimeField(null=True, blank=True)
    sold_to = models.CharField(max_length=200, blank=True, default="")
    price = models.DecimalField(max_digits=12, decimal_places=2, null=True, blank=True)
    currency = models.CharField(max_length=3, blank=True, default="")
    job = models.ForeignKey("book.Job", on_delete=models.PROTECT, null=True, blank=True, related_name="kits")
    note = models.CharField(max_length=500, blank=True, default="")

    class Meta:
        ordering = ["batch", "number"]
        constraints = [
            models.UniqueConstraint(fields=["batch", "number"], name="kit_once_per_batch"),
            models.CheckConstraint(condition=~Q(state="sold") | Q(sold_at__isnull=False), name="kit_sold_has_its_day"),
        ]

    def __str__(self) -> str:
        return self.code


class KitWish(models.Model):
    """Kits to be made: what the next order must serve."""

    version = models.ForeignKey(KitVersion, on_delete=models.PROTECT, related_name="wishes")
    count = models.PositiveIntegerField()
    by = models.DateField(null=True, blank=True)
    made = models.PositiveIntegerField(default=0)
    closed = models.DateTimeField(null=True, blank=True)
    who = models.CharField(max_length=200)
    created = models.DateTimeField(default=timezone.now, editable=False)

    class Meta:
        ordering = ["id"]
        constraints = [
            models.CheckConstraint(condition=Q(count__gte=1) & Q(made__lte=F("count")), name="kit_wish_in_range")
        ]

    def __str__(self) -> str:
        return f"{self.count} of {self.version}"
