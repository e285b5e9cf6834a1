"""Sessions in the book's database, under the hash of their key: who reads a backup cannot pose as who was signed in."""

from __future__ import annotations

import hashlib
from typing import Any

from django.contrib.sessions.backends import db
from django.contrib.sessions.models import Session
from django.utils import timezone

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
