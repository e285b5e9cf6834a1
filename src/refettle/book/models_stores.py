"""Tables of the stores: parts, their lots, the ledger of movements, what is reserved.

`Movement` is the truth: every quantity on hand or in quarantine is the sum of its movements, and rows are never changed
or deleted. The quantities kept with parts and lots are that sum, brought up to date in the same transaction; the
database refuses one that would fall below nothing, so that the last part is given away once.
"""

from __future__ import annotations

from django.db import models
from django.db.models import F, Q
from django.db.models.functions import Lower
from django.utils import timezone

from refettle.book.fields import KeptJSONField
from refettle.language import mark, tr


class Part(models.Model):
    """A kind of part the stores keep: one bin, one label."""

    class Unit(models.TextChoices):
        FARAD = "F", "F"
        OHM = "ohm", "Ω"
        HENRY = "H", "H"
        HERTZ = "Hz", "Hz"
        NONE = "", "none"

    code = models.CharField(max_length=40, unique=True)
    """By what the bench calls it; printed on its label."""
    name = models.CharField(max_length=200)
    kind = models.CharField(max_length=40, blank=True, default="")
    """As in `parts.capacitor.KINDS` where it is a capacitor, else in the bench's own words: belt, chip, screw."""
    unit = models.CharField(max_length=4, choices=Unit.choices, blank=True, default="")
    amount = models.FloatField(null=True, blank=True)
    """Its value in SI units: 4.7e-6 for 4.7 µF."""
    volt = models.FloatField(null=True, blank=True)
    celsius = models.FloatField(null=True, blank=True)
    diameter_mm = models.FloatField(null=True, blank=True)
    height_mm = models.FloatField(null=True, blank=True)
    pitch_mm = models.FloatField(null=True, blank=True)
    mount = models.CharField(max_length=20, blank=True, default="")
    maker = models.CharField(max_length=120, blank=True, default="")
    rated = KeptJSONField(default=dict, blank=True)
    """What else its sheet says, by the names of `parts.capacitor.Rated`: esr, ripple, endurance, safety."""
    note = models.TextField(blank=True, default="", max_length=4000)
    place = models.CharField(max_length=120, blank=True, default="")
    """Where it lies: drawer, box, bag."""
    gram = models.FloatField(null=True, blank=True)
    """Weight of one, for the second check of a kit."""
    shelf_days = models.PositiveIntegerField(null=True, blank=True)
    """After so many days in store it is looked at again; an electrolytic is re-formed."""
    lead_days = models.PositiveIntegerField(default=14)
    reorder_at = models.PositiveIntegerField(null=True, blank=True)
    """Reorder point set by hand; else it follows from use."""
    no_reorder = models.BooleanField(default=False)
    """A donor chip that can be bought no more, or a part that is given up."""
    on_hand = models.PositiveIntegerField(default=0)
    reserved = models.PositiveIntegerField(default=0)
    """Of those on hand, promised to jobs and kits."""
    quarantined = models.PositiveIntegerField(default=0)
    """Not to be used until shown good; not among those on hand."""
    created = models.DateTimeField(default=timezone.now, editable=False)

    class Meta:
        ordering = ["code"]
        indexes = [
            models.Index(fields=["unit", "amount", "volt"], name="part_by_value"),
            models.Index(fields=["name"], name="part_by_name"),
            models.Index(fields=["place"], name="part_by_place"),
        ]
        constraints = [
            models.CheckConstraint(condition=~Q(code="") & ~Q(name=""), name="part_has_code_and_name"),
            models.UniqueConstraint(Lower("code"), name="part_code_in_any_case"),
            models.CheckConstraint(condition=Q(on_hand__gte=0), name="part_on_hand_from_0"),
            models.CheckConstraint(condition=Q(quarantined__gte=0), name="part_quarantined_from_0"),
            models.CheckConstraint(condition=Q(reserved__gte=0), name="part_reserved_from_0"),
            models.CheckConstraint(condition=Q(reserved__lte=F("on_hand")), name="part_reserved_is_on_hand"),
        ]

    def __str__(self) -> str:
        return self.code

    @property
    def free(self) -> int:
        """On hand and promised to nobody."""
        return self.on_hand - self.reserved


class PartChange(models.Model):
    """What a part's own lines said before somebody changed them. Never changed itself."""

    part = models.ForeignKey(Part, on_delete=models.PROTECT, related_name="changes")
    at = models.DateTimeField(default=timezone.now)
    who = models.CharField(max_length=200)
    was = KeptJSONField()
    """Field -> what it said before."""

    class Meta:
        ordering = ["id"]
        constraints = [models.CheckConstraint(condition=~Q(who=""), name="part_change_who_given")]

    def __str__(self) -> str:
        return ", ".join(self.was)


class Lot(models.Model):
    """Parts that came together: one delivery, one reel, one donor unit."""

    part = models.ForeignKey(Part, on_delete=models.PROTECT, related_name="lots")
    code = models.CharField(max_length=80, blank=True, default="")
    """Lot or date code as printed."""
    made = models.DateField(null=True, blank=True)
    """When it was made, as far as its date code tells."""
    since = models.DateField(null=True, blank=True)
    """In store since; or since it was last re-formed or looked at."""
    source = models.CharField(max_length=200, blank=True, default="")
    """Supplier, or the donor unit."""
    price = models.DecimalField(max_digits=14, decimal_places=4, null=True, blank=True)
    """Paid for one."""
    currency = models.CharField(max_length=3, blank=True, default="")
    proven = models.BooleanField(default=True)
    """False: of unknown source and not yet tested."""
    recalled = models.DateTimeField(null=True, blank=True)
    """Since then no kit with parts of it is to be sold."""
    on_hand = models.PositiveIntegerField(default=0)
    quarantined = models.PositiveIntegerField(default=0)
    created = models.DateTimeField(default=timezone.now, editable=False)

    class Meta:
        ordering = ["id"]
        constraints = [
            models.CheckConstraint(condition=Q(on_hand__gte=0), name="lot_on_hand_from_0"),
            models.CheckConstraint(condition=Q(quarantined__gte=0), name="lot_quarantined_from_0"),
        ]

    def __str__(self) -> str:
        return self.code or tr("lot {lot}", lot=self.pk)


class Movement(models.Model):
    """One line of the ledger. Never changed; a mistake is put right by a further line that names this one."""

    class Kind(models.TextChoices):
        RECEIVED = "received", mark("received")
        USED = "used", mark("used in a job")
        KIT = "into kit", mark("into a kit")
        COUNTED = "counted", mark("counted")
        SCRAPPED = "scrapped", mark("scrapped")
        DONOR = "from donor", mark("taken from a donor unit")
        QUARANTINED = "quarantined", mark("put in quarantine")
        RELEASED = "released", mark("released from quarantine")
        RETURNED = "returned", mark("come back from a job or a kit")
        CORRECTED = "corrected", mark("a line put right")

    part = models.ForeignKey(Part, on_delete=models.PROTECT, related_name="movements")
    lot = models.ForeignKey(Lot, on_delete=models.PROTECT, related_name="movements")
    at = models.DateTimeField(default=timezone.now)
    who = models.CharField(max_length=200)
    kind = models.CharField(max_length=12, choices=Kind.choices)
    on_hand = models.IntegerField(default=0)
    """Change of what is on hand."""
    quarantined = models.IntegerField(default=0)
    """Change of what is in quarantine."""
    job = models.ForeignKey("book.Job", on_delete=models.PROTECT, null=True, blank=True, related_name="movements")
    entry = models.PositiveIntegerField(null=True, blank=True)
    """Number of the entry in that job's log which says the same."""
    corrects = models.ForeignKey("self", on_delete=models.PROTECT, null=True, blank=True, related_name="corrected_by")
    note = models.CharField(max_length=500, blank=True, default="")

    class Meta:
        ordering = ["id"]
        indexes = [
            models.Index(fields=["part", "-id"], name="movement_of_part"),
            models.Index(fields=["part", "kind", "at"], name="movement_by_use"),
        ]
        constraints = [
            models.CheckConstraint(condition=~Q(who=""), name="movement_who_given"),
            models.CheckConstraint(
                condition=~Q(on_hand=0) | ~Q(quarantined=0) | Q(kind="counted"), name="movement_moves_something"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.kind} {self.on_hand:+d}"


class Reservation(models.Model):
    """Parts promised to a job or a batch of kits, and not yet taken. Taken or let go, the row is closed and stays."""

    part = models.ForeignKey(Part, on_delete=models.PROTECT, related_name="reservations")
    job = models.ForeignKey("book.Job", on_delete=models.PROTECT, null=True, blank=True, related_name="reservations")
    batch = models.ForeignKey(
        "book.KitBatch", on_delete=models.PROTECT, null=True, blank=True, related_name="reservations"
    )
    want = models.PositiveIntegerField(null=True, blank=True)
    """Number of the job's entry that wants it."""
    quantity = models.PositiveIntegerField()
    """Still promised."""
    who = models.CharField(max_length=200)
    created = models.DateTimeField(default=timezone.now, editable=False)
    closed = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["id"]
        indexes = [models.Index(fields=["part"], condition=Q(closed=None), name="reservation_open")]
        constraints = [
            models.CheckConstraint(
                condition=Q(job__isnull=True, batch__isnull=False) | Q(job__isnull=False, batch__isnull=True),
                name="reservation_for_one",
            ),
            models.CheckConstraint(
                condition=Q(closed__isnull=False) | Q(quantity__gte=1), name="reservation_open_holds_some"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.quantity} of {self.part_id}"
