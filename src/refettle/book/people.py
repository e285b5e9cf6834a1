"""People who sign in: adding them, their roles and passwords, barring them, and who is let in.

Nobody is deleted, since entries name people: who leaves is barred. The book always keeps one owner who may come in.
"""

from __future__ import annotations

import hashlib
import ipaddress
import secrets
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta
from math import ceil

from django.contrib.auth import authenticate
from django.contrib.auth.password_validation import validate_password
from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction
from django.db.models import F
from django.utils import timezone

from refettle.book.models_people import NAME_LENGTH, Person, PhoneLink, SignInCount, name_key
from refettle.language import several, tr

ROLES = tuple(Person.Role.values)
WINDOW = timedelta(minutes=15)
TRIES_BY_NAME, TRIES_BY_ADDRESS = 10, 40
"""Wrong tries within WINDOW, after which no more are looked at. NIST SP 800-63B (2017), 5.2.2, allows 100 in a row at
most (cited from memory); these are stricter, a choice."""
MOST_COUNTS = 10_000
"""Names and addresses counted at a time; the oldest make room."""
LINK_LASTS = timedelta(minutes=5)
LONGEST_TRIED = 1000
"""Characters of a password that is looked at when somebody signs in; longer ones are wrong, and none is cut short."""


class PeopleError(ValueError):
    """What was asked cannot be; names the field, what was found, what is allowed."""

    def __init__(self, message: str, field: str = "") -> None:
        super().__init__(message)
        self.field = field


class TooManyTriesError(Exception):
    """Too many wrong tries; `minutes` until the next is looked at."""

    def __init__(self, minutes: int) -> None:
        super().__init__(
            several(
                "Too many tries. The next is looked at in {n} minute.",
                "Too many tries. The next is looked at in {n} minutes.",
                minutes,
            )
        )
        self.minutes = minutes


# ---------------------------------------------------------------- people


def find(name: str) -> Person:
    """The person of this name. Raises PeopleError."""
    try:
        return Person.objects.get_by_natural_key(name)
    except Person.DoesNotExist:
        raise PeopleError(
            tr("name: '{name}' found; allowed: somebody of refettle people list", name=name[:NAME_LENGTH])
        ) from None


def owners() -> int:
    """How many owners of the book may come in."""
    return Person.objects.filter(role=Person.Role.OWNER, is_active=True).count()


def role_named(text: str) -> str:
    """A role as typed: `read-only` is `read only`. Raises PeopleError."""
    role = text.strip().lower().replace("-", " ")
    if role not in ROLES:
        raise PeopleError(tr("role: '{role}' found; allowed: {roles}", role=text[:40], roles=", ".join(ROLES)), "role")
    return role


def add(name: str, role: str, password: str) -> Person:
    """Somebody new. Raises PeopleError."""
    shown = " ".join(name.split())
    key = name_key(shown)
    if not shown or len(shown) > NAME_LENGTH or not shown.isprintable() or not any(c.isalnum() for c in shown):
        raise PeopleError(
            tr("name: '{name}' found; allowed: a name of 1 to {most} characters", name=name[:100], most=NAME_LENGTH),
            "name",
        )
    person = Person(name=shown, key=key, role=role_named(role))
    _check_password(password, person)
    person.set_password(password)
    try:
        with transaction.atomic():
            person.save(force_insert=True)
    except IntegrityError:
        there = Person.objects.get(key=key)
        state = tr("in use") if there.is_active else tr("barred, and stands beside old entries")
        raise PeopleError(
            tr("name: '{name}' found, which is {state}; allowed: another name", name=shown, state=state), "name"
        ) from None
    return person


def _check_password(password: str, person: Person) -> None:
    try:
        validate_password(password, person)
    except ValidationError as error:
        raise PeopleError(tr("password: {reasons}", reasons=" ".join(error.messages)), "password") from None


def set_password(person: Person, password: str) -> None:
    """A new password. It ends every session and every phone link of the person. Raises PeopleError."""
    _check_password(password, person)
    person.set_password(password)
    person.turn = F("turn") + 1
    person.save(update_fields=["password", "turn"])
    person.refresh_from_db()
    PhoneLink.objects.filter(person=person).delete()
    SignInCount.objects.filter(key=_count_key("name", person.key)).delete()


def sign_out_everywhere(person: Person) -> None:
    """Ends every session and every phone link of the person."""
    Person.objects.filter(pk=person.pk).update(turn=F("turn") + 1)
    PhoneLink.objects.filter(person=person).delete()
    person.refresh_from_db()


def set_role(person: Person, role: str) -> None:
    """Another role. Raises PeopleError where no owner would be left."""
    role = role_named(role)
    with _an_owner_stays():
        person.role = role
        person.save(update_fields=["role"])


def bar(person: Person) -> None:
    """The person comes in no more, and is signed out everywhere. Raises PeopleError where no owner would be left."""
    with _an_owner_stays():
        person.is_active = False
        person.save(update_fields=["is_active"])
        sign_out_everywhere(person)


def let_in_again(person: Person) -> None:
    """A barred person may come in again, by the password they had."""
    person.is_active = True
    person.save(update_fields=["is_active"])


@contextmanager
def _an_owner_stays() -> Iterator[None]:
    with transaction.atomic():
        before = list(Person.objects.select_for_update().filter(role=Person.Role.OWNER, is_active=True))
        yield
        if before and not owners():
            raise PeopleError(
                tr("role: {name} is the last owner of the book; allowed: once there is another", name=before[0].name)
            )


# ---------------------------------------------------------------- signing in


def check(name: str, password: str, address: str) -> Person | None:
    """The person whose name and password these are, or None: whichever is wrong, after the same time.

    A try is counted before it is looked at, so that many at once count as many.

    Raises
    ------
    TooManyTriesError
        Too many wrong ones of late, of this name or from this address.
    """
    counted = count_try("name", name_key(name[:NAME_LENGTH]), address)
    person = authenticate(
        None, username=name[:NAME_LENGTH], password=password if len(password) <= LONGEST_TRIED else ""
    )
    if not isinstance(person, Person):
        return None
    forget_try(counted)
    return person


def count_try(kind: str, whose: str, address: str) -> tuple[str, str]:
    """Count a try before it is looked at, by whom it is for and by where it comes from; for `forget_try`.

    Raises
    ------
    TooManyTriesError
        Too many wrong ones of late, of this kind for the same person or from this address.
    """
    by_name, by_address = _count_key(kind, whose), _count_key("address", network(address))
    _count({by_name: TRIES_BY_NAME, by_address: TRIES_BY_ADDRESS})
    return by_name, by_address


def forget_try(counted: tuple[str, str]) -> None:
    """The try was a right one: its person's count begins anew, its address has one less."""
    by_name, by_address = counted
    SignInCount.objects.filter(key=by_name).delete()
    SignInCount.objects.filter(key=by_address, tries__gt=0).update(tries=F("tries") - 1)


def network(address: str) -> str:
    """An address as it is counted: IPv6 by the 64 bits that one household or host commands (RFC 6177)."""
    try:
        found = ipaddress.ip_address(address.partition("%")[0])
    except ValueError:
        return "unknown"
    if isinstance(found, ipaddress.IPv6Address):
        if found.ipv4_mapped:
            return str(found.ipv4_mapped)
        return str(ipaddress.ip_network((int(found), 64), strict=False))
    return str(found)


def _count_key(kind: str, what: str) -> str:
    return hashlib.sha256(f"{kind}:{what}".encode()).hexdigest()


def _count(keys: dict[str, int]) -> None:
    now = timezone.now()
    with transaction.atomic():
        SignInCount.objects.filter(since__lte=now - WINDOW).delete()
        for key, most in keys.items():
            count, _ = SignInCount.objects.select_for_update().get_or_create(key=key, defaults={"since": now})
            if count.tries >= most:
                left = count.since + WINDOW - now
                raise TooManyTriesError(max(1, ceil(left.total_seconds() / 60)))
        SignInCount.objects.filter(key__in=keys).update(tries=F("tries") + 1)
        many = SignInCount.objects.count() - MOST_COUNTS
        if many > 0:
            old = SignInCount.objects.exclude(key__in=keys).order_by("since", "pk").values_list("pk", flat=True)[:many]
            SignInCount.objects.filter(pk__in=list(old)).delete()


# ---------------------------------------------------------------- a phone


def make_link(person: Person) -> str:
    """The secret of a link that signs this person in once, within LINK_LASTS. An earlier one is void."""
    now = timezone.now()
    secret = secrets.token_urlsafe(32)
    with transaction.atomic():
        PhoneLink.objects.filter(until__lte=now).delete()
        PhoneLink.objects.filter(person=person).delete()
        PhoneLink.objects.create(person=person, sha256=_hash(secret), turn=person.turn, until=now + LINK_LASTS)
    return secret


def whose_link(secret: str) -> Person | None:
    """Whom a link signs in; None where it is used, too old or nobody's. The link stays as it is."""
    found = PhoneLink.objects.select_related("person").filter(sha256=_hash(secret), until__gt=timezone.now()).first()
    good = found is not None and found.person.is_active and found.turn == found.person.turn
    return found.person if found is not None and good else None


def use_link(secret: str) -> Person | None:
    """The same, and the link is used up: of two who come at once, one is let in."""
    person = whose_link(secret)
    used, _ = PhoneLink.objects.filter(sha256=_hash(secret)).delete()
    return person if used else None


def _hash(secret: str) -> str:
    return hashlib.sha256(secret.encode()).hexdigest()
