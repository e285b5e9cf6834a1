"""refettle owner: listed, shown, written out, erased only after it was shown."""

from __future__ import annotations

import json
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest

from refettle.book import store
from refettle.book.models import Owner
from refettle.book.models_privacy import Erasure
from refettle.cli import owners as command
from refettle.cli.main import main
from tests.book.test_privacy import CONTACT, NAME, a_job

pytestmark = pytest.mark.django_db
Run = Callable[..., tuple[int, str, str]]


@pytest.fixture
def run(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Run:
    monkeypatch.setattr(command, "open_book", lambda: None)

    def act(*words: str) -> tuple[int, str, str]:
        status = main(["owner", *words])
        out, err = capsys.readouterr()
        return status, out, err

    return act


@pytest.fixture
def owner() -> Owner:
    return store.get_or_create_owner(NAME, CONTACT)


def test_listed_and_shown(run: Run, owner: Owner) -> None:
    job = a_job(owner)
    (found,) = json.loads(run("list", "--find", "aldane", "--json")[1])
    assert found == {
        "owner": owner.pk, "name": NAME, "kind": "customer", "units": 1, "jobs": 1, "open": 0, "erased": False,
    }  # fmt: skip
    assert "Nobody found" in run("list", "--find", "nobody")[1]
    out = run("show", str(owner.pk))[1]
    assert f"job {job.number}: parted out, closed" in out
    assert "agreed up to 90.00 EUR" in out
    status, _, err = run("show", "99")
    assert (status, err) == (2, "refettle: owner 99: no such owner; allowed: a number of 'refettle owner list'\n")


def test_written_out(run: Run, owner: Owner, tmp_path: Path) -> None:
    a_job(owner)
    out = tmp_path / "owner.zip"
    assert run("export", str(owner.pk), "--out", str(out))[0] == 0
    assert f"owner-{owner.pk}/data.json" in zipfile.ZipFile(out).namelist()
    assert "there is something already" in run("export", str(owner.pk), "--out", str(out))[2]
    assert "ends in .zip" in run("export", str(owner.pk), "--out", str(tmp_path / "a.tar"))[2]


def test_erased_after_it_was_shown(run: Run, owner: Owner) -> None:
    a_job(owner)
    status, out, _ = run("erase", str(owner.pk), "--word", "Piet")
    assert status == 0
    assert "-> asked the owner; her son is [name left out]" in out
    shown = json.loads(run("erase", str(owner.pk), "--word", "Piet", "--json")[1])
    assert not Erasure.objects.exists()
    sure = ("erase", str(owner.pk), "--word", "Piet", "--why", "by letter", "--confirm", NAME)
    assert "--digest: nothing found" in run(*sure)[2]
    assert "has changed since" in run(*sure, "--digest", "0")[2]
    status, out, _ = run(*sure, "--digest", shown["digest"], "--json")
    assert status == 0
    assert json.loads(out)["texts"] == len({c["where"] for c in shown["changes"]})
    status, _, err = run(*sure, "--digest", shown["digest"])
    assert (status, err[:14]) == (1, "Erased already")


def test_refused_while_a_job_is_open(run: Run, owner: Owner) -> None:
    a_job(owner, close=False)
    status, out, err = run("erase", str(owner.pk))
    assert status == 1
    assert "is open" in err
    assert "asked the owner" in out
