"""Who uses the bench book over the network: people, second factors, tries to sign in, links for a phone."""

from __future__ import annotations

import unicodedata
from typing import ClassVar

from django.contrib.auth.base_user import AbstractBaseUser, BaseUserManager
from django.db import models
from django.db.models import Q
from django.db.models.functions import Length
from django.db.models.lookups import Exact
from django.utils import timezone
from django.utils.crypto import salted_hmac

from refettle.language import mark

NAME_LENGTH = 80


def name_key(name: str) -> str:
    """A name as it is looked for: without regard to capitals, spaces and ways of writing the same letter (Unicode's
    NFKC, Unicode Standard Annex 15)."""
    return unicodedata.normalize("NFKC", " ".join(name.split())).casefold()[: 3 * NAME_LENGTH]


class PersonManager(BaseUserManager["Person"]):
    """Finds people by name."""

    def get_by_natural_key(self, username: str | None) -> Person:
        """The person of this name. Raises Person.DoesNotExist."""
        return self.get(key=name_key(username or ""))


class Person(AbstractBaseUser):
    """Somebody who signs in. Entries name people, so nobody is deleted, only barred (`is_active` false)."""

    class Role(models.TextChoices):
        OWNER = "owner", mark("owner of the book")
        BENCH = "bench", mark("bench")
        READ_ONLY = "read only", mark("read only")

    name = models.CharField(max_length=NAME_LENGTH)
    """As it stands beside entries."""
    key = models.CharField(max_length=3 * NAME_LENGTH, unique=True)
    role = models.CharField(max_length=12, choices=Role.choices, default=Role.BENCH)
    is_active = models.BooleanField(default=True)
    turn = models.PositiveIntegerField(default=0)
    """Goes up when the person is to be signed out everywhere; a session of an earlier turn is over."""
    created = models.DateTimeField(default=timezone.now, editable=False)

    objects: ClassVar[PersonManager] = PersonManager()

    USERNAME_FIELD = "key"
    REQUIRED_FIELDS: ClassVar[list[str]] = ["name"]

    class Meta:
        ordering = ["key"]
        constraints = [
            models.CheckConstraint(condition=~Q(name="") & ~Q(key=""), name="person_has_a_name"),
            models.CheckConstraint(
                condition=Q(role__in=["owner", "bench", mark("read only")]), name="person_role_known"
            ),
        ]

    def __str__(self) -> str:
        return self.name

    @property
    def writes(self) -> bool:
        """True for who may write."""
        return self.role != self.Role.READ_ONLY

    @property
    def owns(self) -> bool:
        """True for who may see to people."""
        return self.role == self.Role.OWNER

    def get_session_auth_hash(self) -> str:
        """What a session must carry: another after a new password, and after the next turn."""
        salt = "refettle.book.models_people.Person"
        return salted_hmac(salt, f"{self.password}:{self.turn}", algorithm="sha256").hexdigest()


class SecondFactor(models.Model):
    """The secret that somebody's app shares with the book, for codes that change by the clock (RFC 6238)."""

    person = models.OneToOneField(Person, on_delete=models.PROTECT, related_name="second_factor")
    secret = models.CharField(max_length=64)
    """In base 32 (RFC 4648). To tell a code the book must know it, so it is no hash."""
    step = models.BigIntegerField(default=0)
    """The last stretch of time whose code was used: none is taken twice."""
    since = models.DateTimeField(default=timezone.now, editable=False)

    class Meta:
        constraints = [models.CheckConstraint(condition=~Q(secret=""), name="second_factor_has_a_secret")]

    def __str__(self) -> str:
        return f"of {self.person}"


class PaperCode(models.Model):
    """A code on paper, for when the app is lost: it works once. Only its hash is kept."""

    factor = models.ForeignKey(SecondFactor, on_delete=models.CASCADE, related_name="paper_codes")
    sha256 = models.CharField(max_length=64, unique=True)

    class Meta:
        constraints = [models.CheckConstraint(condition=Exact(Length("sha256"), 64), name="paper_code_sha256")]

    def __str__(self) -> str:
        return f"of {self.factor.person}"


class SignInCount(models.Model):
    """Tries to sign in within one stretch of time, by name or by address; both only as a hash."""

    key = models.CharField(max_length=64, unique=True)
    tries = models.PositiveIntegerField(default=0)
    since = models.DateTimeField(db_index=True)

    def __str__(self) -> str:
        return f"{self.tries} tries"


class PhoneLink(models.Model):
    """A link that signs its person in once, on another device. Only the hash of its secret is kept."""

    person = models.ForeignKey(Person, on_delete=models.PROTECT, related_name="phone_links")
    sha256 = models.CharField(max_length=64, unique=True)
    turn = models.PositiveIntegerField()
    """Of the person, when it was made."""
    until = models.DateTimeField()

    class Meta:
        constraints = [
            models.CheckConstraint(condition=Exact(Length("sha256"), 64), name="phone_link_sha256"),
        ]

    def __str__(self) -> str:
        return f"for {self.person}"
