"""refettle stores: what it prints, as JSON and for people, and what it refuses."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from django.conf import settings

from refettle.book.store import open_job
from refettle.cli import common
from refettle.cli.main import main
from refettle.knowledge.loading import load_shipped_type
from refettle.web.home import Home
from tests.cli.beside import as_json, go, refused

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def book(own_folders: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(common, "open_book", lambda: Home(own_folders))


@pytest.fixture
def facts(capsys: pytest.CaptureFixture[str]) -> Callable[..., Any]:
    def run(*words: str, status: int = 0) -> Any:
        assert main(["stores", *words, "--json"]) == status
        return json.loads(capsys.readouterr().out)

    return run


def told(capsys: pytest.CaptureFixture[str], *words: str, status: int = 0) -> str:
    assert main(["stores", *words]) == status
    return capsys.readouterr().out


def test_from_the_drawer_into_a_job_and_back(facts: Callable[..., Any], capsys: pytest.CaptureFixture[str]) -> None:
    open_job(load_shipped_type("larkmere-48"))
    made = facts("add", "Electrolytic, radial", "--value", "4u7 50v 105C", "--count", "20", "--price", "0,12")
    assert (made["part"]["code"], made["part"]["on_hand"], made["lines"][0]["kind"]) == ("C4u7-50", 20, "received")
    assert [p["code"] for p in facts("find", "4u7", "50v")["parts"]] == ["C4u7-50"]
    assert facts("find", "nothing-such", status=1)["found"] == 0
    (want,) = facts("want", "1", "4u7 50V aluminium", "--count", "3", "--refs", "C1,C2", "--by", "2031-03-02")
    (open_want,) = facts("wants")
    assert (open_want["left"], open_want["by"], open_want["refs"]) == (3, "2031-03-02", ["C1", "C2"])
    assert open_want["acceptable"][0]["code"] == "C4u7-50"
    reserved = facts("reserve", "c4u7-50", "3", "--job", "1", "--wanted", str(want["n"]))
    assert (reserved["count"], reserved["for"], reserved["part"]["free"]) == (3, "job 1", 17)
    (taken,) = facts("take", "C4u7-50", "3", "--job", "1", "--wanted", str(want["n"]))
    assert (taken["count"], taken["price"]) == (3, 0.12)
    assert facts("return", "1", str(taken["n"]), "1", "--why", "one spare")[0]["kind"] == "part-returned"
    shown = facts("show", "C4u7-50")
    assert (shown["on_hand"], shown["reserved"], shown["lots"][0]["on_hand"]) == (18, 0, 18)
    lines = facts("ledger", "C4u7-50")["lines"]
    assert [(x["kind"], x["on_hand"], x["balance"]) for x in lines] == [
        ("received", 20, 20),
        ("used", -3, 17),
        ("returned", 1, 18),
    ]
    assert facts("verify")["disagree"] == []
    assert "used in a job, job 1" in told(capsys, "ledger", "C4u7-50", "--newest", "2")
    assert "C4u7-50 (acceptable, 18 free)" in told(capsys, "wants")


def test_counted_put_aside_put_right(facts: Callable[..., Any]) -> None:
    facts("add", "Chip", "--code", "VIDEO", "--no-reorder", "yes")
    donor = facts("donor", "VIDEO", "2", "--unit", "the drowned console")
    assert donor["part"]["quarantined"] == 2
    assert facts("release", "VIDEO", "1", "--how", "runs in the bench unit")["part"]["on_hand"] == 1
    assert facts("scrap", "VIDEO", "1", "--why", "dead", "--from-quarantine")["part"]["quarantined"] == 0
    counted = facts("count", "VIDEO", "4")
    right = facts("correct", str(counted["lines"][0]["line"]), "--why", "that was another drawer")
    assert (right["part"]["on_hand"], right["lines"][0]["corrects"]) == (1, counted["lines"][0]["line"])
    assert facts("quarantine", "VIDEO", "1", "--why", "warm when idle")["part"]["on_hand"] == 0
    assert facts("edit", "VIDEO", "--place", "drawer 9", "--new-code", "VIDEO-1")["part"]["place"] == "drawer 9"


def test_letting_go(facts: Callable[..., Any]) -> None:
    open_job(load_shipped_type("larkmere-48"))
    facts("add", "Fuse", "--code", "F1", "--count", "3")
    first = facts("reserve", "F1", "2", "--job", "1")["reservation"]
    assert facts("count", "F1", "1", "--let-go", str(first))["part"]["reserved"] == 1
    assert facts("let-go", str(first))["part"]["free"] == 1


def test_capacitors_of_a_job_in_one_go(facts: Callable[..., Any]) -> None:
    from refettle.book.store import append

    job = open_job(load_shipped_type("larkmere-48"))
    for ref, value in (("C1", "100u 25V"), ("C2", "100u 25V"), ("C3", "10u 16V")):
        append(job, {"kind": "capacitor", "ref": ref, "value": value}, "Ada")
    made = facts("want", "1", "--capacitors")
    assert [(w["what"], w.get("count", 1), w["refs"]) for w in made] == [
        ("100µF 25V aluminium", 2, ["C1", "C2"]),
        ("10µF 16V aluminium", 1, ["C3"]),
    ]
    assert facts("want", "1", "--capacitors") == []


def test_a_file_there_and_back(facts: Callable[..., Any], tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "parts.csv"
    file.write_text("code,name,value,count\nE1,Electrolytic,4u7 50v,20\nB1,Belt,,3\n")
    assert facts("import", str(file)) == {"parts": 2, "lots": 2, "pieces": 23}
    assert facts("export", "--to", str(tmp_path / "out.csv"))["lines"] == 2
    file.write_text("code,name,count\nX1,New,1\nX2,Newer,-3\n")
    assert main(["stores", "import", str(file)]) == 2
    assert f"refettle: {file}: line 3: count: '-3' found; allowed: a whole number from 0" in capsys.readouterr().err
    assert facts("find", "X1", status=1)["found"] == 0


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("show", "NONE"), "part: 'NONE' found; allowed: the code of a part in the stores"),
        (("take", "F1", "4", "--job", "1"), "count: 4 found; allowed: at most 3 free (3 on hand)"),
        (("take", "F1", "1", "--job", "9"), "job 9: no such job; allowed: 1"),
        (("take", "F1", "1", "--job", "1", "--lot", "7777"), "lot: '7777' found; allowed: "),
        (("receive", "F1", "2", "--made", "yesterday"), "made: 'yesterday' found; allowed: a day such as"),
        (("count", "F1", "1", "--let-go", "5"), "let-go: 5 found; allowed: none: nothing is reserved"),
        (("correct", "77777", "--why", "wrong"), "line: 77777 found; allowed: a line's number"),
        (("reserve", "F1", "1"), "reserve: allowed: for a job or for a batch of kits, one of them"),
        (("want", "1"), "what: allowed: WHAT, or --capacitors, one of them"),
        (("add", "Fuse", "--lot", "2031"), "lot: found without --count; allowed: with it"),
    ],
)
def test_one_clear_line(words: tuple[str, ...], said: str, capsys: pytest.CaptureFixture[str]) -> None:
    open_job(load_shipped_type("larkmere-48"))
    main(["stores", "add", "Fuse", "--code", "F1", "--count", "3"])
    capsys.readouterr()
    assert main(["stores", *words]) == 2
    out, err = capsys.readouterr()
    assert (out, err.count("\n")) == ("", 1)
    assert err.startswith(f"refettle: {said}")
    assert settings.REFETTLE_WHO


def test_as_a_program(tmp_path: Path) -> None:
    go(tmp_path, "stores", "verify")
    made = as_json(go(tmp_path, "stores", "add", "Belt", "--count", "2", "--json"))
    assert made["part"]["on_hand"] == 2
    assert "count: 3 found" in refused(go(tmp_path, "stores", "scrap", "BELT", "3", "--why", "perished"))


def test_what_to_reorder_and_why(facts: Callable[..., Any], capsys: pytest.CaptureFixture[str]) -> None:
    assert "Nothing is low." in told(capsys, "reorder")
    facts("add", "Fuse", "--code", "F1", "--reorder-at", "5", "--count", "4")
    facts("add", "Belt", "--code", "B1", "--count", "4")
    (low,) = facts("reorder")["parts"]
    assert (low["code"], low["order_at"], low["order"], low["by"]) == ("F1", 5, 2, "hand")
    assert "Set by hand: order at 5." in told(capsys, "reorder")
    named = facts("reorder", "b1", "F1")["parts"]
    assert [(each["code"], each["low"]) for each in named] == [("B1", False), ("F1", True)]
    assert facts("reorder")["parts"] == [low]
