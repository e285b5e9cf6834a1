"""Signing in: who is kept out first, then who comes in, and under which name things are written."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from django.conf import settings as current
from django.contrib.sessions.models import Session
from django.test import Client
from django.urls import URLPattern, URLResolver, get_resolver, reverse
from django.utils import timezone

import refettle.web
from refettle.book import exchange, moving, people, store
from refettle.book.models import Entry
from refettle.book.models_people import Person, PhoneLink, SignInCount
from refettle.web.sessions import SessionStore
from refettle.web.signing import OPEN, OWN, safe_next, who
from tests.web.pages import a_job, get, text_of
from tests.web.people import WORD, a_person, signed_in

pytestmark = pytest.mark.django_db

SAMPLES: dict[str, Any] = {
    "number": 1,
    "n": 1,
    "list_number": 1,
    "slug": "larkmere-48",
    "kind_id": "fuse",
    "code": "abc",
    "sha256": "0" * 64,
    "which": "map",
    "size": "full",
    "secret": "x" * 43,
    "token": "y" * 16,
    "name": "tone",
    "rate": 48000,
}
"""A value for each name of a part of an address; a new name must be put down here."""


@pytest.fixture(autouse=True)
def sign_in_is_on(settings: Any) -> None:
    settings.REFETTLE_SIGN_IN = True
    settings.PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]


def pages(resolver: URLResolver | None = None) -> Iterator[tuple[str, str]]:
    """Every page's name and an address of it, from the URL conf itself."""
    for each in (resolver or get_resolver()).url_patterns:
        if isinstance(each, URLResolver):
            yield from pages(each)
            continue
        assert isinstance(each, URLPattern)
        assert each.name, f"{each.pattern} has no name"
        words = each.pattern.regex.groupindex
        values = {word: SAMPLES[word] for word in words}
        yield each.name, reverse(each.name, kwargs=values)


PAGES = [page for page in pages() if page[0] not in OPEN]


# ---------------------------------------------------------------- who is kept out


def test_every_page_is_covered() -> None:
    names = {name for name, _ in PAGES}
    assert len(names) > 70
    assert {"bench", "job", "faults", "photo", "people", "since", "orders", "tools"} <= names


@pytest.mark.parametrize(("name", "address"), PAGES)
def test_nobody_sees_or_writes_anything_before_signing_in(name: str, address: str) -> None:
    client = Client()
    job = a_job()
    before = Entry.objects.count()
    seen = client.get(address)
    if name == "since":
        assert (seen.status_code, "You are signed out here" in seen.content.decode()) == (286, True)
    else:
        assert seen.status_code == 302
        assert seen["Location"].startswith("/sign-in/")
        assert not seen.content
        htmx = client.get(address, headers={"HX-Request": "true", "HX-Current-URL": "http://testserver/jobs/1/?a=b"})
        assert htmx["HX-Redirect"] == "/sign-in/?next=%2Fjobs%2F1%2F%3Fa%3Db"
        assert not htmx.content
        sent = client.post(address, {"action": "note", "text": "x"})
        assert sent.status_code == 403
        assert "You are signed out. Nothing was written." in text_of(sent.content.decode())
        assert job.unit.type_version.name not in sent.content.decode()
    assert Entry.objects.count() == before


def test_an_address_without_a_page_says_nothing_either(client: Client) -> None:
    assert client.get("/no/such/page").status_code == 302


@pytest.mark.parametrize(("name", "address"), [page for page in PAGES if page[0] not in OWN])
def test_who_only_reads_sends_nothing(name: str, address: str) -> None:
    a_job()
    client = Client()
    client.force_login(a_person("Ida", "read only"))
    before = Entry.objects.count()
    for method in (client.post, client.put, client.delete, client.patch):
        response = method(address)
        assert response.status_code == 403
        assert "Ida may read in this book, not write. Nothing was written." in text_of(response.content.decode())
    assert Entry.objects.count() == before


def test_looking_at_every_page_writes_nothing() -> None:
    a_job(entries=[{"kind": "complaint", "point": "picture", "outcome": "no picture"}])
    client = Client()
    client.force_login(a_person("Ida", "read only"))

    def book() -> list[moving.Moved]:
        return [moving.table_digest(m, "default") for m in moving.tables() if m not in (Session, Person)]

    exchange.identity()  # the book gives itself one when it is first asked
    before = book()
    shown = sum(client.get(address).status_code == 200 for _, address in PAGES)
    assert shown > 30
    assert book() == before


@pytest.mark.parametrize("role", ["bench", "read only"])
def test_only_owners_see_to_people(role: str) -> None:
    client = signed_in("Bo", role)
    ada = a_person("Ada", "owner")
    for name, address in PAGES:
        if not name.startswith("people"):
            continue
        assert client.get(address).status_code == 403, name
        assert (
            client.post(address, {"action": "bar", "name": "Cy", "role": "owner", "password": WORD}).status_code == 403
        )
    address = reverse("people-one", args=[ada.pk])
    assert "Only an owner of the book" in get(client, address, 403)
    assert client.post(address, {"action": "role", "role": "read only"}).status_code == 403
    ada.refresh_from_db()
    assert (ada.role, Person.objects.count()) == ("owner", 2)


def test_a_wrong_name_and_a_wrong_password_are_told_alike(client: Client) -> None:
    a_person("Ada")
    barred = a_person("Cy")
    people.add("Own", "owner", WORD)
    people.bar(barred)
    told = []
    for name, word in (("Ada", "another word 1"), ("Nobody", "another word 1"), ("Cy", WORD), ("Ada", "")):
        response = client.post("/sign-in/", {"name": name, "password": word})
        assert response.status_code == 422
        told.append(re.sub(r'value="[^"]*"|autofocus', "", response.content.decode()))
        assert "_auth_user_id" not in client.session
    assert len(set(told)) == 1


def test_an_unknown_name_takes_a_hash_as_well(client: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    from django.contrib.auth.hashers import MD5PasswordHasher

    a_person("Ada")
    hashed: list[str] = []
    plain = MD5PasswordHasher.encode
    monkeypatch.setattr(
        MD5PasswordHasher,
        "encode",
        lambda self, password, salt: (hashed.append(password), plain(self, password, salt))[1],
    )
    for name in ("Ada", "Nobody"):
        hashed.clear()
        client.post("/sign-in/", {"name": name, "password": "wrong word 12"})
        assert hashed == ["wrong word 12"], name


def test_tries_are_counted_by_name_and_then_not_looked_at(client: Client) -> None:
    a_person("Ada")
    for name in ("Ada", "nobody at all"):  # an unknown name is told the same
        for k in range(people.TRIES_BY_NAME):
            assert (
                client.post("/sign-in/", {"name": name, "password": "x"}, REMOTE_ADDR=f"10.0.0.{k}").status_code == 422
            )
        response = client.post("/sign-in/", {"name": name.upper(), "password": WORD}, REMOTE_ADDR="10.9.9.9")
        assert response.status_code == 429
        assert "Too many tries. The next is looked at in 15 minutes." in text_of(response.content.decode())
    SignInCount.objects.update(since=timezone.now() - people.WINDOW)
    assert client.post("/sign-in/", {"name": "Ada", "password": WORD}).status_code == 302


def test_tries_are_counted_by_address_whatever_the_name(client: Client) -> None:
    a_person("Ada")
    for k in range(people.TRIES_BY_ADDRESS):
        client.post("/sign-in/", {"name": f"name {k}", "password": "x"}, REMOTE_ADDR=f"2001:db8::{k:x}")
    form = {"name": "Ada", "password": WORD}
    assert client.post("/sign-in/", form, REMOTE_ADDR="2001:db8::ffff").status_code == 429
    assert client.post("/sign-in/", form, REMOTE_ADDR="2001:db8:0:1::1").status_code == 302


def test_a_right_password_gives_no_further_tries_at_other_names(client: Client) -> None:
    a_person("Ada")
    for k in range(people.TRIES_BY_ADDRESS - 1):
        client.post("/sign-in/", {"name": f"name {k}", "password": "x"})
    assert client.post("/sign-in/", {"name": "Ada", "password": WORD}).status_code == 302
    other = Client()
    assert other.post("/sign-in/", {"name": "Bo", "password": "x"}).status_code == 422
    assert other.post("/sign-in/", {"name": "Cy", "password": "x"}).status_code == 429


def test_what_is_counted_is_bounded(client: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(people, "MOST_COUNTS", 6)
    for k in range(20):
        client.post("/sign-in/", {"name": f"name {k}", "password": "x"}, REMOTE_ADDR=f"10.0.0.{k}")
    assert SignInCount.objects.count() == 6
    assert not [c for c in SignInCount.objects.all() if "name" in c.key or "10." in c.key]


@pytest.mark.parametrize(
    "address",
    ["https://elsewhere.example/", "//elsewhere.example/", "/\\elsewhere.example", "javascript:alert(1)", "",
     "\t//elsewhere.example", "///elsewhere.example", "elsewhere", "http:///elsewhere.example",
     "/\t/elsewhere.example"],
)  # fmt: skip
def test_signing_in_leads_nowhere_else(client: Client, address: str) -> None:
    assert safe_next(address) == "/"
    a_person("Ada")
    response = client.post("/sign-in/", {"name": "Ada", "password": WORD, "next": address})
    assert response["Location"] == "/"
    assert client.get("/sign-in/", {"next": address})["Location"] == "/"


def test_forms_from_elsewhere_are_refused() -> None:
    a_person("Ada", "owner")
    client = Client(enforce_csrf_checks=True)
    assert client.post("/sign-in/", {"name": "Ada", "password": WORD}).status_code == 403
    client.force_login(people.find("Ada"))
    secret = people.make_link(people.find("Ada"))
    for address in ("/sign-out/", "/me/", "/people/", "/phone/", f"/join/{secret}/"):
        assert client.post(address).status_code == 403, address
    assert client.get("/me/").status_code == 200  # still signed in
    assert people.whose_link(secret) is not None
    assert client.get("/sign-out/").status_code == 405


# ---------------------------------------------------------------- who comes in


def test_signing_in_goes_on_to_the_page_asked_for(client: Client) -> None:
    job = a_job()
    a_person("Ada Quill")
    asked = client.get(f"/jobs/{job.number}/?at=log")
    page = get(client, asked["Location"])
    (after,) = re.findall(r'name="next" value="([^"]*)"', page)
    response = client.post("/sign-in/", {"name": " ada  QUILL ", "password": WORD, "next": after})
    assert response["Location"] == f"/jobs/{job.number}/?at=log"
    page = get(client, response["Location"])
    assert "Signed in: Ada Quill" in text_of(page)
    assert client.get("/sign-in/")["Location"] == "/"


def test_the_session_begins_anew_with_the_person(client: Client) -> None:
    a_person("Ada")
    session = client.session
    session["planted"] = "by somebody else"
    session.save()
    planted = str(session.session_key)
    assert SessionStore().exists(planted)
    client.cookies[current.SESSION_COOKIE_NAME] = planted
    client.post("/sign-in/", {"name": "Ada", "password": WORD})
    assert client.cookies[current.SESSION_COOKIE_NAME].value != planted
    assert not SessionStore().exists(planted)
    thief = Client()
    thief.cookies[current.SESSION_COOKIE_NAME] = planted
    assert thief.get("/").status_code == 302


def test_cookies(client: Client, settings: Any) -> None:
    a_person("Ada")
    client.get("/sign-in/")
    client.post("/sign-in/", {"name": "Ada", "password": WORD})
    session, csrf = client.cookies[settings.SESSION_COOKIE_NAME], client.cookies[settings.CSRF_COOKIE_NAME]
    assert (session["httponly"], session["samesite"], csrf["httponly"], csrf["samesite"]) == (
        True, "Lax", True, "Strict",
    )  # fmt: skip
    assert not session["secure"]
    settings.SESSION_COOKIE_SECURE = settings.CSRF_COOKIE_SECURE = True
    other = Client()
    other.get("/sign-in/", secure=True)
    other.post("/sign-in/", {"name": "Ada", "password": WORD}, secure=True)
    assert other.cookies[settings.SESSION_COOKIE_NAME]["secure"]
    assert other.cookies[settings.CSRF_COOKIE_NAME]["secure"]
    assert "private" in other.get("/", secure=True)["Cache-Control"]


def test_a_signed_out_session_is_over_whoever_kept_its_cookie() -> None:
    client, other = signed_in("Ada"), Client()
    kept = client.cookies[current.SESSION_COOKIE_NAME].value
    other.force_login(people.find("Ada"))
    assert client.post("/sign-out/")["Location"] == "/sign-in/"
    thief = Client()
    thief.cookies[current.SESSION_COOKIE_NAME] = kept
    assert thief.get("/me/").status_code == 302
    assert other.get("/me/").status_code == 200
    other.post("/sign-out/", {"where": "everywhere"})


def test_who_reads_the_database_finds_no_way_in() -> None:
    client = signed_in("Ada")
    secret = people.make_link(people.find("Ada"))
    cookie = client.cookies[current.SESSION_COOKIE_NAME].value
    (row,) = Session.objects.all()
    everything = str([*Session.objects.values(), *PhoneLink.objects.values(), *Person.objects.values()])
    assert not any(word in everything for word in (cookie, secret, WORD))
    thief = Client()
    thief.cookies[current.SESSION_COOKIE_NAME] = row.session_key
    assert thief.get("/me/").status_code == 302
    assert client.get("/me/").status_code == 200


def test_old_sessions_are_cleared_away() -> None:
    signed_in("Ada")
    Session.objects.update(expire_date=timezone.now() - timedelta(seconds=1))
    signed_in("Bo")
    assert Session.objects.count() == 1


def test_signing_out_everywhere_ends_every_session() -> None:
    client, other = signed_in("Ada"), Client()
    other.force_login(people.find("Ada"))
    secret = people.make_link(people.find("Ada"))
    client.post("/sign-out/", {"where": "everywhere"})
    assert other.get("/me/").status_code == 302
    assert people.whose_link(secret) is None


def test_a_new_password_ends_other_sessions_and_keeps_this_one() -> None:
    client, other = signed_in("Ada"), Client()
    other.force_login(people.find("Ada"))
    for form, said in (
        ({"old": "not it 12345", "new": "b" * 3}, "password now"),
        ({"old": WORD, "new": "another one 77", "again": "another one 78"}, "once more"),
        ({"old": WORD, "new": "short", "again": "short"}, "password: 5 characters found; allowed: 12 or more."),
        ({"old": WORD, "new": "123456789012", "again": "123456789012"}, "password: It is one that many use"),
    ):
        response = client.post("/me/", form)
        assert response.status_code == 422
        assert said in text_of(response.content.decode())
    assert other.get("/me/").status_code == 200
    form = {"old": WORD, "new": "another one 77", "again": "another one 77"}
    assert client.post("/me/", form).status_code == 302
    assert (client.get("/me/").status_code, other.get("/me/").status_code) == (200, 302)
    assert Client().post("/sign-in/", {"name": "Ada", "password": WORD}).status_code == 422


def test_a_barred_person_is_out_at_once() -> None:
    owner, bo = signed_in("Ada", "owner"), signed_in("Bo")
    address = reverse("people-one", args=[people.find("Bo").pk])
    assert owner.post(address, {"action": "bar"}).status_code == 302
    assert bo.get("/").status_code == 302
    assert "barred" in text_of(get(owner, "/people/"))
    owner.post(address, {"action": "return"})
    assert bo.get("/").status_code == 302  # the old session stays over
    assert Client().post("/sign-in/", {"name": "Bo", "password": WORD}).status_code == 302


def test_owners_see_to_people() -> None:
    client = signed_in("Ada", "owner")
    assert client.post("/people/", {"name": "Bo", "role": "read only", "password": WORD}).status_code == 302
    bo = people.find("bo")
    address = reverse("people-one", args=[bo.pk])
    client.post(address, {"action": "role", "role": "bench"})
    client.post(address, {"action": "password", "password": "another one 77"})
    bo.refresh_from_db()
    assert (bo.role, bo.check_password("another one 77")) == ("bench", True)
    response = client.post("/people/", {"name": "BO", "role": "bench", "password": WORD})
    assert "name: 'BO' found, which is in use" in text_of(response.content.decode())
    own = reverse("people-one", args=[people.find("Ada").pk])
    for form in ({"action": "bar"}, {"action": "role", "role": "bench"}):
        response = client.post(own, form)
        assert (response.status_code, "the last owner" in response.content.decode()) == (422, True)
    assert people.owners() == 1
    client.post(own, {"action": "password", "password": "another one 78"})
    assert client.get("/people/").status_code == 200
    assert client.get("/people/999999999/").status_code == 404


def test_only_owners_are_offered_people() -> None:
    assert "/people/" in get(signed_in("Ada", "owner"), "/me/")
    assert "/people/" not in get(signed_in("Bo"), "/me/")


# ---------------------------------------------------------------- under which name


def test_what_is_written_carries_the_name_of_who_is_signed_in(settings: Any) -> None:
    settings.REFETTLE_WHO = "the machine"
    job = a_job()
    ada, bo = signed_in("Ada Quill"), signed_in("Bo")
    for client, text in ((ada, "one"), (bo, "two"), (ada, "three")):
        client.post(f"/jobs/{job.number}/", {"action": "note", "text": text})
    assert [(e["who"], e["text"]) for e in store.entries(job)] == [
        ("Ada Quill", "one"), ("Bo", "two"), ("Ada Quill", "three"),
    ]  # fmt: skip


def test_stores_are_signed_too(settings: Any) -> None:
    settings.REFETTLE_WHO = "the machine"
    form = {"name": "Fuse", "code": "F-1", "count": "3", "who": "somebody else"}
    response = signed_in("Ada").post("/stores/new/", form)
    assert response.status_code == 302, text_of(response.content.decode())
    from refettle.book.models_stores import Movement

    assert set(Movement.objects.values_list("who", flat=True)) == {"Ada"}


def test_nothing_is_signed_by_nobody(settings: Any) -> None:
    from django.core.exceptions import PermissionDenied

    with pytest.raises(PermissionDenied):
        who()
    settings.REFETTLE_SIGN_IN = False
    assert who() == settings.REFETTLE_WHO


def test_no_page_signs_by_itself() -> None:
    folder = Path(refettle.web.__file__).parent
    knows = {"signing.py", "settings.py", "environment.py"}
    found = [p.name for p in folder.rglob("*.py") if p.name not in knows and "REFETTLE_WHO" in p.read_text("utf-8")]
    assert found == []


# ---------------------------------------------------------------- a phone


def test_a_link_signs_one_phone_in_once(settings: Any) -> None:
    client = signed_in("Ada", "read only")
    page = client.post("/phone/", headers={"host": "127.0.0.1:8765"})
    assert page.status_code == 404  # no phone finds this address
    settings.REFETTLE_ADDRESS = "http://192.168.1.20:8765/"
    page = client.post("/phone/", headers={"host": "127.0.0.1:8765"})
    assert "no-store" in page["Cache-Control"]
    (link,) = re.findall(r"http://192\.168\.1\.20:8765(/join/[\w-]{43}/)", page.content.decode())
    assert link.split("/")[2] not in str(list(PhoneLink.objects.values()))
    phone = Client()
    assert "Sign in as Ada" in get(phone, link)
    assert "Sign in as Ada" in get(phone, link)  # looking uses nothing up
    assert phone.post(link)["Location"] == "/"
    assert "Signed in: Ada" in text_of(get(phone, "/"))
    second = Client()
    assert second.get(link).status_code == 404
    assert second.post(link).status_code == 404
    assert second.get("/").status_code == 302


def test_links_that_are_void() -> None:
    ada = a_person("Ada")
    first = people.make_link(ada)
    second = people.make_link(ada)
    assert people.whose_link(first) is None
    PhoneLink.objects.update(until=timezone.now() - timedelta(seconds=1))
    assert (people.whose_link(second), people.use_link(second)) == (None, None)
    third = people.make_link(ada)
    assert PhoneLink.objects.count() == 1
    a_person("Own", "owner")
    people.bar(ada)
    assert Client().post(f"/join/{third}/").status_code == 404
    people.let_in_again(ada)
    assert Client().post(f"/join/{third}/").status_code == 404


def test_the_address_alone_signs_nobody_in(settings: Any) -> None:
    settings.REFETTLE_ADDRESS = "http://192.168.1.20:8765/"
    page = signed_in("Ada").get("/phone/", headers={"host": "localhost:8765"}).content.decode()
    assert "join" not in page
    assert "http://192.168.1.20:8765/" in page


# ---------------------------------------------------------------- without sign-in


def test_on_this_machine_nothing_is_asked(settings: Any, client: Client) -> None:
    settings.REFETTLE_SIGN_IN = False
    a_person("Ada", "owner")
    job = a_job()
    client.post(f"/jobs/{job.number}/", {"action": "note", "text": "x"})
    assert store.entries(job)[0]["who"] == settings.REFETTLE_WHO
    page = get(client, f"/jobs/{job.number}/")
    assert "/since/" not in page
    assert 'class="me"' not in page
    assert client.get("/sign-in/")["Location"] == "/"
    for address in ("/me/", "/people/", f"/join/{'x' * 43}/"):
        assert "Sign-in is off" in get(client, address, 404)
    assert client.post("/sign-out/").status_code == 404
    page = client.get("/phone/", headers={"host": "127.0.0.1:8765"}).content.decode()
    assert "open on this machine only, so no phone finds it" in text_of(page)
    assert settings.SESSION_COOKIE_NAME not in client.cookies
