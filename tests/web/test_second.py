"""The second factor: codes by the published table, each good once; who has one comes in by no password alone."""

from __future__ import annotations

import base64
import logging
import re
import time
from html import unescape
from typing import Any

import pyotp
import pytest
from django.contrib.sessions.models import Session
from django.test import Client
from hypothesis import given
from hypothesis import strategies as st

from refettle.book import people, second
from refettle.book.models_people import PaperCode, Person, SecondFactor, SignInCount
from refettle.web import signing
from tests.web.pages import get, text_of
from tests.web.people import WORD, a_person, signed_in

pytestmark = pytest.mark.django_db
NOON = 1_800_000_000
"""A whole number of steps since 1970."""


class Clock:
    def __init__(self) -> None:
        self.now = float(NOON)

    def time(self) -> float:
        return self.now


@pytest.fixture(autouse=True)
def clock(settings: Any, monkeypatch: pytest.MonkeyPatch) -> Clock:
    settings.REFETTLE_SIGN_IN = True
    settings.PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]
    made = Clock()
    monkeypatch.setattr(time, "time", made.time)
    return made


def code_of(person: Person, after_s: int = 0) -> str:
    """What the person's app shows."""
    return pyotp.TOTP(SecondFactor.objects.get(person=person).secret).at(int(time.time()) + after_s)


def with_factor(name: str = "Ada", role: str = "owner") -> tuple[Person, list[str]]:
    """A person who has one since a while, and the codes on paper."""
    person, secret = a_person(name, role), second.new_secret()
    codes = second.switch_on(person, secret, pyotp.TOTP(secret).at(int(time.time())))
    SecondFactor.objects.update(step=0)
    return person, codes


def half_way(name: str = "Ada", after: str = "/") -> Client:
    client = Client()
    response = client.post("/sign-in/", {"name": name, "password": WORD, "next": after})
    assert response["Location"].startswith("/sign-in/code/?next="), response.content.decode()
    return client


def is_in(client: Client) -> bool:
    return client.get("/me/").status_code == 200


@pytest.mark.parametrize(
    ("at", "code"),
    [
        (59, "94287082"),
        (1111111109, "07081804"),
        (1111111111, "14050471"),
        (1234567890, "89005924"),
        (2000000000, "69279037"),
        (20000000000, "65353130"),
    ],
)
def test_codes_of_rfc_6238(clock: Clock, at: int, code: str) -> None:
    """RFC 6238, appendix B, SHA-1: eight figures, whose last six are the code of six (RFC 4226, 5.3)."""
    person = a_person("Ada")
    secret = base64.b32encode(b"12345678901234567890").decode()
    clock.now = at
    SecondFactor.objects.create(person=person, secret=secret)
    assert not second.check(person, str((int(code[-6:]) + 1) % 10**6).zfill(6), "10.0.0.1")
    assert second.check(person, code[-6:], "10.0.0.1")


@pytest.mark.parametrize(
    ("late_s", "good"), [(-60, False), (-31, False), (-30, True), (0, True), (59, True), (60, False), (3600, False)]
)
def test_a_code_ends(clock: Clock, late_s: int, good: bool) -> None:
    """One step of 30 s early or late, no more (RFC 6238, 5.2)."""
    person, _ = with_factor()
    code = code_of(person)
    clock.now += late_s
    assert second.check(person, code, "10.0.0.1") is good


def test_a_code_works_once_and_no_earlier_one_after_it(clock: Clock) -> None:
    person, _ = with_factor()
    early, late = code_of(person), code_of(person, 30)
    assert second.check(person, f" {late[:3]} {late[3:]} ", "10.0.0.1")
    assert not second.check(person, late, "10.0.0.1")
    assert not second.check(person, early, "10.0.0.1")
    clock.now += 60
    assert second.check(person, code_of(person), "10.0.0.1")


def test_a_code_on_paper_works_once_however_it_is_written() -> None:
    person, codes = with_factor()
    assert len(set(codes)) == second.PAPER_CODES
    assert second.check(person, codes[0].upper().replace("-", " "), "10.0.0.1")
    assert not second.check(person, codes[0], "10.0.0.1")
    other, theirs = with_factor("Bo")
    assert not second.check(person, theirs[0], "10.0.0.1")
    assert second.check(other, theirs[0], "10.0.0.1")
    fresh = second.new_codes(SecondFactor.objects.get(person=person))
    assert not second.check(person, codes[1], "10.0.0.1")
    assert second.check(person, fresh[1], "10.0.0.1")


def test_codes_on_paper_are_kept_as_hashes() -> None:
    person, codes = with_factor()
    kept = str([*PaperCode.objects.values()])
    assert not any(code in kept or code.replace("-", "") in kept for code in codes)
    assert not any(second.check(person, row.sha256, "10.0.0.1") for row in PaperCode.objects.all()[:3])


@given(character=st.characters(), at=st.integers(0, 6))
def test_a_code_is_parted_by_blanks_and_by_nothing_else(character: str, at: int) -> None:
    secret = "A" * 32
    code = pyotp.TOTP(secret).at(NOON)
    found = second._step_of(secret, code[:at] + character + code[at:])
    assert (found is not None) is character.isspace()


def test_the_password_alone_lets_nobody_in() -> None:
    person, _ = with_factor()
    client = half_way(after="/stores/")
    for address in ("/", "/me/", "/people/", "/me/second/", "/phone/"):
        assert client.get(address)["Location"].startswith("/sign-in/"), address
    assert client.post("/me/second/", {"action": "off", "password": WORD}).status_code == 403
    assert "The code of Ada" in get(client, "/sign-in/code/?next=/stores/")
    wrong = client.post("/sign-in/code/", {"code": "000000", "next": "/stores/"})
    assert wrong.status_code == 422
    assert "allowed: the six figures that the app shows now" in text_of(wrong.content.decode())
    assert re.search(r"By the book's clock it is \d\d:[03]0:00 ", text_of(wrong.content.decode()))
    right = client.post("/sign-in/code/", {"code": code_of(person), "next": "/stores/"})
    assert right["Location"] == "/stores/"
    assert is_in(client)


def test_by_paper_where_the_app_is_lost() -> None:
    _, codes = with_factor()
    client = half_way()
    assert client.post("/sign-in/code/", {"code": "", "paper": codes[3]})["Location"] == "/"
    assert is_in(client)
    assert client.post("/sign-out/").status_code == 302
    again = half_way()
    assert again.post("/sign-in/code/", {"paper": codes[3]}).status_code == 422


@pytest.mark.parametrize("what", ["late", "new password", "barred", "signed out everywhere", "no password"])
def test_half_the_way_is_soon_over(clock: Clock, what: str) -> None:
    person, codes = with_factor()
    a_person("Cy", "owner")
    client = half_way()
    if what == "late":
        clock.now += signing.HALF_LASTS_S + 1
    elif what == "new password":
        people.set_password(person, "another one 77")
    elif what == "barred":
        people.bar(person)
    elif what == "signed out everywhere":
        people.sign_out_everywhere(person)
    else:
        client = Client()
    response = client.post("/sign-in/code/", {"paper": codes[0], "next": "/stores/"})
    assert response["Location"] == "/sign-in/?next=%2Fstores%2F"
    assert not is_in(client)
    assert PaperCode.objects.count() == second.PAPER_CODES


def test_the_session_begins_anew_at_each_step() -> None:
    person, _ = with_factor()
    client = Client()
    client.post("/sign-in/", {"name": "Ada", "password": "wrong word 12"})
    client = half_way()
    half = client.session.session_key
    client.post("/sign-in/code/", {"code": code_of(person)})
    assert client.session.session_key != half
    assert signing.HALF not in client.session
    assert client.session.get_expiry_age() > 13 * 24 * 3600
    thief = Client()
    thief.cookies["sessionid"] = str(half)
    assert not is_in(thief)


def test_wrong_codes_are_counted_whoever_sends_them(caplog: pytest.LogCaptureFixture) -> None:
    person, codes = with_factor()
    with caplog.at_level(logging.WARNING, "refettle.security"):
        for k in range(people.TRIES_BY_NAME):
            client = half_way()
            assert client.post("/sign-in/code/", {"code": "123"}, REMOTE_ADDR=f"10.0.0.{k}").status_code == 422
        response = client.post("/sign-in/code/", {"code": code_of(person)}, REMOTE_ADDR="10.9.9.9")
    assert response.status_code == 429
    assert "The next is looked at in 15 minutes." in text_of(response.content.decode())
    assert [each.getMessage() for each in caplog.records][-2:] == [
        "code refused: 'Ada', from 10.0.0.9",
        "code not looked at, too many tries: 'Ada', from 10.9.9.9",
    ]
    assert not second.must_have(person, "everybody")
    SignInCount.objects.all().delete()
    assert client.post("/sign-in/code/", {"paper": codes[0]}).status_code == 302


def switched_on(client: Client) -> tuple[str, list[str]]:
    """Go through the page as a person would; the secret, and the codes on paper."""
    client.post("/me/second/", {"action": "begin", "password": WORD})
    page = get(client, "/me/second/")
    secret = re.search(r"((?:[A-Z2-7]{4} ){7}[A-Z2-7]{4})", page)
    assert secret, page
    plain = secret[1].replace(" ", "")
    (address,) = re.findall(r'href="(otpauth:[^"]+)"', page)
    app = pyotp.parse_uri(unescape(address))
    assert (app.secret, app.issuer, app.digits) == (plain, "Refettle", 6)
    done = client.post("/me/second/", {"action": "on", "code": pyotp.TOTP(plain).at(int(time.time()))})
    assert done.status_code == 200, done.content.decode()
    return plain, re.findall(r"\b(?:[a-z2-9]{4}-){5}[a-z2-9]{4}\b", text_of(done.content.decode()))


def test_switched_on_and_off_again(clock: Clock) -> None:
    client, other = signed_in("Ada", "owner"), Client()
    other.force_login(people.find("Ada"))
    assert "Off: your password alone lets you in." in get(client, "/me/")
    wrong = client.post("/me/second/", {"action": "begin", "password": "another word 1"})
    assert (wrong.status_code, client.session.get("second")) == (422, None)
    assert client.post("/me/second/", {"action": "on", "code": "123456"}).status_code == 422
    secret, codes = switched_on(client)
    assert len(codes) == second.PAPER_CODES
    assert is_in(client)
    assert not is_in(other)  # signed in before by the password alone
    page = get(client, "/me/second/")
    assert "8 codes on paper are left." in page
    assert secret not in page.replace(" ", "")
    assert not any(code in page for code in codes)
    assert "On: after the password, a code that an app shows." in get(client, "/me/")

    clock.now += 30
    now = pyotp.TOTP(secret).at(int(clock.now))
    for form in ({"password": WORD}, {"password": "another word 1", "code": now}, {"code": now}):
        for action in ("off", "codes"):
            assert client.post("/me/second/", {"action": action, **form}).status_code == 422, form
    fresh = client.post("/me/second/", {"action": "codes", "password": WORD, "code": now})
    assert codes[0] not in text_of(fresh.content.decode())
    assert client.post("/me/second/", {"action": "off", "password": WORD, "paper": codes[0]}).status_code == 422
    clock.now += 30
    form = {"action": "off", "password": WORD, "code": pyotp.TOTP(secret).at(int(clock.now))}
    assert client.post("/me/second/", form)["Location"] == "/me/"
    assert is_in(client)
    assert (SecondFactor.objects.count(), PaperCode.objects.count()) == (0, 0)


def test_a_secret_is_not_taken_from_the_form() -> None:
    client, mine = signed_in("Ada"), second.new_secret()
    client.post("/me/second/", {"action": "begin", "password": WORD})
    form = {"action": "on", "secret": mine, "second": mine, "code": pyotp.TOTP(mine).at(int(time.time()))}
    assert client.post("/me/second/", form).status_code == 422
    assert SecondFactor.objects.count() == 0


def test_there_is_one_factor_at_a_time() -> None:
    person, _ = with_factor()
    secret = second.new_secret()
    with pytest.raises(people.PeopleError, match="there is one already"):
        second.switch_on(person, secret, pyotp.TOTP(secret).at(int(time.time())))
    client = Client()
    client.force_login(person)
    assert client.post("/me/second/", {"action": "begin", "password": WORD}).status_code == 422


@pytest.mark.parametrize(
    ("rule", "asked"), [("no", set()), ("owners", {"owner"}), ("everybody", {"owner", "bench", "read only"})]
)
def test_who_must_have_one_sees_no_other_page(settings: Any, rule: str, asked: set[str]) -> None:
    settings.REFETTLE_SECOND_FACTOR = rule
    for role in ("owner", "bench", "read only"):
        client = signed_in(f"the {role}", role)
        seen = client.get("/stores/")
        assert (seen.status_code == 302) is (role in asked), role
        if role not in asked:
            continue
        assert seen["Location"] == "/me/second/"
        assert client.get("/stores/", headers={"HX-Request": "true"})["HX-Redirect"] == "/me/second/"
        sent = client.post("/people/", {"name": "Bo", "role": "bench", "password": WORD})
        assert sent.status_code == 403 if role == "read only" else sent["Location"] == "/me/second/"
        assert "Nothing else opens until you have one." in get(client, "/me/second/")
        switched_on(client)
        assert client.get("/stores/").status_code == 200
    assert not Person.objects.filter(name="Bo").exists()


def test_an_owner_takes_it_from_who_lost_it_and_not_from_themselves() -> None:
    ada, _ = with_factor("Ada", "owner")
    bo, _ = with_factor("Bo", "bench")
    client, theirs = Client(), Client()
    client.force_login(ada)
    theirs.force_login(bo)
    assert "Take it away" not in get(client, f"/people/{ada.pk}/")
    assert client.post(f"/people/{ada.pk}/", {"action": "second"}).status_code == 422
    assert "Take it away" in get(client, f"/people/{bo.pk}/")
    assert theirs.post(f"/people/{bo.pk}/", {"action": "second"}).status_code == 403
    assert client.post(f"/people/{bo.pk}/", {"action": "second"})["Location"] == "/people/"
    assert client.post(f"/people/{bo.pk}/", {"action": "second"}).status_code == 422  # there is none any more
    assert not is_in(theirs)
    assert list(SecondFactor.objects.values_list("person__name", flat=True)) == ["Ada"]
    assert Client().post("/sign-in/", {"name": "Bo", "password": WORD})["Location"] == "/"


def test_a_password_that_many_use_is_renewed_after_the_code(monkeypatch: pytest.MonkeyPatch) -> None:
    person, _ = with_factor()
    monkeypatch.setattr("refettle.web.views.people.is_common", lambda word: True)
    client = half_way()
    client.post("/sign-in/code/", {"code": code_of(person)})
    assert client.get("/stores/")["Location"] == "/me/"


def test_sessions_of_before_a_code_was_typed_are_cleared_away(clock: Clock) -> None:
    with_factor()
    half_way()
    assert Session.objects.count() == 1
    signed_in("Bo")
    left = [each.get_decoded() for each in Session.objects.all()]
    assert sum(signing.HALF in each for each in left) == 1
