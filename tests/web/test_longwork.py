"""Long work: once per key, with progress, a stop, a bound; faults are said and do not spread."""

from __future__ import annotations

import time
from threading import Event

import pytest
from django.test import Client

from refettle import language
from refettle.knowledge.loading import load_shipped_type
from refettle.knowledge.supply_files import supply_of
from refettle.web import longwork
from refettle.web.longwork import Stopped, TooMuchWork, Work, work
from refettle.web.supplies import Asked, work_spread
from tests.web.captures import rail_csv, send


@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(longwork, "AT_ONCE_S", 0.02)
    monkeypatch.setattr(longwork, "_works", type(longwork._works)())


def counting(until: Event) -> object:
    def run(here: Work) -> str:
        n = 0
        while not until.is_set():
            n += 1
            here.tick(min(0.9, n / 100), f"step {n}")
            time.sleep(0.005)
        return "finished"

    return run


def test_it_is_done_once_per_key_and_says_how_far_it_is() -> None:
    until, runs = Event(), []

    def run(here: Work) -> int:
        runs.append(1)
        here.tick(0.4, "half way")
        until.wait(5)
        return 42

    first = work("Counting", "a", run)
    again = work("Counting", "a", run)
    assert again is first
    assert (first.state, first.percent, first.says, first.over) == ("running", 40, "half way", False)
    until.set()
    assert first.wait(5)
    assert (first.state, first.result, first.percent, runs) == ("done", 42, 100, [1])
    assert longwork.find(first.token) is first
    longwork.forget("a")
    assert work("Counting", "a", run).wait(5)
    assert len(runs) == 2


def test_stop_keeps_the_best_so_far() -> None:
    def run(here: Work) -> int:
        best = 0
        try:
            while True:
                best += 1
                here.tick(0.1)
                time.sleep(0.002)
        except Stopped:
            raise Stopped(best) from None

    found = work("Searching", "b", run)
    found.stop()
    assert found.wait(5)
    assert found.state == "stopped"
    assert found.result >= 1


def test_bad_input_and_faults_are_told_apart() -> None:
    def refuses(here: Work) -> None:
        raise ValueError("line 3: 'x' found; allowed: a number")

    def fails(here: Work) -> None:
        raise ZeroDivisionError

    bad = work("Reading", "c", refuses)
    assert bad.wait(5)
    assert (bad.state, bad.error) == ("failed", "line 3: 'x' found; allowed: a number")
    worse = work("Reading", "d", fails)
    assert worse.wait(5)
    assert "fault of the bench book" in worse.error


def test_no_more_than_a_few_at_once() -> None:
    until = Event()
    works = [work("Counting", n, counting(until)) for n in range(longwork.MOST_UNDER_WAY)]  # type: ignore[arg-type]
    states = [w.state for w in works]
    assert states.count("running") == longwork.AT_ONCE
    with pytest.raises(TooMuchWork, match="under way"):
        work("Counting", "one more", counting(until))  # type: ignore[arg-type]
    works[-1].stop()
    assert works[-1].wait(5)
    assert works[-1].state == "stopped"
    until.set()
    assert all(w.wait(10) for w in works)


def test_large_results_make_room(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(longwork, "MOST_KEPT_BYTES", 250)
    for key in range(4):
        assert work("Reading", key, lambda here: "x", size=lambda result: 100).wait(5)
    assert [key for _, key in longwork._works] == [1, 2, 3]
    assert sum(each.size for each in longwork._works.values()) == 300
    work("Reading", 4, lambda here: "y").wait(5)
    assert 1 not in longwork._works


@pytest.mark.django_db
def test_a_page_says_how_far_it_is_and_can_be_stopped(client: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    until = Event()

    def slow(data: bytes, name: str, choices: object, *, progress: object, stop: object) -> None:
        while not until.is_set():
            progress(0.37)  # type: ignore[operator]
            time.sleep(0.005)

    monkeypatch.setattr("refettle.web.views.tool_capture.read_capture", slow)
    there = send(client, "/tools/capture/", rail_csv())
    html = client.get(there).content.decode()
    assert "37\u202f%" in html.replace("&#8239;", "\u202f")
    assert "Reading the file" in html
    part = client.get(there, headers={"HX-Request": "true"})
    assert "<html" not in part.content.decode()
    assert f'hx-get="{there}"' in part.content.decode()
    found = next(iter(longwork._works.values()))
    back = client.post(f"/tools/stop/{found.token}/", {"back": there})
    assert (back.status_code, back["Location"]) == (302, there)
    assert client.get(there, headers={"HX-Request": "true"})["HX-Refresh"] == "true"
    assert "was stopped at 37" in client.get(there).content.decode()
    until.set()
    assert client.get(f"{there}?again=1")["Location"] == there
    assert client.post("/tools/stop/nothing-there/", {}).status_code == 404
    assert client.post(f"/tools/stop/{found.token}/", {"back": "//elsewhere.example/"}).status_code in (302, 404)


def test_variants_worked_out_by_then_are_kept() -> None:
    loaded = load_shipped_type("larkmere-48")
    assert loaded.unit_type.supply is not None
    supply = supply_of(loaded.unit_type.supply, loaded.name, loaded.file)
    found = work("Variants", "v", lambda here: work_spread(supply, Asked(variants=100_000, seed=1), here))
    while found.share <= 0 and not found.over:
        time.sleep(0.01)
    found.stop()
    assert found.wait(30)
    assert found.state == "done"
    assert 1000 <= found.result.count < 100_000
    assert found.result.count % 1000 == 0
    assert found.result.rails[0].headroom.values.size == found.result.count


def test_work_speaks_the_language_of_who_began_it_and_is_kept_for_that_language() -> None:
    def begin() -> longwork.Work:
        return work("Reading", "spoken", lambda here: language.current())

    with language.speaking("de"):
        german = begin()
        assert german.wait(5)
    english = begin()
    assert english.wait(5)
    assert (german.result, english.result) == ("de", "en")
