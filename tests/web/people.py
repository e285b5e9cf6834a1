"""What the tests of sign-in share: people, and clients that are signed in."""

from __future__ import annotations

from django.test import Client

from refettle.book import people
from refettle.book.models_people import Person

WORD = "a quiet bench 44"


def a_person(name: str, role: str = "bench") -> Person:
    return people.add(name, role, WORD)


def signed_in(name: str, role: str = "bench", *, enforce_csrf_checks: bool = False) -> Client:
    """A new person's browser, signed in."""
    a_person(name, role)
    client = Client(enforce_csrf_checks=enforce_csrf_checks)
    if enforce_csrf_checks:
        client.force_login(people.find(name))
        return client
    response = client.post("/sign-in/", {"name": name, "password": WORD})
    assert response.status_code == 302, response.content.decode()
    return client
