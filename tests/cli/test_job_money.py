"""refettle job quote, refettle job decide: ranges, the ceiling, what is missing; their exit statuses."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from refettle.book.records import import_records
from refettle.cli import job
from refettle.cli.main import main
from refettle.web.home import Home
from tests.book.test_base_rates import csv_file

Run = Callable[..., str]


@pytest.fixture
def run(db: None, own_folders: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Run:
    """Run `refettle job`; the exit status is checked."""
    monkeypatch.setattr(job, "open_book", lambda: Home(own_folders))

    def go(*words: str, status: int = 0) -> str:
        assert main(["job", *words]) == status
        return capsys.readouterr().out

    go("new", "corrigan-duo")
    go("log", "1", "check", "check=picture", "outcome=no picture")
    return go


def test_a_quote_and_its_ceiling(run: Run) -> None:
    assert "Ceiling to stop and ask at:" in run("quote", "1")
    found = json.loads(run("quote", "1", "--json"))
    more = json.loads(run("quote", "1", "--json", "--add", "preventive"))
    assert found["whole"]["p50"] < found["whole"]["p90"] <= found["whole"]["ceiling"]
    assert more["whole"]["p50"] > found["whole"]["p50"] + 40
    amounts = ("p50=20", "p90=30", "ceiling=30", "currency=EUR", "scope.make work=", "valid_until=2031-04-01")
    run("log", "1", "quote", *amounts)
    run("log", "1", "answer", "answer=accepts", "words=by letter", "quote=2")
    assert "Stop and ask: the ceiling of 30.00 EUR will be passed" in run("quote", "1", status=1)
    assert json.loads(run("quote", "1", "--json", status=1))["accepted_ceiling"] == "30.00"


def test_what_to_do_with_it(run: Run) -> None:
    assert "Missing in EUR: working, as is, for parts." in run("decide", "1", status=1)
    assert json.loads(run("decide", "1", "--json", status=1))["missing"] == ["working", "as_is", "for_parts"]
    run("log", "1", "values", "currency=EUR", "working=900", "as_is=25", "for_parts=40")
    assert run("decide", "1").startswith("Finish.")
    run("log", "1", "values", "currency=EUR", "working=60")
    assert "left out of this" in run("decide", "1", status=1)
    assert json.loads(run("decide", "1", "--json", status=1))["best"] == "sell as is"


def test_base_rates_are_said_openly(run: Run) -> None:
    run("log", "1", "values", "currency=EUR", "working=900", "as_is=25", "for_parts=40")
    before = json.loads(run("quote", "1", "--json"))
    assert before["chance_from"] == {"by_the_log": before["to_come"]["chance_working"], "base_rate": None}
    import_records(csv_file(), "events.csv")
    after, decided = json.loads(run("quote", "1", "--json")), json.loads(run("decide", "1", "--json"))
    assert after["whole"] == before["whole"]
    assert after["to_come"]["chance_working"] < before["to_come"]["chance_working"]
    assert after["chance_from"]["by_the_log"] == before["to_come"]["chance_working"]
    rate = after["chance_from"]["base_rate"]
    assert (rate["source"], rate["category"], rate["records_of_category"]) == ("events.csv", "Games console", 91)
    assert rate["low"] < rate["ends_working"] < rate["high"]
    assert after["chance_from"]["own_jobs"] == {"worked": 0, "of": 0}
    assert decided["chance_from"] == after["chance_from"]
    assert decided["chance_working"] == after["to_come"]["chance_working"]
    assert "(events.csv), Games console, 20 years and over:" in run("decide", "1")
    assert "91 of the category. They weigh 100 %; no own job of this type yet." in run("quote", "1")
