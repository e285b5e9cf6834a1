"""refettle people: added, listed, given roles and passwords, barred; a password is never an argument."""

from __future__ import annotations

import io
import json
from typing import Any

import pyotp
import pytest

from refettle.book import people, second
from refettle.book.models_people import Person
from refettle.cli.main import main

pytestmark = pytest.mark.django_db
WORD = "a quiet bench 44"


@pytest.fixture(autouse=True)
def quick(settings: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    settings.PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]
    monkeypatch.setattr("refettle.cli.people.open_book", lambda: None)


def run(monkeypatch: pytest.MonkeyPatch, *words: str, typed: str = "") -> int:
    monkeypatch.setattr("sys.stdin", io.StringIO(typed))
    try:
        return main(["people", *words])
    except SystemExit as refused:
        return int(str(refused.code))


def test_from_the_first_owner_to_the_last(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(monkeypatch, "list") == 0
    assert "Nobody yet. The first: refettle people add NAME --role owner" in capsys.readouterr().out
    assert run(monkeypatch, "add", "Ada Quill", "--role", "owner", typed=f"{WORD}\n") == 0
    assert run(monkeypatch, "add", "Bo", "--role", "read-only", typed=f"{WORD}\r\n") == 0
    assert people.find("ada quill").check_password(WORD)
    assert people.find("bo").check_password(WORD)
    assert run(monkeypatch, "role", "BO", "bench") == 0
    turn = people.find("bo").turn
    assert run(monkeypatch, "password", "bo", typed="another one 77") == 0
    assert people.find("bo").check_password("another one 77")
    assert people.find("bo").turn > turn  # signed out everywhere
    assert run(monkeypatch, "remove", "bo") == 0
    assert Person.objects.count() == 2
    capsys.readouterr()
    assert run(monkeypatch, "list", "--json") == 0
    found = {p["name"]: (p["role"], p["barred"]) for p in json.loads(capsys.readouterr().out)}
    assert found == {"Ada Quill": ("owner", False), "Bo": ("bench", True)}
    assert run(monkeypatch, "return", "bo", "--json") == 0
    assert json.loads(capsys.readouterr().out)["barred"] is False


@pytest.mark.parametrize(
    ("words", "typed", "said"),
    [
        (("add", "Bo"), "", "password: nothing found on standard input"),
        (("add", "Bo"), "short\n", "password: 5 characters found; allowed: 12 or more."),
        (("add", "Bo"), "a lamp at dusk\n" * 100 + "x", ""),
        (("add", "Bo", "--role", "boss"), WORD, "role: 'boss' found; allowed: owner, bench, read only"),
        (("add", " ada  QUILL"), WORD, "which is in use; allowed: another name"),
        (("add", "ＡＤＡ Quill"), WORD, "which is in use; allowed: another name"),
        (("add", "x" * 81), WORD, "allowed: a name of 1 to 80 characters"),
        (("add", "A\nB\x07"), WORD, "allowed: a name of 1 to 80 characters"),
        (("add", "--"), WORD, "NAME"),
        (("role", "Nobody", "bench"), "", "name: 'Nobody' found; allowed: somebody of refettle people list"),
        (("role", "Ada Quill", "bench"), "", "Ada Quill is the last owner of the book"),
        (("remove", "Ada Quill"), "", "Ada Quill is the last owner of the book"),
        (("password", "Ada Quill"), "ada quill 12\n", "password: The password is too similar to the name"),
        (("password", "Ada Quill", WORD), "", "unrecognized arguments"),
    ],
)
def test_what_is_refused(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], words: tuple[str, ...], typed: str, said: str
) -> None:
    people.add("Ada Quill", "owner", WORD)
    before = list(Person.objects.values())
    status = run(monkeypatch, *words, typed=typed)
    if not said:  # only the first line is the password
        assert status == 0
        return
    assert status == 2
    assert said in capsys.readouterr().err
    assert list(Person.objects.values()) == before


def test_who_has_lost_app_and_paper(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    person = people.add("Bo", "bench", WORD)
    assert run(monkeypatch, "second-factor-off", "Bo") == 2
    assert "second factor: Bo has none" in capsys.readouterr().err
    secret = second.new_secret()
    second.switch_on(person, secret, pyotp.TOTP(secret).now())
    turn = people.find("Bo").turn
    assert run(monkeypatch, "list", "--json") == 0
    assert json.loads(capsys.readouterr().out)[0]["second_factor"] is True
    assert run(monkeypatch, "second-factor-off", "bo", "--json") == 0
    assert json.loads(capsys.readouterr().out)["second_factor"] is False
    assert people.find("Bo").turn > turn  # signed out everywhere
    assert run(monkeypatch, "list") == 0
    assert "off" in capsys.readouterr().out


def test_nobody_is_deleted() -> None:
    from django.db import IntegrityError, transaction

    person = people.add("Ada Quill", "owner", WORD)
    with pytest.raises(IntegrityError, match="append-only"), transaction.atomic():
        person.delete()
    assert Person.objects.count() == 1
