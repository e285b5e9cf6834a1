"""Sessions in the book's database, under the hash of their key: who reads a backup cannot pose as who was signed in."""

from __future__ import annotations

import hashlib
import re
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from django.conf import settings
from django.contrib.auth import HASH_SESSION_KEY, SESSION_KEY
from django.contrib.sessions.backends import db
from django.contrib.sessions.models import Session
from django.http import HttpRequest
from django.utils import timezone
from django.utils.crypto import constant_time_compare

from refettle.book.models_people import Person

LENGTH = 40
"""Hexadecimal digits kept, as many as Django's table holds: 160 bits."""


def kept_as(key: str) -> str:
    """What a session's key, the cookie's content, is kept as."""
    return hashlib.sha256(key.encode()).hexdigest()[:LENGTH]


class SessionStore(db.SessionStore):
    """Django's sessions in the database, found by the hash of their key."""

    def exists(self, session_key: str) -> bool:
        return super().exists(kept_as(session_key))

    def create_model_instance(self, data: dict[str, Any]) -> Any:
        made = super().create_model_instance(data)
        made.session_key = kept_as(made.session_key)
        return made

    def delete(self, session_key: str | None = None) -> None:
        key = session_key or self.session_key
        if key is not None:
            super().delete(kept_as(key))

    def _get_session_from_db(self) -> Session | None:
        key = self.session_key or ""
        found = Session.objects.filter(session_key=kept_as(key), expire_date__gt=timezone.now()).first()
        if found is None:
            self._session_key = None
        return found


# ---------------------------------------------------------------- where somebody is signed in

SINCE, DEVICE = "since", "device"
BROWSERS = (("Edg", "Edge"), ("OPR/", "Opera"), ("Firefox/", "Firefox"), ("FxiOS", "Firefox"), ("CriOS", "Chrome"),
            ("Chromium", "Chromium"), ("Chrome/", "Chrome"), ("Safari/", "Safari"))  # fmt: skip
SYSTEMS = (("iPhone", "iPhone"), ("iPad", "iPad"), ("Android", "Android"), ("Windows", "Windows"), ("CrOS", "ChromeOS"),
           ("Mac OS X", "macOS"), ("Linux", "Linux"))  # fmt: skip


@dataclass(frozen=True)
class SignedIn:
    """One device on which somebody is signed in. `id` is what its session is kept as, which signs nobody in."""

    id: str
    since: datetime | None
    device: str
    here: bool


def device_of(request: HttpRequest) -> str:
    """What a browser calls itself, in two words at most; nothing else of it is kept."""
    said = request.headers.get("User-Agent", "")[:500]
    words = [next((name for mark, name in each if mark in said), "") for each in (BROWSERS, SYSTEMS)]
    return ", ".join(word for word in words if word)


def note(request: HttpRequest) -> None:
    """Put down in a session that has just begun when and on what it began, and when it ends, used or not."""
    request.session.set_expiry(timezone.now() + timedelta(seconds=settings.SESSION_COOKIE_AGE))
    request.session[SINCE] = timezone.now().isoformat()
    request.session[DEVICE] = device_of(request)


def signed_in_at(person: Person, request: HttpRequest) -> list[SignedIn]:
    """Every session of this person that counts, this one first, then the newest."""
    here = kept_as(request.session.session_key or "")
    turn = person.get_session_auth_hash()
    found = []
    for row in Session.objects.filter(expire_date__gt=timezone.now()).iterator():
        data = SessionStore().decode(row.session_data)
        if data.get(SESSION_KEY) != str(person.pk) or not constant_time_compare(data.get(HASH_SESSION_KEY, ""), turn):
            continue
        since = data.get(SINCE)
        when = datetime.fromisoformat(since) if since else None
        found.append(SignedIn(row.session_key, when, data.get(DEVICE, ""), row.session_key == here))
    return sorted(found, key=lambda each: (not each.here, -(each.since.timestamp() if each.since else 0.0)))


def end(person: Person, id: str, request: HttpRequest) -> bool:
    """End one session of this person's; False where they have none of that name."""
    if not re.fullmatch(rf"[0-9a-f]{{{LENGTH}}}", id) or id not in {s.id for s in signed_in_at(person, request)}:
        return False
    Session.objects.filter(session_key=id).delete()
    return True
