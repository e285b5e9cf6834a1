"""Passwords, sessions, roles, and what is printed of it all where the server was started.

The figures are those of OWASP ASVS 4.0.3 (2021), chapters V2 to V4, read in its published text.
"""

from __future__ import annotations

import logging
import re
from datetime import timedelta
from typing import Any
from unittest.mock import patch

import pytest
from django.conf import global_settings
from django.conf import settings as current
from django.contrib.sessions.models import Session
from django.test import Client
from django.utils import timezone

from refettle.book import people
from refettle.book.models import Entry, Owner
from refettle.book.models_people import Person
from refettle.book.passwords import is_common
from refettle.web import signing
from refettle.web.logs import OneLine
from refettle.web.sessions import SessionStore
from tests.web.pages import a_job, get, text_of
from tests.web.people import WORD, a_person, signed_in
from tests.web.test_sign_in import PAGES

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def sign_in_is_on(settings: Any) -> None:
    settings.REFETTLE_SIGN_IN = True
    settings.PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]
    settings.MESSAGE_STORAGE = "django.contrib.messages.storage.session.SessionStorage"  # as settings.py has it then


def come_in(word: str, name: str = "Ada") -> int:
    return Client().post("/sign-in/", {"name": name, "password": word}).status_code


# ---------------------------------------------------------------- passwords


@pytest.mark.parametrize(
    "word",
    [
        "bench at dusk",
        "only small letters here",
        "BENCHATDUSKINHARBOUR",
        "730451926684",
        "!%&/()=?+#-.:,;<>|",
        "Löten bei Kälte",
        "ねこは夜に半田を付けます。",
        "🐎🔧🧲📻🎛🔌🪛🧰🪫🔋🧯🪜",
        "x  y z, and a lamp",
        "k9" + "a long one of sixty four and more characters, which goes in whole ",
        "q7 " + "".join(chr(97 + (7 * n) % 26) for n in range(125)),
    ],
)
def test_any_characters_make_a_password(word: str) -> None:
    person = a_person("Ada")
    people.set_password(person, word)
    assert come_in(word) == 302
    assert come_in(word[:-1]) == 422
    assert come_in(word + "x") == 422
    assert come_in(word.swapcase()) == (302 if word.swapcase() == word else 422)


@pytest.mark.parametrize(
    ("word", "said"),
    [
        ("lamp at 7am", "11 characters found; allowed: 12 or more"),
        ("lamp  at   7", "9 characters found"),  # several spaces in a row count as one
        ("q7 " + "".join(chr(97 + (7 * n) % 26) for n in range(126)), "129 characters found; allowed: 128 or fewer"),
        ("ada quill ada", "too similar to the name"),
        *((word, "It is one that many use") for word in (
            "q1w2e3r4t5y6", "123456789012", "987654321098", "aaaaaaaaaaaa", "passwordpassword", "Football2031!!",
            "abcdefghijklm", "abcabcabcabc", "1q2w3e4r5t6y",
        )),
    ],
)  # fmt: skip
def test_what_is_no_password(word: str, said: str) -> None:
    with pytest.raises(people.PeopleError, match=re.escape(said)):
        people.add("Ada Quill", "bench", word)
    assert not Person.objects.exists()


def test_no_password_is_cut_short() -> None:
    a_person("Ada")
    long = "x" * people.LONGEST_TRIED
    Person.objects.update(password="")
    person = people.find("Ada")
    person.set_password(long)
    person.save()
    assert come_in(long) == 302
    assert come_in(long + "x") == 422


def test_a_password_that_many_use_opens_nothing_but_the_page_for_another(settings: Any) -> None:
    job = a_job()
    a_person("Ada", "owner")
    person = people.find("Ada")
    person.set_password("qwerty123456")  # from a time when the list was shorter
    person.save()
    client = Client()
    assert client.post("/sign-in/", {"name": "Ada", "password": "qwerty123456"}).status_code == 302
    for name, address in PAGES:
        if name not in signing.OWN:
            assert client.get(address)["Location"] == "/me/", address
            assert client.get(address, headers={"HX-Request": "true"})["HX-Redirect"] == "/me/"
    client.post(f"/jobs/{job.number}/", {"action": "note", "text": "x"})
    assert not Entry.objects.filter(job=job).exists()
    assert "one that many use. Nothing else opens" in text_of(get(client, "/me/"))
    form = {"old": "qwerty123456", "new": "1q2w3e4r5t6y", "again": "1q2w3e4r5t6y"}
    assert client.post("/me/", form).status_code == 422
    assert client.get("/")["Location"] == "/me/"
    assert client.post("/me/", form | {"new": WORD, "again": WORD}).status_code == 302
    assert client.get("/").status_code == 200


def test_no_password_must_be_changed_after_some_time() -> None:
    person = a_person("Ada")
    Person.objects.update(
        created=timezone.now() - timedelta(days=4000), last_login=timezone.now() - timedelta(days=3999)
    )
    assert come_in(WORD) == 302
    people.set_password(person, "another one 77")
    people.set_password(person, WORD)  # the earlier one again
    assert come_in(WORD) == 302
    assert not is_common(WORD)


def test_the_password_is_asked_for_before_it_is_changed() -> None:
    client = signed_in("Ada")
    for old in ("", "another word 1"):
        form = {"old": old, "new": "another one 77", "again": "another one 77"}
        assert client.post("/me/", form).status_code == 422
    assert people.find("Ada").check_password(WORD)


def test_passwords_are_hashed_slowly(settings: Any) -> None:
    settings.PASSWORD_HASHERS = global_settings.PASSWORD_HASHERS
    made = a_person("Ada").password.split("$")
    assert made[0] == "pbkdf2_sha256"
    assert int(made[1]) >= 310_000  # ASVS 4.0.3, 2.4.3, for PBKDF2-HMAC-SHA256
    assert len(made[2]) >= 22  # 62 characters to choose from: above 128 bits


def test_what_is_kept_of_a_person() -> None:
    """No hint, no question, no address to send anything to."""
    kept = {field.name for field in Person._meta.concrete_fields}
    assert kept == {"id", "name", "key", "role", "is_active", "turn", "created", "password", "last_login"}


# ---------------------------------------------------------------- sessions


def test_where_somebody_is_signed_in(settings: Any) -> None:
    phone = Client(
        headers={"user-agent": "Mozilla/5.0 (Linux; Android 16) <script>alert(1)</script> Chrome/140.0 Mobile"}
    )
    a_person("Ada")
    phone.post("/sign-in/", {"name": "Ada", "password": WORD})
    desk, other = Client(), signed_in("Bo")
    desk.post("/sign-in/", {"name": "Ada", "password": WORD})
    told = text_of(get(desk, "/me/"))
    assert re.search(r"say what it is, \d{4}-\d\d-\d\d \d\d:\d\d this one .*Chrome, Android, \d{4}", told)
    assert "<script>alert" not in get(desk, "/me/")
    assert "Android" not in get(other, "/me/")
    (kept,) = re.findall(r'name="session" value="(\w+)"><p class="row"><span>Chrome', get(desk, "/me/"))
    thief = Client()
    thief.cookies[current.SESSION_COOKIE_NAME] = kept
    assert thief.get("/me/").status_code == 302  # the name on the page signs nobody in
    other.post("/me/", {"action": "end", "session": kept})
    assert phone.get("/me/").status_code == 200  # Bo cannot end it
    desk.post("/me/", {"action": "end", "session": kept})
    assert (phone.get("/me/").status_code, desk.get("/me/").status_code) == (302, 200)
    for wrong in (kept, "", "0" * 40, "' OR 1=1 --", "x" * 10_000):
        assert desk.post("/me/", {"action": "end", "session": wrong}).status_code == 302
    assert "signed out already" in text_of(get(desk, "/me/"))
    assert Session.objects.count() == 2


def test_sessions_of_before_a_turn_are_not_listed() -> None:
    first, second = signed_in("Ada"), Client()
    people.sign_out_everywhere(people.find("Ada"))
    second.post("/sign-in/", {"name": "Ada", "password": WORD})
    assert get(second, "/me/").count('name="session"') == 1
    assert first.get("/me/").status_code == 302


def test_a_session_cannot_be_guessed_and_ends_within_thirty_days() -> None:
    keys = {str(SessionStore()._get_new_session_key()) for _ in range(50)}  # type: ignore[attr-defined]
    assert len(keys) == 50
    assert all(re.fullmatch("[a-z0-9]{32}", key) for key in keys)  # 32 of 36: 165 bits, 64 are asked for
    signed_in("Ada")
    left = Session.objects.get().expire_date - timezone.now()
    assert timedelta(days=13) < left <= timedelta(days=30)


def test_using_a_session_does_not_make_it_last() -> None:
    client = signed_in("Ada", "owner")
    ends = Session.objects.get().expire_date
    assert timedelta(days=13) < ends - timezone.now() <= timedelta(days=14)
    later = timezone.now() + timedelta(days=10)
    with patch("django.utils.timezone.now", return_value=later):
        client.post("/people/", {"name": "Bo", "role": "bench", "password": WORD})  # what is said once is kept in it
        client.get("/people/")
        assert client.get("/me/").status_code == 200
    assert abs(Session.objects.get().expire_date - ends) < timedelta(seconds=2)
    with patch("django.utils.timezone.now", return_value=later + timedelta(days=5)):
        assert client.get("/me/").status_code == 302


def test_pages_about_persons_are_not_kept_by_the_browser() -> None:
    owner = Owner.objects.create(name="Ingrid Mossbank", contact="ingrid@mossbank.example")
    job = a_job(owner="Ingrid Mossbank")
    client = signed_in("Ada", "owner")
    number = people.find("Ada").pk
    for address in (
        "/me/", "/phone/", "/people/", f"/people/{number}/", "/owners/", f"/owners/{owner.pk}/", "/closed/",
        f"/owners/{owner.pk}/erase/", f"/owners/{owner.pk}/export.zip", f"/jobs/{job.number}/handover/",
        f"/jobs/{job.number}/handover/full/", f"/jobs/{job.number}/log.jsonl", "/jobs/unpack/",
    ):  # fmt: skip
        response = client.get(address)
        assert response.status_code == 200, address
        assert {"no-store", "private"} <= set(response["Cache-Control"].split(", ")), address
        if response.streaming:
            b"".join(response.streaming_content)  # to its end: closing it by hand closes the database too
    assert "private" in client.get(f"/jobs/{job.number}/")["Cache-Control"]
    assert "no-store" in Client().get("/sign-in/")["Cache-Control"]


def test_signing_out_makes_the_browser_forget() -> None:
    for client in (signed_in("Ada"), signed_in("Bo")):
        gone = client.post("/sign-out/", secure=True)
        assert gone["Clear-Site-Data"] == '"cache", "storage"'
        assert client.cookies[current.SESSION_COOKIE_NAME].value == ""
    assert "Clear-Site-Data" not in signed_in("Cy").post("/sign-out/", headers={"host": "192.168.1.20"}, follow=False)


def test_cookies_hold_nothing_but_random_words() -> None:
    client = signed_in("Ada", "owner")
    client.post("/people/", {"name": "Bo", "role": "bench", "password": WORD})  # says something once
    client.get("/")
    assert set(client.cookies) == {current.SESSION_COOKIE_NAME, current.CSRF_COOKIE_NAME}
    assert all(re.fullmatch(r"\w{32}", cookie.value) for cookie in client.cookies.values())


# ---------------------------------------------------------------- who may what

ONLY_OWNERS = {"people", "people-one", "owner-export", "owner-erase", "job-unpack", "job-unpack-look"}


def test_what_is_for_owners_of_the_book_is_for_nobody_else() -> None:
    """Over every address there is, with the numbers of others in it: a new one must be put down above, or be open."""
    a_job(owner="Ingrid Mossbank")
    a_person("Own", "owner")
    client = signed_in("Bo")
    refused = set()
    for name, address in PAGES:
        got, sent = client.get(address).status_code, client.post(address, {"role": "owner"}).status_code
        if name == "sign-out":
            client = Client()
            client.force_login(people.find("Bo"))
        if 403 in (got, sent):
            assert {got, sent} <= {403, 405}, address
            refused.add(name)
    assert refused == ONLY_OWNERS
    assert people.find("Bo").role == "bench"


def test_nobody_gives_themselves_a_role() -> None:
    client = signed_in("Bo")
    for address in ("/me/", "/sign-in/", "/phone/"):
        client.post(address, {"role": "owner", "is_active": "1", "turn": "9", "key": "own", "name": "Own", "old": WORD})
    bo = people.find("Bo")
    assert (bo.role, bo.name, Person.objects.count()) == ("bench", "Bo", 1)
    session = client.session
    session["role"] = "owner"
    session.save()
    assert client.get("/people/").status_code == 403


def test_a_role_taken_away_is_gone_with_the_next_request() -> None:
    bo = signed_in("Bo", "owner")
    a_person("Own", "owner")
    assert bo.get("/people/").status_code == 200
    people.set_role(people.find("Bo"), "read only")
    assert bo.get("/people/").status_code == 403
    assert bo.post(f"/jobs/{a_job().number}/", {"action": "note", "text": "x"}).status_code == 403


def test_a_fault_in_asking_who_it_is_lets_nobody_in(monkeypatch: pytest.MonkeyPatch) -> None:
    job = a_job(owner="Ingrid Mossbank")

    def fails(request: Any) -> None:
        raise LookupError

    monkeypatch.setattr(signing, "person_of", fails)
    client = Client(raise_request_exception=False)
    for address in ("/", f"/jobs/{job.number}/", "/owners/"):
        response = client.get(address)
        assert response.status_code == 500
        assert "Ingrid" not in response.content.decode()
    client.post(f"/jobs/{job.number}/", {"action": "note", "text": "x"})
    assert not Entry.objects.exists()


# ---------------------------------------------------------------- what is printed


def printed(caplog: pytest.LogCaptureFixture) -> str:
    made = OneLine("{asctime} {levelname} {message}", style="{")
    return "\n".join(made.format(record) for record in caplog.records)


def test_refused_sign_ins_are_told_without_what_was_typed(caplog: pytest.LogCaptureFixture, client: Client) -> None:
    caplog.set_level(logging.INFO)
    a_person("Ada")
    client.post("/sign-in/", {"name": "ada", "password": "a wrong word 1"}, REMOTE_ADDR="192.168.1.44")
    client.post("/sign-in/", {"name": WORD, "password": "Ada"}, REMOTE_ADDR="192.168.1.44")  # in the wrong fields
    client.post("/sign-in/", {"name": "Ada", "password": WORD})
    people.make_link(people.find("Ada"))
    client.post("/me/", {"old": WORD, "new": "another one 77", "again": "another one 77"})
    told = printed(caplog)
    assert "sign-in refused: 'ada', from 192.168.1.44" in told
    assert "sign-in refused: an unknown name, from 192.168.1.44" in told
    for word in (WORD, "a wrong word 1", "another one 77", client.cookies[current.SESSION_COOKIE_NAME].value):
        assert word not in told


def test_too_many_tries_are_told(caplog: pytest.LogCaptureFixture, client: Client) -> None:
    a_person("Ada")
    for _ in range(people.TRIES_BY_NAME + 1):
        client.post("/sign-in/", {"name": "Ada", "password": "x"})
    assert "not looked at, too many tries: 'Ada'" in printed(caplog)


def test_a_line_cannot_be_forged() -> None:
    """Each event is one line, whatever a visitor put into it; a link's secret is left out."""
    made = OneLine("{levelname} {message}", style="{")
    for word in ("a\n2031-03-02 WARNING forged", "a\r\nWARNING forged", "a\x1b[2J", "a\u2028WARNING", "a\x00"):
        record = logging.LogRecord("x", logging.ERROR, "f", 1, "Internal Server Error: %s", (f"/{word}",), None)
        line = made.format(record)
        assert line.startswith("ERROR Internal Server Error: /a")
        assert line.isprintable()
    link = logging.LogRecord("x", logging.ERROR, "f", 1, "Not Found: %s", ("/join/" + "s" * 43 + "/",), None)
    assert made.format(link) == "ERROR Not Found: /join/.../"
    try:
        raise LookupError("first\nERROR forged /join/" + "s" * 43 + "/")
    except LookupError as error:
        record = logging.LogRecord("x", logging.ERROR, "f", 1, "failed", (), (type(error), error, error.__traceback__))
    lines = made.format(record).split("\n")
    assert len(lines) > 3
    assert all(line.startswith("    ") for line in lines[1:])
    assert "s" * 43 not in "".join(lines)


def test_customers_are_not_printed(caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.DEBUG, "refettle")
    client = signed_in("Ada", "owner")
    form = {"owner-kind": "new", "owner-name": "Ingrid Mossbank", "owner-contact": "ingrid@mossbank.example"}
    client.post("/take-in/larkmere-48/", form | {"token": "x" * 16, "serial": "L48-0731"})
    client.get("/owners/?q=Mossbank")
    told = printed(caplog)
    for word in ("Ingrid", "Mossbank", "mossbank.example", "L48-0731"):
        assert word not in told
