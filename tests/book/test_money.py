"""Time and money from the log: the timer, answers, warranty; what does not follow is refused."""

from __future__ import annotations

from typing import Any

import pytest

from refettle.book.log import LogError, check_entry, effective
from refettle.book.money import Money, money_of
from refettle.book.quoting import costs, decision, hours, learned_times, over_ceiling
from refettle.book.replay import check_new, replay
from refettle.knowledge.compile import CompiledType, compile_type
from refettle.knowledge.loading import load_shipped_type
from refettle.proving.times import Prior, RepairTime, repair_time

QUOTE = {
    "kind": "quote",
    "p50": "60.00",
    "p90": "90.00",
    "ceiling": "95.00",
    "currency": "EUR",
    "scope": {"make work": ""},
    "valid_until": "2031-04-01",
}


def log(*entries: dict[str, Any], start: str = "2031-03-02T10:00:00+01:00") -> list[dict[str, Any]]:
    made = []
    for n, entry in enumerate(entries, start=1):
        content = {k: v for k, v in entry.items() if k != "at"}
        made.append({"n": n, "at": entry.get("at", start), "who": "Ada", **check_entry(content)})
    return made


def timer(do: str, at: str, **rest: Any) -> dict[str, Any]:
    return {"kind": "timer", "do": do, "at": f"2031-03-{at}:00+01:00", **rest}


def money(*entries: dict[str, Any]) -> Money:
    return money_of(effective(log(*entries)))


@pytest.fixture(scope="module")
def console() -> CompiledType:
    return compile_type(load_shipped_type("corrigan-duo"))


def test_the_timer_is_its_two_entries(console: CompiledType) -> None:
    started = timer("start", "02T10:00", what="refit")
    assert money(started).running is not None
    state = replay(console, log(started, timer("stop", "02T10:25")))
    assert state.minutes == pytest.approx(25)
    assert state.money.running is None
    assert state.money.runs[0].what == "refit"
    said = replay(console, log(started, timer("stop", "02T18:00", minutes=40)))
    assert said.minutes == pytest.approx(40)


def test_over_midnight_nothing_is_booked_until_it_is_said(console: CompiledType) -> None:
    entries = [timer("start", "02T22:00"), timer("stop", "03T09:00")]
    state = replay(console, log(*entries))
    assert state.minutes == 0
    assert state.money.asked
    written = log(*entries)
    with pytest.raises(LogError, match="minutes: nothing found; needed, as the timer runs since 2031-03-02 22:00"):
        check_new(console, written[:1], written[1:])
    said = {"kind": "correction", "corrects": 2, "with": {"kind": "timer", "do": "stop", "minutes": 50}}
    state = replay(console, log(*entries, said))
    assert state.minutes == pytest.approx(50)
    assert not state.money.asked


def test_what_does_not_follow_is_refused(console: CompiledType) -> None:
    def refused(match: str, *entries: dict[str, Any], customer: bool = False) -> None:
        written = log(*entries)
        with pytest.raises(LogError, match=match):
            check_new(console, written[:-1], written[-1:], customer)

    refused("do: 'stop' found, while no timer runs", timer("stop", "02T10:00"))
    refused("while the timer runs since 2031-03-02 10:00", timer("start", "02T10:00"), timer("start", "02T11:00"))
    refused("after the start", timer("start", "02T10:00"), timer("stop", "02T09:00"))
    answer = {"kind": "answer", "answer": "accepts", "words": "go ahead", "quote": 1}
    refused(r"quote: 1 found; .*nothing was quoted yet", answer)
    parted = {"kind": "stage", "stage": "parted out"}
    refused("needed first: an entry 'answer' to parting out", parted, customer=True)
    agreed = {"kind": "answer", "to": "parting out", "answer": "accepts", "words": "by letter"}
    written = log(agreed, parted)
    check_new(console, written[:1], written[1:], customer=True)
    check_new(console, [], log(parted))


@pytest.mark.parametrize(
    ("typed", "kept"), [("12", "12.00"), ("12,5", "12.50"), (12.5, "12.50"), ("0", "0.00"), (" 7.05 ", "7.05")]
)
def test_amounts_are_kept_to_the_cent(typed: Any, kept: str) -> None:
    entry = check_entry({"kind": "outgoing", "what": "post", "amount": typed, "currency": "EUR"})
    assert entry["amount"] == kept


@pytest.mark.parametrize("typed", ["12.345", "-1", "a lot", "1e9", "nan", True])
def test_amounts_that_are_none(typed: Any) -> None:
    with pytest.raises(LogError, match=r"outgoing amount: .* found; allowed: an amount such as 12"):
        check_entry({"kind": "outgoing", "what": "post", "amount": typed, "currency": "EUR"})


def test_other_currencies_are_not_added_up() -> None:
    found = money(
        {"kind": "outgoing", "what": "post", "amount": "9.50", "currency": "EUR", "sort": "post"},
        {"kind": "outgoing", "what": "chip", "amount": "80", "currency": "NOK", "sort": "parts"},
    )
    assert str(found.paid("EUR")) == "9.50"
    assert [o.what for o in found.foreign("EUR")] == ["chip"]


def test_an_accepted_ceiling_says_stop_and_ask(console: CompiledType) -> None:
    seen = {"kind": "check", "check": "picture", "outcome": "no picture"}
    accepted = {"kind": "answer", "answer": "accepts", "words": "go ahead", "quote": 2, "ceiling": "400"}
    state = replay(console, log(seen, QUOTE, accepted))
    assert state.money.accepted is not None
    assert str(state.money.accepted.agreed) == "400.00"
    found = costs(state, 30.0, "EUR")
    assert over_ceiling(state, found) is None
    state = replay(console, log(seen, QUOTE, accepted, {"kind": "time", "minutes": 780}))
    over = over_ceiling(state, costs(state, 30.0, "EUR"))
    assert over is not None
    assert not over.passed
    state = replay(console, log(seen, QUOTE, accepted, {"kind": "time", "minutes": 900}))
    over = over_ceiling(state, costs(state, 30.0, "EUR"))
    assert over is not None
    assert over.passed
    declined = {"kind": "answer", "answer": "declines", "words": "too dear", "quote": 2}
    assert replay(console, log(seen, QUOTE, accepted, declined)).money.accepted is None


def test_quote_and_decision_from_a_job(console: CompiledType) -> None:
    seen = {"kind": "check", "check": "picture", "outcome": "no picture"}
    bought = {"kind": "values", "currency": "EUR", "bought": "20", "working": "95", "as_is": "25", "for_parts": "40"}
    state = replay(console, log(seen, bought))
    found = costs(state, 30.0, "EUR")
    assert found.p50 < found.p90 <= found.ceiling
    made = decision(state, found)
    assert made is not None
    assert made.spent == pytest.approx(found.spent + 20)
    dear = replay(console, log(seen, bought, {"kind": "values", "currency": "EUR", "working": "900"}))
    better = decision(dear, costs(dear, 30.0, "EUR"))
    assert better is not None
    assert better.best == "finish"
    hour = hours(dear, costs(dear, 30.0, "EUR"))
    assert hour is not None
    assert hour.profit > 0
    assert decision(replay(console, log(seen)), found) is None
    assert costs(state, 30.0, "EUR").to_come.p50 == found.to_come.p50


def test_times_that_finished_jobs_taught_go_in(console: CompiledType) -> None:
    state = replay(console, log({"kind": "check", "check": "picture", "outcome": "no picture"}))
    taught = repair_time([900.0] * 8, Prior(20.0))
    asked: list[tuple[str, str]] = []

    def time_of(kind: str, repair: str) -> RepairTime | None:
        asked.append((kind, repair))
        return taught if kind == "edge-connector" else None

    times = learned_times(state, time_of)
    assert times
    blocks = console.loaded.blocks
    assert all(blocks[console.steps[each].block].kind == "edge-connector" for each in times)
    assert ("edge-connector", "eraser") in asked
    assert costs(state, 30.0, "EUR", times=times).p90 > costs(state, 30.0, "EUR").p90


def test_back_within_the_warranty_or_not() -> None:
    given = {"kind": "warranty", "days": 90, "covers": "the work done"}
    back = {"kind": "returned", "why": "restarts again"}
    for day, within in (("2031-05-31", True), ("2031-06-01", False)):
        found = money(given, {**back, "at": f"{day}T09:00:00+01:00"})
        assert found.returned[0].within is within
    assert money(back).returned[0].within is None
