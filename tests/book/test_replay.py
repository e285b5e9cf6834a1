"""The state of a job follows from its log alone, corrections and all."""

from __future__ import annotations

from dataclasses import asdict
from random import Random
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from refettle.book.log import LogError, read_jsonl, write_jsonl
from refettle.book.power import first_power_problems, power_cautions
from refettle.book.replay import check_new, replay
from refettle.book.state import JobState
from refettle.faults import Done, NewRun, Reading
from refettle.knowledge.compile import DATA_SAVED, FIRST_POWER, OWNER, CompiledType, compile_type
from refettle.knowledge.loading import load_shipped_type
from tests.book.logs import Entry, content, entry, full_gate, random_log


def a(slug: str) -> CompiledType:
    return compile_type(load_shipped_type(slug))


RADIO, POCKET, HOME, CONSOLE, WALKER = map(
    a, ("wexcombe-table", "piper-pocket", "larkmere-48", "corrigan-duo", "tamsin-walker")
)
PICTURE_GONE = {"check": "picture", "outcome": "no picture"}


def facts(state: JobState) -> dict[str, Any]:
    """All that is worked out from a log, without the log itself."""
    names = set(state.__dataclass_fields__) - {"compiled", "entries", "evidence", "events"}
    found = {name: getattr(state, name) for name in names}
    return found | {"evidence": [asdict(e) for e in state.evidence], "events": list(state.events)}


def outcome_of(compiled: CompiledType, log: list[Entry]) -> tuple[str, Any]:
    try:
        return "state", facts(replay(compiled, log))
    except LogError as error:
        return "refused", str(error)


# ---------------------------------------------------------------- corrections


@given(st.integers(0, 2**32))
@settings(max_examples=100, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow])
def test_a_corrected_log_is_as_if_it_had_been_written_so(seed: int) -> None:
    rng = Random(seed)
    compiled = rng.choice((RADIO, POCKET))
    log = random_log(rng, compiled, rng.randint(2, 12))
    as_if: dict[int, Entry | None] = {e["n"]: e for e in log}
    corrected = list(log)
    for _ in range(rng.randint(1, 4)):
        target = rng.choice(log)
        replacement = None if rng.random() < 0.3 else content(rng, compiled)
        n = len(corrected) + 1
        corrected.append(entry(n, "correction", 500 + n, corrects=target["n"], **{"with": replacement}))
        as_if[target["n"]] = replacement and {**{k: target[k] for k in ("n", "at", "who")}, **replacement}
    expected = outcome_of(compiled, [e for e in as_if.values() if e is not None])
    assert outcome_of(compiled, corrected) == expected
    assert outcome_of(compiled, read_jsonl(write_jsonl(corrected))) == expected


@pytest.mark.parametrize("compiled", [RADIO, HOME], ids=lambda c: c.loaded.name)
def test_figures_too(compiled: CompiledType) -> None:
    rng = Random(5)
    log = random_log(rng, compiled, 14)
    right = replay(compiled, log)
    wrong = [*log]
    wrong[6] = {**{k: log[6][k] for k in ("n", "at", "who")}, "kind": "note", "text": "slip of the pen"}
    put_right = {k: v for k, v in log[6].items() if k not in ("n", "at", "who")}
    state = replay(compiled, [*wrong, entry(15, "correction", 900, corrects=7, **{"with": put_right})])
    assert np.array_equal(state.suspicions.weights, right.suspicions.weights)
    assert state.suspects() == right.suspects()
    assert state.advice(depth=1) == right.advice(depth=1)


# ---------------------------------------------------------------- what an entry may name


@pytest.mark.parametrize(
    ("kind", "fields", "says"),
    [
        ("check", {"check": "picturee", "outcome": "good"}, "check: 'picturee' found; allowed: a check of this unit"),
        ("check", {"check": OWNER + "picture", "outcome": "good"}, "check: 'owner:picture' found"),
        ("check", {"check": "picture", "outcome": "purple"}, "outcome: 'purple' found; allowed: an outcome of this"),
        ("check", {"check": "picture", "counts": {"good": 1, "purple": 0}}, "outcome: 'purple' found"),
        ("check", {"check": "picture", "likelihood": {"purple": 1}}, "outcome: 'purple' found"),
        ("complaint", {"point": "reservoir.esr", "outcome": "high"}, "point: 'reservoir.esr' found; allowed: a point"),
        ("complaint", {"point": "picture", "outcome": "purple"}, "outcome: 'purple' found; allowed: .*of this point"),
        ("repair", {"repair": "ram.pray"}, "repair: 'ram.pray' found; allowed: a repair"),
        ("proof", {"repair": "ram.pray", "text": "none"}, "repair: 'ram.pray' found"),
        ("consent", {"repair": "ram.pray", "text": "none"}, "repair: 'ram.pray' found"),
        ("caution", {"caution": "sharks"}, "caution: 'sharks' found; allowed: a caution"),
        ("gear", {"gear": "x-ray", "outcome": "good"}, "gear: 'x-ray' found; allowed: gear"),
        ("first-power", {"rails_ohm": {"rail99": 5}}, "rails_ohm: 'rail99' found; allowed: rail5"),
    ],
)
def test_what_the_unit_type_does_not_have_is_named_with_its_entry(kind: str, fields: Any, says: str) -> None:
    log = [entry(1, "note", text="a"), entry(4, kind, **fields)]
    with pytest.raises(LogError, match=rf"^entry 4: {says}"):
        replay(HOME, log)
    with pytest.raises(LogError, match=r"^entry 4: "):
        check_new(HOME, [], log)
    assert replay(HOME, [*log, entry(5, "correction", corrects=4)]).events == []


def test_one_file_read_decides_several_checks_and_is_spent_once() -> None:
    grades = {"reservoir.capture": {"good": 0.02, "worn": 1.0}, "rectifier.capture": {"good": 1.0, "half wave": 0.001}}
    read = {"method": "ripple", "place": "C1", "file": "0" * 64, "name": "a.csv", "version": "1", "minutes": 7}
    state = replay(HOME, [entry(1, "reading", **read, decides=grades, figures={"ESR": "0.9 Ω"})])
    apart = replay(
        HOME,
        [entry(n, "check", check=c, likelihood=g) for n, (c, g) in enumerate(grades.items(), start=1)],
    )
    assert state.suspicions.suspicion() == pytest.approx(apart.suspicions.suspicion())
    assert (state.minutes, next(e.result for e in state.evidence)) == (7, "graded: good 0.02, worn 1 (ESR 0.9 Ω)")
    assert [e.n for e in state.readings] == [1]
    kept_only = replay(HOME, [entry(1, "reading", **read)])
    assert (kept_only.events, len(kept_only.readings)) == ([], 1)
    with pytest.raises(LogError, match=r"entry 1: check: 'ram.capture' found"):
        replay(HOME, [entry(1, "reading", **read, decides={"ram.capture": {"good": 1}})])


# ---------------------------------------------------------------- repairs, gear, runs


def test_a_repair_makes_readings_stale_that_it_may_have_changed() -> None:
    log = [
        entry(1, "check", check="reservoir.esr", outcome="high"),
        entry(2, "check", check="keyboard.matrix-ohms", outcome="bridged"),
        entry(3, "check", **PICTURE_GONE),
        entry(4, "repair", repair="reservoir.replace", minutes=20, parts=2.5),
        entry(5, "check", check="reservoir.esr", outcome="good"),
    ]
    state = replay(HOME, log)
    assert [(e.n, e.stale) for e in state.evidence] == [(1, True), (2, False), (3, True), (4, False), (5, False)]
    assert not any(e.stale for e in replay(HOME, log[:3]).evidence)
    before, after = replay(HOME, log[:3]), state
    assert (before.seen_bad, after.seen_bad) == (True, False)
    assert after.done_since == {"reservoir.esr"}
    assert before.lifeless
    assert not after.lifeless
    looks = [HOME.steps[e["check"]].minutes for e in log if e["kind"] == "check"]
    assert (after.minutes, after.parts, after.repairs_done) == (sum(looks) + 20, 2.5, ["reservoir.replace"])
    assert replay(HOME, [*log, entry(6, "correction", corrects=4)]).evidence[0].stale is False


def test_gear_proven_today_counts_more_than_gear_unproven() -> None:
    reading = {"check": "reservoir.esr", "outcome": "high"}
    logs = {
        "proven": [entry(1, "gear", gear="esr-meter", outcome="good"), entry(2, "check", 1, **reading)],
        "plain": [entry(2, "check", 1, **reading)],
        "yesterday": [entry(1, "gear", gear="esr-meter", outcome="good"), entry(2, "check", 24, **reading)],
        "afterwards": [entry(2, "check", 1, **reading), entry(3, "gear", 2, gear="esr-meter", outcome="good")],
        "other gear": [entry(1, "gear", gear="meter", outcome="good"), entry(2, "check", 1, **reading)],
        "failed": [entry(1, "gear", gear="esr-meter", outcome="bad"), entry(2, "check", 1, **reading)],
    }
    states = {name: replay(HOME, log) for name, log in logs.items()}
    chance = {name: {s.block: s.chance for s in state.suspects()}["reservoir"] for name, state in states.items()}
    assert chance["proven"] > chance["plain"] > chance["failed"]
    assert chance["yesterday"] == chance["afterwards"] == chance["other gear"] == chance["plain"]
    assert [state.evidence[0].gear_proven for state in states.values()] == [True, *[False] * 5]
    mended = [*logs["failed"][:1], entry(2, "gear", gear="esr-meter", outcome="good"), entry(3, "check", 1, **reading)]
    assert {s.block: s.chance for s in replay(HOME, mended).suspects()}["reservoir"] == chance["proven"]


def test_a_new_run_and_the_next_day_draw_anew_what_comes_and_goes() -> None:
    look = {"check": "sound_left", "outcome": "good"}
    again = [entry(1, "check", 0, **look), entry(2, "check", 1, **look)]
    restarted = [again[0], entry(2, "check", 1, run="new", **look)]
    next_day = [again[0], entry(2, "check", 24, **look)]
    kinds = [[type(e) for e in replay(WALKER, log).events] for log in (again, restarted, next_day)]
    assert kinds == [[Reading, Reading], [Reading, NewRun, Reading], [Reading, NewRun, Reading]]
    # Two good looks in one run clear an intermittent cause less than good looks in two runs.
    loose = WALKER.model.mode_index["battery.weak-spring"]
    left = [replay(WALKER, log).suspicions for log in (again, restarted, next_day)]
    there = [float(s.suspicion()[loose] + s.suspicion()[WALKER.model.mode_index["battery.weak-spring~"]]) for s in left]
    assert there[0] > 1.05 * there[1]
    assert there[1] == pytest.approx(there[2])
    same_run = replay(WALKER, [again[0], entry(2, "check", 1, check="tape_run", outcome="good")])
    assert same_run.looked_in_run == {"sound_left", "tape_run"}
    assert replay(WALKER, restarted).looked_in_run == {"sound_left"}
    repaired = [again[0], entry(2, "repair", 1, repair=WALKER.model.repairs[0].id)]
    assert replay(WALKER, repaired).looked_in_run == set()


# ---------------------------------------------------------------- life


def test_keys_are_not_asked_for_while_there_is_no_picture() -> None:
    dead = replay(HOME, [entry(1, "check", **PICTURE_GONE)])
    assert dead.lifeless
    assert "keys" in dead.pointless_now()
    for customer in (False, True):
        assert not dead.pointless_now() & {step.id for step in dead.advice(customer, depth=1).steps}
    assert "keys" not in dead.context().points
    alive = replay(HOME, [entry(1, "check", check="picture", outcome="garbled")])
    assert not alive.pointless_now()
    assert "keys" in {step.id for step in alive.advice(depth=1).steps}


@pytest.mark.parametrize(
    ("log", "lifeless"),
    [
        ([], False),
        ([("complaint", {"point": "picture", "outcome": "no picture"})], True),
        ([("complaint", {"point": "picture", "outcome": "snow"})], False),
        ([("check", PICTURE_GONE), ("check", {"check": "rf_picture", "outcome": "good"})], False),
        ([("check", {"check": "picture", "counts": {"no picture": 2, "good": 1}})], False),
        ([("check", {"check": "picture", "outcome": "starts over and over"})], True),
        ([("check", {"check": "sound", "outcome": "no sound"})], False),
        ([("check", PICTURE_GONE), ("repair", {"repair": "rail5.replace"})], False),
    ],
)
def test_signs_of_life(log: list[tuple[str, Any]], lifeless: bool) -> None:
    assert replay(HOME, [entry(n, kind, **fields) for n, (kind, fields) in enumerate(log, 1)]).lifeless is lifeless


def test_a_graded_look_at_a_good_picture_is_a_sign_of_life() -> None:
    state = replay(HOME, [entry(1, "check", check="picture", likelihood={"good": 1.0, "no picture": 0.01})])
    assert not state.pointless_now()


def test_a_graded_look_at_no_picture_is_a_failure_seen() -> None:
    assert replay(HOME, [entry(1, "check", check="picture", likelihood={"no picture": 1.0})]).seen_bad


# ---------------------------------------------------------------- gates

FACTS = ("output", "volts", "amps", "polarity", "plug")


def with_fact(fact: str, word: str | None) -> dict[str, Any]:
    adapter = dict.fromkeys(FACTS, "matches")
    del adapter[fact]
    return {"adapter": adapter | ({fact: word} if word else {})}


def rails(compiled: CompiledType, key: str, ohm: float | None) -> dict[str, Any]:
    measured = dict(full_gate(compiled)["rails_ohm"])
    del measured[key]
    return {"rails_ohm": measured | ({key: ohm} if ohm is not None else {})}


@pytest.mark.parametrize(
    ("compiled", "changes", "says"),
    [
        *[(CONSOLE, with_fact(fact, None), f"adapter's {fact} is not confirmed") for fact in FACTS],
        *[(CONSOLE, with_fact(fact, "does not match"), f"adapter's {fact} does not match") for fact in FACTS],
        *[(POCKET, with_fact(fact, "does not match"), f"adapter's {fact} does not match") for fact in FACTS],
        *[
            (compiled, rails(compiled, key, None), "to ground is not measured")
            for compiled in (CONSOLE, POCKET, HOME, WALKER, RADIO)
            for key in compiled.loaded.unit_type.power_on.rails
        ],
        (CONSOLE, rails(CONSOLE, "rail5", 13.9), "reads 13.9 Ω, below 14 Ω: a short"),
        (CONSOLE, rails(CONSOLE, "rail5", 0.0), "a short"),
        (RADIO, rails(RADIO, "heaters", 0.9), "below 1 Ω: a short"),
        (HOME, {"limit_amps": None}, "No current limit is set"),
    ],
)
def test_every_problem_keeps_the_power_gate_shut(compiled: CompiledType, changes: dict[str, Any], says: str) -> None:
    fields = full_gate(compiled, **changes)
    assert any(says in problem for problem in first_power_problems(compiled, fields))
    read = [entry(n, "caution", caution=c) for n, c in enumerate(power_cautions(compiled), start=1)]
    good, bad = entry(101, "first-power", **full_gate(compiled)), entry(102, "first-power", 1, **fields)
    assert FIRST_POWER in replay(compiled, [*read, good]).gates_open
    shut = replay(compiled, [*read, good, bad])  # a later gate that fails shuts it again
    assert FIRST_POWER not in shut.gates_open
    assert any(says in problem for problem in shut.first_power_problems)
    assert FIRST_POWER not in replay(compiled, [*read, bad]).gates_open
    assert FIRST_POWER in replay(compiled, [*read, good, bad, entry(103, "correction", corrects=102)]).gates_open


@pytest.mark.parametrize("compiled", [HOME, CONSOLE, POCKET, WALKER, RADIO], ids=lambda c: c.loaded.name)
def test_the_power_gate_stays_shut_until_every_caution_of_it_is_read(compiled: CompiledType) -> None:
    wanted = power_cautions(compiled)
    assert "first-power" in wanted
    if compiled.loaded.unit_type.power_on.feed == "mains":
        assert {"mains", "charged-capacitor"} <= set(wanted)
    gate = entry(1, "first-power", **full_gate(compiled))
    read = [entry(n, "caution", caution=c) for n, c in enumerate(wanted, start=2)]
    for missing in range(len(wanted)):
        state = replay(compiled, [gate, *read[:missing], *read[missing + 1 :]])
        name = compiled.loaded.library.cautions[wanted[missing]].name
        assert FIRST_POWER not in state.gates_open
        assert f"Still to read: {name}." in state.first_power_problems
    assert FIRST_POWER in replay(compiled, [gate, *read]).gates_open  # in whatever order


def test_with_nothing_against_it_the_gate_opens() -> None:
    for compiled in (CONSOLE, POCKET, HOME, WALKER, RADIO):
        assert first_power_problems(compiled, full_gate(compiled)) == []
    assert first_power_problems(HOME, full_gate(HOME, limit_amps=None, limiter="60 W bulb in series")) == []
    assert first_power_problems(POCKET, full_gate(POCKET, adapter={})) == []  # runs on cells: no adapter need be there
    assert first_power_problems(CONSOLE, full_gate(CONSOLE, **rails(CONSOLE, "rail5", 14.0))) == []


@pytest.mark.parametrize("changes", [{"limit_amps": None, "limiter": "  "}, {"limit_amps": 100.0}])
def test_a_limit_that_limits_nothing(changes: dict[str, Any]) -> None:
    assert first_power_problems(CONSOLE, full_gate(CONSOLE, **changes))


def test_what_the_power_gate_proves_is_not_asked_again() -> None:
    state = replay(CONSOLE, [entry(1, "first-power", **full_gate(CONSOLE))])
    (proven,) = CONSOLE.loaded.unit_type.power_on.proves
    assert [e.check for e in state.events if isinstance(e, Reading)] == [proven] == list(state.done_since)
    assert state.evidence[0].result == "good (first power-on gate)"
    assert replay(CONSOLE, [entry(1, "first-power", **full_gate(CONSOLE, limit_amps=None))]).events == []


def test_what_rattled_keeps_the_power_off_until_it_is_found() -> None:
    read = [entry(n, "caution", caution=c) for n, c in enumerate(power_cautions(CONSOLE), start=1)]
    loose = entry(50, "take-in", rattle="rattles")
    state = replay(CONSOLE, [*read, loose, entry(51, "first-power", **full_gate(CONSOLE))])
    assert FIRST_POWER not in state.gates_open
    assert any("rattled at take-in" in problem for problem in state.first_power_problems)
    found = entry(51, "first-power", **full_gate(CONSOLE), rattle="a screw, out")
    assert FIRST_POWER in replay(CONSOLE, [*read, loose, found]).gates_open


def test_data_is_saved_before_a_battery_comes_out() -> None:
    cautions = [entry(n, "caution", caution=c) for n, c in enumerate(POCKET.loaded.library.cautions, 1)]
    log = [
        *cautions,
        entry(80, "first-power", **full_gate(POCKET)),
        entry(81, "check", check="save", outcome="lost at once"),
        entry(82, "check", check="panel", outcome="good"),
        entry(83, "check", check="save_cell.loaded-volts", outcome="low"),
    ]
    cell = "save_cell.fresh-cells"

    def bars(extra: list[Entry]) -> set[str]:
        steps = {step.id: step for step in replay(POCKET, [*log, *extra]).advice(depth=1).steps}
        return {bar.kind + " " + bar.what for bar in steps[cell].bars}

    one, two = POCKET.loaded.unit_type.must_save
    first = entry(89, "saved", 1, what=one, how="owner waives in writing")
    saved = entry(90, "saved", 1, what=two, how="read out twice, both the same")
    proof = entry(91, "proof", 1, repair=cell, text="read out twice; old cell 2.4 V")
    assert bars([]) == {f"gate {DATA_SAVED}", f"proof {cell}"}
    assert bars([saved]) == {f"gate {DATA_SAVED}", f"proof {cell}"}  # the other datum is still in there
    assert bars([first, saved]) == {f"proof {cell}"}
    assert bars([first, saved, proof]) == set()
    assert bars([first, saved, proof, entry(92, "correction", corrects=90)]) == {f"gate {DATA_SAVED}"}
    assert not any(DATA_SAVED in repair.gates for repair in WALKER.model.repairs)  # nothing in it to save


def test_stages() -> None:
    assert replay(HOME, []).stage == "take-in"
    assert replay(HOME, [entry(1, "caution", caution="mains")]).stage == "take-in"
    assert replay(HOME, [entry(1, "complaint", point="sound", outcome="hum")]).stage == "fault finding"
    waiting = replay(HOME, [entry(1, "stage", stage="waiting", waits_for="belt")])
    assert (waiting.stage, waiting.waits_for) == ("waiting", "belt")


def test_what_happened_in_order() -> None:
    log = [entry(1, "access", level="board"), entry(2, "repair", repair="rail5.replace")]
    state = replay(HOME, [*log, entry(3, "access", level="closed"), entry(4, "time", minutes=7.5)])
    assert state.level == 0
    assert [type(e) for e in state.events] == [Done]
    assert replay(HOME, log[1:]).level == 2  # the board had to come out for it
    assert state.minutes == HOME.steps["rail5.replace"].minutes + 7.5
