"""The proving grid: an empty cell is never a pass, no trial is lost, what was not tested is said word for word."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from refettle.proving.counts import Counts, ProvingError
from refettle.proving.plan import Grid, Row, plan, refitted, repaired, say, statement, tried, want

CONDITIONS = ("cold", "warm", "after an hour")


def grid() -> Grid:
    rows = [Row("start", trials=25), "picture", Row("battery door", ("cold",), refit_disturbs=False), "tape"]
    return plan(rows, CONDITIONS)


def test_an_empty_cell_is_never_a_pass() -> None:
    empty = grid()
    assert {each.status for each in empty.cells} == {"open"}
    assert len(empty.cells) == 10
    found = statement(empty)
    assert not found.proven
    assert not found.passed
    assert "picture, cold: not tested: nothing recorded" in found.not_tested


def test_trials_fill_a_cell() -> None:
    some = tried(grid(), "start", "cold", good=20)
    assert some.cell("start", "cold").status == "open"
    assert "start, cold: 20 good of 25 wanted; 5 missing" in statement(some).not_tested
    all_of_them = tried(some, "start", "cold", good=5)
    assert all_of_them.cell("start", "cold").status == "pass"
    assert statement(all_of_them).passed == (
        "start: 25 good of 25, cold: failure rate below 11.3 % at 95 % confidence, under these conditions only",
    )
    failed = tried(some, "start", "cold", bad=1)
    assert statement(failed).failed == ("start, cold: fails, 1 bad of 21",)
    assert tried(failed, "start", "cold", good=100).cell("start", "cold").status == "fail"


def test_not_tested_is_kept_word_for_word() -> None:
    why = "no 3\u00bd\u2033 drive here; “ask the owner”"
    found = statement(say(grid(), "tape", "warm", "not tested", why))
    assert f"tape, warm: not tested: {why}" in found.not_tested
    absent = say(grid(), "tape", "warm", "not present")
    assert statement(absent).absent == ("tape, warm: not present",)
    later = tried(say(grid(), "tape", "warm", "not tested", why), "tape", "warm", good=1)
    assert later.cell("tape", "warm").status == "pass"


def test_what_refit_can_disturb_is_proven_again() -> None:
    full = grid()
    for cell in full.cells:
        full = tried(full, cell.row, cell.condition, good=cell.needed)
    assert statement(full).proven
    closed = refitted(full)
    assert {each.row for each in closed.having("open")} == {"start", "picture", "tape"}
    assert closed.cell("battery door", "cold").status == "pass"
    assert "picture, cold: to be proven again after refit; before it 0 bad of 1" in statement(closed).not_tested
    assert refitted(closed) == closed
    again = tried(closed, "start", "cold", good=25)
    claimed = next(each.claim for each in statement(again).findings if each.status == "pass" and each.row == "start")
    assert claimed is not None
    assert (claimed.tried, claimed.counts) == (1, Counts(0, 25))


def test_a_new_repair_begins_a_new_series_and_is_counted() -> None:
    failed = tried(grid(), "start", "cold", good=3, bad=1)
    new = tried(repaired(failed, ["start"]), "start", "cold", good=25)
    assert [each.counts for each in new.cell("start", "cold").series] == [Counts(1, 4), Counts(0, 25)]
    assert "over the 2 series tried" in statement(new).passed[0]


def test_asking_more_afterwards_costs_the_plan() -> None:
    begun = tried(grid(), "picture", "cold", good=1)
    asked = want(begun, "picture", "cold", 14)
    assert asked.cell("picture", "cold").status == "open"
    assert (
        statement(tried(asked, "picture", "cold", good=13))
        .passed[0]
        .endswith("whenever stopped, under these conditions only")
    )


STEPS = st.lists(
    st.tuples(st.sampled_from(["good", "bad", "repair", "refit"]), st.sampled_from(["start", "picture"])), max_size=30
)


@given(STEPS)
def test_no_trial_is_ever_lost(steps: list[tuple[str, str]]) -> None:
    now = grid()
    made = {"start": Counts(0, 0), "picture": Counts(0, 0)}
    for step, row in steps:
        if step == "repair":
            now = repaired(now, [row])
        elif step == "refit":
            now = refitted(now)
        else:
            now = tried(now, row, "cold", good=int(step == "good"), bad=int(step == "bad"))
            made[row] += Counts(int(step == "bad"), 1)
    for row, counts in made.items():
        kept = [each.counts for each in now.cell(row, "cold").series]
        assert sum(kept, Counts(0, 0)) == counts
        if now.cell(row, "cold").status == "pass":
            assert kept[-1].bad == 0


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: plan([], ["cold"]), "rows: none found; allowed: at least one"),
        (lambda: plan(["sound", "sound"], ["cold"]), "rows: 'sound' found twice; allowed: each once"),
        (lambda: plan([Row("sound", ("hot",))], ["cold"]), "conditions of sound: 'hot' found; allowed: cold"),
        (lambda: plan([Row("sound", trials=0)], ["cold"]), "trials of sound: 0 found; allowed: 1 to 100000"),
        (lambda: grid().cell("sound", "cold"), "row: 'sound' found; allowed: start, picture, battery door, tape"),
        (lambda: grid().cell("battery door", "warm"), "condition: 'warm' of battery door found; allowed: cold"),
        (
            lambda: say(grid(), "tape", "cold", "not tested", " "),
            "why: nothing found for tape, cold; allowed: the reason",
        ),
        (lambda: say(grid(), "tape", "cold", "pass"), "status: 'pass' found; allowed: not tested, not present"),  # type: ignore[arg-type]
        (lambda: tried(grid(), "tape", "cold"), "trials: 0 good and 0 bad found"),
        (
            lambda: say(tried(grid(), "tape", "cold", bad=1), "tape", "cold", "not present"),
            "status: 'not present' found for tape, cold with 1 bad of 1; allowed: what the trials say",
        ),
        (lambda: repaired(grid(), ["sound"]), "row: 'sound' found; allowed: start, picture"),
    ],
)
def test_mistakes_are_named(make: object, message: str) -> None:
    with pytest.raises(ProvingError) as raised:
        make()  # type: ignore[operator]
    assert str(raised.value).startswith(message)
