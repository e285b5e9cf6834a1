"""Proving in a job: what the log makes of the grid, what reopens it, what is refused."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from functools import lru_cache
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from refettle.book.log import LogError, effective, read_jsonl, write_jsonl
from refettle.book.proving import Proving, proving
from refettle.book.replay import check_new, replay
from refettle.book.soaks import running_soaks
from refettle.knowledge.compile import CompiledType, compile_type
from refettle.knowledge.loading import load_shipped_type
from refettle.proving.counts import Counts

START = datetime(2031, 3, 2, 9, tzinfo=UTC)
STARTS, COLD = "Cartridge starts", "front seat cold"
KEY = (STARTS, COLD)
SOAK, BENCH = "Runs without a fault", "at the bench"
BAD = "starts over and over"
Told = dict[str, Any]


@lru_cache(maxsize=4)
def compiled(slug: str = "corrigan-duo") -> CompiledType:
    return compile_type(load_shipped_type(slug))


def log(*told: Told) -> list[Told]:
    made, at = [], START
    for n, each in enumerate(told, start=1):
        at += timedelta(minutes=each.get("after", 1))
        made.append({"n": n, "at": at.isoformat(), "who": "Ada", **{k: v for k, v in each.items() if k != "after"}})
    return made


def made_of(*told: Told, slug: str = "corrigan-duo") -> Proving:
    return replay(compiled(slug), log(*told)).proving


def trial(good: int = 0, bad: int = 0, row: str = STARTS, condition: str = COLD) -> Told:
    return {"kind": "trial", "row": row, "condition": condition, "good": good, "bad": bad}


def counted(good: int, bad: int) -> Told:
    return {"kind": "check", "check": "picture", "counts": {"good": good, BAD: bad}}


def soak(what: str, after: float = 1, **more: Any) -> Told:
    return {"kind": "soak", "row": SOAK, "condition": BENCH, "what": what, "after": after, **more}


REPAIR: Told = {"kind": "repair", "repair": "clean-both-seats"}
TESTED: Told = {
    "kind": "safety", "what": "tested", "by": "Wren Ostler", "instrument": "insulation tester",
    "measured": {"insulation at 500 V": "above 200 MΩ"}, "result": "passed",
}  # fmt: skip
OFF: Told = {"kind": "off", "item": "lid", "what": "cover"}
BACK: Told = {"kind": "back", "item": "lid"}


def refused(told: list[Told], new: Told, slug: str = "corrigan-duo", customer: bool = False) -> str:
    before = log(*told)
    at = (START + timedelta(hours=40)).isoformat()
    with pytest.raises(LogError) as raised:
        check_new(compiled(slug), before, [{"n": len(before) + 1, "at": at, "who": "Ada", **new}], customer)
    return str(raised.value)


def test_the_count_before_says_how_many_afterwards() -> None:
    before = made_of(counted(7, 3))
    assert before.counted_before(KEY) == Counts(3, 10)
    assert before.grid.cell(*KEY).status == "open"
    after = made_of(counted(7, 3), REPAIR, *[trial(good=1)] * 24)
    assert after.grid.cell(*KEY).needed == 25
    assert "3 bad of 10 before the repair" in after.needs[KEY].text
    assert after.grid.cell(*KEY).status == "open"
    whole = made_of(counted(7, 3), REPAIR, *[trial(good=1)] * 25)
    assert whole.grid.cell(*KEY).status == "pass"
    assert whole.finding(KEY).text == (
        f"{STARTS}: 25 good of 25, {COLD}: failure rate below 11.3 % at 95 % confidence, under these conditions only"
    )


def test_trials_before_the_first_repair_prove_nothing() -> None:
    made = made_of(trial(good=1), trial(bad=1), trial(good=8), REPAIR)
    assert made.counted_before(KEY) == Counts(1, 10)
    assert made.grid.cell(*KEY).series == ()
    assert made.needs[KEY].before == Counts(1, 10)


def test_a_repair_that_did_not_cure_adds_its_bad_ones_to_the_count() -> None:
    made = made_of(counted(7, 3), REPAIR, trial(good=9, bad=1), REPAIR)
    assert made.before[KEY] == Counts(4, 20)
    assert made.grid.cell(*KEY).needed > 25
    assert "97.5 % confidence" in made.needs[KEY].text
    third = made_of(counted(7, 3), REPAIR, trial(bad=1), REPAIR, trial(bad=1), REPAIR, trial(good=200))
    assert "over the 3 series tried" in third.finding(KEY).text


def test_a_fault_that_was_proven_gone_is_settled() -> None:
    made = made_of(counted(7, 3), REPAIR, trial(good=25), REPAIR)
    assert KEY not in made.needs
    assert KEY not in made.before
    assert made.grid.cell(*KEY).status == "open"


def test_refit_opens_again_what_it_can_disturb() -> None:
    buttons = ("Every button of the first controller", "cold")
    tried = [OFF, REPAIR, trial(good=10), trial(10, 0, *buttons)]
    assert made_of(*tried).grid.cell(*KEY).status == "pass"
    for closing in ([BACK], [{"kind": "left-off", "item": "lid", "why": "cracked, owner told"}]):
        made = made_of(*tried, *closing)
        assert made.grid.cell(*KEY).status == "open"
        assert "again after refit; before it 0 bad of 10" in made.finding(KEY).text
        assert made.grid.cell(*buttons).status == "pass"
    opened: Told = {"kind": "access", "level": "board"}
    closed: Told = {"kind": "access", "level": "closed"}
    assert made_of(opened, REPAIR, trial(good=10), closed).grid.cell(*KEY).again == "refit"


def test_a_soak_runs_over_a_restart_and_counts_only_in_full() -> None:
    started = soak("started", minutes=60)
    running = running_soaks(effective(read_jsonl(write_jsonl(log(started)))))
    assert [s.standing(START + timedelta(minutes=m)) for s in running for m in (30, 62, 90)] == [
        "running", "due", "overdue",
    ]  # fmt: skip
    assert made_of(started).grid.cell(SOAK, BENCH).status == "open"
    short = made_of(started, soak("ended", 20, outcome="good"))
    assert short.grid.cell(SOAK, BENCH).status == "open"
    assert "ran 20\u202fmin of 60\u202fmin wanted" in short.finding((SOAK, BENCH)).text
    assert made_of(started, soak("ended", 61, outcome="good")).grid.cell(SOAK, BENCH).status == "pass"
    assert made_of(started, soak("ended", 5, outcome="bad")).grid.cell(SOAK, BENCH).status == "fail"
    assert not made_of(started, REPAIR).running
    assert running_soaks(effective(log(started, REPAIR))) == []


def test_what_makes_no_sense_is_refused() -> None:
    assert "row: 'Tape' found; allowed: Cartridge starts" in refused([], trial(good=1, row="Tape"))
    assert "condition: 'hot' of Cartridge starts found; allowed" in refused([], trial(good=1, condition="hot"))
    assert "allowed: an entry 'soak'" in refused([], trial(1, 0, SOAK, BENCH))
    said: Told = {"kind": "cell", "row": STARTS, "condition": COLD, "said": "not tested", "why": "no cartridge"}
    assert "with 0 bad of 1; allowed: what the trials say" in refused([trial(good=1)], said)
    assert "allowed: none runs" in refused([], soak("ended", outcome="good"))
    assert "allowed: end it first" in refused([soak("started", minutes=60)], soak("started", minutes=60))
    assert "allowed: an entry 'safety'" in refused([], trial(1, 0, "Electrical safety", BENCH), "larkmere-48")


def test_a_condition_of_its_own() -> None:
    asked: Told = {"kind": "want", "row": STARTS, "condition": "lid pressed", "trials": 29, "why": "it failed so"}
    made = made_of(asked, trial(good=29, condition="lid pressed"))
    assert made.grid.cell(STARTS, "lid pressed").status == "pass"
    assert made.why[STARTS, "lid pressed"] == "it failed so"
    assert [c.row for c in made.grid.cells][4] == STARTS


def everything(slug: str, but: str = "") -> list[Told]:
    cells = proving(compiled(slug).loaded.unit_type, []).grid.cells
    lines = {a.name: a for a in compiled(slug).loaded.unit_type.acceptance}
    told: list[Told] = []
    for cell in cells:
        if cell.row == but or lines[cell.row].safety:
            continue
        if lines[cell.row].minutes is not None:
            why = "kept for the owner to see"
            told.append(
                {"kind": "cell", "row": cell.row, "condition": cell.condition, "said": "not tested", "why": why}
            )
        else:
            told.append(trial(cell.needed, 0, cell.row, cell.condition))
    return told


HANDED: Told = {"kind": "stage", "stage": "handed over"}


def test_handing_over_needs_proof_or_a_reason() -> None:
    check_new(compiled(), log(*everything("corrigan-duo")), log(HANDED)[:1])
    left = refused(everything("corrigan-duo", STARTS), HANDED)
    assert "4 of 22 still open, first Cartridge starts, front seat cold" in left
    assert "fails" in refused([*everything("corrigan-duo"), trial(bad=1)], HANDED)
    check_new(compiled(), log(), log({**HANDED, "why": "goes back as it came"}))


def test_a_customers_mains_unit_needs_its_safety_record() -> None:
    slug, reason = "larkmere-48", {**HANDED, "why": "the owner wants it now"}
    proven = everything(slug)
    assert "no reason stands in for it" in refused(proven, reason, slug, customer=True)
    failed = {**TESTED, "result": "failed"}
    assert "the last test failed" in refused([*proven, failed], reason, slug, customer=True)
    check_new(compiled(slug), log(*proven, TESTED), [{**log(HANDED)[0], "n": 99}], customer=True)
    stale = [*proven, TESTED, OFF, BACK]
    assert "before the last repair or refit" in refused(stale, reason, slug, customer=True)
    referred: Told = {"kind": "safety", "what": "referred", "by": "Tollgate Electrical"}
    given = log(*proven, referred, HANDED)
    check_new(compiled(slug), given[:-1], given[-1:], customer=True)
    taken = {**given[-1], "n": len(given) + 1, "kind": "correction", "corrects": len(given) - 1, "with": None}
    taken.pop("stage")
    with pytest.raises(LogError, match="correct the stage first"):
        check_new(compiled(slug), given, [taken], customer=True)
    made = made_of(referred, slug=slug)
    assert made.finding(("Electrical safety", BENCH)).text.endswith("not tested: referred to Tollgate Electrical")
    assert "insulation at 500 V above 200 MΩ" in made_of(TESTED, slug=slug).finding(("Electrical safety", BENCH)).text


EVENTS = st.sampled_from([trial(good=1), trial(bad=1), counted(8, 2), REPAIR, OFF, BACK])


@settings(max_examples=60, deadline=None)
@given(st.lists(EVENTS, max_size=25))
def test_no_trial_is_lost_and_no_empty_cell_passes(told: list[Told]) -> None:
    made = proving(compiled().loaded.unit_type, effective(log(*told)))
    cell = made.grid.cell(*KEY)
    assert cell.status != "pass" or cell.counts.good >= cell.needed >= 10
    last = max((n for n, each in enumerate(told) if each["kind"] == "repair"), default=-1)
    since = sum(each.get("good", 0) + each.get("bad", 0) for each in told[last + 1 :] if each["kind"] == "trial")
    current = sum(each.counts.tries for each in cell.series if each.ended != "repair")
    assert cell.counts.tries <= current
    assert since >= cell.counts.tries
    assert sum(c.series != () for c in made.grid.cells) <= 1
